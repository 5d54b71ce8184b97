"""Maps of a demand forecast: expected regrades by place and month, and regrades by year of sale and calendar year."""

from __future__ import annotations

import textwrap
from typing import Any

import numpy as np

from driftmodel.base.schema import Axes, Figure
from driftmodel.report.demand_numbers import DemandBook, heat
from driftmodel.report.pictures import ABOVE, INK, QUIET, SEASON, SEASON_LINE, blank, month_axis, note

DARK = 0.69  # of the top: from here on numbers are printed white
LEAST_INCHES = 0.27  # of a cell's width, for a number in it
PALE = "#c3c9ce"
LEAST_WIDTH = 0.5  # of a cell that is less than a whole column


def month_map(book: DemandBook) -> Figure:
    """Expected regrades by region and design, month by month: the darker, the more; numbers printed while they fit."""
    found = heat(book.demand)
    names, starts, table = found.names, found.starts, found.table
    figure, axes = blank(7.2, 1.2 + (0.34 if len(names) <= 8 else 0.26) * len(names))
    top = max(float(table.max()), 1e-9)
    drawn = _cells(axes, np.arange(len(starts) + 1) - 0.5, table, top)
    if len(starts) <= 24 and top < 1000.0:
        for (row, column), value in np.ndenumerate(table):
            axes.text(column, row, _short(value), ha="center", va="center",
                      fontsize=7 if len(starts) > 12 else 8.5,
                      color="white" if value > DARK * top else INK)  # fmt: skip
    if found.step == 1:
        month_axis(axes, starts)
    else:
        every = 1 if len(starts) <= 12 else 2
        axes.set_xticks(range(0, len(starts), every), starts[::every])
        axes.set_xlabel(f"{found.step} months from")
    shown = [textwrap.shorten(name, 26, placeholder=" ...") for name in names]
    return _framed(figure, axes, drawn, shown, f"Expected regrades\n(a {'month' if found.step == 1 else 'year'})")


def year_of_sale_map(book: DemandBook) -> Figure:
    """Regrades per 1000 units by year of sale and calendar time, less than a whole column drawn narrower: left of the
    line what came, right of it what is expected; hatched before a year's first sale."""
    from matplotlib import rc_context
    from matplotlib.patches import Rectangle

    found = book.sales
    months = np.diff(found.edges)
    edges = np.append(0.0, np.cumsum(np.maximum(months / months.max(), LEAST_WIDTH)))
    rows, inches = len(found.years), 5.0 / edges[-1]
    figure, axes = blank(7.2, 1.5 + 0.3 * max(rows, 3))
    top = max(float(np.nanmax(found.rate, initial=0.0)), 1e-9)
    drawn = _cells(axes, edges, np.ma.masked_invalid(found.rate), top)
    for (row, column), value in np.ndenumerate(found.rate):
        left, right = float(edges[column]), float(edges[column + 1])
        if np.isnan(value):
            with rc_context({"hatch.color": PALE}):
                axes.add_patch(Rectangle((left, row - 0.5), right - left, 1.0, facecolor="none", edgecolor=PALE,
                                         hatch="////", linewidth=0.0))  # fmt: skip
        elif (right - left) * inches >= LEAST_INCHES:
            axes.text((left + right) / 2.0, row, _short(value), ha="center", va="center", fontsize=7.5,
                      color="white" if value > DARK * top else INK)  # fmt: skip
    cut = edges[found.known]
    axes.axvline(cut, color=INK, linewidth=2.4, zorder=4)
    for side, words, colour in ((-1, "came", QUIET), (1, "expected", SEASON_LINE)):
        note(axes, words, (cut, 1.0), (5 * side, 3), ABOVE, ha="left" if side > 0 else "right", color=colour)
    axes.set_xlim(edges[0], edges[-1])
    every = int(np.ceil(LEAST_INCHES / (inches * np.diff(edges).min())))  # for names that do not touch
    named = [at for at in range(len(months)) if at % every == 0]
    stacked = [found.names[at].replace("–", "–\n").replace(" ", "\n") for at in named]  # for narrow columns
    axes.set_xticks((edges[1:] + edges[:-1])[named] / 2.0, stacked)
    axes.set_ylabel("Year of sale (units)")
    axes.tick_params(axis="x", labelsize=8)
    names = [f"{year}  ({sold:,.0f})" for year, sold in zip(found.years, found.sold, strict=True)]
    return _framed(figure, axes, drawn, names, "Regrades per 1000\nunits of that year")


def _short(value: float) -> str:
    return f"{value:.0f}" if value >= 9.5 or value < 0.05 else f"{value:.1f}"


def _cells(axes: Axes, edges: Any, table: Any, top: float) -> Any:
    from matplotlib.colors import LinearSegmentedColormap

    stops = [(0.0, "#ffffff"), (0.5, SEASON), (0.9, SEASON_LINE), (1.0, "#123c50")]
    shades = LinearSegmentedColormap.from_list("regrades", stops, N=40)
    return axes.pcolormesh(edges, np.arange(len(table) + 1) - 0.5, table, cmap=shades, vmin=0.0, vmax=top,
                           edgecolors="white", linewidth=0.6)  # fmt: skip


def _framed(figure: Figure, axes: Axes, drawn: Any, names: list[str], words: str) -> Figure:
    """Rows named from above, no frame, and a bar of the shades at the right."""
    axes.set_yticks(range(len(names)), names)
    axes.set_ylim(len(names) - 0.5, -0.5)
    axes.tick_params(axis="both", length=0)
    for spine in axes.spines.values():
        spine.set_visible(False)
    bar = figure.colorbar(drawn, ax=axes, pad=0.015, aspect=max(6, 3 * len(names)))
    bar.set_label(words, fontsize=8.5)
    bar.outline.set_visible(False)
    if bar.solids is not None:
        bar.solids.set_edgecolor("face")
    return figure
