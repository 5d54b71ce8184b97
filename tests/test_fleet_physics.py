"""The physics of a fleet's cells is that of a single instrument's forecast, and runs from file to demand.

No outside reference values: outlook.drift.forecast, checked elsewhere, is the reference.
"""

from __future__ import annotations

from dataclasses import replace
from datetime import date

import numpy as np
import pytest
from invented_fleets import ToyDrift, invented_fleet, invented_settings

from driftmodel.base.workers import Crew
from driftmodel.fleet import built_together
from driftmodel.fleet.demand import forecast_demand
from driftmodel.fleet.money import sampled_money
from driftmodel.fleet.passage import Cell, cell_seed
from driftmodel.fleet.physics import OutlookPassages, physics_of, regrades_of
from driftmodel.fleet.planner_tables import monthly_table
from driftmodel.fleet.tables import month_number
from driftmodel.outlook.chain import run_chain
from driftmodel.outlook.draws import ROOM_WORDS, Draws, draw_unknowns
from driftmodel.wood.sorption import TurningPoints, memory_at_middle, scanning_moisture

LABELS = tuple("ABCDEFGHIJKLMNOPQRSTUVWXYZ")
LAW = OutlookPassages((("large", "first-winter"), ("coast", "damp-coast")), LABELS, 4, 2016)


@pytest.mark.parametrize(
    ("climate", "month", "design"),
    [
        ("cold_city_heated", 3, "large"),
        ("damp_coast", 10, "large"),
        ("cold_city_case", 6, "large"),
        ("cold_city_humidified", 8, "coast"),
        ("humid_south_cooled", 9, "large"),
    ],
)
def test_a_cell_has_the_regrades_of_the_single_forecast(climate: str, month: int, design: str) -> None:
    cell = Cell("north", climate, "open", design, month)
    scenario = LAW.scenario(cell, 2, 32, 5)
    draws = in_median_rooms(draw_unknowns(scenario, 32, cell_seed(cell, 5)))
    chain = run_chain(scenario, draws)
    due, reading = regrades_of(scenario, draws)
    assert np.array_equal(due.day, chain.due.day)
    assert np.array_equal(due.grade, chain.due.grade)
    assert (due.day[:, 0] >= 0).any()
    # a room that has stood in its outdoor air for sixty days knows its start by a hundredth of a micrometre or two
    assert np.abs(reading.action_mm - chain.world.reading.action_mm).max() < 1e-4


def test_a_life_that_goes_on_to_other_air_is_that_of_the_single_forecast() -> None:
    """Six weeks in a container after set-up, and a humidifier that fails in January: the two are one computation, in
    single and in double precision."""
    law = replace(LAW, what_if="humidifier outage=3", shipped=14, years=4)
    scenario = law.scenario(Cell("north", "cold_city_humidified", "open", "coast", 8), 1, 32, 5)
    assert [(stay.start - scenario.setup.setup).days for stay in scenario.stays[1:]] == [0, 14, 56, 148, 169]
    draws = draw_unknowns(scenario, 32, 5)
    many, one = regrades_of(scenario, draws)[1].action_mm, run_chain(scenario, draws).world.reading.action_mm
    assert np.abs(many - one).max() < 1e-6
    plain = replace(law, what_if="", shipped=None).scenario(
        Cell("north", "cold_city_humidified", "open", "coast", 8), 1, 32, 5
    )
    assert np.abs(many - regrades_of(plain, draws)[1].action_mm).max() > 0.05


def test_a_day_of_shipping_is_a_day_of_the_units_still_to_be_sold() -> None:
    """New units are built from July 2026 on, the physics begins in 2016: March 2027 comes half a year after a unit of
    August 2026, and before one of May 2027 is built."""
    law = replace(LAW, shipped=date(2027, 3, 1), new_from=month_number(date(2026, 7, 1)))
    august, may = (law.scenario(Cell("north", "damp_coast", "open", "coast", month), 1, 1, 5) for month in (8, 5))
    assert [stay.start for stay in august.stays[2:]] == [date(2017, 3, 1), date(2017, 4, 12)]
    assert len(may.stays) == 2


def in_median_rooms(draws: Draws) -> Draws:
    """The draws, all houses the median house."""
    values = {name: np.ones(draws.count) if name in ROOM_WORDS else value for name, value in draws.values.items()}
    return replace(draws, values=values)


@pytest.mark.parametrize(("climate", "month"), [("cold_city_heated", 3), ("damp_coast", 10)])
def test_the_houses_of_a_climate_differ_as_in_the_single_forecast(climate: str, month: int) -> None:
    """The rows of rooms are made once for all lives of a climate: the reading is the forecast's within 0.015 mm (root
    mean square), where the houses move it by ten times that."""
    cell = Cell("north", climate, "open", "large", month)
    scenario = LAW.scenario(cell, 2, 32, 5)
    draws = draw_unknowns(scenario, 32, cell_seed(cell, 5))
    one = run_chain(scenario, draws).world.reading.action_mm
    many, alike = (regrades_of(scenario, each)[1].action_mm for each in (draws, in_median_rooms(draws)))
    assert np.sqrt(np.mean((many - one) ** 2)) < 0.015
    assert np.sqrt(np.mean((alike - one) ** 2)) > 0.05


