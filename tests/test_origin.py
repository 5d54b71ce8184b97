"""What a forecast says it was made from is what it was made from, and its hash changes whenever the answer may.

No outside reference values: what the library was asked for, seen from its inside, is the reference.
"""

from __future__ import annotations

import json
import re
import shutil
from collections.abc import Iterator
from dataclasses import fields, replace
from datetime import date
from functools import cache
from pathlib import Path
from typing import Any

import pytest

import driftmodel
from driftmodel.base import keeping, library
from driftmodel.base.climate_file import Logger
from driftmodel.base.keeping import file_digest, forget
from driftmodel.base.materials import Datum
from driftmodel.base.opened import species_data_dir
from driftmodel.base.records import Scenario, WorkDone
from driftmodel.base.scenario_file import LearnedPrior
from driftmodel.base.scenarios import load_climate, load_scenario
from driftmodel.outlook import drift as origin_room
from driftmodel.outlook.draws import Draws, draw_unknowns
from driftmodel.outlook.levers import parse_what_if
from driftmodel.report.document import inputs_json
from driftmodel.structure import body
from driftmodel.structure.response import body_response


def small(name: str | Path = "first-winter") -> Scenario:
    return replace(load_scenario(name), horizon_years=1, weather_members=1, draws=10)


def told(scenario: Scenario, **more: Any) -> dict[str, Any]:
    return driftmodel.forecast(scenario, **more).attrs


class Watched(dict[str, Datum]):
    """The general numbers, with the names asked for."""

    asked: set[str]

    def get(self, key: str, default: Any = None) -> Any:
        self.asked.add(key)
        return super().get(key, default)


@pytest.fixture
def asked(monkeypatch: pytest.MonkeyPatch) -> Iterator[set[str]]:
    watched = Watched(library._general())
    watched.asked = set()
    monkeypatch.setattr(library, "_general", lambda: watched)
    yield watched.asked


