"""Every key of every file is told with its unit, default and meaning.

No outside reference values: the file models are the reference.
"""

from __future__ import annotations

import json
from dataclasses import fields
from typing import Any

import pytest

from driftmodel.base.build import Strings
from driftmodel.base.file_models import KINDS, keys_in, keys_of_file, unit_of
from driftmodel.base.scenario_file import ScenarioFile
from driftmodel.calibration.readings_cells import COLUMNS


@pytest.mark.parametrize("kind", KINDS)
def test_every_key_has_a_meaning(kind: str) -> None:
    keys = keys_of_file(kind)
    assert len(keys) > 10 and not [key.place for key in keys if not key.meaning]


def test_units_defaults_and_limits_are_the_models() -> None:
    told = {key.place: key for key in keys_of_file("scenario")}
    assert set(keys_in(ScenarioFile)) - {"stay", "event", "setup", "rule"} <= set(told)
    action = told["setup.action_12th_mm"]
    assert (action.unit, action.default, action.limits) == ("mm (or _in)", "needed", "above 0.3, at most 8")
    assert told["draws"].default == str(keys_in(ScenarioFile)["draws"].default)
    steel = [key.place for key in keys_of_file("instrument") if key.place.startswith("strings.")]
    assert steel == [f"strings.{field.name}" for field in fields(Strings)]
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
