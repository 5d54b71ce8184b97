"""The one reader of delimited text: what parts its cells, quotation marks, cells over any length, decimal commas."""

from __future__ import annotations

import csv
from collections.abc import Iterable, Iterator
from pathlib import Path

from driftmodel.base.errors import BadInput

DELIMITERS = (",", ";", "\t", "|")


def delimiter_of(header: str) -> str:
    """What parts the cells of a table, by its header: the sign it has most of; a comma where it has none."""
    return max(DELIMITERS, key=header.count)


def rows_of(
    lines: Iterable[str], delimiter: str, path: str | Path, first: int = 1, comment: str = ""
) -> Iterator[tuple[int, list[str]]]:
    """The cells of each row, spaces off, with the number of the line it begins on; `first` is the first line's.

    Rows with nothing in them are passed over, and lines that begin with `comment`. Raises BadInput for a row whose
    quotation marks do not come in pairs, or with a cell longer than any that can be meant."""
    kept = ("" if line.lstrip().startswith(comment) else line for line in lines) if comment else lines
    reader = csv.reader(kept, delimiter=delimiter, skipinitialspace=True, strict=True)
    while True:
        row = first + reader.line_num
        try:
            cells = [cell.strip() for cell in next(reader)]
        except StopIteration:
            return
        except csv.Error as fault:
            came = "a quotation mark that is not closed" if "end of data" in str(fault) else "a row that cannot be read"
            raise BadInput(f"{came} ({fault})", "quotation marks in pairs, cells of some words", file=path,
                           place=f"row {row}", mend="take the lone \" out, or the row") from None  # fmt: skip
        if any(cells):
            yield row, cells


def cells_of(line: str, delimiter: str, path: str | Path, row: int) -> list[str]:
    """The cells of one line. Raises BadInput as rows_of does."""
    return next((cells for _, cells in rows_of([line], delimiter, path, row)), [])


def with_point(text: str) -> str:
    """A number's text with its decimal comma made a point; as it stands where it has a point already."""
    return text if "." in text else text.replace(",", ".")
