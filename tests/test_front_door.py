"""The door for Python: every verb is found, told and light to import; records pickle, copy and hash; data is described.

Standard names and cell methods are those of the climate and forecast conventions (CF 1.11, standard name table).
"""

from __future__ import annotations

import copy
import inspect
import pickle
import pydoc
import subprocess
import sys
from dataclasses import replace
from datetime import date
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import xarray as xr

import driftmodel
from driftmodel.base import library
from driftmodel.base.build import Body
from driftmodel.base.errors import BadInput
from driftmodel.base.schema import Frozen
from driftmodel.outlook.draws import draw_unknowns
from driftmodel.structure import body
from driftmodel.structure.records import BodyResponse, Coefficients
from driftmodel.structure.response import body_response

VERBS = (
    "forecast",
    "grade",
    "calibrate",
    "decide",
    "learn",
    "advise",
    "compare",
    "demand",
    "map",
    "air",
    "design",
    "woods",
)


# ---- what is there -------------------------------------------------------------------------------------------------


def test_every_name_is_there_listed_and_told() -> None:
    assert set(VERBS) <= set(driftmodel.__all__) == set(dir(driftmodel))
    for name in driftmodel.__all__:
        found = getattr(driftmodel, name)
        if callable(found):
            assert inspect.getdoc(found), name
    told = pydoc.render_doc(driftmodel, renderer=pydoc.plaintext)
    assert not [verb for verb in VERBS if f"    {verb}(" not in told]
    with pytest.raises(AttributeError, match="no attribute 'forcast'"):
        _ = driftmodel.forcast


def test_import_is_light() -> None:
    code = (
        "import sys, driftmodel\ndir(driftmodel)\n"
        "heavy = {'numpy', 'xarray', 'pandas', 'scipy', 'matplotlib', 'pydantic', 'click'} & set(sys.modules)\n"
        "assert not heavy, heavy"
    )
    subprocess.run([sys.executable, "-c", code], check=True, cwd=Path(__file__).parents[1])


# ---- records -------------------------------------------------------------------------------------------------------


def scenario() -> Any:
    return replace(driftmodel.load_scenario("first-winter"), horizon_years=2, weather_members=2, draws=12)


def test_records_pickle_copy_hash_and_are_told_shortly() -> None:
    known = scenario()
    guitar = known.instrument
    response = Coefficients(*({"top": 0.1, "strings": 0.2},) * 5, {"top_sinkage": {("top", "along"): 0.1}})
    for one in (known, guitar, known.stays[-1].climate, driftmodel.woods("koa"), response, draw_unknowns(known, 12, 1)):
        for other in (pickle.loads(pickle.dumps(one)), copy.copy(one), copy.deepcopy(one)):
            assert other == one and hash(other) == hash(one), type(one)
        assert len(repr(one)) < 1200, type(one)
        assert {one: 1}[one] == 1
    assert repr(guitar).startswith("Instrument(name='large_x_braced'")
    assert known != replace(known, seed=known.seed + 1)
    assert draw_unknowns(known, 12, 1) != draw_unknowns(known, 12, 2)


def test_a_frozen_mapping_stays_as_it_is() -> None:
    held = Frozen({"a": 1, "b": [2]})
    assert held == {"b": [2], "a": 1} and held["a"] == 1 and len(held) == 2 and list(held) == ["a", "b"]
    assert held | {"a": 3} == {"a": 3, "b": [2]} and held["a"] == 1
    with pytest.raises(TypeError):
        held["a"] = 2  # type: ignore[index]
    with pytest.raises(AttributeError):
        held._held = {}
    assert hash(held) == hash(Frozen({"b": 3, "a": 1})) and held != Frozen({"a": 1})


# ---- arguments -----------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("draws", [0, -3, 2.5, True, "20"])
def test_draws_that_are_none_are_refused(draws: Any) -> None:
    known = scenario()
    with pytest.raises(BadInput, match="draws"):
        driftmodel.forecast(known, draws=draws)
    with pytest.raises(BadInput, match="draws"):
        driftmodel.advise(known, draws=draws)
    with pytest.raises(BadInput, match="draws"):
        driftmodel.grade(known, draws=draws)


