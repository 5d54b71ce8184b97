"""Figures of the advice: the air by month against the band to keep, and months at risk before and after."""

from __future__ import annotations

import textwrap
from typing import TYPE_CHECKING

import numpy as np

from driftmodel.advice.records import Advice
from driftmodel.report.style import LASTING, LASTING_LINE, MONTHS, QUIET, SEASON, SEASON_LINE, ZONE

if TYPE_CHECKING:
    from matplotlib.figure import Figure


def air_and_band(advice: Advice) -> Figure:
    """Relative humidity by month, the band to keep tinted, the wood's limits dashed and named at the right."""
    from matplotlib.figure import Figure

    figure = Figure(figsize=(7.2, 3.4), layout="constrained")
    axes = figure.subplots()
    month = np.arange(12)
    low, middle, high = np.array([each.humidity_pct for each in advice.months]).T
    axes.axhspan(*advice.keep, color=ZONE, linewidth=0, label="keep it here")
    axes.fill_between(month, low, high, color=SEASON, alpha=0.8, linewidth=0, label="eight days in ten")
    axes.plot(month, middle, color=SEASON_LINE, linewidth=1.8, marker="o", markersize=3.5, label="middle day")
    wood = advice.bands[1]
    for at, words in ((wood.low_pct, "wood takes\na set below"), (wood.high_pct, "wood takes\na set above"),
                      (wood.strength_low_pct, "may split\nbelow")):  # fmt: skip
        if 0.0 < at < 100.0:
            axes.axhline(at, color=LASTING_LINE, linewidth=0.9, linestyle=(0, (6, 3)))
            axes.annotate(words, (1.0, at), xycoords=("axes fraction", "data"), xytext=(5, 0),
                          textcoords="offset points", va="center", fontsize=8.5)  # fmt: skip
    axes.set_ylim(0, 100)
    axes.set_xlim(-0.5, 11.5)
    axes.set_xticks(range(12), MONTHS)
    axes.set_ylabel("Relative humidity around it (%)")
    figure.legend(loc="outside lower center", ncols=3, frameon=False)
    return figure


def measures(advice: Advice) -> Figure:
    """For the air as it is and each measure: months at risk, dry solid and damp hatched."""
    from matplotlib.figure import Figure

    rows = [("as it is", advice.now)] + [(m.key, m.outcome) for m in advice.measures if m.key != "off the wall"]
    figure = Figure(figsize=(7.2, 0.9 + 0.42 * len(rows)), layout="constrained")
    axes = figure.subplots()
    place = np.arange(len(rows))
    dry = np.array([len(each.dry_months) for _, each in rows])
    damp = np.array([len(each.damp_months) for _, each in rows])
    axes.barh(place, dry, height=0.6, color=LASTING, edgecolor=LASTING_LINE, linewidth=0.7, label="too dry")
    axes.barh(place, damp, left=dry, height=0.6, color="white", edgecolor=SEASON_LINE, hatch="////", linewidth=0.7,
              label="too damp")  # fmt: skip
    for at, total in enumerate(dry + damp):
        axes.annotate(f"{total}", (total, at), xytext=(4, 0), textcoords="offset points", va="center", fontsize=8.5)
    axes.set_yticks(place, [textwrap.fill(words, 28) for words, _ in rows])
    axes.set_ylim(len(rows) - 0.4, -0.6)
    axes.set_xlim(0, 12.6)
    axes.set_xticks(range(0, 13, 2))
    axes.set_xlabel("Months of the year at risk")
    axes.tick_params(axis="y", length=0)
    axes.spines["left"].set_color(QUIET)
    figure.legend(loc="outside lower center", ncols=2, frameon=False)
    return figure


def fluctuations(advice: Advice) -> Figure:
    """A year's daily relative humidity in the band of EN 15757; winter and summer named along the foot."""
    from matplotlib.dates import DateFormatter, MonthLocator
    from matplotlib.figure import Figure

    band = advice.historic
    figure = Figure(figsize=(7.2, 3.0), layout="constrained")
    axes = figure.subplots()
    day = np.datetime64(band.first_day) + np.arange(len(band.daily_pct))
    axes.fill_between(day, band.low_pct, band.high_pct, color=ZONE, linewidth=0, label="band of EN 15757")
    axes.plot(day, band.daily_pct, color=SEASON_LINE, linewidth=0.9, label="mean of each day")
    axes.set_ylim(0, 100)
    axes.set_xlim(day[0], day[-1])
    axes.xaxis.set_major_locator(MonthLocator())  # type: ignore[no-untyped-call]
    axes.xaxis.set_major_formatter(DateFormatter("%b"))  # type: ignore[no-untyped-call]
    axes.set_ylabel("Relative humidity around it (%)")
    figure.legend(loc="outside lower center", ncols=2, frameon=False)
    return figure
