"""How claims move the hazard, part by part, by hand and by loops; no outside reference values."""

from __future__ import annotations

from dataclasses import replace
from math import exp, log, log1p, pi, sqrt
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest
from scipy.stats import multivariate_normal, poisson

from driftmodel.fleet import claims, claims_fit, demand, exposure, fit_check, future, run
from driftmodel.fleet import correction as law
from driftmodel.fleet.claims import prior
from driftmodel.fleet.correction import Block, Correction
from driftmodel.fleet.regression import Model, Rows, scatter_of
from driftmodel.fleet.roster import REGRADE, SEASONAL
from driftmodel.fleet.tables import NONE

BINS, KINDS = exposure.AGE_BINS, exposure.KINDS
REGIONS, DESIGNS, PACES, WIDE = 2, 2, 6, 3


def a_fit(**changed: Any) -> Correction:
    """Two regions, two designs, six paces of three months from month 7 on; knots at log ages 0, 0.35, 0.7 before a
    first regrade (two more beyond) and at 0, 0.35 after one."""
    sizes = {"mean": 1, "again": 1, "trust": 2, "age": 3, "age again": 2, "season": 12, "pace": PACES,
             "pace of region": 2 * PACES, "region": 2, "age of region": 6, "season of region": 24, "design": 2,
             "age of design": 6, "place": 4, law.BEYOND: 2, law.NEWER: 2}  # fmt: skip
    ends = np.cumsum(list(sizes.values())).tolist()
    blocks = tuple(
        Block(name, slice(end - size, end), np.eye(size), 0.2, True)
        for (name, size), end in zip(sizes.items(), ends, strict=True)
    )
    random = np.random.default_rng(1)
    whole = np.triu(random.normal(0.0, 0.1, (ends[-1], ends[-1]))) + 2.0 * np.eye(ends[-1])
    knots = (0.35 * np.arange(3.0), 0.35 * np.arange(2.0))
    least = random.uniform(0.0, 0.02, (KINDS, BINS.size))
    return Correction(**({
        "regions": 2, "designs": 2, "blocks": blocks, "mean": random.normal(0.0, 0.3, ends[-1]), "factor": whole,
        "variance": {}, "knots": knots, "least": least, "middle": np.log([0.01, 0.03]), "first": 7, "wide": WIDE,
        "paces": PACES, "kept": 20.0, "changed": False, "lag": (0.25, 0.5, 0.25), "scatter": 0.0, "evidence": 0.0,
        "claims": np.zeros((2, 2)), "expected": np.zeros((2, 2)),
    } | changed))  # fmt: skip


FIT = a_fit()
newer = np.arange(FIT.mean.size)[FIT.blocks[-1].columns]


def of(name: str) -> np.ndarray:
    return FIT.mean[next(block.columns for block in FIT.blocks if block.name == name)]


def hat(x: float, knot: float) -> float:
    return max(1.0 - abs(x - knot) / 0.35, 0.0)


def test_splines_and_knots() -> None:
    """Hats over log(1 + age), 0.35 wide; level past the last. Knots end where 0.3 % of the claims lie beyond."""
    for age, row in zip((0, 1, 3, 90), law.spline(np.array([0, 1, 3, 90]), 0.35 * np.arange(4.0)), strict=True):
        assert row == pytest.approx([hat(min(log1p(age), 1.05), 0.35 * k) for k in range(4)])
    told = np.zeros(BINS.size)
    assert claims_fit.knots_of(told) == pytest.approx(0.35 * np.arange(int(log1p(12) / 0.35) + 1))
    told[0], told[8], told[20] = 900.0, 100.0, 2.9  # of 1002.9, 0.289 % and so none to speak of lie past 12 months
    assert claims_fit.knots_of(told) == pytest.approx(0.35 * np.arange(int(log1p(BINS[8]) / 0.35) + 1))
    told[20] = 3.1
    assert claims_fit.knots_of(told) == pytest.approx(0.35 * np.arange(int(log1p(BINS[20]) / 0.35) + 1))
    assert claims_fit.knots_of(np.eye(BINS.size)[0]).size == 3
    last = np.array([0.0, 1.05])
    assert [claims_fit._beyond(last, age) for age in (0, 1, 2, 4, 12)] == [0, 0, 1, 2, 5]


def test_paces_of_reports() -> None:
    """Months 6 to 14, paces of three months from 7 on: a quarter fell due then, half a month sooner, the rest two."""
    found = law.paces_of(np.arange(6, 15), 7, 3, 2, (0.25, 0.5, 0.25))
    wanted = [[1, 0]] * 4 + [[0.75, 0.25], [0.25, 0.75]] + [[0, 1]] * 3
    assert found.tolist() == wanted


def test_alike_is_the_precision_of_its_correlation() -> None:
    places = np.array([0.0, 1.0, 3.0, 11.0])
    for around in (None, 12.0):
        found = np.linalg.inv(claims_fit.alike(places, 2.0, around))
        for i, j in np.ndindex(4, 4):
            gap = abs(places[i] - places[j])
            gap = min(gap, 12.0 - gap) if around else gap
            assert found[i, j] == pytest.approx(exp(-gap / 2.0), abs=1e-6)


def test_the_correction_is_the_sum_of_its_parts() -> None:
    age, gap = FIT.by_age(FIT.mean, 7)
    level = FIT.level(FIT.mean)
    for r, d in np.ndindex(2, 2):
        own = of("mean")[0] + of("region")[r] + of("design")[d] + of("place")[2 * r + d]
        assert level[r, d] == pytest.approx(own)
        for m in range(7):
            x = log1p(m)
            bend = of("age") + of("age of region").reshape(2, 3)[r] + of("age of design").reshape(2, 3)[d]
            more = sum(bend[k] * hat(min(x, 0.7), 0.35 * k) for k in range(3))
            step = of("age")[2] - of("age")[1]  # goes on by 0.6 of it, then by 0.36 more
            steps = of(law.BEYOND) + step * np.array([0.6, 0.96])
            more += sum(steps[k] * hat(min(x, 1.4), 0.7 + 0.35 * (k + 1)) for k in range(2))
            assert age[r, d, m] == pytest.approx(own + more)
            later = sum(of("age again")[k] * hat(min(x, 0.35), 0.35 * k) for k in range(2))
            assert gap[r, d, m] == pytest.approx(own + of("again")[0] + later)
    assert FIT.trust(FIT.mean).tolist() == of("trust").tolist()
    season = of("season") + of("season of region").reshape(2, 12)
    assert FIT.season(FIT.mean) == pytest.approx(season)
    plain = a_fit(blocks=FIT.blocks[:1])
    assert plain.level(FIT.mean).tolist() == [[of("mean")[0]] * 2] * 2
    assert plain.season(np.zeros((3, FIT.mean.size))).shape == (3, 2, 12)
    assert plain.by_age(FIT.mean, 4)[0][0, 0].tolist() == [of("mean")[0]] * 4


