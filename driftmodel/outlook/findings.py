"""What a forecast says: the ensemble as one labelled dataset, with dates, grades, chances and the verdict."""

from __future__ import annotations

from typing import Any

import numpy as np

from driftmodel.base import schema
from driftmodel.base.records import Scenario
from driftmodel.base.schema import DAMP_PCT, DRY_DAYS, DRY_PCT, QUANTILES, Array, Dataset, Times
from driftmodel.outlook import calendar
from driftmodel.outlook.chain import Days
from driftmodel.outlook.draws import Draws, share_of_variance, unknowns_of
from driftmodel.outlook.lasting import BOW, PART_GROUPS, PART_YEARS, RESIDUAL
from driftmodel.outlook.moisture import Lags, PartWeights
from driftmodel.outlook.movement import World
from driftmodel.outlook.regrade import NEVER, NO_GRADE, Regrades
from driftmodel.structure.joint import grade_rotations_deg, intonation_shift_cents

READ_EVERY_DAYS = 7
SADDLE_OVER_BRIDGE_MM = 3.0  # common practice, no source; the shift of a step is far below a cent for any height


def as_dataset(
    scenario: Scenario, draws: Draws, world: World, due: Regrades, days: Days, lags: Lags, weights: PartWeights
) -> Dataset:
    """The forecast as one dataset: dims draw, time (00:00 of each day from set-up), part, year, quantile, occasion,
    grade, unknown. Every *_seasonal and *_lasting add up to the whole."""
    import xarray as xr

    time = calendar.forecast_time(scenario)
    result = xr.Dataset(
        coords={
            "time": time,
            "draw": np.arange(draws.count),
            "part": list(schema.PARTS),
            "year": np.arange(1, calendar.ahead_years(scenario) + 1),
            "quantile": list(QUANTILES),
            "occasion": np.arange(1, due.day.shape[1] + 1),
            "grade": list(scenario.instrument.spacers.labels),
        }
    )
    _put_air(result, days, lags, weights)
    _put_movements(result, scenario, draws, world)
    _put_place(result, scenario, draws, world, due)
    _put_regrades(result, scenario, draws, world, due)
    result.attrs |= verdict(result, scenario)
    return result


def put_parts(result: Dataset, rise_mm: Array) -> None:
    """Add the lasting rise of the saddle by where it is made, as of parts.lasting_by_part, (part, year)."""
    result.coords["lasting_part"] = [*PART_GROUPS, RESIDUAL]
    result.coords["lasting_year"] = list(PART_YEARS)
    variable = schema.VARIABLES["lasting_by_part"]
    result["lasting_by_part"] = _told(variable.dims, rise_mm, variable)


def _put_air(result: Dataset, days: Days, lags: Lags, weights: PartWeights) -> None:
    since = lags.emc_pct.size - result.sizes["time"]
    air = {"air_temperature": days.temperature_c, "relative_humidity": days.humidity_pct, "filled": days.filled}
    mean = np.stack([weights.mean[part].mean(axis=0) @ lags.lags_pct[:, since:] for part in schema.PARTS])
    found = {name: (("time",), np.append(daily, daily[-1])[since:]) for name, daily in air.items()} | {
        "equilibrium_moisture_content": (("time",), lags.emc_pct[since:]),
        "moisture_content": (("part", "time"), mean),
    }
    result.update({name: _told(dims, values, schema.VARIABLES[name]) for name, (dims, values) in found.items()})


