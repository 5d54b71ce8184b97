"""What every verb is about: a scenario, or an instrument's record as of a day, with its work done and its readings.

A record's two files are read and written safely: no row is lost, two may write at once, a kill leaves the old file.
ada/record.toml   the instrument: design, serial, set-up, where it lives; plain keys, few of them
ada/bench.csv     readings and work, a line each, oldest first, only ever added to"""

from __future__ import annotations

import csv
import os
import time
from collections.abc import Callable, Iterable, Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import date
from io import StringIO
from pathlib import Path
from typing import Any

import numpy as np

from driftmodel.base.errors import BadInput, Spot, refusal, unwritable
from driftmodel.base.file_models import READINGS
from driftmodel.base.opened import cells_of, delimiter_of, text_of
from driftmodel.base.records import Scenario
from driftmodel.base.scenario_file import BENCH, RECORD, RecordFile, Tag, filled, is_record
from driftmodel.base.scenarios import load_scenario as load_plain
from driftmodel.base.scenarios import scenario_of
from driftmodel.base.tomlfile import validated
from driftmodel.base.written import write_file
from driftmodel.calibration.readings import read_readings
from driftmodel.calibration.readings_cells import column_of
from driftmodel.calibration.records import BenchBook
from driftmodel.outlook.calendar import as_of
from driftmodel.outlook.draws import Draws

#: of bench.csv: the hour is not told, units stand beside their numbers
COLUMNS = tuple(name for name in READINGS if name not in ("hour", "unit"))
LOCK = ".writing"
UNWRITTEN = "see who owns the folder, and whether the disk is full"
#: a writer holds the lock for a moment only; one this old was left by a run that died
STALE_SECONDS, PATIENCE_SECONDS = 30.0, 45.0


def folder_of(path: Path) -> Path:
    """The record's folder, of a folder or of the record.toml in it. Raises BadInput where there is none."""
    folder = path.parent if path.name == RECORD else path
    if not is_record(folder):
        raise BadInput(
            f'"{path}" holds no record ({RECORD})' if folder.is_dir() else f'there is no record "{path}"',
            "the folder of an instrument's record",
            mend=f'driftmodel record new {path} --design large_x_braced --home cold_city_heated --set-up 2026-09-25 '
            '--action "2.3 mm" --spacer J',
        )  # fmt: skip
    return folder


def read_record(path: Path) -> tuple[Scenario, Tag]:
    """The instrument as its record.toml tells it, no work in it yet, and its tag. Raises BadInput."""
    folder = folder_of(path)
    usual: dict[str, float] = {}

    def fill(tree: dict[str, Any]) -> dict[str, Any]:
        whole, taken = filled(tree, folder.resolve().name)
        usual.update(taken)
        return whole

    data, raw = validated(RecordFile, folder / RECORD, fill)
    scenario = scenario_of(folder / RECORD, data, raw, folder.resolve().name)
    return scenario, Tag(data.serial, data.owner, data.workshop, usual)


def rows_of(folder: Path) -> str:
    """The text of bench.csv, '' where nothing was read or done yet."""
    file = folder / BENCH
    return text_of(file, "the record's readings and work", mend="check the path") if file.exists() else ""


def add_rows(folder: Path, rows: Iterable[Mapping[str, str]], check: Callable[[Path], None]) -> Path:
    """Adds lines at the end of bench.csv. check: is handed a file with the lines added before it takes its place, and
    raises BadInput if it cannot be read; then nothing is written. Raises BadInput where it cannot be written."""
    file = folder / BENCH
    with writing(folder):
        before = rows_of(folder)
        found = next((line for line in before.splitlines() if line.strip() and not line.startswith("#")), "")
        header = found or ";".join(COLUMNS)
        delimiter = delimiter_of(header)
        columns = [column_of(cell)[0] for cell in cells_of(header, delimiter, file, 1)]
        missing = sorted({name for row in rows for name in row if row[name]} - set(columns))
        if missing:
            raise Spot(file, "row 1").refusal(
                f"the file has no column {', '.join(missing)}. Needed: a header with it. "
                f"Mend: {delimiter.join([header, *missing])}"
            )
        text = before if before.endswith("\n") or not before else before + "\n"
        text += "" if found else header + "\n"
        put = StringIO()
        writer = csv.writer(put, delimiter=delimiter, lineterminator="\n")
        for row in rows:
            writer.writerow([" ".join(str(row.get(name, "")).split()) for name in columns])
        trial = folder / f".{BENCH}-trial-{os.getpid()}"
        try:
            write_file(trial, (text + put.getvalue()).encode())
            check(trial)
            write_file(file, (text + put.getvalue()).encode())
        except OSError as fault:
            raise unwritable(file, fault, UNWRITTEN) from fault
        finally:
            trial.unlink(missing_ok=True)
    return file


