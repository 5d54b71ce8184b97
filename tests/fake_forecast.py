"""An invented forecast for the tests of the report: shaped like a real one, with numbers that can be told by hand.

Nothing in it comes from wood or weather. The season is a sine of one year that peaks in July, the lasting part grows
with the square root of time, each draw by its own factor, evenly spaced from 0.5 to 1.5.
"""

from __future__ import annotations

import json
from typing import Any

import numpy as np
import xarray as xr

from driftmodel.base import schema
from driftmodel.base.records import Scenario
from driftmodel.outlook.calendar import forecast_time
from driftmodel.outlook.place import BetterAir, air_attrs

SEASON_MM = 0.25  # half the season's swing of the action
LASTING_MM = 0.4  # lasting rise of the action of the middle draw at the end of the horizon
UNKNOWNS = {"set gain": 0.62, "how much the wood creeps": 0.21, "the strings' pull": 0.07, "the rest": 0.10}


def growth(draws: int) -> np.ndarray[Any, np.dtype[np.float32]]:
    """The factor on the lasting part of each draw, (draws, 1)."""
    return np.linspace(0.5, 1.5, draws, dtype=np.float32)[:, None]


def fake_forecast(scenario: Scenario, draws: int = 60, verdict: str = "humidify", due: float = 0.75) -> xr.Dataset:
    """A forecast dataset; `due` is the share of the draws whose first regrade falls within the horizon.

    Draw i of these is due after (i + 1) / count of the horizon and wants the second grade of the set for the first
    two thirds of them, the third grade for the others; the second regrade never falls due.
    """
    time = forecast_time(scenario)
    years, labels = scenario.horizon_years, scenario.instrument.spacers.labels
    day = np.arange(time.size)
    since_july = (time - time.astype("datetime64[Y]")) / np.timedelta64(1, "D") - 196.0
    season = np.cos(2 * np.pi * since_july / 365.25).astype(np.float32)
    wave = (season - season[0])[None, :] * np.ones((draws, 1), dtype=np.float32)
    rise = np.sqrt(day / day[-1]).astype(np.float32)[None, :] * growth(draws)
    fc = xr.Dataset(
        coords={
            "time": time,
            "draw": np.arange(draws),
            "part": list(schema.PARTS),
            "year": np.arange(1, years + 1),
            "quantile": [0.1, 0.5, 0.9],
            "occasion": np.arange(1, 5),
            "grade": list(labels),
        }
    )
    fc["air_temperature"] = ("time", 18.0 + 6.0 * season, {"units": "degC", "long_name": "air temperature"})
    fc["relative_humidity"] = ("time", 42.0 + 14.0 * season, {"units": "%", "long_name": "relative humidity"})
    fc["filled"] = ("time", np.zeros(time.size), {"units": "1", "long_name": "filled"})
    for name, lag in (("equilibrium_moisture_content", None), ("moisture_content", 0)):
        variable = schema.VARIABLES[name]
        values = (
            8.0 + 2.0 * season if lag is None else np.stack([8.0 + 2.0 * np.roll(season, 12 * k) for k in range(6)])
        )
        fc[name] = (variable.dims, values, {"units": variable.unit, "long_name": variable.long_name})
    scale = {"top_sinkage": -1.0, "neck_rotation": 0.1, "projection_change": -2.0, "action_change": 1.0}
    for name, variable in schema.MOVEMENTS.items():
        parts = {
            "_seasonal": np.float32(scale[name] * SEASON_MM) * wave,
            "_lasting": np.float32(scale[name] * LASTING_MM) * rise,
        }
        parts[""] = parts["_seasonal"] + parts["_lasting"]
        for kind, values in parts.items():
            fc[name + kind] = (variable.dims, values, {"units": variable.unit, "long_name": variable.long_name + kind})
    fc["action_12th"] = fc["action_change"] + np.float32(scenario.setup.action_12th_mm)
    fc["action_12th"].attrs = {"units": "mm", "long_name": "action at the 12th fret, the fitted spacer left in"}
    fc.coords["lasting_part"] = ["plates", "blocks", "joint", "root", "residual"]
    fc.coords["lasting_year"] = [20, 30]
    shares = np.array([0.3, 0.1, 0.1, 0.2, 0.3])[:, None] * np.array([1.0, 1.2])
    variable = schema.VARIABLES["lasting_by_part"]
    fc["lasting_by_part"] = (variable.dims, shares, {"units": variable.unit, "long_name": variable.long_name})
    _put_regrades(fc, round(due * draws))
    fc.attrs |= {
        "bow_action_20_years_mm": 0.2,
        "bolts_slack_20_years": 0.1,
        "title": scenario.title,
        "scenario": scenario.name,
        "version": "0.0.0",
        "seed": 1,
        "draws": draws,
        "fitted_grade": scenario.setup.spacer,
        "created": "2026-01-01",
        "input_hash": "0" * 64,
        "sources": json.dumps(["common-practice"]),
        "numbers": json.dumps(
            {
                "joint_slip": {
                    "value": 0.1,
                    "unit": "mm",
                    "spread": 0.0,
                    "spread_kind": "sd",
                    "source": "common-practice",
                    "status": "common practice, no source",
                }
            }
        ),
        "files": json.dumps({"chicago.csv": "0" * 64}),
        "notes": json.dumps(["an invented remark."]),
        "Conventions": "CF-1.11",
        "verdict": verdict,
        "regrade_cause": "lasting",
        "dry_days_per_year": 110.0,
        "damp_days_per_year": 0.0,
        "season_outside_share": 0.2,
    }
    if verdict == "humidify":
        fc.attrs |= air_attrs(BetterAir("a room humidifier at 45 %", (200.0, 300.0), (1.5, 1.1), ""))
    return fc


