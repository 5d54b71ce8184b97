"""A comparison as a folder: report, small multiples, the difference and its uncertainty, tables, data."""

from __future__ import annotations

import textwrap
from collections.abc import Sequence
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from driftmodel.base.opened import csv_text
from driftmodel.base.records import Scenario
from driftmodel.base.schema import Axes, Dataset, Figure
from driftmodel.report import compare_words, texts
from driftmodel.report.compare_words import LEAST, SHOWN, short_names
from driftmodel.report.ensemble import length_scale
from driftmodel.report.folder import Page, Section, write_page, write_whole
from driftmodel.report.pictures import INK, MONTHS, QUIET, SEASON, SEASON_LINE, blank, key_below


def write_comparison(table: Dataset, scenarios: Sequence[Scenario], out_dir: Path, units: str) -> list[Path]:
    """Writes the folder whole or not at all and returns its paths. table: of outlook.compare.compare."""
    rule = scenarios[0].rule

    def fill(folder: Path) -> None:
        limits = (rule.action_low_mm, rule.action_high_mm)
        write_page(
            folder,
            comparison_page(table, scenarios, units),
            {
                "year": lambda: small_multiples(table, units, limits),
                "air": lambda: airs(table),
                "chance": lambda: chances(table),
                "differences": lambda: differences(table, units),
            },
        )
        frame = compare_words.comparison_frame(table)
        (folder / "comparison.csv").write_text(csv_text(frame), encoding="utf-8")
        table.to_netcdf(folder / "comparison.nc", engine="h5netcdf")

    return write_whole(out_dir, fill)


def comparison_page(table: Dataset, scenarios: Sequence[Scenario], units: str) -> Page:
    """The report's words."""
    first = scenarios[0]
    invented = ("Guitars and places are invented, for demonstration.",) if any(s.invented for s in scenarios) else ()
    return Page(
        over="What if",
        title=first.title,
        under=(f"Against {compare_words.listed(compare_words.short_names(table)[1:])}.", *invented),
        mood="leave",
        head=compare_words.headline(table, units),
        lead=compare_words.lead(table),
        facts=tuple(compare_words.plain_differences(table, units)),
        sections=(
            Section("Through the year", (), ("year", "air")),
            Section(
                "What changes",
                (),
                ("differences", "chance"),
                (("compared", compare_words.comparison_table(table, units)),),
            ),
        ),
        limits=(*texts.limits(), *(texts.said(name) for name in ("for_good", "braces"))),
        captions=texts.captions("compare"),
        files=texts.lies_in("compare"),
        foot=f"seed {table.attrs['seed']}, {table.attrs['draws']} runs of {table.attrs['horizon_years']} years",
    )


#: told apart in grey by dashes and marks, not by colour alone
DASHES = ("-", (0, (5, 2)), (0, (1.5, 1.5)), (0, (7, 2, 1.5, 2)), (0, (3, 1, 1, 1, 1, 1)), (0, (9, 3)))
MARKS = ("o", "s", "^", "D", "v", "P")
LINES = (INK, SEASON_LINE, "#7b3410", "#59626a", "#2f7a78", "#8a6d1d")


