"""Figures of a demand forecast by name, of the same family as the report's, and those of its backtest."""

from __future__ import annotations

import textwrap
from typing import Any

import numpy as np

from driftmodel.base.types import Figure
from driftmodel.fleet.backtest import Backtest
from driftmodel.fleet.fit_check import fit_rows
from driftmodel.report.demand_charts import by_age, fan_chart, month_axis, multipliers
from driftmodel.report.demand_maps import month_map, year_of_sale_map
from driftmodel.report.demand_numbers import DemandBook
from driftmodel.report.pictures import INK, LASTING, LASTING_LINE, QUIET, SEASON, SEASON_LINE, blank

MOST_PANELS = 6


def demand_figures(book: DemandBook) -> dict[str, Figure]:
    """Every figure by its name, in the order of the report. To be called inside rc_context(style.STYLE)."""
    drawn = {
        "fan": fan_chart(book),
        "map": month_map(book),
        "multipliers": multipliers(book),
        "age": by_age(book),
        "sales": year_of_sale_map(book),
        "fit": fit_panels(book),
    }
    if book.backtest is not None:
        drawn |= {"backtest": backtest_panels(book.backtest), "scores": scores(book.backtest)}
    return drawn


def fit_panels(book: DemandBook) -> Figure:
    """What came and what the physics expected: by age, and by month of the calendar."""
    rows = fit_rows(book.demand)
    figure, (left, right) = blank(7.2, 3.0, 1, 2)
    for axes, by, title in ((left, "age", "By age, in months"), (right, "month", "By month of the calendar")):
        own = [row for row in rows if row.by == by]
        x = np.arange(len(own))
        came, expected = np.array([row.came for row in own]), np.array([row.expected for row in own])
        axes.bar(x, came, width=0.8, color=SEASON, label="came")
        axes.errorbar(x, came, np.sqrt(came), fmt="none", ecolor=SEASON_LINE, linewidth=0.8)
        axes.plot(x, expected, color=LASTING_LINE, marker="o", markersize=3, linewidth=1.2, label="the physics alone")
        names = [row.name.removesuffix(" months").split(" to ")[0].lstrip("0") or "0" for row in own]
        step = max(1, len(own) // 9)
        axes.set_xticks(x[::step], names[::step])
        axes.set_xlabel(title)
    left.set_ylabel("Regrades so far")
    left.legend(frameon=False, fontsize=8)
    return figure


def backtest_panels(result: Backtest) -> Figure:
    """What came against the interval forecast before it, a panel a region and design, a break at each origin."""
    kinds: dict[tuple[str, str], list[dict[str, Any]]] = {}
    for row in result.rows:
        kinds.setdefault((row["region"], row["design"]), []).append(row)
    chosen = sorted(kinds, key=lambda kind: -sum(row["came"] for row in kinds[kind]))[:MOST_PANELS]
    columns = 1 if len(chosen) == 1 else 2
    lines = -(-len(chosen) // columns)
    figure, grid = blank(7.2, 1.1 + 1.75 * lines, lines, columns, squeeze=False, sharex=True)
    months = sorted({row["month"] for row in result.rows})
    at = {month: index for index, month in enumerate(months)}
    flat = list(grid.ravel())
    for axes, kind in zip(flat, chosen, strict=False):
        rows = sorted(kinds[kind], key=lambda row: (row["origin"], row["month"]))
        for origin in sorted({row["origin"] for row in rows}):
            mine = [row for row in rows if row["origin"] == origin]
            x = np.array([at[row["month"]] for row in mine])
            low, middle, high = (np.array([row[name] for row in mine]) for name in ("p10", "p50", "p90"))
            edges = np.append(x - 0.5, x[-1] + 0.5)
            axes.stairs(high, edges, baseline=low, fill=True, color=SEASON, linewidth=0, alpha=0.9)
            axes.plot(x, middle, color=SEASON_LINE, linewidth=1.2)
            axes.axvline(x[0] - 0.5, color=QUIET, linewidth=0.7, linestyle=(0, (2, 2)))
        seen = {row["month"]: (row["came"], row["p10"] <= row["came"] <= row["p90"]) for row in rows}
        for inside, face in ((True, INK), (False, "#ffffff")):
            points = [(at[month], came) for month, (came, within) in seen.items() if within == inside]
            if not points:  # nothing drawn outside its axes would take the whole picture's room
                continue
            axes.plot([x for x, _ in points], [y for _, y in points], linestyle="none", marker="o", markersize=4,
                      markerfacecolor=face, markeredgecolor=INK, markeredgewidth=1.0, clip_on=False,
                      zorder=5)  # fmt: skip
        axes.set_title(", ".join(kind), loc="left", fontsize=9, fontweight="bold")
        axes.set_ylim(bottom=0)
        axes.yaxis.get_major_locator().set_params(integer=True)
        month_axis(axes, months)
    for axes in flat[len(chosen) :]:
        axes.set_visible(False)
    figure.supylabel("Regrades reported (a month)", fontsize=9)
    _backtest_key(figure)
    return figure


def _backtest_key(figure: Figure) -> None:
    from matplotlib.lines import Line2D
    from matplotlib.patches import Patch

    dot: dict[str, Any] = {"linestyle": "none", "marker": "o", "markersize": 4, "markeredgecolor": INK}
    figure.legend(
        handles=[
            Patch(color=SEASON, label="forecast, four times in five"),
            Line2D([], [], color=SEASON_LINE, linewidth=1.2, label="middle"),
            Line2D([], [], markerfacecolor=INK, label="came, inside", **dot),
            Line2D([], [], markerfacecolor="#ffffff", label="came, outside", **dot),
            Line2D([], [], color=QUIET, linewidth=0.7, linestyle=(0, (2, 2)), label="forecast made"),
        ],
        loc="outside lower center", ncols=5, frameon=False, handlelength=1.6, columnspacing=1.2,
    )  # fmt: skip


def scores(result: Backtest) -> Figure:
    """Left: skill against each plain rule, left of 0 being worse; right: where what came fell in the forecast."""
    figure, (left, right) = blank(7.2, 2.7, 1, 2)
    names, skill = list(result.skill), np.array([100.0 * value for value in result.skill.values()])
    place = np.arange(len(names))
    colours = [SEASON if value >= 0.0 else LASTING for value in skill]
    drawn = left.barh(place, skill, height=0.55, color=colours, edgecolor=[SEASON_LINE if v >= 0 else LASTING_LINE
                      for v in skill], linewidth=0.8)  # fmt: skip
    for patch, value in zip(drawn, skill, strict=True):
        if value < 0.0:
            patch.set_hatch("////")
    left.bar_label(drawn, fmt="%+.0f %%", padding=3, fontsize=8.5)
    left.axvline(0.0, color=INK, linewidth=0.9)
    left.set_yticks(place, [textwrap.fill(name, 16) for name in names])
    left.set_ylim(len(names) - 0.4, -0.6)
    reach = max(float(np.abs(skill).max()), 1.0)
    left.set_xlim(min(0.0, 1.45 * float(skill.min())) - 0.02 * reach, max(0.35 * reach, 1.35 * float(skill.max())))
    left.set_xlabel("CRPS better than it by (%)")
    left.tick_params(axis="y", length=0)
    share = 100.0 * np.asarray(result.pit)
    right.bar((np.arange(share.size) + 0.5) * 100.0 / share.size, share, width=92.0 / share.size, color=SEASON,
              edgecolor=SEASON_LINE, linewidth=0.7)  # fmt: skip
    right.axhline(100.0 / share.size, color=INK, linewidth=1.0, linestyle=(0, (6, 3)))
    right.annotate("as it\nshould be", (1.0, 100.0 / share.size), xycoords=("axes fraction", "data"), xytext=(4, 0),
                   textcoords="offset points", va="center", fontsize=8.5)  # fmt: skip
    right.set_xlim(0, 100)
    right.set_ylim(bottom=0)
    right.set_xlabel("Where what came fell in the forecast (percentile)")
    right.set_ylabel("Share of them (%)")
    return figure
