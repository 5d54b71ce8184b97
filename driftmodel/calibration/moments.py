"""What the instrument did by given moments: moisture of every part and creep, for any draw, from a small table.

Everything that is slow depends on three unknowns only, those of moisture transport (wood, bare face, finish). Moisture
at given moments is a smooth function of their logarithms; it is computed by the forecast's own code on a grid of
Chebyshev points and interpolated (tests hold it to the exact chain). All else is products and stays exact."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace
from functools import cache

import numpy as np
from numpy.typing import NDArray

from driftmodel.base.records import Scenario
from driftmodel.base.schema import PARTS, Array, Dataset, Frozen
from driftmodel.calibration.drives import Drive, Moment, RoomDrive
from driftmodel.outlook import lasting
from driftmodel.outlook.calendar import day_of
from driftmodel.outlook.draws import WIDEST_SD, Draws, unknowns_of
from driftmodel.outlook.moisture import Lags, PartWeights, part_weights
from driftmodel.outlook.room_lags import room_weights
from driftmodel.structure.records import Coefficients
from driftmodel.wood import diffusion

TRANSPORT = ("diffusion", "surface", "film")
#: Chebyshev points along each of TRANSPORT
POINTS = (7, 5, 7)
#: shapes of the weights this much smaller than the first are left out
SHAPES_DOWN_TO = 1e-5
#: shapes of the weights that the room's part is told with: the first ones hold all but a hundredth of it
ROOM_SHAPES = 20
#: rows of every moisture table that move something: the mean of each part, then the gradient through each plate
ROWS = (*PARTS, "top_gradient", "back_gradient")
#: rows after them that are only weighed: what plates and braces hold, whose movement relaxes
HELD = ("top", "top_braces", "back", "back_braces")


@dataclass(frozen=True)
class Table:
    """Weights of the parts on the lags, for moisture level 1, as a few shapes (rows, shapes, lag) of which every
    node of the grid is a sum: nodes (nodes, shapes)."""

    weights: Array
    nodes: Array
    time_constants_days: Array

    def on(self, normals: Array) -> Array:
        """How much of each shape particles have, (n, shapes), by their standard normal values of TRANSPORT (n, 3)."""
        return np.asarray(on_nodes(normals) @ self.nodes)

    def at_nodes(self, row: str) -> Array:
        """The weights of a row at the nodes, (nodes, lag)."""
        return np.asarray(self.nodes @ self.weights[ROWS.index(row)])


@dataclass(frozen=True)
class CreepAtMoments:
    """Creep since set-up of the quantities of LASTING, per N: by_wood and by_joint (quantity, moments), held
    (quantity,), clamp_lost (moments,) and opened as of lasting.Give, per_range (quantity, part) for the range of
    moisture met as a fraction, for moisture level 1: its shapes at the nodes (nodes, shape) times met (part, shape,
    moments), by_room (part, unknown, moments) the slope of its logarithm in the standard deviations of the room's
    unknowns `rooms`."""

    by_wood: Array
    by_joint: Array
    held: Array
    clamp_lost: Array
    opened: Callable[[Array], Array]
    per_range: Array
    shapes: Array
    met: Array
    by_room: Array
    rooms: tuple[tuple[str, float], ...] = ()

    def columns(self, which: slice | NDArray[np.intp]) -> CreepAtMoments:
        """The same at some of the moments."""
        return replace(
            self,
            by_wood=self.by_wood[:, which],
            by_joint=self.by_joint[:, which],
            clamp_lost=self.clamp_lost[which],
            met=self.met[:, :, which],
            by_room=self.by_room[:, :, which],
        )

    def times(self, factor: float) -> CreepAtMoments:
        """All creep so many times as large."""
        return replace(
            self,
            by_wood=factor * self.by_wood,
            by_joint=factor * self.by_joint,
            held=factor * self.held,
            per_range=factor * self.per_range,
        )


@dataclass(frozen=True)
class AtMoments:
    """Change of moisture since set-up in % MC, for moisture level 1: left (shapes of the weights, then term by term the
    first `few` of them for what the guitar's own room adds; k) times right (k, rows, j), rows as ROWS then HELD, times
    the courses in time, (j, moments)."""

    left: Array
    right: Array
    courses: Array
    few: int
    creep: CreepAtMoments

    def columns(self, which: slice) -> AtMoments:
        """The same at some of the moments."""
        right, courses = self.right, self.courses[:, which]
        if courses.shape[1] < len(courses):
            right, courses = right @ courses, np.eye(courses.shape[1])
        return replace(self, right=right, courses=courses, creep=self.creep.columns(which))


def packed(moisture: Array, rooms: Array, creep: CreepAtMoments) -> AtMoments:
    """AtMoments of moisture (rows, shapes, moments) and of the rooms' terms (term, rows, few, moments), told by as few
    combinations and courses in time as they have: with many readings that is what a calibration's time goes by."""
    rows, shapes, moments = moisture.shape
    flat = moisture.transpose(1, 0, 2).reshape(shapes, -1)
    flat = np.concatenate([flat, rooms.transpose(0, 2, 1, 3).reshape(-1, rows * moments)])
    left, right = _few(flat)
    right, courses = _few(right.reshape(-1, moments))
    return AtMoments(left, right.reshape(left.shape[1], rows, -1), courses, rooms.shape[2], creep)


def _few(matrix: Array) -> tuple[Array, Array]:
    """A matrix as a product of as few columns and rows as it has."""
    rows, columns = matrix.shape
    if rows > columns:
        left, right = _few(matrix.T)
        return right.T, left.T
    squares, vectors = np.linalg.eigh(matrix @ matrix.T)
    kept = vectors[:, squares >= SHAPES_DOWN_TO**2 * squares[-1]]
    return kept, kept.T @ matrix


def chebyshev(points: int) -> Array:
    """Chebyshev points of the first kind on -WIDEST_SD..WIDEST_SD, where the draws lie."""
    place: Array = WIDEST_SD * np.cos(np.pi * (np.arange(points) + 0.5) / points)
    return place


@cache
def _by_node(points: int) -> Array:
    """The polynomials, by those of Chebyshev, that are 1 on one of so many points and 0 on the others."""
    on = np.polynomial.chebyshev.chebvander(chebyshev(points) / WIDEST_SD, points - 1)
    return np.asarray(np.linalg.inv(on))


def on_nodes(normals: Array) -> Array:
    """Interpolation weights (n, nodes) for standard normal values of TRANSPORT (n, 3)."""
    one, two, three = (
        np.polynomial.chebyshev.chebvander(normals[:, axis] / WIDEST_SD, points - 1) @ _by_node(points)
        for axis, points in enumerate(POINTS)
    )
    return np.asarray(np.einsum("ni,nj,nk->nijk", one, two, three).reshape(len(normals), -1))


def make_table(scenario: Scenario) -> Table:
    """The table of one instrument."""
    unknowns = unknowns_of(scenario)
    mesh = np.meshgrid(*(chebyshev(points) for points in POINTS), indexing="ij")
    values = {
        name: unknowns[name].median * np.exp(unknowns[name].log_sd * place.ravel())
        for name, place in zip(TRANSPORT, mesh, strict=True)
    }
    count = mesh[0].size
    values["moisture_level"] = np.ones(count)
    nodes = Draws(Frozen(values), np.zeros(count), np.zeros(count, dtype=np.intp))
    grid = diffusion.time_grid()
    weights = rows_of(part_weights(scenario.instrument, nodes, grid))
    rows, _, lags = weights.shape
    left, sizes, right = np.linalg.svd(weights.transpose(1, 0, 2).reshape(count, rows * lags), full_matrices=False)
    kept = int(np.sum(sizes > SHAPES_DOWN_TO * sizes[0]))
    shapes = (sizes[:kept, None] * right[:kept]).reshape(kept, rows, lags).transpose(1, 0, 2)
    return Table(shapes, left[:, :kept], grid)


def rows_of(weights: PartWeights) -> Array:
    """Weights of all parts as one array (rows, draws, lag) in the order of ROWS."""
    gradients = [weights.gradient["top"], weights.gradient["back"]]
    return np.stack([*(weights.mean[part] for part in PARTS), *gradients])


def creep_path(
    scenario: Scenario, coefficients: Coefficients, lags: Lags, temperature_c: Array, table: Table
) -> CreepAtMoments:
    """Creep of every day from set-up on, from hourly temperature (hours,) and the lags of the same air."""
    days = np.arange(day_of(scenario, scenario.setup.setup), lags.lags_pct.shape[1])
    history = lasting.creep_history(scenario, lags.lags_pct, lasting.heat_of_days(temperature_c), days)
    gives = [lasting.give_of(history, lasting.creeping_shares(coefficients, quantity)) for quantity in lasting.LASTING]
    by_part = lasting.met_by_part(
        history, {part: table.at_nodes(part) for part in (lasting.THIN_PART, lasting.THICK_PART)}
    )
    met = np.stack([by_part[part] for part in lasting.PARTS_MET], axis=1)  # (nodes, part, days)
    shapes, met = _few(met.reshape(len(met), -1))
    return CreepAtMoments(
        np.stack([give.wood for give in gives]),
        np.stack([give.joint for give in gives]),
        np.array([give.held for give in gives]),
        history.clamp_lost,
        history.opened,
        np.array([[give.by_moisture[part] for part in lasting.PARTS_MET] for give in gives]),
        shapes,
        met.reshape(len(shapes.T), len(lasting.PARTS_MET), -1).transpose(1, 0, 2),
        np.zeros((len(lasting.PARTS_MET), 0, days.size)),
    )


def middle_creep(paths: list[CreepAtMoments]) -> CreepAtMoments:
    """The middle of the creep of several weathers."""
    return replace(
        paths[0],
        by_wood=np.mean([one.by_wood for one in paths], axis=0),
        by_joint=np.mean([one.by_joint for one in paths], axis=0),
        shapes=np.concatenate([one.shapes for one in paths], axis=1),
        met=np.concatenate([one.met for one in paths], axis=1) / len(paths),
    )


def with_rooms(
    creep: CreepAtMoments, rooms: RoomDrive | None, air: Dataset, drive: Drive, scenario: Scenario, table: Table
) -> CreepAtMoments:
    """Creep that knows how the room's unknowns change the range of moisture met: the slope of its logarithm in each, at
    the middle of the transport unknowns."""
    if rooms is None:
        return creep
    days = np.arange(day_of(scenario, scenario.setup.setup), drive.lags.lags_pct.shape[1])
    lags = np.concatenate([drive.lags.lags_pct, rooms.path[1]])
    history = lasting.creep_history(scenario, lags, lasting.heat_of_days(air["air_temperature"].values), days)
    on = table.on(np.zeros((1, 3)))
    weights = {part: on @ table.weights[ROWS.index(part)] for part in (lasting.THIN_PART, lasting.THICK_PART)}

    def met(name: str, far: float) -> Array:
        terms = rooms.rows.terms({name: np.array([far])}, 1)
        own = {part: room_weights(each, rooms.rows, terms) for part, each in weights.items()}
        return np.concatenate([lasting.met_by_part(history, own)[part] for part in lasting.PARTS_MET])

    slopes = [
        0.5 * np.log((met(name, np.exp(log_sd)) + 1e-4) / (met(name, np.exp(-log_sd)) + 1e-4))
        for name, log_sd in rooms.rows.unknowns
    ]
    return replace(creep, by_room=np.stack(slopes, axis=1), rooms=rooms.rows.unknowns)


def room_factor(creep: CreepAtMoments, values: Mapping[str, Array]) -> Array:
    """What the rooms of particles make of the range of moisture met, (part, n, moments)."""
    away = [np.clip(np.log(values[name]) / log_sd, -WIDEST_SD, WIDEST_SD) for name, log_sd in creep.rooms]
    return np.asarray(np.exp(np.array(away).T @ creep.by_room))


def creep_at(path: CreepAtMoments, moments: tuple[Moment, ...], scenario: Scenario) -> CreepAtMoments:
    """The mean of a daily creep over the days of each moment."""
    last = path.by_wood.shape[1] - 1
    found = []
    for moment in moments:
        first = min(max((moment.day - scenario.setup.setup).days + moment.after_work, 0), last)
        found.append(path.columns(slice(first, first + moment.days)))
    return replace(
        path,
        by_wood=np.stack([one.by_wood.mean(axis=1) for one in found], axis=1),
        by_joint=np.stack([one.by_joint.mean(axis=1) for one in found], axis=1),
        clamp_lost=np.array([one.clamp_lost.mean() for one in found]),
        met=np.stack([one.met.mean(axis=2) for one in found], axis=2),
        by_room=np.stack([one.by_room.mean(axis=2) for one in found], axis=2),
    )
