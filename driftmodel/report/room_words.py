"""A fitted room in words and as a climate file: what the logger told, how well it fits, and what it could not tell."""

from __future__ import annotations

import os
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np

from driftmodel.base.climate_file import Logger
from driftmodel.base.errors import BadInput
from driftmodel.base.records import Climate
from driftmodel.climate.room_fit import UNTOLD, RoomFit, fit_logger
from driftmodel.outlook.draws import ROOM_WORDS

if TYPE_CHECKING:
    from xarray import Dataset


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
    lines = [f'title = "{climate.title} (room fitted to a logger)"', f"invented = {str(climate.invented).lower()}"]
    lines += ["[outdoor]", *_outdoor_lines(climate, folder)]
    lines += [
        "[room]",
        f"excess_cold_g_m3 = {room.excess_cold_g_m3:.3f}",
        f"excess_warm_g_m3 = {room.excess_warm_g_m3:.3f}",
        f"volume_m3 = {room.volume_m3:.1f}",
        f"air_changes_per_hour = {room.air_changes_per_hour:.3f}",
        f"summer_warmth = {room.summer_warmth:.3f}",
    ]
    lines.append(
        "heated = false"
        if room.heating_setpoint_c is None
        else f"heating_setpoint_degc = {room.heating_setpoint_c:.2f}"
    )
    for key, value in (
        ("cooling_setpoint_degc", room.cooling_setpoint_c),
        ("dehumidified_to_pct", room.dehumidified_to_pct),
        ("night_setback_k", room.night_setback_k or None),
    ):
        if value is not None:
            lines.append(f"{key} = {value:.1f}")
    spreads = ", ".join(f"{name} = {sd:.3f}" for name, sd in room.log_sd)
    lines.append(f"log_sd = {{ {spreads} }}")
    wet, case = climate.humidifier, climate.case
    if wet is not None:
        lines += ["[humidifier]", f"setpoint_pct = {wet.setpoint_pct:.1f}",
                  f"capacity_l_per_day = {wet.capacity_l_per_day:.1f}", f"months = {list(wet.months)}"]  # fmt: skip
    if case is not None:
        lines.append("[case]")
        lines.append(f"half_time_days = {case.half_time_days:.2f}")
        lines.append(f"out_of_case_share = {case.out_of_case_share:.3f}")
        lines.append(f"leaky = {str(case.leaky).lower()}")
        if case.humidifier_pct is not None:
            lines.append(f"humidifier_pct = {case.humidifier_pct:.1f}")
            lines.append(f"humidifier_months = {list(case.humidifier_months)}")
    return "\n".join(lines) + "\n"


def _outdoor_lines(climate: Climate, folder: Path) -> list[str]:
    outdoor = climate.outdoor
    assert outdoor is not None

    def seen_from(name: str) -> str:
        return Path(os.path.relpath(climate.beside(name), folder)).as_posix()

    if outdoor.weather_file is not None:
        lines = [f'weather_file = "{seen_from(outdoor.weather_file)}"']
        if outdoor.gap_policy is not None:
            lines.append(f'gap_policy = "{outdoor.gap_policy}"')
    elif outdoor.logger is not None:
        lines = [f'logger_file = "{seen_from(outdoor.logger.file)}"', *_logger_lines(outdoor.logger)]
    else:
        normals = outdoor.normals
        assert normals is not None
        lines = [
            f"year_to_year_sd_k = {outdoor.year_to_year_sd_c}",
            f"year_to_year_sd_pct = {outdoor.year_to_year_sd_pct}",
            "[outdoor.normals]",
            f"temperature_degc = {list(normals.temperature_c)}",
            f"relative_humidity_pct = {list(normals.relative_humidity_pct)}",
            f"daily_range_degc = {list(normals.daily_range_c)}",
            f"day_to_day_sd_k = {normals.day_to_day_sd_c}",
            f"day_to_day_sd_pct = {normals.day_to_day_sd_pct}",
            f"persistence_days = {normals.persistence_days}",
        ]
        return lines
    return [*lines, f"year_to_year_sd_k = {outdoor.year_to_year_sd_c}",
            f"year_to_year_sd_pct = {outdoor.year_to_year_sd_pct}"]  # fmt: skip


def _logger_lines(logger: Logger) -> list[str]:
    lines = []
    if logger.columns:
        lines.append("columns = { " + ", ".join(f'{role} = "{name}"' for role, name in logger.columns) + " }")
    if logger.time_zone is not None:
        lines.append(f'time_zone = "{logger.time_zone}"')
    if logger.day_first is not None:
        lines.append(f"day_first = {str(logger.day_first).lower()}")
    if logger.gap_policy is not None:
        lines.append(f'gap_policy = "{logger.gap_policy}"')
    lines.append(f"gap_limit_days = {float(logger.gap_limit_days)}")
    return [*lines, f"repeat_years = {str(logger.repeat_years).lower()}"]
