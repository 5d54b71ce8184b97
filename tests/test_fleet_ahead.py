"""The months ahead: units at risk run down by a corrected hazard, by loops over every group and month; what is drawn
and what a planner reads off it, by hand. No outside reference values."""

from __future__ import annotations

from math import exp, log
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest

from driftmodel.fleet import backtest, claims, cohorts, demand, exposure, future, roster, run, scores
from driftmodel.fleet.roster import REGRADE, SEASONAL
from driftmodel.fleet.tables import NONE

CUTOFF, MONTHS, MORE = 100, 6, 0.01


class Corrected:
    """Random effects of two draws; the physics' hazard is raised by MORE, and counts twice."""

    def __init__(self, ages: int = 400) -> None:
        random = np.random.default_rng(4)
        self.age, self.gap = (random.normal(0.0, 0.3, (2, 1, 2, ages)) for _ in range(2))
        self.weigh = np.array([[0.3, -0.2], [0.1, 0.4]])

    def by_age(self, effects: Any, ages: int) -> Any:
        return self.age[..., :ages], self.gap[..., :ages]

    def trust(self, effects: Any) -> Any:
        return self.weigh

    def newer(self, effects: Any) -> Any:
        return np.array([[[0.5, -0.4]], [[0.2, 0.1]]])  # of units sold within three years

    def at_least(self, units: Any, expected: Any) -> Any:
        return np.full(units.shape, MORE)

    def apart(self, hazard: Any) -> Any:
        return 2.0 * hazard


def groups(seed: int, start: list[float], kind: list[int], joining: bool) -> future.Groups:
    random, many = np.random.default_rng(seed), len(start)
    units, first = np.zeros((1, 2, many, MONTHS)), np.zeros((1, 2, many, MONTHS))
    units[..., 0] = random.uniform(5.0, 9.0, (1, 2, many))
    for month in range(MONTHS):
        first[..., month] = 0.1 * random.random((1, 2, many)) * units[..., month]
        if month + 1 < MONTHS:
            units[..., month + 1] = units[..., month] - first[..., month] + joining * random.integers(0, 3, many)
    first[0, 0, 0, 1] = 0.97 * units[0, 0, 0, 1]  # above the most a hazard may be
    cover = units * random.random((1, 2, many, MONTHS))
    return future.Groups(units, first, cover, np.array(start), np.array(kind), np.array(start) <= CUTOFF)


def bin_at(age: float) -> int:
    return max(k for k, first in enumerate(exposure.AGE_BINS.tolist()) if first <= max(round(age), 0))


def sort_at(age: float) -> int:
    return max(k for k, first in enumerate((0, 18, 36, 60, 96)) if first <= max(round(age), 0))


