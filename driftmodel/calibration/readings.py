"""The bench's readings file: a CSV anybody can keep, read strictly, with one clear message for what cannot be used.

    date;what;value;tool;temperature_degc;relative_humidity_pct;hours_at_bench;spacer;strings;work
    2027-02-10;action bass;2.55 mm;feeler gauge;21;45;24;J;on;
    2027-02-10;action treble;0.079 in;feeler gauge;21;45;24;J;on;saddle -0.3 mm

Commas, semicolons or tabs between columns; decimal point or comma; a unit with the value or in the column's name."""

from __future__ import annotations

from dataclasses import replace
from datetime import date
from itertools import pairwise
from pathlib import Path

from driftmodel.base.errors import Spot
from driftmodel.base.records import Scenario, WorkDone
from driftmodel.calibration.readings_cells import EXAMPLE, Line, date_in, lines_of, reading_in, spacer_in, strings_on_in
from driftmodel.calibration.records import QUANTITIES, BenchBook, ReadingRow, once
from driftmodel.calibration.work import (
    ALL_DONE,
    Asked,
    done_before,
    known_step,
    moment_of,
    pieces_of,
    spacer_at,
    stands_anew,
    understood,
)


def read_readings(path: str | Path, scenario: Scenario, today: date | None = None) -> BenchBook:
    """Readings and work of one instrument from its CSV, in order of date and row, after the scenario's own
    work. `today` stands for the present day.

    Raises BadInput naming file, row and column: no or unknown unit, unknown quantity or tool, a date in the future, a
    date before set-up, a value that cannot be true. A step of 5 mm is kept and marked doubtful, and said in `remarks`.
    """
    file = Path(path)
    today = today or scenario.today or date.today()
    readings: list[ReadingRow] = []
    work = list(scenario.work)
    for line in lines_of(file):
        when = date_in(line, scenario, today)
        spacer, strings_on = spacer_in(line, scenario), strings_on_in(line)
        if line.has("work"):
            fitted = spacer_at((when, line.row), tuple(work), scenario)
            work.extend(work_in(line, when, scenario, fitted))
        if line.has("what") or line.has("value"):
            readings.append(reading_in(line, when, spacer, strings_on))
        elif not line.has("work"):
            raise line.fault("what", "neither a reading nor work done", "a quantity and its value, or work", EXAMPLE)
    if not readings and not work:
        raise Spot(file).refusal(f"no reading in the file. Needed: at least one reading. Mend: {EXAMPLE}")
    readings.sort(key=moment_of)
    work, noticed = in_order(readings, work, scenario)
    work = told_by_spacers(readings, work, scenario)
    marked, remarks = _doubtful(readings, work, scenario)
    remarks += [*_unaccounted(marked, work, scenario), *_blanks(marked), *_copies(marked)]
    return BenchBook(tuple(marked), tuple(work), (*noticed, *remarks), str(file))


def _blanks(readings: list[ReadingRow]) -> list[str]:
    """What is said of hours at the bench that nobody wrote down."""
    blank = sum(one.hours_at_bench is None for one in readings)
    if not blank:
        return []
    of = "every reading" if blank == len(readings) else f"{blank} of {len(readings)} readings"
    return [
        f"hours at the bench are blank for {of}: each may have lain in the workshop's air, which is allowed for and "
        "makes it count for less. Write 0 where it was read as it came."
    ]


#: a step within a day that is this much more or less than its work accounts for is asked about, mm of action
UNACCOUNTED_MM = 0.3


def _unaccounted(readings: list[ReadingRow], work: list[WorkDone], scenario: Scenario) -> list[str]:
    """What is said of an action before and after a day's work that the work does not account for."""
    done, told = tuple(work), []
    for before, after in pairwise(one for one in readings if one.what == "action"):
        first, last = moment_of(before), moment_of(after)
        between = [one for one in done if first < (one.day, one.order) < last]
        if before.date != after.date or not between or any(one.anew or one.truss_rod for one in between):
            continue
        known = known_step("action", last, done, scenario) - known_step("action", first, done, scenario)
        step = after.value - before.value
        if abs(step - known) > UNACCOUNTED_MM:
            told.append(
                f"{after.date}: the action stands {step:+.2f} mm after the work, which accounts for {known:+.2f} mm. "
                "Read it again, or write down what else was done that day."
            )
    return told


def _copies(readings: list[ReadingRow]) -> list[str]:
    """What is said of readings written down twice."""
    copies = len(readings) - len({once(one) for one in readings})
    if not copies:
        return []
    return [f"{copies} reading{'s are' if copies > 1 else ' is'} an exact copy of another on its day: counted once."]


