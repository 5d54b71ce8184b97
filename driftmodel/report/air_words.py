"""An air history in words and in one figure: what was read, month by month, and how it stands for wood; and a room
fitted to it, in words and as a climate file."""

from __future__ import annotations

import os
from dataclasses import asdict
from pathlib import Path
from typing import Any

import numpy as np

from driftmodel.base.climate_file import OutdoorTable
from driftmodel.base.errors import Spot
from driftmodel.base.file_models import table_of
from driftmodel.base.records import Climate
from driftmodel.base.schema import CRACKS_PCT, DAMP_PCT, Dataset, Figure
from driftmodel.base.tomlfile import toml_text
from driftmodel.base.units import celsius_to_fahrenheit
from driftmodel.climate.history import historic_band, hours_outside, monthly_table, seasons
from driftmodel.climate.room_fit import UNTOLD, RoomFit, fit_logger
from driftmodel.outlook.draws import ROOM_WORDS
from driftmodel.report.folder import write_files
from driftmodel.report.pictures import blank, key_below, png
from driftmodel.report.texts import MONTHS, plain_text, wrapped


def air_summary(air: Dataset, units: str = "metric") -> str:
    """Plain text: span, steps, filled hours, months, season, historic band. `units` is 'metric' or 'inch'."""
    humidity, time, attrs = air["relative_humidity"].values, air["time"].values, air.attrs
    degrees, whole = celsius_to_fahrenheit if units == "inch" else float, seasons(air)
    dry, damp = hours_outside(humidity, CRACKS_PCT, DAMP_PCT)
    kinds = ("mean", "low", "high")

    def day(iso: str) -> str:
        year, month, number = iso.split("-")
        return f"{int(number)} {MONTHS[int(month) - 1]}" + ("" if attrs.get("typical_year") else f" {year}")

    told = plain_text(
        "air.txt",
        attrs=attrs,
        hours=time.size,
        span=(str(time[0])[:16], str(time[-1] + np.timedelta64(1, "h"))[:16]),
        filled=int(air["filled"].values.sum()),
        unit="°F" if units == "inch" else "°C",
        months=[
            (MONTHS[number - 1], [*(degrees(row[f"temperature_c_{kind}"]) for kind in kinds),
                                  *(row[f"relative_humidity_pct_{kind}"] for kind in kinds)])
            for number, row in monthly_table(air).items()
        ],
        mean=degrees(whole.mean_temperature_c),
        all=whole,
        day=day,
        outdoors=not attrs.get("room") and ("dew_point" in air or attrs.get("kind") == "synthetic"),
        band=historic_band(humidity),
        dry=dry, damp=damp, low=f"{CRACKS_PCT:.0f}", high=f"{DAMP_PCT:.0f}",
    )  # fmt: skip
    return wrapped(told)