def _put_regrades(fc: xr.Dataset, count: int) -> None:
    time, draws, labels = fc["time"].values, fc.sizes["draw"], fc["grade"].values
    date = np.full((draws, 4), np.datetime64("NaT", "ns"))
    grade = np.full((draws, 4), "", dtype=labels.dtype)
    date[:count, 0] = time[[(i + 1) * (time.size - 1) // count for i in range(count)]]
    grade[:count, 0] = [labels[1] if i < count * 2 / 3 else labels[2] for i in range(count)]
    fc["regrade_date"] = (("draw", "occasion"), date, {"long_name": "date each regrade is due"})
    fc["regrade_grade"] = (("draw", "occasion"), grade, {"long_name": "spacer then fitted"})
    ends = time[0] + (fc["year"].values * 365.25).round().astype("timedelta64[D]")
    fc["regrade_due"] = ("year", [np.mean(date[:, 0] <= end) for end in ends], {"units": "1", "long_name": "chance"})
    ordered = np.sort(date[:, 0])
    dates = [ordered[max(int(np.ceil(q * draws)) - 1, 0)] for q in (0.1, 0.5, 0.9)]
    fc["regrade_due_date"] = ("quantile", dates, {"long_name": "date by which a regrade is due"})
    share = np.array([[np.sum(grade[:, o] == label) for label in labels] for o in range(4)]) / max(count, 1)
    fc["grade_probability"] = (("occasion", "grade"), share, {"units": "1", "long_name": "share"})
    reached = [count / draws, 0.0, 0.0, 0.0]
    fc["occasion_probability"] = ("occasion", reached, {"units": "1", "long_name": "chance"})
    fc["no_grade_fits"] = ("occasion", np.zeros(4), {"units": "1", "long_name": "share"})
    taper = np.linspace(-0.4, 0.2, labels.size)
    fc["grade_taper"] = ("grade", taper, {"units": "mm", "long_name": "taper"})
    fc["grade_rotation"] = ("grade", np.degrees(np.arctan(taper / 75.0)), {"units": "degree", "long_name": "rotation"})
    fc["grade_cents"] = ("grade", -0.2 * taper, {"units": "cent", "long_name": "intonation"})
    fc.coords["unknown"] = list(UNKNOWNS)
    fc["place_shift"] = ("draw", np.linspace(-0.1, 0.1, draws), {"units": "mm", "long_name": "shift by the place"})
    fc["inside_days"] = ("draw", np.linspace(200.0, 330.0, draws), {"units": "day", "long_name": "days a year inside"})
    fc["driver_share"] = ("unknown", list(UNKNOWNS.values()), {"units": "1", "long_name": "share of the variance"})
