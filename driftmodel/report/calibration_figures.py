"""The calibration's figure: what the readings say against what was expected, and what they taught."""

from __future__ import annotations

import textwrap

import numpy as np

from driftmodel.base.types import Axes, Figure
from driftmodel.calibration.records import QUANTITIES, Calibration
from driftmodel.calibration.slips import SLIP_TOLD
from driftmodel.report.pictures import INK, QUIET, SEASON, SEASON_LINE, ZONE, blank, key_below

FURTHEST = 5.0  # residuals further out stand at the edge with their value beside them
OF_THE_BENCH = ("level_", "lean", "set_up")


def calibration_figure(calibration: Calibration) -> Figure:
    """Left: residuals in time over their uncertainties, slips crossed. Right: unknowns before and after."""
    shown = [one for one in calibration.learned if one.prior[1] > 0 and not one.name.startswith(OF_THE_BENCH)]
    figure, (left, right) = blank(10.0, max(4.4, 1.6 + 0.36 * len(shown)), 1, 2)
    _residuals(left, calibration)
    for place, one in enumerate(reversed(shown)):
        usual = one.prior[1]
        for ends, colour, up, words in (
            (one.prior, SEASON, 0.17, "before the readings"),
            (one.posterior, SEASON_LINE, -0.17, "after them"),
        ):
            right.plot([ends[0] / usual, ends[2] / usual], [place + up] * 2, color=colour, linewidth=5,
                       solid_capstyle="butt", label=words if place == 0 else None)  # fmt: skip
    right.axvline(1.0, color=QUIET, linewidth=0.8)
    right.set_yticks(range(len(shown)), [textwrap.fill(one.words, 34) for one in reversed(shown)], fontsize=8)
    right.set_xscale("log")
    right.set_xlim(0.3, 3.4)
    right.set_xticks([0.5, 1.0, 2.0], ["half", "as usual", "double"])
    right.minorticks_off()
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
        axes.annotate(f"{one.size:+.0f}", (day, edge), xytext=(10, -3), textcoords="offset points", fontsize=8.5)
    axes.set_ylim(-FURTHEST, FURTHEST)
    axes.margins(x=0.08)
    locator = AutoDateLocator(maxticks=6)  # type: ignore[no-untyped-call]
    axes.xaxis.set_major_locator(locator)
    axes.xaxis.set_major_formatter(ConciseDateFormatter(locator))  # type: ignore[no-untyped-call]
    axes.set_ylabel("Read less expected,\nin the tool's uncertainty")
    axes.set_title("What was read", loc="left", fontsize=10)
