"""Does the model fit this guitar: slips, unknowns pushed far, patterns left in the residuals, and rival physics."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from driftmodel.base.records import Instrument
from driftmodel.base.schema import DAYS_PER_YEAR, Array
from driftmodel.calibration.bench import Bench, make_bench
from driftmodel.calibration.fit import Posterior, learn, scouts_for
from driftmodel.calibration.outcomes import quantiles
from driftmodel.calibration.records import Fitted, Learned
from driftmodel.calibration.shown import learned
from driftmodel.calibration.slips import SLIP_TOLD
from driftmodel.calibration.steps import Step, lasting_step
from driftmodel.structure.joint import pivot_of, saddle_change_mm
from driftmodel.structure.neck import slack_turn_deg

#: residuals beyond this many of their uncertainties count as this many: a slip must not pass for a pattern
CLIPPED = 2.5
#: a pattern as strong in fewer than this share of readings made up by the fitted model is told
PATTERN_TOLD = 0.02
#: so many slips, and such a share of the readings, are told as one thing wrong; slips off by the same, mm
MANY_SLIPS, MANY_SHARE, SAME_MM = 3, 0.3, 0.3
#: what a unit mistaken for another makes of a value
UNIT_FAULTS = (
    (1.0 / 25.4, "they read like inches written as millimetres"),
    (25.4, "they read like millimetres written as inches"),
    (64.0 / 25.4, "they read like 64ths of an inch written as millimetres"),
)
#: readings too few to see a pattern in
LEAST_FOR_PATTERN = 6
#: a rival law told when it makes the readings ten times as probable (Jeffreys 1961, "strong")
RIVAL_TOLD = float(np.log(10.0))
#: a movement is unusual when it is this many times the usual, or as many times smaller, with this probability
UNUSUAL_TIMES, UNUSUAL_CHANCE = {"settles": 1.5, "swings": 2.0}, 0.9


@dataclass(frozen=True)
class Check:
    """A pattern looked for in the residuals: its size, and the share of readings made up by the fitted model that
    show it as strongly. told: fewer than PATTERN_TOLD do."""

    words: str
    size: float
    chance: float
    told: bool


@dataclass(frozen=True)
class Rival:
    """Another law of the wood: logarithm of how many times as probable it makes the readings; told when that is
    RIVAL_TOLD. apart: half the squared distance, in the readings' uncertainties, between what the two laws expect once
    each is fitted; readings whose `apart` is below RIVAL_TOLD cannot tell the laws apart, whatever is true."""

    words: str
    log_factor: float
    told: bool
    apart: float

    @property
    def can_tell(self) -> bool:
        return self.apart > RIVAL_TOLD


@dataclass(frozen=True)
class Unusual:
    """A movement of this guitar against the usual one (prior median): 10, 50 and 90 % points of the ratio."""

    words: str
    times: tuple[float, float, float]
    told: bool


@dataclass(frozen=True)
class Diagnosis:
    """slips: readings that do not fit. bounds: unknowns pressed against where draws are cut off. pushed: unknowns moved
    by more than 1.28 prior sd. step: a sudden lasting one as a rival, None where visits are too few to tell. one_fault:
    what many slips are more likely to be together, '' if they are few. slack_bolts_mm: what slack bolts would lift the
    saddle by, where the neck is bolted and came up by a step or settles more than usual; else 0. wrong_physics: a told
    check or rival, the model and not only the guitar is at odds."""

    slips: tuple[Fitted, ...]
    bounds: tuple[Learned, ...]
    pushed: tuple[Learned, ...]
    unusual: tuple[Unusual, ...]
    checks: tuple[Check, ...]
    rivals: tuple[Rival, ...]
    step: Step | None = None
    one_fault: str = ""
    slack_bolts_mm: float = 0.0

    @property
    def wrong_physics(self) -> bool:
        return any(one.told for one in self.checks) or any(one.told for one in self.rivals)


def diagnose(
    posterior: Posterior, fitted: tuple[Fitted, ...], rivals: Mapping[str, Callable[[Bench], Bench]] | None = None
) -> Diagnosis:
    """Diagnosis of a calibration; rivals: laws to try in place of the scenario's, by their words (RIVALS if None)."""
    known, odd, step = learned(posterior), unusual(posterior), lasting_step(posterior)
    return Diagnosis(
        slips=tuple(one for one in fitted if one.slip_probability > SLIP_TOLD),
        bounds=tuple(one for one in known if one.on_bound),
        pushed=tuple(one for one in known if abs(one.moved_sd) > 1.28),
        unusual=odd,
        checks=patterns(posterior),
        rivals=compare(posterior, RIVALS if rivals is None else rivals),
        step=step,
        one_fault=one_fault(posterior),
        slack_bolts_mm=slack_bolts_mm(posterior.bench.scenario.instrument, odd, step),
    )