@pytest.mark.parametrize(
    ("call", "told"),
    [
        (lambda known: driftmodel.grade(known, years=0), "years is 0"),
        (lambda known: driftmodel.grade(known, years=41), "from 1 to 40"),
        (lambda known: driftmodel.map(known, "none.nc", years=0), "years is 0"),
        (lambda known: driftmodel.map(known, "none.nc", draws=15), "from 16 to 5000"),
        (lambda known: driftmodel.demand("two-regions", months=0), "months is 0"),
        (lambda known: driftmodel.demand("two-regions", workers=0), "workers is 0"),
        (lambda known: driftmodel.learn("nowhere", workers=1.5), "workers is 1.5"),
    ],
)
def test_years_months_and_workers_that_are_none_are_refused(call: Any, told: str) -> None:
    with pytest.raises(BadInput, match=told):
        call(scenario())


def test_a_seed_below_nought_is_refused() -> None:
    with pytest.raises(BadInput, match="seed is -1"):
        driftmodel.forecast(scenario(), seed=-1)


def test_one_seed_and_one_number_of_draws_everywhere() -> None:
    """Left out, they are the scenario's own in every verb that draws."""
    known = scenario()
    outlook = driftmodel.forecast(known)
    assert (outlook.attrs["seed"], outlook.sizes["draw"]) == (known.seed, 12)
    table = driftmodel.compare([known, driftmodel.with_lever(known, "humidifier", 45)])
    assert (table.attrs["seed"], table.sizes["draw"]) == (known.seed, 12)
    first = table["value"].sel(scenario=known.name, outcome="lasting_action_change").values
    assert first == pytest.approx(outlook["action_change_lasting"].values[:, -1], abs=1e-6)
    assert driftmodel.grade(known, years=2).draws == 12


def test_names_and_paths_are_taken_as_words(world: Path, few_particles: None) -> None:
    assert driftmodel.load_instrument("instruments/large_x_braced.toml").name == "large_x_braced"
    assert driftmodel.load_climate("climates/damp_coast.toml").name == driftmodel.load_climate("damp_coast").name
    assert driftmodel.air("weather/chicago.csv").sizes["time"] == 8760
    assert driftmodel.air(Path("weather/chicago.csv")).sizes["time"] == 8760
    file = world / "mine.toml"
    file.write_text(file.read_text().replace("horizon_years = 20\n", "horizon_years = 2\nweather_members = 1\n"))
    outlook = driftmodel.forecast("mine.toml", draws=10)
    assert outlook.attrs["draws"] == 10
    (world / "bench.csv").write_text("date;what;value;tool\n2027-02-10;action;2.35 mm;feeler gauge\n")
    book = driftmodel.read_readings("bench.csv", driftmodel.load_scenario("mine.toml"), date(2027, 3, 1))
    assert driftmodel.calibrate("mine.toml", book, seed=3).draws.count > 10
    assert driftmodel.decide("mine.toml", "action=2.3 mm", when=date(2027, 2, 10)).day == date(2027, 2, 10)
    with pytest.raises(BadInput, match="no reading to learn from"):
        driftmodel.calibrate("mine.toml")


def test_a_what_if_is_a_what_if() -> None:
    known = scenario()
    assert driftmodel.what_if(known, "humidifier=45") == driftmodel.with_lever(known, "humidifier", "45")


# ---- data ----------------------------------------------------------------------------------------------------------


def undescribed(data: xr.Dataset) -> list[str]:
    """Names without a long_name; numbers without a unit; dates without the unit they are written in."""
    faults = []
    for name in (*data.coords, *data.data_vars):
        one = data[name]
        if not one.attrs.get("long_name"):
            faults.append(f"{name}: long_name")
        if one.dtype.kind in "iuf" and not one.attrs.get("units"):
            faults.append(f"{name}: units")
        if one.dtype.kind == "M" and not one.encoding.get("units"):
            faults.append(f"{name}: unit of dates")
    return faults


def test_every_variable_and_coordinate_is_described(tmp_path: Path) -> None:
    known = scenario()
    outlook = driftmodel.forecast(known)
    table = driftmodel.compare([known, driftmodel.with_lever(known, "humidifier", 45)])
    air = driftmodel.air("scenarios/weather/chicago.csv") if Path("scenarios").is_dir() else None
    assert not undescribed(outlook) and not undescribed(table)
    assert air is None or not undescribed(air)
    assert outlook["time"].attrs["standard_name"] == "time"
    assert outlook["draw"].attrs["standard_name"] == "realization"
    assert outlook["relative_humidity"].attrs["cell_methods"] == "time: mean"
    assert outlook["action_change_seasonal"].attrs["cell_methods"] == "time: point"
    outlook.to_netcdf(tmp_path / "own.nc", engine="h5netcdf")
    with xr.open_dataset(tmp_path / "own.nc", engine="h5netcdf") as again:
        assert np.array_equal(again["time"].values, outlook["time"].values)
        assert again["action_12th"].attrs == outlook["action_12th"].attrs
        assert again.attrs["numbers"] == outlook.attrs["numbers"]