def _put_movements(result: Dataset, scenario: Scenario, draws: Draws, world: World) -> None:
    """The four movements, each whole, seasonal and lasting.

    projection_change = top_sinkage - neck_rotation x distance; action_change = -projection_change / 2 + bow.
    The seasonal part of a movement is the whole less the lasting part."""
    parts: dict[str, dict[str, Any]] = {"seasonal": dict(world.seasonal), "lasting": dict(world.lasting)}
    for part in parts.values():
        part["projection_change"] = calendar.projection_change(part, scenario)
        part["action_change"] = part["projection_change"] * np.float32(-0.5)
        part["action_change"] += part[BOW]
    told = {}  # put there at once: a dataset goes through all it has for every variable it is given
    for name, variable in schema.MOVEMENTS.items():
        for kind, part in parts.items():
            told[f"{name}_{kind}"] = _told(variable.dims, part[name], variable, kind)
        told[name] = _told(variable.dims, parts["seasonal"][name] + parts["lasting"][name], variable)
    start = (scenario.setup.action_12th_mm + draws.set_up_error_mm).astype(np.float32)[:, None]
    worked = calendar.work_by_steps(scenario, result.sizes["time"], 1).action.astype(np.float32)
    action = told["action_change"][1] + start
    action += worked
    words = "action at the 12th fret, work done counted, the spacer now fitted left in"
    told["action_12th"] = (("draw", "time"), action, {"units": "mm", "long_name": words})
    result.update(told)


def _told(dims: tuple[str, ...], values: Any, variable: schema.Variable, kind: str = "") -> tuple[Any, Any, Any]:
    words = {"seasonal": " (comes back with the season)", "lasting": " (does not come back)", "": ""}[kind]
    return dims, values, variable.attrs(words)


