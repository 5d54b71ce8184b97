"""Demand of invented fleets whose truth is known: invariants, cover, claims, the interval's honesty, the backtest.

No outside reference values: each expectation follows from the definition named in the test.
"""

from __future__ import annotations

from dataclasses import replace
from functools import cache
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from invented_fleets import ToyDrift, invented_fleet, invented_settings, write_fleet

from driftmodel.base.arrays import only
from driftmodel.fleet import demand as dm
from driftmodel.fleet.cohorts import known_at
from driftmodel.fleet.reading import read_fleet
from driftmodel.fleet.roster import Fleet

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


def test_no_draw_hangs_on_rounding(monkeypatch: pytest.MonkeyPatch) -> None:
    """Another machine's last bit of what all units report, beside what those sold do, changes no count."""
    fleet, plain = small(), dm.reports
    later = np.arange(fleet.units.count.size) % 10 == 0
    sale = np.where(later, fleet.cutoff + 3, fleet.units.sale).astype(np.int32)
    regraded = np.where(later, -1, fleet.units.regraded).astype(np.int32)
    fleet = replace(with_units(fleet, sale=sale, regraded=regraded, planned=later), claims=only(fleet.claims, slice(0)))
    found = months_of(fleet, LAW)

    def rounded(*given: Any, sold_only: bool = False) -> Any:
        parts = plain(*given, sold_only=sold_only)
        return parts if sold_only else tuple(part * (1.0 + 4e-16 * (np.arange(2) > 0)) for part in parts)

    monkeypatch.setattr(dm, "reports", rounded)
    again = months_of(fleet, LAW)
    assert np.array_equal(found.planned.regrades, again.planned.regrades) and found.planned.regrades.any()
    assert np.array_equal(found.cube["regrades"].values, again.cube["regrades"].values)


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


def test_written_and_read_again_it_is_the_same_fleet(tmp_path: Path) -> None:
    fleet = small(500)
    again = read_fleet(write_fleet(fleet, tmp_path))
    assert again.settings == fleet.settings
    assert np.array_equal(again.units.sale, fleet.units.sale)
    assert np.array_equal(again.claims.report, fleet.claims.report)
    one, other = dm.forecast_demand(fleet, LAW), dm.forecast_demand(again, LAW)
    assert np.array_equal(one.cube["regrades"].values, other.cube["regrades"].values)
