"""Scenarios side by side on common random numbers: differences of pairs, with the uncertainty of the differences."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import replace

import numpy as np

from driftmodel.base.errors import refusal
from driftmodel.base.keeping import inputs_digest
from driftmodel.base.materials import recording
from driftmodel.base.records import Scenario
from driftmodel.base.schema import QUANTILES, Array, Dataset, described
from driftmodel.climate.air import months_of
from driftmodel.outlook import calendar
from driftmodel.outlook.draws import Draws
from driftmodel.outlook.drift import forecast, numbers_record, told

#: outcome -> (unit, long name); each is one number a draw
OUTCOMES = {
    "inside_days": ("day", "days a year inside the rule, season included, regrades done as they fall due"),
    "lasting_action_change": ("mm", "change of action at the end that does not come back"),
    "season_swing": ("mm", "swing of the action's monthly means in an average year"),
    "place_shift": ("mm", "what the place does to the action on the average of a year"),
    "lowest_month": ("mm", "action in the lowest month of an average year, lasting drift left out"),
    "highest_month": ("mm", "action in the highest month of an average year, lasting drift left out"),
    "regrade_free_years": ("year", "years before the first regrade, counted to the horizon at most"),
    "regrade_within": ("1", "whether a regrade falls due within the horizon"),
    "regrades": ("count", "regrades within the horizon"),
    "spacer_miss": ("mm", "how far from the action wished for the nearest spacer of the set may leave it: half a step"),
}

_TOLD = {
    "value": "each outcome of each draw",
    "difference": "outcome less that of the first scenario, draw by draw",
    "value_mean": "mean of the outcome over the draws",
    "value_quantile": "quantiles of the outcome over the draws",
    "difference_mean": "mean of the differences of pairs",
    "difference_se": "standard error of the mean of the differences of pairs",
    "unpaired_se": "what that standard error would have been on independent draws",
    "difference_quantile": "quantiles of the differences of pairs",
}


def compare(
    scenarios: Sequence[Scenario],
    draws: int | None = None,
    seed: int | None = None,
    progress: Callable[[str], None] = lambda _: None,
    unknowns: Draws | None = None,
) -> Dataset:
    """Every scenario on the same draws, weather anomalies and years; the first is what the others are held against.

    Dims scenario, draw, outcome, quantile, month. value (scenario, draw, outcome); difference = value - value of the
    first, draw by draw; difference_mean with difference_se, its standard error over the pairs; unpaired_se, what it
    would have been on independent draws; difference_quantile (10, 50, 90 % of the differences); action (scenario,
    quantile, month) in an average year and humidity (scenario, month). The horizon is the shortest of the scenarios';
    attrs['horizon_years'] tells. draws, seed: in place of the first scenario's own. unknowns: draws from elsewhere,
    such as a calibration. Raises BadInput for fewer than two scenarios or two of one name."""
    import xarray as xr

    names = [scenario.name for scenario in scenarios]
    if len(names) < 2:
        raise refusal(
            f"{len(names)} scenario to compare. Needed: two or more, or one and a --what-if. "
            f"Mend: driftmodel compare {(names[0] if names else 'first-winter')} --what-if "
            '"humidifier=45"'
        )
    if len(set(names)) < len(names):
        twice = next(name for name in names if names.count(name) > 1)
        raise refusal(f'"{twice}" is named twice. Needed: scenarios that differ. Mend: name each once')
    draws, seed = (own if given is None else given for own, given in
                   ((scenarios[0].draws, draws), (scenarios[0].seed, seed)))  # fmt: skip
    years = min(calendar.ahead_years(scenario) for scenario in scenarios)
    members = max(scenario.weather_members for scenario in scenarios)
    runs = []
    with recording() as numbers:
        for number, each in enumerate(scenarios, start=1):
            progress(f"scenario {number} of {len(scenarios)}: {each.name}")
            whole = calendar.whole_years_to_today(each) + years
            own = replace(each, seed=seed, horizon_years=whole, weather_members=members)
            runs.append(_summed_up(own, draws, seed, unknowns))
    value = np.stack([run[0] for run in runs])
    difference = value - value[:1]
    count = value.shape[1]
    spread = value.std(axis=1, ddof=1)
    table = xr.Dataset(
        {
            "value": (("scenario", "draw", "outcome"), value),
            "difference": (("scenario", "draw", "outcome"), difference),
            "value_mean": (("scenario", "outcome"), value.mean(axis=1)),
            "value_quantile": (
                ("scenario", "quantile", "outcome"), np.quantile(value, QUANTILES, axis=1).swapaxes(0, 1),
            ),
            "difference_mean": (("scenario", "outcome"), difference.mean(axis=1)),
            "difference_se": (("scenario", "outcome"), difference.std(axis=1, ddof=1) / np.sqrt(count)),
            "unpaired_se": (("scenario", "outcome"), np.sqrt((spread**2 + spread[:1] ** 2) / count)),
            "difference_quantile": (
                ("scenario", "quantile", "outcome"), np.quantile(difference, QUANTILES, axis=1).swapaxes(0, 1),
            ),
            "action": (("scenario", "quantile", "month"), np.stack([run[1] for run in runs])),
            "humidity": (("scenario", "month"), np.stack([run[2] for run in runs])),
            "regrade_due": (("scenario", "year"), np.stack([run[3] for run in runs])),
        },
        coords={
            "scenario": names,
            "title": ("scenario", [scenario.title for scenario in scenarios]),
            "draw": np.arange(count),
            "outcome": list(OUTCOMES),
            "unit": ("outcome", [unit for unit, _ in OUTCOMES.values()]),
            "quantile": list(QUANTILES),
            "month": np.arange(1, 13),
            "year": np.arange(1, years + 1),
        },
        attrs={"seed": seed, "draws": count, "horizon_years": years, "weather_members": members, **told(numbers),
               "input_hash": inputs_digest(list(scenarios), seed, draws, unknowns, numbers_record(numbers))},
    )  # fmt: skip
    table["action"].attrs = {"units": "mm", "long_name": "action at the 12th fret in an average year"}
    table["humidity"].attrs = {"units": "%", "long_name": "relative humidity around it, mean of the month"}
    table["regrade_due"].attrs = {"units": "1", "long_name": "chance that a regrade is due by then"}
    for name, words in _TOLD.items():
        table[name].attrs = {"units": "as in the coordinate unit", "long_name": words}
    return described(table)


def _summed_up(scenario: Scenario, draws: int, seed: int, unknowns: Draws | None) -> tuple[Array, Array, Array, Array]:
    """(draw, outcome) values; action (quantile, month); humidity (month,); chance due (year,)."""
    run = forecast(scenario, draws, seed, unknowns=unknowns)
    time = run["time"].values
    since = calendar.average_year_from(scenario, time.size)
    month = months_of(time[since:])
    now_mm = scenario.setup.action_12th_mm + calendar.fitted_lift_mm(scenario) / 2.0 + calendar.action_work_mm(scenario)
    season = run["action_change_seasonal"].values[:, since:] + np.float32(now_mm)
    means = calendar.monthly_means(season, month)
    humidity = run["relative_humidity"].values[since:]
    first = run["regrade_date"].values[:, 0]
    reached = ~np.isnat(first)
    today = time[calendar.today_step(scenario, 1)]
    years = np.where(reached, (first - today) / np.timedelta64(1, "D") / 365.25, calendar.ahead_years(scenario))
    columns = [
        run["inside_days"].values,
        run["action_change_lasting"].values[:, -1],
        calendar.swing(means),
        run["place_shift"].values,
        means.min(axis=1),
        means.max(axis=1),
        years,
        reached.astype(float),
        (~np.isnat(run["regrade_date"].values)).sum(axis=1),
        np.full(first.size, np.diff(np.sort(calendar.grade_lifts_mm(scenario))).max(initial=0.0) / 4.0),
    ]
    return (
        np.stack([np.asarray(column, dtype=float) for column in columns], axis=1),
        np.quantile(means, QUANTILES, axis=0),
        np.array([humidity[month == m].mean() for m in range(1, 13)]),
        run["regrade_due"].values,
    )
