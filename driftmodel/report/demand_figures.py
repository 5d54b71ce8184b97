"""Figures of a demand forecast by name, of the same family as the report's, readable in grey and on paper; and those of
its backtest."""

from __future__ import annotations

from typing import Any

import numpy as np
from scipy.special import gammaincinv

from driftmodel.base.schema import Array, Figure
from driftmodel.fleet.backtest import Backtest
from driftmodel.fleet.fit_check import fit_rows
from driftmodel.report import pictures
from driftmodel.report.demand_maps import month_map, year_of_sale_map
from driftmodel.report.demand_numbers import AGE_STEP, DemandBook, age_rates, fan, past_reports
from driftmodel.report.pictures import (
    ABOVE,
    BESIDE,
    INK,
    LASTING,
    LASTING_LINE,
    QUIET,
    SEASON,
    SEASON_LINE,
    ZONE,
    key_below,
)

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
    figure, (left, right) = pictures.blank(7.2, 3.0, 1, 2)
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
    figure, grid = pictures.blank(7.2, 1.1 + 1.75 * lines, lines, columns, squeeze=False, sharex=True)
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
        pictures.month_axis(axes, months)
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
    figure, (left, right) = pictures.blank(7.2, 2.7, 1, 2)
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
    pictures.named_rows(left, names, 16)
    reach = max(float(np.abs(skill).max()), 1.0)
    left.set_xlim(min(0.0, 1.45 * float(skill.min())) - 0.02 * reach, max(0.35 * reach, 1.35 * float(skill.max())))
    left.set_xlabel("CRPS better than it by (%)")
    left.tick_params(axis="y", length=0)
    share = 100.0 * np.asarray(result.pit)
    right.bar((np.arange(share.size) + 0.5) * 100.0 / share.size, share, width=92.0 / share.size, color=SEASON,
              edgecolor=SEASON_LINE, linewidth=0.7)  # fmt: skip
    right.axhline(100.0 / share.size, color=INK, linewidth=1.0, linestyle=(0, (6, 3)))
    pictures.note(right, "as it\nshould be", (1.0, 100.0 / share.size), (4, 0), BESIDE, va="center")
    right.set_xlim(0, 100)
    right.set_ylim(bottom=0)
    right.set_xlabel("Where what came fell in the forecast (percentile)")
    right.set_ylabel("Share of them (%)")
    return figure


MOST_ROWS = 16
MOST_LINES = 6
DASHES: tuple[Any, ...] = ("-", (0, (5, 2)), (0, (1, 1.5)), (0, (6, 2, 1, 2)), (0, (3, 1, 1, 1, 1, 1)), (0, (9, 3)))


def fan_chart(book: DemandBook) -> Figure:
    """Regrades reported a month: what came, as bars, then the forecast's bands and middle."""
    months, bands, covered = fan(book.demand)
    before, came = past_reports(book.demand)
    figure, axes = pictures.blank(7.2, 3.7)
    start = len(before)
    ahead = np.arange(start, start + len(months))
    axes.bar(np.arange(start), came, width=0.8, color="#ffffff", edgecolor=QUIET,
             linewidth=0.8 if len(before) + len(months) <= 90 else 0.3, label="reported")  # fmt: skip
    low, quarter, middle, three, high = bands
    edges = np.append(ahead - 0.5, ahead[-1] + 0.5)
    axes.stairs(high, edges, baseline=low, fill=True, color=SEASON, linewidth=0, label="four times in five")
    axes.stairs(three, edges, baseline=quarter, fill=True, color="#7fa8bd", linewidth=0, label="half the time")
    axes.plot(ahead, middle, color=SEASON_LINE, linewidth=1.8, label="middle")
    axes.plot(ahead, covered, color=LASTING_LINE, linewidth=1.4, linestyle=(0, (4, 2)), label="middle, in cover only")
    axes.axvline(start - 0.5, color=INK, linewidth=0.9)
    pictures.note(axes, "known so far", (start - 0.5, 1.0), (-5, 3), ABOVE, ha="right", color=QUIET)
    pictures.note(axes, "forecast", (start - 0.5, 1.0), (5, 3), ABOVE, ha="left", color=SEASON_LINE)
    axes.set_xlim(-0.7, ahead[-1] + 0.7)
    axes.set_ylim(0, 1.08 * max(float(high.max()), float(came.max(initial=0.0)), 1.0))
    pictures.month_axis(axes, before + months)
    axes.grid(axis="y")
    axes.set_ylabel("Regrades reported (a month)")
    key_below(figure, 5, handlelength=1.8, columnspacing=1.4)
    return figure