def _put_place(result: Dataset, scenario: Scenario, draws: Draws, world: World, due: Regrades) -> None:
    """What the place itself does: the reading at its mean state less the lasting part, against set-up; and the
    cause of the first regrade over the draws that reach one: 'place' or 'lasting' for two thirds of it, or 'both'."""
    steps = slice(None, None, world.reading.step_days)
    start = (scenario.setup.action_12th_mm + draws.set_up_error_mm)[:, None]
    lasting = result["projection_change_lasting"].values[:, steps] * -0.5  # the rod set, as the reading has it
    place = world.reading.action_mm - start - lasting
    words = "action at the 12th fret in the mean state of the place lived in last, against set-up, lasting part aside"
    result["place_shift"] = (("draw",), place[:, -1], {"units": "mm", "long_name": words})
    reached = np.flatnonzero(due.day[:, 0] != NEVER)
    at = (reached, due.day[reached, 0] // world.reading.step_days)
    way = np.sign(place[at] + lasting[at])
    parts = [np.maximum(part[at] * way, 0.0) for part in (place, lasting)]
    by_place = float(np.median(parts[0] / np.maximum(parts[0] + parts[1], 1e-9))) if reached.size else 0.0
    result.attrs["regrade_cause"] = "place" if by_place > 2 / 3 else "lasting" if by_place < 1 / 3 else "both"


def _put_regrades(result: Dataset, scenario: Scenario, draws: Draws, world: World, due: Regrades) -> None:
    instrument = scenario.instrument
    labels, tapers = np.array(instrument.spacers.labels), np.array(instrument.spacers.tapers_mm)
    time, date = result["time"].values, regrade_dates(scenario, due)
    result["regrade_date"] = (("draw", "occasion"), date, {"long_name": "date each regrade is due; NaT if not reached"})
    label = np.where(due.grade == NO_GRADE, "", labels[due.grade])
    result["regrade_grade"] = (("draw", "occasion"), label, {"long_name": "spacer then fitted; empty where none fits"})
    ends = time[calendar.today_step(scenario, 1)] + (result["year"].values * 365.25).round().astype("timedelta64[D]")
    first = first_dates(scenario, due)
    words = "date by which a regrade is due with this probability; NaT if not within the horizon"
    result["regrade_due_date"] = (("quantile",), due_dates(first), {"long_name": words})
    counts = np.array([[np.sum(due.grade[:, o] == g) for g in range(labels.size)] for o in range(due.day.shape[1])])
    reached = due.day != NEVER
    whole = np.maximum(reached.sum(axis=0), 1)
    beyond = (reached & (due.grade == NO_GRADE)).sum(axis=0)
    rotation = grade_rotations_deg(instrument.spacers)
    fitted = int(np.flatnonzero(labels == calendar.fitted_spacer(scenario))[0])
    scale, saddle_mm = instrument.strings.scale_mm, instrument.body.bridge.thickness_mm + SADDLE_OVER_BRIDGE_MM
    turns = (rotation - rotation[fitted]).tolist()
    cents = [intonation_shift_cents(scale, instrument.body_fret, turn, saddle_mm) for turn in turns]
    shares = share_of_variance(draws, unknowns_of(scenario), world.reading.action_mm[:, -1])
    result.coords["unknown"] = list(shares)
    for name, dims, values, unit, words in (
        ("regrade_due", ["year"], [np.mean(first <= end) for end in ends], "1", "chance that a regrade is due by then"),
        ("grade_probability", ["occasion", "grade"], counts / whole[:, None], "1",
         "share of the draws that reach this regrade and want this grade"),
        ("occasion_probability", ["occasion"], reached.mean(axis=0), "1",
         "chance that this regrade falls within the horizon"),
        ("no_grade_fits", ["occasion"], beyond / whole, "1",
         "share of the draws that reach this regrade and find no grade of the set that mends"),
        ("grade_taper", ["grade"], tapers, "mm", "taper over the spacer's length"),
        ("grade_rotation", ["grade"], rotation, "degree", "neck rotation it gives"),
        ("grade_cents", ["grade"], cents, "cent", "intonation shift against the fitted grade"),
        ("driver_share", ["unknown"], list(shares.values()), "1",
         "share of the variance of the action at the end, read at the place's mean state"),
    ):  # fmt: skip
        result[name] = (dims, values, {"units": unit, "long_name": words})


def regrade_dates(scenario: Scenario, due: Regrades) -> Times:
    """Date of each regrade, (draws, occasions); NaT where not reached."""
    time, reached = calendar.forecast_time(scenario), due.day != NEVER
    return np.asarray(np.where(reached, time[np.where(reached, due.day, 0)], np.datetime64("NaT")))


def first_dates(scenario: Scenario, due: Regrades) -> Times:
    """Date of the first regrade, (draws,); NaT where it is not due within the years looked ahead from today."""
    first = regrade_dates(scenario, due)[:, 0]
    end = calendar.forecast_time(scenario)[calendar.today_step(scenario, 1)] + np.timedelta64(
        round(calendar.ahead_years(scenario) * 365.25), "D"
    )
    return np.asarray(np.where(first <= end, first, np.datetime64("NaT")))


def due_dates(first: Times) -> list[np.datetime64]:
    """The dates by which a share of QUANTILES of the draws has its first regrade due; NaT where fewer ever have."""
    ordered = np.sort(first)  # NaT sorts last
    return [ordered[max(int(np.ceil(quantile * first.size)) - 1, 0)] for quantile in QUANTILES]


def verdict(result: Dataset, scenario: Scenario) -> dict[str, Any]:
    """'regrade', 'humidify' or 'leave', with the figures it rests on.

    regrade: more likely than not due within two years. humidify: not that, but the air is below 35 % for over 30 days
    of a year, or in more than half of the draws the season alone takes the action outside the rule for its days in an
    average year. leave: neither. The limits of 35 % and 30 days are common practice, no source."""
    rule, years, here = scenario.rule, calendar.ahead_years(scenario), calendar.today_step(scenario, 1)
    soon = float(result["regrade_due"].sel(year=min(2, years)))
    humidity = result["relative_humidity"].values[here:]
    dry_days = float(np.sum(humidity < DRY_PCT)) / years
    damp_days = float(np.sum(humidity > DAMP_PCT)) / years
    season = result["action_change_seasonal"].values[:, here::READ_EVERY_DAYS]
    mean = season.mean(axis=1, keepdims=True)
    swing = season - mean + scenario.setup.action_12th_mm
    outside = ((swing < rule.action_low_mm) | (swing > rule.action_high_mm)).sum(axis=1) * READ_EVERY_DAYS / years
    share = float(np.mean(outside > rule.days_outside))
    if soon > 0.5:
        word = "regrade"
    elif dry_days > DRY_DAYS or share > 0.5:
        word = "humidify"
    else:
        word = "leave"
    return {
        "verdict": word,
        "dry_days_per_year": round(dry_days, 1),
        "damp_days_per_year": round(damp_days, 1),
        "season_outside_share": round(share, 3),
    }
