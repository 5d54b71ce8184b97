"""What could be done today, each with its amount, what it is worth in days inside the rule over the years to come, and
in how many draws it is still right in a year.

In the order a bench goes by: leave it, better air, truss rod, saddle, spacer, other work. A draw asks for the one of
them that is worth most to it, so that the chances add up to one: days inside, season and drift counted, less what the
thing costs. So no neck is taken apart for a step to and fro."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from driftmodel.base import library
from driftmodel.base.records import Scenario
from driftmodel.base.schema import Array, Flags
from driftmodel.calibration.outcomes import Answers, quantiles
from driftmodel.outlook.calendar import grade_lifts_mm
from driftmodel.outlook.regrade import outside_rule

#: a regrade that falls due within this time is right to do now (common practice, no source)
SOON_YEARS = 1.0
#: what is done is judged by the days inside over this many years
AHEAD_YEARS = 3
#: the mean over the middle 90 days of half a cosine's wave, of its crest; and what of the season's swing is left in
#: air kept as at set-up: some 4 % of the 15 % either way (common practice, no source)
CREST, STEADY_SWING = 0.9, 0.25
#: share of what work wins from which better air comes first (common practice: what can be undone comes first)
AIR_FIRST = 0.5
#: share of what other work wins from which saddle or spacer is done in its place (common practice, no source)
LESSER = 0.75
#: share of what work costs that the coming year alone must win, else it waits; what a small job costs of a spacer's;
#: the least change of the saddle, mm (common practice, no source)
WAITING, LEAST_JOB, LEAST_CUT_MM = 0.5, 0.75, 0.2
PHASES = np.cos(np.pi * (np.arange(8) + 0.5) / 8)
ORDER = ("leave", "air", "truss rod", "saddle", "spacer", "other work")
WORK = ("saddle", "spacer", "other work")


@dataclass(frozen=True)
class Standing:
    """What the options rest on, for each draw: the answers, with what work added to the saddle's room, and what a
    reading of the relief would give back at the truss rod (mm of action; 0 where none was read)."""

    found: Answers
    scenario: Scenario
    room_mm: float
    fitted_lift_mm: float
    truss_action_mm: float = 0.0

    def turned(self, by_mm: float, gains: Mapping[str, float]) -> Standing:
        """The same guitar had today's reading been higher by so much: every answer moves by its gain on it."""
        found = self.found
        moved = {name: getattr(found, name) + gain * by_mm for name, gain in gains.items()}
        own = replace(found, **moved, regrade_years=np.full_like(found.regrade_years, np.inf))
        return replace(self, found=own)


def gains_of(before: Answers, expected_mm: Array, doubt_mm: float) -> dict[str, float]:
    """How much each answer moves with a reading: its regression, over the draws of what was known before, on what the
    reading was expected to be, doubted by so much (linear Bayes estimate)."""
    off = expected_mm - expected_mm.mean()
    spread = float(np.mean(off**2)) + doubt_mm**2
    names = [name for name in vars(before) if name not in ("regrade_years", "action_end_mm")]
    return {name: float(np.mean(getattr(before, name) * off)) / spread for name in names}


@dataclass(frozen=True)
class Option:
    """key: of ORDER. saddle_mm: + higher; spacer: a label; action_mm: what it does to the action. right_in_a_year: the
    share of all draws it keeps inside the rule, at the reference state, from now to a year on. days_a_year: expected
    days inside of 365, season counted, over AHEAD_YEARS; worth_days: those of all these years less what it costs.
    can_wait: it is work, and the coming year alone does not win WAITING of that: next year's reading will tell more.
    left_mm: saddle then left to lower. dry_mm, damp_mm: 10, 50 and 90 % points of the action over the next dry and damp
    season with it; dry_inside, damp_inside: share of the draws whose action is then inside the rule."""

    key: str
    right_in_a_year: float
    days_a_year: float
    worth_days: float
    can_wait: bool = False
    action_mm: float = 0.0
    saddle_mm: float = 0.0
    spacer: str = ""
    left_mm: float = 0.0
    dry_mm: tuple[float, float, float] = (0.0, 0.0, 0.0)
    damp_mm: tuple[float, float, float] = (0.0, 0.0, 0.0)
    dry_inside: float = 0.0
    damp_inside: float = 0.0


