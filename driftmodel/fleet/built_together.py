"""What all instruments built in one month and living in one climate have in common, whatever their woods and design.

Lives in one climate begin in different months and see the same air from then on. The moisture lags are linear in the
state they start from, and wood forgets the air it has seen: each turning point of humidity is wiped out by a stronger
one (see wood.sorption). So a life is computed hour by hour from its build on until wood and air have forgotten the
start; from there on it is the climate's common path plus what is left of the difference, which decays at known rates.
Where nothing is forgotten within the horizon, all of it is computed hour by hour."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from datetime import date, timedelta
from functools import cached_property

import numpy as np

from driftmodel.base.errors import BadInput
from driftmodel.base.keeping import Memory, fingerprint
from driftmodel.base.records import Scenario, Stay
from driftmodel.base.schema import Array
from driftmodel.climate.history import climate_air, scenario_air
from driftmodel.outlook.calendar import day_of, horizon_days
from driftmodel.outlook.chain import air_fingerprint
from driftmodel.outlook.draws import is_held
from driftmodel.outlook.lasting import CreepHistory, creep_history, heat_of_days
from driftmodel.outlook.moisture import air_lags, lags_of
from driftmodel.outlook.movement import READING_STEP_DAYS, reference_change
from driftmodel.outlook.room_lags import RoomBasis, RoomRows, daily_rows, node_rows, room_basis, rows_from_node
from driftmodel.outlook.rooms import STEP_DAYS, outdoor_days, place_drivers
from driftmodel.outlook.wood_air import built_moisture, wood_air
from driftmodel.wood.diffusion import time_grid
from driftmodel.wood.sorption import TurningPoints, memory_at_middle

Air = tuple[Array, Array]  # hourly temperature in degC and relative humidity in %

#: days after its set-up at which the air of a life is asked whether it has forgotten its own start, and the days
#: it has to agree for; a case remembers longest, and a case humidifier may hide it for a season
ASKED_DAYS = (60, 240, 800, 3000)
AGREED_DAYS, AGREED_DAYS_IN_CASE = 7, 200
EVERY_DAYS = 10  # how often wood is asked
#: the slowest smoothing of the speed of moisture is 14 days: after so many it is forgotten to 6e-7
SPEED_DAYS = 200
SAME = 1e-4  # percent of humidity, K: far below what a day's reading shows
KEPT_LIVES, KEPT_PATHS = 24, 10  # in memory; 2 and 10 MB each for 30 years
MOST_LIVES, MOST_PATHS, MOST_SHORT = 60, 60, 400  # with many weather members
SHORT_HOURS = 24 * 800  # of air that stands in little memory


@dataclass(frozen=True)
class Life:
    """What the draws of one weather member are multiplied with, by reading step from set-up on.

    reference_pct: (lag, steps) change of the acting lags from set-up to the reference state; creep: what creep needs,
    at the readings; rooms: what the rows after the lags stand for, houses of a climate being unlike one another."""

    reference_pct: Array
    creep: CreepHistory
    rooms: RoomRows | None = None


@dataclass(frozen=True)
class _Path:
    """Hourly air, its daily means of humidity and heat of its days, and the lags of it from `start` on: lags_pct (lag,
    days + 1); spent: (2, days + 1) days of moisture movement at the reference speed, of thin and thick parts."""

    start: date
    air: Air
    humid_pct: Array
    heat: Array
    lags_pct: Array
    spent: Array
    time_constants_days: Array


_lives: Memory[Life] = Memory(KEPT_LIVES)
_paths: Memory[tuple[_Path | None]] = Memory(KEPT_PATHS)
_airs: Memory[Air] = Memory(8)
_short_airs: Memory[Air] = Memory(KEPT_LIVES)
_rows: Memory[tuple[RoomRows, Array, Array, Array]] = Memory(KEPT_PATHS)


def lives_of(scenario: Scenario) -> Callable[[int], Life]:
    """The life of each weather member of a scenario: quick where it has two stays, the workshop and the place it is
    sold to; hour by hour where it goes on from there.

    Raises BadInput as climate.history.scenario_air does."""
    members = scenario.weather_members
    _lives.hold(min(4 * members, MOST_LIVES))
    for kept in (_paths, _rows, _airs):  # else each cell would make anew what the one before it made
        kept.hold(min(2 * members, MOST_PATHS))
    _short_airs.hold(min(24 * members, MOST_SHORT))  # workshops in twelve months, and what is asked of the place
    mark, place = fingerprint(scenario.setup.strung, air_fingerprint(scenario, 0)), _Place(scenario)
    return lambda member: _lives.of(f"{mark} {member}", lambda: _life(scenario, member, place))


class _Place:
    """What all lives of a year share in the place they are sold to, from the year's first day on."""

    def __init__(self, scenario: Scenario) -> None:
        place, begin = scenario.stays[-1].climate, date(scenario.setup.setup.year, 1, 1)
        self.scenario = replace(scenario, stays=(Stay(begin, place),), setup=replace(scenario.setup, setup=begin))
        self.days = horizon_days(scenario) + 366

    @cached_property
    def mark(self) -> str:
        return air_fingerprint(self.scenario, 0)

    @cached_property
    def basis(self) -> RoomBasis | None:
        return room_basis(self.scenario.stays[0].climate, self.scenario, time_grid())

    def path(self, member: int) -> _Path | None:
        """None where the climate has no air for it."""
        stay, seed = self.scenario.stays[0], self.scenario.seed

        def make() -> tuple[_Path | None]:
            try:
                air = _stay_air(stay, 24 * self.days, member, seed)
            except BadInput:
                return (None,)  # the life's own air says what is wrong, if it is
            return (_path(self.scenario, stay.start, air),)

        return _paths.of(f"{self.mark} {member}", make)[0]


