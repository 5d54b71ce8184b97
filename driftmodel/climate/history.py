"""The air an instrument lives in: a scenario's stays one after the other, each a climate run from its file."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import date, timedelta
from pathlib import Path
from typing import Any

import numpy as np

from driftmodel.base.errors import BadInput
from driftmodel.base.records import Climate, Scenario, Stay
from driftmodel.base.schema import DAYS_PER_YEAR, Dataset
from driftmodel.climate.air import (
    LONGEST_FILL_DAYS,
    OUTDOORS,
)
from driftmodel.climate.logger import read_logger
from driftmodel.climate.place_air import stated_air
from driftmodel.climate.room_fit import fitted
from driftmodel.climate.weather import read_weather
from driftmodel.climate.weather_formats import looks_like_weather


def read_air(
    path: str | Path,
    *,
    columns: Mapping[str, str] | None = None,
    time_zone: str | None = None,
    gap_policy: str | None = None,
    gap_limit_days: float = LONGEST_FILL_DAYS,
    day_first: bool | None = None,
) -> Dataset:
    """An air history from any file: a weather file when its first lines are one's, else a logger's text file."""
    if looks_like_weather(Path(path)):
        return read_weather(path, gap_policy=gap_policy)
    return read_logger(
        path,
        columns=columns,
        time_zone=time_zone,
        gap_policy=gap_policy,
        gap_limit_days=gap_limit_days,
        day_first=day_first,
    )


def scenario_end(scenario: Scenario) -> date:
    """Day after the last of the scenario's air: horizon_years of 365.25 days after set-up."""
    return scenario.setup.setup + timedelta(days=round(scenario.horizon_years * DAYS_PER_YEAR))


def lived_in_turn(scenario: Scenario) -> list[Stay]:
    """The stays by date; one split in two is one stay: its room and case are not started anew."""
    known = sorted(scenario.stays, key=lambda stay: stay.start)
    return [stay for at, stay in enumerate(known) if at == 0 or stay.climate != known[at - 1].climate]


def scenario_air(scenario: Scenario, member: int = 0) -> Dataset:
    """Hourly air around the instrument over whole days, from the first stay to the horizon.

    member: 0 is the weather as read; others have days and anomalies of their own, the same on the same dates in every
    climate.
    Raises BadInput when a file a climate names is at fault, or a logger's record ends before its stay does.
    """
    from xarray import concat

    stays = lived_in_turn(scenario)
    end = scenario_end(scenario)
    bounds = [stay.start for stay in stays[1:]] + [end]
    pieces = []
    for stay, until in zip(stays, bounds, strict=True):
        hours = 24 * (min(until, end) - stay.start).days
        if hours > 0:
            pieces.append(climate_air(stay.climate, stay.start, hours, member=member, seed=scenario.seed))
    if not pieces:
        raise BadInput(
            f"the first stay starts on {stays[0].start}, the horizon ends on {end}",
            "a first stay before set-up",
            file=scenario.file or None,
            place="stay 1, from",
            mend=f"from = {scenario.setup.strung}",
        )
    kept = ["air_temperature", "relative_humidity", "filled"]
    if any("humidifier_water" in piece for piece in pieces):
        kept.append("humidifier_water")
        pieces = [piece if "humidifier_water" in piece else _without_humidifier(piece) for piece in pieces]
    if any(name in piece for piece in pieces for name in OUTDOORS):
        kept += OUTDOORS
        pieces = [piece if "outdoor_temperature" in piece else _without_outdoors(piece) for piece in pieces]
    pieces = [piece[kept] for piece in pieces]
    air = pieces[0] if len(pieces) == 1 else concat(pieces, "time", combine_attrs="override")
    air.attrs = {
        "member": member,
        "seed": scenario.seed,
        "filled_hours": int(air["filled"].values.sum()),
        "climates": ", ".join(f"{stay.climate.name} from {stay.start}" for stay in stays),
        "sources": "; ".join(dict.fromkeys(str(piece.attrs.get("source", "")) for piece in pieces)),
    }
    return air


def climate_air(climate: Climate, start: Any, hours: int, member: int = 0, seed: int = 0) -> Dataset:
    """Hourly air (hours,) around an instrument in `climate` from `start` on: 00:00 of a date, or an hour.

    A typical year is repeated by the calendar (29 February repeats 28 February), its local standard time taken as
    the clock. A logger's record stands at its own dates; past its ends only if its years are to be repeated. A room has
    stood in its outdoor air for a while before, where there is any, and knows no start; what was seen in it narrows it.
    """
    return stated_air(fitted(climate), start, hours, member=member, seed=seed)


def _without_outdoors(piece: Dataset) -> Dataset:
    unknown = np.full(piece.sizes["time"], np.nan, dtype=np.float32)
    return piece.assign({name: (("time",), unknown, {"units": unit}) for name, unit in OUTDOORS.items()})


def _without_humidifier(air: Dataset) -> Dataset:
    described = {"units": "kg/h", "long_name": "water the humidifier gives off"}
    return air.assign(humidifier_water=(("time",), np.zeros(air.sizes["time"]), described))
