"""From unknowns to what the bench would read: the forecast's own laws at the moments of the readings."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from datetime import date
from math import pi

import numpy as np
from numpy.typing import NDArray

from driftmodel.base import library
from driftmodel.base.records import Brace, Coefficients, Instrument, Scenario
from driftmodel.base.schema import PARTS
from driftmodel.calibration import sight as sights
from driftmodel.calibration.records import QUANTITIES, BenchBook, ReadingRow
from driftmodel.calibration.sight import ROWS, Moment, Sight, Table
from driftmodel.calibration.work import known_step, truss_rod_days, with_string_events
from driftmodel.climate.history import scenario_air
from driftmodel.outlook.draws import WIDEST_SD, Draws, Unknown, unknowns_of
from driftmodel.outlook.moisture import Lags, air_lags
from driftmodel.structure.joint import pivot_to_saddle_mm
from driftmodel.structure.response import design_response
from driftmodel.structure.strings import string_pull_n

Array = NDArray[np.float64]

#: other weathers the past may have had, unless a logger measured it, and the share of their variance kept
OTHER_WEATHERS = 24
WEATHER_KEPT = 0.99
#: what is known beforehand of a level the scenario does not state, one standard deviation (from memory): wide
LEVEL_SD = {"projection": 1.5, "relief": 0.15, "top_sinkage": 1.5, "weight": 150.0}
#: half the difference of bass and treble action, mm: mean and standard deviation (common practice, no source)
LEAN_MM = (0.20, 0.15)
#: what a turn of the truss rod may do to relief, mm, one standard deviation (common practice, no source)
TRUSS_ROD_MM = 0.12
#: a design's wood mass from its sizes and mean densities is known to this, log (density: Wood Handbook Table 5-6, 10 %)
WOOD_MASS_LOG_SD = 0.10


@dataclass(frozen=True)
class Bench:
    """One scenario made ready: response of the design, its table, the history of member 0 to the horizon, and the lags
    of other weathers for the past. Make it once (`make_bench`); calibrations of the same scenario share it."""

    scenario: Scenario
    until: date
    coefficients: Coefficients
    grams_per_pct: Mapping[str, float]
    table: Table
    lags: Lags
    air_daily: tuple[Array, Array]
    creep: tuple[Array, Array]
    others: tuple[Lags, ...]
    past_weather: str


def make_bench(scenario: Scenario, until: date, book: BenchBook | None = None) -> Bench:
    """Make a scenario ready for readings up to `until` and for what is asked about the year after.

    Where the air of the past is a logger's it is taken as it stands. Elsewhere it comes from a typical year, and the
    weather that was really there is unknown: OTHER_WEATHERS seeded members say how far it may have been away.
    """
    if book is not None:
        scenario = with_string_events(scenario, book.work)
    air = scenario_air(scenario, 0)
    lags = air_lags(air, scenario)
    daily = tuple(air[name].values.reshape(-1, 24).mean(axis=1) for name in ("air_temperature", "relative_humidity"))
    measured = all(stay.climate.logger_file for stay in scenario.stays if stay.start <= until)
    others: tuple[Lags, ...] = ()
    if not all(stay.climate.logger_file for stay in scenario.stays):
        days = (until - scenario.setup.setup).days + 550
        short = replace(scenario, horizon_years=min(scenario.horizon_years, -(-days // 365)))
        others = tuple(air_lags(scenario_air(short, member), short) for member in range(1, OTHER_WEATHERS + 1))
    words = (
        "the logger's record"
        if measured
        else "a typical year; how far the real weather may have been from it is counted as unknown"
    )
    return Bench(
        scenario,
        until,
        design_response(scenario.instrument),
        grams_per_pct(scenario.instrument),
        sights.make_table(scenario),
        lags,
        (daily[0], daily[1]),
        sights.creep_paths(scenario, lags),
        others,
        words,
    )


def look(bench: Bench, moments: tuple[Moment, ...], settled: Array | None = None) -> Sight:
    """What the instrument did by the moments. settled: further states (lag, more) whose own weather is not in question,
    put after the moments, such as the means of a place; their creep is left at 0."""
    scenario = bench.scenario
    start = bench.lags.lags_pct[:, [_setup_day(bench)]]
    states = sights.states_at(moments, bench.lags, bench.air_daily, scenario)
    more = np.zeros((states.shape[0], 0)) if settled is None else settled
    change = np.concatenate([states, more], axis=1) - start
    none = np.zeros(more.shape[1])
    steady = np.concatenate([sights.mean_of_days(bench.creep[0], moments, scenario), none])
    cycling = sights.top_share(bench.table.weights) @ sights.mean_of_days(bench.creep[1], moments, scenario)
    cycling = np.concatenate([cycling, np.zeros((cycling.shape[0], none.size))], axis=1)
    moisture = np.einsum("rnk,km->rnm", bench.table.weights, change)
    return Sight(moisture, steady, cycling, _weather_modes(bench, moments, states, more))


def _setup_day(bench: Bench) -> int:
    scenario = bench.scenario
    return (scenario.setup.setup - scenario.stays[0].start).days


def _weather_modes(bench: Bench, moments: tuple[Moment, ...], states: Array, more: Array) -> Array:
    """Principal directions of the other weathers about the one taken, at the middle node, (modes, rows, moments)."""
    count = states.shape[1] + more.shape[1]
    if not bench.others:
        return np.zeros((0, len(ROWS), count))
    middle = bench.table.weights[:, bench.table.weights.shape[1] // 2, :]
    since = _setup_day(bench)
    away = []
    for other in bench.others:
        at_start = other.lags_pct[:, [since]] - bench.lags.lags_pct[:, [since]]
        there = sights.states_at(moments, other, bench.air_daily, bench.scenario) - states
        away.append(middle @ np.concatenate([there - at_start, np.tile(-at_start, (1, more.shape[1]))], axis=1))
    matrix = np.stack(away).reshape(len(away), -1) / np.sqrt(len(away))
    _, sizes, directions = np.linalg.svd(matrix, full_matrices=False)
    if sizes[0] < 1e-9:
        return np.zeros((0, len(ROWS), count))
    kept = int(np.searchsorted(np.cumsum(sizes**2) / np.sum(sizes**2), WEATHER_KEPT)) + 1
    modes: Array = (sizes[:kept, None] * directions[:kept]).reshape(kept, len(ROWS), count)
    return modes


# ---- unknowns as standard normal values ------------------------------------------------------------------------------


@dataclass(frozen=True)
class Layout:
    """The order of the unknowns in a particle: those of the forecast, the set-up error, then what the readings add.

    multipliers are lognormal; offsets normal with (mean, sd)."""

    multipliers: dict[str, Unknown]
    offsets: dict[str, tuple[float, float]]
    weather: int

    @property
    def names(self) -> tuple[str, ...]:
        return (*self.multipliers, *self.offsets, *(f"weather_{one}" for one in range(self.weather)))

    @property
    def size(self) -> int:
        return len(self.multipliers) + len(self.offsets) + self.weather

    def values(self, normals: Array) -> dict[str, Array]:
        """Standard normal values (n, size) as multipliers, offsets and weather, (n,) each."""
        found = {
            name: unknown.median * np.exp(unknown.log_sd * normals[:, place])
            for place, (name, unknown) in enumerate(self.multipliers.items())
        }
        shift = len(self.multipliers)
        for place, (name, (mean, sd)) in enumerate(self.offsets.items()):
            found[name] = mean + sd * normals[:, shift + place]
        for one in range(self.weather):
            found[f"weather_{one}"] = normals[:, shift + len(self.offsets) + one]
        return found


def layout_of(bench: Bench, book: BenchBook, weather: int) -> Layout:
    """Unknowns of an instrument and of its readings. A level the scenario does not state is centred on the median of
    its readings, with LEVEL_SD about it."""
    scenario = bench.scenario
    multipliers = dict(unknowns_of(scenario.instrument))
    offsets = {"set_up_error": (0.0, scenario.setup.action_reading_sd_mm)}
    read = {reading.what for reading in book.readings}
    if read & {"action_treble", "action_bass"}:
        offsets["lean"] = LEAN_MM
    for what, sd in LEVEL_SD.items():
        if what in read:
            own = [one for one in book.readings if one.what == what]
            sound = [one for one in own if not one.doubt] or own
            levels = [one.value - known_step(what, one.date, book.work, scenario) for one in sound]
            offsets[f"level_{what}"] = (float(np.median(levels)), sd)
    if "weight" in read:
        multipliers["wood_mass"] = Unknown("how much wood is in it", 1.0, WOOD_MASS_LOG_SD)
    for number, _ in enumerate(truss_rod_days(book.work)):
        offsets[f"truss_rod_{number}"] = (0.0, TRUSS_ROD_MM)
    return Layout(multipliers, offsets, weather)


def as_draws(layout: Layout, normals: Array, members: int) -> Draws:
    """Particles as the forecast's draws; the weather members share them out in equal blocks."""
    from types import MappingProxyType

    values = layout.values(normals)
    own = {name: values[name] for name in layout.multipliers if name != "wood_mass"}
    count = len(normals)
    member = np.arange(count, dtype=np.intp) * min(members, count) // count
    return Draws(MappingProxyType(own), values["set_up_error"], member)


