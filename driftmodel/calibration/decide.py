"""Weather or drift: what a reading calls for, in the order a bench goes by, with how sure that is and what would change
it. Verdict and list come from the same draws."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date
from statistics import NormalDist

import numpy as np

from driftmodel.base import library
from driftmodel.base.errors import refusal
from driftmodel.base.records import Scenario
from driftmodel.base.schema import Array, Frozen
from driftmodel.calibration.bench import Bench
from driftmodel.calibration.fit import PARTICLES, Posterior, learn
from driftmodel.calibration.forward import action_per_relief
from driftmodel.calibration.options import ORDER, Option, Standing, Weighed, gains_of, weigh
from driftmodel.calibration.outcomes import Answers, quantiles, weeks_to_come_back
from driftmodel.calibration.records import BenchBook, Calibration, ReadingRow
from driftmodel.calibration.shown import ActionPath, action_path, moments_of_path
from driftmodel.calibration.slips import SLIP_SHARE, slip_reach
from driftmodel.outlook.calendar import fitted_lift_mm, saddle_room_now_mm

Points = tuple[float, float, float]

#: answers whose worth is closer than this, in days inside the rule over options.AHEAD_YEARS, are told as a close call
#: (common practice, no source)
CLOSE_DAYS = 20.0
MEASURE = "measure again"
WORK = ("truss rod", "saddle", "regrade", "other work")
#: a reading this likely to be wrong is taken again before anything is cut or taken apart: it costs five minutes
#: (common practice, no source)
DOUBTED = 0.15
#: how far a reading is turned to see what would change the answer, mm
TURNED_MM, TURNED_STEP_MM, TURNED_BY = 1.5, 0.02, 300


@dataclass(frozen=True)
class Decision:
    """What to do on the day of a reading. said: 'measure again', 'leave', 'humidify', 'dry out' or 'steady air' (better
    air), 'truss rod', 'saddle', 'regrade' (another spacer) or 'other work': what is worth most days inside the rule,
    but a doubtful reading is taken again before any work. then: what it needs if the reading stands; without_air:
    if the air stays as it is, too. close: those worth about as much. chances: shares of the draws to which each is
    worth most; they add up to 1.

    options: what could be done, with amounts, days inside and the chance of each to be right in a year. due_mm:
    what was to be read that day by all that was known before, 10, 50 and 90 %. read_mm: the action as the model
    sees it on that day. reference_mm: the same guitar at the mean moisture of its year. season_mm: the difference,
    which comes back. place_mm: what its place does to that mean against air kept as at set-up. steady_pct: that
    air. seasons_from: first days of the next dry and damp 90 days. turns: readings in mm from which on the answer
    would be another one, with that answer. look_again_weeks: when the moisture has come back to within a fifth
    after the air was put right. relief_mm: what the neck's relief is expected to read, where it was not read."""

    scenario: str
    day: date
    readings: tuple[ReadingRow, ...]
    said: str
    then: str
    without_air: str
    close: tuple[str, ...]
    chances: Frozen[str, float]
    options: tuple[Option, ...]
    grade: str
    due_mm: Points | None
    read_mm: Points
    reference_mm: Points
    season_mm: Points
    place_mm: float
    steady_pct: float
    look_again_weeks: int
    next_dry_mm: Points
    next_damp_mm: Points
    seasons_from: tuple[date, date]
    rule_mm: tuple[float, float]
    regrade_years: Points
    turns: tuple[tuple[float, str], ...]
    slip_probability: float
    readings_before: int
    relief_mm: Points | None = None
    path: ActionPath | None = None

    def option(self, key: str) -> Option | None:
        """The option of this key, None where it makes no sense here."""
        return next((one for one in self.options if one.key == key), None)


def decide_unread(
    scenario: Scenario, book: BenchBook, day: date, particles: int = PARTICLES, *, drawn: bool = False
) -> Decision:
    """Decide about the guitar as the readings of its book left it, on a day without a reading. drawn: with its path."""
    more = moments_of_path(scenario.setup.setup, day) if drawn else ()
    return _decide(learn(scenario, book, particles=particles, now=day, more=more), (), None)


def weather_or_drift(
    scenario: Scenario,
    reading: ReadingRow | tuple[ReadingRow, ...],
    calibration: Calibration | None = None,
    *,
    bench: Bench | None = None,
    particles: int = PARTICLES,
    seed: int | None = None,
    drawn: bool = False,
) -> Decision:
    """Decide about today's reading (one or several of one day), with what earlier readings taught if there are any;
    drawn: with the action's path for a picture. bench: the scenario made ready up to the day (calibration.bench).

    Raises BadInput when no reading of the action or projection is among them."""
    new = reading if isinstance(reading, tuple) else (reading,)
    before = calibration.bench if calibration else BenchBook((), scenario.work)
    if not any(one.what.startswith("action") or one.what == "projection" for one in new):
        raise refusal('no reading of the action. Needed: action at the 12th fret or projection. Mend: "action=2.9 mm"')
    if not before.readings and all(one.what == "projection" for one in new):
        fault = "a projection alone, without an earlier one to compare it with"
        raise refusal(f'{fault}. Needed: the action, or earlier readings. Mend: --reading "action=2.9 mm"')
    book = before.with_more(BenchBook(new, before.work, (), before.file))
    when = max(one.date for one in new)
    more = moments_of_path(scenario.setup.setup, when) if drawn else ()
    posterior = learn(scenario, book, bench=bench, particles=particles, seed=seed, now=when, more=more)
    return _decide(posterior, new, calibration)


