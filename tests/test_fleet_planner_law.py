"""What a planner reads off a made-up demand: every row of every table again from the samples, by loops and by hand. No
outside reference values."""

from __future__ import annotations

from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest
import xarray as xr

from driftmodel.fleet import planner_tables as tables
from driftmodel.fleet.claims import Multiplier
from driftmodel.fleet.fleet_file import CentreFile
from driftmodel.fleet.money import job_laws
from driftmodel.fleet.roster import REGRADE, Rates
from driftmodel.fleet.stock import job_fill, sample_chances, spares
from driftmodel.fleet.tables import NONE, month_label

CUTOFF, MONTHS, SAMPLES = 24317, 14, 20  # to June 2026; 14 months, so two books' years that begin in July
REGIONS, DESIGNS, GRADES = ("a", "b"), ("x", "y"), ("H", "I", "none mends it")


def made_up(months: int = MONTHS) -> Any:
    """Counts of twenty samples; region a has two jobs open in design x and one overdue in y."""
    random = np.random.default_rng(1)
    weight = np.array([3.0, 6.0, 0.5])[:, None] * np.array([0.4, 1.0])
    season = np.array([1.0, 0.2, 0.9, 0.3, 0.8, 0.2, 0.1, 0.1, 0.4, 1.0, 0.7, 0.9, 0.5, 0.6])[:months]
    regrades = random.poisson(weight * season[:, None, None, None, None], (SAMPLES, months, 2, 2, 3, 2))
    visits = random.poisson(8.0 * np.abs(np.sin(np.arange(months)))[:, None, None], (SAMPLES, months, 2, 2))
    cube = xr.Dataset(
        {
            "regrades": (("sample", "month", "region", "design", "grade", "cover"), regrades),
            "seasonal": (("sample", "month", "region", "design"), visits),
            "not_yet_reported": (("sample", "region", "design"), random.poisson(5.0, (SAMPLES, 2, 2))),
        },
        coords={"month": [month_label(CUTOFF + 1 + m) for m in range(months)], "grade": list(GRADES)},
    )
    claims = {"close": [NONE, NONE, NONE], "report": [CUTOFF, CUTOFF - 1, CUTOFF - 7], "cover_end": [NONE] * 3,
              "disposition": [REGRADE] * 3, "region": [0, 0, 0], "design": [0, 0, 1]}  # fmt: skip
    told: Any = {name: np.array(each, dtype=np.int32) for name, each in claims.items()}
    told |= {"hours": np.array([2.0, np.nan, np.nan]), "cost": np.full(3, np.nan)}
    habits = SimpleNamespace(job_lag_months=2, rates_worth=1.0, job_spread_pct=50.0)
    settings = SimpleNamespace(habits=habits, fiscal_year_begins=7, opening_accrual=1000.0, grades=["H", "I"],
                               service=0.9, centres={})  # fmt: skip
    rates = Rates(*(np.array(each) for each in ([1.0, 2.0], [0.5, 0.25], [60.0, 40.0], [8.0, 6.0], [25.0, 5.0])))
    units = {"region": [0, 1, 0, 1], "design": [0, 0, 1, 1], "exposure": [0] * 4, "planned": [False] * 3 + [True],
             "sale": [CUTOFF - 30, CUTOFF - 1, CUTOFF - 60, CUTOFF + 2], "cover": [37, 60, 12, 60],
             "count": [1, 5, 2, 3], "row": [2, 3, 4, 5], "regraded": [NONE] * 4}  # fmt: skip
    rows = SimpleNamespace(**{name: np.array(each) for name, each in units.items()})
    fleet = SimpleNamespace(claims=SimpleNamespace(**told), settings=settings, rates=rates, regions=REGIONS,
                            designs=DESIGNS, exposures=("open",), claims_since=NONE, serial=["S1", "S2"],
                            units=rows)  # fmt: skip
    expected = SimpleNamespace(at_risk=random.uniform(50, 90, (2, 2, months)), history=random.uniform(5, 9, (2, 2)),
                               regraded=random.uniform(5, 9, (2, 2, months)),
                               due=np.array([0.19, 0.5, 0.1, 1.4]))  # fmt: skip
    sold = SimpleNamespace(regrades=random.poisson(3.0, (SAMPLES, months + 9, 2, 2, 2)),
                           visits=random.poisson(2.0, (SAMPLES, months + 9, 2, 2)))  # fmt: skip
    law = Multiplier(np.array([[4.0, 9.0], [2.0, 1.0]]), np.array([[2.0, 9.0], [1.0, 2.0]]))
    return SimpleNamespace(fleet=fleet, cube=cube, expected=expected, cutoff=CUTOFF, sold=sold, after=law,
                           before=Multiplier(np.array(1.0), np.array(1.0)), claims=np.array([[3, 4], [5, 6]]),
                           cohorts=SimpleNamespace(of_row=np.arange(4)),
                           correction=SimpleNamespace(rivals=(), chances=()))  # fmt: skip


