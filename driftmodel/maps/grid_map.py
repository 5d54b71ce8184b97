"""A map of regrades and of the grade that stays right: the chain of one scenario at every point of gridded air."""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import partial
from itertools import pairwise
from pathlib import Path
from typing import Any

import numpy as np

from driftmodel.base.errors import Spot
from driftmodel.base.keeping import Shelf, fingerprint, inputs_digest
from driftmodel.base.materials import recording
from driftmodel.base.records import Scenario
from driftmodel.base.schema import DAYS_PER_YEAR, Array, Dataset, Frozen, Times
from driftmodel.base.workers import Crew, Progress, each
from driftmodel.climate.air import hours_from, make_air
from driftmodel.climate.history import climate_air
from driftmodel.climate.place_air import air_within, warmer_air
from driftmodel.climate.room_fit import fitted
from driftmodel.climate.synthetic import weather_member
from driftmodel.maps.grid import Grid, hours_of, read_grid
from driftmodel.outlook.calendar import day_of, horizon_days
from driftmodel.outlook.chain import LagCache, run_chain
from driftmodel.outlook.draws import draw_unknowns
from driftmodel.outlook.drift import numbers_record, told
from driftmodel.outlook.place import grades_of
from driftmodel.outlook.regrade import NEVER

TOGETHER = 4  # points a worker is given at once


@dataclass(frozen=True)
class PointAir:
    """Air of one grid point: starts of steps, hours a step, and temperature in degC and humidity in % (step,)."""

    time: Times
    step_hours: int
    temperature: Array
    humidity: Array


def point_air(point: PointAir, scenario: Scenario, member: int) -> Dataset:
    """The scenario's air with the grid point's outdoor air in place of its last climate's own.

    The stays before the last are in their own climates; the last has its room and case about it, and for members
    above 0 a typical slow anomaly, as the climate states."""
    from xarray import concat

    stays, pieces = scenario.stays, []
    for stay, until in pairwise(stays):
        hours = 24 * (until.start - stay.start).days
        pieces.append(climate_air(stay.climate, stay.start, hours, member=member, seed=scenario.seed))
    whole = day_of(scenario, scenario.setup.setup) + horizon_days(scenario)
    place = stays[-1]
    outdoor = place.climate.outdoor

    def outdoors(time: Times) -> Dataset:
        at = hours_of(point.time, point.step_hours, time)
        air = make_air(time, point.temperature[at], point.humidity[at])
        if outdoor is None:
            return air
        varied = weather_member(air, member, scenario.seed, outdoor.year_to_year_sd_c, outdoor.year_to_year_sd_pct)
        return warmer_air(varied, outdoor)

    time = hours_from(place.start, 24 * (whole - day_of(scenario, place.start)))
    air = air_within(fitted(place.climate), outdoors, time)
    names = ["air_temperature", "relative_humidity", "filled"]
    return concat([piece[names] for piece in (*pieces, air)], "time", combine_attrs="drop")


def map_of(
    path: str | Path,
    scenario: Scenario,
    *,
    years: int = 10,
    draws: int = 64,
    crew: Crew | None = None,
    progress: Progress = lambda done, of: None,
) -> Dataset:
    """Regrades and the best grade at every point of a NetCDF of outdoor air, over `years` after set-up.

    The scenario's design, workshop, set-up and rule; its last climate's room, humidifier and case stand in the air of
    each point. Steps of the file are held through their hours, so daily means have no swing within the day.

    Dims y, x; NaN, and no grade, at points left out for missing air. regrades_per_thousand_per_year: expected;
    regrade_chance: of one or more within the years, each with the standard error of so many draws; best_grade and
    best_grade_inside_pct: the spacer to leave with, worth most days inside the rule less later jobs (see
    outlook.place.grades_of), and the share of the time inside it has. One seed for all points: they differ by their air
    alone. Raises BadInput
    as read_grid does, and for a scenario whose last climate is a logger's record."""
    grid = read_grid(path)
    if scenario.stays[-1].climate.logger_file is not None:
        raise Spot(scenario.file or None, "the last [[stay]], climate").refusal(
            f"the scenario's last climate, \"{scenario.stays[-1].climate.name}\", is a logger's record of indoor air. "
            "Needed: a climate of outdoor air, with or without a room, to put in the grid's air. Mend: climate = "
            '"cold_city_heated"'
        )
    crew = crew or Crew()
    scenario = replace(scenario, horizon_years=years, draws=draws)
    sent = replace(scenario, raw=Frozen({}))  # the files' own words stay here
    jobs = []
    there = np.argwhere(grid.there).tolist()
    for i, j in there:
        point = PointAir(grid.time, grid.step_hours, grid.temperature[:, i, j], grid.humidity[:, i, j])
        jobs.append((point, sent, draws, crew.folder))
    groups = [(first, list(jobs[first : first + TOGETHER])) for first in range(0, len(jobs), TOGETHER)]
    table = np.full((grid.y.size, grid.x.size, 6), np.nan)
    with recording() as numbers:
        for done, (index, found) in enumerate(each(_points, groups, crew), start=1):
            table[tuple(there[index])] = found
            progress(done, len(jobs))
    result = _as_dataset(grid, scenario, table)
    air = (grid.time, grid.step_hours, grid.temperature, grid.humidity)
    result.attrs |= told(numbers) | {"input_hash": inputs_digest(scenario, air, numbers_record(numbers))}
    return result