@pytest.mark.parametrize(("sold_only", "wide"), [(False, 1), (True, 1), (False, 3)])
def test_reports_ahead_group_by_group(sold_only: bool, wide: int, monkeypatch: pytest.MonkeyPatch) -> None:
    """wide: months of regrades ahead that are one group where there are many, as of its middle month."""
    if wide > 1:
        monkeypatch.setattr(future, "MOST_NEW_GROUPS", MONTHS - 1)
        monkeypatch.setattr(future, "FEW_NEW_GROUPS", 2)
    correction: Any = Corrected()
    fresh = groups(1, [60.0, 90.5, 103.0], [0, 0, 0], True)
    again = groups(2, [51.0, 99.5, 98.0], [1, 3, 3], False)
    gaps = np.random.default_rng(3).uniform(0.0, 1.0, (1, 2, 5, MONTHS + 1)) * [1, 2, 3, 4, 5, 6, 40]
    monthly = np.random.default_rng(5).normal(0.0, 0.2, (2, 1, 2, MONTHS))
    found = future.reports(fresh, again, gaps, correction, CUTOFF, np.zeros((2, 1)), monthly, sold_only=sold_only)
    middle = [9.0, 27.0, 48.0, 78.0, 120.0]

    def hazards(own: future.Groups, design: int) -> tuple[Any, Any]:
        units, first = own.units[0, design], own.first[0, design] + MORE * own.units[0, design]
        bins = [[bin_at(CUTOFF + 1 + m - s) for m in range(MONTHS)] for s in own.start]
        alike = [[(k, b, m) for m, b in enumerate(row)] for k, row in zip(own.kind.tolist(), bins, strict=True)]
        cells = [(g, m) for g in range(len(alike)) for m in range(MONTHS)]
        part = {
            key: [(first[g, m], units[g, m]) for g, m in cells if alike[g][m] == key] for row in alike for key in row
        }
        mean = {key: 2.0 * sum(f for f, _ in each) / sum(u for _, u in each) for key, each in part.items()}
        rate = -np.log(1.0 - np.minimum(first / units, 0.9))
        return rate, [[mean[key] for key in row] for row in alike]

    for draw in range(2):
        early, trust = correction.weigh[draw]
        for d in range(2):
            (h, z), (h2, z2) = hazards(fresh, d), hazards(again, d)
            left = [u * (s or not sold_only) for u, s in zip(fresh.units[0, d, :, 0], fresh.sold, strict=True)]
            back_pool, new = list(again.units[0, d, :, 0]), [[0.0] * MONTHS for _ in range(5)]
            covers, covers2 = (own.cover[0, d] / own.units[0, d] for own in (fresh, again))
            alive = [[sum(gaps[0, d, k, a:]) for a in range(MONTHS + 1)] for k in range(5)]
            chance = [[min(gaps[0, d, k, a] / alive[k][a] + MORE, 0.9) for a in range(MONTHS)] for k in range(5)]
            apart = [
                [
                    2.0 * (sum(gaps[0, d, k, b] for b in range(MONTHS) if bin_at(b) == bin_at(a))
                           / sum(alive[k][b] for b in range(MONTHS) if bin_at(b) == bin_at(a)) + MORE)
                    for a in range(MONTHS)
                ]
                for k in range(5)
            ]  # fmt: skip
            done, done2 = [0.0] * 3, [0.0] * 3
            for m in range(MONTHS):
                now, of_month = CUTOFF + 1 + m, monthly[draw, 0, d, m]

                def part(rate: float, age: float, table: Any, extra: float) -> float:
                    at = min(max(round(age), 0), 399)
                    return 1.0 - exp(-rate * exp(table[draw, 0, d, at] + extra + of_month))  # noqa: B023

                unlike = [0.0, *[correction.newer(None)[draw, 0, d]] * 2]
                told = [
                    left[g] * part(h[g, m], now - fresh.start[g], correction.age, early * z[g][m] + unlike[g])
                    for g in range(3)
                ]
                back = [
                    back_pool[g] * part(h2[g, m], now - again.start[g], correction.gap, trust * z2[g][m])
                    for g in range(3)
                ]
                made = m // wide
                since = [min(max(round(m - (j * wide + 0.5 * (wide - 1))), 0), MONTHS - 1) for j in range(made + 1)]
                after = [[new[k][j] * part(-log(1 - chance[k][a]), a, correction.gap, trust * apart[k][a])
                          for j, a in enumerate(since)] for k in range(5)]  # fmt: skip
                came = [sum(each) for each in after]
                for g in range(3):
                    left[g] -= told[g]
                    if m + 1 < MONTHS and (fresh.sold[g] or not sold_only):
                        left[g] += fresh.units[0, d, g, m + 1] - fresh.units[0, d, g, m] + fresh.first[0, d, g, m]
                    back_pool[g] -= back[g]
                    done[g], done2[g] = done[g] + told[g], done2[g] + back[g]
                    came[sort_at(now - fresh.start[g])] += told[g]
                    came[sort_at(now - again.start[g] + middle[again.kind[g] - 1])] += back[g]
                later = sum(map(sum, after))
                for k in range(5):
                    for j in range(made + 1):
                        new[k][j] -= after[k][j]
                    new[k][made] += came[k]
                    later += came[k] * part(-log(1 - chance[k][0]), 0, correction.gap, trust * apart[k][0])
                inside = sum(t * c for t, c in zip(told, covers[:, m], strict=True))
                assert found[0][draw, m, 0, d] == pytest.approx([sum(told) - inside, inside])
                share = sum(np.array(done) * covers[:, m]) + sum(np.array(done2) * covers2[:, m])
                share /= sum(done) + sum(done2)
                inside = sum(t * c for t, c in zip(back, covers2[:, m], strict=True)) + later * share
                assert found[1][draw, m, 0, d] == pytest.approx([sum(back) + later - inside, inside])


