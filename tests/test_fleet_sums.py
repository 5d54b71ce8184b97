"""Rows counted together, habits of reporting put in later, and forecasts against what came: by loops and by hand, apart
from the code. No outside reference values."""

from __future__ import annotations

from dataclasses import fields
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest

from driftmodel.fleet import cell_demand, cohorts, delay
from driftmodel.fleet.passage import Cell, Passages, cell_seed
from driftmodel.fleet.roster import REGRADE, SEASONAL, Units, last_claimed, regraded_unclaimed
from driftmodel.fleet.tables import NONE


def columns(**given: list[int]) -> Units:
    """Units, what is not given all 0 (count 1)."""
    many = len(next(iter(given.values())))
    whole = {name: np.zeros(many, dtype=np.int32) for name in Units.__dataclass_fields__} | {"count": np.ones(many)}
    whole["planned"] = np.zeros(many, dtype=bool)
    return Units(**(whole | {name: np.array(each) for name, each in given.items()}))


# ---- cohorts -----------------------------------------------------------------------------------------------------


def fleet_of(units: Units, **changed: Any) -> Any:
    climates = {"r": {"open": "dry", "cased": "even"}, "s": {"open": "damp", "cased": "calm"}}
    settings = SimpleNamespace(regions={name: SimpleNamespace(climates=each) for name, each in climates.items()})
    return SimpleNamespace(units=units, settings=settings, regions=("r", "s"), exposures=("open", "cased"),
                           designs=("x", "y", "z"), **changed)  # fmt: skip


def test_rows_alike_in_all_are_one_cohort() -> None:
    """Against a table of the distinct rows; months as far apart as they can be, so that no code of a row holds them."""
    random, far = np.random.default_rng(1), 2**31 - 1
    kinds = {"region": 2, "exposure": 2, "design": 3, "build": 2, "sale": 2, "cover": 2, "regraded": 2, "planned": 2}
    given = {name: random.integers(0, many, 60) for name, many in kinds.items()}
    for name in ("build", "sale", "cover", "regraded"):
        given[name] = given[name] * far
    units = columns(**given, count=random.integers(1, 9, 60))
    first = units.regraded - 5 * random.integers(0, 2, 60)
    found = cohorts.cohorts_of(fleet_of(units), first=first)
    rows = list(zip(*(given[name].tolist() for name in kinds), first.tolist(), strict=True))
    assert found.count.size == len(set(rows)) < 60
    names = [*kinds, "first"]
    for row, at in zip(rows, found.of_row.tolist(), strict=True):
        assert tuple(int(getattr(found, name)[at]) for name in names) == row
        own = int(units.count[[other == row for other in rows]].sum())
        assert int(found.count[at]) == own
        region, exposure, design, build = row[:4]
        climate = (("dry", "even"), ("damp", "calm"))[region][exposure]
        cell = Cell("rs"[region], climate, ("open", "cased")[exposure], "xyz"[design], build % 12 + 1)
        assert found.cells[int(found.cell[at])] == cell
    assert len(set(found.cells)) == len(found.cells) == len({(*row[:3], row[3] % 12) for row in rows})
    assert found.cells[0].key == "r|dry|open|x|01"
    few = columns(sale=[0, 0, 0, 1, 1, 1], regraded=[NONE, 0, 1] * 2)
    assert cohorts.cohorts_of(fleet_of(few)).count.size == 6
    plain = cohorts.cohorts_of(fleet_of(units), first=None)
    assert plain.first.tolist() == plain.regraded.tolist()
    assert cohorts.cohorts_of(fleet_of(columns(region=[]))).count.size == 0


def test_a_regrade_soon_after_a_units_last_claim_is_that_claims_job() -> None:
    """Jobs take two months: eight after the last claim is the same job, nine is another; without a claim any is."""
    units = columns(regraded=[2018, 2019, 2019, NONE, 2005], count=[1] * 5)
    claims: Any = SimpleNamespace(unit=np.array([0, 1, 1, 2, 3]), report=np.array([2010, 2007, 2010, 2011, 2004]))
    last = last_claimed(units, claims, np.array([True, True, True, True, False]))
    assert last.tolist() == [2010, 2010, 2011, NONE, NONE]
    assert regraded_unclaimed(units, last, 2).tolist() == [False, True, False, False, True]
    assert regraded_unclaimed(units, last, 1).tolist() == [True, True, True, False, True]


def test_a_cells_seed_is_of_its_key_alone() -> None:
    """First 48 bits of SHA-256 of "7|r|dry|open|x|01" (sha256sum), so the same on every machine."""
    assert cell_seed(Cell("r", "dry", "open", "x", 1), 7) == int("e328f8f3c563", 16)


