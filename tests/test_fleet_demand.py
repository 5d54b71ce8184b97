"""Demand of invented fleets whose truth is known: invariants, cover, claims, the interval's honesty, the backtest.

No outside reference values: each expectation follows from the definition named in the test.
"""

from __future__ import annotations

import re
from dataclasses import replace
from functools import cache
from itertools import pairwise
from pathlib import Path

import numpy as np
import pytest
from invented_fleets import ToyDrift, invented_fleet, invented_settings, write_fleet

from driftmodel.fleet import demand as dm
from driftmodel.fleet import planner_tables
from driftmodel.fleet.backtest import backtest, backtest_words
from driftmodel.fleet.cohorts import cohorts_of, known_at
from driftmodel.fleet.delay import lag_from_claims
from driftmodel.fleet.fleet_file import FleetFile
from driftmodel.fleet.money import open_jobs
from driftmodel.fleet.passage import Passages, lives_after_regrade, lives_of
from driftmodel.fleet.planner_tables import spares
from driftmodel.fleet.reading import read_fleet
from driftmodel.fleet.reporting import Asked, Known, ahead
from driftmodel.fleet.roster import Fleet, Units

LAW = ToyDrift()


def small(units: int = 3000, seed: int = 5, every: int = 3, **changed: object) -> Fleet:
    settings = invented_settings(
        2, 2, 1, **({"samples": 50, "draws": 32, "members": 4, "horizon_months": 12} | changed)
    )
    return invented_fleet(settings, LAW, units, years=5, seed=seed, every=every)[0]


def months_of(fleet: Fleet, law: ToyDrift, cutoff: int | None = None) -> dm.Demand:
    """The months asked for alone, without those on to the end of cover: half of the work."""
    return dm.forecast_demand(fleet, law, cutoff=cutoff, to_end_of_cover=False)


@cache
def whole() -> dm.Demand:
    """The small fleet's forecast, which many only read."""
    return dm.forecast_demand(small(), LAW)


@cache
def months_alone() -> dm.Demand:
    return months_of(small(), LAW)


def total(found: dm.Demand) -> np.ndarray:
    return found.expected.first + found.expected.repeat


def with_units(fleet: Fleet, **columns: np.ndarray) -> Fleet:
    return replace(fleet, units=replace(fleet.units, **columns))


def unnamed(fleet: Fleet) -> Fleet:
    """The same fleet with claims that do not say which unit they are of."""
    return replace(fleet, claims=replace(fleet.claims, unit=np.full_like(fleet.claims.unit, -1)))


def test_conditional_probability_of_one_life_table() -> None:
    """F(a + h) - F(a) over 1 - F(a), by counting: of ten lives two are over by month 3, three more in the next six."""
    months = np.array([[1.0], [2.0], [4.5], [6.0], [8.0], [20.0], [30.0], [np.inf], [np.inf], [np.inf]])
    lives = lives_of(Passages(months, np.zeros((10, 1), dtype=np.intp)), 1, 1)
    found = ahead(lives, Known(np.array([2]), np.array([0]), np.array([0])), Asked(1, 2, 6, np.array([1.0])))
    assert found.first.sum() == pytest.approx(3 / 8)
    assert found.history == pytest.approx(2 / 10)
    assert found.waiting[0, 0] == 1.0
    assert found.pending == 0.0
    whole = ahead(lives, Known(np.array([2]), np.array([0]), np.array([0])), Asked(1, 2, 600, np.array([1.0])))
    assert whole.first.sum() == pytest.approx(5 / 8)  # three of eight never need one


def test_what_is_due_and_not_yet_reported() -> None:
    """Half of the reports come a month late: of four lives over in month 2, two were reported in it; at its end the
    six known to be waiting are four untouched and two pending."""
    months = np.array([[2.5]] * 4 + [[50.0]] * 4)
    lives = lives_of(Passages(months, np.zeros((8, 1), dtype=np.intp)), 1, 1)
    found = ahead(lives, Known(np.array([2]), np.array([0]), np.array([0])), Asked(1, 2, 3, np.array([0.5, 0.5])))
    assert found.pending == pytest.approx(2 / 6)
    assert found.first[0, 0].sum() == pytest.approx(2 / 6)


def test_a_crossing_before_sale_was_put_right_before_delivery() -> None:
    months = np.array([[1.0], [5.0], [np.inf], [np.inf]])
    lives = lives_of(Passages(months, np.zeros((4, 1), dtype=np.intp)), 1, 1)
    found = ahead(lives, Known(np.array([-3]), np.array([3]), np.array([0])), Asked(1, 2, 12, np.array([1.0])))
    assert found.first.sum() == pytest.approx(1 / 3)


