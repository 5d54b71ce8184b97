"""No reading by itself moves what is asked about far: where one would, the posterior is drawn to that without it.

Particles weighed by their chance that a reading is a slip are those without it (the law of slips is flat). Where few of
them count, the posterior without it is sampled by itself: a cloud led to one reading may hardly hold those that the
others alone lead to. Mixing the two is what a slip being more likely beforehand would do, and so
it is told."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import numpy as np

from driftmodel.base.schema import Array
from driftmodel.calibration.sampler import Sampled
from driftmodel.calibration.slips import Ways

#: a doubtful reading with so many others moves the mean of the answer by at most so much against leaving it out, mm; a
#: reading so likely a slip is as good as left out
LEAST_OTHERS, MOST_MOVED, SURE = 5, 0.08, 0.99
#: where all that is answered without one or another lies no further apart, the middle of it is taken, mm
MOST_APART = 0.28
#: a reading at least so likely a slip is held to so much whatever that lets others do, mm
DOUBTED, MOST_EITHER = 0.2, 0.12
#: the posterior without a reading is sampled where a lesser share of the particles counts
LEAST_COUNTING = 0.12


def held_back(
    ways: Ways,
    sampled: Sampled,
    draw: Callable[[Ways], Sampled],
    likely: Callable[[Ways, Array], Array],
    answer: Callable[[Array], Array],
) -> tuple[Ways, Sampled]:
    """The ways and the cloud with every reading held to MOST_MOVED. draw: the posterior of some ways; likely: how
    likely each way is for each particle, (n, ways); answer: what is asked about, (n,). Of two that
    pull either way, or of one that is hardly a slip and the others, the middle is taken; where they lie too far apart
    for that the likelier slip is held back, and what holds another back moves the answer no further from that without
    a likely slip than MOST_EITHER."""
    if ways.doubt.size <= LEAST_OTHERS or not ways.doubtful.size:
        return ways, sampled
    each = likely(ways, sampled.normals)
    slip = each @ ways.slip[:, ways.doubtful]
    if ways.doubt.size - np.sum(slip.mean(axis=0) > SURE) <= LEAST_OTHERS:
        return ways, sampled
    found, mean = answer(sampled.normals), float(np.mean(answer(sampled.normals)))
    clouds, means = [], []
    for place, chance in enumerate(slip.T):
        share = chance / chance.sum()
        cloud, own = sampled.normals, float(share @ found)
        if 1.0 / np.sum(share**2) < LEAST_COUNTING * len(share):
            cloud = draw(ways.without(place, each.mean(axis=0))).normals
            share, own = np.full(len(cloud), 1.0 / len(cloud)), float(np.mean(answer(cloud)))
        clouds.append((cloud, share))
        means.append(own)
    away = np.array(means) - mean
    if np.abs(away).max() <= MOST_MOVED:
        return ways, sampled
    pulls = [int(one) for one in (np.argmin(away), np.argmax(away)) if abs(away[one]) > MOST_MOVED]
    place = max(pulls, key=lambda one: float(slip[:, one].mean()))
    wanted = means[place] - float(np.copysign(MOST_MOVED, away[place]))
    if np.ptp(away) <= MOST_APART and (len(pulls) == 2 or slip[:, place].mean() < DOUBTED):
        wanted = 0.5 * (min(means) + max(means))
    for doubted in np.argsort(slip.mean(axis=0), kind="stable"):  # the likeliest has the last word
        if slip[:, doubted].mean() > DOUBTED:
            wanted = float(np.clip(wanted, means[doubted] - MOST_EITHER, means[doubted] + MOST_EITHER))
    place = int(np.argmin(means) if wanted < mean else np.argmax(means))
    part = (wanted - mean) / (means[place] - mean)
    random = np.random.default_rng(len(found))
    cloud, share = clouds[place]
    other = cloud[random.choice(len(cloud), size=round(part * len(found)), p=share)]
    kept = sampled.normals[random.permutation(len(found))[len(other) :]]
    told = slip[:, place].mean()
    doubt, before = ways.doubt.copy(), ways.doubt[ways.doubtful[place]]
    odds = before / (1.0 - before) * (1.0 + part / (1.0 - part) / told) if part < 1.0 else np.inf
    after = float(np.clip(odds / (1.0 + odds) if np.isfinite(odds) else 1.0, before, 1.0 - 1e-6))
    doubt[ways.doubtful[place]] = after
    evidence = np.log((1.0 - after) * (1.0 - told) / (1.0 - before) + after * told / before)
    mixed = replace(sampled, normals=np.concatenate([kept, other]), log_evidence=sampled.log_evidence + float(evidence))
    return replace(ways, doubt=doubt), mixed
