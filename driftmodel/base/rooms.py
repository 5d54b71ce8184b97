"""A room as its owner describes it becomes numbers: what is not said is the median house's, from species_data."""

from __future__ import annotations

import re
from pathlib import Path

from driftmodel.base import library
from driftmodel.base.climate_file import ROOM_UNKNOWNS, Humidifier, RoomFile
from driftmodel.base.errors import Spot, near_match, near_matches
from driftmodel.base.records import Room
from driftmodel.base.tomlfile import place_words, read_toml

#: homes a [room] may name; the stem of their numbers in species_data/home.toml is the same in underscores
HOMES = ("detached house", "heated flat", "air-conditioned home", "open-window tropics", "held workshop")
#: quantity of a home -> key of a [room]
_KEYS = {
    "excess_cold": "excess_cold_g_m3",
    "excess_warm": "excess_warm_g_m3",
    "volume": "volume_m3",
    "air_changes": "air_changes_per_hour",
    "heating_set_point": "heating_setpoint_degc",
    "cooling_set_point": "cooling_setpoint_degc",
    "dehumidified_to": "dehumidified_to_pct",
    "heated": "heated",
}


def home_numbers(home: str, file: Path) -> dict[str, float]:
    """What is known of a home by its words, quantity -> value. Raises BadInput for a home that is not known."""
    plain = " ".join(home.lower().split())
    if plain not in HOMES:
        known, near = ", ".join(HOMES), [*near_matches(home, HOMES), HOMES[0]][0]
        raise Spot(file, place_words(read_toml(file)[1], ("room", "home"))).refusal(
            f'unknown home "{home}".{near_match(home, HOMES)} Needed: one of {known}. Mend: home = "{near}"'
        )
    start = f"home_{re.sub('[ -]', '_', plain)}_"
    names = [name for name in library.general_names() if name.startswith(start)]
    return {name.removeprefix(start): library.value(name) for name in names}


def home_humidifier(data: RoomFile, file: Path) -> Humidifier | None:
    """The humidifier that belongs to a home, if it has one."""
    known = {} if data.home is None else home_numbers(data.home, file)
    if "humidifier_set_point" not in known:
        return None
    return Humidifier(known["humidifier_set_point"], known["humidifier_capacity"], ())


def _with_home(data: RoomFile, file: Path) -> RoomFile:
    """The room with what its home is known for filled in where the file says nothing."""
    if data.home is None:
        return data
    given = {}
    for quantity, value in home_numbers(data.home, file).items():
        key = _KEYS.get(quantity)
        if key is not None and getattr(data, key) is None:
            given[key] = bool(value) if key == "heated" else value
    return data.model_copy(update=given)


def room_of(data: RoomFile, file: Path) -> Room:
    """The room of a climate file.

    Excess E, air changes n, volume V and the household's water G hang together, E = G / (n V). Two of the last three
    give what is not said from the median house; an excess alone is taken to come half from more water, half from less
    air. Raises BadInput where heating and cooling cross."""
    said = data
    data = _with_home(data, file)
    median = {key: library.value(f"room_{key}") for key in ("excess_cold", "excess_warm", "air_changes")}
    made = library.value("moisture_production_house")
    size = made / 24.0 * 1000.0 / (median["air_changes"] * median["excess_cold"])
    volume = size if data.volume_m3 is None else data.volume_m3
    air, source, excess = data.air_changes_per_hour, data.moisture_source_kg_per_day, data.excess_cold_g_m3
    if excess is None and (air is not None or source is not None):
        air = median["air_changes"] if air is None else air
        excess = (made if source is None else source) / 24.0 * 1000.0 / (air * volume)
    excess = median["excess_cold"] if excess is None else excess
    if air is None and source is not None and excess > 0.0:
        air = source / 24.0 * 1000.0 / (excess * volume)
    elif air is None:
        air = median["air_changes"] * (median["excess_cold"] / max(excess, 0.1)) ** 0.5
    heated = data.heated is not False
    warm = data.excess_warm_g_m3
    if warm is None:
        warm = median["excess_warm"] * excess / median["excess_cold"]
    heating = library.value("room_heating_set_point") if data.heating_setpoint_degc is None else None
    set_point = None if not heated else data.heating_setpoint_degc if heating is None else heating
    if set_point is not None and data.cooling_setpoint_degc is not None and set_point >= data.cooling_setpoint_degc:
        raise Spot(file, place_words(read_toml(file)[1], ("room", "cooling_setpoint_degc"))).refusal(
            f"cooled to {data.cooling_setpoint_degc:g} degC, and heated to {set_point:g} degC as nothing else is "
            "said. Needed: a heating set point below the cooling set point. "
            f"Mend: heating_setpoint_degc = {data.cooling_setpoint_degc - 2.0:g}, or heated = false"
        )
    figures = (said.excess_cold_g_m3, said.air_changes_per_hour, said.moisture_source_kg_per_day)
    says_excess = any(figure is not None for figure in figures)
    known = {
        "excess_cold": "room_excess_stated" if says_excess else None,
        "excess_warm": "room_excess_stated" if said.excess_warm_g_m3 is not None else None,
        "heating_set_point": "room_set_point_stated" if said.heating_setpoint_degc is not None else None,
    }
    return Room(
        excess_cold_g_m3=excess,
        excess_warm_g_m3=warm,
        volume_m3=volume,
        air_changes_per_hour=air,
        heating_setpoint_c=set_point,
        cooling_setpoint_c=data.cooling_setpoint_degc,
        dehumidified_to_pct=data.dehumidified_to_pct,
        summer_warmth=1.0 if data.summer_warmth is None else data.summer_warmth,
        night_setback_k=data.night_setback_k or 0.0,
        log_sd=tuple(
            (name, data.log_sd.get(name, library.general(known.get(name) or number).log_sd))
            for name, number in ROOM_UNKNOWNS.items()
        ),
        seen=tuple(data.seen),
    )
