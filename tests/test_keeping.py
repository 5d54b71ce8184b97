"""What is kept never outlives what it was made from: a changed number, file or code gives a new answer.

No outside reference values: an answer made afresh is the reference for one that was kept.
"""

from __future__ import annotations

import json
import os
import re
import shutil
from dataclasses import replace
from datetime import date
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import xarray as xr

from driftmodel.base import keeping, library
from driftmodel.base.keeping import Memory, Shelf, clear_down, file_digest, fingerprint
from driftmodel.base.materials import Datum, note, recording
from driftmodel.base.opened import species_data_dir
from driftmodel.base.scenarios import load_climate, load_scenario
from driftmodel.base.workers import Crew
from driftmodel.climate.history import climate_air
from driftmodel.fleet.passage import Cell
from driftmodel.fleet.physics import OutlookPassages
from driftmodel.fleet.run import cell_passages
from driftmodel.maps.grid_map import map_of
from driftmodel.outlook.chain import LagCache, air_fingerprint, run_chain
from driftmodel.outlook.draws import draw_unknowns
from driftmodel.structure import body
from driftmodel.structure.response import body_response, design_response

LAW = OutlookPassages((("large", "first-winter"),), tuple("ABCDEFGHIJKLMNOPQRSTUVWXYZ"), 4, 2016)
CELL = Cell("north", "cold_city_heated", "open", "large", 11)
HALF = Datum(0.5, "1", 10.0, "cv_pct", "own-calculation", "computed")