def as_normals(layout: Layout, draws: Draws) -> Array:
    """The forecast's draws as particles; what only readings add is put at its middle."""
    normals = np.zeros((draws.count, layout.size))
    names = layout.names
    for name, values in draws.values.items():
        unknown = layout.multipliers[name]
        normals[:, names.index(name)] = np.log(values / unknown.median) / max(unknown.log_sd, 1e-12)
    mean, sd = layout.offsets["set_up_error"]
    normals[:, names.index("set_up_error")] = (draws.set_up_error_mm - mean) / max(sd, 1e-12)
    return np.clip(normals, -WIDEST_SD, WIDEST_SD)


# ---- movement --------------------------------------------------------------------------------------------------------


@dataclass(frozen=True)
class Moved:
    """Movement since set-up, (n, moments): mm, degrees, g; strings on."""

    top_sinkage: Array
    neck_rotation: Array
    bow_action: Array
    relief: Array
    weight: Array


def moisture_of(layout: Layout, sight: Sight, normals: Array, values: Mapping[str, Array]) -> Array:
    """Change of moisture since set-up, % MC (n, rows, moments): interpolated, with the weather's directions added."""
    places = [layout.names.index(name) for name in sights.TRANSPORT]
    on = sights.on_nodes(normals[:, places])
    rows, nodes, moments = sight.moisture.shape
    flat = sight.moisture.transpose(1, 0, 2).reshape(nodes, rows * moments)
    moisture = (on @ flat).reshape(len(normals), rows, moments)
    if layout.weather:
        eta = np.stack([values[f"weather_{one}"] for one in range(layout.weather)], axis=1)
        modes = sight.weather[: layout.weather].reshape(layout.weather, -1)
        moisture += (eta @ modes).reshape(moisture.shape)
    return np.asarray(moisture * values["moisture_level"][:, None, None])