def test_draws_have_the_precision_of_the_fit() -> None:
    """Draws from the rows of a unit table, less the mean, are the factor's inverse: R'R is the precision."""
    root = (FIT.draw(np.eye(FIT.mean.size)) - FIT.mean).T
    assert root @ root.T == pytest.approx(np.linalg.inv(FIT.factor.T @ FIT.factor))
    fits = tuple(a_fit(evidence=log(share)) for share in (1.0, 3.0))
    both = replace(FIT, rivals=fits)
    chosen = [both.one(SimpleNamespace(random=lambda at=at: at)) for at in (0.24, 0.26)]  # type: ignore[arg-type]
    assert [each.evidence for each in chosen] == [each.evidence for each in fits]
    assert both.chances == pytest.approx([0.25, 0.75])


def test_the_last_year_against_those_before() -> None:
    """Last four paces against the two before, and what the coming four keep of the last one, exp(-3/20) a pace."""
    apart, sd, kept = FIT.last_year()
    paces = of("pace") + of("pace of region").reshape(2, PACES)
    assert apart == pytest.approx(paces[:, 2:].mean(axis=1) - paces[:, :2].mean(axis=1))
    stays = np.mean([exp(-3 * k / 20) for k in range(1, 5)])
    assert kept == pytest.approx(paces[:, -1] * stays - paces[:, :2].mean(axis=1))
    covariance = np.linalg.inv(FIT.factor.T @ FIT.factor)
    weigh = np.zeros((2, FIT.mean.size))
    row = [-0.5, -0.5, 0.25, 0.25, 0.25, 0.25]
    for r in range(2):
        weigh[r, next(b.columns for b in FIT.blocks if b.name == "pace")] = row
        own = np.zeros((2, PACES))
        own[r] = row
        weigh[r, next(b.columns for b in FIT.blocks if b.name == "pace of region")] = own.ravel()
    assert sd == pytest.approx(np.sqrt(np.diag(weigh @ covariance @ weigh.T)))
    yearly = a_fit(wide=12)
    found, _, kept = yearly.last_year()
    before = paces[:, :5].mean(axis=1)
    assert found == pytest.approx(paces[:, 5] - before) and kept == pytest.approx(paces[:, 5] * exp(-12 / 20) - before)
    short = a_fit(paces=1)
    assert [each.tolist() for each in short.last_year()] == [[0.0, 0.0]] * 3


def test_the_pace_of_what_fell_due() -> None:
    """In the month of the cut-off (22, so the pace of 22 to 24) and the one before (of 19 to 21)."""
    paces = of("pace") + of("pace of region").reshape(2, PACES)
    assert FIT.pace_due(FIT.mean, np.array([22, 21])) == pytest.approx(paces[:, [5, 4]])


