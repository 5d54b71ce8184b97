"""What a cell's units report, what they were expected to and what follows a regrade: by loops over every unit, life,
regrade and lag of a tiny fleet, apart from the code. No outside reference values.

An owner here is a life with a way to tell: at once with the ordinary lag, or waiting for the end of cover. All sums are
over owners by weight, then divided by the weight of those who agree with what is known.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from math import inf
from typing import Any

import numpy as np
import pytest

from driftmodel.fleet import cell_demand, cohorts, exposure, passage
from driftmodel.fleet.passage import FAR, Lives, Passages
from driftmodel.fleet.reporting import Asked
from driftmodel.fleet.tables import NONE

LAG = (0.5, 0.2, 0.3)  # mean 0.8, so one month
CUTOFF, SINCE, MONTHS, YEARS, GRADES, MEMBERS, DRAWS = 60, 40, 26, 3, 5, 2, 12
SALES, REGRADES = (20, 40, 52, 61, 66), (30, 50)
#: ages told apart: by 1, 2, 3, 4, 6 and 12 months, then ever wider
BINS = [*range(4), *range(4, 12, 2), *range(12, 24, 3), *range(24, 36, 4), *range(36, 72, 6), *range(72, 96, 12),
        96, 120, 144, 180, 240, 300, 400, 600]  # fmt: skip


@dataclass
class Owner:
    """due: months of the regrades by age, told: (age, share, occasion, grade) of their reports; late: tells it all in
    the last months of cover."""

    life: int
    weight: float
    member: int
    due: list[int]
    told: list[tuple[int, float, int, int]]
    late: list[bool]


def bin_at(age: int) -> int:
    return max(k for k, first in enumerate(BINS) if first <= age)


def sort_at(age: int) -> int:
    return max(k for k, first in enumerate((0, 18, 36, 60, 96)) if first <= age)


def prompt(life: int, weight: float, member: int, due: list[int], grade: list[int]) -> Owner:
    told = [(c + k, p, o, g) for o, (c, g) in enumerate(zip(due, grade, strict=True)) for k, p in enumerate(LAG)]
    return Owner(life, weight, member, due, told, [False] * len(due))


def waits(own: Owner, grade: list[int], end: int, turn: int) -> Owner:
    """Told in the month `turn`, or when due after it; what falls due before it is one job of the last one's grade."""
    due, first = own.due, [c for c in own.due if c <= turn]
    if first:
        due = [first[0], *(c + turn - first[-1] for c in due[len(first) :])]
        grade = grade[len(first) - 1 :]
    found = prompt(own.life, own.weight, own.member, due, grade)
    found.late = [c < end for c in due]
    found.told = [each for each in found.told if not found.late[each[2]]]
    found.told += [(max(c, turn), 1.0, o, grade[o]) for o, c in enumerate(due) if c < end]
    return found


def owners(lives: list[tuple[float, int, list[int], list[int]]], end: int, share: float, last: int) -> list[Owner]:
    found = []
    for life, (w, m, due, grade) in enumerate(lives):
        found.append(prompt(life, (1.0 - share) * w, m, due, grade))
        if share:
            late = prompt(life, share * w, m, due, grade)
            found.append(waits(late, grade, end, end - last + life % last))
    return found


