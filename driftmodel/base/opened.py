"""The one place where a user's file is opened: regular and of bounded size, as bytes, text or TOML, or one BadInput;
the one reader of delimited text: what parts its cells, quotation marks, cells over any length, decimal commas; and how
a table with names in it leaves, so that no spreadsheet takes a name for a formula."""

from __future__ import annotations

import csv
import os
import re
import stat
import tomllib
from collections.abc import Iterable, Iterator, Sequence
from contextlib import suppress
from functools import cache
from importlib.resources import files
from pathlib import Path
from typing import Any

from driftmodel.base.errors import BadInput, Spot
from driftmodel.base.schema import Array, DataFrame

#: a text larger than this is not read: cells held as text take some ten times the file (own choice, no source)
MOST_TEXT_MB = 64.0
#: of a table kept as columns of categories, whose memory stays near the file's size; a million units take some 100
MOST_TABLE_MB = 1000.0
#: a hand-written TOML file is some kilobytes
MOST_TOML_MB = 2.0
#: tables within tables; the files of this tool hold five
MOST_LEVELS = 40
#: of a line that is not TOML, in the message
_SHOWN = 120


def is_there(path: str | Path) -> bool:
    """True for a file that stands there, whatever it is; False also for a name no file system takes."""
    try:
        return Path(path).exists()
    except (OSError, ValueError):
        return False


def check_file(path: str | Path, needed: str, *, mend: str = "correct the file name", most_mb: float) -> os.stat_result:
    """What the file system says of a file that can be opened safely.

    Raises BadInput for a name no file system takes, a file that is missing, no regular file (a folder, a pipe, a
    device would hold the run up), larger than most_mb million bytes, or not readable by this user."""
    try:
        told = os.stat(path)
    except FileNotFoundError:
        raise Spot(path).refusal(f"there is no such file. Needed: {needed}. Mend: {mend}") from None
    except ValueError:
        raise Spot(path).refusal(f"no file can have this name. Needed: {needed}. Mend: {mend}") from None
    except OSError as fault:
        raise Spot(path).refusal(f"it cannot be opened ({_reason(fault)}). Needed: {needed}. Mend: {mend}") from None
    if stat.S_ISDIR(told.st_mode):
        raise Spot(path).refusal(f"it is a folder. Needed: {needed}. Mend: name a file in it")
    if not stat.S_ISREG(told.st_mode):
        raise Spot(path).refusal(f"it is a pipe or a device. Needed: {needed}. Mend: save it as a file first")
    if told.st_size > most_mb * 1e6:
        came = f"it has {told.st_size / 1e6:,.0f} million bytes"
        raise BadInput(came, f"{needed}, of at most {most_mb:,.0f} million", file=path,
                       mend="export fewer columns or longer steps, or split it")  # fmt: skip
    if not os.access(path, os.R_OK):
        raise Spot(path).refusal(f"you may not read it. Needed: {needed}. Mend: give yourself the right to read it")
    return told


def bytes_of(
    path: str | Path,
    needed: str,
    *,
    mend: str = "correct the file name",
    most_mb: float = MOST_TEXT_MB,
    first: int | None = None,
) -> bytes:
    """The content of a file, or its first bytes. Raises BadInput as check_file does."""
    check_file(path, needed, mend=mend, most_mb=most_mb)
    try:
        with open(path, "rb") as stream:
            return stream.read(int(most_mb * 1e6) if first is None else first)
    except OSError as fault:
        raise Spot(path).refusal(f"it cannot be read ({_reason(fault)}). Needed: {needed}. Mend: {mend}") from None


def text_of(
    path: str | Path, needed: str, *, mend: str = "correct the file name", most_mb: float = MOST_TEXT_MB
) -> str:
    """The content of a UTF-8 text file, a byte order mark left out. Raises BadInput for anything else, with its row."""
    return decoded(bytes_of(path, needed, mend=mend, most_mb=most_mb), path, needed)