DEMAND = made_up()
_random = np.random.default_rng(2)
MONEY: Any = SimpleNamespace(
    hours=_random.uniform(1, 9, (SAMPLES, MONTHS, 2, 2)), cost=_random.uniform(10, 90, (SAMPLES, MONTHS, 2, 2)),
    reserve=_random.uniform(100, 900, (SAMPLES, 2, 2)), face=_random.uniform(100, 900, (2, 2)),
    issued=_random.uniform(1, 9, MONTHS), laws=job_laws(DEMAND),
)  # fmt: skip
JOBS = DEMAND.cube["regrades"].values.sum(axis=4).astype(float)  # sample, month, region, design, cover
VISITS = DEMAND.cube["seasonal"].values.astype(float)
PLACES = [("a", 0), ("b", 1), ("all", None)]


def one(values: np.ndarray, *at: int | None) -> np.ndarray:
    """Values (samples, months, regions, designs) of a region and design, summed where None, (samples, months)."""
    r, d = at
    values = values.sum(axis=2) if r is None else values[:, :, r]
    return np.asarray(values.sum(axis=2) if d is None else values[:, :, d])


def test_the_monthly_table_row_by_row() -> None:
    """Pieces stand in the month of the job, two after the report; two jobs are open in a and x: one due a month ahead
    and one at once, one overdue in y at once, in the shares of their grades."""
    rows = tables.monthly_table(DEMAND, MONEY)
    assert len(rows) == 3 * 3 * MONTHS
    mean = DEMAND.cube["regrades"].values.mean(axis=0).sum(axis=-1)  # month, region, design, grade
    pieces = np.concatenate([np.zeros((2, 2, 2, 3)), mean[:-2]])
    share = mean.sum(axis=0) / mean.sum(axis=0).sum(axis=-1, keepdims=True)
    pieces[1, 0, 0] += share[0, 0]
    pieces[0, 0, 0] += share[0, 0]
    pieces[0, 0, 1] += share[0, 1]
    risk = DEMAND.expected.at_risk + DEMAND.expected.regraded
    numbers = {"regrades": JOBS.sum(axis=-1), "in_cover": JOBS[..., 1], "out_of_cover": JOBS[..., 0],
               "seasonal": VISITS, "hours": MONEY.hours, "cost": MONEY.cost}  # fmt: skip
    at = iter(rows)
    for region, r in PLACES:
        for design, d in (("x", 0), ("y", 1), ("all", None)):
            chosen = (slice(None) if r is None else [r], slice(None) if d is None else [d])
            for m in range(MONTHS):
                row = next(at)
                assert (row["month"], row["region"], row["design"]) == (month_label(CUTOFF + 1 + m), region, design)
                assert row["at_risk"] == pytest.approx(risk[chosen[0]][:, chosen[1]][..., m].sum())
                assert row["regrades_mean"] == pytest.approx(one(JOBS.sum(axis=-1), r, d)[:, m].mean())
                for name, values in numbers.items():
                    band = np.quantile(one(values, r, d)[:, m], [0.1, 0.5, 0.9])
                    assert [row[f"{name}_p{q}"] for q in (10, 50, 90)] == pytest.approx(band.tolist()), name
                for g, grade in enumerate(GRADES):
                    assert row[f"pieces_{grade}"] == pytest.approx(pieces[m][chosen[0]][:, chosen[1]][..., g].sum())


