"""A scenario made ready for readings: what its parts did by given moments, in this weather and in others."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from datetime import date
from math import pi

import numpy as np

from driftmodel.base import library
from driftmodel.base.build import Brace
from driftmodel.base.keeping import Memory, fingerprint
from driftmodel.base.records import Instrument, Scenario, WorkDone
from driftmodel.base.schema import PARTS, Array, Dataset
from driftmodel.calibration.drives import NOON, Drive, Moment, RoomDrive, drive_of, room_drive, states_at
from driftmodel.calibration.moments import (
    HELD,
    ROOM_SHAPES,
    ROWS,
    AtMoments,
    CreepAtMoments,
    Table,
    creep_at,
    creep_path,
    make_table,
    middle_creep,
    packed,
    with_rooms,
)
from driftmodel.calibration.records import BenchBook, ReadingRow
from driftmodel.calibration.work import moment_of, truss_rod_turns
from driftmodel.climate.place_air import is_measured
from driftmodel.outlook.calendar import day_of, reaching, reference_state, with_work
from driftmodel.outlook.chain import LagCache, air_fingerprint
from driftmodel.structure.joint import pivot_of
from driftmodel.structure.records import Coefficients
from driftmodel.structure.response import design_response

#: other weathers the past may have had, unless a logger measured it: fewer for a long past
OTHER_WEATHERS, OTHER_YEARS = (10, 24), 120
#: weathers that creep is the middle of: it answers the extremes met, which a typical year has but one of
CREEP_WEATHERS = 3
#: days after the last reading that are asked about
ASKED_DAYS = 550


@dataclass(frozen=True)
class Bench:
    """One scenario made ready: response of the design, its table, the history of member 0 to the horizon, and other
    weathers of the past."""

    scenario: Scenario
    until: date
    coefficients: Coefficients
    grams_per_pct: Mapping[str, float]
    table: Table
    drive: Drive
    rooms: RoomDrive | None
    creep: CreepAtMoments
    others: tuple[Drive, ...]
    past_weather: str


#: the last ones made: the next reading of the same day, or with wood's memory and without
_benches: Memory[Bench] = Memory(2)
#: their hourly air, the same for wood with memory and without
_airs = LagCache(OTHER_WEATHERS[1] + 1)


def make_bench(
    scenario: Scenario, until: date, book: BenchBook | None = None, weathers: tuple[int, int] = OTHER_WEATHERS
) -> Bench:
    """Make a scenario ready for readings up to `until` and for what is asked about the year after.

    Where the air of the past is a logger's it is taken as it stands. Elsewhere it comes from a typical year, and the
    weather that was really there is not known: seeded members with days of their own say what it may have been, at
    least and at most so many `weathers`."""
    if book is not None:
        scenario = with_work(scenario, book.work)
    scenario = reaching(scenario, until)
    key = fingerprint(scenario, until, weathers, air_fingerprint(scenario, 0))
    return _benches.of(key, lambda: _made(scenario, until, weathers))


def _made(scenario: Scenario, until: date, weathers: tuple[int, int]) -> Bench:
    def walked(of: Scenario, member: int) -> Dataset:
        return _airs.air(replace(of, hysteresis=True), member)

    air = walked(scenario, 0)
    drive = drive_of(air, scenario)
    coefficients, table = design_response(scenario.instrument), make_table(scenario)
    rooms = room_drive(air, drive, scenario)
    ends = [stay.start for stay in scenario.stays[1:]]
    lived = [(stay, end) for stay, end in zip(scenario.stays, [*ends, until], strict=True) if stay.start <= until]
    measured = all(is_measured(stay.climate, stay.start, min(end, until)) for stay, end in lived)
    others: tuple[Drive, ...] = ()
    creep = [creep_path(scenario, coefficients, drive.lags, air["air_temperature"].values, table)]
    if not (measured and all(stay.climate.logger_file for stay in scenario.stays)):
        days = (until - scenario.setup.setup).days + ASKED_DAYS
        years = min(scenario.horizon_years, -(-days // 365))
        short = replace(scenario, horizon_years=years)
        count = int(np.clip(OTHER_YEARS // years, *weathers))
        whole = [walked(scenario, member) for member in range(1, CREEP_WEATHERS + 1)]
        drives = [drive_of(one, scenario) for one in whole]
        creep = [
            creep_path(scenario, coefficients, one.lags, each["air_temperature"].values, table)
            for one, each in zip(drives, whole, strict=True)
        ]
        drives += [drive_of(walked(short, member), short) for member in range(len(drives) + 1, count + 1)]
        others = tuple(drives)
    words = (
        "the logger's record"
        if measured
        else "a typical year; how far the real weather may have been from it is counted as unknown"
    )
    return Bench(
        scenario,
        until,
        coefficients,
        grams_per_pct(scenario.instrument),
        table,
        drive,
        rooms,
        with_rooms(middle_creep(creep), rooms, air, drive, scenario, table),
        others,
        words,
    )


def creep_on(bench: Bench, moments: tuple[Moment, ...], reference_on: date) -> CreepAtMoments:
    """Creep at the moments, and last on the day of the reference state."""
    return creep_at(bench.creep, (*moments, Moment(reference_on, after_work=True)), bench.scenario)


def change_in(bench: Bench, drive: Drive, moments: tuple[Moment, ...], reference_on: date) -> Array:
    """Change of the lags since set-up in one weather, (2, lag, moments + 1): acting, held; last the reference state."""
    since = day_of(bench.scenario, bench.scenario.setup.setup)
    start = np.stack([drive.acting[:, [since]], drive.lags.lags_pct[:, [since]]])
    at = min(day_of(bench.scenario, reference_on), drive.acting.shape[1] - 1)
    states = states_at(moments, drive, bench.scenario)
    reference = reference_state(drive.acting[:, : at + 1])[:, [-1]]
    return np.concatenate([states, np.stack([reference, reference])], axis=2) - start


def room_change(bench: Bench, moments: tuple[Moment, ...], reference_on: date) -> Array:
    """What the terms of the guitar's own room add since set-up, (term, rows, first shapes, moments + 1), last at the
    reference state; no term where no room is in question."""
    if bench.rooms is None:
        return np.zeros((0, len(ROWS) + len(HELD), 0, len(moments) + 1))
    since = day_of(bench.scenario, bench.scenario.setup.setup)
    day = min(day_of(bench.scenario, reference_on), bench.drive.acting.shape[1] - 1)
    weights = bench.table.weights[:, :ROOM_SHAPES]
    return np.stack([in_rows(weights, one) for one in bench.rooms.change(moments, day, since, bench.scenario)])


def in_rows(weights: Array, change: Array) -> Array:
    """Moisture (rows, n, moments) of ROWS by the acting change of the lags (2, lag, moments), then of HELD by the one
    held; weights (rows, n, lag), of shapes or of particles."""
    held = [ROWS.index(row) for row in HELD]
    return np.concatenate([weights @ change[0], weights[held] @ change[1]])


def grams_per_pct(instrument: Instrument) -> Mapping[str, float]:
    """Grams of water that +1 % MC puts into each part: a hundredth of its dry mass, from sizes and mean densities.

    The sides take moisture with the back; blocks, bridge and bindings are left out, they follow too slowly."""
    body, neck = instrument.body, instrument.neck
    outline = np.array(body.outline_mm)
    area = _area(outline)
    around = 2.0 * float(np.sum(np.hypot(*np.diff(outline, axis=0).T)))
    depth = (body.sides.depth_neck_mm + body.sides.depth_tail_mm) / 2.0
    width = (neck.width_nut_mm + neck.width_body_mm) / 2.0
    length = instrument.strings.scale_mm - pivot_of(instrument)
    volumes = {
        "top": (body.top.wood, area * body.top.thickness_mm),
        "back": (body.back.wood, area * body.back.thickness_mm),
        "neck": (neck.wood, pi / 4.0 * width * (neck.depth_nut_mm + neck.depth_body_mm) / 2.0 * length),
        "fingerboard": (neck.fingerboard_wood, width * neck.fingerboard_thickness_mm * length * 1.35),
    }
    grams = {part: _dry_g_per_mm3(wood) * volume / 100.0 for part, (wood, volume) in volumes.items()}
    grams["back"] += _dry_g_per_mm3(body.sides.wood) * around * depth * body.sides.thickness_mm / 100.0
    grams["top_braces"] = sum(_brace_g(brace) for brace in body.top.braces) / 100.0
    grams["back_braces"] = sum(_brace_g(brace) for brace in body.back.braces) / 100.0
    return {part: grams[part] for part in PARTS}


def _area(outline: Array) -> float:
    return float(np.sum(np.diff(outline[:, 0]) * (outline[1:, 1] + outline[:-1, 1])))


def _brace_g(brace: Brace) -> float:
    length = float(np.sum(np.hypot(*np.diff(np.array(brace.path_mm), axis=0).T)))
    return _dry_g_per_mm3(brace.wood) * length * brace.width_mm * brace.height_mm


def _dry_g_per_mm3(wood: str) -> float:
    return library.wood_value(wood, "specific_gravity_12") / 1000.0


# ---- looking at readings ---------------------------------------------------------------------------------------------

#: hours of the day and stays in the workshop's air that a blank stands for, each as likely (common practice, no
#: source): seven in ten came straight from where they live
HOURS = (9.0, 11.0, 13.0, 15.0, 17.0, 10.0, 12.0, 14.0, 16.0, 18.0)
STAYS = (0.0, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0, 4.0, 16.0, 48.0)
STAY_PCT_OFF = (0.0, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0, 4.0, -4.0, 0.0)
STAY_C = 21.0


def moments_of(readings: tuple[ReadingRow, ...], work: tuple[WorkDone, ...] = ()) -> tuple[Moment, ...]:
    """The moments at which readings were taken, with the bench's air where it is said to have lain in it; noon, and no
    stay, where nothing is said (`_stays` is what that leaves open)."""
    return tuple(
        Moment(
            one.date,
            1,
            one.hours_at_bench or 0.0,
            20.0 if one.temperature_c is None else one.temperature_c,
            50.0 if one.relative_humidity_pct is None else one.relative_humidity_pct,
            NOON if one.hour is None else one.hour,
            any(turned[0] == one.date and turned < moment_of(one) for turned in truss_rod_turns(work)),
        )
        for one in readings
    )


@dataclass(frozen=True)
class Seen:
    """What was to be seen at the moments of the readings, then at further ones: at_moments in the middle of the
    weathers; away (members, 2, lag, columns + 1) what each member's state is off it, nothing in the last, and at_start
    (members, 2, lag) what it was off at set-up, by lags that act and are held; stays (alternatives, 2, lag,
    readings) what the hours and stays that a blank stands for would change; commonest (rows, shapes) the commonest
    deviation of moisture, by the weights' shapes."""

    moments: tuple[Moment, ...]
    at_moments: AtMoments
    away: Array
    at_start: Array
    stays: Array
    of_member: Array
    commonest: Array


