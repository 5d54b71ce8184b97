"""Price of cover and what-ifs of a fleet: invariants, and what a price must be where it can be counted by hand.

No outside reference values: each expectation follows from the definition named in the test.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from invented_fleets import ToyDrift, invented_fleet, invented_settings

from driftmodel.base.arrays import only
from driftmodel.base.errors import BadInput
from driftmodel.fleet import policy
from driftmodel.fleet.demand import Demand, forecast_demand
from driftmodel.fleet.money import job_laws
from driftmodel.fleet.passage import Cell, Passages, cell_seed
from driftmodel.fleet.physics import OutlookPassages, World, physics_of, usual_cover, world_named
from driftmodel.fleet.policy import price_table, priced, prices, sales_of_a_year
from driftmodel.fleet.roster import Fleet
from driftmodel.outlook.chain import run_chain
from driftmodel.outlook.draws import draw_unknowns
from driftmodel.outlook.lived import lived

LAW = ToyDrift()


@pytest.fixture(scope="module")
def found() -> Demand:
    return forecast_demand(fleet_of(8000), LAW)


def fleet_of(units: int, exposures: int = 2) -> Fleet:
    settings = invented_settings(2, 2, exposures, samples=50, draws=64, members=4, horizon_months=12,
                                 policy_months=[24, 60])  # fmt: skip
    return invented_fleet(settings, LAW, units, years=6, seed=3)[0]


def test_a_longer_cover_costs_more_and_its_share_in_common_grows_with_the_number_sold(found: Demand) -> None:
    one, two = (prices(found, World(LAW), months) for months in (24, 60))
    assert np.all(one.jobs <= two.jobs + 1e-9) and np.all(one.cost.mean(axis=0) < two.cost.mean(axis=0))
    rows = price_table(found.fleet, [two])
    every, parts = rows[-1], rows[:-1]
    assert (every["region"], len(parts)) == ("all", 4)
    weight = np.array([row["sold_last_year"] for row in parts])
    mean = np.array([row["cost_mean"] for row in parts])
    assert every["cost_mean"] == pytest.approx((weight * mean).sum() / weight.sum())
    assert every["common_share"] > max(row["common_share"] for row in parts) * 0.9
    assert all(row["cost_p10"] < row["cost_mean"] < row["cost_p90"] for row in rows)


def test_the_price_is_jobs_and_visits_at_their_means_and_jobs_are_those_of_as_many_units_sold(found: Demand) -> None:
    """A year of sales as in the price, in the plan of the fleet itself, has as many jobs in cover: 5 % is three
    standard errors of the plan's and the price's separate futures."""
    fleet, price = found.fleet, prices(found, World(LAW), 24)
    laws, rates = job_laws(found), fleet.rates
    visits = price.cost.mean(axis=0) - price.jobs.mean(axis=0) * laws.cost.mean[:, None]
    a_year = np.array(fleet.settings.regions["r0"].seasonal_complaints_per_thousand).sum() / 1000.0
    visit = rates.hours_seasonal[0] * rates.cost_per_hour[0]
    assert visits == pytest.approx(2.0 * a_year * visit, rel=0.35)  # futures differ in the mean of a job
    units = fleet.units
    new = {name: getattr(units, name) for name in type(units).__dataclass_fields__}
    many = 12 * 2 * 2 * 2
    place = np.indices((12, 2, 2, 2)).reshape(4, many)
    plan = {"build": fleet.cutoff + 1 + place[0], "region": place[1], "design": place[2], "exposure": place[3],
            "cover": np.full(many, 24), "regraded": np.full(many, -1), "grade": np.zeros(many),
            "count": np.full(many, 500), "planned": np.ones(many, bool), "row": np.full(many, -1)}  # fmt: skip
    plan["sale"] = plan["build"] + fleet.settings.habits.sale_lag_months
    both = {name: np.append(values, plan[name].astype(values.dtype)) for name, values in new.items()}
    settings = fleet.settings.model_copy(update={"horizon_months": 12 + fleet.settings.habits.sale_lag_months + 24})
    planned = forecast_demand(replace(fleet, units=type(units)(**both), settings=settings), LAW)
    jobs = planned.planned.regrades[..., 1].sum(axis=1).mean(axis=0) / 12000.0
    assert jobs.mean() == pytest.approx(price.jobs.mean(), rel=0.05)


def test_worlds_share_all_but_what_sets_them_apart(found: Demand) -> None:
    """Nothing moved: no difference in any future. Slower drift: fewer jobs in every future, and known far better than
    either price. All sales to one region: its price."""
    slow = World(replace(LAW, reach=0.8), "slower")
    rows = priced(found, LAW, [World(LAW, "nothing"), slow, World(LAW, "short", cover=24)])[1]
    assert [row["what_if"] for row in rows] == ["as it is", "nothing", "slower", "short"]
    assert rows[1]["difference_p90"] == rows[1]["difference_p10"] == rows[0]["difference_mean"] == 0.0
    assert rows[2]["difference_p90"] < 0.0 and rows[3]["cover_months"] == 24
    base, changed = (prices(found, world, usual_cover(found.fleet)) for world in (World(LAW), slow))
    apart = base.overall(base.cost) - changed.overall(changed.cost)
    alone = np.hypot(base.overall(base.cost).std(), changed.overall(changed.cost).std())  # were they drawn apart
    assert apart.std() < 0.5 * alone
    assert rows[2]["a_year"] == pytest.approx(-apart.mean() * sales_of_a_year(found.fleet).sum())
    one = prices(found, World(LAW, places=(("r1", 1.0),)), 24)
    assert one.weight[0].sum() == pytest.approx(0.0) and one.weight[1].sum() == pytest.approx(1.0)


def by_care(cell: Cell, members: int, draws: int, seed: int) -> Passages:
    """Owners of e0 need a regrade in their second year, those of e1 never."""
    months = np.full((draws, 1), 15.0 if cell.exposure == "e0" else np.inf)
    return Passages(months, np.zeros((draws, 1), dtype=np.intp))


def test_the_mix_of_care_moves_the_price() -> None:
    """Without claims: jobs a unit are the share of e0's owners."""
    fleet = fleet_of(200)
    none = {name: getattr(fleet.claims, name)[:0] for name in type(fleet.claims).__dataclass_fields__}
    units = replace(fleet.units, regraded=np.full_like(fleet.units.regraded, -1), build=np.full_like(
        fleet.units.build, fleet.cutoff), sale=np.full_like(fleet.units.sale, fleet.cutoff))  # fmt: skip
    found = forecast_demand(replace(fleet, claims=type(fleet.claims)(**none), units=units), by_care)
    jobs = [
        float(np.median(prices(found, World(by_care, care=(("e0", share),)), 36).jobs)) for share in (0.2, 0.4, 0.8)
    ]
    assert jobs[0] < jobs[1] < jobs[2] and jobs[0] / jobs[2] == pytest.approx(0.25, rel=0.1)