def small_multiples(table: Dataset, units: str, rule: tuple[float, float] | None = None) -> Figure:
    """A panel a scenario, three in a row; the first scenario's middle dotted in every other. rule: low, high in mm."""
    names = short_names(table)
    factor, unit, _ = length_scale(units)
    count = table.sizes["scenario"]
    columns = min(count, 3)
    rows = -(-count // columns)
    size = (2.35 * columns + 0.5, 2.3 * rows + 0.6)
    figure, grid = blank(*size, rows, columns, sharex=True, sharey=True, squeeze=False)
    panels = grid.ravel()
    month, action = np.arange(12), table["action"].values * factor
    for at, axes in enumerate(panels):
        if at >= count:
            axes.set_axis_off()
            continue
        low, middle, high = action[at]
        axes.fill_between(month, low, high, color=SEASON, linewidth=0, label="four times in five")
        axes.plot(month, middle, color=SEASON_LINE, linewidth=1.6, label="middle")
        axes.plot(month, action[0, 1], color=INK, linewidth=1.2, linestyle=":", label="middle of the first")
        for limit in rule or ():
            axes.axhline(limit * factor, color=QUIET, linewidth=0.9, linestyle=(0, (6, 3)))
        axes.set_title(textwrap.fill(names[at], 30), loc="left", fontsize=8.5)
        axes.set_xlim(0, 11)
        axes.set_xticks(range(0, 12, 3), MONTHS[::3])
        axes.tick_params(labelbottom=True)
    figure.supylabel(f"Action at the 12th fret ({unit})", fontsize=9)
    handles = panels[0].get_legend_handles_labels()[0]
    key_below(figure, 3, handles=handles)
    return figure


def _line(axes: Axes, at: int, x: NDArray[Any], y: NDArray[Any], label: str) -> None:
    hollow = "white" if at // 6 % 2 else LINES[at % 6]  # a second round of six is told by open marks
    axes.plot(x, y, markerfacecolor=hollow, color=LINES[at % 6],
              linestyle=DASHES[at % 6], marker=MARKS[at % 6], markersize=3.6,
              linewidth=1.4, label=label)  # fmt: skip


def _lines(table: Dataset, x: NDArray[Any], values: NDArray[Any], words: str) -> tuple[Figure, Axes]:
    """A line for each scenario, of a share or a humidity in %."""
    names = short_names(table)
    figure, axes = blank(7.2, 3.0 + 0.18 * len(names))
    for at, name in enumerate(names):
        _line(axes, at, x, values[at], name)
    axes.set_ylim(0, 100)
    axes.set_ylabel(words)
    key_below(figure, 1 if len(names) < 5 else 2)
    return figure, axes


def airs(table: Dataset) -> Figure:
    """Mean relative humidity of each month, a line for each scenario."""
    figure, axes = _lines(table, np.arange(12), table["humidity"].values, "Relative humidity (%)")
    axes.set_xlim(-0.3, 11.3)
    axes.set_xticks(range(12), MONTHS)
    return figure


def chances(table: Dataset) -> Figure:
    """Chance that a regrade is due by the end of each year, a line for each scenario."""
    from matplotlib.ticker import MaxNLocator

    due = 100.0 * table["regrade_due"].values
    figure, axes = _lines(table, table["year"].values, due, "Chance of a regrade (%)")
    axes.xaxis.set_major_locator(MaxNLocator(integer=True))
    axes.set_xlabel("Years after set-up")
    return figure


def differences(table: Dataset, units: str) -> Figure:
    """A panel an outcome: each scenario's difference from the first, spread thin, uncertainty of the mean thick."""
    names = short_names(table)
    factor, length, _ = length_scale(units)
    others = range(1, table.sizes["scenario"])
    shown = [name for name in SHOWN if name != "spacer_miss"]
    rows = -(-len(shown) // 2)
    figure, grid = blank(7.2, (0.75 + 0.3 * len(others)) * rows, rows, 2, squeeze=False)
    panels = grid.ravel()
    for axes, outcome in zip(panels, shown, strict=False):
        words = SHOWN[outcome]
        one = table.sel(outcome=outcome)
        unit = str(one["unit"].item())
        scale, said = {"mm": (factor, length), "1": (100.0, "%"), "count": (1.0, "number")}.get(unit, (1.0, ""))
        axes.axvline(0.0, color=QUIET, linewidth=0.9)
        for at in others:
            low, _, high = one["difference_quantile"].values[at] * scale
            mean, error = float(one["difference_mean"][at]) * scale, float(one["difference_se"][at]) * scale
            if unit != "1":  # a yes or no has no spread to show
                axes.plot([low, high], [at, at], color=SEASON_LINE, linewidth=1.1)
            axes.plot([mean - 2 * error, mean + 2 * error], [at, at], color=INK, linewidth=4.0, solid_capstyle="butt")
            axes.plot([mean], [at], color=INK, marker="o", markersize=4.5)
        axes.set_title(words.capitalize() + (f" ({said})" if said else ""), loc="left", fontsize=9)
        axes.set_yticks(list(others), [str(at) for at in others])
        axes.set_ylim(table.sizes["scenario"] - 0.4, 0.4)
        axes.margins(x=0.08)
        left, right = axes.get_xlim()
        if right - left < 100 * LEAST * scale:  # nothing but rounding: show it as nothing
            axes.set_xlim(-50 * LEAST * scale, 50 * LEAST * scale)
        axes.locator_params(axis="x", nbins=5)
    for spare in panels[len(shown) :]:
        spare.remove()
    key = "\n".join(f"{at}  {textwrap.shorten(names[at], 100)}" for at in others)
    figure.supxlabel(key, x=0.02, ha="left", fontsize=8.5)
    return figure