# ---- a wood and a finish of one's own ------------------------------------------------------------------------------

NUMBER = '{{value = {}, unit = "{}", spread = 2.0, spread_kind = "factor", source = "{}", status = "read once"}}'
OWN_WOOD = f"""
name = "barn spruce"
scientific = "Picea abies"
kind = "softwood"
aliases = ["old spruce"]
[numbers]
modulus_of_elasticity_12 = {NUMBER.format(11000.0, "MPa", "own-bench")}
coefficient_radial = {NUMBER.format(0.0011, "1/%", "own-bench")}
[sources.own-bench]
reference = "Own bench, five sticks, 2026"
kind = "own measurement"
"""
OWN_FINISH = f"""
[[finish]]
name = "house varnish"
permeance = {NUMBER.format(2e-10, "kg/(m2 s Pa)", "common-practice")}
"""


@pytest.fixture
def own(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    folder = tmp_path / "own"
    folder.mkdir()
    (folder / "barn_spruce.toml").write_text(OWN_WOOD)
    (folder / "varnish.toml").write_text(OWN_FINISH)
    monkeypatch.setenv("DRIFTMODEL_WOODS", str(folder))
    return folder


def test_a_wood_and_a_finish_of_ones_own_are_loaded_listed_and_used(
    own: Path, world: Path, run: Any, monkeypatch: pytest.MonkeyPatch
) -> None:
    assert "barn spruce" in driftmodel.woods() and "house varnish" in driftmodel.finishes()
    assert driftmodel.woods("Old Spruce").numbers["coefficient_radial"].value == 0.0011
    assert "barn spruce" in run("woods").out
    told = run("woods", "barn spruce").out
    assert "Own bench, five sticks" in told
    mine = (world / "mine.toml").read_text().replace("horizon_years = 20\n", "horizon_years = 1\nweather_members = 1\n")
    (world / "mine.toml").write_text(mine)
    with monkeypatch.context() as without:
        without.delenv("DRIFTMODEL_WOODS")  # as other tests know it
        known = body_response(driftmodel.load_instrument("large_x_braced"))

    def respond(of: Body, *_: float) -> BodyResponse:
        """In the place of a body solved anew for each wood: twice the movement, twice the answer."""
        moves = library.number(library.wood(of.top.wood), "coefficient_radial").value / 0.0011
        return replace(known, bridge_height_mm={load: moves * mm for load, mm in known.bridge_height_mm.items()})

    monkeypatch.setattr(body, "respond", respond)
    before = driftmodel.forecast("mine.toml", draws=10)
    built = driftmodel.what_if(
        driftmodel.load_scenario("mine.toml"), "top wood=barn spruce, finish inside=house varnish"
    )
    after = driftmodel.forecast(built, draws=10)
    assert "barn spruce, coefficient_radial" in after.attrs["numbers"] and "own-bench" in after.attrs["sources"]
    assert "house varnish, permeance" in after.attrs["numbers"]
    assert not np.array_equal(after["action_12th"].values, before["action_12th"].values)
    (own / "barn_spruce.toml").write_text(OWN_WOOD.replace("0.0011", "0.0022"))
    changed = driftmodel.forecast(built, draws=10)
    assert not np.array_equal(changed["action_12th"].values, after["action_12th"].values)
    assert changed.attrs["input_hash"] != after.attrs["input_hash"]


def test_faults_of_ones_own_folder_say_the_mend(own: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    (own / "barn_spruce.toml").write_text(OWN_WOOD.replace("barn spruce", "Sitka spruce"))
    with pytest.raises(BadInput, match=r"barn_spruce\.toml, name: a wood called .* is there already"):
        driftmodel.woods()
    (own / "barn_spruce.toml").write_text(OWN_WOOD.replace("[sources.own-bench]", "[sources.other]"))
    with pytest.raises(BadInput, match="own-bench"):
        driftmodel.woods()
    (own / "barn_spruce.toml").unlink()
    (own / "varnish.toml").write_text(OWN_FINISH.replace("house varnish", "shellac"))
    with pytest.raises(BadInput, match='a finish called "shellac" is there already'):
        driftmodel.finishes()
    monkeypatch.setenv("DRIFTMODEL_WOODS", str(own / "nowhere"))
    with pytest.raises(BadInput, match="DRIFTMODEL_WOODS names a folder that is not there"):
        driftmodel.woods()
