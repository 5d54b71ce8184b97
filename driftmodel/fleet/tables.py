"""A user's CSV as columns of categories, and the faults of its rows: each listed with row, column, reason and value."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import date
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from driftmodel.base.errors import Spot, near_match
from driftmodel.base.opened import MOST_TABLE_MB, as_text, check_file, delimiter_of, rows_of, with_point
from driftmodel.base.schema import FIRST_DAY, LAST_DAY, Array, DataFrame, Flags
from driftmodel.base.written import write_file

NONE = -1  # month or index that is not there


@dataclass(frozen=True)
class Fault:
    """One fault of one row. row counts lines of the file, the header being row 1."""

    file: str
    row: int
    column: str
    reason: str
    value: str


def month_number(day: date) -> int:
    """Months since year 0: 12 x year + month - 1."""
    return 12 * day.year + day.month - 1


def month_label(month: int) -> str:
    """'2026-07' for a month number."""
    return f"{month // 12:04d}-{month % 12 + 1:02d}"


@dataclass
class Table:
    """A table being checked. Columns are parsed once per distinct text, so a million rows cost little. unused: columns
    of the file that are kept out; decimal: the mark its numbers may have beside a point."""

    file: Path
    frame: DataFrame
    bad: Flags
    faults: list[Fault] = field(default_factory=list)
    unused: tuple[str, ...] = ()
    decimal: str = "."

    @property
    def rows(self) -> int:
        return int(self.bad.size)

    def empty(self, column: str) -> Flags:
        """Rows (rows,) with nothing in a column."""
        kinds = self.frame[column].cat
        blank = np.asarray(kinds.categories.astype(str).str.strip() == "", dtype=bool)
        return np.append(blank, True)[kinds.codes.to_numpy()]

    def has(self, column: str) -> bool:
        return column in self.frame.columns

    def fault(self, wrong: Flags, column: str, reason: str) -> None:
        """List every row of `wrong`, with what stands in `column`."""
        for row in np.flatnonzero(wrong):
            value = self.frame[column].iloc[row] if self.has(column) else ""
            self.faults.append(
                Fault(str(self.file), int(row) + 2, column, reason, "" if value != value else str(value))
            )
        self.bad |= wrong

    def parsed(self, column: str, parse: Callable[[str], Any], dtype: Any, absent: Any) -> Any:
        """Values (rows,) of a column; `parse` turns a text into a value or raises ValueError with the reason.

        A column that is not in the file is `absent` throughout."""
        if not self.has(column):
            return np.full(self.rows, absent, dtype=dtype)
        kinds = self.frame[column].cat
        codes = kinds.codes.to_numpy()
        values = np.full(len(kinds.categories) + 1, absent, dtype=dtype)
        reasons: dict[int, str] = {}
        for index, text in enumerate(kinds.categories):
            try:
                values[index] = parse(str(text).strip())
            except ValueError as fault:
                reasons[index] = str(fault)
        try:
            parse("")
        except ValueError as fault:
            reasons[-1] = f"the row is too short: {fault}"
        for index, reason in reasons.items():
            self.fault(codes == index, column, reason)
        return values[codes]

    def months(self, column: str, *, needed: bool = True) -> NDArray[np.int32]:
        """Month numbers (rows,) of an ISO date column; NONE where an optional one is empty."""
        return np.asarray(self.parsed(column, lambda text: _month(text, needed), np.int32, NONE))

    def words(self, column: str, known: Sequence[str], *, needed: bool = True) -> NDArray[np.int32]:
        """Index (rows,) into `known`; NONE where an optional one is empty."""

        def index(text: str) -> int:
            if not text and not needed:
                return NONE
            if text not in known:
                raise ValueError(
                    f"not one of {', '.join(known)}{near_match(text, known)}"
                    if text
                    else f"empty; one of {', '.join(known)}"
                )
            return known.index(text)

        return np.asarray(self.parsed(column, index, np.int32, NONE))

    def numbers(
        self, column: str, low: float, high: float, *, absent: float | None = None, whole: bool = False
    ) -> Array:
        """Numbers (rows,) between low and high; an empty one is `absent`, or a fault when that is None."""
        return np.asarray(
            self.parsed(
                column,
                lambda text: _number(with_point(text) if self.decimal == "," else text, low, high, absent, whole),
                float,
                np.nan if absent is None else absent,
            )
        )


def _month(text: str, needed: bool) -> int:
    if not text:
        if needed:
            raise ValueError("empty; a date such as 2026-07-15")
        return NONE
    try:
        day = date.fromisoformat(text)
    except ValueError:
        raise ValueError("not a date of the form 2026-07-15") from None
    if not FIRST_DAY <= day <= LAST_DAY:
        raise ValueError(f"a year between {FIRST_DAY.year} and {LAST_DAY.year} is needed")
    return month_number(day)


def _number(text: str, low: float, high: float, absent: float | None, whole: bool) -> float:
    if not text:
        if absent is None:
            raise ValueError(f"empty; a number between {low:g} and {high:g}")
        return absent
    try:
        value = float(text)
    except ValueError:
        comma = "; write a decimal point" if "," in text else ""
        raise ValueError(f"not a number{comma}") from None
    if not low <= value <= high:
        raise ValueError(f"not between {low:g} and {high:g}")
    if whole and value != round(value):
        raise ValueError("not a whole number")
    return value


def read_table(
    file: Path,
    needed: Sequence[str],
    optional: Sequence[str] = (),
    *,
    may_be_empty: bool = False,
    named: Mapping[str, str] | None = None,
) -> Table:
    """A delimited table with these columns. named: what the file calls some of them; then columns that are neither
    named nor known are kept out. Raises BadInput for a file not readable, a column missing or unknown, no rows."""
    import pandas as pd

    told, cells, delimiter = _header(file)
    known = [*needed, *optional]
    header = _our_names(file, told, known, named or {})
    kept_out = [name for name in header if name not in known] if named else []
    lacking = next((name for name in needed if name not in header), needed[0])
    for name in header:
        if name not in known and name not in kept_out:
            raise Spot(file, f"row 1, column {header.index(name) + 1}").refusal(
                f"unknown column `{name}`.{near_match(name, known)} Needed: columns out of {', '.join(known)}. "
                f'Mend: take it out, or say {lacking} = "{(name if lacking not in header else lacking)}" under '
                "[columns] of this table in the fleet file: columns not named there are then kept out"
            )
    if len(set(header)) != len(header):
        twice = next(name for name in header if header.count(name) > 1)
        raise Spot(file, f"row 1, column {twice}").refusal(
            f"the column `{twice}` stands there twice. Needed: each column once. Mend: take one of them out"
        )
    for name in needed:
        if name not in header:
            raise Spot(file, "row 1").refusal(
                f"no column `{name}`. Needed: the columns {', '.join(needed)}. "
                f'Mend: add it, or say {name} = "its name there" under [columns] of this table in the fleet file'
            )
    if cells > len(header):
        raise Spot(file, f"row 2, column {len(header) + 1}").refusal(
            f"{cells} columns. Needed: {len(header)} columns, as the header has. "
            "Mend: put text with commas in quotes, or take the extra column out"
        )
    try:
        frame = pd.read_csv(
            file, dtype="category", keep_default_na=False, encoding="utf-8-sig", skip_blank_lines=False, sep=delimiter,
            low_memory=False,  # read at once: categories of pieces take as long again to join
        )  # fmt: skip
    except (pd.errors.ParserError, UnicodeDecodeError) as fault:
        raise Spot(file, _place_of(str(fault))).refusal(
            f"a row that does not fit the header ({str(fault).strip().rsplit('error: ', 1)[-1].strip()}). Needed: "
            f"{len(header)} columns in every row, UTF-8. Mend: put text with commas in quotes, or complete the row"
        ) from None
    if frame.empty and not may_be_empty:
        raise Spot(file, "row 2").refusal(
            "only a header, no rows. Needed: rows under the header. Mend: export the table again"
        )
    frame.columns = pd.Index(header)
    frame = frame.drop(columns=kept_out)
    decimal = "." if delimiter == "," else ","
    return Table(file, frame, np.zeros(len(frame), dtype=bool), unused=tuple(kept_out), decimal=decimal)


def _our_names(file: Path, header: list[str], known: Sequence[str], named: Mapping[str, str]) -> list[str]:
    """The header in our names. named: ours -> the file's."""
    for ours, theirs in named.items():
        if ours not in known:
            raise Spot(place="columns").refusal(
                f"no column is called `{ours}`.{near_match(ours, known)} Needed: columns out of {', '.join(known)}. "
                f'Mend: {known[0]} = "{theirs}"'
            )
        if theirs not in header:
            raise Spot(file, "row 1").refusal(
                f"no column `{theirs}`.{near_match(theirs, header)} Needed: the column that [columns] calls {ours}. "
                f'Mend: {ours} = "{header[0]}"'
            )
    of = {theirs: ours for ours, theirs in named.items()}
    # a column of the file that has our name and is not the one meant is kept out
    return [of.get(name, f"{name} (not used)" if name in named else name) for name in header]


