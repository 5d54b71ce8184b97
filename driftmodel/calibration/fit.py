"""Learn from the bench: the unknowns of one instrument after its readings, and what they say about later years."""

from __future__ import annotations

from dataclasses import dataclass, replace
from datetime import date

import numpy as np

from driftmodel.base.records import Scenario
from driftmodel.base.schema import Array
from driftmodel.calibration.bench import Bench, Seen, make_bench, see
from driftmodel.calibration.caution import held_back
from driftmodel.calibration.drives import Moment
from driftmodel.calibration.forward import Particles, Plan, action_per_relief, fitting, plan_of, readings_of
from driftmodel.calibration.layout import Layout, as_draws, layout_of
from driftmodel.calibration.moments import AtMoments
from driftmodel.calibration.outcomes import Answers, Asked, answers_of_particles, what_is_asked
from driftmodel.calibration.records import BenchBook, ReadingRow
from driftmodel.calibration.sampler import MOVES, Sampled, sample, sample_about
from driftmodel.calibration.slips import Ways, called_slips, mixture, slip_chance, slip_of, slip_reach, ways_of
from driftmodel.calibration.unsure import Noise, Unsure, plan_and_days, setup_effects, swing_of, unsure_at
from driftmodel.outlook.calendar import with_work
from driftmodel.outlook.draws import WIDEST_SD, Draws, normal_stratified

PARTICLES = 1000
#: particles, at most half of all, of the first look, which only finds slips and where the instrument stands, of looks
#: without a reading and at rival laws; down to half of them where times the readings they are more than MOST_SCOUTED
SCOUTS, MOST_SCOUTED = 400, 40_000
#: moves of a look that only finds slips and stays
SCOUTED_MOVES = 3
#: where the first look took more steps from the prior, the next begin about the last one's cloud
MOST_STAGES = 5
#: slips and stays are settled when no chance moves by more than this, or after so many rounds
SETTLED, ROUNDS = 0.1, 3
#: particles that chances of stays and of ways are taken from
STAY_PARTICLES = 200
#: the variance of what was learned is taken this share larger: set by how well bands hold on truths of other laws and
#: spreads (docs/learning.md), and no more than the model's own world bears
EASED = 0.4
#: weathers of a forecast after readings, times the scenario's: the band of four alone holds three fifths of weeks
MORE_WEATHERS = 3


@dataclass(frozen=True)
class Posterior:
    """Particles after the readings with all that is needed to ask them more. The columns of what was seen: the
    readings, `more` moments somebody asked for, then those of `asked`."""

    bench: Bench
    book: BenchBook
    readings: tuple[ReadingRow, ...]
    layout: Layout
    seen: Seen
    asked: Asked
    more: tuple[Moment, ...]
    plan: Plan
    ways: Ways
    start: Array
    sampled: Sampled

    @property
    def at_moments(self) -> AtMoments:
        """What was to be seen in the middle of the weathers."""
        return self.seen.at_moments

    @property
    def noise(self) -> Noise:
        """What the readings may be away, each counted by its chance to be sound."""
        return self.ways.noise

    @property
    def slips(self) -> Array:
        """Chance of each reading to be a slip of hand, as it is told, (readings,)."""
        away = self.values_read - self.noise.shift - np.median(self.expected(self.sampled.normals), axis=0)
        return called_slips(self.readings, self.noise.slip, away)

    def answers(self, normals: Array | None = None, horizon: bool = True, weather: bool = True) -> Answers:
        """Answers to the questions, of the posterior's particles or of others such as the prior's (`start`). weather:
        with the weather's own part, drawn given the readings for the posterior's particles; without it, in the middle
        of the weathers."""
        particles = self.particles(normals)
        asked = self.at_moments.columns(slice(len(self.readings) + len(self.more), None))
        own = self.weather_of(particles.normals, normals is None) if weather else None
        return answers_of_particles(particles, asked, self.asked, horizon, own)

    def particles(self, normals: Array | None = None) -> Particles:
        """The posterior's particles, or others such as the prior's (`start`)."""
        return Particles(self.bench, self.layout, self.sampled.normals if normals is None else normals)

    def weather_of(self, particles: Array, after: bool = True) -> Array:
        """The weather's own part of the action at `asked.days`, mm, (particles, 5), drawn: given the readings, or
        before them."""
        random = np.random.default_rng([self.bench.scenario.seed, 41])
        noise = self.noise if after else self.noise.unread()
        return noise.asked(self.values_read - self.expected(particles), self.swing(particles), random)

    @property
    def values_read(self) -> Array:
        """The readings' values, (readings,)."""
        return np.array([one.value for one in self.readings])

    def expected(self, normals: Array) -> Array:
        """What the bench would read in the middle of the weathers, (particles, readings)."""
        own = self.at_moments.columns(slice(0, len(self.readings)))
        return readings_of(self.particles(normals), own, self.plan)

    def expected_more(self, rows: tuple[ReadingRow, ...], normals: Array) -> Array:
        """The same of readings at the moments asked for beside them, (particles, more)."""
        first = len(self.readings)
        own = self.at_moments.columns(slice(first, first + len(rows)))
        return readings_of(self.particles(normals), own, plan_of(self.bench.scenario, rows))

    def swing(self, normals: Array) -> Array:
        """How strongly particles answer the weather, (particles,)."""
        return swing_of(self.particles(normals), self.seen)