def creep_of(layout: Layout, sight: Sight, normals: Array, values: Mapping[str, Array]) -> Array:
    """Lasting creep since set-up over elastic response, (n, moments)."""
    places = [layout.names.index(name) for name in sights.TRANSPORT]
    cycling = sights.on_nodes(normals[:, places]) @ sight.cycling
    whole = sight.steady[None, :] + values["cycling_creep"][:, None] * cycling
    return np.asarray((values["creep"] * values["set_gain"])[:, None] * whole)


def moved(bench: Bench, moisture: Array, creep: Array, values: Mapping[str, Array]) -> Moved:
    """Movement from moisture change (n, rows, moments) and creep (n, moments): the laws of outlook.movement."""
    coefficients = bench.coefficients
    own_movement = {row: values[f"movement_{row.removesuffix('_gradient')}"] for row in ROWS}
    gain = {"top_sinkage": values["structure"], "neck_rotation": values["block"]}
    seasonal = {}
    for quantity in ("top_sinkage", "neck_rotation", "bow_action", "relief"):
        response = getattr(coefficients, quantity)
        weights = np.stack([response[row] * own_movement[row] for row in ROWS], axis=1)
        seasonal[quantity] = np.einsum("nr,nrm->nm", weights, moisture)
        if quantity in gain:
            seasonal[quantity] *= gain[quantity][:, None]
    pull = (string_pull_n(bench.scenario.instrument.strings) * values["string_response"])[:, None]
    for quantity in ("top_sinkage", "neck_rotation"):
        seasonal[quantity] += getattr(coefficients, quantity)["strings"] * pull * creep
    mass = np.array([bench.grams_per_pct.get(row, 0.0) for row in ROWS])
    weight = np.einsum("r,nrm->nm", mass, moisture)
    return Moved(weight=weight, **seasonal)


def saddle_rise_mm(bench: Bench, movement: Moved) -> Array:
    """Saddle over the fret plane since set-up, mm: the fall of the projection."""
    instrument = bench.scenario.instrument
    distance = pivot_to_saddle_mm(instrument.strings.scale_mm, instrument.body_fret)
    return np.asarray(np.tan(np.radians(movement.neck_rotation)) * distance - movement.top_sinkage)


