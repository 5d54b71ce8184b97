"""What many instruments teach: a hierarchical fit over the posteriors of single ones, with partial pooling.

Each unknown k of guitar i is, on the scale of its prior (standard normal), z_ik = m_k + s_k e_ik: m_k is what
design and workshop have in common, s_k how far guitars stand apart. Beforehand m_k is normal with a share COMMON of
the prior's variance, and s_k lognormal about the rest, so that a single guitar's prior is the one in use. The
readings of a guitar come in through what its posterior says beyond its prior, taken for normal, integrated over z_ik in
closed form (the hierarchical normal model: Gelman and others, Bayesian Data Analysis, 3rd ed., ch. 5 [from memory]).
Its draws weighed anew would say the same in one unknown; in nine, a handful of them would speak for all. The sampler
of a single guitar leads (m, s) to their posterior."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np

from driftmodel.base.records import Scenario
from driftmodel.base.schema import Array
from driftmodel.base.workers import Crew, each
from driftmodel.calibration.bench import make_bench
from driftmodel.calibration.claimed import GAIN, Claim, Claims, claims_say
from driftmodel.calibration.fit import learn
from driftmodel.calibration.layout import stretched
from driftmodel.calibration.outcomes import quantiles
from driftmodel.calibration.records import BenchBook
from driftmodel.calibration.sampler import sample
from driftmodel.calibration.slips import SLIP_TOLD
from driftmodel.outlook.draws import Unknown, unknowns_of

#: share of each unknown's prior variance that guitars of a design have in common (from memory): what the law does
#: not know is common, what one board or one pair of hands does is not
COMMON: Mapping[str, float] = {
    "residual_gain": 0.7,
    "moisture_creep": 0.7,
    "joint_creep": 0.6,
    "string_response": 0.4,
    "structure": 0.4,
    "block": 0.6,
    "movement_top": 0.3,
    "movement_back": 0.3,
    "movement_along": 0.7,
}
#: how well the spread between guitars is known beforehand, log
APART_LOG_SD = 0.35
#: particles of the common numbers, and of each instrument, whose posterior only has to be told, not shown; most of
#: its draws that are looked at
PARTICLES, DRAWS = 400, 400
#: a guitar stands out when it lies this many spreads from the middle of all, likely so
STANDS_OUT, STANDS_OUT_CHANCE = 2.0, 0.8
BOUND = 4.0
#: variance of a guitar's unknowns before its readings (see layout.stretched): E of (1.05 z (1 + 0.05 z^2))^2
PRIOR_VARIANCE = 1.475


@dataclass(frozen=True)
class One:
    """One instrument's posterior: its name, draws as standard normal values (draws, unknowns) of `names`, its readings
    and how many of them were slips."""

    name: str
    design: str
    names: tuple[str, ...]
    normals: Array
    readings: int
    slips: int


@dataclass(frozen=True)
class LearnedNumber:
    """One unknown before and after N instruments: median and spread (log) of the next guitar's, and the parts the
    spread is made of: the middle not known, and guitars apart. narrowed: spread after over before."""

    name: str
    words: str
    before: Unknown
    median: float
    log_sd: float
    middle_log_sd: float
    apart_log_sd: float

    @property
    def narrowed(self) -> float:
        return self.log_sd / self.before.log_sd


@dataclass(frozen=True)
class Standing:
    """Where one guitar stands: for each unknown its multiple of the median of all by its own readings alone, and
    drawn to the others (10, 50, 90 % points). out: unknowns in which it stands out, with how many spreads."""

    one: One
    alone: Mapping[str, tuple[float, float, float]]
    drawn: Mapping[str, tuple[float, float, float]]
    out: Mapping[str, float]


@dataclass(frozen=True)
class Pooled:
    """What was learned from all. middles, apart: draws of m and s (particles, unknowns) of `names`; claims: what claims
    said, None without any."""

    names: tuple[str, ...]
    numbers: tuple[LearnedNumber, ...]
    standing: tuple[Standing, ...]
    middles: Array
    apart: Array
    claims: Claims | None = None


def pool(ones: Sequence[One], unknowns: Mapping[str, Unknown], seed: int = 1, claims: Claims | None = None) -> Pooled:
    """The hierarchical fit. unknowns: those of a single instrument before, with median and spread; claims: of further
    instruments."""
    names = tuple(name for name in COMMON if name in unknowns)
    normals = [one.normals[:DRAWS, [one.names.index(name) for name in names]] for one in ones]
    clouds = [stretched(cloud) for cloud in normals]
    known = [_told(cloud) for cloud in clouds]
    random = np.random.default_rng([seed, 21])
    share = np.array([COMMON[name] for name in names])
    start = np.clip(random.standard_normal((PARTICLES, 2 * len(names))), -BOUND, BOUND)

    def parts(particles: Array) -> tuple[Array, Array]:
        middles = np.sqrt(share) * particles[:, : len(names)]
        apart = np.sqrt(1.0 - share) * np.exp(APART_LOG_SD * particles[:, len(names) :])
        return middles, apart

    def log_likelihood(particles: Array) -> Array:
        middles, apart = parts(particles)
        total = np.zeros(len(particles))
        for told in known:
            total += _log_evidence(*told, middles, apart)
        if claims is not None:
            place = names.index(GAIN)
            total += claims.log_density(middles[:, place], apart[:, place])
        return total

    sampled = sample(log_likelihood, start, seed, BOUND, moves=4) if clouds or claims else None
    middles, apart = parts(start if sampled is None else sampled.normals)
    numbers = tuple(
        _number(name, unknowns[name], middles[:, place], apart[:, place]) for place, name in enumerate(names)
    )
    standing = tuple(
        _standing(one, cloud, names, unknowns, middles, apart, random) for one, cloud in zip(ones, clouds, strict=True)
    )
    return Pooled(names, numbers, standing, middles, apart, claims)


def _told(cloud: Array) -> tuple[Array, Array]:
    """What a guitar's readings say of z (draws, unknowns), the prior taken out: the logarithm of their likelihood is
    -z' T z / 2 + h' z; T (unknowns, unknowns) and h (unknowns,)."""
    own = np.linalg.inv(np.cov(cloud.T) + 1e-6 * np.eye(cloud.shape[1]))
    sizes, turn = np.linalg.eigh(own - np.eye(len(own)) / PRIOR_VARIANCE)
    return (turn * np.maximum(sizes, 0.0)) @ turn.T, own @ cloud.mean(axis=0)


def _log_evidence(told: Array, pulled: Array, middles: Array, apart: Array) -> Array:
    """Logarithm of the integral of N(z; m, s) exp(-z' T z / 2 + h' z), (particles,), m and s (particles, unknowns)."""
    precision = 1.0 / apart**2
    whole = told + precision[:, :, None] * np.eye(len(told))
    root = np.linalg.cholesky(whole)
    known = np.linalg.solve(root, (pulled + middles * precision)[:, :, None])[:, :, 0]
    sizes = np.log(np.einsum("pii->pi", root) * apart).sum(axis=1)
    return np.asarray(0.5 * np.sum(known**2, axis=1) - sizes - 0.5 * np.sum(middles**2 * precision, axis=1))


def _number(name: str, before: Unknown, middles: Array, apart: Array) -> LearnedNumber:
    middle, spread = float(middles.std()), float(np.sqrt(np.mean(apart**2)))
    return LearnedNumber(
        name,
        before.words,
        before,
        before.median * float(np.exp(before.log_sd * middles.mean())),
        before.log_sd * float(np.hypot(middle, spread)),
        before.log_sd * middle,
        before.log_sd * spread,
    )


def _drawn_to(cloud: Array, middles: Array, apart: Array, random: np.random.Generator) -> Array:
    """One guitar drawn to the others, (particles, unknowns): what its own readings say, taken for normal, times
    N(z; m, s) for each particle. Weighing its few draws anew would leave a handful of them, in so many unknowns."""
    told, pulled = _told(cloud)
    spread = np.linalg.inv(told + np.eye(len(told)) / apart[:, None, :] ** 2)
    mean = np.einsum("pij,pj->pi", spread, pulled + middles / apart**2)
    return np.asarray(mean + np.einsum("pij,pj->pi", np.linalg.cholesky(spread), random.standard_normal(mean.shape)))


def _standing(
    one: One,
    cloud: Array,
    names: tuple[str, ...],
    unknowns: Mapping[str, Unknown],
    middles: Array,
    apart: Array,
    random: np.random.Generator,
) -> Standing:
    shrunk = _drawn_to(cloud, middles, apart, random)
    middle, spread = middles.mean(axis=0), np.sqrt(np.mean(apart**2, axis=0))
    alone, drawn, out = {}, {}, {}
    for place, name in enumerate(names):
        log_sd = unknowns[name].log_sd
        alone[name] = quantiles(np.exp(log_sd * (cloud[:, place] - middle[place])))
        drawn[name] = quantiles(np.exp(log_sd * (shrunk[:, place] - middle[place])))
        away = (cloud[:, place] - middle[place]) / spread[place]
        if np.mean(np.abs(away) > STANDS_OUT) > STANDS_OUT_CHANCE:
            out[name] = float(np.median(away))
    return Standing(one, alone, drawn, out)


#: weathers of each: walking a room through them is most of what an instrument costs
WEATHERS = (10, 10)


@dataclass(frozen=True)
class Known:
    """One instrument with what was read of it."""

    name: str
    scenario: Scenario
    book: BenchBook


def learn_from(
    cases: Sequence[Known],
    crew: Crew | None = None,
    progress: Callable[[str], None] = lambda _: None,
    seed: int = 1,
    claims: Sequence[Claim] = (),
) -> Pooled:
    """What the instruments teach together; each is learned from alone first, with the numbers of the library.

    claims: regrades of further guitars, as evidence. Numbers that a case's scenario has learned before are not used:
    the same readings would count twice."""
    found: dict[int, One] = {}
    for place, one in each(_learned_from, [(place, [case]) for place, case in enumerate(cases)], crew or Crew()):
        found[place] = one
        progress(f"{len(found)} of {len(cases)} instruments")
    ones = [found[place] for place in range(len(cases))]
    progress("all together")
    return pool(ones, unknowns_of(bare(cases[0].scenario)), seed, claims_say(claims) if claims else None)


def bare(scenario: Scenario) -> Scenario:
    """The scenario with the library's numbers only."""
    return replace(scenario, learned=())


def _learned_from(cases: list[Known]) -> list[One]:
    return [learn_one(case) for case in cases]


def learn_one(case: Known) -> One:
    """One instrument's posterior by itself, as the pooling takes it."""
    scenario = replace(bare(case.scenario), horizon_years=1)  # and as far on as its readings ask for
    last = max((one.date for one in case.book.readings), default=scenario.setup.setup)
    bench = make_bench(scenario, last, case.book, WEATHERS)
    posterior = learn(scenario, case.book, bench=bench, particles=PARTICLES)
    return One(
        case.name,
        case.scenario.instrument.name,
        posterior.layout.names,
        posterior.sampled.normals,
        len(posterior.readings),
        int((posterior.slips > SLIP_TOLD).sum()),
    )
