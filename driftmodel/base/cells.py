"""Text for a table that a spreadsheet opens: a cell which it would take for a formula is text."""

from __future__ import annotations

from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from pandas import DataFrame

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