def test_a_regraded_unit_goes_on_along_the_same_path() -> None:
    months = np.array([[10.0, 22.0], [10.0, 34.0], [80.0, 81.0]])
    lives = lives_of(Passages(months, np.zeros((3, 2), dtype=np.intp)), 1, 1)
    after = lives_after_regrade(lives, np.array([9]))
    assert sorted(after.crossing[:, 0].tolist()) == [21, 33]
    found = ahead(
        after, Known(np.array([12]), np.array([0]), np.array([0]), fresh=False), Asked(1, 2, 24, np.array([1.0]))
    )
    assert found.first[0].sum(axis=1).nonzero()[0].tolist() == [8, 20]


def test_splitting_a_row_changes_nothing() -> None:
    fleet = unnamed(small())
    double = with_units(fleet, count=np.full_like(fleet.units.count, 2))
    twice = {name: np.repeat(getattr(fleet.units, name), 2) for name in Units.__dataclass_fields__}
    split = replace(fleet, units=Units(**twice))
    one, other = months_of(double, LAW), months_of(split, LAW)
    assert np.array_equal(one.cube["regrades"].values, other.cube["regrades"].values)


def test_shifting_all_dates_by_years_changes_no_number() -> None:
    fleet = small()
    moved = replace(fleet, cutoff=fleet.cutoff + 36)
    units, claims = fleet.units, fleet.claims
    moved = with_units(
        moved,
        build=units.build + 36,
        sale=units.sale + 36,
        regraded=np.where(units.regraded >= 0, units.regraded + 36, -1),
    )
    moved = replace(
        moved, claims=replace(claims, event=claims.event + 36, report=claims.report + 36, close=claims.close + 36)
    )
    one, other = months_alone(), months_of(moved, LAW)
    assert np.array_equal(one.cube["regrades"].values, other.cube["regrades"].values)


def test_monthly_expectations_add_up_to_the_horizons() -> None:
    fleet = small()
    long, short = total(whole()), total(dm.forecast_demand(fleet, LAW, months=6))
    assert long[:, :, :6] == pytest.approx(short, abs=1e-9)
    years = whole().expected
    gone = years.at_risk[..., 0] - years.at_risk[..., -1]
    assert gone == pytest.approx(years.first.sum(axis=(-1, -2))[..., :-1].sum(axis=-1), rel=1e-9)


def test_a_shorter_cover_never_raises_demand_in_cover() -> None:
    fleet = small()
    less = with_units(fleet, cover=np.full_like(fleet.units.cover, 24))
    one, other = total(months_alone()), total(months_of(less, LAW))
    assert np.all(other[..., 1] <= one[..., 1] + 1e-12)
    assert other.sum() == pytest.approx(one.sum())
    none = with_units(fleet, cover=np.zeros_like(fleet.units.cover))
    found = months_of(none, LAW)
    assert found.cube["regrades"].sel(cover="in cover").sum() == 0
    assert found.cube["seasonal"].sum() == 0


def test_no_claims_pull_the_multiplier_below_one_and_many_above() -> None:
    fleet = small()
    kept = fleet.claims.report < 0
    none = replace(
        fleet, claims=type(fleet.claims)(*(getattr(fleet.claims, n)[kept] for n in fleet.claims.__dataclass_fields__))
    )
    assert (months_of(none, LAW).after.mean < 0.5).all()
    twice = type(fleet.claims)(*(np.tile(getattr(fleet.claims, n), 4) for n in fleet.claims.__dataclass_fields__))
    assert (months_of(replace(fleet, claims=twice), LAW).after.mean > 1.5).all()


def test_no_effects_give_the_physics_and_a_huge_level_no_more_than_there_are_units() -> None:
    """First regrades are the physics' own; later ones come from the gaps of all lives of a cell, which is near."""
    fleet = small(20000)
    found = dm.forecast_demand(fleet, LAW)
    expected, window = found.expected, dm.window_of(fleet, found.cutoff, 12, dm.histories(fleet, found.cutoff))
    plain = replace(found.correction, least=np.zeros_like(found.correction.least))
    fresh, again = dm.parts_of(expected, window)
    nothing, flat = np.zeros((2, plain.mean.size)), np.zeros((2, 2, 2, 12))
    first, repeat = dm.reports(fresh, again, expected.gaps, plain, found.cutoff, nothing, flat)
    physics = np.moveaxis(expected.first.sum(axis=-2), 2, 0)
    assert first[0].sum(axis=-1) == pytest.approx(physics.sum(axis=-1), rel=1e-9)
    assert first[0].sum(axis=(0, 1, 2)) == pytest.approx(
        physics.sum(axis=(0, 1, 2)), rel=0.02
    )  # cover by group of sale
    assert repeat[0].sum() == pytest.approx(expected.repeat.sum(), rel=0.15)
    many, _ = dm.reports(fresh, again, expected.gaps, plain, found.cutoff, nothing, flat + 9.0)
    assert np.all(many[0].sum(axis=(0, 3)) <= expected.at_risk[..., 0] + 1e-6)