def test_units_in_cover_are_counted_month_by_month() -> None:
    random = np.random.default_rng(2)
    given = {"region": random.integers(0, 2, 40), "design": random.integers(0, 2, 40)}
    given |= {
        "sale": random.integers(0, 30, 40),
        "cover": random.integers(0, 15, 40),
        "count": random.integers(1, 5, 40),
    }
    them: Any = SimpleNamespace(**given)
    kept = random.random(40) < 0.5
    for chosen in (None, kept):
        found = cohorts.in_cover(them, (2, 2), 10, 12, chosen)
        wanted = np.zeros((2, 2, 12))
        for k in range(40):
            for month in range(12) if chosen is None or chosen[k] else ():
                there = given["sale"][k] <= 10 + month < given["sale"][k] + given["cover"][k]
                wanted[given["region"][k], given["design"][k], month] += there * given["count"][k]
        assert found.tolist() == wanted.tolist()


def test_what_was_known_and_how_far_cover_reaches() -> None:
    units = columns(sale=[10, 20, 21, 30], cover=[60, 12, 59, 90], regraded=[20, 21, NONE, NONE], planned=[False] * 4)
    then = cohorts.known_at(units, 20)
    assert (then.regraded.tolist(), then.planned.tolist()) == ([20, NONE, NONE, NONE], [False, False, True, True])
    fleet = fleet_of(units)
    # sold by the end of month 22 or of 30: cover ends with 79, 119; the months after 20 until then
    assert [cohorts.cover_left(fleet, 20, months) for months in (2, 10)] == [59, 99]
    assert cohorts.cover_left(fleet_of(columns(sale=[3], cover=[4])), 20, 5) == 0
    assert cohorts.cover_left(fleet_of(columns(sale=[30], cover=[4])), 20, 5) == 0


# ---- habits of reporting -----------------------------------------------------------------------------------------


def told(event: list[int], report: list[int], end: list[int], kind: list[int] | None = None) -> Any:
    each = {"event": event, "report": report, "cover_end": end, "disposition": kind or [REGRADE] * len(event)}
    return SimpleNamespace(**{name: np.array(value) for name, value in each.items()})


HABITS: Any = SimpleNamespace(report_lag_shares=[0.5, 0.25, 0.25], report_lag_worth=4.0, end_of_cover_months=2,
                              end_of_cover_share=0.25, end_of_cover_worth=8.0)  # fmt: skip


def test_who_waits_as_stated_and_as_told() -> None:
    """Cut-off 40, months told from 5 on. Of cover that ended with 19: due in 10, told in 18 (waited) and in 12; due in
    15, 3 months before the last two, and told then; too late at 16; before the claims begin; no unit; a visit."""
    claims = told([10, 10, 15, 16, 4, 5, 10, 10], [18, 12, 15, 18, 18, 19, 18, 18], [20] * 6 + [NONE, 20],
                  [REGRADE] * 7 + [SEASONAL])  # fmt: skip
    found = delay.waiting_share(claims, 40, 5, HABITS)
    assert (found.waited, found.told) == (8 * 0.25 + 2, 8 * 0.75 + 2)


def test_the_lag_of_claims_that_the_end_of_cover_cannot_move(monkeypatch: pytest.MonkeyPatch) -> None:
    """Thirty claims tell the lag, 29 do not; where owners wait only those count that are due and told before the last
    two months of cover (end 20), or due after it, or of units that nobody names, and none later than stated. What
    counts is counted whole, whenever it came."""
    monkeypatch.setattr(delay, "KEEPS", (1.0,))
    few, nobody = told([10] * 29, [11] * 29, [NONE] * 29), delay.WaitingShare(0.0, 3.0)
    assert delay.reporting_lag(few, 40, HABITS, nobody).shares.tolist() == [0.5, 0.25, 0.25]
    assert delay.reporting_lag(few, 40, HABITS, nobody).here.tolist() == [2.0, 1.0, 1.0]
    event, report = [*[20] * 15, *[20] * 10, *[20] * 5], [*[20] * 15, *[21] * 10, *[25] * 5]
    many = told(event, report, [NONE] * 30)
    assert delay.reporting_lag(many, 40, HABITS, nobody).here.tolist() == [15, 10, 0, 0, 0, 5]
    some = delay.WaitingShare(1.0, 3.0)
    assert delay.reporting_lag(many, 40, HABITS, some).here.tolist() == [2.0, 1.0, 1.0]  # five too late: 25
    cases = {(17, 17): 30, (17, 18): 3, (18, 18): 3, (15, 17): 6, (19, 19): 2, (20, 22): 8, (20, 23): 2, (16, 18): 1}
    flat = [pair for pair, many in cases.items() for _ in range(many)]
    claims = told([e for e, _ in flat], [r for _, r in flat], [20] * len(flat))
    claims.cover_end[:4] = NONE
    found = delay.reporting_lag(claims, 40, HABITS, some)
    # (17, 17): due + 3 > 18, so only the four of no known unit; (15, 17) all 6; (20, 22) all 8: 18, so as stated
    assert found.here.tolist() == [2.0, 1.0, 1.0]
    claims.cover_end[:16] = NONE
    for cutoff, here in ((38, [16, 0, 14]), (39, [16, 0, 8]), (41, [0, 0, 8])):  # events of the last 24 months
        assert delay.reporting_lag(claims, cutoff, HABITS, some).here.tolist() == here