def learn(
    scenario: Scenario,
    book: BenchBook,
    *,
    bench: Bench | None = None,
    particles: int = PARTICLES,
    seed: int | None = None,
    now: date | None = None,
    more: tuple[Moment, ...] = (),
    ways: Ways | None = None,
    near: Array | None = None,
) -> Posterior:
    """The posterior particles, from which `as_calibration` makes the record.

    Likelihood: normal errors as `unsure` tells them, between readings as well, over all ways the most doubtful readings
    may be slips (see `slips`). A first look with few particles takes the readings for independent; then chances of
    slips, the doubts about the instrument found, and those few particles take turns until they agree. A level the
    scenario does not state (projection, relief, sinkage, weight) is an unknown of its own: only changes in such a
    quantity say anything, from its second reading on.
    now: the day the questions are put, that of the last reading if not given. more: further moments to look at.
    ways: errors of the readings as found before, such as those of a rival's sampling; taken as they are. near:
    particles near the posterior, such as the rival's, about which the sampling begins, in place of from the prior."""
    readings = fitting(book)
    last = now or max((reading.date for reading in readings), default=scenario.setup.setup)
    bench = bench or make_bench(scenario, last, book)
    bench = replace(bench, scenario=with_work(bench.scenario, book.work))
    asked = what_is_asked(bench, last)
    seen = see(bench, readings, (*more, *asked.moments), last)
    layout = layout_of(bench.scenario, book.readings)
    seed = scenario.seed if seed is None else seed
    start = prior_particles(particles, layout.names, seed)
    value, sd, doubt = slip_of(readings)
    reach = slip_reach(readings)
    whole, days = plan_and_days(bench.scenario, readings, asked.days)
    plan, own = whole.first(len(readings)), seen.at_moments.columns(slice(0, len(readings)))

    def away(normals: Array) -> tuple[Array, Array]:
        """Residuals (n, readings) of particles, and how strongly each answers the weather, (n,)."""
        of = Particles(bench, layout, normals)
        return value - readings_of(of, own, plan), swing_of(of, seen)

    def posterior_of(ways: Ways, begin: Array = start, moves: int = MOVES, near: Array | None = None) -> Sampled:
        found = lambda normals: ways.log_density(*away(normals))  # noqa: E731
        if near is None:
            return sample(found, begin, seed, WIDEST_SD, moves)
        return sample_about(found, near, begin, seed, WIDEST_SD, moves)

    def doubts(cloud: Array) -> Unsure:
        return unsure_at(Particles(bench, layout, cloud.mean(axis=0, keepdims=True)), seen, whole, days)

    if ways is not None:
        known = ways
    else:
        scouts = prior_particles(min(scouts_for(readings), particles // 2), layout.names, seed + 1)
        first = Noise(doubts(np.zeros((1, layout.size))), sd, np.zeros(sd.size))
        alone = np.sqrt(first.own_doubt)

        def scouted(normals: Array) -> Array:
            return np.asarray(mixture(away(normals)[0] - first.shift, alone, doubt, reach).sum(axis=1))

        look = sample(scouted, scouts, seed + 1, WIDEST_SD, SCOUTED_MOVES)
        cloud, far = look.normals, look.stages > MOST_STAGES
        at = away(cloud)
        slip = slip_chance(at[0] - first.shift, alone, doubt, reach)
        likely = Noise(first.unsure, sd, slip).stays_after(at[0][:STAY_PARTICLES])
        for _ in range(ROUNDS):
            before = (slip, likely)
            whole_ways = ways_of(Noise(doubts(cloud), sd, slip, likely), doubt, reach)
            known = likely_of(whole_ways, *at)
            cloud = posterior_of(known, scouts, SCOUTED_MOVES, cloud if far else None).normals
            at = away(cloud)
            slip, likely = known.chances(*at), known.stays(*at)
            if max(np.abs(slip - before[0]).max(initial=0.0), np.abs(likely - before[1]).max(initial=0.0)) < SETTLED:
                break
        whole_ways = ways_of(Noise(doubts(cloud), sd, slip, likely), doubt, reach)
        known, near = likely_of(whole_ways, *at), cloud if far else None
    sampled = posterior_of(known, near=near)
    if ways is None:

        def stands(normals: Array) -> Array:
            at_asked = seen.at_moments.columns(slice(len(readings) + len(more), None))
            return answers_of_particles(Particles(bench, layout, normals), at_asked, asked, False).action_reference_mm

        known, sampled = held_back(
            whole_ways,
            sampled,
            lambda fewer: posterior_of(fewer, scouts, near=near),
            lambda of, normals: of.likely(*away(normals)),
            stands,
        )
        at = away(sampled.normals)
        known = likely_of(known, *at)
        known = replace(known, noise=Noise(known.noise.unsure, sd, known.chances(*at), known.stays(*at)))
    if readings:
        sampled = replace(sampled, normals=eased(sampled.normals))
    return Posterior(bench, book, readings, layout, seen, asked, more, plan, known, start, sampled)


def scouts_for(readings: tuple[ReadingRow, ...]) -> int:
    """Particles of a look that is not the answer itself."""
    return max(SCOUTS // 2, min(SCOUTS, MOST_SCOUTED // max(len(readings), 1)))


def likely_of(ways: Ways, away: Array, stirred: Array) -> Ways:
    """The ways that are likely for a cloud with such residuals (n, readings) and swings (n,)."""
    some = slice(None, None, max(len(away) // STAY_PARTICLES, 1))
    return ways.pruned(ways.likely(away[some], stirred[some]).mean(axis=0))


def eased(normals: Array) -> Array:
    """The cloud made wider in the directions that readings narrowed, by up to sqrt(1 + EASED) and not at all where they
    said nothing: guitars differ from their law in more ways than its unknowns can follow."""
    middle = normals.mean(axis=0)
    sizes, directions = np.linalg.eigh(np.atleast_2d(np.cov(normals.T)))
    wider = np.sqrt(1.0 + EASED * np.clip(1.0 - sizes, 0.0, 1.0))
    moved_out = middle + ((normals - middle) @ directions * wider) @ directions.T
    return np.asarray(np.clip(moved_out, -WIDEST_SD, WIDEST_SD))


def prior_particles(count: int, names: tuple[str, ...], seed: int) -> Array:
    """Standard normal particles, stratified in each of the unknowns `names`."""
    return np.stack([normal_stratified(count, seed, name) for name in names], axis=1)


def draws_of(posterior: Posterior, count: int | None = None, share: float = 1.0) -> Draws:
    """The posterior as draws of a forecast, all or some, in random order: copies of one must not all live in one
    weather member. What the readings say about the weather of set-up takes the place of what a forecast's own member
    had that day: it is common to all later days, and goes with the error of the set-up. Shared out to more
    weathers than a scenario's, as far as the bench has walked them: once a guitar is known, weather is most of a week;
    to a `share` of them where the draws are but a part of a forecast's."""
    scenario, layout = posterior.bench.scenario, posterior.layout
    members = scenario.weather_members
    if members > 1:
        members = max(members, min(len(posterior.bench.others), MORE_WEATHERS * members))
        members = max(round(share * members), 2)
    order = np.random.default_rng([scenario.seed, 9]).permutation(len(posterior.sampled.normals))
    normals = posterior.sampled.normals[order[:count]]
    draws = as_draws(layout, normals, members, action_per_relief(posterior.bench.coefficients))
    wanted = posterior.weather_of(normals)[:, -1]
    effects = setup_effects(posterior.particles(normals.mean(axis=0, keepdims=True)), posterior.seen)
    known = np.append(effects, np.zeros(max(int(draws.member.max()) + 1 - effects.size, 0)))
    own = known[draws.member] * posterior.swing(normals) / posterior.noise.unsure.swing
    return replace(draws, set_up_error_mm=draws.set_up_error_mm + wanted - own)