def slack_bolts_mm(instrument: Instrument, odd: tuple[Unusual, ...], step: Step | None) -> float:
    """What slack bolts would lift the saddle over the frets by, mm; 0 where nothing points to them: the neck is glued,
    or the action neither went up by a step nor settles more than usual."""
    came_up = step is not None and step.told and step.action_mm[1] > 0.0
    settles = any(one.told and one.times[1] > 1.0 for one in odd if one.words.startswith("settles"))
    if instrument.joint.heel != "bolted" or not (came_up or settles):
        return 0.0
    return float(saddle_change_mm(slack_turn_deg(instrument), pivot_of(instrument)))


def one_fault(posterior: Posterior) -> str:
    """What readings that were let go have in common: '' where they are fewer than MANY_SLIPS or MANY_SHARE of all, and
    not two or more of which none is called a slip."""
    slips = np.flatnonzero(posterior.noise.slip > SLIP_TOLD)
    few = slips.size < MANY_SLIPS or slips.size < MANY_SHARE * len(posterior.readings)
    if few and (slips.size < 2 or posterior.slips[slips].max() > SLIP_TOLD):
        return ""
    value = posterior.values_read[slips]
    away = value - posterior.expected(posterior.sampled.normals).mean(axis=0)[slips]
    due = value - away
    middle = float(np.median(away))
    if np.abs(away - middle).max() < SAME_MM and all(posterior.readings[place].what != "weight" for place in slips):
        return f"all of them are off by nearly the same {middle:+.2f} mm: another guitar's, or another way to measure"
    ratio = value / np.where(np.abs(due) > 0.1, due, np.nan)
    for factor, words in UNIT_FAULTS:
        if np.nanmax(np.abs(np.log(np.abs(ratio) / factor))) < 0.25:
            return words
    early = all(one.date.day <= 12 for one in (posterior.readings[place] for place in slips))
    if early and any(one.date.day != one.date.month for one in (posterior.readings[place] for place in slips)):
        return "every one of their dates reads as well with day and month changed about"
    return "dates, units, or the readings of another guitar"


# ---- patterns in the residuals ---------------------------------------------------------------------------------------


def patterns(posterior: Posterior, seed: int = 1) -> tuple[Check, ...]:
    """Posterior predictive checks (Gelman, Meng and Stern 1996) of trend, season, and likeness of neighbours.

    Each particle's standardised residuals against residuals made up from the likelihood itself; both clipped. Fewer
    than LEAST_FOR_PATTERN readings show nothing and give no checks."""
    readings = posterior.readings
    if len(readings) < LEAST_FOR_PATTERN:
        return ()
    random = np.random.default_rng(seed)
    sound = np.flatnonzero(posterior.noise.slip < SLIP_TOLD)
    if sound.size < LEAST_FOR_PATTERN:
        return ()
    noise = posterior.noise
    away = posterior.values_read - noise.shift - posterior.expected(posterior.sampled.normals)
    sd = np.sqrt(noise.own_doubt)[sound]
    found = away[:, sound] / sd
    covariance = noise.covariance()[np.ix_(sound, sound)]
    made_up = random.standard_normal(found.shape) @ np.linalg.cholesky(covariance).T / sd
    readings = tuple(readings[place] for place in sound)
    years = np.array([(one.date - readings[0].date).days for one in readings]) / DAYS_PER_YEAR
    kinds = np.array([one.what for one in readings])
    checks = []
    for words, statistic in (
        ("a trend over the years", lambda residual: _trend(residual, years)),
        ("a yearly swing", lambda residual: _season(residual, years)),
        ("neighbours alike", lambda residual: _neighbours(residual, years, kinds)),
        ("larger than the tools allow", lambda residual: np.mean(residual**2, axis=1)),
    ):
        real = statistic(np.clip(found, -CLIPPED, CLIPPED))
        other = statistic(np.clip(made_up, -CLIPPED, CLIPPED))
        chance = float(np.mean(other >= real))
        checks.append(Check(words, float(np.median(real)), chance, chance < PATTERN_TOLD))
    return tuple(checks)