def lagged(fleet: Fleet, shares: list[float], **changed: float) -> Fleet:
    habits = fleet.settings.habits.model_copy(update={"report_lag_shares": shares, **changed})
    return replace(fleet, settings=fleet.settings.model_copy(update={"habits": habits}))


def claims_with(fleet: Fleet, chosen: np.ndarray) -> Fleet:
    return replace(
        fleet, claims=type(fleet.claims)(*(getattr(fleet.claims, n)[chosen] for n in fleet.claims.__dataclass_fields__))
    )


@pytest.mark.parametrize(("one_kind", "near"), [(True, 1e-9), (False, 0.05)])
def test_another_lag_put_in_later_is_the_lag_the_cells_are_run_with(one_kind: bool, near: float) -> None:
    """No claims, so the stated lag stands: what the cells give under B is what they give under A moved by B - A."""
    a, b = [0.3, 0.25, 0.2, 0.15, 0.1], [0.1, 0.15, 0.2, 0.25, 0.3]
    fleet = small(draws=2048)
    fleet = claims_with(fleet, fleet.claims.report < 0)
    if one_kind:
        units = fleet.units
        same = (units.region == 0) & (units.design == 0)
        fleet = replace(fleet, units=Units(*(getattr(units, n)[same] for n in Units.__dataclass_fields__)))
        many = fleet.units.sale.size
        fleet = with_units(
            fleet,
            build=np.full(many, fleet.cutoff - 30, dtype=np.int32),
            sale=np.full(many, fleet.cutoff - 29, dtype=np.int32),
            regraded=np.full(many, -1, dtype=np.int32),
        )
    under_a, under_b = (months_of(lagged(fleet, shares), LAW).expected for shares in (a, b))
    moved = dm.with_habits(dm.monthly(under_a), under_a, np.array(b) - np.array(a))
    wanted = dm.monthly(under_b)
    for name in ("first", "at_risk", "pending", "history"):
        assert getattr(moved, name) == pytest.approx(getattr(wanted, name), rel=near, abs=1e-9), name
    # repeats are few here: a hundredth of the first
    assert moved.repeat == pytest.approx(wanted.repeat, rel=max(near, 0.02), abs=1e-3 if one_kind else 0.05)
    assert wanted.pending.sum() > 1.3 * under_a.pending.sum()


def test_few_claims_leave_the_lag_and_what_is_not_yet_reported_wide() -> None:
    """1500 claims, and 15 with the same share at each lag: only what is known of the lag differs."""
    expected = months_of(small(20000), LAW).expected
    plain, random = dm.monthly(expected), np.random.default_rng(3)
    widths = []
    for times in (1, 100):
        lag = np.tile(np.repeat(np.arange(5), [5, 4, 3, 2, 1]), times)
        law = lag_from_claims(np.full(lag.size, 100), 100 + lag, 108, 24, 5)
        assert law.shares == pytest.approx(np.array([5, 4, 3, 2, 1]) / 15)
        drawn = [dm.with_habits(plain, expected, law.draw(random) - law.shares) for _ in range(300)]
        widths.append([np.std([part.first[..., 0].sum() for part in drawn]), np.std([p.pending.sum() for p in drawn])])
    few, many = np.array(widths)
    assert (few > 5.0 * many).all()


def test_weather_shared_in_a_region_widens_totals() -> None:
    """The same fleet where weather differs more between members: the spread of the total must grow with it."""
    fleet = small(20000, samples=200, draws=256, members=16)
    spreads = []
    for law in (replace(LAW, weather=0.0), replace(LAW, weather=0.5)):
        kept = fleet.claims.report < 0
        bare = replace(
            fleet,
            claims=type(fleet.claims)(*(getattr(fleet.claims, n)[kept] for n in fleet.claims.__dataclass_fields__)),
        )
        ratio = dm.weather_ratio(months_of(bare, law).expected)
        spreads.append(float(ratio[:, :, 0].std()))
    assert spreads[1] > 3.0 * spreads[0]


