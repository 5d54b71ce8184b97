"""The output folder: report, pictures, tables, data and the inputs used; written whole or not at all."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import numpy as np

from driftmodel.base import library
from driftmodel.base.opened import csv_text
from driftmodel.base.records import Scenario
from driftmodel.base.schema import Dataset
from driftmodel.report import figures, tables, texts, words
from driftmodel.report.ensemble import SERIES, Summary, summary_of
from driftmodel.report.folder import REPORT, drawn, render, write_whole


def write_report(
    fc: Dataset, scenario: Scenario, out_dir: str | Path, units: str = "metric", pictures: bool = True
) -> list[Path]:
    """Writes the whole report, with its pictures or without, and returns its paths.

    `units`: 'metric' or 'inch'. Raises BadInput as folder.check_folder does."""
    stale = [f"{name}.png" for name in texts.captions("forecast")]
    return write_whole(Path(out_dir), lambda folder: _fill(folder, fc, scenario, units, pictures), replaced=stale)


def _fill(folder: Path, fc: Dataset, scenario: Scenario, units: str, pictures: bool) -> None:
    brief = summary_of(fc, scenario)
    told = texts.captions("forecast")
    drawings = dict.fromkeys(told, "")
    if pictures:
        drawings |= drawn(folder, lambda: figures.all_figures(fc, scenario, brief, units), told)
    yearly = tables.yearly_frame(fc, units)
    frames = {"yearly": yearly, "monthly": tables.monthly_frame(fc, brief, units), "regrades": tables.regrade_frame(fc)}
    for name, frame in frames.items():
        (folder / f"{name}.csv").write_text(csv_text(frame), encoding="utf-8")
    (folder / "inputs.json").write_text(inputs_json(fc, scenario), encoding="utf-8")
    write_netcdf(fc, brief, folder / "forecast.nc")
    (folder / REPORT).write_text(page(fc, scenario, units, drawings, yearly), encoding="utf-8")


def page(fc: Dataset, scenario: Scenario, units: str, drawings: dict[str, str], yearly: Any) -> str:
    """The report as one HTML page: style and drawings inside, no script, nothing fetched."""
    return render(
        "report.html",
        fc=fc,
        scenario=scenario,
        drawings=drawings,
        version=fc.attrs["version"],
        captions=texts.captions("forecast"),
        story=words.story(fc, scenario, units),
        cautions=texts.cautions(),
        limits=[*texts.limits(), *words.bow_words(fc, units)],
        years=tables.year_table(yearly, units),
        grades=tables.grade_table(fc, units),
        inputs=tables.input_table(fc, scenario, units),
        sources=tables.source_table(fc),
        numbers=tables.number_table(fc, units),
        files=dict(list(texts.lies_in("forecast").items())[0 if any(drawings.values()) else 1 :]),
    )


def inputs_json(fc: Dataset, scenario: Scenario) -> str:
    """The full inputs as read, with what is needed to run them again: every number used, its source and standing."""
    run = {
        key: fc.attrs[key].item() if hasattr(fc.attrs[key], "item") else fc.attrs[key]
        for key in ("seed", "draws", "version", "created", "input_hash")
    }
    told: dict[str, Any] = {name: json.loads(fc.attrs[name]) for name in ("files", "numbers", "sources")}
    told["sources"] = {key: library.sources().get(key, {"reference": key}) for key in told["sources"]}
    return json.dumps({"run": run, **dict(scenario.raw), **told}, indent=2, default=str, ensure_ascii=False) + "\n"


def write_netcdf(fc: Dataset, brief: Summary, path: Path) -> None:
    """The forecast for machines: air and moisture daily, quantiles weekly, each draw's monthly means, regrades."""
    import xarray as xr

    data = fc.drop_vars(SERIES)
    data = data.assign_coords(
        week=("week", brief.week, {"long_name": "day the quantiles are taken at", "standard_name": "time"}),
        month=("month", brief.month_start.astype("datetime64[ns]"), {"long_name": "first day of the month meant"}),
    )
    series: dict[str, Any] = {}
    encoding: dict[str, dict[str, Any]] = {}
    packed = {"zlib": True, "complevel": 1, "shuffle": True}
    for name in SERIES:
        unit, long_name = fc[name].attrs["units"], fc[name].attrs["long_name"]
        series[name] = xr.Variable(("quantile", "week"), brief.bands[name], {"units": unit, "long_name": long_name})
        series[f"{name}_monthly"] = xr.Variable(
            ("draw", "month"),
            brief.monthly[name],
            {"units": unit, "long_name": f"{long_name}, mean of the month", "cell_methods": "time: mean"},
        )
        encoding[name] = packed | {"dtype": "float32"}
        scale = 0.0002 if unit == "degree" else 0.001
        encoding[f"{name}_monthly"] = packed | {"dtype": "int16", "scale_factor": scale, "_FillValue": -32768}
    data = data.assign(series)
    for name in ("air_temperature", "relative_humidity", "equilibrium_moisture_content", "moisture_content"):
        encoding[name] = packed | {"dtype": "float32"}
    for name in ("time", "week", "month"):
        encoding[name] = {"units": "days since 1970-01-01", "dtype": "int32"}
    for name in ("regrade_date", "regrade_due_date"):
        encoding[name] = {"units": "days since 1970-01-01", "dtype": "float64"}
    data["time"].attrs |= {"standard_name": "time", "long_name": "day, 00:00"}
    data["quantile"].attrs |= {"long_name": "quantile over the draws", "units": "1"}
    data.attrs = {key: np.float64(value) if isinstance(value, float) else value for key, value in fc.attrs.items()} | {
        "summary": "Forecast of a guitar's neck angle and action; quantiles over the draws, monthly means of each."
    }
    data.to_netcdf(path, engine="h5netcdf", encoding=encoding)
