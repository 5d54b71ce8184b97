"""Who reports when: owners with the ordinary lag and owners who wait until their cover ends, told apart and mixed.

No outside reference values: expectations follow by counting, from an independent simulation of single owners, or from
differences of the function itself.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from invented_fleets import ToyDrift, invented_fleet, invented_settings

from driftmodel.fleet import demand as dm
from driftmodel.fleet.delay import WaitingShare, waiting_from_claims
from driftmodel.fleet.passage import Lives, Passages, lives_of
from driftmodel.fleet.reporting import Asked, Known, Waiting, ahead
from driftmodel.fleet.roster import REGRADE, Claims, Fleet, Units

LAW = ToyDrift()
LAG = np.array([0.5, 0.3, 0.2])


def months_of(fleet: Fleet, law: ToyDrift) -> dm.Demand:
    """The months asked for alone, without those on to the end of cover: half of the work."""
    return dm.forecast_demand(fleet, law, to_end_of_cover=False)


def about(age: int, sold_at: int, fresh: bool = True) -> Known:
    """What is known of a single kind."""
    return Known(*(np.array([month]) for month in (age, sold_at, 0)), fresh=fresh)


def wait_for(share: float, months: int, end: int) -> Waiting:
    return Waiting(share, months, np.array([end]))


def lives(*months: list[float], grades: list[list[int]] | None = None) -> Lives:
    grade = np.zeros((len(months), len(months[0])), dtype=np.intp) if grades is None else np.array(grades)
    return lives_of(Passages(np.array(months), grade), 1, 9)


def rushed(units: int = 20000, seed: int = 5, share: float = 0.3, years: int = 8, **changed: object) -> Fleet:
    habits = {
        "report_lag_shares": [0.3, 0.25, 0.2, 0.15, 0.1],
        "job_lag_months": 1,
        "sale_lag_months": 3,
        "end_of_cover_share": share,
    }
    given = {"samples": 60, "draws": 128, "members": 4, "horizon_months": 24, "habits": habits} | changed
    return invented_fleet(invented_settings(2, 1, 1, **given), LAW, units, years=years, seed=seed, every=4)[0]


def no_claims(fleet: Fleet) -> Fleet:
    none = np.zeros(fleet.claims.report.size, dtype=bool)
    return replace(fleet, claims=Claims(*(getattr(fleet.claims, name)[none] for name in Claims.__dataclass_fields__)))


def waiting(fleet: Fleet, share: float) -> Fleet:
    habits = fleet.settings.habits.model_copy(update={"end_of_cover_share": share})
    return replace(fleet, settings=fleet.settings.model_copy(update={"habits": habits}))


def test_no_report_is_lost_by_waiting() -> None:
    """From sale to long after cover, waiting moves reports and merges some, and makes none: first reports are the same
    in number, and those in cover are more, for a waiting owner is always told in it."""
    paths = np.random.default_rng(4).gamma(2.0, 20.0, (400, 1))
    known, asked = about(-1, 0), Asked(1, 10, 400, LAG)
    plain = ahead(lives(*paths.tolist()), known, asked)
    rush = ahead(lives(*paths.tolist()), known, asked, wait_for(1.0, 3, 60))
    assert rush.first.sum() == pytest.approx(plain.first.sum())
    assert (
        (plain.slope.shape, plain.slope_once.shape)
        == (rush.slope.shape, rush.slope_once.shape)
        == ((1, 3, 400), (1, 2))
    )
    within = np.mean(np.ceil(paths) - 1 < 60)
    assert rush.first[0, :60].sum() == pytest.approx(within)
    assert plain.first[0, :60].sum() < within
    assert rush.first[0, :57].sum() == 0.0


def test_a_shorter_cover_never_raises_demand_in_cover_where_owners_wait() -> None:
    """Month by month it may, for the rush comes sooner; over months that outlast all cover it may not."""
    fleet = no_claims(rushed(years=5, horizon_months=72, units=4000))
    units = fleet.units
    chosen = (units.sale > fleet.cutoff - 24) & (units.regraded < 0)
    young = replace(fleet, units=Units(*(getattr(units, name)[chosen] for name in Units.__dataclass_fields__)))
    for some, sooner in ((fleet, False), (young, True)):
        less = replace(some, units=replace(some.units, cover=np.full_like(some.units.cover, 30)))
        one, other = (
            (found.first + found.repeat)[..., 1].sum(axis=-1)
            for found in (months_of(each, LAW).expected for each in (some, less))
        )
        assert np.all(other.sum(axis=2) < one.sum(axis=2))
        if sooner:
            assert np.any(other > 1.05 * one)


def test_claims_tell_how_many_wait() -> None:
    """By counting, then a fleet whose hidden share is known: within three standard errors of a binomial share."""
    event, report = [0, 0, 0, 20, 0], [3, 11, 10, 22, 2]
    end = [12, 12, 12, 30, 40]  # the fourth's cover was not over, nor was the last one's
    assert waiting_from_claims(event, report, end, 25, 2, 5) == (2, 1)
    settings = rushed().settings
    fleet, truth = invented_fleet(settings, LAW, 60000, years=10, seed=11, every=3)
    claims = fleet.claims
    chosen = claims.disposition == REGRADE
    waited, told = waiting_from_claims(
        claims.event[chosen], claims.report[chosen], claims.cover_end[chosen], fleet.cutoff, 3, 5
    )
    seen = waited + told
    assert seen > 2000
    assert waited / seen == pytest.approx(truth.waiting, abs=3.0 * np.sqrt(truth.waiting / seen))
    known = months_of(fleet, LAW)
    assert known.waiting == pytest.approx(truth.waiting, abs=0.03)
    # the ordinary lag is read as it is, in spite of those who wait
    assert known.lag == pytest.approx([0.3, 0.25, 0.2, 0.15, 0.1], abs=0.02)


def test_nobody_waits_unless_stated_or_seen() -> None:
    fleet = rushed(share=0.0)
    assert months_of(fleet, LAW).waiting == 0.0
    assert WaitingShare(0.0, 20.0).draw(np.random.default_rng(1)) == 0.0
    drawn = [WaitingShare(6.0, 14.0).draw(np.random.default_rng(seed)) for seed in range(2000)]
    assert np.mean(drawn) == pytest.approx(0.3, abs=0.01)
    assert np.std(drawn) == pytest.approx(np.sqrt(0.3 * 0.7 / 21.0), rel=0.05)  # beta law of 20


def test_a_rush_is_foreseen_only_when_it_is_known() -> None:
    """One month's sales, whose cover ends with the fifth month ahead, and owners who all wait: nothing comes before the
    last three months of cover and little after them. The forecast that knows of no waiting has no such months."""
    settings = rushed(share=1.0).settings.model_copy(update={"multiplier_log_sd": 0.01})
    law = replace(LAW, weather=0.0)
    fleet, _ = invented_fleet(settings, law, 30000, years=6, seed=3)
    units, sold = fleet.units, fleet.cutoff + 6 - 60
    chosen = units.sale == sold
    bare = replace(
        no_claims(fleet), units=Units(*(getattr(units, name)[chosen] for name in Units.__dataclass_fields__))
    )
    assert (bare.units.regraded < 0).all()
    seen, blind = (dm.monthly(months_of(waiting(bare, share), law).expected).first[0, 0] for share in (1.0, 0.0))
    assert np.all(seen[:2] == 0.0)
    assert seen[2:5].sum() > 10.0 * seen[5:8].sum()
    assert blind.max() < 0.15 * seen.max()
