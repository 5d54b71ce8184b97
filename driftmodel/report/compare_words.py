"""A comparison in words and tables: each scenario against the first, with the uncertainty of the difference."""

from __future__ import annotations

import json
import textwrap
from collections.abc import Sequence
from typing import Any

from driftmodel.base.schema import DataFrame, Dataset
from driftmodel.report.ensemble import length_scale
from driftmodel.report.texts import WIDTH, Table, filled, upper

SHOWN = {
    "inside_days": "days a year inside the rule",
    "season_swing": "season's swing",
    "place_shift": "what the place does",
    "lasting_action_change": "lasting drift at the end",
    "regrade_free_years": "years before a regrade",
    "regrade_within": "chance of a regrade",
    "regrades": "regrades within the years",
    "spacer_miss": "half a spacer step",
}
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


def is_clear(mean: float, error: float) -> bool:
    """Whether a difference is clear of nothing by two standard errors of its pairs."""
    return abs(mean) > CLEAR * error and abs(mean) > LEAST


def headline(table: Dataset, units: str) -> str:
    """The scenario that changes the days inside the rule most, and by how much; the season's swing where none does."""
    days = max((abs(_of(table, "inside_days", at)[0]), at) for at in range(1, table.sizes["scenario"]))[1]
    mean, error, _ = _of(table, "inside_days", days)
    if is_clear(mean, error) and abs(mean) >= 1.0:
        way = "more" if mean > 0 else "fewer"
        return f"{upper(short_names(table)[days])}: {abs(mean):.0f} {way} days a year inside the rule."
    swings = [(abs(_of(table, "season_swing", at)[0]), at) for at in range(1, table.sizes["scenario"])]
    at = max(swings)[1]
    mean, error, unit = _of(table, "season_swing", at)
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
        for outcome, words in SHOWN.items():
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
    for outcome, words in SHOWN.items():
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