def test_ages_and_sums_of_groups() -> None:
    """Middle ages of the kinds of regrade: 0 to 18, 36, 60 and 96 months, and two years on."""
    assert future.MIDDLE_AGE.tolist() == [9.0, 27.0, 48.0, 78.0, 120.0]
    own = groups(2, [70.0, 99.5, 98.0], [1, 3, 3], False)
    both = own.units_and_reports(CUTOFF)
    assert both.shape == (1, 2, exposure.KINDS, 2, exposure.AGE_BINS.size)
    assert both[0, 1, 3, 0].sum() == pytest.approx(own.units[0, 1, 1:].sum())
    assert both[0, 1, 1, 1].sum() == pytest.approx(own.first[0, 1, 0].sum())


# ---- what is drawn -----------------------------------------------------------------------------------------------


def test_groups_of_months_and_how_they_stand() -> None:
    """Months 3 to 12 in at most four groups are three wide; a new one begins after the cut-off, here 8."""
    assert run._groups(np.array([12, 3, 7]), 8, 4) == (3, 6, 9, 12)
    assert run._groups(np.array([12, 3]), 7, 4) == (3, 6, 8, 11)
    assert run._groups(np.array([12, 10]), 7, 9) == (10, 11, 12)
    assert run._groups(np.array([4, 3]), 7, 9) == (3, 4)
    assert run._groups(np.array([], dtype=np.int32), 7, 9) == (7,)
    table = np.arange(1 * 1 * 3 * 8 * 2, dtype=float).reshape(1, 1, 3, 8, 2)
    found = future._in_groups(table, (3, 6, 8, 11), 7, np.array([1, 2]))
    assert found.start.tolist() == [4.0, 6.5, 9.0, 11.0] * 2
    assert (found.sold.tolist(), found.kind.tolist()) == ([True, True, False, False] * 2, [1] * 4 + [2] * 4)
    assert [part.tolist() for part in (found.units, found.first, found.cover)] == [
        table[:, :, k].tolist() for k in range(3)
    ]
    assert future._in_groups(table, (3, 6), 9, np.array([0])).start.tolist() == [4.0, 7.5]
    at_cutoff = future._in_groups(table, (3, 6, 9), 6, np.array([0]))
    assert (at_cutoff.start.tolist(), at_cutoff.sold.tolist()) == ([4.0, 6.0, 9.0], [True, True, False])
    assert future._in_groups(table, (3, 6), 4, np.array([0])).start.tolist() == [3.5, 6.0]


def test_times_between_regrades_by_cell() -> None:
    units: Any = SimpleNamespace(build=np.array([1, 2, 3]), sale=np.array([2, 4, 6]), cover=np.array([10, 20, 30]),
                                 count=np.array([1, 5, 7]))  # fmt: skip
    past: Any = SimpleNamespace(
        units=units, row=np.array([2, 0, 2]), begin=np.array([8, 5, 9]), stop=np.array([9, 6, 11])
    )
    them: Any = SimpleNamespace(cell=np.array([4, 3]), of_row=np.array([0, 1, 1]))
    found = cohorts.between(past, them)
    assert {at: [getattr(each, name).tolist() for name in exposure.Spells.__dataclass_fields__]
            for at, each in found.items()} == {
        3: [[3, 3], [8, 9], [9, 11], [36, 36], [7.0, 7.0]], 4: [[1], [5], [6], [12], [1.0]]}  # fmt: skip
    past.row = past.row[:0]
    assert cohorts.between(past, them) == {}


def test_weather_is_what_the_noise_of_draws_leaves() -> None:
    """Two members of 8 and 12 (mean 10, variance 8) with noise 2 and 4 on average 3: weather 5, so 5/7 and 5/9 of what
    they are apart counts; less scatter than noise is no weather."""
    level, noise = np.array([[[8.0, 10.0, 0.0]], [[12.0, 11.0, 0.0]]]), np.array([[[2.0, 9.0, 1.0]], [[4.0, 9.0, 1.0]]])
    stub: Any = SimpleNamespace(level=level, noise=noise)
    found = run.weather_ratio(stub)
    assert found[:, 0, 0] == pytest.approx([1 - 0.2 * 5 / 7, 1 + 0.2 * 5 / 9])
    assert found[:, 0, 1:].tolist() == [[1.0, 1.0]] * 2
    logs = np.log(found[:, 0, 0])
    assert run.weather_sd(stub) == pytest.approx(abs(logs[0] - logs[1]) / 2)
    wild: Any = SimpleNamespace(level=np.array([[[0.0, 1.0]], [[9.0, 1.0]]]), noise=np.zeros((2, 1, 2)))
    assert run.weather_sd(wild) == 0.5
    one: Any = SimpleNamespace(level=level[:1], noise=noise[:1])
    assert (run.weather_ratio(one) == 1.0).all()
    law = claims.gamma_of(np.array([[1.0, 2.0], [3.0, 2.0]]))
    assert (law.shape[0], law.rate[0]) == (4.0, 2.0)
    assert law.mean[1] == pytest.approx(2.0)