def one_kind(lag: tuple[float, ...], count: int) -> cell_demand.CellDemand:
    """Nine lives, units all sold in month 20 and 30 months old at the cut-off."""
    random = np.random.default_rng(3)
    months = random.gamma(4.0, [9.0, 5.0], (9, 2)).cumsum(axis=1)
    none, one = np.zeros(1, dtype=np.int64), np.array([20])
    them = cohorts.Cohorts(none, none, none, one, one, one, none + NONE, none + NONE, none + count, none > 0, none,
                           none, ())  # fmt: skip
    window = cell_demand.Window(50, 18, 1, 1, lag, NONE, 6, 0.0, 3, 1, 1, 20, (20,), (20,))
    return cell_demand.expected_of_cell(Passages(months, np.zeros((9, 2), dtype=np.intp)), them, np.arange(1), window)


def test_another_lag_put_in_later_is_exact_for_units_of_one_kind() -> None:
    """Two lags of one whole month on average, so the lives are the same; two designs of five and seven units."""
    old, new = (0.2, 0.5, 0.2, 0.1), (0.45, 0.1, 0.35, 0.1)

    def both(lag: tuple[float, ...]) -> Any:
        cells = [one_kind(lag, count) for count in (5, 7)]
        names = [each.name for each in fields(cells[0]) if each.name not in ("due", "beyond")]
        return SimpleNamespace(**{name: np.array([[getattr(cell, name) for cell in cells]]) for name in names})

    was, wanted = both(old), both(new)
    plain, change = delay.monthly(was), np.array(new) - np.array(old)
    found = delay.with_habits(plain, was, change)
    true = delay.monthly(wanted)
    assert plain.first.tolist() == was.first[..., 0, :].sum(axis=-1).tolist()
    for name in ("first", "pending", "history", "at_risk"):
        assert getattr(found, name) == pytest.approx(getattr(true, name), abs=1e-9), name
    assert np.abs(true.first - plain.first).max() > 0.1
    assert delay.with_habits(plain, was, 0.0 * change) is plain


def test_more_who_wait_go_along_the_slope_and_no_number_falls_below_none() -> None:
    """One region and design, two months; slopes by the share who wait, then a lag of two months in place of one."""
    one: Any = np.ones((1, 1))
    plain = delay.Monthly(np.array([[[1.0, 2.0]]]), 2.0 * one, 4.0 * one, 9.0 * one)
    expected: Any = SimpleNamespace(slope=np.array([[[1.0, -30.0]]]), slope_once=np.array([[[5.0, -50.0, -1.0]]]),
                                    crossed=np.zeros((1, 1, 3)), past=np.zeros((1, 1, 2, 1)))  # fmt: skip
    found = delay.with_habits(plain, expected, np.zeros(2), 0.1)
    assert found.first[0, 0] == pytest.approx([1.1, 0.0])
    assert (found.pending[0, 0], found.history[0, 0]) == (2.5, 0.0)
    assert found.at_risk[0, 0] == pytest.approx(8.9)
    expected.crossed[0, 0] = [0.9, 4.0, 0.0]  # in the month before, the first and the second
    expected.past[0, 0] = [[0.9], [8.0]]
    later = delay.with_habits(plain, expected, np.array([-0.5, 0.5]))
    fewer = 1.0 / (1.0 + 0.45 / 9.0)  # more of those of the month before are not yet told
    assert later.first[0, 0] == pytest.approx([max(1.0 + 0.45 - 2.0, 0.0), (2.0 + 2.0) * fewer])
    assert (later.pending[0, 0], later.history[0, 0]) == (pytest.approx((2.0 + 0.45) * fewer), 0.0)
    expected.past[0, 0, 0] = 6.0
    sooner = delay.with_habits(plain, expected, np.array([0.5, -0.5]))
    assert sooner.pending[0, 0] == 0.0
