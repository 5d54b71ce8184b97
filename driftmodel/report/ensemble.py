"""An ensemble boiled down once for figures, tables and files: weekly quantiles, monthly means, an average year."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from driftmodel.base.records import Scenario
from driftmodel.base.schema import MOVEMENTS, PARTS, QUANTILES, Dataset, Integers
from driftmodel.base.units import MM_PER_INCH
from driftmodel.climate.air import months_of
from driftmodel.outlook import calendar
from driftmodel.report.texts import signed_length

EVERY_DAYS, MOST_DRIVERS = 7, 7
MONTHS = range(1, 13)
KINDS = ("", "_seasonal", "_lasting")
SERIES = (*(name + kind for name in MOVEMENTS for kind in KINDS), "action_12th")
Array = NDArray[Any]


@dataclass(frozen=True)
class Summary:
    """week: (weeks,) dates; bands: series name -> (3, weeks) 10, 50 and 90 % over the draws, mm or degrees.

    The average year is taken over the place lived in last, where it is lived in for a year or more: humidity_pct
    (3, 12) over its days, moisture_pct part -> (12,), action_mm (3, 12) over draws and weeks with the lasting drift
    left out. month_start: (months,) dates; monthly: series name -> (draws, months) means."""

    week: Array
    bands: dict[str, Array]
    month_start: Array
    monthly: dict[str, Array]
    humidity_pct: Array
    moisture_pct: dict[str, Array]
    action_mm: Array
    southern: bool


def summary_of(fc: Dataset, scenario: Scenario) -> Summary:
    """The digest of a forecast dataset (see outlook.findings for its variables)."""
    time = fc["time"].values
    weekly = {name: fc[name].values[:, ::EVERY_DAYS] for name in SERIES}
    month_start, first_days = np.unique(time.astype("datetime64[M]"), return_index=True)
    days = np.diff(np.append(first_days, time.size)).astype(np.float32)
    monthly = {name: np.add.reduceat(fc[name].values, first_days, axis=1) / days for name in SERIES}
    since = calendar.average_year_from(scenario, time.size)
    month = months_of(time)[since:]
    humidity = fc["relative_humidity"].values[since:]
    moisture = fc["moisture_content"].values[:, since:]
    season = weekly["action_change_seasonal"] + np.float32(scenario.setup.action_12th_mm)
    week = time[::EVERY_DAYS]
    week_month = np.where(week >= time[since], months_of(week), 0)
    return Summary(
        week=week,
        bands={name: quantiles(values) for name, values in weekly.items()},
        month_start=month_start,
        monthly=monthly,
        humidity_pct=np.stack([np.quantile(humidity[month == m], QUANTILES) for m in MONTHS], axis=1),
        moisture_pct={
            part: np.array([moisture[row, month == m].mean() for m in MONTHS]) for row, part in enumerate(PARTS)
        },
        action_mm=np.stack([quantiles(season[:, week_month == m].reshape(-1, 1))[:, 0] for m in MONTHS], axis=1),
        southern=calendar.is_southern(fc),
    )


def quantiles(values: Array) -> Array:
    """10, 50 and 90 % over the first axis, (3, n); nearest rank, which is all that 100 draws or more can tell apart."""
    ordered = np.sort(np.ascontiguousarray(values.T), axis=1)
    at = [round(q * (ordered.shape[1] - 1)) for q in QUANTILES]
    return np.ascontiguousarray(ordered[:, at].T)


def by_points(values: Any) -> dict[str, Any]:
    """Three values by the names of the points an answer is told by."""
    return dict(zip(("p10", "p50", "p90"), values, strict=True))


def length_scale(units: str) -> tuple[float, str, int]:
    """(factor from mm, unit, decimals) for `units` 'metric' or 'inch'."""
    return (1.0 / MM_PER_INCH, "in", 3) if units == "inch" else (1.0, "mm", 2)


def grade_bars(fc: Dataset, units: str) -> list[tuple[str, float]]:
    """(label with taper, share in %) of the first regrade: the grades that come up, and 'none of the set'."""
    share = 100 * fc["grade_probability"].values[0]
    shown = np.flatnonzero(share >= 0.5)
    bars = [
        (f"{fc['grade'].values[g]}  ({signed_length(float(fc['grade_taper'].values[g]), units)})", float(share[g]))
        for g in shown
    ]
    beyond = 100 * float(fc["no_grade_fits"].values[0])
    return bars + ([("none of the set mends it", beyond)] if beyond >= 0.5 else [])


def driver_bars(fc: Dataset) -> list[tuple[str, float]]:
    """(plain words, share in %) of the largest drivers of the spread, then all the rest as one."""
    share = 100 * fc["driver_share"].values
    words = [str(each) for each in fc["unknown"].values]
    named = sorted(zip(words[:-1], share[:-1], strict=True), key=lambda item: -item[1])
    first = [(each, float(value)) for each, value in named[:MOST_DRIVERS] if value >= 0.5]
    rest = max(0.0, 100.0 - sum(value for _, value in first))
    return [*first, ("weather and all else together", rest)]


def average_year(fc: Dataset, scenario: Scenario) -> tuple[Integers, Array]:
    """(month of each day from the average year's start, the action's monthly means (draws, months))."""
    since = calendar.average_year_from(scenario, fc.sizes["time"])
    month = months_of(fc["time"].values[since:])
    return month, calendar.monthly_means(fc["action_change_seasonal"].values[:, since:], month)


def past_rule(fc: Dataset, scenario: Scenario) -> dict[int, float]:
    """Chance by month that place and season, the lasting drift left out, have the action past the rule."""
    since = calendar.average_year_from(scenario, fc.sizes["time"])
    action = fc["action_12th"].values[:, since:] - fc["action_change_lasting"].values[:, since:]
    return calendar.past_rule_by_month(action, months_of(fc["time"].values[since:]), scenario.rule)


def forecast_json(fc: Dataset, scenario: Scenario) -> dict[str, Any]:
    """The findings for machines: metric, units in the key names, None where a date is not within the horizon."""
    dates = [None if np.isnat(each) else str(each)[:10] for each in fc["regrade_due_date"].values]
    lasting = np.quantile(fc["action_change_lasting"].values[:, -1], QUANTILES)
    labels = [str(each) for each in fc["grade"].values]
    regrades = [
        {
            "occasion": int(fc["occasion"].values[at]),
            "probability": float(fc["occasion_probability"].values[at]),
            "grade_probability": {
                label: float(value)
                for label, value in zip(labels, fc["grade_probability"].values[at], strict=True)
                if value > 0
            },
            "no_grade_fits_probability": float(fc["no_grade_fits"].values[at]),
        }
        for at in range(fc.sizes["occasion"])
    ]
    due = zip(fc["year"].values, fc["regrade_due"].values, strict=True)
    drivers = zip(fc["unknown"].values, fc["driver_share"].values, strict=True)
    return {
        "scenario": scenario.name,
        "title": scenario.title,
        "version": fc.attrs["version"],
        "seed": int(fc.attrs["seed"]),
        "draws": int(fc.attrs["draws"]),
        "input_hash": fc.attrs["input_hash"],
        "verdict": fc.attrs["verdict"],
        "dry_days_per_year": float(fc.attrs["dry_days_per_year"]),
        "damp_days_per_year": float(fc.attrs["damp_days_per_year"]),
        "fitted_grade": fc.attrs["fitted_grade"],
        "horizon_years": calendar.ahead_years(scenario),
        "regrade_due_date": by_points(dates),
        "regrade_due_probability_by_year": {str(int(year)): float(value) for year, value in due},
        "regrades": regrades,
        "grade_taper_mm": dict(zip(labels, fc["grade_taper"].values.tolist(), strict=True)),
        "action_change_lasting_at_end_mm": by_points(lasting.tolist()),
        "season_swing_mm": float(np.median(calendar.swing(average_year(fc, scenario)[1]))),
        "action_past_rule_by_month": {str(month): chance for month, chance in past_rule(fc, scenario).items()},
        "driver_share_of_variance": {str(name): float(share) for name, share in drivers},
    }
