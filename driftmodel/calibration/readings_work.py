"""Work as a readings file tells it: in words of its own column, or only by another spacer than was fitted."""

from __future__ import annotations

from dataclasses import replace
from datetime import date

from driftmodel.base.records import Scenario, WorkDone
from driftmodel.calibration.readings_table import Line
from driftmodel.calibration.records import ReadingRow
from driftmodel.calibration.work import ALL_DONE, done_before, known_step, moment_of, spacer_at
from driftmodel.calibration.work_words import Asked, pieces_of, understood

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
