"""Levers of the air: where the instrument lives, its room and case, its journeys, a warmer outdoors.

Each is a plain function of a scenario and a value; levers.LEVERS names them with their ranges."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from datetime import date, timedelta
from typing import Any

from driftmodel.base import library
from driftmodel.base.climate_file import Humidifier, Normals, Outdoor
from driftmodel.base.errors import Spot, refusal
from driftmodel.base.records import Climate, Room, Scenario, Stay
from driftmodel.base.scenarios import climate_named, shipped
from driftmodel.climate.enclosure import hard_case
from driftmodel.climate.history import scenario_end
from driftmodel.climate.room import with_air_changes

SHIPPING_DAYS = 42


def with_last_climate(scenario: Scenario, climate: Climate) -> Scenario:
    """The scenario with its last stay in another climate; what it lived through up to today stays as it was."""
    *before, last = scenario.stays
    if scenario.today is not None and scenario.today > last.start:
        return replace(scenario, stays=(*scenario.stays, Stay(scenario.today, climate)))
    return replace(scenario, stays=(*before, Stay(last.start, climate)))


def _now(scenario: Scenario) -> Climate:
    return scenario.stays[-1].climate


def _changed(scenario: Scenario, **parts: Any) -> Scenario:
    """The last stay's climate with some of its parts changed."""
    return with_last_climate(scenario, replace(_now(scenario), **parts))


def _room(scenario: Scenario, lever: str) -> Room:
    room = _now(scenario).room
    if room is None:
        raise Spot(scenario.file or None).refusal(
            f'the lever "{lever}" moves a room, and "{_now(scenario).title}" is not one. Needed: a climate with a '
            "[room]. Mend: choose another lever or place"
        )
    return room


def homes_named(names: Sequence[str]) -> list[Climate]:
    """Climates by name; `any` for every shipped one that people live in."""
    if "any" in names:
        return [climate for climate in map(climate_named, shipped("climates")) if climate.room is not None]
    return [climate_named(name) for name in names]


def place(scenario: Scenario, value: Any) -> Scenario:
    """The last stay in another climate: a Climate, a shipped name or a path."""
    return with_last_climate(scenario, value if isinstance(value, Climate) else climate_named(str(value)))


def winter_heating(scenario: Scenario, value: Any) -> Scenario:
    """The room's heating set point in degC."""
    room = _room(scenario, "winter heating")
    return _changed(scenario, room=replace(room, heating_setpoint_c=float(value)))


def air_changes(scenario: Scenario, value: Any) -> Scenario:
    """Air changes an hour of the house: 0.3 is tight, 1.5 is draughty."""
    room = _room(scenario, "air changes")
    return _changed(scenario, room=with_air_changes(room, float(value)))


def humidifier(scenario: Scenario, value: Any) -> Scenario:
    """A room humidifier that holds `value` % whenever the room is drier, with 25 litres a day at most; 0 for none."""
    _room(scenario, "humidifier")
    return _changed(scenario, humidifier=Humidifier(float(value), 25.0, ()) if float(value) > 0 else None)


def humidifier_outage(scenario: Scenario, value: Any) -> Scenario:
    """The humidifier, of room or case, stands still for `value` weeks from 10 January after the last stay began."""
    climate, last = _now(scenario), scenario.stays[-1]
    case = None if climate.case is None else replace(climate.case, humidifier_pct=None, humidifier_months=())
    if climate.humidifier is None and case == climate.case:
        raise refusal(
            f'"{climate.title}" has no humidifier to fail. Needed: a place with a humidifier in the room or the case. '
            "Mend: pull the lever humidifier first"
        )
    out = replace(climate, humidifier=None, case=case)
    start = _january_after(last.start)
    back = start + timedelta(weeks=int(value))
    _in_the_years(scenario, start, "humidifier outage")
    return replace(scenario, stays=(*scenario.stays, Stay(start, out), Stay(back, climate)))


def _january_after(day: date) -> date:
    found = date(day.year, 1, 10)
    return found if found > day else date(day.year + 1, 1, 10)


def case(scenario: Scenario, value: Any) -> Scenario:
    """Kept in a closed case: False for none, True for the case it has or a hard one, a number for a case humidifier at
    that % all year."""
    if value is False or value is None:
        return _changed(scenario, case=None)
    kept: dict[str, Any] = (
        {} if value is True else {"humidifier_pct": float(value), "humidifier_months": tuple(range(1, 13))}
    )
    return _changed(scenario, case=replace(hard_case(), **kept))


def warming(scenario: Scenario, value: Any) -> Scenario:
    """Outdoor air of every stay `value` K warmer, its relative humidity moved for each K by the library's number."""
    stays = tuple(Stay(stay.start, _warmer(stay.climate, float(value))) for stay in scenario.stays)
    return replace(scenario, stays=stays)


def _warmer(climate: Climate, by_k: float) -> Climate:
    outdoor = climate.outdoor
    if outdoor is None:
        return climate
    drier_pct = -library.value("outdoor_humidity_per_kelvin") * by_k
    warm = replace(outdoor, warmer_k=outdoor.warmer_k + by_k, drier_pct=outdoor.drier_pct + drier_pct)
    return replace(climate, outdoor=warm)


def container() -> Climate:
    """The air of a dried shipping container, the same in every month."""
    warm = library.value("container_temperature")
    dry = library.value("container_relative_humidity")
    return Climate(
        name="dry_container",
        title="Dried shipping container (invented)",
        invented=True,
        outdoor=Outdoor(
            normals=Normals((warm,) * 12, (dry,) * 12, (8.0,) * 12, 1.0, 2.0, 3.0),
            year_to_year_sd_c=0.0,
            year_to_year_sd_pct=0.0,
        ),
    )


def shipping(scenario: Scenario, value: Any) -> Scenario:
    """Six weeks in a dried container from the date `value` (a date or ISO text), the strings left on; back after it."""
    start = value if isinstance(value, date) else date.fromisoformat(str(value))
    _in_the_years(scenario, start, "shipping")
    before = [stay for stay in scenario.stays if stay.start < start]
    after = [stay for stay in scenario.stays if stay.start >= start + timedelta(days=SHIPPING_DAYS)]
    held_up = [stay for stay in scenario.stays if start <= stay.start < start + timedelta(days=SHIPPING_DAYS)]
    home = (held_up or before)[-1].climate
    back = Stay(start + timedelta(days=SHIPPING_DAYS), home)
    return replace(scenario, stays=(*before, Stay(start, container()), back, *after))


def move(scenario: Scenario, value: Any) -> Scenario:
    """A move from a damp coast to a cold continent on the `value`-th 10 January after the last stay began."""
    first = _january_after(scenario.stays[-1].start)
    day = date(first.year + int(value) - 1, 1, 10)
    _in_the_years(scenario, day, "move")
    coast = place(scenario, "damp_coast")
    return replace(coast, stays=(*coast.stays, Stay(day, climate_named("cold_city_heated"))))


def _in_the_years(scenario: Scenario, day: date, lever: str) -> None:
    """Raises BadInput for a day that is not after set-up and before the horizon."""
    end = scenario_end(scenario)
    if not scenario.setup.setup < day < end:
        usual = 2 if lever == "move" else scenario.setup.setup + timedelta(days=180)
        raise refusal(
            f'the lever "{lever}" falls on {day}. Needed: a day after set-up ({scenario.setup.setup}) and before the '
            f'last of the years ({end}). Mend: --what-if "{lever}={usual}"'
        )
