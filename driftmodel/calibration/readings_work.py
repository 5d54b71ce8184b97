"""Work as a readings file tells it: in words of its own column, or only by another spacer than was fitted."""

from __future__ import annotations

import re
from datetime import date, timedelta

from driftmodel.base.errors import near_match
from driftmodel.base.records import Scenario
from driftmodel.calibration.readings_cells import UNITS
from driftmodel.calibration.readings_table import Line
from driftmodel.calibration.records import ReadingRow, WorkDone


def work_in(line: Line, when: date, scenario: Scenario) -> list[WorkDone]:
    """'saddle -0.4 mm', 'spacer K', 'truss rod', 'strings off'; several with + between; anything else is 'other'."""
    found = []
    for piece in re.split(r"\s*\+\s+", line.cells["work"]):
        words = piece.strip()
        if match := re.fullmatch(r"saddle\s*([+-]?\s*[\d.,]+)\s*(mm|in)", words, re.IGNORECASE):
            amount = float(match[1].replace(" ", "").replace(",", ".")) * UNITS[match[2].lower()][1]
            found.append(WorkDone(when, "saddle", amount, "", line.row))
        elif words.lower().startswith("saddle"):
            raise line.fault("work", f'"{words}"', "the change with sign and unit, + higher", "saddle -0.4 mm")
        elif match := re.fullmatch(r"spacer\s+(\S+)", words, re.IGNORECASE):
            labels = scenario.instrument.spacers.labels
            if match[1] not in labels:
                raise line.fault(
                    "work",
                    f'no spacer "{match[1]}" in the set.{near_match(match[1], labels)}',
                    "one of " + ", ".join(labels),
                    f"spacer {scenario.setup.spacer}",
                )
            found.append(WorkDone(when, "spacer", 0.0, match[1], line.row))
        elif re.fullmatch(r"truss\s*rod.*", words, re.IGNORECASE):
            found.append(WorkDone(when, "truss rod", 0.0, "", line.row))
        elif match := re.fullmatch(r"strings\s+(on|off)", words, re.IGNORECASE):
            found.append(WorkDone(when, "strings", 0.0, match[1].lower(), line.row))
        else:
            found.append(WorkDone(when, "other", 0.0, words, line.row))
    return found


def told_by_spacers(readings: list[ReadingRow], work: list[WorkDone], scenario: Scenario) -> list[WorkDone]:
    """Swaps that only the spacer column tells: another spacer than was fitted, so it was swapped before that day.

    The day before the reading stands for the day of the swap: only which readings lie on either side of it matters."""
    found = list(work)
    for reading in readings:
        fitted = spacer_on(reading.date, tuple(found), scenario)
        if reading.spacer and reading.spacer != fitted:
            day = max(reading.date - timedelta(days=1), scenario.setup.setup)
            found.append(WorkDone(day, "spacer", 0.0, reading.spacer, reading.row))
            found.sort(key=lambda one: one.date)
    return found


def spacer_on(day: date, work: tuple[WorkDone, ...], scenario: Scenario) -> str:
    """The spacer fitted when the instrument is read on a day: that of the last swap on an earlier day."""
    swaps = [one.label for one in work if one.kind == "spacer" and one.date < day]
    return swaps[-1] if swaps else scenario.setup.spacer