def by_age(book: DemandBook) -> Figure:
    """Left: regrades per 1000 units and year by age; right: how many per 1000 by each age, a line a year of sale."""
    rates = age_rates(book.demand)
    figure, (left, right) = pictures.blank(7.2, 3.5, 1, 2)
    seen = rates.unit_years >= 15.0
    events, years = rates.events[seen], rates.unit_years[seen]
    middle = (np.flatnonzero(seen) + 0.5) * AGE_STEP / 12.0
    low, high = poisson_interval(events)
    rate = 1000.0 * events / years
    left.bar(middle, rate, width=0.86 * AGE_STEP / 12.0, color=SEASON, edgecolor=SEASON_LINE, linewidth=0.7)
    left.errorbar(middle, rate, [rate - 1000.0 * low / years, 1000.0 * high / years - rate], fmt="none", ecolor=INK,
                  elinewidth=0.9, capsize=2)  # fmt: skip
    left.set_xlabel("Age since sale (years)")
    left.set_ylabel("Regrades per 1000 units a year")
    left.set_xlim(left=0)
    left.set_ylim(bottom=0)
    lines = sorted(rates.cumulative.items())[-MOST_LINES:]
    shades = [SEASON_LINE, LASTING_LINE, INK, "#5d8aa3", "#b0744a", QUIET]
    for index, (year, (age, number)) in enumerate(lines):
        right.plot(np.append(0.0, age / 12.0), np.append(0.0, number), color=shades[index], linewidth=1.5,
                   linestyle=DASHES[index], label=f"sold {year}")  # fmt: skip
    right.set_xlabel("Age since sale (years)")
    right.set_ylabel("Regrades per 1000 units by that age")
    right.set_xlim(left=0)
    right.set_ylim(bottom=0)
    for axes in (left, right):
        axes.grid(axis="y")
    key_below(figure, 6, handlelength=2.6, columnspacing=1.2)
    return figure


def poisson_interval(events: Array) -> tuple[Array, Array]:
    """80 % limits of a Poisson mean from a count (Garwood 1936)."""
    low = np.where(events > 0, gammaincinv(np.maximum(events, 1e-9), 0.1), 0.0)
    return np.asarray(low), np.asarray(gammaincinv(events + 1.0, 0.9))


def multipliers(book: DemandBook) -> Figure:
    """Regrades against what the physics alone expects: before any claim, what the claims say, and both together."""
    rows = sorted(book.multipliers, key=lambda row: -row["expected"])[:MOST_ROWS]
    figure, axes = pictures.blank(7.2, 1.35 + 0.5 * len(rows))
    place = np.arange(len(rows), dtype=float)

    def column(name: str) -> Array:
        return np.array([row[name] for row in rows], dtype=float)

    prior_low, prior_high = column("prior_p10"), column("prior_p90")
    axes.barh(place, prior_high - prior_low, left=prior_low, height=0.62, color=ZONE, edgecolor=QUIET, linewidth=0.6,
              label="before any claim")  # fmt: skip
    low, high = column("posterior_p10"), column("posterior_p90")
    axes.barh(place, high - low, left=low, height=0.3, color=SEASON, edgecolor=SEASON_LINE, linewidth=0.9,
              label="with the claims (used)")  # fmt: skip
    axes.plot(column("posterior_mean"), place, linestyle="none", marker="|", markersize=11, markeredgewidth=2.0,
              color=SEASON_LINE, label="its mean")  # fmt: skip
    expected = column("expected")
    told = expected > 0.0
    axes.plot(column("claims")[told] / expected[told], place[told], linestyle="none", marker="D", markersize=5,
              markerfacecolor="white", markeredgecolor=LASTING_LINE, markeredgewidth=1.3,
              label="claims / expected")  # fmt: skip
    axes.axvline(1.0, color=INK, linewidth=0.9, linestyle=(0, (6, 3)))
    axes.set_yticks(place, [f"{row['region']}, {row['design']}" for row in rows])
    axes.set_ylim(len(rows) - 0.45, -0.55)
    axes.set_xlim(left=0.0)
    for at, row in zip(place, rows, strict=True):
        words = f"{row['claims']} claims\n{row['expected']:.0f} expected"
        pictures.note(axes, words, (1.0, at), (6, 0), BESIDE, va="center", fontsize=8, linespacing=1.1)
    axes.set_xlabel("Regrades against what the physics alone expects (1 = as many)")
    key_below(figure, 4, handlelength=1.6, columnspacing=1.4)
    return figure