def test_the_table_comes_from_one_cube() -> None:
    """Medians do not add; means and the cube's own sums do."""
    found = whole()
    rows = planner_tables.monthly_table(found)
    cube = found.cube["regrades"].values.sum(axis=(2, 3, 4, 5))
    every = [row for row in rows if row["region"] == "all" and row["design"] == "all"]
    parts = [row for row in rows if row["region"] != "all" and row["design"] != "all"]
    assert [row["regrades_p90"] for row in every] == pytest.approx(np.quantile(cube, 0.9, axis=0).tolist())
    assert sum(row["regrades_mean"] for row in every) == pytest.approx(sum(row["regrades_mean"] for row in parts))
    assert sum(row["regrades_p90"] for row in parts) > sum(row["regrades_p90"] for row in every)


def test_jobs_follow_reports_and_open_jobs_come_first() -> None:
    fleet = small()
    recent = fleet.claims.report == fleet.cutoff
    close = np.where(recent, -1, fleet.claims.report).astype(np.int32)
    fleet = replace(fleet, claims=replace(fleet.claims, close=close))
    found = replace(whole(), fleet=fleet)
    rows = [row for row in planner_tables.monthly_table(found) if row["region"] == "all" and row["design"] == "all"]
    waiting = int((recent & (fleet.claims.disposition == dm.REGRADE)).sum())
    assert sum(value for name, value in rows[0].items() if name.startswith("pieces_")) == pytest.approx(waiting)
    assert rows[1]["hours_p50"] > 0


def test_the_accrual_rolls_forward() -> None:
    settings = {"opening_accrual": 1000.0}
    rows = planner_tables.roll_forward(replace(whole(), fleet=small(**settings)))
    for row in rows:
        moved = row["opening"] + row["issued"] + row["change_of_estimate"] - row["settled"]
        assert row["closing"] == pytest.approx(moved)
    assert rows[0]["opening"] == 1000.0
    assert rows[-1]["closing"] > 0.0  # cover goes on past the months shown
    for earlier, later in pairwise(rows):
        assert later["opening"] == pytest.approx(earlier["closing"])


def test_planned_sales_are_issued_in_their_month() -> None:
    fleet = small()
    planned = fleet.units.sale > fleet.cutoff - 4
    units = replace(
        fleet.units,
        sale=np.where(planned, fleet.units.sale + 5, fleet.units.sale).astype(np.int32),
        planned=planned,
        regraded=np.where(planned, -1, fleet.units.regraded).astype(np.int32),
    )
    rows = planner_tables.roll_forward(dm.forecast_demand(replace(fleet, units=units), LAW))
    assert sum(row["issued"] for row in rows) > 0.0
    assert all(row["issued"] == 0.0 for row in rows[6:])


def test_who_is_due_and_stock() -> None:
    found = whole()
    due = planner_tables.who_is_due(found, 20)
    chances = [row["chance_within_12_months"] for row in due]
    assert chances == sorted(chances, reverse=True)
    assert 0.0 < chances[-1] <= chances[0] <= 1.0
    assert due[0]["serial"].startswith("S")
    year = found.fleet.settings.cutoff
    assert all(row["cover_ends"] > f"{year:%Y-%m}" or row["saved"] == 0.0 for row in due)
    top = due[0]
    rates = found.fleet.rates  # freight, and a seasonal visit's hours, as stated
    saved = rates.cost_freight[0] + rates.hours_seasonal[0] * rates.cost_per_hour[0]
    assert 0.0 <= top["saved"] <= saved * top["chance_within_12_months"] + 1e-9
    assert re.fullmatch(r"\d\d to \d\d", top["season"])


def test_spares_are_for_open_jobs_and_for_those_that_come_until_an_order_arrives() -> None:
    """Orders are what is to be held and what waits, less what is there; all orders together fill the stated share."""
    fleet = small(20000)
    centre = {"regions": ["r1"], "lead_months": 2, "on_hand": {"H": 3}, "on_order": {"I": 500}}
    content = fleet.settings.model_dump() | {"centres": {"a": {"regions": ["r0"], "lead_months": 6}, "b": centre}}
    found = dm.forecast_demand(replace(fleet, settings=FleetFile.model_validate(content)), LAW)
    one, two = spares(found)
    assert (one.regions, one.lead_months, two.lead_months) == (("r0",), 6, 2)
    assert min(one.job_fill, two.job_fill) >= found.fleet.settings.service > two.filled_now
    for row in (*one.rows, *two.rows):
        need = row["for_open_jobs"] + row["on_the_shelf"]
        assert row["order_now"] == max(need - row["on_hand"] - row["on_order"], 0)
    assert [row["order_now"] for row in two.rows if row["grade"] == "I"] == [0]
    regrades = found.cube["regrades"].values
    assert one.jobs == pytest.approx(regrades[:, :6, 0].sum(axis=(1, 2, 3, 4)).mean())
    assert two.no_spacer == pytest.approx(regrades[:, :2, 1, :, -1].sum(axis=(1, 2, 3)).mean())
    waiting = open_jobs(found).sum()
    assert one.open_jobs + two.open_jobs == pytest.approx(waiting, abs=1.0)
    assert {name for name in ("on_hand", "on_order") if spares(replace(found, fleet=fleet))[0].rows[0][name]
            is None} == {"on_hand", "on_order"}  # fmt: skip


