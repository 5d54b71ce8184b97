"""The forecast of one instrument: the chain run for its draws, told as one labelled dataset."""

from __future__ import annotations

import json
from collections.abc import Callable, Mapping
from datetime import UTC, datetime
from math import inf
from typing import Any

import numpy as np

from driftmodel.base import __version__
from driftmodel.base.keeping import file_digest, inputs_digest
from driftmodel.base.materials import Numbers, recording
from driftmodel.base.records import Scenario
from driftmodel.base.schema import DAYS_PER_YEAR, Dataset, described
from driftmodel.outlook.calendar import fitted_spacer
from driftmodel.outlook.chain import LagCache, run_chain
from driftmodel.outlook.draws import Draws, draw_unknowns
from driftmodel.outlook.findings import as_dataset, put_parts
from driftmodel.outlook.lasting import lasting_by_part
from driftmodel.outlook.lived import lived
from driftmodel.outlook.place import air_attrs, better_air
from driftmodel.structure.neck import clamp_lost, opened


def forecast(
    scenario: Scenario,
    draws: int | None = None,
    seed: int | None = None,
    *,
    unknowns: Draws | None = None,
    weathers: LagCache | None = None,
    progress: Callable[[str], None] = lambda _: None,
) -> Dataset:
    """The years to come of one instrument, as an ensemble; see schema.MOVEMENTS for the variables, units and signs.

    draws, seed: in place of the scenario's own. unknowns: draws from elsewhere, such as a calibration; weathers: those
    they live in where these are not the scenario's. attrs hold what
    is needed to make it again (see origin). Raises BadInput when the scenario's air does not reach the horizon, or a
    file it names is at fault."""
    seed = scenario.seed if seed is None else seed
    with recording() as numbers:
        ensemble = unknowns or draw_unknowns(scenario, scenario.draws if draws is None else draws, seed)
        chain = run_chain(scenario, ensemble, weathers, progress)
        shown = chain.weathers[0]
        result = as_dataset(scenario, ensemble, chain.world, chain.due, shown.days, shown.lags, shown.weights)
        parts, bow = lasting_by_part(
            scenario, chain.coefficients, ensemble, shown.lags.lags_pct, shown.days.heat, shown.weights
        )
        put_parts(result, parts)
        result.attrs["bow_action_20_years_mm"] = round(float(bow[0]), 3)
        lost = ensemble.values["joint_creep"] * clamp_lost(20 * DAYS_PER_YEAR)
        result.attrs["bolts_slack_20_years"] = float(np.mean(opened(scenario.instrument, lost) > 2.0))
        words = "days a year inside the rule in the years ahead, season included, regrades done as they fall due"
        result["inside_days"] = (("draw",), lived(chain).inside_days, {"units": "day", "long_name": words})
        if result.attrs["verdict"] == "humidify":  # said only where the same draws are better off with it
            progress("the same guitar in better air")
            found = better_air(chain)
            result.attrs |= air_attrs(found)
            result.attrs["verdict"] = "humidify" if found.is_better else "leave"
    result.attrs = origin(scenario, seed, ensemble, unknowns is not None, numbers) | result.attrs
    return described(result)


#: what a wood's number is for, in a luthier's words
_FOR = {
    "modulus_of_elasticity": "stiffness",
    "specific_gravity": "density",
    "elastic_ratio": "stiffness across the grain",
    "shear_ratio": "stiffness in shear",
    "poisson": "narrowing under pull",
    "coefficient": "movement",
}


def origin(scenario: Scenario, seed: int, draws: Draws, foreign: bool, numbers: Numbers) -> dict[str, Any]:
    """The attributes a forecast is made again from. foreign: the draws come from elsewhere, a calibration.

    numbers: JSON, name -> value, unit, spread, spread_kind, source, status of each number read. sources: JSON, their
    sources' keys. files: JSON, weather and logger files with the hash of their bytes. input_hash: over scenario,
    files, numbers, seed, draws and version; it changes whenever the answer may."""
    ensemble: Any = draws if foreign else draws.count
    return told(numbers) | {
        "title": scenario.title,
        "scenario": scenario.name,
        "version": __version__,
        "seed": seed,
        "draws": draws.count,
        "fitted_grade": fitted_spacer(scenario),
        "created": datetime.now(UTC).date().isoformat(),
        "input_hash": inputs_digest(scenario, seed, ensemble, numbers_record(numbers)),
        "files": json.dumps(input_files(scenario)),
        "notes": json.dumps(stand_in_notes(numbers)),
        "Conventions": "CF-1.11",
    }


def told(numbers: Numbers) -> dict[str, str]:
    """The attributes of any answer that tell its numbers and their sources' keys, as JSON."""
    sources = sorted({number.source for number in numbers.values()})
    return {"numbers": json.dumps(numbers_record(numbers)), "sources": json.dumps(sources)}


def numbers_record(numbers: Numbers) -> dict[str, dict[str, Any]]:
    """The numbers as plain facts, by name in alphabetic order."""
    keys = ("value", "unit", "spread", "spread_kind", "source", "status")
    told = {name: {key: getattr(number, key) for key in keys} for name, number in sorted(numbers.items())}
    for number in told.values():
        if number["value"] == inf:  # a bare face lets all vapour through, and JSON has no such number
            number["value"] = "infinite"
    return told


def input_files(scenario: Scenario) -> dict[str, str]:
    """Weather and logger files the scenario's air rests on, as its climates name them, with the hash of their bytes."""
    files = [file for stay in scenario.stays for file in stay.climate.input_files]
    return {f"{file.parent.name}/{file.name}": file_digest(file) for file in files}


def stand_in_notes(numbers: Mapping[str, Any]) -> list[str]:
    """A remark for each wood some of whose numbers stand in for ones that are not published."""
    lent: dict[str, list[str]] = {}
    for name, number in numbers.items():
        if number.status.startswith("stand-in"):
            wood, _, key = name.rpartition(", ")
            words = next((words for start, words in _FOR.items() if key.startswith(start)), key.replace("_", " "))
            lent.setdefault(wood, []).append(words)
    return [
        f"For {wood} no published {' or '.join(dict.fromkeys(words))} is at hand; the mean of like woods stands in, "
        "with a wide spread."
        for wood, words in lent.items()
    ]
