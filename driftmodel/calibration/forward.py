"""From unknowns to what the bench would read: the forecast's own laws at the moments of the readings."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from driftmodel.calibration import sight as sights
from driftmodel.calibration.bench import Bench
from driftmodel.calibration.layout import Layout, anew_mm, truss_rod_mm
from driftmodel.calibration.records import QUANTITIES, BenchBook, ReadingRow
from driftmodel.calibration.sight import HELD, ROWS, Moment, Sight
from driftmodel.calibration.work import known_step, moment_of, stands_anew, truss_rod_turns
from driftmodel.outlook.draws import part_movement
from driftmodel.outlook.lasting import LASTING, THICK_PART, THIN_PART, Give, put_together
from driftmodel.structure.joint import pivot_of, saddle_rise_mm
from driftmodel.structure.records import Coefficients
from driftmodel.structure.strings import string_pull_n

Array = NDArray[np.float64]
CREEP_PARTS = (THIN_PART, THICK_PART)


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
    """Lasting movement since set-up per N, (quantity of LASTING, n, moments): the law of outlook.lasting."""
    places = [layout.names.index(name) for name in sights.TRANSPORT]
    creep, level = sight.creep, values["moisture_level"][:, None]
    met = {part: level * (sights.on_nodes(normals[:, places]) @ creep.met[row]) for row, part in enumerate(CREEP_PARTS)}
    gives = (
        Give(wood, joint, dict(zip(CREEP_PARTS, per_range, strict=True)))
        for wood, joint, per_range in zip(creep.by_wood, creep.by_joint, creep.per_range, strict=True)
    )
    paths = np.stack([put_together(give, met, values) for give in gives])
    return np.asarray(values["residual_gain"][:, None] * paths)


def moved(bench: Bench, moisture: Array, creep: Array | None, values: Mapping[str, Array]) -> Moved:
    """Movement from moisture change (n, rows, moments), as ROWS and, where weight is asked, HELD, and creep per N
    (quantity of LASTING, n, moments), None for none: the laws of outlook.movement."""
    coefficients = bench.coefficients
    own_movement = {row: part_movement(values, row.removesuffix("_gradient")) for row in ROWS}
    gain = {"top_sinkage": values["structure"], "neck_rotation": values["block"]}
    acting, held = moisture[:, : len(ROWS)], moisture[:, len(ROWS) :]
    seasonal = {}
    for quantity in ("top_sinkage", "neck_rotation", "bow_action", "relief"):
        response = getattr(coefficients, quantity)
        weights = np.stack([response[row] * own_movement[row] for row in ROWS], axis=1)
        seasonal[quantity] = np.einsum("nr,nrm->nm", weights, acting)
        if quantity in gain:
            seasonal[quantity] *= gain[quantity][:, None]
    pull = (string_pull_n(bench.scenario.instrument.strings) * values["string_response"])[:, None]
    if creep is not None:
        for quantity, path in zip(LASTING, creep, strict=True):
            seasonal[quantity] += pull * path
    held_now = dict(zip(ROWS, np.moveaxis(acting, 1, 0), strict=True))
    held_now |= dict(zip(HELD, np.moveaxis(held, 1, 0), strict=False))
    weight = sum((mass * held_now[row] for row, mass in bench.grams_per_pct.items()), start=np.zeros(1))
    return Moved(weight=weight, **seasonal)


def rise_of(bench: Bench, movement: Moved) -> Array:
    """Saddle over the fret plane since set-up, mm: the fall of the projection."""
    return np.asarray(saddle_rise_mm(_lasting_of(movement), pivot_of(bench.scenario.instrument)))


def _lasting_of(movement: Moved) -> dict[str, Array]:
    return {"top_sinkage": movement.top_sinkage, "neck_rotation": movement.neck_rotation}


def expected_readings(
    bench: Bench,
    layout: Layout,
    values: Mapping[str, Array],
    movement: Moved,
    readings: tuple[ReadingRow, ...],
    book: BenchBook,
) -> Array:
    """What the bench would read, (n, readings), work done counted as the event it is."""
    rise = rise_of(bench, movement)
    result = np.empty_like(rise)
    for column, reading in enumerate(readings):
        what = reading.what
        at = moment_of(reading)
        step = known_step(what, at, book.work, bench.scenario)
        turned = truss_rod_mm(values, sum(each < at for each in truss_rod_turns(book.work)))
        own_rise = rise[:, column] + anew_mm(values, sum(each < at for each in stands_anew(book.work)))
        if what.startswith("action"):
            side = {"action": 0.0, "action_treble": -1.0, "action_bass": 1.0}[what]
            level = bench.scenario.setup.action_12th_mm + values["set_up_error"]
            lean = side * values["lean"] if side else 0.0
            bow = movement.bow_action[:, column] + turned * action_per_relief(bench.coefficients)
            result[:, column] = level + lean + own_rise / 2.0 + bow + step
            continue
        slack = 0.0 if reading.strings_on else 1.0
        level = values[f"level_{what}"]
        if what == "projection":
            result[:, column] = level - own_rise + step
            result[:, column] += slack * _by_slack(bench, "projection", values)
        elif what == "relief":
            result[:, column] = level + movement.relief[:, column] + turned
            result[:, column] += slack * _by_slack(bench, "relief", values)
        elif what == "top_sinkage":
            result[:, column] = level + movement.top_sinkage[:, column] + slack * _by_slack(bench, what, values)
        else:
            result[:, column] = level + movement.weight[:, column] * values["wood_mass"]
    return result


def action_per_relief(coefficients: Coefficients) -> float:
    """How an even bow shows at the 12th fret for 1 mm of relief."""
    return coefficients.bow_action["neck"] / coefficients.relief["neck"] if coefficients.relief["neck"] else 0.0


def _by_slack(bench: Bench, what: str, values: Mapping[str, Array]) -> Array:
    """What taking the strings off adds at once: the elastic response turned round."""
    coefficients = bench.coefficients
    pull = -string_pull_n(bench.scenario.instrument.strings)
    if what == "relief":
        return np.full(values["structure"].size, coefficients.relief["strings"] * pull)
    moved_by = {q: getattr(coefficients, q)["strings"] * pull * values["string_response"] for q in LASTING}
    if what == "top_sinkage":
        return np.asarray(moved_by[what])
    return np.asarray(-saddle_rise_mm(moved_by, pivot_of(bench.scenario.instrument)))


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