def see(bench: Bench, readings: tuple[ReadingRow, ...], further: tuple[Moment, ...], now: date) -> Seen:
    """Look at the readings' moments, further ones, and last the reference state of a day, in all weathers there are."""
    moments = (*moments_of(readings, bench.scenario.work), *further)
    weathers = bench.others or (bench.drive,)
    changes = np.stack([change_in(bench, drive, moments, now) for drive in weathers])
    since = day_of(bench.scenario, bench.scenario.setup.setup)
    every = (bench.drive, *bench.others)
    starts = np.stack([np.stack([one.acting[:, since], one.lags.lags_pct[:, since]]) for one in every])
    of_member = starts - starts[-len(weathers) :].mean(axis=0)
    middle, off = changes.mean(axis=0), of_member[-len(weathers) :]
    away = changes - middle + off[..., None]
    spread = np.moveaxis(away[:, 0], 1, 0).reshape(away.shape[2], -1)
    _, vectors = np.linalg.eigh(spread @ spread.T)
    common = np.repeat(vectors[None, :, -1:], 2, axis=0) * float(spread.any())
    return Seen(
        moments,
        packed(in_rows(bench.table.weights, middle), room_change(bench, moments, now), creep_on(bench, moments, now)),
        np.concatenate([away, np.zeros((*off.shape, 1))], axis=-1),
        off,
        _stays(bench, readings, moments[: len(readings)]),
        of_member,
        in_rows(bench.table.weights, common)[:, :, 0],
    )


def _stays(bench: Bench, readings: tuple[ReadingRow, ...], moments: tuple[Moment, ...]) -> Array:
    if not readings:
        return np.zeros((1, 2, bench.drive.acting.shape[0], 0))
    air = bench.scenario.setup.built_relative_humidity_pct
    told = states_at(moments, bench.drive, bench.scenario)
    found = []
    for hour, lain, off in zip(HOURS, STAYS, STAY_PCT_OFF, strict=True):
        other = tuple(
            replace(
                moment,
                hour=hour if one.hour is None else moment.hour,
                hours_at_bench=lain if one.hours_at_bench is None else moment.hours_at_bench,
                temperature_c=STAY_C if one.temperature_c is None else moment.temperature_c,
                relative_humidity_pct=air + off if one.relative_humidity_pct is None else moment.relative_humidity_pct,
            )
            for one, moment in zip(readings, moments, strict=True)
        )
        found.append(states_at(other, bench.drive, bench.scenario) - told)
    return np.stack(found)
