"""Reads an .xlsx file with a library other than the one that wrote it."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime
from functools import cache
from pathlib import Path
from typing import Any

from openpyxl import load_workbook


@dataclass(frozen=True)
class ReadSheet:
    """cells: (row, column) from 0 -> value; formulas: same -> text; top: row of the header; frozen: rows held still."""

    cells: dict[tuple[int, int], Any]
    formulas: dict[tuple[int, int], str]
    filtered: str
    frozen: int
    widths: int

    @property
    def top(self) -> int:
        return self.frozen - 1

    @property
    def heads(self) -> list[str]:
        return [self.cells[key] for key in sorted(key for key in self.cells if key[0] == self.top)]

    def column(self, head: str) -> list[Any]:
        at = self.heads.index(head)
        last = max(row for row, _ in self.cells)
        return [self.cells.get((row, at)) for row in range(self.top + 1, last + 1)]


def read_workbook(file: Path) -> dict[str, ReadSheet]:
    """Sheet name -> its cells, in the workbook's order."""
    return _read(file, file.stat().st_mtime_ns)


@cache
def _read(file: Path, _: int) -> dict[str, ReadSheet]:
    values, texts = load_workbook(file, data_only=True), load_workbook(file)
    return {name: _sheet(values[name], texts[name]) for name in values.sheetnames}


def _plain(value: Any) -> Any:
    """A date as the month it stands for, '2026-07'."""
    return f"{value:%Y-%m}" if isinstance(value, datetime) else value


def _sheet(values: Any, texts: Any) -> ReadSheet:
    cells = {
        (c.row - 1, c.column - 1): _plain(c.value) for row in values.iter_rows() for c in row if c.value is not None
    }
    formulas = {(c.row - 1, c.column - 1): str(c.value) for row in texts.iter_rows() for c in row if c.data_type == "f"}
    frozen = texts.freeze_panes
    return ReadSheet(
        cells,
        formulas,
        texts.auto_filter.ref or "",
        int("".join(filter(str.isdigit, frozen))) - 1 if frozen else 0,
        len(texts.column_dimensions),
    )
