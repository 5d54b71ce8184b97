"""What the bench's readings taught, in a luthier's words: calibration, today's decision, the grade for the place."""

from __future__ import annotations

import json
import textwrap
from dataclasses import asdict
from math import isinf
from pathlib import Path
from typing import Any

import numpy as np

from driftmodel.base.schema import Axes, Figure
from driftmodel.base.units import length_words
from driftmodel.calibration.diagnosis import Diagnosis
from driftmodel.calibration.records import QUANTITIES, Calibration, Fitted
from driftmodel.calibration.shown import Worth
from driftmodel.calibration.slips import SLIP_TOLD
from driftmodel.report.folder import write_files
from driftmodel.report.pictures import INK, QUIET, ZONE, before_and_after, blank, key_below, note, png, usual_axis
from driftmodel.report.texts import filled, plain_text

Points = tuple[float, float, float]


def calibration_summary(
    calibration: Calibration, diagnosis: Diagnosis, units: str = "metric", worth: tuple[Worth, ...] = ()
) -> str:
    """Plain text: what was read, what changed, what does not fit, what to read next. `units` 'metric' or 'inch'."""
    best = worth[0] if worth else None
    return plain_text(
        "calibration.txt",
        of=calibration,
        count=len(calibration.fitted),
        points=lambda points, unit: _points_words(points, unit, units),
        learned=_learned(calibration),
        doubts=diagnosis_words(diagnosis, units),
        worth=best and filled("worth_reading", what=QUANTITIES[best.what].words, best=best),
    )


def _points_words(points: Points, unit: str, units: str) -> str:
    if unit == "years":
        low, middle, high = ("past the horizon" if isinf(point) else f"{point:.1f} years" for point in points)
        return f"{low} to {high} (middle {middle})"
    low, middle, high = (length_words(point, units) for point in points)
    return f"{low} to {high} (middle {middle})"


def _learned(calibration: Calibration) -> list[str]:
    """Unknowns that moved by half a standard deviation or narrowed by a fifth, largest first."""
    told = [
        one
        for one in calibration.learned
        if not one.name.startswith(("level_", "truss_rod_")) and (abs(one.moved_sd) > 0.5 or one.narrowed < 0.8)
    ]
    lines = []
    for one in sorted(told, key=lambda learned: learned.narrowed):
        both, usual = (one.prior, one.posterior), one.prior[1]
        if one.words.endswith(", mm"):
            before, after = (f"{points[0]:+.2f} to {points[2]:+.2f}" for points in both)
        else:
            before, after = (f"x{points[0] / usual:.2f} to x{points[2] / usual:.2f}" for points in both)
            before += " of the usual"
        lines.append(f"{one.words}: {before} before, {after} now")
    return lines


def diagnosis_words(diagnosis: Diagnosis, units: str = "metric") -> list[str]:
    """A sentence for everything that does not fit; one that says so when all does."""
    lines = [_slip(one, units) for one in diagnosis.slips]
    if diagnosis.one_fault:
        lines = [f"Readings do not fit, and hardly by slips of hand. Look for one thing wrong: {diagnosis.one_fault}."]
    if diagnosis.slack_bolts_mm:
        lines.insert(0, filled("slack_bolts", units, by=diagnosis.slack_bolts_mm))
    if diagnosis.step is not None and diagnosis.step.told:
        step, times = diagnosis.step, np.exp(min(diagnosis.step.log_factor, 20.0))
        way = "up" if step.action_mm[1] > 0 else "down"
        sure = f"{times:.0f} times as likely" if times >= 2.5 else "somewhat more likely, no more than a hint"
        lines.append(filled("sudden_step", units, step=step, way=way, sure=sure))
    lines += [filled("pressed", of=one) for one in diagnosis.bounds]
    lines += [filled("unusual", of=one) for one in diagnosis.unusual if one.told]
    for check in diagnosis.checks:
        if check.told:
            lines.append(filled("left_over", of=check, sets=max(1, round(100 * check.chance))))
    for rival in diagnosis.rivals:
        if rival.told or not rival.can_tell:
            times = np.exp(min(rival.log_factor, 20.0))
            lines.append(filled("rival" if rival.told else "cannot_tell", of=rival, times=times))
    return lines or ["Everything fits."]


def _slip(one: Fitted, units: str) -> str:
    quantity, row = QUANTITIES[one.reading.what], one.reading
    place = f"row {row.row}, " if row.row else ""
    if quantity.unit == "g":
        read, due = f"{row.value:.0f} g", f"{one.expected:.0f} g"
    else:
        read, due = length_words(row.value, units), length_words(one.expected, units)
    return filled("slip", place=place, of=one, what=quantity.words, read=read, due=due)


# ---- for machines, and the figure ------------------------------------------------------------------------------------