def _doubtful(
    readings: list[ReadingRow], work: list[WorkDone], scenario: Scenario
) -> tuple[list[ReadingRow], list[str]]:
    """Readings a step away from the one before, known work taken out, are marked; so is a first action off set-up."""
    marked, remarks = [], []
    last: dict[str, ReadingRow] = {}
    done, anew = tuple(work), stands_anew(tuple(work))
    for reading in readings:
        quantity = QUANTITIES[reading.what]
        before = last.get(reading.what)
        came_from = (before.value, moment_of(before)) if before else None
        if came_from is None and reading.what.startswith("action"):
            came_from = (scenario.setup.action_12th_mm, (scenario.setup.setup, 0.0))
        if came_from is not None:
            own = known_step(reading.what, moment_of(reading), done, scenario)
            earlier = known_step(reading.what, came_from[1], done, scenario)
            step = reading.value - came_from[0] - (own - earlier)
            told = any(came_from[1] <= each < moment_of(reading) for each in anew)
            if abs(step) >= quantity.doubtful_step and not told:
                doubt = f"a step of {step:+.1f} {quantity.unit} since {came_from[1][0]}"
                reading = replace(reading, doubt=doubt)
                remarks.append(
                    f"row {reading.row}: {quantity.words} {reading.value:g} {quantity.unit} is {doubt}; "
                    "kept, but trusted little. Check the number and its unit, or write the work done."
                )
        if not reading.doubt:
            last[reading.what] = reading
        marked.append(reading)
    return marked, remarks


#: work of a row counts just after the reading of that row, or just before it
AFTER, BEFORE = 0.5, -0.5


def work_in(line: Line, when: date, scenario: Scenario, fitted: str) -> list[WorkDone]:
    """The work of a row. fitted: the spacer in the joint before it. Raises BadInput for words not understood."""
    found = []
    for words in pieces_of(line.cells["work"]):
        piece = understood(words, scenario.instrument.spacers, fitted)
        if isinstance(piece, Asked):
            raise line.fault("work", piece.came, piece.needed, piece.mend)
        fitted = piece.spacer or fitted
        found.append(replace(piece, day=when, order=line.row + AFTER))
    return found


def in_order(readings: list[ReadingRow], work: list[WorkDone], scenario: Scenario) -> tuple[list[WorkDone], list[str]]:
    """Work in order of day and row, and what was noticed.

    A row with a reading and work was read before the work: that is how a bench writes it. It was read after it where
    the row's spacer column names the spacer fitted, or where an earlier row of the day has the same quantity and the
    step between the two is nearer to what the work does than to nothing."""
    whole = sorted(work, key=lambda each: (each.day, each.order))
    remarks = []
    for own in readings:
        done = [one for one in whole if one.day == own.date and one.order == own.row + AFTER]
        if done and _read_after(own, done, readings, whole, scenario):
            words = " + ".join(one.words for one in done)
            remarks.append(f'row {own.row}: taken as read after "{words}" of its row')
            whole = [replace(one, order=own.row + BEFORE) if one in done else one for one in whole]
    return whole, remarks


def _read_after(
    own: ReadingRow, done: list[WorkDone], readings: list[ReadingRow], work: list[WorkDone], scenario: Scenario
) -> bool:
    if any(one.spacer and one.spacer == own.spacer for one in done):
        return True
    earlier = [one for one in readings if (one.date, one.what) == (own.date, own.what) and one.row < own.row]
    if not earlier:
        return False
    if any(one.truss_rod or one.anew for one in done):
        return True
    before = done_before(moment_of(own), tuple(work))
    steps = [known_step(own.what, ALL_DONE, each, scenario) for each in (before, (*before, *done))]
    step = own.value - earlier[-1].value
    return abs(step - (steps[1] - steps[0])) < abs(step)


def told_by_spacers(readings: list[ReadingRow], work: list[WorkDone], scenario: Scenario) -> list[WorkDone]:
    """Swaps that only the spacer column tells: another spacer than was fitted, so it was swapped just before."""
    found = list(work)
    for reading in readings:
        if reading.spacer and reading.spacer != spacer_at(moment_of(reading), tuple(found), scenario):
            words = f"spacer {reading.spacer}, told by the spacer column"
            order = reading.row + 1.5 * BEFORE
            found.append(WorkDone(reading.date, spacer=reading.spacer, words=words, order=order))
            found.sort(key=lambda one: (one.day, one.order))
    return found
