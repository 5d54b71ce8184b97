"""The readings file as a table: a header of known columns, then lines of cells that know their file and row."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from pathlib import Path

from driftmodel.base.errors import BadInput, Spot, near_match
from driftmodel.base.file_models import READINGS
from driftmodel.base.opened import cells_of, delimiter_of, rows_of, text_of
from driftmodel.base.units import Said, said_number

COLUMNS = tuple(READINGS)
EXAMPLE = "2027-02-10;action bass;2.55 mm;feeler gauge"
_SUFFIXES = {"mm": "mm", "in": "in", "thou": "thou", "g": "g", "kg": "kg", "degc": "degc", "degf": "degf", "pct": "pct"}


@dataclass(frozen=True)
class Line:
    """One line of the file: cells by column name, the unit a column's name gives, and how to complain about it."""

    cells: Mapping[str, str]
    units: Mapping[str, str]
    file: str
    row: int

    def has(self, column: str) -> bool:
        return bool(self.cells.get(column, ""))

    def fault(self, column: str, came: str, needed: str, mend: str) -> BadInput:
        place = f"row {self.row}, column {column}" if self.row else column  # a reading given as an option has no row
        return BadInput(came, needed, file=self.file, place=place, mend=mend)


def lines_of(file: Path) -> Iterable[Line]:
    """The lines of a readings file, empty ones and comments left out. Raises BadInput naming the row."""
    text = text_of(file, "a readings file", mend="check the path")
    rows = text.splitlines()
    head = next((number for number, row in enumerate(rows) if row.strip() and not row.lstrip().startswith("#")), None)
    if head is None:
        raise Spot(file).refusal("the file is empty. Needed: a header and readings. Mend: date,what,value,tool")
    delimiter = delimiter_of(rows[head])
    names, units = _header(cells_of(rows[head], delimiter, file, head + 1), file, head + 1)
    for number, cells in rows_of(rows[head + 1 :], delimiter, file, head + 2, comment="#"):
        if len(cells) > len(names):
            hint = (
                ' (a decimal comma? then put ";" between columns or quotes round the number)'
                if delimiter == ","
                else ""
            )
            raise Spot(file, f"row {number}").refusal(
                f"{len(cells)} cells under {len(names)} columns{hint}. Needed: one cell for each column. "
                f"Mend: {EXAMPLE}"
            )
        yield Line(dict(zip(names, cells, strict=False)), units, str(file), number)


def _header(cells: list[str], file: Path, row: int) -> tuple[list[str], dict[str, str]]:
    names, units = [], {}
    for cell in cells:
        plain = plain_words(cell).replace(" ", "_")
        stem, _, last = plain.rpartition("_")
        name, unit = (stem, _SUFFIXES[last]) if stem and last in _SUFFIXES else (plain, "")
        if name not in COLUMNS:
            raise Spot(file, f"row {row}").refusal(
                f'unknown column "{cell}".{near_match(name, COLUMNS)} Needed: columns '
                f"{', '.join(COLUMNS)}. Mend: date,what,value,tool"
            )
        if name in names:
            raise Spot(file, f"row {row}").refusal(f'two columns "{name}". Needed: each column once. Mend: remove one')
        names.append(name)
        units[name] = unit
    for name in ("date", "what", "value"):
        if name not in names:
            raise Spot(file, f"row {row}").refusal(
                f'no column "{name}". Needed: date, what and value at least. Mend: date,what,value,tool'
            )
    return names, units


def plain_words(words: str) -> str:
    """Small letters, single spaces, no underscores."""
    return " ".join(words.strip().lower().replace("_", " ").split())


def number_in(line: Line, column: str) -> Said:
    """The number in a cell and the unit written after it; a decimal comma is a decimal point. Raises BadInput."""
    found = said_number(line.cells[column].replace("°", "").replace("%", "").strip())
    if found is None:
        raise line.fault(column, f'"{line.cells[column]}" is not one number', "a number, with its unit", "2.55 mm")
    return found