@dataclass(frozen=True)
class Weighed:
    """options by key, those that make sense; needed: for each draw the place in ORDER of the one worth most to it."""

    options: dict[str, Option]
    needed: NDArray[np.intp]

    def chances(self) -> dict[str, float]:
        """Share of the draws that ask for each, by key."""
        return {key: float(np.mean(self.needed == place)) for place, key in enumerate(ORDER)}

    @property
    def best(self) -> str:
        """What to do: better air where it wins AIR_FIRST of what the best wins: it can be undone, and work is then
        chosen for the air it will stand in; else as `best_of_work`."""
        left = self.options["leave"].worth_days
        most = max(option.worth_days for option in self.options.values() if not option.can_wait) - left
        air = self.options["air"].worth_days - left
        return "air" if air > 0.0 and air >= AIR_FIRST * most else self.best_of_work

    @property
    def best_of_work(self) -> str:
        """The same where the air stays as it is: what is worth most, work that can wait left out; but saddle or spacer
        in place of other work where they win LESSER of it; leave it where nothing wins anything."""
        left = self.options["leave"].worth_days
        won = {key: self.options[key].worth_days - left for key in ORDER[2:]
               if key in self.options and not self.options[key].can_wait}  # fmt: skip
        most = max(won, key=lambda key: won[key], default="leave")
        if not won or won[most] <= 0.0:
            return "leave"
        lesser = (key for key in won if won[key] >= LESSER * won[most])
        return next(lesser) if most == "other work" else most


def costs_days(cut_mm: float = 0.0) -> dict[str, float]:
    """What each costs, in days inside the rule. cut_mm: the change of the saddle, whose height is used up: as dear as a
    spacer's job from bench_saddle_step on, and never much cheaper: the guitar must come in for both."""
    job = library.general("job_worth_days").value
    saddle = job * max(LEAST_JOB, abs(cut_mm) / library.general("bench_saddle_step").value)
    named = {"air": "bench_air_worth_days", "truss rod": "bench_rod_worth_days", "other work": "bench_other_worth_days"}
    return {"leave": 0.0, "saddle": saddle, "spacer": job} | {
        key: library.general(name).value for key, name in named.items()
    }


@dataclass(frozen=True)
class _Way:
    """One thing done: what it adds to the action, to the saddle over the fret plane and to the saddle's height, mm."""

    action_mm: float = 0.0
    rise_mm: float = 0.0
    saddle_mm: float = 0.0
    spacer: str = ""
    steady: bool = False


def weigh(standing: Standing) -> Weighed:
    """Every option that makes sense, and what each draw asks for."""
    found, rule = standing.found, standing.scenario.rule
    ways = {"leave": _Way(), "air": _Way(steady=True)}
    if standing.truss_action_mm:
        ways["truss rod"] = _Way(standing.truss_action_mm)
    cut = _saddle(standing)
    if cut:
        ways["saddle"] = _Way(cut / 2.0, saddle_mm=cut)
    spacer = _spacer(standing)
    if spacer is not None:
        ways["spacer"] = spacer
    ways["other work"] = _Way(_back(standing), -_middle(found.saddle_rise_next_mm))
    inside = {key: days_inside(standing, way) for key, way in ways.items()}
    costs = costs_days(cut)
    first = {key: days[0] - inside["leave"][0] for key, days in inside.items()}  # what the coming year wins
    worth = np.full((len(ORDER), found.action_now_mm.size), -np.inf)
    for key, days in inside.items():
        asked = (key not in WORK) | (first[key] >= WAITING * costs[key])
        worth[ORDER.index(key)] = np.where(asked, days.sum(axis=0) - costs[key], -np.inf)
    left = standing.room_mm - float(np.median(found.saddle_rise_next_mm))
    options = {}
    for key, way in ways.items():
        action = _middle(found.action_steady_mm - found.action_next_mm) if way.steady else way.action_mm
        dry, damp = found.action_dry_mm + action, found.action_damp_mm + action
        if way.steady:
            dry = damp = found.action_steady_mm
        options[key] = Option(
            key,
            float(np.mean(_keeps(standing, way))),
            float(np.mean(inside[key])),
            float(np.mean(inside[key].sum(axis=0))) - costs[key],
            key in WORK and float(np.mean(first[key])) < WAITING * costs[key],
            action,
            way.saddle_mm,
            way.spacer,
            left + way.saddle_mm - way.rise_mm,
            quantiles(dry),
            quantiles(damp),
            *(float(np.mean((path >= rule.action_low_mm) & (path <= rule.action_high_mm))) for path in (dry, damp)),
        )
    return Weighed(options, worth.argmax(axis=0))


