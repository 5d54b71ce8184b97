"""The output folder: report, pictures, tables (also as rows for CSV), data and the inputs used; written whole or not
at all."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import numpy as np

from driftmodel.base import library
from driftmodel.base.build import Plate
from driftmodel.base.opened import csv_text
from driftmodel.base.records import Scenario
from driftmodel.base.schema import DAYS_SINCE, QUANTILES, DataFrame, Dataset
from driftmodel.base.units import MM_PER_INCH, NEWTON_PER_POUND_FORCE, length_words, temperature_words
from driftmodel.outlook.calendar import ahead_years
from driftmodel.report import figures, texts, words
from driftmodel.report.ensemble import SERIES, Summary, length_scale, summary_of
from driftmodel.report.folder import made_by, write_page, write_whole
from driftmodel.report.texts import Table, filled, signed_length, table


def yearly_frame(fc: Dataset, units: str) -> DataFrame:
    """A row a year: action (mean over the year, 10, 50 and 90 % over the draws), its lasting and seasonal parts,
    projection's lasting part, chance a regrade is due by the end of it. Lengths in the columns' unit."""
    import pandas as pd

    factor, unit, _ = length_scale(units)
    time = fc["time"].values
    year = np.minimum(((time - time[0]) / np.timedelta64(1, "D") / 365.25).astype(int), fc.sizes["year"] - 1)
    first = np.flatnonzero(np.diff(year, prepend=-1))
    ends = np.append(first[1:], time.size)
    days = (ends - first).astype(np.float32)
    columns: dict[str, Any] = {
        "year": fc["year"].values,
        "from": [str(time[at])[:10] for at in first],
        "to": [str(time[at - 1])[:10] for at in ends],
    }
    for name, column in (
        ("action_12th", "action_12th"),
        ("action_change_lasting", "action_lasting_change"),
        ("projection_change_lasting", "projection_lasting_change"),
    ):
        means = np.add.reduceat(fc[name].values, first, axis=1) / days
        for quantile, row in zip((10, 50, 90), np.quantile(means, QUANTILES, axis=0), strict=True):
            columns[f"{column}_p{quantile}_{unit}"] = (row * factor).round(4)
    season = fc["action_change_seasonal"].values
    swing = np.stack([np.median(np.ptp(season[:, at:to:7], axis=1)) for at, to in zip(first, ends, strict=True)])
    columns[f"action_season_swing_p50_{unit}"] = (swing * factor).round(4)
    columns["chance_regrade_due_by_end_pct"] = (100 * fc["regrade_due"].values).round(1)
    return pd.DataFrame(columns)


def monthly_frame(fc: Dataset, brief: Summary, units: str) -> DataFrame:
    """A row a calendar month: mean air, moisture of each part, quantiles over the draws of every movement."""
    import pandas as pd

    factor, unit, _ = length_scale(units)
    first = np.searchsorted(fc["time"].values, brief.month_start.astype("datetime64[ns]"))
    days = np.diff(np.append(first, fc.sizes["time"]))

    def mean(values: Any) -> Any:
        return np.add.reduceat(values, first) / days

    warm = mean(fc["air_temperature"].values)
    columns: dict[str, Any] = {
        "month": [str(each) for each in brief.month_start],
        "relative_humidity_mean_pct": mean(fc["relative_humidity"].values).round(1),
        f"air_temperature_mean_{'degf' if units == 'inch' else 'degc'}": (
            warm * 1.8 + 32.0 if units == "inch" else warm
        ).round(1),
    }
    for row, part in enumerate(fc["part"].values):
        columns[f"{part}_moisture_content_mean_pct"] = mean(fc["moisture_content"].values[row]).round(2)
    for name, values in brief.monthly.items():
        turns = name.startswith("neck_rotation")
        for quantile, line in zip((10, 50, 90), np.quantile(values, QUANTILES, axis=0), strict=True):
            columns[f"{name}_p{quantile}_{'deg' if turns else unit}"] = (line * (1.0 if turns else factor)).round(4)
    return pd.DataFrame(columns)


def regrade_frame(fc: Dataset) -> DataFrame:
    """A row a regrade: draw, occasion, date due, spacer then fitted (empty where none of the set mends it)."""
    import pandas as pd

    draw, occasion = np.nonzero(~np.isnat(fc["regrade_date"].values))
    return pd.DataFrame(
        {
            "draw": draw,
            "occasion": occasion + 1,
            "date_due": [str(each)[:10] for each in fc["regrade_date"].values[draw, occasion]],
            "spacer": fc["regrade_grade"].values[draw, occasion],
        }
    )


def year_table(yearly: DataFrame, units: str) -> Table:
    """The yearly frame for reading; every year up to ten, then every other one."""
    _, unit, digits = length_scale(units)
    rows = []
    for row in yearly.to_dict("records"):
        if len(yearly) > 10 and row["year"] > 5 and row["year"] % 5 and row["year"] != len(yearly):
            continue
        cells = [str(row["year"])]
        for name, sign in (("action_12th", ""), ("action_lasting_change", "+")):
            low, middle, high = (f"{row[f'{name}_p{point}_{unit}']:{sign}.{digits}f}" for point in (10, 50, 90))
            cells.append(f"{middle} ({low} to {high})".replace("-", "\N{MINUS SIGN}"))
        cells += [f"{row[f'action_season_swing_p50_{unit}']:.{digits}f}", f"{row['chance_regrade_due_by_end_pct']:.0f}"]
        rows.append(cells)
    return table("years", rows, unit=unit)


def grade_table(fc: Dataset, units: str) -> Table:
    """The spacer set: taper, angle, intonation against the fitted one, chance at the first and second regrade."""
    rows = []
    chances = fc["grade_probability"].values
    second = fc.sizes["occasion"] > 1 and float(fc["occasion_probability"].values[1]) >= 0.005
    for at, label in enumerate(fc["grade"].values):
        turn, cents = float(fc["grade_rotation"].values[at]), float(fc["grade_cents"].values[at])
        fitted = " (fitted)" if label == fc.attrs["fitted_grade"] else ""
        row = [f"{label}{fitted}", signed_length(float(fc["grade_taper"].values[at]), units), _signed(turn)]
        row += [_signed(cents), f"{100 * chances[0, at]:.0f}"]
        rows.append([*row, f"{100 * chances[1, at]:.0f}"] if second else row)
    return table("spacers_at_both" if second else "spacers", rows)


def _signed(value: float) -> str:
    words = f"{value:+.2f}".replace("-", "\N{MINUS SIGN}")
    return words[1:] if round(value, 2) == 0 else words


def input_table(fc: Dataset, scenario: Scenario, units: str) -> Table:
    """The guitar, its place, the rule and the set-up in words."""

    def length(value_mm: float, digits: int = 2) -> str:
        return length_words(value_mm, units, digits)

    guitar, setup, rule = scenario.instrument, scenario.setup, scenario.rule
    body, neck = guitar.body, guitar.neck
    rows = [
        ("Guitar", guitar.title),
        ("Top", _plate(body.top, units)),
        ("Back", _plate(body.back, units)),
        ("Sides", f"{body.sides.wood}, {length(body.sides.thickness_mm, 1)} thick"),
        ("Neck", f"{neck.wood}; fingerboard {neck.fingerboard_wood}, {length(neck.fingerboard_thickness_mm, 1)}"),
        ("Bridge", f"{body.bridge.wood}; bridge plate {body.bridge.plate_wood}"),
        ("Scale and join", f"{length(guitar.strings.scale_mm, 0)} scale, body join at fret {guitar.body_fret}"),
        ("Strings", _strings(scenario, units)),
    ]
    rows += [(f"Place from {stay.start.isoformat()}", stay.climate.title) for stay in scenario.stays]
    rows += [(f"Strings {'on' if event.strings_on else 'slack'}", event.start.isoformat()) for event in scenario.events]
    rows += [
        ("Body closed in", filled("closed_in", of=setup, at=temperature_words(setup.built_temperature_c, units))),
        ("Strung, set up", f"{setup.strung.isoformat()}, {setup.setup.isoformat()}"),
        ("Set-up", filled("set_up_as", units, of=setup)),
        *((f"Work on {one.day.isoformat()}", one.words or f"spacer {one.spacer}") for one in scenario.work),
        *([("Counted from", scenario.today.isoformat())] if scenario.today else []),
        ("Rule: a regrade is due", filled("rule_of_regrade", units, of=rule)),
        ("Runs", f"{fc.attrs['draws']}, seed {fc.attrs['seed']}, over {ahead_years(scenario)} years"),
    ]
    return table("inputs", rows)


def _plate(plate: Plate, units: str) -> str:
    cut = "quarter-sawn" if plate.ring_angle_deg < 30 else "flat-sawn" if plate.ring_angle_deg > 60 else "rift-sawn"
    woods = " and ".join(dict.fromkeys(brace.wood for brace in plate.braces))
    return filled("plate", units, of=plate, cut=cut, braces=len(plate.braces), woods=woods)


def _strings(scenario: Scenario, units: str) -> str:
    strings, inch = scenario.instrument.strings, units == "inch"
    if strings.tension_n is not None:
        pull, unit = (strings.tension_n / NEWTON_PER_POUND_FORCE, "lbf") if inch else (strings.tension_n, "N")
        return f"{pull:.0f} {unit} of pull in all"
    factor, digits, unit = (1.0, 3, "in") if inch else (MM_PER_INCH, 2, "mm")
    gauges = ", ".join(f"{gauge * factor:.{digits}f}" for gauge in strings.gauges_in)
    return f"{gauges} {unit}, tuned {' '.join(strings.pitches)}"


def source_table(fc: Dataset) -> Table:
    """The published and unpublished sources of the numbers used."""
    known = {key: library.sources().get(key, {}) for key in json.loads(fc.attrs["sources"])}
    return table("sources", [(one.get("reference", key), one.get("kind", "")) for key, one in known.items()])


def number_table(fc: Dataset, units: str) -> Table:
    """Every number the forecast was made with, with its spread, source and standing; sources by their keys."""
    rows = []
    for name, number in json.loads(fc.attrs["numbers"]).items():
        inches = units == "inch" and number["unit"] == "mm"
        factor, unit = (1.0 / MM_PER_INCH, "in") if inches else (1.0, number["unit"])
        kind, spread = number["spread_kind"], number["spread"] * (factor if number["spread_kind"] == "sd" else 1.0)
        words = {"sd": f"± {spread:.3g}", "cv_pct": f"± {spread:.3g} %", "factor": f"times or over {spread:.3g}"}[kind]
        size = number["value"]
        value = size if isinstance(size, str) else f"{size * factor:.4g} {'' if unit == '1' else unit}".strip()
        rows.append((name.replace("_", " "), value, words if spread else "", number["status"], number["source"]))
    return table("numbers", rows)


def write_report(
    fc: Dataset, scenario: Scenario, out_dir: str | Path, units: str = "metric", pictures: bool = True
) -> list[Path]:
    """Writes the whole report, with its pictures or without, and returns its paths.

    `units`: 'metric' or 'inch'. Raises BadInput as folder.check_folder does."""
    stale = [f"{name}.png" for name in texts.captions("forecast")]
    return write_whole(Path(out_dir), lambda folder: _fill(folder, fc, scenario, units, pictures), replaced=stale)


def _fill(folder: Path, fc: Dataset, scenario: Scenario, units: str, pictures: bool) -> None:
    brief = summary_of(fc, scenario)
    yearly = yearly_frame(fc, units)
    frames = {"yearly": yearly, "monthly": monthly_frame(fc, brief, units), "regrades": regrade_frame(fc)}
    for name, frame in frames.items():
        (folder / f"{name}.csv").write_text(csv_text(frame), encoding="utf-8")
    (folder / "inputs.json").write_text(inputs_json(fc, scenario), encoding="utf-8")
    write_netcdf(fc, brief, folder / "forecast.nc")
    files, attrs, story = texts.lies_in("forecast"), fc.attrs, words.story(fc, scenario, units)
    invented = ("Guitar and place are invented, for demonstration.",) if scenario.invented else ()
    write_page(
        folder,
        "forecast",
        lambda: figures.all_figures(fc, scenario, brief, units) if pictures else {},
        files=files if pictures else dict(list(files.items())[1:]),
        over=f"Neck angle forecast, {scenario.horizon_years} years",
        title=scenario.title,
        under=(scenario.summary, *invented),
        mood=attrs["verdict"],
        head=story["headline"],
        lead=story["lead"],
        facts=[
            ("When", story["when"]),
            ("Which spacer", story["grade"]),
            ("What comes back", story["comes_back"]),
            ("What the place does", story["place"]),
            ("What does not come back", story["stays"]),
        ],
        limits=[*texts.limits(), *words.bow_words(fc, units), *story["notes"]],
        foot=made_by(
            f"seed {attrs['seed']}, {attrs['draws']} runs; inputs {attrs['input_hash'][:12]}", attrs["created"]
        ),
        story=story,
        draws=attrs["draws"],
        years=year_table(yearly, units),
        grades=grade_table(fc, units),
        inputs=input_table(fc, scenario, units),
        sources=source_table(fc),
        numbers=number_table(fc, units),
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
    packed = {"zlib": True, "complevel": 1, "shuffle": True}
    daily = ("air_temperature", "relative_humidity", "equilibrium_moisture_content", "moisture_content")
    encoding: dict[str, dict[str, Any]] = {name: packed | {"dtype": "float32"} for name in (*SERIES, *daily)}
    for name in SERIES:
        unit, long_name = fc[name].attrs["units"], fc[name].attrs["long_name"]
        series[name] = xr.Variable(("quantile", "week"), brief.bands[name], {"units": unit, "long_name": long_name})
        means = {"units": unit, "long_name": f"{long_name}, mean of the month", "cell_methods": "time: mean"}
        series[f"{name}_monthly"] = xr.Variable(("draw", "month"), brief.monthly[name], means)
        scale = 0.0002 if unit == "degree" else 0.001
        encoding[f"{name}_monthly"] = packed | {"dtype": "int16", "scale_factor": scale, "_FillValue": -32768}
    data = data.assign(series)
    dates = {
        "time": "int32",
        "week": "int32",
        "month": "int32",
        "regrade_date": "float64",
        "regrade_due_date": "float64",
    }
    encoding |= {name: {"units": DAYS_SINCE, "dtype": kind} for name, kind in dates.items()}
    data["time"].attrs |= {"standard_name": "time", "long_name": "day, 00:00"}
    data["quantile"].attrs |= {"long_name": "quantile over the draws", "units": "1"}
    data.attrs = {key: np.float64(value) if isinstance(value, float) else value for key, value in fc.attrs.items()} | {
        "summary": "Forecast of a guitar's neck angle and action; quantiles over the draws, monthly means of each."
    }
    data.to_netcdf(path, engine="h5netcdf", encoding=encoding)