def test_the_accrual_by_hand() -> None:
    rows, opening = tables.roll_forward(DEMAND, MONEY), 1000.0
    for m, row in enumerate(rows):
        change = MONEY.face.sum() - 1000.0 if m == 0 else 0.0
        settled = MONEY.cost[:, m].sum() / SAMPLES
        closing = opening + MONEY.issued[m] + change - settled
        assert list(row.values()) == [month_label(CUTOFF + 1 + m), *map(pytest.approx, (
            opening, MONEY.issued[m], change, settled, closing))]  # fmt: skip
        opening = closing


@pytest.mark.parametrize(("begins", "years"), [(7, {2027: range(12), 2028: range(12, 14)}),
                                               (2, {2027: range(7), 2028: range(7, 14)}),
                                               (1, {2026: range(6), 2027: range(6, 14)}),
                                               (12, {2026: range(5), 2027: range(5, 14)})])  # fmt: skip
def test_the_budget_by_books_year(begins: int, years: dict[int, range], monkeypatch: pytest.MonkeyPatch) -> None:
    """Named by the year it ends in: from July 2026 on it is 2027's; with December first, that month is the next's."""
    monkeypatch.setattr(DEMAND.fleet.settings, "fiscal_year_begins", begins)
    rows = iter(tables.budget(DEMAND, MONEY))
    numbers = {"jobs_in_cover": JOBS[..., 1], "jobs_out_of_cover": JOBS[..., 0], "visits": VISITS, "hours": MONEY.hours,
               "cost": MONEY.cost}  # fmt: skip
    for year, months in years.items():
        for r, d in np.ndindex(2, 2):
            row = next(rows)
            assert (row["fiscal_year"], row["months"], row["region"], row["design"]) == (
                year,
                len(months),
                "ab"[r],
                "xy"[d],
            )
            for name, values in numbers.items():
                own = values[:, list(months), r, d].sum(axis=1)
                wanted = [own.mean(), *np.quantile(own, [0.1, 0.9])]
                assert [row[f"{name}_{what}"] for what in ("mean", "p10", "p90")] == pytest.approx(wanted)
    assert next(rows, None) is None


def test_the_reserve_to_the_end_of_cover() -> None:
    sold = DEMAND.sold
    jobs = sold.regrades.sum(axis=1)
    numbers = {"jobs_in_cover": jobs[..., 1], "jobs_out_of_cover": jobs[..., 0], "visits": sold.visits.sum(axis=1),
               "cost": MONEY.reserve}  # fmt: skip
    rows = tables.reserve_table(DEMAND, MONEY)
    assert [(row["region"], row["design"]) for row in rows] == [*((r, d) for r in "ab" for d in "xy"), ("all", "all")]
    for row, at in zip(rows, [*np.ndindex(2, 2), None], strict=True):
        for name, values in numbers.items():
            own = values.sum(axis=(1, 2)) if at is None else values[:, *at]
            wanted = [own.mean(), *np.quantile(own, [0.1, 0.5, 0.9])]
            assert [row[f"{name}_{what}"] for what in ("mean", "p10", "p50", "p90")] == pytest.approx(wanted)


def test_rates_as_stated_told_and_used() -> None:
    rows = tables.rate_table(DEMAND, MONEY)
    assert len(rows) == 8
    first, last = rows[0], rows[-1]
    law = MONEY.laws.hours
    assert (first["region"], first["job"], first["number"], first["told"]) == ("a", "regrade", "hours", 1)
    assert (first["stated"], first["claims"], first["used"], first["spread_pct"]) == (1.0, 2.0, 1.5, 50.0)
    assert (first["used_p10"], first["used_p90"]) == (law.quantile(0.1)[0], law.quantile(0.9)[0])
    assert (last["region"], last["job"], last["number"], last["told"], last["claims"]) == (
        "b",
        "seasonal visit",
        "cost",
        0,
        None,
    )
    assert last["used"] == last["stated"] == 10.0