def _trend(residual: Array, years: Array) -> Array:
    slope = years - years.mean()
    return np.asarray(np.abs(residual @ slope) / max(float(np.linalg.norm(slope)), 1e-9))


def _season(residual: Array, years: Array) -> Array:
    waves = np.stack([np.ones_like(years), np.cos(2.0 * np.pi * years), np.sin(2.0 * np.pi * years)], axis=1)
    base, _ = np.linalg.qr(waves)
    return np.asarray(np.linalg.norm(residual @ base[:, 1:], axis=1))


def _neighbours(residual: Array, years: Array, kinds: NDArray[np.str_]) -> Array:
    """Sum of products of neighbours in time of the same kind."""
    total = np.zeros(len(residual))
    for kind in np.unique(kinds):
        own = np.flatnonzero(kinds == kind)
        own = own[np.argsort(years[own], kind="stable")]
        total += np.sum(residual[:, own[1:]] * residual[:, own[:-1]], axis=1)
    return total


# ---- rival laws ------------------------------------------------------------------------------------------------------


def without_memory(bench: Bench) -> Bench:
    """The same bench with wood that has no memory of its moisture (or with it, if the scenario leaves it out)."""
    scenario = replace(bench.scenario, hysteresis=not bench.scenario.hysteresis)
    return make_bench(scenario, bench.until)


def twice_the_creep(bench: Bench) -> Bench:
    """The same bench where all creep is twice what the laws say."""
    return replace(bench, creep=bench.creep.times(2.0))


RIVALS: dict[str, Callable[[Bench], Bench]] = {
    "wood that keeps no memory of damp and dry": without_memory,
    "creep twice as large": twice_the_creep,
}


def compare(posterior: Posterior, rivals: Mapping[str, Callable[[Bench], Bench]]) -> tuple[Rival, ...]:
    """How many times as probable each rival makes the same readings, from the sampler's evidence."""
    own, sd = posterior.sampled.log_evidence, np.sqrt(posterior.noise.own_doubt)
    found = []
    for words, law in rivals.items():
        bench = law(posterior.bench)
        many = min(len(posterior.start), scouts_for(posterior.readings))
        near = posterior.sampled.normals
        other = learn(bench.scenario, posterior.book, bench=bench, particles=many, ways=posterior.ways, near=near)
        factor = other.sampled.log_evidence - own
        expected = [each.expected(each.sampled.normals).mean(axis=0) for each in (posterior, other)]
        apart = 0.5 * float(np.sum(((expected[0] - expected[1]) / sd) ** 2))
        found.append(Rival(words, factor, factor > RIVAL_TOLD, apart))
    return tuple(found)


# ---- unusual guitars -------------------------------------------------------------------------------------------------


def unusual(posterior: Posterior) -> tuple[Unusual, ...]:
    """Lasting movement and seasonal swing of this guitar, as multiples of what the prior's median guitar does."""
    layout, normals = posterior.layout, posterior.sampled.normals
    after, usual = layout.values(normals), layout.values(np.zeros((1, layout.size)))

    def settles(values: Mapping[str, Array]) -> Array:
        return np.asarray(values["residual_gain"] * values["string_response"])

    middle = np.zeros((1, layout.size))
    swing_of = [posterior.answers(each, horizon=False, weather=False) for each in (normals, middle)]
    swings = [each.action_damp_mm - each.action_dry_mm for each in swing_of]
    ratios = {
        "settles under the strings": settles(after) / settles(usual),
        "swings between dry and damp season": swings[0] / swings[1],
    }
    found = []
    for words, ratio in ratios.items():
        times = UNUSUAL_TIMES[words.split()[0]]
        more, less = np.mean(ratio > times), np.mean(ratio < 1.0 / times)
        found.append(Unusual(words, quantiles(ratio), bool(max(more, less) > UNUSUAL_CHANCE)))
    return tuple(found)
