"""Learn from the bench: the unknowns of one instrument after its readings, and what they say about later years."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date

import numpy as np
from numpy.typing import NDArray

from driftmodel.base.records import Scenario
from driftmodel.calibration.bench import Bench, look, make_bench
from driftmodel.calibration.forward import (
    action_per_relief,
    creep_of,
    expected_readings,
    fitting,
    moisture_of,
    moments_of,
    moved,
)
from driftmodel.calibration.layout import Layout, as_draws, layout_of
from driftmodel.calibration.outcomes import Answers, Asked, answers, quantiles, what_is_asked
from driftmodel.calibration.records import QUANTITIES, Band, BenchBook, Calibration, Fitted, Learned, ReadingRow
from driftmodel.calibration.sampler import Sampled, sample
from driftmodel.calibration.sight import Moment, Sight
from driftmodel.outlook.draws import WIDEST_SD, unknowns_of

Array = NDArray[np.float64]

PARTICLES = 1000
#: one reading in ten is a slip (from memory), and then it is off by ten times its uncertainty
SLIP_SHARE, SLIP_TIMES = 0.10, 10.0
#: a reading a step away from the one before is a slip until others bear it out
DOUBTFUL_SLIP_SHARE = 0.9
#: a draw this near to the cut-off counts as on the bound
NEAR_BOUND_SD = 0.3

EXTRA_WORDS = {
    "set_up_error": "how well the set-up was measured, mm",
    "lean": "half the difference of bass and treble action, mm",
    "wood_mass": "how much wood is in it",
}


@dataclass(frozen=True)
class Posterior:
    """Particles after the readings with all that is needed to ask them more. The sight's columns: the readings, `more`
    moments somebody asked for, then those of `asked`."""

    bench: Bench
    book: BenchBook
    readings: tuple[ReadingRow, ...]
    layout: Layout
    sight: Sight
    asked: Asked
    more: tuple[Moment, ...]
    start: Array
    sampled: Sampled

    def answers(self, normals: Array | None = None, horizon: bool = True) -> Answers:
        """Answers to the questions, of the posterior's particles or of others such as the prior's (`start`)."""
        particles = self.sampled.normals if normals is None else normals
        first = len(self.readings) + len(self.more)
        return answers(self.bench, self.layout, self.sight, first, particles, self.asked, self.book.work, horizon)

    def expected(self, normals: Array) -> Array:
        """What the bench would read, (particles, readings)."""
        return _expected(self.bench, self.layout, self.sight, self.readings, self.book, normals)


def calibrate(
    scenario: Scenario,
    book: BenchBook,
    *,
    bench: Bench | None = None,
    particles: int = PARTICLES,
    seed: int | None = None,
) -> Calibration:
    """The instrument's unknowns after its readings. bench: a scenario made ready before (see forward.make_bench).

    The draws of the result feed `driftmodel.forecast(scenario, unknowns=calibration.draws)` unchanged.
    Raises BadInput where the scenario's air does.
    """
    return as_calibration(learn(scenario, book, bench=bench, particles=particles, seed=seed))


def learn(
    scenario: Scenario,
    book: BenchBook,
    *,
    bench: Bench | None = None,
    particles: int = PARTICLES,
    seed: int | None = None,
    now: date | None = None,
    more: tuple[Moment, ...] = (),
) -> Posterior:
    """The posterior particles, from which `as_calibration` makes the record.

    Likelihood of a reading: normal with its uncertainty nine times in ten, ten times as wide the tenth time, so that a
    slip pulls little and is told as one. A level the scenario does not state (projection, relief, sinkage, weight) is
    an unknown of its own: only changes in such a quantity say anything, from its second reading on.
    now: the day the questions are put, that of the last reading if not given. more: further moments to look at.
    """
    readings = fitting(book)
    last = now or max((reading.date for reading in readings), default=scenario.setup.setup)
    bench = bench or make_bench(scenario, last, book)
    asked = what_is_asked(bench, last)
    sight = look(bench, (*moments_of(readings), *more, *asked.moments), asked.reference[:, [asked.here]])
    layout = layout_of(bench, book, sight.weather.shape[0])
    seed = scenario.seed if seed is None else seed
    start = prior_particles(particles, layout.size, seed)
    value, sd, slip = slip_of(readings)

    def log_likelihood(normals: Array) -> Array:
        expected = _expected(bench, layout, sight, readings, book, normals)
        return np.asarray(_log_density(value - expected, sd, slip).sum(axis=1), dtype=float)

    sampled = sample(log_likelihood, start, seed, WIDEST_SD)
    return Posterior(bench, book, readings, layout, sight, asked, more, start, sampled)


def prior_particles(count: int, unknowns: int, seed: int) -> Array:
    """Standard normal particles by Latin hypercube, cut off where the forecast's draws are."""
    from scipy.special import ndtri
    from scipy.stats import qmc

    places = qmc.LatinHypercube(unknowns, seed=np.random.default_rng([seed, 77])).random(count)
    edge = 0.0013498980316301035  # normal probability below -3
    normals = np.clip(ndtri(edge + (1 - 2 * edge) * places), -WIDEST_SD, WIDEST_SD)
    return np.asarray(normals, dtype=float)