@pytest.mark.parametrize(
    ("words", "told"),
    [
        ("build humidty=50", "build humidity"),
        ("cover=0", "whole months"),
        ("share of e7=50", 'no exposure "e7"'),
        ("sales to r0=150", "percent from 0 to 100"),
        ("shipping=soon", "year-month-day"),
        ("shipped dry=120", "percent from 0 to 100"),
        ("humidifier outage=3", "no humidifier to fail"),
    ],
)
def test_what_cannot_be_moved_is_told_before_any_work(words: str, told: str) -> None:
    fleet = fleet_of(200)
    with pytest.raises(BadInput, match=told):
        world_named(fleet, physics_of(fleet), words)


def test_a_share_shipped_dry_pays_its_share(found: Demand) -> None:
    """Half the units fare as under the other law: jobs lie half-way, in each future; all of them: its own."""
    fast = replace(LAW, reach=1.1)
    none, half, whole, own = (
        prices(found, world, 24).jobs
        for world in (World(LAW), World(LAW, other=(fast, 0.5)), World(LAW, other=(fast, 1.0)), World(fast))
    )
    assert whole == pytest.approx(own) and none.mean() < 0.9 * whole.mean()
    assert half == pytest.approx(0.5 * (none + whole))


def test_a_region_and_a_design_without_claims_have_the_pools_price_and_a_wider_band(found: Demand) -> None:
    """Nothing sold to r1, nothing of d1: both are priced, at what the claims say of the others within a half (they may
    differ by exp(0.3) and more, and the pool is of one place alone), and less surely."""
    fleet = found.fleet
    kept = (fleet.units.region == 0) & (fleet.units.design == 0)
    claims = (fleet.claims.region == 0) & (fleet.claims.design == 0)
    unit = (np.cumsum(kept) - 1)[fleet.claims.unit[claims]].astype(fleet.claims.unit.dtype)
    alone = replace(fleet, units=only(fleet.units, kept), claims=replace(only(fleet.claims, claims), unit=unit),
                    serial=[fleet.serial[i] for i in np.flatnonzero(kept)])  # fmt: skip
    priced_alone = prices(forecast_demand(alone, LAW), World(LAW), 60)
    known, new = priced_alone.cost[:, 0, 0], priced_alone.cost[:, 1, 1]
    assert priced_alone.weight[1].sum() == 0.0
    assert np.median(new) == pytest.approx(np.median(known), rel=0.5)
    assert np.log(new).std() > 1.5 * np.log(known).std()