def _place_of(message: str) -> str:
    import re

    found = re.search(r"in line (\d+)", message)
    return f"row {found.group(1)}" if found else "the whole file"


def _header(file: Path) -> tuple[list[str], int, str]:
    """Names of the columns, the number of cells in the row after them, and what parts them."""
    needed = "a comma-separated table"
    check_file(file, needed, mend="correct the name in [files]", most_mb=MOST_TABLE_MB)
    try:
        with file.open(encoding="utf-8-sig", newline="") as lines:
            delimiter = delimiter_of(lines.readline())
            lines.seek(0)
            rows = rows_of(lines, delimiter, file)
            (_, first), (_, second) = next(rows, (1, [])), next(rows, (2, []))
    except UnicodeDecodeError:
        raise Spot(file, "row 1").refusal(
            f"the file cannot be read as UTF-8 text. Needed: {needed}. Mend: save it as CSV in UTF-8"
        ) from None
    if not first:
        raise Spot(file, "row 1").refusal("the file is empty. Needed: a header and rows. Mend: export it again")
    return first, len(second), delimiter


def write_faults(faults: Sequence[Fault], file: Path) -> None:
    """The rejects as CSV: file, row, column, reason, value; written whole or not at all."""
    import csv
    from io import StringIO

    out = StringIO(newline="")
    writer = csv.writer(out)
    writer.writerow(("file", "row", "column", "reason", "value"))
    for fault in faults:
        writer.writerow((as_text(fault.file), fault.row, as_text(fault.column), fault.reason, as_text(fault.value)))
    write_file(file, out.getvalue().encode("utf-8"))