def test_what_fell_due_before_the_end_of_the_cutoff() -> None:
    """A quarter told at once, half a month late, the rest two: 3/4 and 1/4 are not yet told, and what fell due so many
    months ago is told one month later on average, spread by half a month squared."""
    lag = np.array([0.25, 0.5, 0.25])
    assert demand.untold(lag).tolist() == [0.75, 0.25, 0.0]
    before, ahead = np.array([8.0, 10.0, 13.0, 20.0]), np.array([18.0, 12.0])
    bends = 20.0 - 2.0 * 18.0 + 12.0, 13.0 - 2.0 * 20.0 + 18.0, 10.0 - 2.0 * 13.0 + 20.0
    wanted = [18.0 - 0.25 * bends[0], 20.0 - 0.25 * bends[1], 13.0 - 0.25 * bends[2]]
    assert demand.due_late(before, ahead, lag) == pytest.approx(wanted)
    months = np.arange(6.0) ** 2  # told exactly so if due at (t - mean lag)^2 + ...: a square has one bend, 2
    late = np.array([0.4, 0.3, 0.2, 0.1])  # one month on average, with variance 1
    assert demand.due_late(months[:4], months[4:], late)[:3] == pytest.approx(np.array([4.0, 3.0, 2.0]) ** 2 - 1.0)
    half = np.array([0.5, 0.5])
    assert demand.due_late(months[:4], months[4:], half)[0] == pytest.approx(0.5 * (3.0**2 + 4.0**2) - 0.25)
    one_month = demand.due_late(before, ahead[:1], late)  # fewer months ahead than reports are late: as the last
    assert one_month[0] == pytest.approx(18.0 - 0.5 * (20.0 - 18.0))
    assert (demand.due_late(np.array([5.0]), np.array([0.0]), late) >= 0.0).all()


def test_noise_of_a_month_and_a_region_has_mean_1() -> None:
    drawn = future.gamma_noise(0.25, (40000,), np.random.default_rng(1))
    assert (drawn.mean(), drawn.var()) == (pytest.approx(1.0, abs=0.01), pytest.approx(0.25, rel=0.05))
    assert future.gamma_noise(9e-7, (2, 3), np.random.default_rng(1)).tolist() == [[1.0] * 3] * 2
    assert future.gamma_noise(1.4e-6, (2, 3), np.random.default_rng(1)).std() > 0.0


def test_shares_of_grades_by_hand() -> None:
    """Region a expects two jobs of grade 0 and six of 1 in its first month and none in the second; b none at all, so
    as the fleet; ten claims told grade 2 in a count for 10 of 30."""
    parts = np.zeros((2, 1, 2, 3, 2))
    parts[0, 0, 0, :, 1], parts[0, 0, 0, 0, 0] = [2.0, 6.0, 0.0], 5.0
    known: Any = SimpleNamespace(disposition=np.array([REGRADE] * 11 + [SEASONAL]), region=np.zeros(12, dtype=int),
                                 design=np.zeros(12, dtype=int), grade=np.array([2] * 10 + [NONE, 1]))  # fmt: skip
    found = claims.grade_shares(parts, known)
    assert found[0, 0, 0, :, 1] == pytest.approx([2 / 3 * 0.25, 2 / 3 * 0.75, 1 / 3])
    assert found[0, 0, 0, :, 0] == pytest.approx([2 / 3, 0.0, 1 / 3])
    assert found[0, 0, 1, :, 1] == pytest.approx([2 / 3 * 7 / 13, 2 / 3 * 6 / 13, 1 / 3])
    assert found[1, 0, 1, :, 0] == pytest.approx([7 / 13, 6 / 13, 0.0], abs=1e-9)


# ---- against what came -------------------------------------------------------------------------------------------


