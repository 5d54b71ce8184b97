"""What nobody wrote down of a guitar's life: where it lived, when it was set up or moved; weighed by the readings.

Each way its life may have gone is a scenario of its own, likely to some share beforehand, learned from by itself. After
the readings it counts by that share times how probable they are under it (the evidence of its sampling), and the
answer is the mixture (Hoeting and others 1999, Statistical Science 14, 382-417, Eqs. 1 and 2).
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from datetime import date, timedelta
from itertools import product

import numpy as np

from driftmodel.base.errors import BadInput
from driftmodel.base.records import Climate, Scenario, Stay
from driftmodel.base.schema import Array
from driftmodel.calibration.bench import make_bench
from driftmodel.calibration.fit import Posterior, as_calibration, bands_of, learn
from driftmodel.calibration.records import BenchBook, Calibration

#: a day known to within a span stands for three, with these shares (Gauss and Legendre, three points)
DAYS_OF_SPAN = ((-np.sqrt(0.6), 5.0 / 18.0), (0.0, 8.0 / 18.0), (np.sqrt(0.6), 5.0 / 18.0))
#: lives that are weighed at most: each costs what one calibration does
MOST_LIVES = 30


@dataclass(frozen=True)
class Life:
    """One way the guitar's life may have gone: in words, and how likely before the readings."""

    home: str
    days: str
    scenario: Scenario
    before: float


@dataclass(frozen=True)
class Lives:
    """All of them after the readings: posteriors (as many particles each) and how likely each is, (lives,)."""

    lives: tuple[Life, ...]
    posteriors: tuple[Posterior, ...]
    weights: Array

    @property
    def likeliest(self) -> Posterior:
        """The posterior of the likeliest life."""
        return self.posteriors[int(np.argmax(self.weights))]

    def told_likeliest(self) -> Scenario:
        """The scenario of the likeliest life; its title says so where there are others."""
        scenario = self.likeliest.bench.scenario
        if len(self.lives) == 1:
            return scenario
        life, share = self.lives[int(np.argmax(self.weights))], 100 * float(self.weights.max())
        way = "; ".join(words for words in (life.home, life.days) if words)
        return replace(
            scenario, title=f"{scenario.title}: {way}, the likeliest of {len(self.lives)} ways ({share:.0f} in 100)"
        )

    def by(self, what: Callable[[Life], str]) -> tuple[tuple[str, float], ...]:
        """How likely each home (or each choice of days) is, likeliest first; empty where there is but one."""
        found: dict[str, float] = {}
        for life, weight in zip(self.lives, self.weights, strict=True):
            found[what(life)] = found.get(what(life), 0.0) + float(weight)
        return tuple(sorted(found.items(), key=lambda one: -one[1])) if len(found) > 1 else ()

    def calibration(self) -> Calibration:
        """The record: bands of all lives together, the rest of the likeliest."""
        bands = bands_of(self.posteriors, np.array([life.before for life in self.lives]), self.weights)
        homes, days = self.by(lambda life: life.home), self.by(lambda life: life.days)
        return replace(as_calibration(self.likeliest), bands=bands, homes=homes, days=days)


def lives_of(scenario: Scenario, homes: Sequence[Climate], book: BenchBook) -> tuple[Life, ...]:
    """The lives of a scenario: in each of several homes as the last one, each as likely, and on each of the days that
    its set-up and its moves may have been on; the set-up came before the first reading.

    Raises BadInput where there are more than MOST_LIVES."""
    settings = [(home.title.split(" (")[0], _at_home(scenario, home)) for home in homes] or [("", scenario)]
    spans = [scenario.setup.setup_within_days, *(stay.within_days for stay in scenario.stays[1:])]
    count = len(settings) * 3 ** sum(span > 0 for span in spans)
    if count > MOST_LIVES:
        raise BadInput(
            f"{count} ways the guitar's life may have gone: {len(settings)} homes, and days that are not known",
            f"at most {MOST_LIVES}: fewer homes, or fewer days known to within a span only",
            file=scenario.file or None,
            mend="leave out the smallest within_days",
        )
    first = min((one.date for one in book.readings), default=None)
    lives = []
    for (name, setting), choice in product(
        settings, product(*(DAYS_OF_SPAN if span else ((0.0, 1.0),) for span in spans))
    ):
        shifts = [round(float(place) * span) for (place, _), span in zip(choice, spans, strict=True)]
        share = float(np.prod([weight for _, weight in choice])) / len(settings)
        lives.append(Life(name, _days_words(setting, shifts), _shifted(setting, shifts, first), share))
    return tuple(lives)


def weigh_lives(
    lives: Sequence[Life],
    book: BenchBook,
    progress: Callable[[str], None] = lambda _: None,
) -> Lives:
    """Every life learned from, and how likely each is after the readings. Raises BadInput as `learn` does."""
    posteriors = []
    last = max(one.date for one in book.readings)
    for life in lives:
        bench = make_bench(life.scenario, last, book)
        posteriors.append(learn(life.scenario, book, bench=bench))
        progress(f"{len(posteriors)} of {len(lives)} ways its life may have gone")
    odds = np.log([life.before for life in lives]) + np.array([one.sampled.log_evidence for one in posteriors])
    weights = np.exp(odds - odds.max())
    return Lives(tuple(lives), tuple(posteriors), weights / weights.sum())


def _at_home(scenario: Scenario, home: Climate) -> Scenario:
    return replace(scenario, stays=(*scenario.stays[:-1], replace(scenario.stays[-1], climate=home)))


def _shifted(scenario: Scenario, shifts: list[int], first: date | None) -> Scenario:
    """The scenario with its set-up and its later stays so many days later, in order and before the first reading."""
    setup, stays = scenario.setup, [scenario.stays[0]]
    by = shifts[0] if first is None else min(shifts[0], (first - setup.setup).days - 1)
    at = setup.setup + timedelta(days=by)
    strung = setup.strung + timedelta(days=by)
    stays[0] = replace(stays[0], start=min(stays[0].start, strung))
    for stay, shift in zip(scenario.stays[1:], shifts[1:], strict=True):
        start = max(stay.start + timedelta(days=shift), stays[-1].start + timedelta(days=1))
        stays.append(Stay(start, stay.climate, stay.within_days))
    return replace(scenario, setup=replace(setup, setup=at, strung=strung), stays=tuple(stays))


def _days_words(scenario: Scenario, shifts: list[int]) -> str:
    told = [f"set up {scenario.setup.setup + timedelta(days=shifts[0])}"] if scenario.setup.setup_within_days else []
    told += [
        f"moved {stay.start + timedelta(days=shift)}"
        for stay, shift in zip(scenario.stays[1:], shifts[1:], strict=True)
        if stay.within_days
    ]
    return ", ".join(told)