@pytest.fixture
def numbers(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Any:
    """change(name, factor): from then on the library is a copy in which that general number is so many times as big."""
    made = 0

    def change(name: str, factor: float) -> None:
        nonlocal made
        made += 1
        value, copy = library.general(name).value, tmp_path / f"data-{made}"
        shutil.copytree(species_data_dir(), copy)
        for file in copy.glob("*.toml"):
            head, found, tail = file.read_text(encoding="utf-8").partition(f"[{name}]\n")
            if found:
                changed = re.sub(r"value = .*", f"value = {value * factor!r}", tail, count=1)
                file.write_text(head + found + changed, encoding="utf-8")
        monkeypatch.setattr(library, "species_data_dir", lambda: copy)
        assert library.general(name).value == pytest.approx(value * factor)

    return change


# ---- a changed number ----------------------------------------------------------------------------------------------


def small_grid(folder: Path) -> Path:
    day = np.arange(366)
    season = np.cos(2.0 * np.pi * day / 365.0)[:, None, None]
    air = xr.Dataset(
        {
            "t2m": (("time", "lat", "lon"), 291.15 - 4.0 * season, {"units": "K", "standard_name": "air_temperature"}),
            "rh": (("time", "lat", "lon"), 70.0 + 10.0 * season, {"units": "%", "standard_name": "relative_humidity"}),
        },
        coords={"time": np.datetime64("2021-01-01", "ns") + day.astype("timedelta64[D]"), "lat": [50.0], "lon": [5.0]},
    )
    air.to_netcdf(folder / "air.nc", engine="h5netcdf")
    return folder / "air.nc"


def answers(folder: Path | None, grid: Path) -> dict[str, Any]:
    """What a forecast, a cell of a fleet and a point of a map say, with what is kept in the folder."""
    scenario = replace(load_scenario("first-winter"), horizon_years=1, weather_members=2)
    chain = run_chain(scenario, draw_unknowns(scenario, 24, 1))
    cell = cell_passages(LAW, CELL, 1, 24, 1, folder)
    found = map_of(grid, scenario, years=2, draws=24, crew=Crew(folder=folder))
    return {
        "forecast": chain.world.reading.action_mm[:, -1],
        "cell": cell.months,
        "told": np.array(sorted(json.loads(found.attrs["numbers"]))),
        "map": np.array([found["regrades_per_thousand_per_year"].values.item(), found["best_grade_inside_pct"].item()]),
    }


#: made once for all: a folder of what is kept, a grid, and what they answered before any number was changed
KEPT: list[tuple[Path, Path, dict[str, Any]]] = []


@pytest.fixture
def kept(coarse: None, tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, Path, dict[str, Any]]:
    if not KEPT:
        folder = tmp_path_factory.mktemp("kept")
        grid = small_grid(folder)
        KEPT.append((folder / "of it", grid, answers(folder / "of it", grid)))
    return KEPT[0]


# a creep number, a number of moisture in the lags kept in memory, and one of the structure kept on disk
@pytest.mark.parametrize("name", ["residual_gain", "diffusion_moisture_exponent", "saddle_over_bridge"])
def test_a_changed_number_changes_every_kept_answer(
    name: str, numbers: Any, kept: Any, monkeypatch: pytest.MonkeyPatch
) -> None:
    folder, grid, before = kept
    if name != "saddle_over_bridge":  # the body knows nothing of the others: it is not solved anew
        known = body_response(load_scenario("first-winter").instrument)
        monkeypatch.setattr(body, "respond", lambda *_: known)
    numbers(name, 2.0)
    after, fresh = answers(folder, grid), answers(None, grid)
    assert name in before["told"]
    for door in before:
        assert np.array_equal(after[door], fresh[door]), f"{door} answers otherwise from an old cache"
        assert door == "told" or not np.array_equal(after[door], before[door]), f"{door} did not hear of {name}"


def test_an_old_cache_gives_what_a_fresh_one_gave(kept: Any) -> None:
    folder, grid, made = kept
    again = answers(folder, grid)
    assert all(np.array_equal(made[door], again[door]) for door in made)


def test_a_changed_wood_changes_the_kept_response(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, coarse: None
) -> None:
    guitar = load_scenario("first-winter").instrument
    before = design_response(guitar)
    copy = tmp_path / "data"
    shutil.copytree(species_data_dir(), copy)
    file = copy / "woods" / f"{library.file_stem(guitar.body.top.wood)}.toml"
    text = file.read_text(encoding="utf-8")
    value = library.wood(guitar.body.top.wood).numbers["modulus_of_elasticity_12"].value
    assert f"value = {value:g}" in text
    file.write_text(text.replace(f"value = {value:g}", f"value = {value / 2:g}"), encoding="utf-8")
    monkeypatch.setattr(library, "species_data_dir", lambda: copy)
    assert design_response(guitar).top_sinkage["strings"] > 1.05 * before.top_sinkage["strings"]


def test_the_curves_of_woods_memory_are_the_librarys(numbers: Any) -> None:
    from driftmodel.wood.sorption import desorption_boundary, memory_at_middle, scanning_moisture

    def told() -> list[float]:
        turns = memory_at_middle(50.0)
        return [float(desorption_boundary(50.0)), turns[1], float(scanning_moisture([40.0, 60.0])[-1])]

    before = told()
    numbers("hysteresis_desorption_b", 1.1)
    assert all(abs(after - then) > 1e-3 for after, then in zip(told(), before, strict=True))


# ---- changed files -------------------------------------------------------------------------------------------------


def test_changed_weather_of_the_same_size_and_time_is_seen(world: Path) -> None:
    """A file put back with the old time and size but other bytes: seen by the readers, the lags and the fingerprint."""
    climate = load_climate(world / "climates" / "cold_city_heated.toml")
    file = climate.input_files[0]
    scenario = load_scenario("first-winter")
    scenario = replace(scenario, stays=(replace(scenario.stays[0], climate=climate),), horizon_years=2)
    known, cache = os.stat(file), LagCache()
    marks, before = air_fingerprint(scenario, 0), cache.air(scenario, 0)
    lines = file.read_text(encoding="utf-8").splitlines(keepends=True)
    cells = lines[-1].rstrip("\n").split(",")
    cells[-1] = (
        "".join("1" if each != "1" else "2" if each.isdigit() else each for each in cells[-1][:1]) + cells[-1][1:]
    )
    file.write_text("".join([*lines[:-1], ",".join(cells) + "\n"]), encoding="utf-8")
    os.utime(file, ns=(known.st_atime_ns, known.st_mtime_ns))
    assert os.stat(file).st_size == known.st_size
    assert air_fingerprint(scenario, 0) != marks
    after = cache.air(scenario, 0)
    assert not np.array_equal(after["relative_humidity"].values, before["relative_humidity"].values)


def test_a_changed_climate_or_scenario_file_is_read_anew(world: Path) -> None:
    first = load_scenario("mine.toml")
    assert load_scenario("mine.toml").instrument is first.instrument  # read once
    file = world / "mine.toml"
    file.write_text(file.read_text(encoding="utf-8").replace("days_outside = ", "days_outside = 1"), encoding="utf-8")
    climate = Path(first.stays[-1].climate.file)
    climate.write_text(
        climate.read_text(encoding="utf-8").replace("title = ", 'title = "Other" # ', 1), encoding="utf-8"
    )
    again = load_scenario("mine.toml")
    assert again.rule.days_outside != first.rule.days_outside and again.stays[-1].climate.title == "Other"


# ---- warming -------------------------------------------------------------------------------------------------------


def test_warming_is_in_the_record_and_writes_no_file(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Outdoors two degrees warmer and its humidity one point lower in every hour; weather file and normals alike."""
    from driftmodel.outlook.levers import with_lever

    monkeypatch.setenv("DRIFTMODEL_CACHE", str(tmp_path / "kept"))
    for name in ("first-winter", "damp-coast"):
        scenario = load_scenario(name)
        outdoors, warmer = (
            replace(each.stays[-1].climate, room=None, humidifier=None, case=None)
            for each in (scenario, with_lever(scenario, "warming", 2.0))
        )
        before, after = (climate_air(each, date(2026, 1, 1), 8760, member=1, seed=3) for each in (outdoors, warmer))
        rise = after["air_temperature"].values - before["air_temperature"].values
        assert rise == pytest.approx(np.full(8760, 2.0))
        drier = after["relative_humidity"].values - before["relative_humidity"].values
        free = (before["relative_humidity"].values < 99.0) & (before["relative_humidity"].values > 3.0)
        per_kelvin = library.general("outdoor_humidity_per_kelvin").value
        assert np.median(drier[free]) == pytest.approx(2.0 * per_kelvin)
    assert not list(tmp_path.rglob("*.csv"))


# ---- fingerprints --------------------------------------------------------------------------------------------------


def test_every_field_of_a_scenario_is_in_its_fingerprint() -> None:
    """Each field of the record changed by itself; where it was read is left out."""
    scenario = load_scenario("first-winter")
    known = {fingerprint(scenario)}
    others = {
        "name": "x", "title": "x", "summary": "x", "invented": not scenario.invented, "horizon_years": 3, "draws": 11,
        "seed": 77, "hysteresis": not scenario.hysteresis, "weather_members": 9, "stays": scenario.stays[:1],
        "events": (1,), "rule": replace(scenario.rule, days_outside=61),
        "setup": replace(scenario.setup, action_12th_mm=2.21),
        "instrument": replace(scenario.instrument, body_fret=12),
    }  # fmt: skip
    for name, value in others.items():
        assert getattr(scenario, name) != value
        known.add(fingerprint(replace(scenario, **{name: value})))
    assert len(known) == len(others) + 1
    assert fingerprint(replace(scenario, file="elsewhere.toml", raw={})) in known


def test_values_that_read_alike_are_told_apart() -> None:
    alike = [
        (1, 2), ((1, 2),), (12,), ("1", 2), (1.0, 2), (True, 2), ("1, 2",), (["a", "b"],), ("ab",), ({"a": "b"},),
        (None,), ("None",), (b"1",), (date(2026, 1, 1),), ("2026-01-01",), (np.array([1, 2]),), (np.array([[1, 2]]),),
        (np.array([1.0, 2.0]),), (np.array([], dtype=float),),
    ]  # fmt: skip
    assert len({fingerprint(*parts) for parts in alike}) == len(alike)
    assert fingerprint({"a": 1, "b": 2}) == fingerprint({"b": 2, "a": 1})
    assert fingerprint(load_scenario("first-winter")) == fingerprint(load_scenario("first-winter"))


def test_what_has_no_fingerprint_is_refused() -> None:
    with pytest.raises(TypeError, match="no fingerprint"):
        fingerprint(object())
    with pytest.raises(TypeError, match="no fingerprint"):
        fingerprint(lambda: None)


def test_code_and_numbers_are_in_every_fingerprint(monkeypatch: pytest.MonkeyPatch) -> None:
    before = fingerprint("a")
    monkeypatch.setattr(keeping, "_code", lambda: "other code")
    assert fingerprint("a") != before
    monkeypatch.undo()
    monkeypatch.setattr(keeping, "data_digest", lambda: "other numbers")
    assert fingerprint("a") != before


def test_a_young_file_is_read_every_time(tmp_path: Path) -> None:
    file = tmp_path / "a.csv"
    file.write_text("one")
    first = file_digest(file)
    file.write_text("two")
    assert file_digest(file) != first
    assert file_digest(tmp_path / "missing") == "none"


# ---- memory and shelf ----------------------------------------------------------------------------------------------


def test_memory_drops_the_least_lately_used() -> None:
    made: list[str] = []
    memory: Memory[str] = Memory(2)
    for key in "abacab":  # c drops b, not a
        memory.of(key, lambda key=key: made.append(key) or key)
    assert made == ["a", "b", "c", "b"]


def test_what_was_read_is_told_again(tmp_path: Path) -> None:
    """From memory and from disk: whoever asks for a kept thing hears of the numbers it was made from."""
    memory: Memory[float] = Memory(2)
    shelf = Shelf(tmp_path)
    for _ in range(2):
        with recording() as inner:
            memory.of("a", lambda: note("half", HALF).value)
        assert inner == {"half": HALF}
        with recording() as inner:
            keep_number(shelf, "a", lambda: note("half", HALF).value)
        assert inner == {"half": HALF}


def keep_number(shelf: Shelf, key: str, make: Any) -> float:
    return shelf.of(key, make, lambda value: (value, {"x": np.arange(3)}), lambda facts, arrays: float(facts))


def never() -> float:
    raise AssertionError("made again")


def spoil(kind: str, file: Path, folder: Path) -> None:
    whole = file.read_bytes()
    if kind == "cut off":
        file.write_bytes(whole[: len(whole) // 2])
    elif kind == "empty":
        file.write_bytes(b"")
    elif kind == "text":
        file.write_text("{}")
    elif kind == "another's":
        keep_number(Shelf(folder / "other"), "b", lambda: 4.0)
        shutil.copy(folder / "other" / "b.npz", file)
    elif kind == "plausible":
        np.savez(file, x=np.arange(3), about=np.frombuffer(b'{"facts": 9.0, "numbers": {}, "sum": ""}', dtype=np.uint8))
    elif kind == "an array changed":
        with np.load(file) as kept:
            np.savez(file, x=np.arange(3) + 1, about=kept["about"])
    else:
        with np.load(file) as kept:
            about = kept["about"].tobytes().replace(b'"facts": 3.0', b'"facts": 4.0')
        np.savez(file, x=np.arange(3), about=np.frombuffer(about, dtype=np.uint8))


@pytest.mark.parametrize(
    "kind", ["cut off", "empty", "text", "another's", "plausible", "an array changed", "a fact changed"]
)
def test_a_spoilt_or_foreign_file_is_passed_over_and_written_anew(kind: str, tmp_path: Path) -> None:
    folder = tmp_path / "shelf"
    shelf = Shelf(folder)
    assert keep_number(shelf, "a", lambda: 3.0) == 3.0
    assert keep_number(shelf, "a", never) == 3.0
    spoil(kind, folder / "a.npz", tmp_path)
    assert keep_number(shelf, "a", lambda: 5.0) == 5.0
    assert keep_number(shelf, "a", never) == 5.0


def test_no_folder_and_one_that_cannot_be_written_cost_only_time() -> None:
    for shelf in (Shelf(None), Shelf(Path("/proc/nowhere"))):
        assert keep_number(shelf, "a", lambda: 3.0) == 3.0
        assert keep_number(shelf, "a", lambda: 4.0) == 4.0


def test_the_least_lately_used_files_go(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Bounded below the user's cache folder, and only there; a read counts as a use; files of others stay."""
    monkeypatch.setenv("DRIFTMODEL_CACHE", str(tmp_path / "cache"))
    shelf = Shelf(tmp_path / "cache" / "room")
    for age, key in enumerate("abcde"):
        keep_number(shelf, key, lambda: 1.0)
        os.utime(shelf.folder / f"{key}.npz", (1e9 + age, 1e9 + age))  # type: ignore[operator]
    (tmp_path / "cache" / "mine.txt").write_text("mine")
    keep_number(shelf, "a", never)
    size = (tmp_path / "cache" / "room" / "a.npz").stat().st_size
    clear_down(tmp_path / "cache", 5 * size)
    assert len(list(tmp_path.rglob("*.npz"))) == 5
    clear_down(tmp_path / "cache", 4 * size)
    assert sorted(file.stem for file in tmp_path.rglob("*.npz")) == ["a", "d", "e"]
    assert (tmp_path / "cache" / "mine.txt").exists()
    monkeypatch.setattr(keeping, "MOST_BYTES", size)
    monkeypatch.setattr(keeping, "_writes", 0)
    keep_number(Shelf(tmp_path / "named"), "f", lambda: 1.0)
    keep_number(Shelf(tmp_path / "named"), "g", lambda: 1.0)
    assert len(list((tmp_path / "named").glob("*.npz"))) == 2
    keep_number(shelf, "h", lambda: 1.0)
    assert not list((tmp_path / "cache").rglob("*.npz"))  # nine tenths of one file hold none
