"""What an answer was made from: every number read, with its source and standing, every file, and one hash of it all."""

from __future__ import annotations

import json
from collections.abc import Mapping
from datetime import UTC, datetime
from math import inf
from typing import Any

from driftmodel.base.keeping import file_digest, inputs_digest
from driftmodel.base.provenance import Numbers
from driftmodel.base.records import Scenario
from driftmodel.base.version import __version__
from driftmodel.outlook.draws import Draws
from driftmodel.outlook.work import fitted_spacer

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
    files, numbers, seed, draws and version; it changes whenever the answer may.
    """
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