def test_the_band_is_widened_by_the_least_that_holds(monkeypatch: pytest.MonkeyPatch) -> None:
    """A hundred months at 0.8 less 0.04, and four sums at 0.8 less 0.2; of three dates any one is left out."""
    assert backtest.WIDENINGS == (0.0, 0.05, 0.1, 0.15, 0.2, 0.25, 0.3, 0.4, 0.5, 0.7, 1.0)
    shares = {0.0: (0.9, 0.5), 0.05: (0.75, 0.9), 0.1: (0.761, 0.61)}
    monkeypatch.setattr(backtest, "_held", lambda _, s, __: list(zip(shares.get(s, (0.0, 0.0)), (100, 4), strict=True)))
    assert backtest._needed([], 1) == 0.1
    for less in ((0.759, 0.61), (0.761, 0.59)):
        shares[0.1] = less
        assert backtest._needed([], 1) == 1.0
    asked = {(0, 1): 0.3, (0, 2): 0.1, (1, 2): 0.2, (0,): 0.7}
    monkeypatch.setattr(backtest, "_needed", lambda some, seed: asked[tuple(at for at, _ in some)])
    none: Any = (np.zeros(0), np.zeros(0))
    assert backtest.widening_needed([none] * 3, 1) == 0.1
    assert backtest.widening_needed([none] * 2, 1) == 0.3
    assert backtest.widening_needed([none], 1) == 0.7


def test_months_and_sums_held_by_a_widened_band(monkeypatch: pytest.MonkeyPatch) -> None:
    """Every sample of a region times exp(spread x normal), to the whole; months by region, then sums by region and of
    all, one region alone having no sum of all."""
    random, keys = np.random.default_rng(6), []
    normal = random.normal(size=(40, 2, 2))

    def made(key: list[int]) -> Any:
        keys.append(key[:2])
        return SimpleNamespace(standard_normal=lambda shape: normal[: shape[0], : shape[1], : shape[2]])

    cube, came = random.poisson(6.0, (40, 3, 2)).astype(float), random.poisson(6.0, (3, 2)).astype(float)
    monkeypatch.setattr(np.random, "default_rng", made)
    for regions in (2, 1):
        own, true = cube[..., :regions], came[:, :regions]
        wide = np.stack([own[:, :, r] * np.exp(0.3 * normal[:, :1, r]) for r in range(regions)], axis=2)
        samples = np.round([wide[:, m, r] for m in range(3) for r in range(regions)])
        sums = [wide[:, :, r].sum(axis=1) for r in range(regions)]
        totals = [true[:, r].sum() for r in range(regions)]
        if regions == 2:
            sums, totals = [*sums, sums[0] + sums[1]], [*totals, sum(totals)]
        flat = [true[m, r] for m in range(3) for r in range(regions)]
        found = backtest._held([(5, (own, true))], 0.3, 9)
        assert found[0] == (pytest.approx(scores.coverage_counts(samples, flat)), 3 * regions)
        assert found[1] == (pytest.approx(scores.coverage_counts(np.round(sums), totals)), len(totals))
    assert keys == [[9, 5], [9, 5]]


def past_fleet(**changed: Any) -> Any:
    """Four rows of units and claims of months 80 to 100."""
    units = SimpleNamespace(
        sale=np.array([80, 90, 95, 103]), regraded=np.array([92, NONE, 99, NONE]), count=np.array([2, 3, 1, 4]),
        region=np.array([0, 0, 1, 1]), design=np.zeros(4, dtype=int), planned=np.array([False, False, False, True]),
    )  # fmt: skip
    report = np.array([88, 89, 90, 95, 100, 101, 100, 92])
    claims = SimpleNamespace(report=report, region=np.array([0, 0, 0, 0, 1, 1, 0, 0]), design=np.zeros(8, dtype=int),
                             disposition=np.array([REGRADE] * 7 + [SEASONAL]))  # fmt: skip
    return SimpleNamespace(units=units, claims=claims, regions=("a", "b"), designs=("x",), cutoff=100,
                           claims_since=NONE, **changed)  # fmt: skip