def decoded(raw: bytes, path: str | Path, needed: str) -> str:
    """Bytes as UTF-8 text. Raises BadInput naming the row of the first byte that is none."""
    if raw[:2] in (b"\xff\xfe", b"\xfe\xff"):
        raise Spot(path).refusal(f'text in UTF-16. Needed: {needed}, in UTF-8. Mend: save it as "UTF-8"')
    try:
        text = raw.decode("utf-8-sig")
    except UnicodeDecodeError as fault:
        row = raw.count(b"\n", 0, fault.start) + 1
        raise BadInput(f"a byte that is not UTF-8 text ({raw[fault.start : fault.start + 1].hex()})",
                       f"{needed}, in UTF-8", file=path, place=f"row {row}",
                       mend='save it as "UTF-8" (a table: "CSV UTF-8")') from None  # fmt: skip
    if "\0" in text:
        row = text[: text.index("\0")].count("\n") + 1
        raise Spot(path, f"row {row}").refusal(f"not a text file. Needed: {needed}. Mend: save or export it as text")
    return text


def parsed_toml(text: str, path: str | Path) -> dict[str, Any]:
    """The tables of a TOML text. Raises BadInput naming the line, and for tables nested beyond reason."""
    try:
        tree = tomllib.loads(text)
    except tomllib.TOMLDecodeError as fault:
        raise _not_toml(text, path, str(fault)) from None
    except RecursionError:
        raise _too_deep(path) from None
    except ValueError:  # of all numbers, only the length of an integer is refused
        raise BadInput("a number of thousands of digits", "numbers that can be true", file=path,
                       mend="take it out") from None  # fmt: skip
    level: list[Any] = [tree]
    for _ in range(MOST_LEVELS):
        level = [item for one in level for item in _inside(one) if isinstance(item, dict | list)]
        if not level:
            return tree
    raise _too_deep(path)


def _inside(one: Any) -> Any:
    return one.values() if isinstance(one, dict) else one


def _too_deep(path: str | Path) -> BadInput:
    return BadInput("tables or lists nested too deep", f"at most {MOST_LEVELS} levels", file=path,
                    mend="take the innermost brackets out")  # fmt: skip


def _not_toml(text: str, path: str | Path, told: str) -> BadInput:
    found = re.search(r"^(.*?) \(at line (\d+)", told)
    lines = text.splitlines() or [""]
    number = min(int(found.group(2)), len(lines)) if found else len(lines)
    place = f"line {found.group(2)}" if found else "the last line"
    reason, line = found.group(1) if found else told, lines[number - 1]
    if match := re.search(r"=\s*-?\d+,\d+\s*$", line):
        decimal = match.group(0).replace(",", ".").strip("= ")
        return BadInput("a number with a decimal comma", "a decimal point", file=path, place=place,
                        mend=f"write {decimal}")  # fmt: skip
    shown = line.strip()
    shown = shown if len(shown) <= _SHOWN else shown[:_SHOWN] + " ..."
    return BadInput(f"the line is not TOML ({reason[:1].lower() + reason[1:]})",
                    'lines of the form  key = value, text in "quotes", tables in [brackets]', file=path,
                    place=place, mend=f"look at: {shown!r}")  # fmt: skip


def _reason(fault: OSError) -> str:
    return (fault.strerror or type(fault).__name__).lower()


@cache
def _folder(name: str) -> Path:
    """The folder `name`: the subpackage driftmodel.<name> where one is installed, else the one beside the package."""
    try:
        installed = Path(str(files(f"driftmodel.{name}")))
        if (installed / "README.md").is_file() or any(installed.glob("*.toml")):
            return installed
    except (ModuleNotFoundError, TypeError):
        pass
    return Path(__file__).resolve().parents[2] / name


def species_data_dir() -> Path:
    """The folder of woods, finishes, general numbers and sources."""
    return _folder("species_data")


def scenarios_dir() -> Path:
    """The folder of scenarios, instruments and climates."""
    return _folder("scenarios")


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


def numbers_of(texts: Sequence[str]) -> Array:
    """The numbers in cells, a decimal comma taken for a point; NaN for a cell that holds none."""
    import numpy as np

    try:
        return np.array(texts, dtype=float)
    except ValueError:
        values = np.full(len(texts), np.nan)
    for at, text in enumerate(texts):
        with suppress(ValueError):
            values[at] = float(with_point(text))
    return values


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
