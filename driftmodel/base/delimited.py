"""The one reader of delimited text: what parts its cells, quotation marks, cells over any length, decimal commas; and
how a table with names in it leaves, so that no spreadsheet takes a name for a formula."""

from __future__ import annotations

import csv
from collections.abc import Iterable, Iterator
from pathlib import Path

from driftmodel.base.errors import BadInput
from driftmodel.base.schema import DataFrame

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


#: signs a spreadsheet begins a formula with, or skips before one
_BEGINS_A_FORMULA = ("=", "+", "-", "@", "\t", "\r")


def as_text(cell: str) -> str:
    """The cell with an apostrophe before it where a spreadsheet would run it; a number stays one."""
    if not cell.startswith(_BEGINS_A_FORMULA):
        return cell
    try:
        float(cell)
    except ValueError:
        return f"'{cell}"
    return cell


def csv_text(frame: DataFrame) -> str:
    """The frame as CSV without its index, its text cells as text."""
    safe = frame.rename(columns=lambda name: as_text(str(name)))
    for at, kind in enumerate(frame.dtypes):
        if kind.kind not in "biufM":
            safe.isetitem(at, [as_text(cell) if isinstance(cell, str) else cell for cell in frame.iloc[:, at]])
    return safe.to_csv(index=False, lineterminator="\n")
