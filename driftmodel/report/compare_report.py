"""A comparison in words, tables and pictures, each scenario against the first with the uncertainty of the difference;
and as a folder."""

from __future__ import annotations

import json
import textwrap
from collections.abc import Sequence
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from driftmodel.base.opened import csv_text
from driftmodel.base.records import Scenario
from driftmodel.base.schema import Axes, DataFrame, Dataset, Figure
from driftmodel.report import texts
from driftmodel.report.ensemble import length_scale
from driftmodel.report.folder import made_by, write_page, write_whole
from driftmodel.report.pictures import INK, MONTHS, QUIET, SEASON_LINE, band, blank, key_below
from driftmodel.report.texts import WIDTH, Table, filled, upper, worded


def write_comparison(table: Dataset, scenarios: Sequence[Scenario], out_dir: Path, units: str) -> list[Path]:
    """Writes the folder whole or not at all and returns its paths. table: of outlook.compare.compare."""
    first, of = scenarios[0], table.attrs
    invented = ("Guitars and places are invented, for demonstration.",) if any(s.invented for s in scenarios) else ()
    limits = (first.rule.action_low_mm, first.rule.action_high_mm)

    def figures() -> dict[str, Figure]:
        return {
            "year": small_multiples(table, units, limits),
            "air": airs(table),
            "chance": chances(table),
            "differences": differences(table, units),
        }

    def fill(folder: Path) -> None:
        write_page(
            folder,
            "compare",
            figures,
            over="What if",
            title=first.title,
            under=(f"Against {listed(short_names(table)[1:])}.", *invented),
            mood="leave",
            head=headline(table, units),
            lead=lead(table),
            facts=plain_differences(table, units),
            limits=(*texts.limits(), *(texts.said(name) for name in ("for_good", "braces"))),
            foot=made_by(f"seed {of['seed']}, {of['draws']} runs of {of['horizon_years']} years"),
            compared=comparison_table(table, units),
        )
        frame = comparison_frame(table)
        (folder / "comparison.csv").write_text(csv_text(frame), encoding="utf-8")
        table.to_netcdf(folder / "comparison.nc", engine="h5netcdf")

    return write_whole(out_dir, fill)


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
        band(axes, month, action[at], "four times in five", linewidth=1.6)
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
    shown = [name for name in worded("compared") if name != "spacer_miss"]
    rows = -(-len(shown) // 2)
    figure, grid = blank(7.2, (0.75 + 0.3 * len(others)) * rows, rows, 2, squeeze=False)
    panels = grid.ravel()
    for axes, outcome in zip(panels, shown, strict=False):
        words = worded("compared")[outcome]
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


CLEAR = 2.0  # standard errors; own choice
LEAST = 5e-4  # mm, or what is printed as nothing: rounding of single precision lies below


def number_words(value: float, unit: str, units: str, sign: bool) -> str:
    """An outcome as a person reads it: mm or in, percent, years."""
    value = 0.0 if abs(value) < LEAST else value
    if unit == "mm":
        factor, word, digits = length_scale(units)
        return f"{value * factor:{'+' if sign else ''}.{digits}f} {word}"
    if unit == "1":
        return f"{100 * value:{'+' if sign else ''}.0f} %"
    return f"{value:{'+' if sign else ''}.{2 if unit == 'count' else 1}f}"


def listed(words: Sequence[str]) -> str:
    """'a', 'a and b', 'a; b and c'."""
    return words[0] if len(words) == 1 else f"{'; '.join(words[:-1])} and {words[-1]}"


def short_names(table: Dataset) -> list[str]:
    """Each scenario's title; of a what-if on the first, only what was changed."""
    first, *others = (str(title) for title in table["title"].values)
    return [first, *(each.removeprefix(f"{first}; ") for each in others)]


def _of(table: Dataset, outcome: str, at: int) -> tuple[float, float, str]:
    chosen = table.sel(outcome=outcome)
    return float(chosen["difference_mean"][at]), float(chosen["difference_se"][at]), str(chosen["unit"].item())


def _most(table: Dataset, outcome: str) -> tuple[int, float, float, str]:
    """The scenario that differs most from the first in an outcome, and by how much."""
    others = range(1, table.sizes["scenario"])
    at = max(others, key=lambda at: (abs(_of(table, outcome, at)[0]), at))
    return at, *_of(table, outcome, at)


def is_clear(mean: float, error: float) -> bool:
    """Whether a difference is clear of nothing by two standard errors of its pairs."""
    return abs(mean) > CLEAR * error and abs(mean) > LEAST


def headline(table: Dataset, units: str) -> str:
    """The scenario that changes the days inside the rule most, and by how much; the season's swing where none does."""
    at, days, error, _ = _most(table, "inside_days")
    if is_clear(days, error) and abs(days) >= 1.0:
        way = "more" if days > 0 else "fewer"
        return f"{upper(short_names(table)[at])}: {abs(days):.0f} {way} days a year inside the rule."
    at, mean, error, unit = _most(table, "season_swing")
    if not is_clear(mean, error):
        return "None of these changes the season's swing clearly."
    swing = number_words(abs(mean), unit, units, False)
    return f"{upper(short_names(table)[at])}: the season's swing is {swing} {'smaller' if mean < 0 else 'larger'}."


def lead(table: Dataset) -> str:
    """What is compared, and on what."""
    return filled("compare_lead", of=table.attrs)


def plain_differences(table: Dataset, units: str) -> list[tuple[str, str]]:
    """(scenario, sentence) for each but the first."""
    told = []
    for at in range(1, table.sizes["scenario"]):
        parts = []
        for outcome, words in worded("compared").items():
            mean, error, unit = _of(table, outcome, at)
            if is_clear(mean, error):
                parts.append(f"{words} {number_words(mean, unit, units, True)} (± {_error(error, unit, units)})")
        told.append(
            (upper(short_names(table)[at]), "; ".join(parts) + "." if parts else "No clear difference from the first.")
        )
    return told


def _error(error: float, unit: str, units: str) -> str:
    return number_words(error, unit, units, False).split()[0]


def comparison_table(table: Dataset, units: str) -> Table:
    """A row an outcome: the first scenario as it is, the others as differences from it with their standard error."""
    rows = []
    names = [upper(name) for name in short_names(table)]
    for outcome, words in worded("compared").items():
        cells = [words.capitalize()]
        for at in range(len(names)):
            mean, error, unit = _of(table, outcome, at)
            if at == 0:
                chosen = "value_quantile" if unit == "mm" else "value_mean"
                first = float(table[chosen].sel(outcome=outcome)[(0, 1) if unit == "mm" else 0])
                cells.append(number_words(first, unit, units, outcome in ("place_shift", "lasting_action_change")))
            else:
                cells.append(f"{number_words(mean, unit, units, True)} ± {_error(error, unit, units)}")
        rows.append(tuple(cells))
    caption = filled("compared", of=table.attrs)
    return Table(caption, ("", *names), tuple(rows), tuple(range(1, len(names) + 1)))


def comparison_frame(table: Dataset) -> DataFrame:
    """Tidy rows for CSV, metric: scenario, outcome, unit, means, quantiles, difference and its errors."""
    said = ["value_mean", "difference_mean", "difference_se", "unpaired_se"]
    points = table["value_quantile"].astype(float).transpose("scenario", "outcome", "quantile").values
    frame: DataFrame = table[said].astype(float).to_dataframe(["scenario", "outcome"]).reset_index()
    for name, values in zip(("p10", "p50", "p90"), points.reshape(-1, 3).T, strict=True):
        frame[name] = values
    columns = ["scenario", "title", "outcome", "unit", "value_mean", "p10", "p50", "p90", *said[1:]]
    return frame[columns].rename(columns={"value_mean": "mean"})


def comparison_terminal(table: Dataset, units: str) -> str:
    """The comparison for the terminal: a block for each scenario, lines of at most 100 columns."""
    told = comparison_table(table, units)
    lines = textwrap.wrap(told.caption, WIDTH) + [""]
    for at, name in enumerate(told.heads[1:], start=1):
        lines += textwrap.wrap(name, WIDTH)
        lines += [f"    {row[0].lower():<28}{row[at]:>22}" for row in told.rows]
    return "\n".join(lines)


def comparison_json(table: Dataset) -> dict[str, Any]:
    """The comparison for machines: metric."""
    rows = comparison_frame(table).to_dict(orient="records")
    names = [str(each) for each in table["scenario"].values]
    found = [
        {"scenario": name, "outcomes": {row["outcome"]: row for row in rows if row["scenario"] == name}}
        for name in names
    ]
    run = {key: int(table.attrs[key]) for key in ("seed", "draws", "horizon_years", "weather_members")}
    return {"first": names[0], "scenarios": found, **run, "sources": json.loads(table.attrs["sources"])}