def test_numbers_told_are_those_asked_for(
    coarse: None, asked: set[str], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Asked afresh, then of what was kept on disk and in memory: the same numbers are told each time, none besides."""
    monkeypatch.setenv("DRIFTMODEL_CACHE", str(tmp_path))
    first = json.loads(told(small())["numbers"])
    general = {name for name in first if ", " not in name}
    assert general == asked and len(general) > 20
    asked.clear()
    assert json.loads(told(small())["numbers"]) == first  # the design from memory
    assert not general <= asked
    forget()
    assert json.loads(told(small())["numbers"]) == first  # the body from disk


def test_numbers_told_carry_value_source_and_standing() -> None:
    scenario = small()
    attrs = told(scenario)
    numbers = json.loads(attrs["numbers"])
    top = scenario.instrument.body.top
    key = f"{library.wood(top.wood).name}, modulus_of_elasticity_12"
    known = library.wood(top.wood).numbers["modulus_of_elasticity_12"]
    assert numbers[key] == {
        "value": known.value, "unit": known.unit, "spread": known.spread, "spread_kind": known.spread_kind,
        "source": known.source, "status": known.status,
    }  # fmt: skip
    assert f"{library.finish(top.finish_outside).name}, permeance" in numbers
    assert json.loads(attrs["sources"]) == sorted({number["source"] for number in numbers.values()})
    assert not [name for name in numbers if name.startswith(("tool_", "container_", "surface_humidity"))]
    lent = {name.split(", ")[0] for name, number in numbers.items() if number["status"].startswith("stand-in")}
    assert {note.split(" no published")[0] for note in json.loads(attrs["notes"])} == {f"For {wood}" for wood in lent}
    files = json.loads(attrs["files"])
    assert files == {
        f"{file.parent.name}/{file.name}": file_digest(file)
        for stay in scenario.stays
        for file in stay.climate.input_files
    }
    assert files and "none" not in files.values()
    bare = json.loads(attrs["numbers"], parse_constant=lambda word: pytest.fail(f"{word} is not JSON"))[
        "bare, permeance"
    ]
    assert bare["value"] == "infinite"


def test_inputs_file_tells_the_numbers_and_their_sources() -> None:
    scenario = small()
    fc = driftmodel.forecast(scenario)
    inputs = json.loads(inputs_json(fc, scenario))
    assert inputs["numbers"] == json.loads(fc.attrs["numbers"])
    assert set(inputs["sources"]) == {number["source"] for number in inputs["numbers"].values()}
    assert all(entry["kind"] and entry["reference"] for entry in inputs["sources"].values())
    assert inputs["files"] and inputs["run"]["input_hash"] == fc.attrs["input_hash"]


def test_the_number_of_a_what_if_is_told() -> None:
    plain, warm = small(), parse_what_if(small(), "warming=2")
    assert "outdoor_humidity_per_kelvin" not in json.loads(told(plain)["numbers"])
    assert "outdoor_humidity_per_kelvin" in json.loads(told(warm)["numbers"])
    twice = json.loads(told(parse_what_if(warm, "shipping=2027-03-01"))["numbers"])
    assert {"outdoor_humidity_per_kelvin", "container_temperature"} <= set(twice)


def test_a_learned_number_is_told() -> None:
    learned = (LearnedPrior("residual_gain", 1.3, 0.4, "learned from 12 instruments"),)
    numbers = json.loads(told(replace(small(), learned=learned))["numbers"])
    assert numbers["learned, residual_gain"]["source"] == "learned from 12 instruments"
    assert numbers["learned, residual_gain"]["value"] == 1.3
    assert "learned, residual_gain" not in json.loads(told(small())["numbers"])


def test_pictures_may_be_left_out(tmp_path: Path) -> None:
    """A report without pictures takes the place of one that had some; nothing of the old ones is left."""
    scenario = small()
    fc = driftmodel.forecast(scenario)
    (tmp_path / "report").mkdir()
    driftmodel.write_report(fc, scenario, tmp_path / "report", pictures=False)
    (tmp_path / "report" / "action.png").write_bytes(b"old")
    written = driftmodel.write_report(fc, scenario, str(tmp_path / "report"), pictures=False)
    page = (tmp_path / "report" / "report.html").read_text(encoding="utf-8")
    assert "<figure" not in page and "action.png" not in page and "The numbers" not in page
    assert not [path for path in written if path.suffix == ".png"] and not list(tmp_path.rglob("*.png"))
    assert set(re.findall(r'href="#([^"]+)', page)) <= set(re.findall(r'id="([^"]+)"', page))


# ---- the hash ------------------------------------------------------------------------------------------------------


def other(value: Any) -> Any:
    """A value of the same kind that is not this one."""
    if isinstance(value, bool):
        return not value
    if isinstance(value, int | float):
        return value + 1
    if isinstance(value, date):
        return value.replace(day=value.day % 28 + 1)
    if isinstance(value, str):
        return value + " 2"
    if value is None:
        return "x"
    if isinstance(value, tuple):
        return (*value[:-1], other(value[-1])) if value else (1.0,)
    if hasattr(value, "__dataclass_fields__"):
        name = next(field.name for field in fields(value) if field.metadata.get("input", True))
        return replace(value, **{name: other(getattr(value, name))})
    return {**value, "x": "y"}


def leaves(record: Any, at: tuple[Any, ...] = ()) -> Iterator[tuple[Any, ...]]:
    """Paths to every field of a tree of records that is an input."""
    if hasattr(record, "__dataclass_fields__"):
        for field in fields(record):
            if field.metadata.get("input", True):
                yield from leaves(getattr(record, field.name), (*at, field.name))
    elif isinstance(record, tuple) and record and hasattr(record[0], "__dataclass_fields__"):
        for index, item in enumerate(record):
            yield from leaves(item, (*at, index))
    else:
        yield at


def changed(record: Any, path: tuple[Any, ...]) -> Any:
    if not path:
        return other(record)
    step, *rest = path
    if path == ("learned",):
        return replace(record, learned=(LearnedPrior("residual_gain", 1.3, 0.4, "x"),))
    if path == ("work",):
        return replace(record, work=(WorkDone(date(2027, 1, 1), saddle_mm=-0.2),))
    if step == "logger" and not rest:
        return replace(record, logger=Logger(file="other.csv"))
    if isinstance(step, int):
        return (*record[:step], changed(record[step], tuple(rest)), *record[step + 1 :])
    return replace(record, **{step: changed(getattr(record, step), tuple(rest))})


@cache
def plain_draws() -> Draws:
    return draw_unknowns(load_scenario("first-winter"), 10, 1)


def hash_of(scenario: Scenario, seed: int = 1, draws: Any = None, **numbers: Datum) -> str:
    ensemble = draws or plain_draws()
    return str(origin_room.origin(scenario, seed, ensemble, draws is not None, numbers)["input_hash"])


@pytest.mark.parametrize("name", ["first-winter", "damp-coast"])
def test_every_key_of_scenario_instrument_and_climate_changes_the_hash(name: str) -> None:
    scenario = load_scenario(name)
    paths = list(leaves(scenario))
    assert len(paths) > 150
    known = hash_of(scenario)
    same = [path for path in paths if hash_of(changed(scenario, path)) == known]
    assert not same
    assert hash_of(replace(scenario, file="elsewhere.toml", raw={})) == known


def test_numbers_seed_draws_and_version_change_the_hash(monkeypatch: pytest.MonkeyPatch) -> None:
    scenario = load_scenario("first-winter")
    number = library.general("residual_gain")
    known = hash_of(scenario, residual_gain=number)
    hashes = [
        hash_of(scenario, residual_gain=replace(number, value=number.value * 1.001)),
        hash_of(scenario, residual_gain=replace(number, spread=number.spread * 1.001)),
        hash_of(scenario, other_gain=number),
        hash_of(scenario),
        hash_of(scenario, seed=2, residual_gain=number),
        hash_of(scenario, draws=draw_unknowns(scenario, 10, 1), residual_gain=number),
        hash_of(scenario, draws=draw_unknowns(scenario, 10, 2), residual_gain=number),
    ]
    monkeypatch.setattr(keeping, "__version__", "0.0.0-other")
    hashes.append(hash_of(scenario, residual_gain=number))
    assert len({known, *hashes}) == len(hashes) + 1


def test_the_hash_of_a_run_follows_numbers_files_and_options(world: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """From the files on disk: a general number, a wood's, a finish's, weather bytes, draws, seed; and nothing else."""
    scenario = small("mine.toml")
    known = body_response(scenario.instrument)
    monkeypatch.setattr(body, "respond", lambda *_: known)  # not solved anew for each copy of the numbers
    hashes = [told(scenario)["input_hash"]]
    assert told(scenario)["input_hash"] == hashes[0]
    hashes += [told(scenario, draws=11)["input_hash"], told(scenario, seed=9)["input_hash"]]
    weather = next(file for stay in scenario.stays for file in stay.climate.input_files)
    weather.write_text(weather.read_text(encoding="utf-8") + "\n", encoding="utf-8")
    hashes.append(told(scenario)["input_hash"])
    for number, (file, after) in enumerate(
        [
            ("drift.toml", "[residual_gain]"),
            (f"woods/{library.file_stem(scenario.instrument.body.top.wood)}.toml", "coefficient_radial"),
            ("finishes.toml", f'name = "{library.finish(scenario.instrument.body.top.finish_outside).name}"'),
        ]
    ):
        copy = world / f"data-{number}"
        shutil.copytree(species_data_dir(), copy)
        head, found, tail = (copy / file).read_text(encoding="utf-8").partition(after)
        assert found, (file, after)
        (copy / file).write_text(head + found + re.sub(r"value = [0-9.e-]+", "value = 1.1e-3", tail, count=1))
        monkeypatch.setattr(library, "species_data_dir", lambda copy=copy: copy)
        hashes.append(told(scenario)["input_hash"])
        monkeypatch.setattr(library, "species_data_dir", species_data_dir)
    assert len(set(hashes)) == len(hashes)


def test_logger_bytes_change_the_hash(tmp_path: Path) -> None:
    rows = [f"2026-{1 + day // 28:02d}-{1 + day % 28:02d} 00:00,21.0,45.0" for day in range(60)]
    log = tmp_path / "log.csv"
    log.write_text("time,temperature_c,relative_humidity_pct\n" + "\n".join(rows))
    (tmp_path / "room.toml").write_text(
        'title = "A room (invented)"\ninvented = true\n[logger]\nfile = "log.csv"\ntime_zone = "UTC"\n'
        'gap_policy = "interpolate"\nrepeat_years = true\n'
    )
    scenario = load_scenario("first-winter")
    climate = load_climate(tmp_path / "room.toml")
    scenario = replace(scenario, stays=(*scenario.stays[:-1], replace(scenario.stays[-1], climate=climate)))
    before = hash_of(scenario)
    log.write_text(log.read_text().replace("45.0", "45.1", 1))
    assert hash_of(scenario) != before