def expected_readings(
    bench: Bench,
    layout: Layout,
    values: Mapping[str, Array],
    movement: Moved,
    readings: tuple[ReadingRow, ...],
    book: BenchBook,
) -> Array:
    """What the bench would read, (n, readings), work done counted as the event it is."""
    rise = saddle_rise_mm(bench, movement)
    result = np.empty_like(rise)
    for column, reading in enumerate(readings):
        what = reading.what
        step = known_step(what, reading.date, book.work, bench.scenario)
        turned = sum(
            (
                values[f"truss_rod_{number}"]
                for number, day in enumerate(truss_rod_days(book.work))
                if day < reading.date
            ),
            start=np.zeros(len(rise)),
        )
        if what.startswith("action"):
            side = {"action": 0.0, "action_treble": -1.0, "action_bass": 1.0}[what]
            level = bench.scenario.setup.action_12th_mm + values["set_up_error"]
            lean = side * values["lean"] if side else 0.0
            bow = movement.bow_action[:, column] + turned * _action_per_relief(bench.coefficients)
            result[:, column] = level + lean + rise[:, column] / 2.0 + bow + step
            continue
        slack = 0.0 if reading.strings_on else 1.0
        level = values[f"level_{what}"]
        if what == "projection":
            result[:, column] = level - rise[:, column] + step
            result[:, column] += slack * _by_slack(bench, "projection", values)
        elif what == "relief":
            result[:, column] = level + movement.relief[:, column] + turned
            result[:, column] += slack * _by_slack(bench, "relief", values)
        elif what == "top_sinkage":
            result[:, column] = level + movement.top_sinkage[:, column] + slack * _by_slack(bench, what, values)
        else:
            result[:, column] = level + movement.weight[:, column] * values["wood_mass"]
    return result


def _action_per_relief(coefficients: Coefficients) -> float:
    """How an even bow shows at the 12th fret for 1 mm of relief."""
    return coefficients.bow_action["neck"] / coefficients.relief["neck"] if coefficients.relief["neck"] else 0.0


def _by_slack(bench: Bench, what: str, values: Mapping[str, Array]) -> Array:
    """What taking the strings off adds at once: the elastic response turned round."""
    coefficients = bench.coefficients
    pull = -string_pull_n(bench.scenario.instrument.strings)
    if what == "relief":
        return np.full(values["structure"].size, coefficients.relief["strings"] * pull)
    sink = coefficients.top_sinkage["strings"] * pull * values["string_response"]
    if what == "top_sinkage":
        return np.asarray(sink)
    instrument = bench.scenario.instrument
    distance = pivot_to_saddle_mm(instrument.strings.scale_mm, instrument.body_fret)
    turn = coefficients.neck_rotation["strings"] * pull * values["string_response"]
    return np.asarray(sink - np.tan(np.radians(turn)) * distance)


def moments_of(readings: tuple[ReadingRow, ...]) -> tuple[Moment, ...]:
    """The moments at which readings were taken, with the bench's air where it lay in it."""
    return tuple(
        Moment(one.date, 1, one.hours_at_bench, one.temperature_c or 20.0, one.relative_humidity_pct or 50.0)
        if one.hours_at_bench > 0
        else Moment(one.date)
        for one in readings
    )


def fitting(book: BenchBook) -> tuple[ReadingRow, ...]:
    """Readings that say something about the wood: all but the saddle's height, which only work changes."""
    return tuple(one for one in book.readings if one.what != "saddle_height" and one.what in QUANTITIES)


# ---- weight ----------------------------------------------------------------------------------------------------------


def grams_per_pct(instrument: Instrument) -> Mapping[str, float]:
    """Grams of water that +1 % MC puts into each part: a hundredth of its dry mass, from sizes and mean densities.

    The sides take moisture with the back; blocks, bridge and bindings are left out, they follow too slowly.
    """
    body, neck = instrument.body, instrument.neck
    outline = np.array(body.outline_mm)
    area = _area(outline)
    around = 2.0 * float(np.sum(np.hypot(*np.diff(outline, axis=0).T)))
    depth = (body.sides.depth_neck_mm + body.sides.depth_tail_mm) / 2.0
    width = (neck.width_nut_mm + neck.width_body_mm) / 2.0
    length = instrument.strings.scale_mm - pivot_to_saddle_mm(instrument.strings.scale_mm, instrument.body_fret)
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
    return library.number(library.wood(wood), "specific_gravity_12").value / 1000.0
