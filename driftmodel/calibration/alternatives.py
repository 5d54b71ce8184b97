"""What nobody wrote down of a guitar's life: where it lived, when it was set up or moved; weighed by the readings.

Each way its life may have gone is a scenario of its own, likely to some share beforehand, learned from by itself. After
the readings it counts by that share times how probable they are under it (the evidence of its sampling), and the
answer is the mixture (Hoeting and others 1999, Statistical Science 14, 382-417, Eqs. 1 and 2)."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from datetime import date, timedelta
from itertools import product

import numpy as np

from driftmodel.base.errors import Spot
from driftmodel.base.records import Climate, Scenario, Stay
from driftmodel.base.schema import Array, Dataset, Frozen
from driftmodel.calibration.fit import Posterior, draws_of, learn
from driftmodel.calibration.records import BenchBook, Calibration
from driftmodel.calibration.shown import as_calibration, bands_of
from driftmodel.outlook.chain import Days, LagCache
from driftmodel.outlook.draws import Draws
from driftmodel.outlook.moisture import Lags

#: a day known to within a span stands for three, with these shares (Gauss and Legendre, three points)
DAYS_OF_SPAN = ((-np.sqrt(0.6), 5.0 / 18.0), (0.0, 8.0 / 18.0), (np.sqrt(0.6), 5.0 / 18.0))
#: lives that are weighed at most: each costs what one calibration does; the least likely that a forecast shows
MOST_LIVES, LEAST_SHARE = 30, 0.02


@dataclass(frozen=True)
class Life:
    """One way the guitar's life may have gone: in words, and how likely before the readings."""

    home: str
    days: str
    scenario: Scenario
    before: float


class DealtWeathers(LagCache):
    """Weathers of several lives: each scenario's member that draws of the forecast's member 1, 2 and so on live in."""

    def __init__(self, lives: Sequence[tuple[Scenario, int]]) -> None:
        self._lives, self._own = tuple(lives), LagCache(len(lives))

    def air(self, scenario: Scenario, member: int) -> Dataset:
        return self._own.air(*self._lives[member - 1])

    def of(self, scenario: Scenario, member: int) -> tuple[Lags, Days]:
        return self._own.of(*self._lives[member - 1])


def together(dealt: Sequence[Draws]) -> Draws:
    """Draws of several lives as one ensemble, their weathers numbered on from 1; an unknown that a life does not have
    stands at its middle."""
    names = dict.fromkeys(name for own in dealt for name in own.values)
    values = {name: np.concatenate([own.values.get(name, np.ones(own.count)) for own in dealt]) for name in names}
    member, last = [], 0
    for own in dealt:
        member.append(last + 1 + np.unique(own.member, return_inverse=True)[1])
        last = int(member[-1].max())
    return Draws(Frozen(values), np.concatenate([own.set_up_error_mm for own in dealt]), np.concatenate(member))


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

    def ahead(self) -> tuple[Scenario, Draws, LagCache | None]:
        """What a forecast of them all is made from: the scenario of the likeliest, its title saying so; the draws,
        dealt over the lives by their weights; and the weathers, each that of the life its draws live. Lives of another
        day of set-up, which no forecast holds beside it, and all but impossible ones are left out."""
        first, scenario = int(np.argmax(self.weights)), self.likeliest.bench.scenario
        if len(self.lives) == 1:
            return scenario, draws_of(self.likeliest), None
        alike = [one.bench.scenario.setup == scenario.setup for one in self.posteriors]
        shares = np.where(alike & (self.weights >= LEAST_SHARE), self.weights, 0.0)
        shares /= shares.sum()
        shown = sorted(np.flatnonzero(shares), key=lambda place: -shares[place])
        total = len(self.likeliest.sampled.normals)
        dealt = [draws_of(self.posteriors[one], max(round(total * shares[one]), 1), shares[one]) for one in shown]
        weathers = [
            (self.posteriors[one].bench.scenario, int(member))
            for one, own in zip(shown, dealt, strict=True)
            for member in np.unique(own.member)
        ]
        life, share = self.lives[first], 100 * float(self.weights[first])
        way = "; ".join(words for words in (life.home, life.days) if words)
        more = f" and {len(shown) - 1} more" if len(shown) > 1 else ""
        title = f"{scenario.title}: {way} ({share:.0f} in 100){more} of {len(self.lives)} ways its life may have gone"
        return replace(scenario, title=title), together(dealt), DealtWeathers(weathers)

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
        raise Spot(scenario.file or None).refusal(
            f"{count} ways the guitar's life may have gone: {len(settings)} homes, and days that are not known. "
            f"Needed: at most {MOST_LIVES}: fewer homes, or fewer days known to within a span only. "
            "Mend: leave out the smallest within_days"
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


def weigh_lives(lives: Sequence[Life], book: BenchBook, progress: Callable[[str], None] = lambda _: None) -> Lives:
    """Every life learned from, and how likely each is after the readings. Raises BadInput as `learn` does."""
    posteriors = []
    for life in lives:
        posteriors.append(learn(life.scenario, book))
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