def test_plain_forecasts_by_hand(monkeypatch: pytest.MonkeyPatch) -> None:
    fleet = past_fleet()
    assert roster.reported(fleet, 95, 6)[:, :, 0].tolist() == [[1, 0], [0, 0], [0, 0], [0, 0], [0, 0], [1, 1]]
    monkeypatch.setattr(backtest, "known_at", lambda units, cutoff: units)
    for name, more in {"sale": (98, 100, 101), "regraded": (98, NONE, NONE), "count": (1, 5, 2), "region": (0, 0, 1),
                       "design": (0, 0, 0)}.items():  # fmt: skip
        setattr(fleet.units, name, np.append(getattr(fleet.units, name), more))
    pooled, same, constant = backtest.references(fleet, 100, 14)
    year = roster.reported(fleet, 89, 12)
    assert year.sum() == 5
    assert same.tolist() == [year[m % 12].tolist() for m in range(14)]
    assert constant.tolist() == [(year.sum(axis=0) / 12).tolist()] * 14
    # regraded at ages 12 (two units), 4 (one) and 0 (one); watched to 12, 10, 4, 0, 0 and, not yet sold, not at all
    hazard = {0: 1 / (2 + 3 + 1 + 1 + 5), 4: 1 / (2 + 3 + 1), 12: 1.0}
    rows = [(80, 2, 0), (90, 3, 0), (95, 1, 1), (103, 4, 1), (98, 1, 0), (100, 5, 0), (101, 2, 1)]
    for step in range(14):
        for r in range(2):
            wanted = sum(
                n * hazard.get(101 + step - s, 0.0) for s, n, region in rows if region == r and 101 + step >= s
            )
            assert pooled[step, r, 0] == pytest.approx(wanted)


def test_dates_of_a_backtest() -> None:
    """Half years back from month 100; twelve months after the first sale, and forty claims told by then."""
    fleet = past_fleet()
    fleet.claims.disposition = np.full(60, REGRADE)
    fleet.claims.report = np.concatenate([np.full(39, 70), [82], np.full(20, 99)])
    fleet.units.sale = np.array([60, 90, 95, 3])
    assert backtest.origins_of(fleet) == [82, 88, 94]
    fleet.claims_since = 76
    assert backtest.origins_of(fleet) == [88, 94]
    fleet.units.sale[:] = 77
    assert backtest.origins_of(fleet) == [94]
    fleet.units.sale[:] = fleet.claims.report[:] = fleet.claims_since = 40
    assert backtest.origins_of(fleet) == [76, 82, 88, 94]


def test_words_of_a_backtest() -> None:
    def result(within: float, widening: float = 0.0) -> Any:
        skill = {"one": 0.25, "other": -0.1, "third": 0.0}
        return SimpleNamespace(coverage_80=within, widening=widening, sums_80=0.5, rows=[0] * 100, closed_80=0.9,
                               skill=skill, crps={"one": 1.0}, wis={"one": 2.0})  # fmt: skip

    assert backtest.verdict(result(0.71)).startswith("Too narrow: ") and "held 71 %" in backtest.verdict(result(0.71))
    assert backtest.verdict(result(0.72)).endswith("in their 80 % band.")
    assert backtest.verdict(result(0.88)).endswith("in their 80 % band.")
    assert backtest.verdict(result(0.89)).endswith("which is wide.")
    assert "widened by 15 %" in backtest.verdict(result(0.6, 0.15)) and "50 % of the sums" in backtest.verdict(
        result(0.6, 0.15)
    )
    words = {share: backtest.backtest_words(result(share)) for share in (0.71, 0.72, 0.88, 0.89)}
    for share, word in zip(words, ("too narrow", "as it should", "as it should", "too wide"), strict=True):
        assert f"held {100 * share:.0f} % of them: {word}." in words[share]
    assert "72 to 88 %" in words[0.72] and "lie 90 %" in words[0.72]
    assert backtest.skill_words(result(0.8)) == "25 % better than one, 10 % worse than other, as good as third"


def test_rows_of_a_backtest() -> None:
    fleet = past_fleet()
    cube = np.arange(11.0)[:, None, None, None] * np.array([[[1.0], [10.0]], [[2.0], [20.0]]])
    rows = backtest._rows(fleet, 100, cube, np.array([[[3.0], [4.0]], [[5.0], [6.0]]]))
    assert [row["came"] for row in rows] == [3, 4, 5, 6]
    assert [(row["origin"], row["month"], row["lead_months"]) for row in rows[1:3]] == [
        ("0008-05", "0008-06", 1), ("0008-05", "0008-07", 2)]  # fmt: skip
    assert [(row["p10"], row["p50"], row["p90"]) for row in rows] == [
        (1, 5, 9),
        (10, 50, 90),
        (2, 10, 18),
        (20, 100, 180),
    ]


