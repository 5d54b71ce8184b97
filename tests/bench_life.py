"""Ten years of a bench with invented guitars whose truth it does not know: the tool's decision against four simple
policies, on the same guitars, weather and readings.

The truth is the full chain by the hour of `other_truths` (unknowns wider than the prior, other weather), once in its
own air and once in better air, held between 45 and 50 %. It is read once a year, in February and August by turns
(every other guitar in May and November), with the tool's doubt and a slip in twenty. Spacers and saddle move it by
their geometry. Half the owners do as they are told about the air. All invented."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass, field, replace
from datetime import date, timedelta

import numpy as np
from other_truths import World, guitars

from driftmodel.base.climate_file import Humidifier
from driftmodel.base.records import Climate, Scenario, Stay, WorkDone
from driftmodel.calibration.bench import Bench, make_bench
from driftmodel.calibration.decide import MEASURE, Decision, weather_or_drift
from driftmodel.calibration.records import BenchBook, ReadingRow
from driftmodel.calibration.shown import calibrate
from driftmodel.outlook.calendar import grade_lifts_mm

YEARS, SLIPS, SD_MM, OBEY = 10, 0.05, 0.05, 0.5
AIRED_IN_DAYS = 60  # until the wood has followed better air
PARTICLES = 400
AIR = ("humidify", "dry out", "steady air")


def better_air(climate: Climate) -> Climate:
    """The same house, held between 45 and 50 %."""
    assert climate.room is not None
    held = replace(climate.room, dehumidified_to_pct=50.0)
    return replace(climate, name="better", room=held, humidifier=Humidifier(45.0, 50.0, tuple(range(1, 13))), case=None)


@dataclass(frozen=True)
class Truth:
    """One guitar: its daily action (mm) untouched, as it lives and in better air; visits as days since set-up, the
    slip and the noise of each visit's reading, and whether the owner does as told about the air."""

    scenario: Scenario
    as_is_mm: np.ndarray
    better_mm: np.ndarray
    visits: tuple[int, ...]
    noise_mm: np.ndarray
    obeys: bool


def truths(scenario: Scenario, count: int, seed: int, world: World | None = None) -> Iterator[Truth]:
    scenario = replace(scenario, horizon_years=YEARS + 1)
    last = scenario.stays[-1]
    aired = replace(scenario, stays=(*scenario.stays[:-1], replace(last, climate=better_air(last.climate))))
    never = replace(world or World(), stays=0.0, slips=0.0, swaps=0.0)
    pairs = zip(*(guitars(each, count, lambda _: (30,), seed, never) for each in (scenario, aired)), strict=True)
    for number, (own, better) in enumerate(pairs):
        random = np.random.default_rng([seed, number, 7])
        first = scenario.setup.setup
        months = (2, 8) if number % 2 else (5, 11)
        days = [date(first.year + 1 + year, months[year % 2], 1) for year in range(YEARS)]
        visits = tuple((day - first).days + int(random.integers(28)) for day in days)
        slip = (random.random(len(visits)) < SLIPS) * random.choice([-1.0, 1.0], len(visits))
        noise = SD_MM * random.standard_normal(len(visits)) + slip * random.uniform(0.3, 2.0, len(visits))
        yield Truth(scenario, own.action_mm, better.action_mm, visits, noise, bool(random.random() < OBEY))