def test_levers_of_a_guitar_and_of_a_fleet_are_told_apart() -> None:
    fleet = fleet_of(200)
    world = world_named(fleet, physics_of(fleet), "build humidity=50, cover=36, share of e1=80, sales to r1=25")
    assert world.cover == 36 and world.care == (("e1", 0.8),) and world.places == (("r1", 0.25),)
    assert world.function.what_if == "build humidity=50"
    cell = Cell("r0", "cold_city_heated", "e0", "d0", 3)
    changed, plain = (law.scenario(cell, 1, 1, 0) for law in (world.function, physics_of(fleet)))
    dry = world_named(fleet, physics_of(fleet), "shipped dry=40").other
    assert dry is not None and dry[1] == 0.4
    assert changed.setup.built_relative_humidity_pct == 50.0 != plain.setup.built_relative_humidity_pct


def test_days_inside_are_those_of_the_homes_by_their_share(monkeypatch: pytest.MonkeyPatch) -> None:
    """One region, one design, two kinds of home, three quarters and a quarter, told by hand from the passages' own
    days; a toy without a forecast behind it has none to tell."""
    fleet = fleet_of(200)
    world = world_named(fleet, physics_of(fleet), "share of e1=25, sales to r1=100, shipped dry=40")
    homes: list[tuple[str, str]] = []

    def days(self: OutlookPassages, cell: Cell, years: int, draws: int, seed: int) -> float:
        homes.append((cell.region, cell.exposure))
        return (300.0 if cell.exposure == "e0" else 200.0) - (40.0 if self.shipped else 0.0)

    monkeypatch.setattr(OutlookPassages, "lived_days", days)
    assert policy.inside_days(fleet, world, 3) == pytest.approx(0.75 * 300 + 0.25 * 200 - 0.4 * 40)
    assert set(homes) == {("r1", "e0"), ("r1", "e1")}
    assert policy.inside_days(fleet, World(LAW), 3) is None


def test_days_inside_are_lived_in_the_cell() -> None:
    """As the forecast's own count for the same draws."""
    fleet = fleet_of(200)
    physics, cell = physics_of(fleet), Cell("r0", "cold_city_heated", "e0", "d0", 3)
    scenario = replace(physics, years=1).scenario(cell, 1, 4, 5)
    own = lived(run_chain(scenario, draw_unknowns(scenario, 4, cell_seed(cell, 5)))).inside_days
    assert physics.lived_days(cell, 1, 4, 5) == pytest.approx(own.mean()) and 0.0 < own.mean() <= 365.25