def test_an_origin_knows_nothing_that_came_later() -> None:
    fleet = small()
    origin = fleet.cutoff - 12
    kept = fleet.claims.report <= origin
    past = replace(
        fleet,
        units=known_at(fleet.units, origin),
        claims=type(fleet.claims)(*(getattr(fleet.claims, n)[kept] for n in fleet.claims.__dataclass_fields__)),
    )
    one, other = (months_of(f, LAW, cutoff=origin) for f in (fleet, past))
    assert np.array_equal(one.cube["regrades"].values, other.cube["regrades"].values)


def test_backtest_scores_and_says_so() -> None:
    fleet = small(20000, draws=256, samples=150)
    result = backtest(fleet, LAW, [fleet.cutoff - 18, fleet.cutoff - 12], 6)
    assert len(result.rows) == 2 * 6 * 4
    assert result.skill["last year's months"] > 0.0
    assert result.pit.sum() == pytest.approx(1.0)
    assert 0.6 < result.coverage_80 <= result.closed_80 <= 1.0
    for right, share in (("as it should", 0.8), ("too narrow", 0.6), ("too wide", 0.96)):
        told = backtest_words(replace(result, coverage_80=share, closed_80=0.97))
        assert f"The 80 % interval held {100 * share:.0f} % of them: {right}." in told
        assert "both ends lie 97 %" in told and "48 forecasts" in told
    with pytest.raises(ValueError, match="no later than"):
        backtest(fleet, LAW, [fleet.cutoff - 3], 6)


def test_claims_outweigh_a_wrong_law_and_the_words_say_where_it_loses() -> None:
    fleet = small(20000, every=1, draws=256, samples=150)
    wrong = replace(LAW, reach=3.0, settling_months=5.0)
    result = backtest(fleet, wrong, [fleet.cutoff - 12], 6)
    assert result.skill["constant rate"] > -0.05
    worse = replace(result, skill=result.skill | {"constant rate": -0.2})
    assert "20 % worse than constant rate" in backtest_words(worse)


def test_written_and_read_again_it_is_the_same_fleet(tmp_path: Path) -> None:
    fleet = small(500)
    again = read_fleet(write_fleet(fleet, tmp_path))
    assert again.settings == fleet.settings
    assert np.array_equal(again.units.sale, fleet.units.sale)
    assert np.array_equal(again.claims.report, fleet.claims.report)
    one, other = dm.forecast_demand(fleet, LAW), dm.forecast_demand(again, LAW)
    assert np.array_equal(one.cube["regrades"].values, other.cube["regrades"].values)


def test_rows_collapse_to_few_cohorts() -> None:
    cohorts = cohorts_of(small(20000, every=1))
    assert cohorts.count.sum() == 20000
    assert cohorts.count.size < 4000
    assert len(cohorts.cells) == 48


@pytest.mark.slow
def test_the_80_pct_interval_covers_74_to_88_pct_of_months() -> None:
    """24 invented fleets with a hidden multiplier and hidden weather: 864 months of a region. Counts are whole, so the
    share is of the randomised transform (Czado, Gneiting and Held 2009, eq. 1) between 0.1 and 0.9."""
    within = []
    for seed in range(24):
        settings = invented_settings(3, 1, 1, samples=300, draws=512, members=16, horizon_months=12, seed=seed)
        fleet, truth = invented_fleet(settings, LAW, 60000, years=6, seed=seed)
        cube = months_of(fleet, LAW).cube["regrades"].values.sum(axis=(4, 5))
        came = np.moveaxis(truth.reports, 2, 0)
        chance = np.random.default_rng(seed).random(came.shape)
        transform = (cube < came).mean(axis=0) + chance * (cube == came).mean(axis=0)
        within.append(((transform > 0.1) & (transform < 0.9)).mean())
    assert 0.74 <= np.mean(within) <= 0.88  # these fleets have no noise of years, which the forecast allows for