def test_a_backtest_is_its_forecasts_against_what_came(monkeypatch: pytest.MonkeyPatch) -> None:
    """Two dates of made-up counts; scores are of the months, regions and designs of both, each by itself."""
    fleet, random = past_fleet(settings=SimpleNamespace(seed=3)), np.random.default_rng(8)
    fleet.units.sale[2] = 94
    cubes = {origin: random.poisson(0.4, (50, 3, 2, 1, 2, 2)) for origin in (88, 97)}
    asked = []

    def made(_: Any, function: Any, **words: Any) -> Any:
        asked.append(words)
        return SimpleNamespace(cube={"regrades": SimpleNamespace(values=cubes[words["cutoff"]])})

    monkeypatch.setattr(backtest, "forecast_demand", made)
    monkeypatch.setattr(backtest, "remembered", lambda function, crew: function)
    monkeypatch.setattr(backtest, "known_at", lambda units, cutoff: units)
    found = backtest.backtest(fleet, lambda *_: None, [88, 97], 3)  # type: ignore[arg-type, return-value]
    assert [(w["cutoff"], w["months"], w["to_end_of_cover"]) for w in asked] == [(88, 3, False), (97, 3, False)]
    own = {origin: cube.sum(axis=(4, 5))[..., 0] for origin, cube in cubes.items()}  # sample, month, region
    came = {origin: roster.reported(fleet, origin + 1, 3)[..., 0] for origin in cubes}
    samples = np.array([own[o][:, m, r] for o in cubes for m in range(3) for r in range(2)], dtype=float)
    true = np.array([came[o][m, r] for o in cubes for m in range(3) for r in range(2)])
    assert [row["came"] for row in found.rows] == true.tolist() and true.sum() == 4
    assert found.crps[backtest.MODEL] == pytest.approx(np.mean(scores.crps_samples(samples, true)))
    assert found.wis[backtest.MODEL] == pytest.approx(np.mean(scores.weighted_interval_score(samples, true)))
    assert found.coverage_80 == pytest.approx(scores.coverage_counts(samples, true))
    assert found.closed_80 == pytest.approx(scores.coverage(*np.quantile(samples, [0.1, 0.9], axis=1), true))
    assert found.pit == pytest.approx(scores.pit(samples, true))
    whole = [own[o].sum(axis=1) for o in cubes]
    sums = np.array([part for each in whole for part in (*each.T, each.sum(axis=1))], dtype=float)
    totals = [part for o in cubes for part in (*came[o].sum(axis=0), came[o].sum())]
    assert found.sums_80 == pytest.approx(scores.coverage_counts(sums, totals))
    assert found.widening == backtest.widening_needed([(own[o].astype(float), came[o]) for o in cubes], 3)
    for name, score in found.skill.items():
        assert score == pytest.approx(1.0 - found.crps[backtest.MODEL] / found.crps[name])
    mean = np.concatenate([backtest.references(fleet, o, 3)[2].ravel() for o in cubes])
    even = np.array([np.random.default_rng(1).poisson(m, 4000) for m in mean])
    assert found.crps["constant rate"] == pytest.approx(np.mean(scores.crps_samples(even, true)), abs=0.06)
    with pytest.raises(ValueError, match="so that what came is known"):
        backtest.backtest(fleet, lambda *_: None, [88, 98], 3)  # type: ignore[arg-type, return-value]


def test_a_checked_forecast_is_as_wide_as_its_backtest_says(monkeypatch: pytest.MonkeyPatch) -> None:
    tested: Any = SimpleNamespace(widening=0.3)
    monkeypatch.setattr(backtest, "forecast_demand", lambda *_, **words: words.get("widening", 0.0))
    monkeypatch.setattr(backtest, "remembered", lambda function, crew: function)
    monkeypatch.setattr(backtest, "backtest", lambda fleet, function, origins, months, crew: (
        tested if (origins, months) == ([7], 6) else None))  # fmt: skip
    for origins, wanted in (([], (0.0, None)), ([7], (0.3, tested))):
        monkeypatch.setattr(backtest, "origins_of", lambda _, origins=origins: origins)
        assert backtest.checked_forecast(past_fleet(), lambda *_: None) == wanted  # type: ignore[arg-type, return-value]