def test_nothing_forgotten_is_computed_in_full(monkeypatch: pytest.MonkeyPatch) -> None:
    """Where wood never forgets the answer is the same: the shortcut is one of time only."""
    cell = Cell("north", "dry_highland", "open", "large", 5)
    short = LAW(cell, 2, 32, 7)
    for kept in (built_together._lives, built_together._paths):
        kept.clear()
    monkeypatch.setattr(built_together, "_forgotten_day", lambda *_: 10**9)
    whole = LAW(cell, 2, 32, 7)
    built_together._lives.clear()
    assert np.array_equal(short.months, whole.months)
    assert np.array_equal(short.grade, whole.grade)


def test_order_and_what_was_kept_change_no_bit() -> None:
    cells = [Cell("north", "cold_city_heated", "open", design, 11) for design in ("large", "coast")]
    forth = [LAW(cell, 2, 32, 7).months for cell in cells]
    for kept in (built_together._lives, built_together._paths):
        kept.clear()
    back = [LAW(cell, 2, 32, 7).months for cell in reversed(cells)][::-1]
    assert all(np.array_equal(one, other) for one, other in zip(forth, back, strict=True))


def test_woods_memory_is_that_of_the_sorption_law() -> None:
    """Histories that leave the same turning points have the same moisture for ever, others do not."""
    memory = memory_at_middle(45.0)
    random = np.random.default_rng(2)
    later = random.uniform(30.0, 70.0, 200)
    one, other = [40.0, 20.0, 60.0], [50.0, 35.0, 55.0, 20.0, 60.0]
    far = [40.0, 15.0, 60.0]
    ends = {}
    for name, start in (("one", one), ("other", other), ("far", far)):
        points = TurningPoints(memory)
        points.pass_through(start)
        ends[name] = points, scanning_moisture([*start, *later], memory=memory)[len(start) :]
    assert ends["one"][0].alike(ends["other"][0], built_together.SAME)
    assert ends["one"][1] == pytest.approx(ends["other"][1], abs=1e-12)
    assert not ends["one"][0].alike(ends["far"][0], built_together.SAME)
    assert np.abs(ends["one"][1] - ends["far"][1]).max() > 1e-3


def test_from_units_to_demand_with_the_real_physics(tmp_path_factory: pytest.TempPathFactory) -> None:
    settings = invented_settings(1, 1, 1, samples=50, draws=32, members=2, horizon_months=12, grades=list(LABELS))
    fleet = invented_fleet(settings, ToyDrift(), 3000, years=6, seed=4)[0]
    kept = np.isin(fleet.units.build % 12, [2, 8])
    units = {name: getattr(fleet.units, name)[kept] for name in type(fleet.units).__dataclass_fields__}
    unit = np.full_like(fleet.claims.unit, -1)  # no claim says of which unit it is
    fleet = replace(fleet, units=type(fleet.units)(**units), claims=replace(fleet.claims, unit=unit))
    seen: list[tuple[int, int]] = []
    folder = tmp_path_factory.mktemp("kept")
    law = physics_of(fleet)
    found = forecast_demand(fleet, law, crew=Crew(folder=folder), progress=lambda done, of: seen.append((done, of)))
    assert seen == [(1, 2), (2, 2)]
    assert len(list(folder.glob("*.npz"))) == 2
    assert found.expected.first.sum() > 0.0
    assert found.expected.history.sum() > 0.0
    assert len(monthly_table(found, sampled_money(found))) == 4 * 12
    again = forecast_demand(fleet, law, crew=Crew(folder=folder))
    assert np.array_equal(found.cube["regrades"].values, again.cube["regrades"].values)


@pytest.mark.slow
def test_workers_with_the_real_physics_change_no_bit() -> None:
    """Two designs, twelve months of build: groups of cells go to two workers."""
    settings = invented_settings(1, 2, 1, samples=50, draws=16, members=2, horizon_months=12, grades=list(LABELS))
    fleet = invented_fleet(settings, ToyDrift(), 2000, years=2, seed=4)[0]
    one, two = (forecast_demand(fleet, physics_of(fleet), crew=Crew(workers)) for workers in (1, 2))
    assert len(one.cohorts.cells) == 24
    assert np.array_equal(one.cube["regrades"].values, two.cube["regrades"].values)
    assert np.array_equal(one.expected.first, two.expected.first)


def test_many_weather_members_are_made_once_for_all_cells(monkeypatch: pytest.MonkeyPatch) -> None:
    """Four members and two months of build: four common paths, not eight."""
    made: list[date] = []
    plain = built_together._path
    monkeypatch.setattr(
        built_together, "_path", lambda scenario, start, air: (made.append(start), plain(scenario, start, air))[1]
    )
    built_together._paths.clear()
    law = replace(LAW, years=1)
    for month in (4, 10):
        law(Cell("north", "dry_highland", "open", "large", month), 4, 12, 7)
    assert made.count(date(2016, 1, 1)) == 4