def test_paces_to_come_fall_back_to_the_usual_one() -> None:
    """With nothing new drawn, each pace keeps exp(-3/20) of the one before; reports mix those they fell due in."""
    still: Any = SimpleNamespace(standard_gamma=lambda _: np.inf, integers=lambda _: 1)
    found = FIT.pace(FIT.mean, np.arange(20, 34), still)
    paces = of("pace") + of("pace of region").reshape(2, PACES)
    ahead = [paces[:, -1] * exp(-3 * k / 20) for k in range(1, 4)]
    every = np.column_stack([paces, *ahead])
    wanted = [sum(s * every[:, (m - k - 7) // 3] for k, s in enumerate((0.25, 0.5, 0.25))) for m in range(20, 34)]
    assert found == pytest.approx(np.array(wanted).T)
    whole: Any = SimpleNamespace(standard_gamma=lambda shape: shape)
    square = of("pace") @ of("pace") + 0.5 * 0.2**2
    assert FIT.spread("pace", FIT.mean, whole) == pytest.approx(sqrt(square / (PACES + 0.5)))
    assert FIT.spread("none such", FIT.mean, whole) == 0.0


def some_past(seed: int = 2, months: int = 5) -> np.ndarray:
    random = np.random.default_rng(seed)
    past = np.zeros((2, 2, KINDS, 3, BINS.size, months))
    past[..., :4, :] = random.uniform(0.0, 3.0, (2, 2, KINDS, 3, 4, months))
    past[:, :, :, 0] *= 30.0
    past[:, :, :, 2] = np.round(past[:, :, :, 2])
    past[0, 0, 2, 0, 1, 3] = 0.0  # nobody at risk
    return past


def test_the_physics_is_taken_for_no_less_than_a_tenth_of_the_claims() -> None:
    past, none = some_past(), SimpleNamespace(claimed=None)
    units = [past[:, :, :1, 0].sum(axis=(0, 1, 2, 4)), past[:, :, 1:, 0].sum(axis=(0, 1, 2, 4))]
    told = [past[:, :, :1, 2].sum(axis=(0, 1, 2, 4)), past[:, :, 1:, 2].sum(axis=(0, 1, 2, 4))]
    whole = sum(map(sum, told)) / sum(map(sum, units))
    for claimed, scale in ((None, 1.0), (np.full((5, 2, 2), 7.0), 140.0 / sum(map(sum, told)))):
        found = claims_fit.least_hazard(past, SimpleNamespace(claimed=claimed))  # type: ignore[arg-type]
        for kind in range(KINDS):
            sort = min(kind, 1)
            mean = (scale * told[sort].sum() + 1.0) / (units[sort].sum() + 1.0 / (scale * whole))
            own_units, _, own_told = past[:, :, kind].sum(axis=(0, 1, 4))
            mean = (scale * own_told.sum() + 1.0) / (own_units.sum() + 1.0 / mean)
            assert found[kind] == pytest.approx(0.1 * (scale * own_told + 1.0) / (own_units + 1.0 / mean))
    least = claims_fit.least_hazard(past, none)  # type: ignore[arg-type]
    expected = law.expected_of(past, least)
    for at in np.ndindex(2, 2, KINDS, BINS.size, 5):
        n, e = past[at[0], at[1], at[2], :2, at[3], at[4]]
        assert expected[at] == pytest.approx(max(e, n * least[at[2], at[3]]))
    silent = past.copy()
    silent[:, :, :, 2] = 0.0
    assert (claims_fit.least_hazard(silent, none) == 0.0).all()  # type: ignore[arg-type]
    all_hidden = claims_fit.least_hazard(silent, SimpleNamespace(claimed=np.full((5, 2, 2), 7.0)))  # type: ignore[arg-type]
    assert all_hidden == pytest.approx(np.full((KINDS, BINS.size), 0.1 * 140.0 / sum(map(sum, units))))
    nobody = 0.0 * past
    assert (claims_fit.least_hazard(nobody, SimpleNamespace(claimed=np.ones((5, 2, 2)))) == 0.0).all()  # type: ignore[arg-type]


def test_hazards_apart_from_their_mean() -> None:
    hazard = np.full((1, 1, KINDS, 4), 0.02)
    hazard[0, 0, :, 1:] = [0.0, 1.0, 1e-9]
    found = FIT.apart(hazard)
    assert found[0, 0, 0] == pytest.approx([log(2.0), 0.0, 3.0, -3.0])
    assert found[0, 0, 1:] == pytest.approx(np.array([[log(2 / 3), 0.0, 3.0, -3.0]] * (KINDS - 1)))
    units = 10.0 * np.eye(1, KINDS).T * np.ones(BINS.size)  # none but of the first kind
    raised = FIT.at_least(units, np.full((KINDS, BINS.size), 0.1))
    assert raised == pytest.approx(np.array([np.maximum(FIT.least[0] - 0.01, 0.0), *FIT.least[1:]]))


def test_claims_of_no_known_age_stand_where_there_are_more_of_them() -> None:
    """Place (0, 0): 10 regrades placed and 14 claims, so 4 of no age, in months with more claims, and as repeats; where
    claims are fewer the placed ones are fewer; where none is placed all are of no age."""
    past = np.zeros((2, 2, KINDS, 3, BINS.size, 3))
    past[:, :, :2, 1, 2] = 0.5
    past[0, 0, 0, 2, 2] = [4.0, 6.0, 0.0]
    past[0, 1, 0, 2, 2] = [2.0, 0.0, 0.0]
    claimed = np.zeros((3, 2, 2))
    claimed[:, 0, 0], claimed[:, 0, 1], claimed[:, 1, 0] = [5.0, 4.0, 5.0], [1.0, 0.0, 0.0], [0.0, 3.0, 0.0]
    rows = claims_fit._rows(past, SimpleNamespace(claimed=claimed), past[:, :, :, 1])  # type: ignore[arg-type]
    hidden = rows.unplaced.reshape(2, 2, 3)
    # 1 and 5 more claims in months 0 and 2, 4 wanted in all; 0.4 a placed one: (1 - e^-0.4) / 0.4 since the last
    assert hidden[0, 0] == pytest.approx(np.array([1.0, 0.0, 5.0]) * 4 / 6 * (1 - exp(-0.4)) / 0.4)
    assert hidden[1, 0].tolist() == [0.0, 3.0, 0.0]
    assert hidden[0, 1].tolist() == [0.0, 0.0, 0.0]
    r, d, kind, age, month = rows.at
    assert rows.group.tolist() == ((r * 2 + d) * 3 + month).tolist()
    assert set(age.tolist()) == {2}
    for row in range(r.size):
        placed = past[r[row], d[row], kind[row], 2, 2, month[row]]
        assert rows.told[row] == pytest.approx(placed * (0.5 if (r[row], d[row]) == (0, 1) else 1.0))
        assert rows.hidden[row] == (kind[row] > 0 or (r[row], d[row]) in ((1, 0), (1, 1)))
    plain = claims_fit._rows(past, SimpleNamespace(claimed=None), past[:, :, :, 1])  # type: ignore[arg-type]
    assert (plain.unplaced == 0.0).all() and plain.hidden.all() and plain.told.sum() == 12.0


def a_regression(table: np.ndarray, told: Any, expected: Any, blocks: tuple[Block, ...], unplaced: Any = 0.0) -> Any:
    """Rows of one group, all of them of unknown age where claims of none are told."""
    from scipy.sparse import csr_matrix

    many = len(table)
    rows = Rows(at=(np.zeros(many, dtype=np.int64),) * 5, expected=np.array(expected), told=np.array(told),
                     group=np.zeros(many, dtype=np.int64), unplaced=np.array([unplaced]),
                     hidden=np.full(many, True))  # fmt: skip
    return Model(rows, csr_matrix(table), blocks, 1)


def test_a_fit_is_the_middle_of_its_claims_and_of_its_prior() -> None:
    """Where it ends, what came less what is expected, and the pull of the prior, are in balance; a learned spread is
    that of its effects about nothing, the prior's own counted as half an effect more; one that is held stays."""
    random = np.random.default_rng(3)
    table, shape = random.normal(0.0, 1.0, (30, 5)), np.diag([1.0, 2.0, 1.5])
    blocks = (Block("held", slice(0, 2), np.eye(2), 0.3, False), Block("learned", slice(2, 5), shape, 0.7, True))
    expected = np.full(30, 40.0)
    told = np.round(expected * np.exp(table @ np.array([0.2, -0.3, 0.9, -1.2, 0.4])))
    one = a_regression(table, told, expected, blocks)
    effects, variance = one.fitted()
    assert variance["held"] == pytest.approx(0.3**2)
    mean = expected * np.exp(table @ effects)
    pull = np.concatenate([effects[:2] / 0.09, shape @ effects[2:] / variance["learned"]])
    assert table.T @ (told - mean) == pytest.approx(pull, abs=1e-2)
    precision = table.T @ (mean[:, None] * table)
    precision[:2, :2] += np.eye(2) / 0.09
    precision[2:, 2:] += shape / variance["learned"]
    spread = np.linalg.inv(precision)[2:, 2:]
    square = effects[2:] @ shape @ effects[2:] + np.trace(shape @ spread)
    assert variance["learned"] == pytest.approx((square + 0.5 * 0.7**2) / 3.5, rel=0.03)  # left when it moves by 2 %
    again, same = one.fitted((effects, variance))
    assert again == pytest.approx(effects, abs=1e-3) and same["learned"] == pytest.approx(variance["learned"], rel=0.05)


def test_the_nearest_normal_law_of_one_effect() -> None:
    """One row of 4 expected and 7 told, a prior of 0.5: mean m and variance v with 7 - 4 exp(m + v / 2) = m / 0.25 and
    1 / v = 4 exp(m + v / 2) + 4, found here by going round. Claims of no age are told where they are expected."""
    m = v = 0.0
    for _ in range(200):
        rate = 4.0 * exp(m + v / 2.0)
        m, v = m + 0.1 * (7.0 - rate - m / 0.25), 1.0 / (rate + 4.0)
    block = (Block("mean", slice(0, 1), np.eye(1), 0.5, False),)
    for told, unplaced in ((7.0, 0.0), (2.0, 5.0)):
        one = a_regression(np.ones((1, 1)), [told], [4.0], block, unplaced)
        mode, _ = one.fitted()
        effects, precision = one.centred(mode, np.array([[4.0]]))
        assert effects[0] == pytest.approx(m, abs=1e-3) and precision[0, 0] == pytest.approx(1.0 / v, rel=1e-3)
    far = a_regression(np.array([[1.0], [0.0]]), [5000.0, 1.0], [0.01, 1.0], (replace(block[0], prior=50.0),))
    assert far.fitted()[0][0] == pytest.approx(log(5e5), abs=1e-2)  # steps of 2 at most, or the first would be 250,000
    two = a_regression(np.array([[1.0], [2.0]]), [7.0, 9.0], [4.0, 3.0], block)
    half = replace(two, rows=replace(two.rows, hidden=np.array([True, False]), unplaced=np.array([6.0])))
    assert half.told(np.array([4.0, 3.0])).tolist() == [13.0, 9.0]
    assert two.variances(np.array([[0.3]])).tolist() == pytest.approx([0.3, 1.2])
    rate = np.array([4.0, 3.0]) * np.exp([0.2, 0.4])
    assert two.precision(two.mean(np.array([0.2])), np.array([[4.0]]))[0, 0] == pytest.approx(rate @ [1.0, 4.0] + 4.0)


def test_lateness_adds_a_row_for_each_lag_that_tells_a_pace() -> None:
    """Of ten reports of region 1 three came a month late, against two expected of a fifth; months whose lags all fell
    in one pace tell nothing, nor does a lag that never was."""
    blocks = (Block("mean", slice(0, 1), np.eye(1), 0.5, False), Block("pace", slice(1, 3), np.eye(2), 0.1, True),
              Block("pace of region", slice(3, 7), np.eye(4), 0.1, True))  # fmt: skip
    one = a_regression(np.zeros((1, 7)), [1.0], [1.0], blocks)
    late, apart = np.zeros((2, 2, 3)), np.zeros((2, 3, 2))
    late[1, 0], late[1, 1] = [7.0, 3.0, 0.0], [4.0, 0.0, 0.0]
    apart[0, 0], apart[0, 1] = [0.2, -0.2], [-0.8, 0.8]
    share = np.broadcast_to([0.8, 0.2, 0.0], late.shape)
    found = one.with_lateness(late, apart, share)
    assert found.rows.told.tolist() == [1.0, 7.0, 3.0] and found.rows.expected == pytest.approx([1.0, 8.0, 2.0])
    assert found.rows.group.tolist() == [0, 0, 0] and found.rows.hidden.tolist() == [True, False, False]
    assert found.table.toarray()[1:].tolist() == [[0, 0.2, -0.2, 0, 0, 0.2, -0.2], [0, -0.8, 0.8, 0, 0, -0.8, 0.8]]
    assert one.with_lateness(0.0 * late, apart, share) is one


def test_how_late_the_reports_of_a_month_are_at_the_usual_pace() -> None:
    """Half at once and half a month late, by what fell due then, of reports that rise by two a month. Where nothing
    fell due the lag stands. After the last month it goes on as a year before, at today's height."""
    due = np.array([[0.0, 0.0, 40.0, 20.0, 20.0, 20.0]])
    flat = claims_fit.late_shares(np.full((1, 6), 7.0), 3, np.array([0.5, 0.25, 0.25]))
    assert flat == pytest.approx(np.broadcast_to([0.5, 0.25, 0.25], (1, 3, 3)))
    straight = np.array([[10.0 + 2.0 * month for month in range(40)]])  # due half a month sooner, so a half higher
    fell = 10.0 + 2.0 * (np.arange(36, 40) + 0.5)
    found = claims_fit.late_shares(straight, 3, np.array([0.5, 0.5]))
    assert found[0, 2] == pytest.approx(fell[[1, 0]] / fell[[1, 0]].sum())
    end = [*straight[0, 38:], *(straight[0, 28:30] * straight[0, 39] / straight[0, 27])]
    sharp = [end[k] - 0.125 * (end[k + 1] - 2.0 * end[k] + end[k - 1]) for k in (1, 2)]
    last, before = 0.5 * sum(sharp), 0.5 * (end[0] + sharp[0])
    assert found[0, 0] == pytest.approx([last, before] / (last + before))
    young = [claims_fit.late_shares(straight[:, :months], 1, np.array([0.5, 0.5]))[0, 0, 0] for months in (14, 15)]
    assert young[0] < 0.51 and young[1] > 0.52  # from fifteen months on there is a year before to go on as
    none = claims_fit.late_shares(np.array([[0.0] * 4]), 2, np.array([0.75, 0.25]))
    assert none.tolist() == [[[0.75, 0.25]] * 2]
    assert claims_fit.late_shares(due[:, :3], 3, np.array([0.5, 0.5]))[0, 2].tolist() == [0.5, 0.5]


def test_reports_at_the_usual_pace() -> None:
    blocks = (
        Block("mean", slice(0, 1), np.eye(1), 0.5, False),
        Block("pace of region", slice(1, 2), np.eye(1), 0.1, True),
    )
    one = a_regression(np.ones((3, 2)), [0.0] * 3, [4.0, 5.0, 6.0], blocks)
    placed = replace(
        one, rows=replace(one.rows, at=tuple(np.array(each) for each in ([0, 1, 1], *[[0] * 3] * 3, [1, 0, 0])))
    )
    assert placed.steady(np.array([log(2.0), 9.0]), (2, 2)) == pytest.approx(np.array([[0.0, 8.0], [22.0, 0.0]]))


def test_a_row_of_the_regression_is_the_sum_of_its_effects() -> None:
    """Rows in both regions and designs, of every kind, in some bins and months, each the sum of its own effects: the
    mean over a bin's ages of the hats, the month's season, and what of each pace its reports hold. Sizes of the priors
    and what of each effect is like its neighbours."""
    random, many = np.random.default_rng(8), 60
    sizes = (REGIONS, DESIGNS, KINDS, 8, 3)
    at = tuple(random.integers(0, size, many) for size in sizes)
    r, d, kind, b, month = at
    differs = random.normal(size=many)
    knots, felt = (0.35 * np.arange(5.0), 0.35 * np.arange(3.0)), np.array([[1.0, 0.0], [0.25, 0.75], [0.0, 1.0]])
    rows = Rows(at=at, expected=np.ones(many), told=np.ones(many), group=month, unplaced=np.zeros(12),
                     hidden=np.full(many, True))  # fmt: skip
    calendar, cutoff = month + 7, 44

    def made(regions: int, designs: int) -> Any:
        own = replace(rows, at=(r % regions, d % designs, *at[2:]))
        return claims_fit._model(own, differs, knots, 30, calendar, cutoff, felt, (regions, designs), (0.4, 0.08))

    model = made(2, 2)
    effects = random.normal(size=model.table.shape[1])
    by = {block.name: effects[block.columns] for block in model.blocks}
    ends = [*BINS.tolist(), BINS[-1] + 240]
    for n in range(many):
        bend, own = ("age again", knots[1]) if kind[n] else ("age", knots[0])
        ages = range(int(ends[b[n]]), int(ends[b[n] + 1]))
        hats = np.mean([[hat(min(log1p(age), own[-1]), knot) for knot in own] for age in ages], axis=0)
        wanted = by["mean"][0] + by["trust"][min(kind[n], 1)] * differs[n] + hats @ by[bend]
        wanted += by["season"][calendar[n] % 12] + by["season of region"].reshape(2, 12)[r[n], calendar[n] % 12]
        wanted += felt[month[n]] @ (by["pace"] + by["pace of region"].reshape(2, 2)[r[n]])
        wanted += by["region"][r[n]] + by["design"][d[n]] + by["place"][2 * r[n] + d[n]]
        if kind[n]:
            wanted += by["again"][0]
        else:
            wanted += by[law.NEWER][d[n]] * (cutoff - calendar[n] + exposure.BIN_AGES[b[n]] < 36)
            wanted += hats @ (by["age of region"].reshape(2, 5)[r[n]] + by["age of design"].reshape(2, 5)[d[n]])
        assert (model.table @ effects)[n] == pytest.approx(wanted), n
    whole, mean, prior = model.table.toarray(), random.gamma(2.0, size=many), np.eye(effects.size)
    assert model.precision(mean, prior) == pytest.approx(prior + whole.T @ (mean[:, None] * whole))
    spread = random.normal(size=prior.shape)
    assert model.variances(spread @ spread.T) == pytest.approx(np.square(whole @ spread).sum(axis=1))
    priors = {"mean": 0.4, "again": 0.56, "trust": 1.0, "age": 0.3, "age again": 0.3, "season": 0.1, "pace": 0.03,
              "pace of region": 0.08, law.BEYOND: 0.3, law.NEWER: 1.0, "region": 0.24, "age of region": 0.1,
              "season of region": 0.05, "design": 0.24, "age of design": 0.1, "place": 0.24}  # fmt: skip
    assert {block.name: block.prior for block in model.blocks} == pytest.approx(priors)
    held = {"mean", "again", "trust", law.BEYOND, law.NEWER}
    for changed, sd in ((True, 0.5), (False, 1e-3)):
        read = {block.name: block for block in model.reading(np.eye(2) * 3.0, changed).blocks}
        assert read[law.NEWER].shape == pytest.approx(np.eye(2) / sd**2)
        assert read["pace of region"].shape.tolist() == (3.0 * np.eye(4)).tolist()
    assert {block.name for block in model.blocks if not block.learned} == held and set(by) == set(priors)
    shapes = {block.name: np.linalg.inv(block.shape) for block in model.blocks}
    assert np.diag(shapes["trust"]) == pytest.approx([0.04, 0.25])
    assert shapes[law.BEYOND].size == claims_fit._beyond(knots[0], 30) ** 2 == 36
    assert shapes[law.BEYOND][:3, :3] == pytest.approx(np.array([[1, 1, 1], [1, 2, 2], [1, 2, 3]]))  # steps of one size
    assert (model.table.toarray()[:, model.blocks[8].columns] == 0.0).all() and model.blocks[8].name == law.BEYOND
    ages = np.exp(-0.35 * np.abs(np.subtract.outer(np.arange(5), np.arange(5))) / 2.0)
    assert shapes["age"] == pytest.approx(ages, abs=1e-6) and shapes["season"][0, 11] == pytest.approx(exp(-0.5))
    for name, one in (("age of region", "age"), ("age of design", "age"), ("season of region", "season")):
        assert shapes[name] == pytest.approx(np.kron(np.eye(2), shapes[one]), abs=1e-6)
    for name in ("pace", "pace of region", law.NEWER, "region", "design", "place"):
        assert shapes[name] == pytest.approx(np.eye(len(shapes[name])))
    of_region, of_design = {"region", "age of region", "season of region"}, {"design", "age of design"}
    assert {block.name for block in made(1, 2).blocks} == set(priors) - of_region - {"place"}
    assert {block.name for block in made(2, 1).blocks} == set(priors) - of_design - {"place"}
    assert made(2, 2).groups == 12


def test_scatter_beyond_chance() -> None:
    """Twelve months of 100 expected, all 20 apart: (400 x (1 + 3/12) - 100) / 100^2 of it, by 12 / 36."""
    came, mean = np.array([120.0, 80.0] * 6), np.full(12, 100.0)
    assert scatter_of(came, mean, np.arange(12), 14, 3.0) == pytest.approx((400 * 1.25 - 100) / 1e4 / 3)
    assert scatter_of(came, mean, np.arange(12), 14, 99.0) == pytest.approx((400 * (1 + 4 / 12) - 100) / 1e4 / 3)
    assert scatter_of(came[:11], mean[:11], np.arange(11), 14, 3.0) == 0.0
    assert scatter_of(mean, mean, np.arange(12), 12, 3.0) == 0.0
    few = scatter_of(np.array([2.0, 0.0] * 6), np.full(12, 0.4), np.arange(12), 12, 3.0)
    assert few == pytest.approx((6 * (1.6**2 + 0.4**2) * 1.25 - 12 * 0.4) / (12 * 0.4**2) / 3)


# ---- of demand, what a correction makes of it --------------------------------------------------------------------


def test_the_past_as_corrected() -> None:
    past, effects = some_past(2, 40), np.stack([FIT.mean, 0.5 * FIT.mean])
    past[1, 1] = 0.0
    found = future.past_reports(FIT, past, effects)
    own = law.expected_of(past, FIT.least)
    middle = [0, 1, 2, 3]  # of the first four bins
    for draw in range(2):
        age, gap = FIT.by_age(effects[draw], 700)
        trust = FIT.trust(effects[draw])
        for r, d, m in np.ndindex(2, 2, 40):
            got = 0.0
            for kind, b in np.ndindex(KINDS, 4):
                units = past[r, d, kind, 0, b, m]
                apart = log(own[r, d, kind, b, m] / units) - FIT.middle[min(kind, 1)] if units else 0.0
                by = (age, gap)[min(kind, 1)][r, d, middle[b]] + trust[min(kind, 1)] * min(max(apart, -3.0), 3.0)
                if kind == 0 and 39 - m + b < 36:
                    by += effects[draw][newer[d]]
                got += own[r, d, kind, b, m] * exp(by)
            assert found[draw, r, d, m] == pytest.approx(got)
    assert (found[:, 1, 1] == 0.0).all()


def test_seasonal_complaints_and_what_claims_make_of_them() -> None:
    """Rates of 12, 1, ..., 1 a thousand from January on; two regions, of ten and twenty units in cover for five months,
    the second's claims being one of those told since month 24 (a January)."""
    settings = SimpleNamespace(multiplier_log_sd=0.5, regions={
        name: SimpleNamespace(seasonal_complaints_per_thousand=[12.0] + [float(rate)] * 11)
        for name, rate in (("a", 1), ("b", 2))})  # fmt: skip
    fleet: Any = SimpleNamespace(settings=settings, regions=("a", "b"), designs=("x",), claims_since=24)
    covered = np.array([[[10.0] * 5], [[20.0] * 5]])
    found = demand.seasonal_expected(fleet, covered, 22)
    assert found[:, 0] == pytest.approx(np.array([[0.01, 0.01, 0.12, 0.01, 0.01], [0.04, 0.04, 0.24, 0.04, 0.04]]))
    them: Any = SimpleNamespace(sale=np.array([10, 20]), cover=np.array([90, 90]), count=np.array([10, 20]),
                                region=np.array([0, 1]), design=np.array([0, 0]))  # fmt: skip
    kinds = np.array([SEASONAL, SEASONAL, REGRADE, SEASONAL])
    known: Any = SimpleNamespace(disposition=kinds, region=np.array([1, 1, 1, 0]), design=np.zeros(4, dtype=int),
                                 report=np.array([24, 23, 25, 20]))  # fmt: skip
    size = float(prior(0.5).shape)
    law_ = claims.complaint_law(fleet, them, known, 26)
    assert law_.shape == pytest.approx([size, size + 1])
    assert law_.rate == pytest.approx([size + 0.14, size + 0.32])
    fleet.claims_since = NONE
    whole = claims.complaint_law(fleet, them, known, 26)
    assert whole.shape == pytest.approx([size + 1, size + 2])
    assert whole.rate == pytest.approx([size + 0.01 * 15 + 0.12 * 2, size + 0.04 * 6 + 0.24])


def test_months_of_a_sample_are_its_pace_season_and_widening(monkeypatch: pytest.MonkeyPatch) -> None:
    calendar = np.arange(26, 44)
    monkeypatch.setattr(
        Correction, "pace", lambda self, effects, months, random: np.stack([0.01 * months, 0.02 * months])
    )
    normal = np.array([[[1.0, 2.0]], [[3.0, 4.0]]])
    found = future.of_the_months(
        FIT,
        FIT.mean,
        calendar,
        0.1,
        SimpleNamespace(standard_normal=lambda shape: normal[: shape[0], : shape[1], : shape[2]]),
    )  # type: ignore[arg-type]
    for r, k in np.ndindex(2, 18):
        wanted = (r + 1) * 0.01 * calendar[k] + FIT.season(FIT.mean)[r, calendar[k] % 12] + 0.1 * normal[r, 0, k // 12]
        assert found[r, 0, k] == pytest.approx(wanted)
    noisy: Any = SimpleNamespace(
        standard_normal=np.zeros, standard_gamma=lambda size, shape: np.full(shape, 2.0 * size)
    )
    twice = future.of_the_months(replace(FIT, scatter=0.5), FIT.mean, calendar, 0.1, noisy)
    assert twice == pytest.approx(future.of_the_months(FIT, FIT.mean, calendar, 0.1, noisy) + log(2.0))
    told: Any = SimpleNamespace(report=np.array([30, 30, 19, 18, 25]), event=np.array([30, 28, 18, 18, 21]),
                                region=np.array([0, 1, 1, 1, 0]))  # fmt: skip
    lag: Any = SimpleNamespace(shares=np.ones(3), keep=0.5)
    late = claims.lateness(told, 30, 2, lag)
    assert np.argwhere(late > 0.0).tolist() == [[0, 0, 0], [1, 0, 2], [1, 11, 1]]
    assert late[0, 0, 0] == late[1, 0, 2] == 1.0 and late[1, 11, 1] == 0.5**11


def test_paces_to_come_are_drawn_about_what_is_left() -> None:
    """Each pace is exp(-3/20) of the one before and a draw of sqrt(1 - exp(-6/20)) of its law's spread."""
    one: Any = SimpleNamespace(standard_gamma=lambda shape: shape, integers=lambda _: 5)
    found = FIT.pace(FIT.mean, np.arange(28, 31), one)  # the third pace ahead; the two before of it are in its reports
    stays, wanted = exp(-3 / 20), np.zeros((2, PACES + 2))
    for name, rows in (("pace", 1), ("pace of region", 2)):
        fresh = np.random.default_rng(5).standard_normal((2, rows))
        last = of(name).reshape(rows, PACES)
        wanted[:, :PACES] += last
        spread = FIT.spread(name, FIT.mean, one) * sqrt(1.0 - stays**2)
        first = stays * last[:, -1] + spread * fresh[0]
        wanted[:, PACES] += first
        wanted[:, PACES + 1] += stays * first + spread * fresh[1]
    mixed = [sum(s * wanted[:, (m - k - 7) // 3] for k, s in enumerate((0.25, 0.5, 0.25))) for m in range(28, 31)]
    assert found == pytest.approx(np.array(mixed).T)


def test_what_a_fit_says_of_itself(monkeypatch: pytest.MonkeyPatch) -> None:
    """A year of claims in two regions: claims and expected numbers, mean hazards past and ahead, knots, and paces of
    three months; of six where but six paces are to be told apart. The best of its rivals is the fit, by the chance of
    what came."""
    past = some_past(3, 12)
    ahead = np.random.default_rng(4).uniform(1.0, 2.0, (2, 2, KINDS, 2, BINS.size)) * (np.arange(BINS.size) < 9)
    ahead[:, :, :, 0] *= 20.0
    known: Any = SimpleNamespace(claimed=None, since=100)
    late = np.zeros((2, 12, 2))
    fitted, seen = Model.fitted, []

    def noted(self: Any, start: Any = None) -> Any:
        seen.append((self, *fitted(self, start)))
        return seen[-1][1:]

    scatter, taken = scatter_of, []

    def scattered(*told: Any) -> float:
        taken.append(told[-1])
        return scatter(*told)

    with_lateness, shares = Model.with_lateness, []

    def with_shares(self: Any, late: Any, apart: Any, share: Any) -> Any:
        shares.append((self, share))
        return with_lateness(self, late, apart, share)

    monkeypatch.setattr(Model, "with_lateness", with_shares)
    monkeypatch.setattr(Model, "fitted", noted)
    monkeypatch.setattr(claims_fit, "scatter_of", scattered)
    for most, wide in ((400, 3), (6, 6)):
        seen.clear()
        taken.clear()
        monkeypatch.setattr(claims_fit, "MOST_PACES", most)
        fit = claims_fit.correct(past, ahead, known, 111, (0.5, 0.5), late, log_sd=0.5, weather_sd=0.1)
        assert (fit.wide, fit.paces, fit.first, fit.lag) == (wide, 12 // wide, 100, (0.5, 0.5))
        assert fit.claims == pytest.approx(past[:, :, :, 2].sum(axis=(2, 3, 4)))
        assert fit.expected == pytest.approx(law.expected_of(past, fit.least).sum(axis=(2, 3, 4)))
        for sort, kinds in ((0, slice(0, 1)), (1, slice(1, None))):
            units, number = (past[:, :, kinds, k].sum() + ahead[:, :, kinds, k].sum() for k in (0, 1))
            assert fit.middle[sort] == pytest.approx(log(number / units))
            came = past[:, :, kinds, 1:].sum(axis=(0, 1, 2, 3, 5))
            assert fit.knots[sort] == pytest.approx(claims_fit.knots_of(came))
        at, own = seen[0][0].rows.at, fit.block("trust").columns  # type: ignore[union-attr]
        trusted = seen[0][0].table[: at[0].size].toarray()[:, own]  # each row's own month, so that seasons are weighed
        units, number, sort = past[:, :, :, 0][at], past[:, :, :, 1][at], np.minimum(at[2], 1)
        log_hazard = np.log(np.maximum(number / np.maximum(units, 1e-9), fit.least[at[2:4]]))
        wanted = np.clip(log_hazard - fit.middle[sort], -3.0, 3.0) * (units > 0.0)
        assert trusted == pytest.approx(wanted[:, None] * np.eye(2)[sort])
        plain, share = shares.pop()
        steady = plain.steady(seen[0][1], (2, 12))
        assert share == pytest.approx(claims_fit.late_shares(steady, 12, np.array([0.5, 0.5])))
        assert np.abs(share - 0.5).max() > 0.01  # not all months are alike
        *alike, unlike = fit.rivals
        best = [1.5, 4.0, 100.0].index(max(alike, key=lambda each: each.evidence).kept)
        assert [(each.kept, each.changed) for each in alike] == [(1.5, False), (4.0, False), (100.0, False)]
        assert (unlike.kept, unlike.changed) == (alike[best].kept, True)
        before_all = [0.8 * 0.4, 0.8 * 0.4, 0.8 * 0.2, 0.2 * (0.4, 0.4, 0.2)[best]]
        assert fit.evidence == max(each.evidence for each in fit.rivals) > min(each.evidence for each in fit.rivals)
        beyond = int(np.ceil((log1p(BINS[8]) - fit.knots[0][-1]) / 0.35))
        assert beyond > 0 and fit.block(law.BEYOND).size == beyond  # type: ignore[union-attr]
        for each, (own, effects, variance), before in zip(fit.rivals, seen[1:], before_all, strict=True):
            mean, prior = own.mean(effects), own.prior(variance)
            precision = own.precision(mean, prior)
            chance = log(before) + poisson.logpmf(own.rows.told, mean).sum()
            chance += multivariate_normal.logpdf(
                effects, cov=np.linalg.inv(prior)
            )  # Laplace's integral about the mode:
            chance += 0.5 * (effects.size * log(2.0 * pi) - np.linalg.slogdet(precision)[1])
            for block in own.blocks:  # inverse gamma law of what is learned, worth half an effect, by its logarithm
                found = variance[block.name]
                chance -= block.learned * 0.25 * (log(found) + block.prior**2 / found)
            assert each.evidence == pytest.approx(chance, rel=1e-6)
            told = np.trace(np.linalg.solve(precision, precision - prior))  # effects that the claims tell
            month = own.rows.at[0] * 12 + own.rows.at[4]
            assert each.scatter == pytest.approx(scatter(own.rows.told, mean, month, 24, told), abs=1e-7)
            assert taken.pop(0) == pytest.approx(told, rel=1e-6)
            middle, nearest = own.centred(effects, prior)
            assert each.mean == pytest.approx(middle, abs=1e-6)
            assert each.factor.T @ each.factor == pytest.approx(nearest, rel=1e-5, abs=1e-4)  # kept rounded
        assert (fit.mean.size, fit.block("pace").size) == (fit.factor.shape[0], fit.paces)  # type: ignore[union-attr]


def test_newer_units_that_are_unlike_the_older_ones_are_told() -> None:
    """The plainest design of the reading that has them changed, from an even chance of it on."""
    unlike = replace(FIT, changed=True, mean=np.where(np.arange(FIT.mean.size) == newer[1], log(0.5), FIT.mean))
    precision = FIT.factor.T @ FIT.factor
    assert unlike.sd(law.NEWER) == pytest.approx(np.sqrt(np.diag(np.linalg.inv(precision))[newer]))
    assert unlike.newer(unlike.mean).tolist() == [[unlike.mean[newer[0]], log(0.5)]]
    for evidence, many in ((-0.01, 0), (0.01, 1)):
        both = replace(FIT, rivals=(FIT, replace(unlike, evidence=evidence)))
        lines = fit_check._changed(both, ("oak", "elm"))
        assert len(lines) == many
        assert all(line.startswith("elm: units sold in the last 3 years come to 0.5 times") for line in lines)
        assert all("for changed in 50 % of" in line for line in lines)


def test_newer_units_have_an_effect_of_their_own() -> None:
    """Claims at half the others' rate in units of the second design sold in the last three years before month 160: the
    fit finds it, by far the likelier reading, and none where all are alike."""
    past = np.zeros((2, 2, KINDS, 3, BINS.size, 60))
    age = np.arange(60)[None, :] - np.arange(60)[:, None]  # a hundred sold in each month, by month of sale and month
    sale, month = np.nonzero(age >= 0)
    np.add.at(past, (slice(None), slice(None), 0, 0, exposure.bin_of(age[sale, month]), month), 100.0)
    past[:, :, 0, 1] = 0.01 * past[:, :, 0, 0]
    past[:, :, 0, 2] = past[:, :, 0, 1]
    known: Any = SimpleNamespace(claimed=None, since=100)
    ahead, late = past[:, :, :, :2].sum(axis=5), np.zeros((2, 12, 1))
    ago = 59 - np.arange(60) + exposure.BIN_AGES[:, None]
    for times, low, high in ((1.0, 0.0, 0.2), (0.5, 0.99, 1.0)):
        past[:, 1, 0, 2] = past[:, 1, 0, 1] * np.where(ago < 36, times, 1.0)
        fit = claims_fit.correct(past, ahead, known, 159, (1.0,), late, log_sd=0.5, weather_sd=0.1)
        assert low <= fit.chances[-1] <= high
        found = fit.rivals[-1].newer(fit.rivals[-1].mean)[0]
        assert found[1] - found[0] == pytest.approx(log(times), abs=0.1)
        assert np.abs(fit.rivals[0].newer(fit.rivals[0].mean)).max() < 0.01


def test_what_is_asked_of_every_cell() -> None:
    settings = SimpleNamespace(members=3, grades=["H", "I"], habits=SimpleNamespace(end_of_cover_months=2))
    fleet: Any = SimpleNamespace(settings=settings, claims_since=40, units=SimpleNamespace(sale=np.array([25, 59, 37])))
    past: Any = SimpleNamespace(
        since=41, units=SimpleNamespace(sale=np.array([25, 59, 37]), regraded=np.array([NONE, 50, 52]))
    )
    asked = run.window_of(fleet, 55, 9, past, lag=(0.5, 0.5), waiting=0.25, soon=4)
    assert (asked.first_sale_year, asked.sale_years, asked.grades, asked.members) == (2, 3, 3, 3)
    assert (asked.regrades, asked.sales[0], asked.sales[-1], asked.since, asked.claims_since) == (
        (50, 51, 52),
        25,
        59,
        41,
        40,
    )
    assert (asked.months, asked.soon, asked.waiting_share, asked.waiting_months) == (9, 4, 0.25, 2)
    assert run.window_of(fleet, 55, 9, past).lag_shares == (1.0,)
    stub: Any = SimpleNamespace(level=np.array([[[0.08]], [[0.12]]]), noise=np.zeros((2, 1, 1)))
    assert run.weather_ratio(stub).ravel() == pytest.approx([0.8, 1.2])


def test_what_a_forecast_asks_of_each_law(monkeypatch: pytest.MonkeyPatch) -> None:
    """The fleet's own cut-off and months unless others are named; on to the end of cover, where that is further; soon
    are the coming twelve months at most; regrade claims count from when claims are kept, all where that is not known;
    lateness is that of regrades whose owners cannot have waited."""
    kinds, came = np.array([REGRADE, SEASONAL, REGRADE, REGRADE]), np.array([10, 30, 30, 31])
    claims = SimpleNamespace(
        disposition=kinds, report=came, region=np.array([0, 0, 1, 1]), design=np.array([0, 0, 0, 1])
    )
    waits = SimpleNamespace(mean=np.array([0.0, 0.0, 0.3, 0.0]))
    lag = SimpleNamespace(shares=np.array([0.5, 0.5]))
    asked: dict[str, Any] = {}

    def noting(name: str, answer: Any) -> None:
        def stub(*words: Any, **named: Any) -> Any:
            asked[name] = words, named
            return answer

        monkeypatch.setattr(demand, name, stub)

    counts = SimpleNamespace(units_and_reports=lambda cutoff: np.array(float(cutoff)))
    answers: dict[str, Any] = {
        "cover_left": 20, "known_claims": claims, "waiting_share": waits, "reporting_lag": lag, "run_cells": None,
        "histories": SimpleNamespace(units=None, first=None), "cohorts_of": "cohorts", "between": "between",
        "window_of": SimpleNamespace(lag_shares="lag"), "parts_of": (counts, counts), "lateness": "late",
        "correct": "correction", "weather_sd": 0.07, "only": "some", "gamma_of": "law", "told": {}, "Demand": "done",
        "sample_cube": SimpleNamespace(cube=0, sold=1, planned=2, multiplier=3),
        "described": SimpleNamespace(attrs={}),
    }  # fmt: skip
    answers["run_cells"] = SimpleNamespace(behind="behind", first_months=lambda months: f"first {months}")
    for name, answer in answers.items():
        noting(name, answer)
    settings = SimpleNamespace(horizon_months=15, habits="habits", multiplier_log_sd=0.5, draws=9, seed=3)
    fleet: Any = SimpleNamespace(settings=settings, cutoff=31, claims=None, claims_since=20, regions=["a", "b"],
                                 designs=["x", "y"])  # fmt: skip
    function: Any = "passages"
    assert demand.forecast_demand(fleet, function) == "done"
    assert asked["cover_left"][0] == (fleet, 31, 15) and asked["known_claims"][0] == (None, 31)
    assert asked["window_of"][0][1:3] == (31, 20)
    assert asked["window_of"][1]["soon"] == 12 and asked["window_of"][1]["lag"] == (0.5, 0.5)
    assert asked["correct"][0][:2] == ("behind", 62.0) and asked["correct"][1] == {"log_sd": 0.5, "weather_sd": 0.07}
    assert asked["only"][0][1].tolist() == [True, False, False, True]
    assert asked["lateness"][0][:3] == ("some", 31, 2) and asked["lateness"][0][3].shares.tolist() == [0.5, 0.5]
    assert asked["sample_cube"][0][-2:] == (15, 0.0)
    assert asked["Demand"][0][5] == "first 15" and asked["Demand"][0][8].tolist() == [[0, 0], [1, 1]]
    fleet.claims_since = NONE
    demand.forecast_demand(fleet, function, cutoff=25, months=6, widening=0.2)
    assert asked["Demand"][0][8].tolist() == [[1, 0], [1, 1]] and asked["Demand"][0][-2:] == (25, 0.2)
    assert asked["window_of"][0][1:3] == (25, 20) and asked["window_of"][1]["soon"] == 6
    assert asked["correct"][0][1] == 50.0
    demand.forecast_demand(fleet, function, months=24)
    assert asked["window_of"][0][2] == 24
    demand.forecast_demand(fleet, function, months=6, to_end_of_cover=False)
    assert asked["window_of"][0][2] == 6


def test_a_future_follows_one_of_the_rivals() -> None:
    """Of two, one with a hundred times the other's evidence in logs: its effects, and its factor by month."""
    sure = replace(FIT, mean=FIT.mean + 1.0, evidence=100.0)
    both, calendar = replace(FIT, rivals=(replace(FIT, evidence=0.0), sure)), np.arange(28, 31)
    rival, drawn, factor = future.one_future(both, calendar, 0.1, np.random.default_rng(1))
    random = np.random.default_rng(1)
    random.random()
    assert rival is sure and drawn == pytest.approx(sure.draw(random.standard_normal(FIT.mean.size)))
    assert factor == pytest.approx(future.of_the_months(sure, drawn, calendar, 0.1, random))