def add_tables(folder: Path, text: str) -> Path:
    """Adds tables, such as a [[stay]], at the end of record.toml; refused whole if it can then not be read."""
    file = folder / RECORD
    with writing(folder):
        before = text_of(file, "a record", mend="check the path")
        after = (before if before.endswith("\n") else before + "\n") + "\n" + text
        try:
            write_file(file, after.encode())
            try:
                read_record(folder)
            except BadInput:
                write_file(file, before.encode())
                raise
        except OSError as fault:
            raise unwritable(file, fault, UNWRITTEN) from fault
    return file


@contextmanager
def writing(folder: Path) -> Iterator[None]:
    """One writer at a time: a lock file of our own, taken over when whoever left it is long gone. Raises BadInput."""
    lock, until = folder / LOCK, time.monotonic() + PATIENCE_SECONDS
    while True:
        try:
            os.close(os.open(lock, os.O_CREAT | os.O_EXCL | os.O_WRONLY))
            break
        except FileExistsError:
            _take_over_if_stale(lock)
            if time.monotonic() > until:
                raise Spot(lock).refusal(
                    "somebody else is writing to this record. Needed: a moment's patience. "
                    "Mend: try again; if nobody is writing, delete that file"
                ) from None
            time.sleep(0.02)
        except OSError as fault:
            raise unwritable(folder, fault, UNWRITTEN) from fault
    try:
        yield
    finally:
        lock.unlink(missing_ok=True)


def _take_over_if_stale(lock: Path) -> None:
    taken = lock.with_name(f"{LOCK}-{os.getpid()}")
    try:
        if _stale(lock):
            lock.rename(taken)
            if _stale(taken):
                taken.unlink()
            else:  # another took the stale one over since, and writes under a new one
                taken.rename(lock)
    except OSError:
        return


def _stale(lock: Path) -> bool:
    return time.time() - lock.stat().st_mtime > STALE_SECONDS


@dataclass(frozen=True)
class Case:
    """scenario: as of `scenario.today`, work done in it. book: readings and work up to that day. folder, tag: of the
    record; None where it is a plain scenario, which has no book either."""

    scenario: Scenario
    book: BenchBook
    folder: Path | None = None
    tag: Tag | None = None

    def learned(self, count: int | None = None) -> Draws | None:
        """The unknowns narrowed by the readings, `count` draws of them (the scenario's own number if None); None where
        there are none to learn from."""
        if not self.book.readings:  # the fit is half a second of imports
            return None
        from driftmodel.calibration.forward import fitting
        from driftmodel.calibration.shown import calibrate

        if not fitting(self.book):
            return None
        return some_of(calibrate(self.scenario, self.book).draws, count or self.scenario.draws)


def some_of(draws: Draws, count: int) -> Draws:
    """The first draws of every weather member, `count` in all, as evenly as they go; all of them if there are fewer."""
    members, sizes = np.unique(draws.member, return_counts=True)
    if count >= draws.count:
        return draws
    wanted = [
        min(size, len(part)) for size, part in zip(sizes, np.array_split(np.arange(count), members.size), strict=True)
    ]
    rows = np.concatenate(
        [np.flatnonzero(draws.member == member)[:most] for member, most in zip(members, wanted, strict=True)]
    )
    return draws.chosen(rows)


def open_case(name: str | Path, today: date | None = None) -> Case:
    """A scenario by name or path, or a record by its folder, as of a day: for a record today where none is given.

    Raises BadInput for anything else, and for what is wrong in the files."""
    path = Path(name)
    if not is_record(path):
        scenario = load_plain(name)
        return Case(scenario if today is None else as_of(scenario, today), BenchBook(()))
    return open_record(folder_of(path), today)


def open_record(folder: Path, today: date | None = None, bench: Path | None = None) -> Case:
    """A record as of a day, today if none is given. bench: another file in the place of bench.csv."""
    scenario, tag = read_record(folder)
    day = today or max(date.today(), scenario.setup.setup)
    since_set_up(scenario, day)
    file = bench or folder / BENCH
    lines = [line for line in rows_of(folder).splitlines() if line.strip() and not line.lstrip().startswith("#")]
    if bench is None and len(lines) < 2:  # nothing stands below the header
        return Case(as_of(scenario, day), BenchBook((), file=str(file)), folder, tag)
    whole = read_readings(file, scenario, max(day, date.today()))
    readings = tuple(one for one in whole.readings if one.date <= day)
    work = tuple(one for one in whole.work if one.day <= day)
    remarks = tuple(remark.replace(str(file), BENCH) for remark in whole.remarks)
    book = BenchBook(readings, work, remarks, str(folder / BENCH))
    return Case(as_of(scenario, day, work), book, folder, tag)


def since_set_up(scenario: Scenario, day: date) -> None:
    """Raises BadInput for a day before an instrument was set up."""
    if day < (first := scenario.setup.setup):
        raise refusal(f"{day} is before its set-up ({first}). Needed: a day since set-up. Mend: --date {first}")


def load_scenario(name: str | Path, today: date | None = None) -> Scenario:
    """The scenario in a TOML file, a shipped one by its name, or an instrument's record by its folder, as of a day.

    Raises BadInput for a missing file, a fault in it or in the files it names."""
    return open_case(name, today).scenario