def air_figure(air: Dataset, units: str = "metric") -> Figure:
    """Temperature above, humidity with its 30-day mean and historic band below; reads without colour."""
    from matplotlib import dates

    time = air["time"].values
    humidity, temperature = air["relative_humidity"].values, air["air_temperature"].values
    if units == "inch":
        temperature = temperature * 1.8 + 32.0
    band = historic_band(humidity)
    step = max(1, time.size // 4000)
    shown = slice(None, None, step)
    figure, (upper, lower) = blank(9.0, 5.5, 2, 1, sharex=True, height_ratios=[1, 2])
    upper.plot(time[shown], temperature[shown], color="0.35", linewidth=0.6)
    upper.set_ylabel(f"Air temperature (°{'F' if units == 'inch' else 'C'})")
    if "relative_humidity_p10" in air:
        low, high = (air[f"relative_humidity_{point}"].values[shown] for point in ("p10", "p90"))
        lower.fill_between(time[shown], low, high, color="0.88", linewidth=0, label="8 houses in 10 like this one")
    lower.plot(time[shown], humidity[shown], color="0.6", linewidth=0.5, label="hourly")
    lower.plot(time[shown], band.seasonal_cycle[shown], color="black", linewidth=1.8, label="30-day mean")
    lower.plot(time[shown], band.low[shown], color="black", linewidth=1.0, linestyle="--", label="historic band")
    lower.plot(time[shown], band.high[shown], color="black", linewidth=1.0, linestyle="--")
    filled = air["filled"].values > 0
    if filled.any():
        at = np.flatnonzero(filled)[:: max(1, int(filled.sum()) // 2000)]
        lower.plot(time[at], humidity[at], linestyle="none", marker="x", markersize=4, color="0.2", label="filled")
    lower.set_ylim(0, 100)
    lower.set_ylabel("Relative humidity (%)")
    if air.attrs.get("typical_year"):
        lower.xaxis.set_major_locator(dates.MonthLocator())  # type: ignore[no-untyped-call]
        lower.xaxis.set_major_formatter(dates.DateFormatter("%b"))  # type: ignore[no-untyped-call]
        lower.set_xlabel("Typical year")
    else:
        locator = dates.AutoDateLocator()  # type: ignore[no-untyped-call]
        lower.xaxis.set_major_locator(locator)
        lower.xaxis.set_major_formatter(dates.ConciseDateFormatter(locator))  # type: ignore[no-untyped-call]
        lower.set_xlabel("Time (UTC)")
    key_below(figure, 4)
    return figure


def write_air_figure(air: Dataset, folder: Path, units: str = "metric") -> Path:
    """Writes air.png into `folder` (made if need be) and returns its path. Raises BadInput where it cannot."""
    return write_files(folder, {"air.png": png(lambda: air_figure(air, units))})[0]


def air_csv(air: Dataset) -> str:
    """The air as CSV: time, temperature_degc, relative_humidity_pct, filled; with drawn rooms the 10 and 90 % points.

    Stamps begin the hour and are UTC (Z); a typical year has no year and no zone: its clock on the calendar of 2001."""
    import pandas as pd

    columns = {"temperature_degc": "air_temperature", "relative_humidity_pct": "relative_humidity"}
    for point in ("p10", "p90"):
        if f"relative_humidity_{point}" in air:
            columns |= {f"temperature_{point}_degc": f"air_temperature_{point}",
                        f"relative_humidity_{point}_pct": f"relative_humidity_{point}"}  # fmt: skip
    zone = "" if air.attrs.get("typical_year") or air.attrs.get("kind") == "synthetic" else "Z"
    stamps = np.char.add(np.datetime_as_string(air["time"].values, unit="m"), zone)
    values = {name: air[variable].values for name, variable in columns.items()}
    frame = pd.DataFrame({"time": stamps, **values, "filled": air["filled"].values.astype(int)})
    return frame.to_csv(index=False, lineterminator="\n", float_format="%.2f")


def air_json(air: Dataset) -> dict[str, Any]:
    """The summary's numbers for machines: metric, percent, keys with their units."""
    humidity = air["relative_humidity"].values
    band, time = historic_band(humidity), air["time"].values
    below, above = hours_outside(humidity, CRACKS_PCT, DAMP_PCT)
    return {
        "read": {key: value for key, value in air.attrs.items() if isinstance(value, str | int | float)},
        "first_hour": str(time[0])[:16],
        "last_hour": str(time[-1])[:16],
        "hours": int(time.size),
        "filled_hours": int(air["filled"].values.sum()),
        "months": {MONTHS[number - 1].lower(): row for number, row in monthly_table(air).items()},
        "seasons": asdict(seasons(air)),
        "hours_below_30_pct": below,
        "hours_above_70_pct": above,
        "historic_band_pct": {
            "found_low": band.fluctuation_low,
            "found_high": band.fluctuation_high,
            "low": min(band.fluctuation_low, -10.0),
            "high": max(band.fluctuation_high, 10.0),
            "record_long_enough": band.long_enough,
        },
    }


def room_fit(climate: Climate, logged: Dataset) -> RoomFit:
    """The climate's room fitted to a logger. Raises BadInput for a climate without outdoor air and room."""
    if climate.room is None or climate.outdoor is None:
        raise Spot(climate.file or None, "[room]").refusal(
            "no [room] in outdoor air to fit. Needed: a climate file with [outdoor] and [room]. "
            "Mend: add the line  [room]"
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
    humid = np.array([reading.humidity for reading in fit.readings])
    return plain_text(
        "fit.txt",
        days=int(humid.sum()),
        rows=[(ROOM_WORDS[name], shown[name], left) for name, left in fit.left.items()],
        untold=UNTOLD,
        kinds=[("relative humidity", "%", fit.residuals[humid]), ("temperature", "K", fit.residuals[~humid])],
    )


def fitted_climate_text(climate: Climate, folder: Path) -> str:
    """A climate file for the fitted room, its outdoor air named as seen from `folder`."""
    room, outdoor = climate.room, climate.outdoor
    assert room is not None and outdoor is not None
    air = table_of(outdoor, OutdoorTable)
    air |= {
        name: Path(os.path.relpath(climate.beside(air[name]), folder)).as_posix()
        for name in ("weather_file", "logger_file") if name in air
    }  # fmt: skip
    plain = ("excess_cold_g_m3", "excess_warm_g_m3", "volume_m3", "air_changes_per_hour", "summer_warmth")
    fitted = {name: getattr(room, name) for name in plain} | {
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