def _decide(posterior: Posterior, new: tuple[ReadingRow, ...], calibration: Calibration | None) -> Decision:
    scenario, found = posterior.bench.scenario, posterior.answers()
    standing = _standing(posterior, found, new)
    weighed = weigh(standing)
    known = _known_before(posterior, calibration)
    expected = posterior.expected(known)
    wrong = max((_wrong(posterior, expected, one) for one in new), default=0.0)
    words = _words_of(standing, weighed)
    then = words[weighed.best]
    chances = _told(weighed, wrong, words)
    said = MEASURE if _again(wrong, then) or wrong >= max(chances.values()) else then
    worth = {words[key]: option.worth_days for key, option in weighed.options.items() if not option.can_wait}
    close = tuple(word for word in worth if abs(worth[word] - worth[then]) <= CLOSE_DAYS)
    close = close if len(close) > 1 and said != MEASURE else ()
    own = [place for place, one in enumerate(posterior.readings) if one in new]
    chance = posterior.slips
    spacer = weighed.options.get("spacer")
    actions = [place for place in own if posterior.readings[place].what.startswith("action")]
    return Decision(
        scenario=scenario.name,
        day=posterior.asked.now,
        readings=new,
        said=said,
        then=then,
        without_air=words[weighed.best_of_work],
        close=close,
        chances=Frozen(chances),
        options=tuple(weighed.options[key] for key in ORDER if key in weighed.options),
        grade=spacer.spacer if spacer else "",
        due_mm=quantiles(_due(posterior, expected, actions[0])) if actions else None,
        read_mm=quantiles(found.action_now_mm),
        reference_mm=quantiles(found.action_reference_mm),
        season_mm=quantiles(found.action_now_mm - found.action_reference_mm),
        place_mm=float(np.median(found.action_next_mm - found.action_steady_mm)),
        steady_pct=scenario.setup.built_relative_humidity_pct,
        look_again_weeks=weeks_to_come_back(posterior.particles()),
        next_dry_mm=quantiles(found.action_dry_mm),
        next_damp_mm=quantiles(found.action_damp_mm),
        seasons_from=(posterior.asked.seasons[0].day, posterior.asked.seasons[1].day),
        rule_mm=(scenario.rule.action_low_mm, scenario.rule.action_high_mm),
        regrade_years=quantiles(found.regrade_years),
        turns=_turns(posterior, standing, known, expected, actions[0]) if actions and said == then else (),
        slip_probability=float(max(chance[own], default=0.0)),
        readings_before=len(posterior.readings) - len(own),
        relief_mm=None if any(one.what == "relief" for one in new) else _relief(found),
        path=action_path(posterior) if posterior.more else None,
    )


def _standing(posterior: Posterior, found: Answers, new: tuple[ReadingRow, ...]) -> Standing:
    """What the options rest on; a relief read today that is out of the usual counts for the truss rod."""
    scenario, usual = posterior.bench.scenario, library.general("bench_relief")
    relief = [one.value for one in new if one.what == "relief"]
    truss = 0.0
    if relief and abs(relief[-1] - usual.value) > usual.spread:
        truss = (usual.value - relief[-1]) * action_per_relief(posterior.bench.coefficients)
    return Standing(found, scenario, saddle_room_now_mm(scenario), fitted_lift_mm(scenario), truss)


def _relief(found: Answers) -> Points:
    """What the neck's relief would read today: as rods are set, and what bent the neck since set-up."""
    usual = library.general("bench_relief")
    low, middle, high = quantiles(found.relief_now_mm)
    more = usual.spread * NormalDist().inv_cdf(0.9)
    return (
        usual.value + middle - float(np.hypot(middle - low, more)),
        usual.value + middle,
        usual.value + middle + float(np.hypot(high - middle, more)),
    )


