"""The sample cube, with every draw its law's mean: what is summed, shared out and told of each sample, by hand.
No outside values."""

from __future__ import annotations

from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest

from driftmodel.fleet import demand, future
from driftmodel.fleet.claims import Multiplier

REACH, MONTHS, CUTOFF = 4, 3, 100


class Mean:
    """A generator whose every draw is its law's mean."""

    def poisson(self, mean: Any) -> Any:
        return np.asarray(mean)

    def multinomial(self, count: Any, shares: Any) -> Any:
        return count[..., None] * shares

    def gamma(self, shape: Any, scale: Any) -> Any:
        return shape * scale

    def standard_normal(self, size: Any) -> Any:
        return np.zeros(size)


@pytest.mark.parametrize("wait", [0.0, 0.25])
def test_a_sample_cube_of_means(wait: float, monkeypatch: pytest.MonkeyPatch) -> None:
    random, keys = np.random.default_rng(1), []
    sold = [1000.0 * random.integers(1, 9, (3, REACH, 2, 1, 2)) for _ in range(2)]  # first and repeat of three samples
    whole = [part + 400.0 * random.integers(0, 9, part.shape) for part in sold]
    shares = [
        np.broadcast_to(np.array(each)[:, None], (2, 1, MONTHS, 3, 2))
        for each in ([0.25, 0.5, 0.25], [0.5, 0.25, 0.25])
    ]
    first = random.uniform(0.1, 2.0, (2, 1, REACH))
    plain = SimpleNamespace(first=first, history=np.array([[8.0], [2.0]]))
    now = SimpleNamespace(first=1.2 * first, history=np.array([[10.0], [2.5]]), pending=np.array([[300.0], [500.0]]))
    none = SimpleNamespace(pending=np.array([[200.0], [350.0]]))
    level, factor = random.uniform(1, 2, (3, 2, 1)), 0.1 * np.arange(8.0).reshape(2, 1, 4)
    season = random.normal(0.0, 0.3, (2, 12))  # January first
    pace = np.array([[0.2, 0.1, 9.0], [0.3, -0.4, 9.0]])  # on what fell due in the cut-off's month and the one before
    so_far = random.uniform(100.0, 900.0, (3, 2, 1, 5))
    seen: list[Any] = []

    def made(*given: Any, sold_only: bool = False) -> Any:
        seen.append((given[6], sold_only))
        at = slice(0, 2) if len(given[6]) == 2 else slice(2, 3)  # two samples at once, then the third
        return [part[at] for part in (sold if sold_only else whole)]

    def generator(key: list[int]) -> Any:
        keys.append(key[:2])
        return Mean()

    asked: list[Any] = []
    for name, stub in {
        "monthly": lambda _: plain, "reports": made, "AT_ONCE": 2, "complaint_law": lambda *_: Multiplier(
            np.array([2.0, 3.0]), np.array([4.0, 4.0])),
        "with_habits": lambda _, __, change, more: asked.append((change.tolist(), more)) or (
            now if more == 0.125 else none),
        "parts_of": lambda *_: (SimpleNamespace(sold=np.array([True, False])), None),
        "past_reports": lambda _, __, every: so_far[:2] if len(every) == 2 else so_far[2:],
        "of_the_months": lambda *_: factor, "grade_shares": lambda part, _: shares[0 if part.max() == 1.0 else 1],
        "in_cover": lambda _, __, start, months, chosen: np.full(
            (2, 1, months), (8000.0 if chosen[0] else 4000.0) * (start == CUTOFF + 1)),
    }.items():  # fmt: skip
        monkeypatch.setattr(future if name == "of_the_months" else demand, name, stub)
    monkeypatch.setattr(np.random, "default_rng", generator)
    rates = {name: SimpleNamespace(seasonal_complaints_per_thousand=[float(m + 1) for m in range(12)]) for name in "ab"}
    fleet: Any = SimpleNamespace(regions=("a", "b"), designs=("x",), settings=SimpleNamespace(
        samples=3, grades=["H", "I"], seed=5, regions=rates, title="t"))  # fmt: skip
    lag = np.array([0.5, 0.25, 0.25])
    correction: Any = SimpleNamespace(mean=np.zeros(4), draw=lambda normal: normal, season=lambda _: season)
    correction.one = lambda _: correction
    correction.pace_due = lambda _, months: pace[:, CUTOFF - months]
    correction.level = lambda every: np.log(level[:2] if len(every) == 2 else level[2:])
    behind = np.zeros((2, 1, 1, 3, 1, 5))
    behind[:, 0, 0, demand.TOLD] = 2.0
    behind[:, 0, 0, demand.EXPECTED] = random.uniform(100.0, 900.0, (2, 1, 5))
    behind[1, 0, 0, demand.EXPECTED] *= wait > 0.0  # a region of which nothing was expected so far
    expected: Any = SimpleNamespace(
        first=np.ones((2, 1, REACH)), repeat=np.full((2, 1, REACH, 1, 2), 2.0), behind=behind, gaps=None
    )
    found = demand.sample_cube(
        fleet, SimpleNamespace(sale=np.array([CUTOFF])), expected, correction,  # type: ignore[arg-type]
        SimpleNamespace(cutoff=CUTOFF, months=REACH),  # type: ignore[arg-type]
        SimpleNamespace(shares=lag, draw=lambda _: lag + [-0.1, 0.0, 0.1]),  # type: ignore[arg-type]
        SimpleNamespace(mean=wait, draw=lambda _: wait + 0.125), None, MONTHS,  # type: ignore[arg-type]
    )  # fmt: skip
    assert keys == [[5, 0], [5, 1], [5, 2]]
    change = pytest.approx([-0.1, 0.0, 0.1])
    assert asked == [(change, 0.125), (change, -wait)] * 3
    assert [(len(given), only) for given, only in seen] == [(2, False), (2, True), (1, False), (1, True)]
    habit = 1.2 / np.sqrt(1.25)  # of ten claims told, as firm as the physics: half of the level's change is kept
    factors = factor + np.log(habit)
    assert seen[0][0] == pytest.approx(np.stack([factors] * 2))
    assert found.sold.regrades.tolist() == (sold[0] + sold[1]).tolist()
    assert found.planned.regrades.tolist() == (whole[0] + whole[1] - sold[0] - sold[1]).tolist()
    cube = found.cube["regrades"].values
    for m, r, g, c in np.ndindex(MONTHS, 2, 3, 2):
        wanted = sum(part[:, m, r, 0, c] * share[r, 0, m, g, c] for part, share in zip(whole, shares, strict=True))
        assert cube[:, m, r, 0, g, c].tolist() == wanted.tolist()
    rate = [((CUTOFF + 1 + m) % 12) + 1 for m in range(REACH)]
    for r, mean in enumerate((0.5, 0.75)):
        assert found.sold.visits[1, :, r, 0].tolist() == [8 * each * mean for each in rate]
        assert found.planned.visits[2, :, r, 0].tolist() == [4 * each * mean for each in rate]
        assert found.cube["seasonal"].values[0, :, r, 0].tolist() == [12 * each * mean for each in rate[:MONTHS]]
    ratios = so_far.sum(axis=3) / np.maximum(behind[:, :, 0, demand.EXPECTED, 0].sum(axis=-1), 1.0)
    assert found.multiplier == pytest.approx(np.stack([ratios[:, 0], ratios[:, 1] if wait else level[:, 1]], axis=1))
    assert found.cube["month"].values.tolist() == ["0008-06", "0008-07", "0008-08"]
    assert found.cube.attrs["cutoff"] == "0008-05"
    # due so many months ago and not yet told, by the lag drawn: 0.6, 0.35 and nothing
    even = (whole[0] + whole[1])[:, :, :, 0].sum(axis=-1) * np.exp(-factors[:, 0].T)  # sample, month, region
    even = np.moveaxis(even, 1, 2) * np.exp(season[:, [(CUTOFF + 1 + m) % 12 for m in range(REACH)]])
    before = so_far[:, :, 0] * np.exp(season[:, [(CUTOFF - 4 + m) % 12 for m in range(5)]])
    due = (demand.due_late(before, even, lag + [-0.1, 0.0, 0.1]) * np.exp(pace)) @ [0.6, 0.35, 0.0]
    # and what those add who wait, an eighth more of them than stated: of all pending by the physics, less the others'
    due = (0.875 - wait) * due + (now.pending - (0.875 - wait) * none.pending)[:, 0] * found.multiplier[:, :, 0]
    late = found.cube["not_yet_reported"].values[..., 0]
    assert late == pytest.approx(due, abs=1.001, rel=1e-6)  # whole numbers
