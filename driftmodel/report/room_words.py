"""A fitted room in words and as a climate file: what the logger told, how well it fits, and what it could not tell."""

from __future__ import annotations

import os
from pathlib import Path

import numpy as np

from driftmodel.base.climate_file import OutdoorTable
from driftmodel.base.errors import BadInput
from driftmodel.base.file_models import table_of
from driftmodel.base.records import Climate
from driftmodel.base.tomlfile import toml_text
from driftmodel.base.types import Dataset
from driftmodel.climate.room_fit import UNTOLD, RoomFit, fit_logger
from driftmodel.outlook.draws import ROOM_WORDS


def room_fit(climate: Climate, logged: Dataset) -> RoomFit:
    """The climate's room fitted to a logger. Raises BadInput for a climate without outdoor air and room."""
    if climate.room is None or climate.outdoor is None:
        raise BadInput(
            "no [room] in outdoor air to fit",
            "a climate file with [outdoor] and [room]",
            file=climate.file or None,
            place="[room]",
            mend="add the line  [room]",
        )
    return fit_logger(climate, logged)


def fit_words(fit: RoomFit) -> str:
    """What was fitted, its residuals, and what so short a record could not tell."""
    room = fit.climate.room
    assert room is not None
    shown = {
        "excess_cold": f"{room.excess_cold_g_m3:.2f} g/m3 over outdoors",
        "excess_warm": f"{room.excess_warm_g_m3:.2f} g/m3 over outdoors",
        "summer_warmth": f"{room.summer_warmth:.2f} times the usual",
        "heating_set_point": "" if room.heating_setpoint_c is None else f"{room.heating_setpoint_c:.1f} °C",
    }
    lines = [f"Room fitted to {sum(reading.humidity for reading in fit.readings)} days of the logger:"]
    for name, left in fit.left.items():
        told = "not told by this record" if left > UNTOLD else f"{100 * left:.0f} % of the doubt is left"
        lines.append(f"  {ROOM_WORDS[name]:58} {shown[name]:26} {told}")
    for humidity, words, unit in ((True, "relative humidity", "%"), (False, "temperature", "K")):
        off = fit.residuals[[reading.humidity == humidity for reading in fit.readings]]
        lines.append(
            f"Daily {words}: measured less fitted {off.mean():+.1f} {unit} on average, scatter {off.std():.1f} {unit}, "
            f"most {np.abs(off).max():.1f} {unit}"
        )
    untold = [ROOM_WORDS[name] for name, left in fit.left.items() if left > UNTOLD]
    if untold:
        lines.append("Could not be told, and stays as uncertain as among houses: " + "; ".join(untold))
    return "\n".join(lines)


def fitted_climate_text(climate: Climate, folder: Path) -> str:
    """A climate file for the fitted room, its outdoor air named as seen from `folder`."""
    room, outdoor = climate.room, climate.outdoor
    assert room is not None and outdoor is not None
    air = table_of(outdoor, OutdoorTable)
    air |= {
        name: Path(os.path.relpath(climate.beside(air[name]), folder)).as_posix()
        for name in ("weather_file", "logger_file") if name in air
    }  # fmt: skip
    fitted = {
        "excess_cold_g_m3": room.excess_cold_g_m3,
        "excess_warm_g_m3": room.excess_warm_g_m3,
        "volume_m3": room.volume_m3,
        "air_changes_per_hour": room.air_changes_per_hour,
        "summer_warmth": room.summer_warmth,
        "heated": False if room.heating_setpoint_c is None else None,
        "heating_setpoint_degc": room.heating_setpoint_c,
        "cooling_setpoint_degc": room.cooling_setpoint_c,
        "dehumidified_to_pct": room.dehumidified_to_pct,
        "night_setback_k": room.night_setback_k or None,
        "log_sd": {name: round(sd, 3) for name, sd in room.log_sd},
    }
    return toml_text({
        "title": f"{climate.title} (room fitted to a logger)",
        "invented": climate.invented,
        "outdoor": air,
        "room": {key: round(value, 3) if isinstance(value, float) else value for key, value in fitted.items()},
        "humidifier": climate.humidifier and table_of(climate.humidifier),
        "case": climate.case and table_of(climate.case),
    })  # fmt: skip
