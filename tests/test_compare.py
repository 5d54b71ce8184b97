"""Comparisons: common random numbers and levers. No outside reference values; what is checked is the pairing itself
(a lever that changes nothing gives exactly nothing) and that every lever moves what it names."""

from __future__ import annotations

from dataclasses import fields, is_dataclass, replace
from typing import Any

import numpy as np
import pytest

import driftmodel
from driftmodel import load_scenario
from driftmodel.outlook.compare import compare
from driftmodel.outlook.levers import with_lever
from driftmodel.report.compare_report import comparison_terminal


def test_pairs_are_of_one_world() -> None:
    """The same guitar under another name differs by nothing; a real change is known far better than unpaired."""
    base = replace(load_scenario("first-winter"), horizon_years=3, weather_members=2)
    table = compare([base, with_lever(base, "string tension", 100), with_lever(base, "humidifier", 42)], 30, 3)
    assert np.all(table["difference"].values[1] == pytest.approx(0.0, abs=1e-5))
    alone = driftmodel.forecast(replace(base, seed=3), 30, 3).sel(time=slice(str(base.stays[-1].start), None))
    year = alone["action_change_seasonal"].groupby("time.month").mean()
    middle = base.setup.action_12th_mm + year.median("draw").values
    assert table["action"].sel(quantile=0.5, scenario=base.name).values == pytest.approx(middle, abs=1e-4)
    damp = alone["relative_humidity"].groupby("time.month").mean().values
    assert table["humidity"].sel(scenario=base.name).values == pytest.approx(damp, abs=0.01)
    swing = table.sel(outcome="season_swing")
    assert float(swing["difference_mean"][2]) < -0.3
    assert float(swing["difference_se"][2]) < 0.7 * float(swing["unpaired_se"][2])
    assert all(len(line) <= 100 for line in comparison_terminal(table, "metric").splitlines())


def moved_in(one: Any, other: Any, at: str = "") -> set[str]:
    """Where two records differ: 'instrument.body.top.wood'."""
    if is_dataclass(one) and type(one) is type(other):
        own = [(each.name, f"{at}.{each.name}".strip(".")) for each in fields(one)]
        return set().union(*(moved_in(getattr(one, name), getattr(other, name), place) for name, place in own))
    if isinstance(one, tuple) and len(one) == len(other) and any(map(is_dataclass, one)):
        return set().union(*(moved_in(each, own, at) for each, own in zip(one, other, strict=True)))
    return set() if one == other else {at}


CLIMATE, OUTDOOR, ROOM = "stays.climate", "stays.climate.outdoor", "stays.climate.room"
BODY, TOP, STRINGS = "instrument.body", "instrument.body.top", "instrument.strings"
#: lever, value, and all that it may move
MOVES: list[tuple[str, Any, set[str]]] = [
    ("place", "damp_coast", {f"{CLIMATE}.file", f"{CLIMATE}.name", f"{CLIMATE}.title", f"{OUTDOOR}.weather_file",
                             f"{OUTDOOR}.year_to_year_sd_c", f"{OUTDOOR}.year_to_year_sd_pct",
                             f"{ROOM}.cooling_setpoint_c", f"{ROOM}.heating_setpoint_c"}),
    ("winter heating", 18, {f"{ROOM}.heating_setpoint_c"}), ("humidifier", 42, {f"{CLIMATE}.humidifier"}),
    ("case", True, {f"{CLIMATE}.case"}), ("case", 45, {f"{CLIMATE}.case"}),
    ("air changes", 0.3,
     {f"{ROOM}.{each}" for each in ("air_changes_per_hour", "excess_cold_g_m3", "excess_warm_g_m3")}),
    ("warming", 3, {f"{OUTDOOR}.warmer_k", f"{OUTDOOR}.drier_pct"}),
    ("shipping", "2027-03-01", {"stays"}), ("move", 2, {"stays"}),
    ("build humidity", 50, {"setup.built_relative_humidity_pct"}),
    ("finish outside", "bare", {f"{TOP}.finish_outside", f"{BODY}.back.finish_outside"}),
    ("finish inside", "nitrocellulose lacquer", {f"{TOP}.finish_inside", f"{BODY}.back.finish_inside"}),
    ("top wood", "western redcedar", {f"{TOP}.wood"}), ("neck wood", "sugar maple", {"instrument.neck.wood"}),
    ("brace height", 0.9, {f"{TOP}.braces.height_mm"}), ("brace layout", "small_ladder_braced", {f"{TOP}.braces"}),
    ("braces before the bridge", 0.9, {f"{TOP}.braces_before_bridge"}),
    ("braces behind the bridge", 0.9, {f"{TOP}.braces_behind_bridge"}),
    ("top thickness", 3.0, {f"{TOP}.thickness_mm"}), ("top dome", 6000.0, {f"{TOP}.dome_radius_mm"}),
    ("joint", "bolted/glued", {"instrument.joint.tongue"}),
    ("strings over the join", 12.0, {f"{STRINGS}.over_top_at_join_mm"}),
    ("rod length", 340.0, {"instrument.neck.rod_length_mm"}),
    ("scale", 640.0, {f"{STRINGS}.scale_mm", *(f"{BODY}.bridge.{each}_mm" for each in ("front", "back", "saddle"))}),
    ("string gauge", 0.95, {f"{STRINGS}.gauges_in"}), ("string tension", 90, {f"{STRINGS}.tension_n"}),
    ("finer spacers", 2, {"instrument.spacers.labels", "instrument.spacers.tapers_mm"}),
]  # fmt: skip


@pytest.mark.parametrize(("lever", "value", "what"), MOVES, ids=[f"{lever}-{value}" for lever, value, _ in MOVES])
def test_every_lever_moves_what_it_names_and_nothing_else(lever: str, value: Any, what: set[str]) -> None:
    base = load_scenario("first-winter")
    found = moved_in(base, with_lever(base, lever, value)) - {"raw", "numbers"}
    assert found == {"name", "title", *what}