def test_who_is_due_by_hand() -> None:
    """Chances 0.19, 0.5 and 0.1, to the power of the place's multiplier of 2 or 1; one is still to be sold. Saved:
    freight and a visit (25 + 30, 5 + 10) by the chance and the part of a year that cover lasts: six months of twelve,
    all, none where it ended four years ago."""
    rows = tables.who_is_due(DEMAND)
    assert [row["row"] for row in rows] == [3, 2, 4]
    chance = [1 - 0.5**2, 1 - 0.81**2, 0.1]
    assert [row["chance_within_12_months"] for row in rows] == pytest.approx(chance)
    assert [row["saved"] for row in rows] == pytest.approx([15 * chance[0] * 5, 55 * chance[1] * 0.5, 0.0])
    assert [(row["serial"], row["count"], row["likely_spacer"]) for row in rows] == [
        ("S2", 5, "I"),
        ("S1", 1, "I"),
        ("", 2, "I"),
    ]
    assert [(row["region"], row["design"], row["exposure"]) for row in rows] == [
        ("b", "x", "open"),
        ("a", "x", "open"),
        ("a", "y", "open"),
    ]
    assert (rows[1]["sold"], rows[1]["cover_ends"]) == (month_label(CUTOFF - 30), month_label(CUTOFF + 7))
    assert [row["row"] for row in tables.who_is_due(DEMAND, 2)] == [3, 2]
    both = JOBS.sum(axis=-1).mean(axis=0)[:12, 0].sum(axis=1) + VISITS.mean(axis=0)[:12, 0].sum(axis=1)
    first = int(np.argmin([both[m] + both[(m + 1) % 12] + both[(m + 2) % 12] for m in range(12)]))
    named = f"{(6 + first) % 12 + 1:02d} to {(8 + first) % 12 + 1:02d}"
    assert rows[1]["season"] == tables.calm_months(DEMAND, 0) == named
    assert tables.calm_months(made_up(11), 0) == ""
    calm = made_up(12)
    calm.cube["regrades"].values[:] = 0
    calm.cube["seasonal"].values[:] = 5  # ten of both designs
    calm.cube["regrades"].values[:10, 3, 0, 0, 1, 1] = 6  # in every other sample, so three: 18 with its neighbours
    calm.cube["seasonal"].values[:, 2:5, 0] = [2, 3]
    calm.cube["regrades"].values[:, 8, 0, 1, 0, 0] = 2  # 20 with its neighbours
    calm.cube["seasonal"].values[:, 7:10, 0] = 3
    assert tables.calm_months(calm, 0) == f"{(CUTOFF + 3) % 12 + 1:02d} to {(CUTOFF + 5) % 12 + 1:02d}"


def test_newer_units_of_a_changed_design_are_told_from_older_ones(monkeypatch: pytest.MonkeyPatch) -> None:
    """Of two fits one, three times in four the likelier, has newer units of x at twice the hazard, of y as it was: with
    them the past comes to 2, without to 1.5. S1 and S2 were sold within three years; where S1 was regraded it is as an
    older one."""
    found, seen = made_up(), []
    changed = SimpleNamespace(mean=np.array([0.3, np.log(2.0), 0.0]), newer=lambda effects: effects[None, 1:],
                              block=lambda name: SimpleNamespace(columns=slice(1, 3)))  # fmt: skip
    found.correction = SimpleNamespace(rivals=(SimpleNamespace(block=lambda name: None), changed), chances=(0.25, 0.75))
    found.expected.behind = None

    def past_reports(rival: Any, behind: Any, effects: np.ndarray) -> np.ndarray:
        seen.append(effects.tolist())
        return np.stack([np.full((2, 2, 4), 0.5), np.full((2, 2, 4), 0.375)])

    monkeypatch.setattr(tables, "past_reports", past_reports)
    older = 0.25 + 0.75 * 0.75
    newer = 0.25 + 0.75 * 1.5
    rows = {row["row"]: row["chance_within_12_months"] for row in tables.who_is_due(found)}
    assert rows == pytest.approx({2: 1 - 0.81 ** (2 * newer), 3: 1 - 0.5 ** (2 * newer), 4: 1 - 0.9**older})
    assert seen == [[[0.3, np.log(2.0), 0.0], [0.3, 0.0, 0.0]]]
    found.fleet.units.regraded = np.array([CUTOFF - 20, NONE, NONE, NONE])
    rows = {row["row"]: row["chance_within_12_months"] for row in tables.who_is_due(found)}
    assert (rows[2], rows[3]) == pytest.approx((1 - 0.81 ** (2 * older), 1 - 0.5 ** (2 * newer)))