@dataclass
class Life:
    """A guitar under one policy, as it goes along. shift_mm: what work has done to the action by now; said: at each
    visit the day, the answer and the reading."""

    truth: Truth
    shift_mm: float = 0.0
    spacer: str = ""
    saddle_mm: float = 0.0
    aired: int | None = None
    told_air: bool = False
    jobs: int = 0
    resets: int = 0
    said: list[tuple[int, str, float]] = field(default_factory=list)
    rows: list[ReadingRow] = field(default_factory=list)
    work: list[WorkDone] = field(default_factory=list)
    shifts: list[tuple[int, float]] = field(default_factory=list)

    @property
    def rule(self) -> tuple[float, float]:
        return self.truth.scenario.rule.action_low_mm, self.truth.scenario.rule.action_high_mm

    @property
    def target(self) -> float:
        return self.truth.scenario.setup.action_12th_mm

    def natural(self) -> np.ndarray:
        days = np.arange(self.truth.as_is_mm.size)
        if self.aired is None:
            return self.truth.as_is_mm
        share = np.clip((days - self.aired) / AIRED_IN_DAYS, 0.0, 1.0)
        return self.truth.as_is_mm + share * (self.truth.better_mm - self.truth.as_is_mm)

    def day(self, at: int) -> date:
        return self.truth.scenario.setup.setup + timedelta(days=at)

    def read(self, visit: int, *, again: bool = False) -> ReadingRow:
        at = self.truth.visits[visit]
        noise = SD_MM * np.random.default_rng([visit, 5]).standard_normal() if again else self.truth.noise_mm[visit]
        value = float(self.natural()[at] + self.shift_mm + noise)
        return ReadingRow(self.day(at), "action", max(value, 0.1), SD_MM, "feeler gauge", row=2 * visit + 1 + again)

    def air(self, at: int) -> None:
        self.told_air = True
        if self.truth.obeys and self.aired is None:
            self.aired = at

    def shift(self, at: int, by_mm: float) -> None:
        self.shift_mm += by_mm
        self.shifts.append((at, by_mm))

    def lifts(self) -> dict[str, float]:
        scenario = self.truth.scenario
        return dict(zip(scenario.instrument.spacers.labels, grade_lifts_mm(scenario).tolist(), strict=True))

    def fit(self, at: int, label: str) -> None:
        fitted = self.spacer or self.truth.scenario.setup.spacer
        if label == fitted:
            return
        self.shift(at, (self.lifts()[label] - self.lifts()[fitted]) / 2.0)
        self.spacer, self.jobs = label, self.jobs + 1
        self.work.append(WorkDone(self.day(at), spacer=label, words=f"spacer {label}", order=1000.0))

    def cut(self, at: int, by_mm: float) -> None:
        self.shift(at, by_mm / 2.0)
        self.saddle_mm, self.jobs = self.saddle_mm + by_mm, self.jobs + 1
        self.work.append(WorkDone(self.day(at), saddle_mm=by_mm, words=f"saddle {by_mm:+.1f} mm", order=1000.0))

    def reset(self, at: int) -> None:
        """Other work: the neck is set anew to the action of set-up, as the day's action stands."""
        self.shift(at, self.target - float(self.natural()[at] + self.shift_mm))
        self.resets += 1
        self.work.append(WorkDone(self.day(at), anew=True, words="anew: neck reset", order=1000.0))

    def fit_for(self, at: int, action_mm: float) -> None:
        """The spacer that brings an action nearest to that of set-up; other work where none brings it inside."""
        now = self.lifts()[self.spacer or self.truth.scenario.setup.spacer]
        off = {label: abs(action_mm + (lift - now) / 2.0 - self.target) for label, lift in self.lifts().items()}
        best = min(off, key=lambda label: off[label])
        if self.rule[0] <= action_mm + (self.lifts()[best] - now) / 2.0 <= self.rule[1]:
            self.fit(at, best)
        else:
            self.reset(at)

    def outside(self, action_mm: float) -> bool:
        return not self.rule[0] <= action_mm <= self.rule[1]

    def days_inside(self) -> float:
        """Share of the ten years' days inside the rule."""
        path = self.natural()[: round(365.25 * YEARS)].copy()
        for at, by in self.shifts:
            path[at:] += by
        return float(np.mean((path >= self.rule[0]) & (path <= self.rule[1])))


Policy = Callable[[Life, int], None]