def _points(jobs: list[Any]) -> list[Array]:
    return [_point(*job) for job in jobs]


def _point(point: PointAir, scenario: Scenario, draws: int, folder: Path | None) -> Array:
    """Regrades per thousand a year, chance of any, index of the best grade, its share of time inside, percent, and the
    standard errors of the first two."""
    key = fingerprint("point", replace(scenario, title="", summary=""), draws, point)

    def make() -> Array:
        lags = LagCache(1, partial(point_air, point))
        chain = run_chain(scenario, draw_unknowns(scenario, draws, scenario.seed), lags)
        due = chain.due.day != NEVER
        best, chance = grades_of(chain), float(due[:, 0].mean())
        each = due.sum(axis=1) * (1000.0 / scenario.horizon_years)
        return np.array(
            [
                float(each.mean()),
                chance,
                float(scenario.instrument.spacers.labels.index(best.if_open)),
                100.0 / DAYS_PER_YEAR * best.of(best.if_open).inside_days,
                float(each.std(ddof=1)) / draws**0.5,
                (chance * (1.0 - chance) / draws) ** 0.5,
            ]
        )

    return Shelf(folder).of(
        key, make, lambda found: (None, {"found": found}), lambda _, arrays: np.asarray(arrays["found"])
    )


def _as_dataset(grid: Grid, scenario: Scenario, table: Array) -> Dataset:
    import xarray as xr

    labels, whole, years = np.array(scenario.instrument.spacers.labels), grid.there, scenario.horizon_years
    best = np.where(whole, table[..., 2], -1).astype(np.int16)
    error = "sampling error of the"
    flags = {"_FillValue": np.int16(-1), "flag_values": np.arange(labels.size, dtype=np.int16),
             "flag_meanings": " ".join(labels.tolist())}  # fmt: skip
    described: dict[str, tuple[Any, str, dict[str, Any]]] = {
        "regrades_per_thousand_per_year": (
            table[..., 0], f"expected regrades per thousand instruments a year, over {years} years",
            {"units": "1", "ancillary_variables": "regrades_standard_error"}),
        "regrades_standard_error": (
            table[..., 4], f"{error} regrades, of {scenario.draws} draws that share their weather", {"units": "1"}),
        "regrade_chance": (
            table[..., 1], f"chance of a regrade within {years} years",
            {"units": "1", "ancillary_variables": "regrade_chance_standard_error"}),
        "regrade_chance_standard_error": (table[..., 5], f"{error} chance", {"units": "1"}),
        "best_grade": (
            np.where(whole, labels[best], ""),
            f"spacer worth most days inside less later jobs, over {years} years", {}),
        "best_grade_number": (best, "best grade as its number in the set", flags),
        "best_grade_inside_pct": (
            table[..., 3], "share of the time the best grade keeps action and saddle room inside", {"units": "%"}),
    }  # fmt: skip
    return xr.Dataset(
        {name: (("y", "x"), values, {"long_name": words} | more) for name, (values, words, more) in described.items()},
        coords={
            **{
                dim: (dim, values, {**attrs, "long_name": name, "axis": dim.upper()})
                for dim, values, attrs, name in zip(("y", "x"), (grid.y, grid.x), grid.attrs, grid.axes, strict=True)
            },
            **{name: (("y", "x"), values, attrs) for name, values, attrs in grid.more},
        },
        attrs={
            "Conventions": "CF-1.10",
            "points_left_out": int((~whole).sum()),
            "title": f"{scenario.title}: regrades on the grid of {grid.file.name}",
            "scenario": scenario.name,
            "climate_template": scenario.stays[-1].climate.name,
            "years": years,
            "draws": scenario.draws,
            "seed": scenario.seed,
            "step_hours": grid.step_hours,
            "conversions": "; ".join(grid.conversions) or "none",
        },
    )