def days_inside(standing: Standing, way: _Way) -> Array:
    """Days inside the rule in each of AHEAD_YEARS and each draw, (years, draws): the season as a wave between the next
    dry and the next damp one, on a mean that drifts on as it does over the year to come."""
    found, rule = standing.found, standing.scenario.rule
    drift = found.action_next_mm - found.action_reference_mm
    rising = found.saddle_rise_next_mm - found.saddle_rise_reference_mm
    mean = found.action_steady_mm if way.steady else (found.action_dry_mm + found.action_damp_mm) / 2.0
    rise = (found.saddle_rise_steady_mm if way.steady else found.saddle_rise_next_mm) + way.rise_mm
    wave = (found.action_damp_mm - found.action_dry_mm) / 2.0 / CREST * (STEADY_SWING if way.steady else 1.0)
    days = np.zeros((AHEAD_YEARS, drift.size))
    for year in range(AHEAD_YEARS):
        action = (mean + year * drift + way.action_mm)[:, None] + wave[:, None] * PHASES
        room = standing.room_mm + way.saddle_mm - rise - year * rising >= rule.saddle_room_least_mm
        inside = (action >= rule.action_low_mm) & (action <= rule.action_high_mm) & room[:, None]
        days[year] = 365.0 * inside.mean(axis=1)
    return days


def _keeps(standing: Standing, way: _Way) -> Flags:
    """Draws it keeps inside the rule, at the reference state, now and in a year; of what is left as it is, those whose
    regrade is not due within SOON_YEARS."""
    found, rule, room = standing.found, standing.scenario.rule, standing.room_mm + way.saddle_mm
    if way.steady:
        return ~outside_rule(found.saddle_rise_steady_mm, found.action_steady_mm, room, rule)
    out = outside_rule(
        found.saddle_rise_reference_mm + way.rise_mm, found.action_reference_mm + way.action_mm, room, rule
    )
    out |= outside_rule(found.saddle_rise_next_mm + way.rise_mm, found.action_next_mm + way.action_mm, room, rule)
    return ~out & (found.regrade_years > SOON_YEARS) if way == _Way() else ~out


def _back(standing: Standing) -> float:
    """What brings the middle of the draws back to the action of set-up a year on, mm of action."""
    return standing.scenario.setup.action_12th_mm - _middle(standing.found.action_next_mm)


def _middle(values: Array) -> float:
    return float(np.median(values))


def _saddle(standing: Standing) -> float:
    """The change of the saddle, in tenths of a millimetre, that brings the middle of the draws back to the action of
    set-up a year on, as far as the saddle goes; 0 where there is nothing to do or no room."""
    found, scenario = standing.found, standing.scenario
    room = standing.room_mm - _middle(found.saddle_rise_next_mm) - scenario.rule.saddle_room_least_mm
    most_up = library.general("bench_saddle_raise").value
    change = float(np.round(np.clip(2.0 * _back(standing), -max(room, 0.0), most_up), 1)) + 0.0
    return change if abs(change) > LEAST_CUT_MM - 0.05 else 0.0


def _spacer(standing: Standing) -> _Way | None:
    """The spacer with most days inside; between equals the one nearest to the action of set-up. None where the set has
    no other than the one fitted."""
    scenario = standing.scenario
    best: tuple[tuple[float, float], _Way] | None = None
    for label, whole in zip(scenario.instrument.spacers.labels, grade_lifts_mm(scenario).tolist(), strict=True):
        lift = whole - standing.fitted_lift_mm
        if abs(lift) < 1e-9:
            continue
        way = _Way(lift / 2.0, lift, spacer=label)
        rank = (round(AHEAD_YEARS * float(np.mean(days_inside(standing, way)))), -abs(lift / 2.0 - _back(standing)))
        if best is None or rank > best[0]:
            best = rank, way
    return best[1] if best else None