def todays_reading(life: Life, visit: int) -> None:
    """The spacer that suits today's reading best, whenever it is a step and more from the one fitted."""
    row = life.read(visit)
    steps = np.diff(sorted(life.lifts().values())).mean() / 2.0
    if abs(row.value - life.target) > steps:
        life.fit_for(life.truth.visits[visit], row.value)


def yearly_mean(life: Life, visit: int) -> None:
    """The mean of the last two readings, a dry and a damp one, carried over the work between; work where it is
    outside."""
    row = life.read(visit)
    life.rows.append(row)
    at = life.truth.visits
    if visit == 0:
        return
    since = sum(by for day, by in life.shifts if at[visit - 1] <= day < at[visit])
    mean = (life.rows[-1].value + life.rows[-2].value + since) / 2.0
    if life.outside(mean):
        life.fit_for(at[visit], mean)


def wait_until_outside(life: Life, visit: int) -> None:
    """Nothing until a reading is outside; then the spacer that suits it."""
    row = life.read(visit)
    if life.outside(row.value):
        life.fit_for(life.truth.visits[visit], row.value)


def air_first(life: Life, visit: int) -> None:
    """Better air at the first reading outside; from then on as the one that waits."""
    row = life.read(visit)
    if not life.outside(row.value):
        return
    if life.told_air:
        life.fit_for(life.truth.visits[visit], row.value)
    else:
        life.air(life.truth.visits[visit])


def the_tool(life: Life, visit: int) -> None:
    """What `grade` says, with a reading taken again where it says so; air asked for in vain is not asked for twice."""
    row, at = life.read(visit), life.truth.visits[visit]
    told = tool_says(life, row)
    if told.said == MEASURE:
        life.rows.append(row)
        row = life.read(visit, again=True)
        told = tool_says(life, row)
    life.rows.append(row)
    life.said.append((at, told.said, row.value))
    said = told.then if told.said == MEASURE else told.said
    if said in AIR:
        if not life.told_air:
            return life.air(at)
        said = told.without_air
    if said == "regrade":
        life.fit(at, told.grade)
    elif said == "saddle":
        life.cut(at, told.option("saddle").saddle_mm)  # type: ignore[union-attr]
    elif said == "other work":
        life.reset(at)


def tool_says(life: Life, row: ReadingRow) -> Decision:
    scenario = life.truth.scenario
    if life.aired is not None:
        better = Stay(life.day(life.aired), better_air(scenario.stays[-1].climate))
        scenario = replace(scenario, stays=(*scenario.stays, better))
    book = BenchBook(tuple(life.rows), tuple(life.work))
    made = ready(life)
    scenario = replace(book.carried_by(scenario, row.date), horizon_years=made.scenario.horizon_years)
    bench = replace(made, scenario=scenario, until=row.date)
    known = calibrate(scenario, book, bench=bench, particles=PARTICLES // 2) if book.readings else None
    return weather_or_drift(scenario, row, known, bench=bench, particles=PARTICLES)


READY: dict[tuple[str, int | None], Bench] = {}


def ready(life: Life) -> Bench:
    """The scenario made ready for all ten years, once for all guitars that live in the same air."""
    scenario = life.truth.scenario
    key = scenario.name, life.aired
    if key not in READY:
        if life.aired is not None:
            better = Stay(life.day(life.aired), better_air(scenario.stays[-1].climate))
            scenario = replace(scenario, stays=(*scenario.stays, better))
            READY.pop(next((one for one in READY if one[1] is not None), key), None)
        READY[key] = make_bench(replace(scenario, horizon_years=YEARS + 5), life.day(life.truth.visits[-1]))
    return READY[key]


POLICIES: dict[str, Policy] = {
    "the tool": the_tool,
    "today's reading": todays_reading,
    "yearly mean": yearly_mean,
    "nothing until outside": wait_until_outside,
    "better air first": air_first,
}


def live(truth: Truth, policy: Policy) -> Life:
    life = Life(truth)
    for visit in range(len(truth.visits)):
        policy(life, visit)
    return life
