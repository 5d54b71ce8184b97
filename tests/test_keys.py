"""Every key of every file is told with its unit, default and meaning; no meaning is told of a key that is not there.

No outside reference values: the file models are the reference.
"""

from __future__ import annotations

import json
from typing import Any

import pytest

from driftmodel.base import key_meanings
from driftmodel.base.keys import KINDS, keys_of_file, unit_of
from driftmodel.base.scenario_file import ScenarioFile
from driftmodel.calibration.readings_table import COLUMNS


@pytest.mark.parametrize("kind", KINDS)
def test_every_key_has_a_meaning_and_every_meaning_a_key(kind: str) -> None:
    keys = keys_of_file(kind)
    assert not [key.place for key in keys if not key.meaning]
    names = {key.place.replace("[]", "").split(".")[-1] for key in keys}
    tables = {".".join(key.place.replace("[]", "").split(".")[-2:]) for key in keys}
    assert not [name for name in getattr(key_meanings, kind.upper()) if name not in names | tables]


def test_units_defaults_and_limits_are_the_models() -> None:
    told = {key.place: key for key in keys_of_file("scenario")}
    assert set(ScenarioFile.model_fields) - {"stay", "event", "setup", "rule"} <= set(told)
    action = told["setup.action_12th_mm"]
    assert (action.unit, action.default, action.limits) == ("mm (or _in)", "needed", "above 0.3, at most 8")
    assert told["draws"].default == str(ScenarioFile.model_fields["draws"].default)
    assert "stay[].from" in told and told["hysteresis"].unit == ""
    assert unit_of("excess_cold_g_m3") == "g/m³" and unit_of("body_fret") == ""
    assert [key.place for key in keys_of_file("readings")] == list(COLUMNS)


def test_the_command_tells_them(run: Any) -> None:
    told = run("keys", "climate")
    assert told.code == 0 and "room.cooling_setpoint_degc  (°C (or _degf); at least 15, at most 35)" in told.out
    assert "    temperature it is cooled to" in told.out
    assert set(json.loads(run("keys", "--json").out)) == set(KINDS)
    wrong = run("keys", "climat")
    assert wrong.code == 2 and 'Did you mean "climate"' in wrong.err
