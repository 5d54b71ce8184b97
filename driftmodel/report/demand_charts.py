"""Charts of a demand forecast, readable in grey and on paper: the fan, regrades by age, the multipliers."""

from __future__ import annotations

from typing import Any

import numpy as np
from scipy.special import gammaincinv

from driftmodel.base.types import Array, Axes, Figure
from driftmodel.report.demand_ages import AGE_STEP, age_rates
from driftmodel.report.demand_numbers import DemandBook, fan, past_reports
from driftmodel.report.pictures import INK, LASTING_LINE, MONTHS, QUIET, SEASON, SEASON_LINE, ZONE, blank, key_below

MOST_ROWS = 16
MOST_LINES = 6
DASHES: tuple[Any, ...] = ("-", (0, (5, 2)), (0, (1, 1.5)), (0, (6, 2, 1, 2)), (0, (3, 1, 1, 1, 1, 1)), (0, (9, 3)))


def month_axis(axes: Axes, months: list[str]) -> None:
    """Ticks at the start of a year or quarter; months stand at 0, 1, ..."""
    step = 3 if len(months) <= 30 else 6 if len(months) <= 72 else 24 if len(months) > 120 else 12
    at = [k for k, month in enumerate(months) if (int(month[5:]) - 1) % min(step, 12) == 0]
    if step == 24:
        at = at[::2]
    words = [MONTHS[int(months[k][5:]) - 1] + (f"\n{months[k][:4]}" if months[k][5:] == "01" or k == at[0] else "")
             for k in at]  # fmt: skip
    axes.set_xticks(at, words)


def fan_chart(book: DemandBook) -> Figure:
    """Regrades reported a month: what came, as bars, then the forecast's bands and middle."""
    months, bands, covered = fan(book.demand)
    before, came = past_reports(book.demand)
    figure, axes = blank(7.2, 3.7)
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
    axes.annotate("known so far", (start - 0.5, 1.0), xycoords=("data", "axes fraction"), xytext=(-5, 3),
                  textcoords="offset points", ha="right", fontsize=8.5, color=QUIET)  # fmt: skip
    axes.annotate("forecast", (start - 0.5, 1.0), xycoords=("data", "axes fraction"), xytext=(5, 3),
                  textcoords="offset points", ha="left", fontsize=8.5, color=SEASON_LINE)  # fmt: skip
    axes.set_xlim(-0.7, ahead[-1] + 0.7)
    axes.set_ylim(0, 1.08 * max(float(high.max()), float(came.max(initial=0.0)), 1.0))
    month_axis(axes, before + months)
    axes.yaxis.grid(True, color="#dfe3e6", linewidth=0.6)
    axes.set_axisbelow(True)
    axes.set_ylabel("Regrades reported (a month)")
    key_below(figure, 5, handlelength=1.8, columnspacing=1.4)
    return figure


def by_age(book: DemandBook) -> Figure:
    """Left: regrades per 1000 units and year by age; right: how many per 1000 by each age, a line a year of sale."""
    rates = age_rates(book.demand)
    figure, (left, right) = blank(7.2, 3.5, 1, 2)
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
        axes.yaxis.grid(True, color="#dfe3e6", linewidth=0.6)
        axes.set_axisbelow(True)
    key_below(figure, 6, handlelength=2.6, columnspacing=1.2)
    return figure


def poisson_interval(events: Array) -> tuple[Array, Array]:
    """80 % limits of a Poisson mean from a count (Garwood 1936)."""
    low = np.where(events > 0, gammaincinv(np.maximum(events, 1e-9), 0.1), 0.0)
    return np.asarray(low), np.asarray(gammaincinv(events + 1.0, 0.9))


def multipliers(book: DemandBook) -> Figure:
    """Regrades against what the physics alone expects: before any claim, what the claims say, and both together."""
    rows = sorted(book.multipliers, key=lambda row: -row["expected"])[:MOST_ROWS]
    figure, axes = blank(7.2, 1.35 + 0.5 * len(rows))
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
        axes.annotate(f"{row['claims']} claims\n{row['expected']:.0f} expected", (1.0, at),
                      xycoords=("axes fraction", "data"), xytext=(6, 0), textcoords="offset points", va="center",
                      fontsize=8, linespacing=1.1)  # fmt: skip
    axes.set_xlabel("Regrades against what the physics alone expects (1 = as many)")
    key_below(figure, 4, handlelength=1.6, columnspacing=1.4)
    return figure