def _expected(
    bench: Bench, layout: Layout, sight: Sight, readings: tuple[ReadingRow, ...], book: BenchBook, normals: Array
) -> Array:
    own = sight.columns(slice(0, len(readings)))
    values = layout.values(normals)
    movement = moved(bench, moisture_of(layout, own, normals, values), creep_of(layout, own, normals, values), values)
    return expected_readings(bench, layout, values, movement, readings, book)


def slip_of(readings: tuple[ReadingRow, ...]) -> tuple[Array, Array, Array]:
    """Values, uncertainties and chances of a slip, (readings,) each."""
    slip = [DOUBTFUL_SLIP_SHARE if one.doubt else SLIP_SHARE for one in readings]
    return np.array([one.value for one in readings]), np.array([one.sd for one in readings]), np.array(slip)


def _log_density(residual: Array, sd: Array, slip: Array) -> Array:
    """Logarithm of the density of residuals (particles, readings): a normal, or with chance `slip` a far wider one."""
    sound = np.log1p(-slip) - 0.5 * (residual / sd) ** 2
    wide = np.log(slip) - np.log(SLIP_TIMES) - 0.5 * (residual / (SLIP_TIMES * sd)) ** 2
    return np.asarray(np.logaddexp(sound, wide) - np.log(sd) - 0.5 * np.log(2.0 * np.pi))


def slip_chance(residual: Array, sd: Array, slip: Array) -> Array:
    """Probability of each reading being a slip, mean over the particles, (readings,)."""
    sound = np.log1p(-slip) - 0.5 * (residual / sd) ** 2
    wide = np.log(slip) - np.log(SLIP_TIMES) - 0.5 * (residual / (SLIP_TIMES * sd)) ** 2
    return np.asarray(np.exp(wide - np.logaddexp(sound, wide)).mean(axis=0))


# ---- the record ----------------------------------------------------------------------------------------------------


def as_calibration(posterior: Posterior) -> Calibration:
    """The posterior as the record that reports and forecasts use."""
    scenario, sampled = posterior.bench.scenario, posterior.sampled
    return Calibration(
        scenario=scenario.name,
        bench=posterior.book,
        learned=learned(posterior),
        fitted=_fitted(posterior),
        draws=as_draws(
            posterior.layout,
            _shuffled(sampled.normals, scenario.seed),
            scenario.weather_members,
            action_per_relief(posterior.bench.coefficients),
        ),
        names=posterior.layout.names,
        normals=sampled.normals,
        log_evidence=sampled.log_evidence,
        effective_sample_size=sampled.effective_sample_size,
        stages=sampled.stages,
        acceptance=sampled.acceptance,
        past_weather=posterior.bench.past_weather,
        bands=_bands(posterior),
    )


def _shuffled(normals: Array, seed: int) -> Array:
    """Particles in random order: copies of one must not all live in one weather member."""
    return normals[np.random.default_rng([seed, 9]).permutation(len(normals))]


def learned(posterior: Posterior) -> tuple[Learned, ...]:
    """Every unknown before and after; the weather of the past is left out."""
    layout, found = posterior.layout, []
    known = unknowns_of(posterior.bench.scenario)
    normals = posterior.sampled.normals
    before, after = layout.values(posterior.start), layout.values(normals)
    for place, name in enumerate(layout.names):
        if name.startswith("weather_"):
            continue
        own = normals[:, place]
        words = known[name].words if name in known else EXTRA_WORDS.get(name, _level_words(name))
        found.append(
            Learned(
                name,
                words,
                quantiles(before[name]),
                quantiles(after[name]),
                float(np.median(own)),
                float(own.std() / posterior.start[:, place].std()),
                bool(np.mean(np.abs(own) > WIDEST_SD - NEAR_BOUND_SD) > 0.1),
            )
        )
    return tuple(found)


def _level_words(name: str) -> str:
    if name.startswith("level_"):
        quantity = QUANTITIES[name.removeprefix("level_")]
        return f"{quantity.words} at set-up, {quantity.unit}"
    if name.startswith("anew_"):
        return "where work of unknown effect left the saddle over the fret plane, mm"
    return "what the truss rod did to the relief, mm"


def _fitted(posterior: Posterior) -> tuple[Fitted, ...]:
    value, sd, slip = slip_of(posterior.readings)
    expected = posterior.expected(posterior.sampled.normals)
    chance = slip_chance(value - expected, sd, slip)
    return tuple(
        Fitted(
            reading,
            float(np.median(expected[:, column])),
            float(expected[:, column].std()),
            float(value[column] - np.median(expected[:, column])),
            float((value[column] - np.median(expected[:, column])) / sd[column]),
            float(chance[column]),
        )
        for column, reading in enumerate(posterior.readings)
    )


def _bands(posterior: Posterior) -> tuple[Band, ...]:
    before, after = posterior.answers(posterior.start), posterior.answers()
    dry, damp = (season.day for season in posterior.asked.seasons)
    return (
        Band(
            f"action over the 90 dry days from {dry}", "mm", *(quantiles(one.action_dry_mm) for one in (before, after))
        ),
        Band(
            f"action over the 90 damp days from {damp}",
            "mm",
            *(quantiles(one.action_damp_mm) for one in (before, after)),
        ),
        Band(
            "action at the place's mean state", "mm", *(quantiles(one.action_reference_mm) for one in (before, after))
        ),
        Band("years to the next regrade", "years", *(quantiles(one.regrade_years) for one in (before, after))),
    )