def _words_of(standing: Standing, weighed: Weighed) -> dict[str, str]:
    """The words the decision uses for the keys of ORDER. Better air goes the way that its draws need: against a mean
    that the place holds off, where that is more than half of the season's swing; else against where the season has it
    now; 'steady air' where drying it out now would only bring a dry season that is outside too."""
    found, rule = standing.found, standing.scenario.rule
    asks = weighed.needed == ORDER.index("air")
    asks = asks if asks.any() else np.ones_like(asks)
    damper = np.sign(np.median((found.action_damp_mm - found.action_dry_mm)[asks]))
    swing = float(np.median(np.abs(found.action_damp_mm - found.action_dry_mm)[asks])) / 2.0
    held = float(np.median((found.action_next_mm - found.action_steady_mm)[asks]))
    now = float(np.median((found.action_now_mm - found.action_steady_now_mm)[asks]))
    dry = float(np.median(found.action_dry_mm[asks]))
    if abs(held) > swing / 2.0:
        toward = "dry out" if held * damper > 0 else "humidify"
    elif now * damper <= 0:
        toward = "humidify"
    else:
        toward = "dry out" if rule.action_low_mm <= dry <= rule.action_high_mm else "steady air"
    return {key: {"air": toward, "spacer": "regrade"}.get(key, key) for key in ORDER}


def _told(weighed: Weighed, wrong: float, words: dict[str, str]) -> dict[str, float]:
    """Chances by the words the decision uses; those of nothing that is never asked for are left out."""
    told = {MEASURE: wrong} if wrong > 0.0 else {}
    told |= {words[key]: (1.0 - wrong) * share for key, share in weighed.chances().items()}
    return {word: share for word, share in told.items() if share > 0.0 or word == "leave"}


def _known_before(posterior: Posterior, calibration: Calibration | None) -> Array:
    """Particles of all that was known before today's reading: the earlier readings', else the prior's. Levels, which
    may be first told today, stay as they were drawn."""
    known = posterior.start.copy()
    if calibration is not None and calibration.bench.readings:
        before = calibration.sampled.normals
        rows = np.resize(np.arange(len(before)), len(known))
        for place, name in enumerate(posterior.layout.names):
            if name in calibration.names and not name.startswith("level_"):
                known[:, place] = before[rows, calibration.names.index(name)]
    return known


def _due(posterior: Posterior, expected: Array, place: int) -> Array:
    """Draws of what a reading was to be, mm: what the particles expect (particles, readings), with the doubt of
    weather, stays and tool."""
    random = np.random.default_rng([posterior.bench.scenario.seed, 43])
    doubt = float(np.sqrt(posterior.noise.own_doubt[place]))
    return np.asarray(expected[:, place] + doubt * random.standard_normal(len(expected)))


def _wrong(posterior: Posterior, expected: Array, reading: ReadingRow, by_mm: float = 0.0) -> float:
    """Probability that a reading is a slip, or that something happened to the guitar that nobody told, against a sound
    reading of what was to be expected; by Bayes' rule over the three. by_mm: had it read so much higher."""
    if reading not in posterior.readings:
        return 0.0
    place = posterior.readings.index(reading)
    off = reading.value + by_mm - expected[:, place]
    doubt, reach = float(np.sqrt(posterior.noise.own_doubt[place])), float(slip_reach((reading,))[0])
    told = {"action": 1.0, "projection": 2.0}.get(reading.what.split("_")[0], 0.0)  # how damage shows there
    share = library.general("bench_damage_share").value if told else 0.0
    damage = told * library.general("bench_damage_action").value
    sound = (1.0 - SLIP_SHARE - share) * _density(off, doubt)
    slip = SLIP_SHARE / (2.0 * reach)
    hurt = share * _density(off, float(np.hypot(doubt, damage)))
    return (slip + hurt) / (sound + slip + hurt + 1e-300)


def _density(off: Array, sd: float) -> float:
    return float(np.mean(np.exp(-0.5 * (off / sd) ** 2)) / (sd * np.sqrt(2.0 * np.pi)))


def _again(wrong: float, then: str) -> bool:
    """A reading so likely to be wrong is taken again: before any work, and where it is more likely wrong than right."""
    return wrong > 0.5 or (wrong >= DOUBTED and then in WORK)


def _turns(
    posterior: Posterior, standing: Standing, known: Array, expected: Array, place: int
) -> tuple[tuple[float, str], ...]:
    """The readings nearest to today's, below and above, at which the answer would be about to be another one: all moves
    with the reading as what was known before it says, until a reading is so far off that it would be taken again."""
    read, doubt = posterior.readings[place], float(np.sqrt(posterior.noise.own_doubt[place]))
    gains = gains_of(posterior.answers(known[:TURNED_BY]), expected[:TURNED_BY, place], doubt)
    found, own = [], _said_of(standing)
    for sign in (-1.0, 1.0):
        for step in np.arange(TURNED_STEP_MM, TURNED_MM, TURNED_STEP_MM):
            by_mm = sign * float(step)
            other = _said_of(standing.turned(by_mm, gains))
            other = MEASURE if _again(_wrong(posterior, expected, read, by_mm), other) else other
            if other != own:
                found.append((round(read.value + by_mm, 2), other))
                break
    return tuple(found)


def _said_of(standing: Standing) -> str:
    weighed = weigh(standing)
    return _words_of(standing, weighed)[weighed.best]