def plain_json(value: Any) -> Any:
    """Records as JSON takes them: inf is null, dates are text, names of several words are joined by spaces."""
    if isinstance(value, dict) or hasattr(value, "items"):
        named = {" ".join(key) if isinstance(key, tuple) else str(key): item for key, item in value.items()}
        return {key: plain_json(item) for key, item in named.items()}
    if isinstance(value, list | tuple):
        return [plain_json(item) for item in value]
    if isinstance(value, float):
        return value if np.isfinite(value) else None
    return value if isinstance(value, int | str | bool) or value is None else str(value)


def calibration_json(calibration: Calibration, diagnosis: Diagnosis) -> Any:
    """The calibration's numbers: metric, inf (past the horizon) as null; the draws themselves are left out."""
    found = {
        "scenario": calibration.scenario,
        "past_weather": calibration.past_weather,
        "log_evidence": calibration.sampled.log_evidence,
        "effective_sample_size": calibration.sampled.effective_sample_size,
        "homes": dict(calibration.homes),
        "days": dict(calibration.days),
        "bands": [asdict(one) for one in calibration.bands],
        "learned": [asdict(one) for one in calibration.learned],
        "fitted": [asdict(one) for one in calibration.fitted],
        "diagnosis": asdict(diagnosis) | {"wrong_physics": diagnosis.wrong_physics},
        "remarks": list(calibration.bench.remarks),
    }
    return plain_json(found)


def write_calibration(
    calibration: Calibration, diagnosis: Diagnosis, folder: Path, units: str = "metric"
) -> tuple[Path, ...]:
    """Writes calibration.txt, calibration.json and calibration.png into `folder` (made if need be); their paths.

    Raises BadInput where they cannot be written."""
    return write_files(
        folder,
        {
            "calibration.txt": calibration_summary(calibration, diagnosis, units) + "\n",
            "calibration.json": json.dumps(calibration_json(calibration, diagnosis), indent=2) + "\n",
            "calibration.png": png(lambda: calibration_figure(calibration)),
        },
    )


FURTHEST = 5.0  # residuals further out stand at the edge with their value beside them
OF_THE_BENCH = ("level_", "lean", "set_up")


def calibration_figure(calibration: Calibration) -> Figure:
    """Left: residuals in time over their uncertainties, slips crossed. Right: unknowns before and after."""
    shown = [one for one in calibration.learned if one.prior[1] > 0 and not one.name.startswith(OF_THE_BENCH)]
    figure, (left, right) = blank(10.0, max(4.4, 1.6 + 0.36 * len(shown)), 1, 2)
    _residuals(left, calibration)
    ends = [
        [(points[0] / one.prior[1], points[2] / one.prior[1]) for points in (one.prior, one.posterior)]
        for one in reversed(shown)
    ]
    before_and_after(right, ends, ("before the readings", "after them"), 5)
    right.set_yticks(range(len(shown)), [textwrap.fill(one.words, 34) for one in reversed(shown)], fontsize=8)
    usual_axis(right, (0.3, 3.4), {0.5: "half", 1.0: "as usual", 2.0: "double"})
    right.set_title("What they taught", loc="left", fontsize=10)
    key_below(figure, 4)
    return figure


def _residuals(axes: Axes, calibration: Calibration) -> None:
    from matplotlib.dates import AutoDateLocator, ConciseDateFormatter

    axes.axhspan(-2.0, 2.0, color=ZONE, linewidth=0, label="usual scatter")
    axes.axhline(0.0, color=QUIET, linewidth=0.8)
    markers = dict(zip(QUANTITIES, "osd^v<>P", strict=True))
    for what in dict.fromkeys(one.reading.what for one in calibration.fitted):
        own = [one for one in calibration.fitted if one.reading.what == what]
        days = np.array([one.reading.date for one in own], dtype="datetime64[D]")
        at = np.clip([one.size for one in own], -FURTHEST, FURTHEST)
        axes.plot(days, at, markers[what], color=INK, label=QUANTITIES[what].words, markersize=6, clip_on=False)
    slips = [one for one in calibration.fitted if one.slip_probability > SLIP_TOLD]
    for count, one in enumerate(slips):
        day, edge = np.datetime64(one.reading.date.isoformat()), float(np.clip(one.size, -FURTHEST, FURTHEST))
        axes.plot([day], [edge], "x", color=INK, markersize=13, clip_on=False,
                  label="likely a slip" if count == 0 else None)  # fmt: skip
        note(axes, f"{one.size:+.0f}", (day, edge), (10, -3))
    axes.set_ylim(-FURTHEST, FURTHEST)
    if calibration.fitted:  # four weeks at least: no ticks can be told of less
        days = np.array([one.reading.date for one in calibration.fitted], dtype="datetime64[D]")
        spare = max(np.timedelta64(14, "D"), (days.max() - days.min()) // 12)
        axes.set_xlim(days.min() - spare, days.max() + spare)
    locator = AutoDateLocator(maxticks=6)  # type: ignore[no-untyped-call]
    axes.xaxis.set_major_locator(locator)
    axes.xaxis.set_major_formatter(ConciseDateFormatter(locator))  # type: ignore[no-untyped-call]
    axes.set_ylabel("Read less expected,\nin the tool's uncertainty")
    axes.set_title("What was read", loc="left", fontsize=10)