def _life(scenario: Scenario, member: int, place: _Place) -> Life:
    common = place.path(member) if len(scenario.stays) == 2 else None
    if len(scenario.stays) > 2:
        air = scenario_air(scenario, member)
        whole = air_lags(air, scenario, rooms=True)
        lags, heat, rooms = whole.lags_pct, heat_of_days(air["air_temperature"].values), whole.rooms
    else:
        lags, heat = _lags(scenario, member, common)
        found = None if common is None else _room_rows(scenario, member, lags.shape[1] - 1, place, common)
        rooms = None if found is None else found[0]
        if found is not None:
            lags = np.concatenate([lags, found[1]])
    readings = np.arange(day_of(scenario, scenario.setup.setup), lags.shape[1], READING_STEP_DAYS)
    creep = replace(creep_history(scenario, lags, heat, readings), lags_pct=np.empty((len(lags), 0)))  # days are let go
    return Life(reference_change(scenario, lags, rooms), creep, rooms)


def _room_rows(
    scenario: Scenario, member: int, days: int, place: _Place, common: _Path
) -> tuple[RoomRows, Array] | None:
    """Rows that tell the houses of the place from its median house, from set-up on; None where no house is drawn."""
    stay = scenario.stays[-1]
    if is_held(stay.climate):
        return None
    grid, basis = common.time_constants_days, place.basis
    if basis is None:
        return None
    rooms, told, drivers, spent = _place_rows(place, member, common, basis)
    step = -(-(stay.start - common.start).days // STEP_DAYS)
    first = (common.start - scenario.stays[0].start).days + STEP_DAYS * step
    steps = (days - first) // STEP_DAYS
    if steps < 2:
        return None
    own = rows_from_node(told[:, : step + steps + 1], basis, drivers, spent[:, : step + steps], grid, step)
    return rooms, daily_rows(own, first + STEP_DAYS * np.arange(steps + 1), days)


def _place_rows(place: _Place, member: int, common: _Path, basis: RoomBasis) -> tuple[RoomRows, Array, Array, Array]:
    """The rows that tell a climate's houses apart every STEP_DAYS of the common path, what drives them, (few, 2,
    step + 1), and days of moisture movement in each step, of thin and thick parts (2, step): for all lives in it."""
    climate = place.scenario.stays[0].climate

    def make() -> tuple[RoomRows, Array, Array, Array]:
        days = place.days // STEP_DAYS * STEP_DAYS
        outdoors = outdoor_days(climate, common.start, days, member=member, seed=place.scenario.seed)
        drivers = place_drivers(climate, place.scenario, basis.few, *outdoors)
        spent = np.diff(common.spent[:, : days + 1], axis=1).reshape(2, -1, STEP_DAYS).sum(axis=2)
        return *node_rows([(basis, drivers)], spent, common.time_constants_days), drivers, spent

    return _rows.of(f"{place.mark} {member}", make)


def _lags(scenario: Scenario, member: int, common: _Path | None) -> tuple[Array, Array]:
    """Lags (lag, days + 1) over the scenario's whole history, and the heat of its days (days,)."""
    begin = scenario.stays[0].start
    moved = day_of(scenario, scenario.stays[-1].start)
    whole = day_of(scenario, scenario.setup.setup) + horizon_days(scenario)
    if common is not None and (own := _own_air(scenario, member, common, moved, whole)):
        behind = (common.start - begin).days  # of the life's start, or before it where it is negative
        known = _forgotten_day(scenario, common, own, moved)
        if known < whole:
            here = own[0].size // 24
            if known > here:
                later = slice(24 * (here - behind), 24 * (known - behind))
                own = (np.append(own[0], common.air[0][later]), np.append(own[1], common.air[1][later]))
            path = _path(scenario, begin, (own[0][: 24 * known], own[1][: 24 * known]))
            heat = np.append(path.heat, common.heat[known - behind : whole - behind])
            return _joined(path, common, behind, whole), heat
    path = _path(scenario, begin, _air(scenario, member, whole))
    return path.lags_pct, path.heat


def _own_air(scenario: Scenario, member: int, common: _Path, moved: int, whole: int) -> Air | None:
    """The life's own air until it is the common path's, None where it never is. moved: day of the move. A room has
    stood in its outdoor air for longer than it remembers (see climate.place_air), so its air knows no start; a case,
    and a room at the begin of its record, are asked."""
    climate = scenario.stays[-1].climate
    outdoor = climate.outdoor
    if climate.case is None and outdoor is not None and outdoor.logger is None:
        return _air(scenario, member, moved)
    since = (scenario.stays[-1].start - common.start).days
    for asked in ASKED_DAYS:
        agreed = AGREED_DAYS if climate.case is None else AGREED_DAYS_IN_CASE
        if asked <= agreed or moved + asked > whole:
            continue
        own = _air(scenario, member, moved + asked)
        window = slice(24 * (since + asked - agreed), 24 * (since + asked))
        last = slice(-24 * agreed, None)
        if all(np.abs(mine[last] - its[window]).max() <= SAME for mine, its in zip(own, common.air, strict=True)):
            return own
    return None


def _air(scenario: Scenario, member: int, days: int) -> Air:
    """Temperature and humidity (hour,) over the first `days` days of the scenario."""
    pieces = []
    starts = [stay.start for stay in scenario.stays]
    end = starts[0] + timedelta(days=days)
    for stay, until in zip(scenario.stays, [*starts[1:], end], strict=True):
        hours = 24 * (min(until, end) - stay.start).days
        if hours > 0:
            pieces.append(_stay_air(stay, hours, member, scenario.seed))
    temperature, humidity = (np.concatenate(each) for each in zip(*pieces, strict=True))
    return temperature, humidity


def _stay_air(stay: Stay, hours: int, member: int, seed: int) -> Air:
    """The same for other woods in it."""

    def make() -> Air:
        found = climate_air(stay.climate, stay.start, hours, member=member, seed=seed)
        return found["air_temperature"].values, found["relative_humidity"].values

    kept = _airs if hours > SHORT_HOURS else _short_airs
    return kept.of(fingerprint(stay, hours, member, seed), make)


def _path(scenario: Scenario, start: date, air: Air) -> _Path:
    emc, speeds = wood_air(*air, scenario)
    lags = lags_of(emc, speeds, built_moisture(scenario))
    spent = np.stack([np.append(0.0, np.cumsum(_daily(speed))) for speed in speeds])
    return _Path(start, air, _daily(air[1]), heat_of_days(air[0]), lags.lags_pct, spent, lags.time_constants_days)


def _daily(hourly: Array) -> Array:
    return np.asarray(hourly.reshape(-1, 24).mean(axis=1))


def _forgotten_day(scenario: Scenario, common: _Path, own: Air, moved: int) -> int:
    """Day of the life from which on its wood and that of the common path remember the same and move moisture alike;
    a day past the end when there is none. own: its air until it is the common path's."""
    mine_pct = _daily(own[1])
    here = mine_pct.size
    if not scenario.hysteresis:
        return here + SPEED_DAYS
    since = (scenario.stays[-1].start - common.start).days
    its_pct = common.humid_pct[since:]
    memory = memory_at_middle(scenario.setup.built_relative_humidity_pct)
    mine, its = TurningPoints(memory), TurningPoints(memory)
    mine.pass_through(mine_pct.tolist())
    its.pass_through(common.humid_pct[: since + here - moved].tolist())
    for day in range(here - moved, its_pct.size, EVERY_DAYS):
        if mine.alike(its, SAME):
            return moved + day + SPEED_DAYS
        for each in (mine, its):
            each.pass_through(its_pct[day : day + EVERY_DAYS].tolist())
    return moved + its_pct.size + 1


def _joined(own: _Path, common: _Path, behind: int, whole: int) -> Array:
    """The own lags, and from their end on the common ones plus what is left of the difference."""
    known = own.lags_pct.shape[1] - 1
    lags = np.empty((own.lags_pct.shape[0], whole + 1))
    lags[:, : known + 1] = own.lags_pct
    here = known - behind
    lags[:, known + 1 :] = common.lags_pct[:, here + 1 : whole - behind + 1]
    gap = own.lags_pct[:, known] - common.lags_pct[:, here]
    since = common.spent[:, here + 1 : whole - behind + 1] - common.spent[:, [here]]
    for lag, left in enumerate(gap.tolist()):
        if abs(left) > 1e-12:
            tau = common.time_constants_days[lag % common.time_constants_days.size]
            spent = since[lag // common.time_constants_days.size]
            until = int(np.searchsorted(spent, 45.0 * tau))  # e^-45 of it is nothing
            lags[lag, known + 1 : known + 1 + until] += left * np.exp(-spent[:until] / tau)
    return lags