def fleet_cell(seed: int) -> tuple[Passages, list[tuple[float, int, list[int], list[int]]], Lives]:
    """Passages, the same as lives put off by a mean lag for each regrade done, and as the code has them."""
    random = np.random.default_rng(seed)
    months = random.gamma(3.0, [9.0, 6.0, 8.0, 5.0], (DRAWS, 4)).cumsum(axis=1)
    months[random.random((DRAWS, 4)).cumsum(axis=1) > 2.6] = np.inf
    if seed == 4:
        months *= 0.4  # more than twenty within a year of each age
    if seed == 2:
        months[1] = np.inf  # one never; of the others all once
    months[0, 0], grade = 0.0, random.integers(-1, 3, (DRAWS, 4))
    lives = []
    for i in range(DRAWS):
        due = [max(int(np.ceil(m)) - 1, 0) + o for o, m in enumerate(months[i]) if np.isfinite(m)]
        lives.append((1.0, i * MEMBERS // DRAWS, due, [g if g >= 0 else GRADES - 1 for g in grade[i].tolist()]))
    made = passage.late_by(passage.lives_of(Passages(months, grade), MEMBERS, GRADES - 1), 1)
    return Passages(months, grade), [(w, m, d, g[: len(d)]) for w, m, d, g in lives], made


def after(lives: list[tuple[float, int, list[int], list[int]]], age: int) -> list[Any]:
    """Lives of a unit regraded at this age, by the lives due a month before it or about then."""
    pairs = [(i, o) for i, (_, _, due, _) in enumerate(lives) for o in range(min(len(due), 3))]
    apart = [abs(lives[i][2][o] - (age - 1)) for i, o in pairs]
    width = min(sorted(apart)[20], 12) if len(pairs) > 20 else 12
    weight = [max(1.0 - a / (width + 1), 0.0) for a in apart]
    if not any(weight):
        weight = [float(a == min(apart)) for a in apart]
    found = []
    for (i, o), w in zip(pairs, weight, strict=True):
        _, member, due, grade = lives[i]
        if w:  # due at another age than the unit: goes its way sooner or later by the two ages' ratio, at most 2
            times = min(max((max(age - 1, 0) + 0.5) / (due[o] + 0.5), 0.5), 2.0) ** 1.5
            later = [age + round(max(c - due[o] - 1, 0) * times) for c in due[o + 1 :]]
            found.append((w, member, later, grade[o + 1 :]))
    return found


@pytest.mark.parametrize("seed", [1, 2, 4])
def test_lives_after_a_regrade_are_those_due_about_then(seed: int) -> None:
    _, lives, made = fleet_cell(seed)
    ages = np.array([3, 14, 30, 400])
    found = passage.lives_after_regrade(made, ages, 1)
    for kind, age in enumerate(ages.tolist()):
        own = [
            (w, m, [c for c in row if c < FAR], g)
            for w, m, row, g, k in zip(
                *(getattr(found, name).tolist() for name in ("weight", "member", "crossing", "grade", "kind")),
                strict=True,
            )
            if k == kind
        ]
        wanted = after(lives, age)
        assert [(w, m, due, g[: len(due)]) for w, m, due, g in own] == [
            (pytest.approx(w), m, due, g) for w, m, due, g in wanted
        ]
    assert passage.lives_after_regrade(replace(made, crossing=np.full((DRAWS, 4), FAR)), ages).crossing.shape == (4, 1)


def sold(lives: list[Any], age: int) -> list[Any]:
    """Lives that were not put right before the sale at this age; the others weigh nothing."""
    return [(w * (not due or due[0] >= age), m, due, g) for w, m, due, g in lives]


def hazard(own: list[Owner], start: int, months: int) -> list[float]:
    """Chance of the first report in each month since `start`, given none before."""
    told = [
        sum(o.weight * p for o in own for at, p, n, _ in o.told if n == 0 and at == start + m) for m in range(months)
    ]
    whole = sum(o.weight for o in own)
    left = [whole - sum(told[:m]) for m in range(months)]
    return [min(t / n, 0.9) if n > 1e-9 * whole else 0.0 for t, n in zip(told, left, strict=True)]


def past(lives: list[Any], fresh: exposure.Spells, again: exposure.Spells, share: float) -> np.ndarray:
    """Unit months, expected and told, (kinds, 3, bins, months), a unit, month and life at a time."""
    out = np.zeros((exposure.KINDS, 3, exposure.AGE_BINS.size, CUTOFF - SINCE + 1))
    for kind, each in ((0, fresh), (1, again)):
        columns = (getattr(each, name).tolist() for name in exposure.Spells.__dataclass_fields__)
        for b, s, t, e, n in zip(*columns, strict=True):
            if t != NONE and t < SINCE:
                continue
            own = sold(lives, s - b) if kind == 0 else after(lives, s - b)
            chance = hazard(owners(own, e - b, share, 3), s - b, CUTOFF - s + 1)
            place = 0 if kind == 0 else 1 + sort_at(s - b)
            for month in range(max(s, SINCE), CUTOFF + 1):
                if t == NONE or month <= t:
                    out[place, :2, bin_at(month - s), month - SINCE] += n, n * chance[month - s]
            if t != NONE:
                out[place, 2, bin_at(t - s), t - SINCE] += n
    return out


def some_spells(seed: int) -> exposure.Spells:
    random = np.random.default_rng(seed)
    build = random.integers(20, 45, 12)
    start = build + random.integers(0, 12, 12)
    stop = np.where(random.random(12) < 0.6, np.minimum(start + random.integers(1, 25, 12), CUTOFF), NONE)
    start[0], stop[0], build[1], start[1], stop[1] = 22, 30, 20, 45, 45
    return exposure.Spells(build, start, stop, start + 24, random.integers(1, 5, 12).astype(float))


@pytest.mark.parametrize(("seed", "share"), [(1, 0.0), (2, 0.3)])
def test_the_past_is_what_units_at_risk_were_expected_to_tell(seed: int, share: float) -> None:
    _, lives, made = fleet_cell(seed)
    fresh, asked = some_spells(seed), Asked(MEMBERS, GRADES, MONTHS, np.array(LAG))
    again = replace(fresh, build=fresh.build - 7 * np.arange(12))
    found = exposure.past_of_cell(made, fresh, again, asked, SINCE, CUTOFF, (share, 3) if share else None)
    assert found == pytest.approx(past(lives, fresh, again, share), abs=1e-12)
    assert found[1:].any(axis=(1, 2, 3)).sum() > 2


def some_cohorts() -> cohorts.Cohorts:
    """Sold before and after the cut-off, in cover and out of it, regraded once, twice or never."""
    #                 never                             again            once       to be sold   long ago
    build = np.array([30, 30, 44, 35, 55, 41, 60, 5, 12, 31, 31, 58, 66, 60, -20])
    sale = np.array([30, 33, 45, 35, 60, 41, 60, 21, 20, 31, 33, 63, 70, 61, 20])
    cover = np.array([60, 36, 24, 10, 12, 24, 50, 60, 42, 48, 37, 60, 9, 24, 60])
    regraded = np.array([-1, -1, -1, -1, -1, -1, -1, 58, 60, 49, 44, -1, -1, -1, -1])
    first = np.array([-1, -1, -1, -1, -1, -1, -1, 38, 45, 49, 44, -1, -1, -1, -1])
    none, many = np.zeros(15, dtype=np.int32), np.array([5, 3, 2, 7, 1, 2, 4, 4, 3, 6, 2, 8, 3, 5, 9])
    return cohorts.Cohorts(none, none, none, build, sale, cover, regraded, first, many, sale > CUTOFF,
                           none.astype(np.int64), np.arange(15), ())  # fmt: skip


def alive(own: Owner, age: int) -> float:
    """Chance of no report by this age."""
    return 1.0 - sum(p for at, p, o, _ in own.told if o == 0 and at <= age)


def told_ahead(lives: list[Any], them: cohorts.Cohorts, share: float, since: int) -> dict[str, Any]:
    """What cell_demand.CellDemand holds but for `behind`, cohort by cohort."""
    years, before, of_sale = YEARS, len(LAG) - 1, len(SALES)
    out: dict[str, Any] = {
        "first": np.zeros((MONTHS, GRADES, 2)), "repeat": np.zeros((MONTHS, GRADES, 2)), "at_risk": np.zeros(MONTHS),
        "regraded": np.zeros(MONTHS), "pending": 0.0, "history": 0.0, "issued": np.zeros(MONTHS),
        "due": np.zeros(them.count.size), "level": np.zeros((MEMBERS, years + 1)), "beyond": 0,
        "noise": np.zeros((MEMBERS, years + 1)), "crossed": np.zeros(before + MONTHS),
        "past": np.zeros((2, before)), "cohort": np.zeros((5, MONTHS)), "sold": np.zeros((3, of_sale, MONTHS)),
        "back": np.zeros((3, 5 * len(REGRADES), MONTHS)), "gaps": np.zeros((5, MONTHS + 1)),
    }  # fmt: skip
    brought = np.zeros((DRAWS, years + 1))
    columns = (getattr(them, name).tolist() for name in ("build", "sale", "cover", "regraded", "count"))
    for row, (b, s, cover, last, n) in enumerate(zip(*columns, strict=True)):
        age, again, end = CUTOFF - b, last != NONE, s + cover
        if s <= CUTOFF:  # the past of a unit of which nothing is known
            own = owners(sold(lives, s - b), end - b, share, 3)
            whole = [sum(o.weight for o in own if o.member == m) for m in range(MEMBERS)]
            for o in (o for o in own if o.weight):
                came = o.weight * sum(p for at, p, _, _ in o.told if max(since - b, 0) <= at <= age)
                out["history"] += n * came / sum(whole)
                brought[o.life, -1] += n * came / whole[o.member]
                for due, late in zip(o.due, o.late, strict=True):
                    if not late and -before <= due - age - 1 < 0:
                        out["past"][1, due - age - 1] += n * o.weight / sum(whole)
        own = owners(after(lives, last - b) if again else sold(lives, s - b), end - b, share, 3)
        left = [o.weight * alive(o, age) for o in own]
        if sum(left) < 1e-9:
            out["beyond"] += n
        each = [sum(w for o, w in zip(own, left, strict=True) if o.member == m) for m in range(MEMBERS)]
        told, parts = np.zeros((2, MONTHS, GRADES)), np.zeros((len(own), years + 1))
        for o, w in zip(own, left, strict=True) if sum(left) > 1e-9 else ():
            weight = [o.weight, *[w] * len(o.due)]
            for at, p, occasion, grade in o.told:
                if 0 <= at - age - 1 < MONTHS:
                    told[min(occasion, 1), at - age - 1, grade] += weight[occasion] * p / sum(left)
            for occasion, (due, late) in enumerate(zip(o.due, o.late, strict=True)):
                heard = next(at for at, _, k, _ in o.told if k == occasion) - 1 if late else due
                if 0 <= heard - age < MONTHS:
                    parts[o.life, (heard - age) // 12] += n * weight[occasion] / each[o.member]
                if not late and 0 <= (at := due - age - 1 + before) < before + MONTHS:
                    share_of = n * weight[occasion] / sum(left)
                    out["crossed"][at] += share_of * (occasion == 0 and not again)
                    if occasion == 0 and at < before:
                        out["past"][0, at] += share_of
            out["pending"] += n * w * (bool(o.due) and o.due[0] <= age) / sum(left)
        stays = np.array([max(1.0 - told[0, :m].sum(), 0.0) for m in range(MONTHS)])
        months = CUTOFF + 1 + np.arange(MONTHS)
        here, inside = months >= s, (months >= s) & (months < end)
        covers = n * np.stack([~inside, inside], axis=-1)[:, None, :]
        out["due"][row] = told[0, :6].sum()
        out["cohort"][s // 12 - 1] += n * told.sum(axis=(0, 2))
        if again:
            out["regraded"] += n
            out["repeat"] += told.sum(axis=0)[..., None] * covers
            group = sort_at(last - b) * 2 + (last >= REGRADES[1])
            out["back"][:, group] += n * np.stack([stays, told[0].sum(axis=1), inside * stays])
            for m in range(MEMBERS):
                x = np.array(
                    [
                        parts[o.life]
                        for k, o in enumerate(own)
                        if o.member == m and (k == 0 or own[k - 1].life != o.life)
                    ]
                )
                if len(x):
                    out["level"][m] += x.sum(axis=0)
                    out["noise"][m] += (x**2).sum(axis=0) - x.sum(axis=0) ** 2 / len(x)
            continue
        brought += parts[:DRAWS] * [*YEARS * [1.0], 0.0]
        out["at_risk"] += n * stays * here
        out["first"] += told[0][..., None] * covers
        out["repeat"] += told[1][..., None] * covers
        group = max(k for k, first in enumerate(SALES) if first <= s)
        out["sold"][:, group] += n * np.stack([here * stays, told[0].sum(axis=1), inside * stays])
        if s > CUTOFF:
            out["issued"][s - CUTOFF - 1] += n * (told.sum(axis=(0, 2)) * inside).sum()
        for _, _, due, _ in lives:
            for here_, then in zip(due[:3], [*due[1:], inf][:3], strict=False):
                if age < here_ <= age + MONTHS:
                    out["gaps"][sort_at(here_), int(min(then - here_, MONTHS))] += n / DRAWS
    for m in range(MEMBERS):
        x = brought[[k for k in range(DRAWS) if k * MEMBERS // DRAWS == m]]
        out["level"][m] += x.sum(axis=0)
        out["noise"][m] += (x**2).sum(axis=0) - x.sum(axis=0) ** 2 / len(x)
    return out


@pytest.mark.parametrize(("seed", "share", "since"), [(1, 0.0, NONE), (2, 0.3, 45), (3, 0.3, NONE)])
def test_a_cell_tells_what_its_owners_do(seed: int, share: float, since: int, monkeypatch: pytest.MonkeyPatch) -> None:
    """Month by month, by grade, cover, year of sale and group; and along the share of owners who wait, by the
    difference of two fleets."""
    if seed == 3:
        monkeypatch.setattr(cell_demand, "MOST_LIVES", 2 * DRAWS)
    cell, lives, _ = fleet_cell(seed)
    them, between = some_cohorts(), some_spells(seed)
    window = cell_demand.Window(CUTOFF, MONTHS, MEMBERS, GRADES, LAG, since, 6, share, 3, 1, 5, SINCE, SALES, REGRADES)
    found = cell_demand.expected_of_cell(cell, them, np.arange(15), window, between)
    wanted = told_ahead(lives, them, share, since if since != NONE else -999)
    for name, value in wanted.items():
        assert getattr(found, name) == pytest.approx(value, abs=1e-9), name
    if share:
        low, high = (told_ahead(lives, them, share + step, since if since != NONE else -999) for step in (-1e-5, 1e-5))
        slope = {name: (high[name] - low[name]) / 2e-5 for name in ("first", "at_risk", "pending", "history")}
        assert found.slope == pytest.approx(slope["first"].sum(axis=(1, 2)), abs=1e-6)
        once = [slope["pending"], slope["history"], slope["at_risk"][0]]
        assert found.slope_once == pytest.approx(once, abs=1e-6)
    now = them.sale <= CUTOFF
    start, end, count = them.sale[now], (them.sale + them.cover)[now], them.count[now]
    again = them.regraded[now] != NONE
    spells = (them.build[now], start, them.first[now], end, count)
    after_one = (them.build[now], them.regraded[now], np.full(now.sum(), NONE), end, count)
    fields = exposure.Spells.__dataclass_fields__
    both = [np.append(one[again], getattr(between, name)) for one, name in zip(after_one, fields, strict=True)]
    assert found.behind == pytest.approx(past(lives, exposure.Spells(*spells), exposure.Spells(*both), share), abs=1e-9)


def test_a_cells_numbers_are_its_cohorts_together() -> None:
    """None is lost and none is lent: all but the noise of the draws adds up over the cohorts."""
    cell, _, _ = fleet_cell(2)
    them = some_cohorts()
    window = cell_demand.Window(CUTOFF, MONTHS, MEMBERS, GRADES, LAG, 45, 6, 0.2, 3, 1, 5, SINCE, SALES, REGRADES)
    whole, *each = (
        cell_demand.expected_of_cell(cell, them, np.atleast_1d(at), window) for at in (np.arange(15), *range(15))
    )
    for name in set(cell_demand.CellDemand.__dataclass_fields__) - {"noise", "due"}:
        assert sum(getattr(one, name) for one in each) == pytest.approx(getattr(whole, name), abs=1e-9), name
    assert np.concatenate([one.due for one in each]) == pytest.approx(whole.due)


def test_single_lives_by_hand() -> None:
    one = passage.lives_of(Passages(np.array([[5.5], [np.inf]]), np.array([[2], [-1]])), 2, 4)
    assert (one.crossing.tolist(), one.grade.tolist(), one.member.tolist()) == ([[5], [FAR]], [[2], [4]], [0, 1])
    found = exposure.report_hazard(one, np.array([0]), np.array([0]), 0, Asked(2, 5, 9, np.array([1.0])), 9, None)
    assert found.tolist() == [[0.0] * 5 + [0.5] + [0.0] * 3]
    alone = replace(one, weight=np.array([1.0, 0.0]))
    sure = exposure.report_hazard(alone, np.array([0]), np.array([0]), 1, Asked(2, 5, 9, np.array([1.0])), 9, None)
    assert sure.max() == 0.0  # what follows the last regrade known is not
    last = passage.lives_after_regrade(one, np.array([8]))
    assert (last.crossing.tolist(), last.weight.tolist(), last.kind.tolist()) == ([[FAR]], [1.0 - 3 / 13], [0])
    many = passage.of_each_kind(one, 3)
    assert (many.crossing.tolist(), many.grade.tolist()) == ([[5], [FAR]] * 3, [[2], [4]] * 3)
    assert (many.member.tolist(), many.weight.tolist(), many.kind.tolist()) == (
        [0, 1] * 3,
        [1.0] * 6,
        [0, 0, 1, 1, 2, 2],
    )
    certain = passage.lives_of(Passages(np.array([[5.5]]), np.array([[2]])), 1, 4)
    most = exposure.report_hazard(certain, np.array([0]), np.array([0]), 0, Asked(1, 5, 9, np.array([1.0])), 9, None)
    assert most.tolist() == [[0.0] * 5 + [0.9] + [0.0] * 3]


def test_ages_told_apart() -> None:
    assert exposure.AGE_BINS.tolist() == BINS
    ages = np.arange(700)
    assert exposure.bin_of(ages).tolist() == [bin_at(age) for age in ages.tolist()]
    assert exposure.regraded_kind(ages).tolist() == [sort_at(age) for age in ages.tolist()]


def test_the_scatter_of_a_sum_over_lives() -> None:
    """Lives of 1, 2 and 6 in one group: 41 less 81 / 3, three times their variance about 3; one life has none of its
    own, and a group of none has none."""
    parts, of = np.array([[1.0, 0.0], [2.0, 0.5], [6.0, 1.0], [5.0, 7.0]]), np.array([0, 0, 0, 2])
    found = cell_demand._scatter(parts, of, 3)
    assert found == pytest.approx(np.array([[14.0, 0.5], [0.0, 0.0], [0.0, 0.0]]))
