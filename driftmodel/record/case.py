"""What every verb is about: a scenario, or an instrument's record as of a day, with its work done and its readings."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date
from pathlib import Path

import numpy as np

from driftmodel.base.errors import BadInput
from driftmodel.base.frozen import Frozen
from driftmodel.base.record_file import BENCH, Tag, is_record
from driftmodel.base.records import Scenario
from driftmodel.base.scenarios import load_scenario as load_plain
from driftmodel.calibration.readings import read_readings
from driftmodel.calibration.records import BenchBook
from driftmodel.outlook.draws import Draws
from driftmodel.outlook.work import as_of
from driftmodel.record.files import folder_of, read_record, rows_of


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
        from driftmodel.calibration.fit import calibrate
        from driftmodel.calibration.forward import fitting

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
    values = Frozen({name: value[rows] for name, value in draws.values.items()})
    return Draws(values, draws.set_up_error_mm[rows], draws.member[rows])


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
    if bench is None and not has_rows(rows_of(folder)):
        return Case(as_of(scenario, day), BenchBook((), file=str(file)), folder, tag)
    whole = read_readings(file, scenario, max(day, date.today()))
    readings = tuple(one for one in whole.readings if one.date <= day)
    work = tuple(one for one in whole.work if one.day <= day)
    remarks = tuple(replace_trial(remark, file) for remark in whole.remarks)
    book = BenchBook(readings, work, remarks, str(folder / BENCH))
    return Case(as_of(scenario, day, work), book, folder, tag)


def since_set_up(scenario: Scenario, day: date) -> None:
    """Raises BadInput for a day before an instrument was set up."""
    if day < (first := scenario.setup.setup):
        raise BadInput(f"{day} is before its set-up ({first})", "a day since set-up", mend=f"--date {first}")


def replace_trial(words: str, file: Path) -> str:
    """Words without the name of a file that is only tried."""
    return words.replace(str(file), BENCH)


def has_rows(text: str) -> bool:
    """Whether anything stands below the header."""
    lines = [line for line in text.splitlines() if line.strip() and not line.lstrip().startswith("#")]
    return len(lines) > 1


def load_scenario(name: str | Path, today: date | None = None) -> Scenario:
    """The scenario in a TOML file, a shipped one by its name, or an instrument's record by its folder, as of a day.

    Raises BadInput for a missing file, a fault in it or in the files it names."""
    return open_case(name, today).scenario