def test_spacers_of_two_centres_by_hand(monkeypatch: pytest.MonkeyPatch) -> None:
    """Three jobs are open in a, in the shares of their grades; three months of samples are for the shelf."""
    centres = {"one": CentreFile(regions=["a"], lead_months=2, on_hand={"H": 3, "I": 90}, on_order={"H": 1}),
               "two": CentreFile(regions=["b"], lead_months=20)}  # fmt: skip
    monkeypatch.setattr(DEMAND.fleet.settings, "centres", centres)
    first, second = spares(DEMAND)
    counts = DEMAND.cube["regrades"].values[:, :2, 0].sum(axis=(1, 2, 4))  # sample, grade
    mean = DEMAND.cube["regrades"].values.mean(axis=0).sum(axis=(0, -1))[0]  # design, grade
    still = np.round(np.array([2.0, 1.0]) @ (mean / mean.sum(axis=1, keepdims=True))).astype(int)
    assert (first.name, first.regions, first.lead_months, first.open_jobs) == ("one", ("a",), 2, 3)
    assert (first.jobs, first.no_spacer) == (
        pytest.approx(counts.sum(axis=1).mean()),
        pytest.approx(counts[:, 2].mean()),
    )
    chances = [sample_chances(counts[:, g]) for g in (0, 1)]
    shelf = [row["on_the_shelf"] for row in first.rows]
    assert first.job_fill == pytest.approx(job_fill(shelf, chances)) and first.job_fill >= 0.9
    assert first.filled_now == pytest.approx(job_fill([max(4 - still[0], 0), 90 - still[1]], chances))
    for g, (hand, coming) in enumerate(((3, 1), (90, 0))):
        row = first.rows[g]
        assert (row["centre"], row["grade"], row["for_open_jobs"]) == ("one", "HI"[g], still[g])
        assert (row["on_hand"], row["on_order"]) == (hand, coming)
        assert row["order_now"] == max(shelf[g] + still[g] - hand - coming, 0)
        assert row["expected_use"] == pytest.approx(counts[:, g].mean())
    assert (second.lead_months, second.open_jobs, second.filled_now) == (MONTHS, 0, 0.0)
    monkeypatch.setattr(DEMAND.fleet.settings, "centres", {})
    (whole,) = spares(DEMAND)
    assert (whole.name, whole.regions, whole.lead_months, whole.rows[0]["on_hand"]) == ("all", REGIONS, 3, None)
    assert [(row["on_order"], row["order_now"] > 0) for row in whole.rows] == [(None, True)] * 2
    short = {"all": CentreFile(regions=["a", "b"], lead_months=1, on_hand={"H": 9}, on_order={"H": 4})}
    monkeypatch.setattr(DEMAND.fleet.settings, "centres", short)
    (few,) = spares(DEMAND)
    some = [sample_chances(DEMAND.cube["regrades"].values[:, :1, :, :, g].sum(axis=(1, 2, 3, 4))) for g in (0, 1)]
    assert few.filled_now == pytest.approx(job_fill([13 - still[0], 0], some))
    assert whole.jobs == pytest.approx(JOBS[:, :3].sum(axis=(1, 2, 3, 4)).mean())


def test_prior_data_and_posterior() -> None:
    """Gamma laws of shape 1 are exponential: quantiles -log(1 - p) / rate."""
    rows, late = tables.multiplier_table(DEMAND), DEMAND.cube["not_yet_reported"].values
    assert [(row["region"], row["design"], row["claims"]) for row in rows] == [
        ("a", "x", 3),
        ("a", "y", 4),
        ("b", "x", 5),
        ("b", "y", 6),
    ]
    assert [row["posterior_mean"] for row in rows] == [2.0, 1.0, 2.0, 0.5]
    last = rows[-1]
    assert (last["posterior_p10"], last["posterior_p90"]) == pytest.approx(tuple(-np.log([0.9, 0.1]) / 2))
    assert (last["prior_mean"], last["prior_p10"], last["prior_p90"]) == pytest.approx((1.0, *-np.log([0.9, 0.1])))
    for row, at in zip(rows, np.ndindex(2, 2), strict=True):
        own = late[:, *at]
        assert row["expected"] == DEMAND.expected.history[at]
        assert row["not_yet_reported"] == pytest.approx(own.mean())
        assert [row[f"not_yet_reported_p{q}"] for q in (10, 50, 90)] == pytest.approx(np.quantile(own, [0.1, 0.5, 0.9]))
