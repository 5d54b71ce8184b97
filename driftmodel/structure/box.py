"""The closed body as it is described: domed top and back with their bars, sides between them, blocks, bridge, strings.
Neck and tail block are glued to both plates and the end of the sides, and read where the neck joins.

x from the body join to the tail, y across, z up, in mm; the top's middle surface is at z = 0 at both ends of the
centre line. Forces in N, moduli in MPa.
Faces are tied node by node: a block's node goes with the glued face of the plate or side, which is the shell's
reference surface and its turn times the distance.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from itertools import pairwise

import numpy as np
from scipy.sparse import coo_matrix, csr_matrix

from driftmodel.base.schema import Array, Flags, Integers
from driftmodel.structure import shell
from driftmodel.structure.box_mesh import Dome, Meshed
from driftmodel.structure.plate import Board
from driftmodel.structure.solid import Line, Solid, Timber, add_solid, solid


@dataclass(frozen=True)
class Bar:
    """A brace: corner points (k, 2) of its path, and its height by the distance along it (a function of arrays)."""

    path: Array
    width_mm: float
    height_mm: Callable[[Array], Array]
    board: Board


def shaved(bar: Bar, before: float, behind: float, front_mm: float, back_mm: float) -> Bar:
    """A brace whose height is `before` times its own before the bridge's front edge and `behind` times behind its back
    edge, straight between."""
    reach_at = np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(bar.path, axis=0).T))])
    own = bar.height_mm

    def height(reach: Array) -> Array:
        x = np.interp(reach, reach_at, bar.path[:, 0])
        share = np.clip((x - front_mm) / (back_mm - front_mm), 0.0, 1.0)
        return np.asarray(own(reach) * (before + (behind - before) * share))

    return replace(bar, height_mm=height)


@dataclass(frozen=True)
class Sheet:
    """Top or back: grain along x; dome radius 0 means flat; hole as centre and diameter."""

    board: Board
    thickness_mm: float
    radius_mm: float
    bars: tuple[Bar, ...]
    hole: tuple[float, float, float] | None = None


@dataclass(frozen=True)
class Patch:
    """A block of wood glued on the top over x from front to back and y within half_length; grain across."""

    board: Board
    thickness_mm: float
    front_mm: float
    back_mm: float
    half_length_mm: float


@dataclass(frozen=True)
class Lining:
    """movement_through: free strain per +1 % MC across its width, as board.movement_across is up its height."""

    board: Board
    width_mm: float
    height_mm: float
    movement_through: float


@dataclass(frozen=True)
class Block:
    """A block between the plates at an end of the body."""

    wood: Timber
    length_mm: float
    half_width_mm: float


@dataclass(frozen=True)
class Strings:
    """Saddle place, height of the strings over the bridge's top face, half the spread of the outer strings, and
    height of the strings over the top's face at the body join (None: a level line at the saddle's height). anchor: how
    far behind the saddle the strings end, and how high over the bridge's top face (None: at the saddle itself)."""

    saddle_mm: float
    over_bridge_mm: float
    half_spread_mm: float
    over_top_at_join_mm: float | None = None
    anchor: tuple[float, float] | None = None


@dataclass(frozen=True)
class Box:
    """outline: closed loop (n, 2), counter-clockwise."""

    outline: Array
    top: Sheet
    back: Sheet
    side: Board
    side_thickness_mm: float
    depth_neck_mm: float
    depth_tail_mm: float
    lining: Lining | None
    neck_block: Block
    tail_block: Block
    bridge: Patch
    bridge_plate: Patch | None
    strings: Strings


#: rows, columns and values of a sparse matrix
Entries = tuple[Integers, Integers, Array]

#: length of a block's elements against the shells': they are tied at their nodes, so both are refined together
SOLID_SHARE = 7.0 / 6.0


@dataclass(frozen=True)
class Skin:
    """The shells a block is glued to: surface and global node numbers of top, back and sides, the reach of the unrolled
    sides at the corners of the border, half the thickness of each, and the size of their triangles."""

    top: Meshed
    back: Meshed
    side: shell.Surface
    numbers: tuple[Integers, Integers, Integers]
    ring: Array
    half_mm: tuple[float, float, float]
    size_mm: float


@dataclass(frozen=True)
class Placed:
    """A block in the structure: its nodes' global numbers and their places, and those free of any glued face."""

    number: Integers
    of: Solid
    free: Flags
    end: Array


def add_block(
    to: shell.Structure, skin: Skin, domes: tuple[Dome, Dome], block: Block, end_x: float, inner: float
) -> tuple[Placed, list[Entries]]:
    """Add a block whose outer face is at end_x and which reaches `inner` (+1 or -1) into the body; it is read at that
    face. Returns it and the rows that tie its faces."""
    half_top, half_back, half_side = skin.half_mm
    near, far = end_x + inner * half_side, end_x + inner * block.length_mm
    size = SOLID_SHARE * skin.size_mm
    x = np.sort(np.linspace(near, far, 1 + max(1, round(block.length_mm / size))))
    high, low = _line(domes[0], x, -half_top), _line(domes[1], x, half_back)
    y = _lines([-block.half_width_mm, block.half_width_mm], size)
    share = _lines([0.0, 1.0], size / (high[0] - low[0]))
    made = solid(x, y, share, low, high)
    number = add_solid(to, made, block.wood, "blocks")
    flat, places = made.flat, made.places
    on_top, on_back = np.abs(flat[:, 2] - 1.0) < 1e-9, np.abs(flat[:, 2]) < 1e-9
    on_end = (np.abs(flat[:, 0] - near) < 1e-6) & ~on_top & ~on_back
    rows: list[Entries] = []
    for plate, of, chosen, offset in ((skin.top, 0, on_top, -half_top), (skin.back, 1, on_back, half_back)):
        weights = coo_matrix(plate.surface.basis.probes(places[chosen, :2].T))
        rows += _tied(number[chosen], skin.numbers[of], weights, (0.0, offset))
    spots = np.column_stack([_reach(skin.ring, end_x, places[on_end, 1]), places[on_end, 2]])
    weights = coo_matrix(skin.side.basis.probes(spots.T))
    rows += _tied(number[on_end], skin.numbers[2], weights, (near - end_x, 0.0))
    face = _simpson(y, (y[0], y[-1]), flat[:, 1]) * _simpson(share, (0.0, 1.0), flat[:, 2])
    face[np.abs(flat[:, 0] - near) > 1e-6] = 0.0
    return Placed(number, made, ~(on_top | on_back | on_end), face / face.sum()), rows


def motion(of: Placed, origin: Array, size: int) -> csr_matrix:
    """Rows (6, size) that read the mean movement and turns of a block's face as of a body, at `origin` (least squares).
    Its transpose spreads a force and a moment at `origin` over that face."""
    chosen = np.nonzero(of.end)[0]
    weight, place = of.end[chosen], of.of.places[chosen]
    middle = weight @ place
    arm = place - middle
    spread = np.einsum("n,nk,nk->", weight, arm, arm) * np.eye(3) - np.einsum("n,ni,nj->ij", weight, arm, arm)
    cross = np.stack([np.cross(np.eye(3)[axis], arm) for axis in range(3)], axis=0)  # (axis, node, component)
    turn = np.linalg.solve(spread, (weight[None, :, None] * cross).reshape(3, -1)).reshape(3, -1, 3)
    back = np.cross(np.eye(3), origin - middle)  # row: movement at the origin for a turn about each axis
    shift = weight[None, :, None] * np.eye(3)[:, None, :] + np.einsum("ak,ani->kni", back, turn)
    values = np.concatenate([shift, turn])
    columns = 6 * of.number[chosen][:, None] + np.arange(3)
    rows = np.repeat(np.arange(6), columns.size)
    return coo_matrix((values.ravel(), (rows, np.tile(columns.ravel(), 6))), shape=(6, size)).tocsr()


def held(of: Placed) -> list[int]:
    """Six freedoms of a block's own nodes that keep a body with no other support in place, and strain nothing."""
    chosen = np.nonzero(of.free)[0]
    flat = of.of.flat[chosen]
    one = chosen[np.lexsort((flat[:, 1], np.abs(flat[:, 2] - np.median(flat[:, 2]))))]
    level = one[np.abs(of.of.flat[one, 2] - of.of.flat[one[0], 2]) < 1e-9]
    depth = of.of.flat[level, 0]
    level = level[np.abs(depth - depth[0]) < 1e-6]
    left = level[np.argmin(of.of.flat[level, 1])]
    right = level[np.argmax(of.of.flat[level, 1])]
    column = chosen[
        (np.abs(flat[:, 0] - of.of.flat[left, 0]) < 1e-6) & (np.abs(flat[:, 1] - of.of.flat[left, 1]) < 1e-6)
    ]
    upper = column[np.argmax(np.abs(of.of.flat[column, 2] - of.of.flat[left, 2]))]
    a, b, c = (6 * int(of.number[k]) for k in (left, right, upper))
    return [a, a + 1, a + 2, b, b + 2, c]


def _line(dome: Dome, x: Array, offset: float) -> Line:
    ends = dome.height(np.array([[x[0], 0.0], [x[-1], 0.0]])) + offset
    slope = float((ends[1] - ends[0]) / (x[-1] - x[0]))
    return float(ends[0]) - slope * float(x[0]), slope


def _lines(stops: list[float], size: float) -> Array:
    kept = np.unique(np.round(stops, 9))
    parts = [np.linspace(a, b, 1 + max(1, int(np.ceil((b - a) / size - 0.2))))[:-1] for a, b in pairwise(kept)]
    return np.concatenate([*parts, kept[-1:]])


def _simpson(lines: Array, between: tuple[float, float], at: Array) -> Array:
    """Weights of nodes at and midway between lines (Simpson's rule), nought outside `between`."""
    found = np.zeros(len(at))
    for a, b in pairwise(lines):
        if a > between[0] - 1e-9 and b < between[1] + 1e-9:
            for place, weight in ((a, 1.0), ((a + b) / 2.0, 4.0), (b, 1.0)):
                found[np.abs(at - place) < 1e-6 * (lines[-1] - lines[0])] += weight * (b - a) / 6.0
    return found


def _reach(ring: Array, end_x: float, y: Array) -> Array:
    """Place along the unrolled border of points on the flat end at end_x."""
    step = np.diff(ring, axis=0)
    reach = np.concatenate([[0.0], np.cumsum(np.hypot(step[:, 0], step[:, 1]))])
    flat = np.nonzero((np.abs(ring[:-1, 0] - end_x) < 1e-6) & (np.abs(ring[1:, 0] - end_x) < 1e-6))[0]
    places = np.concatenate([ring[flat, 1], ring[flat + 1, 1]])
    reaches = np.concatenate([reach[flat], reach[flat + 1]])
    order = np.argsort(places)
    return np.asarray(np.interp(y, places[order], reaches[order]))


def _tied(slaves: Integers, number: Integers, weights: coo_matrix, arm: tuple[float, float]) -> list[Entries]:
    """Movement of slave nodes as the shell's, (k, local nodes) weights, plus its turn times the arm in (x, z)."""
    slave, master, value = slaves[weights.row], number[weights.col], weights.data
    along, up = arm
    terms = [(0, 0, 1.0), (1, 1, 1.0), (2, 2, 1.0), (0, 4, up), (1, 3, -up), (1, 5, along), (2, 4, -along)]
    return [(6 * slave + own, 6 * master + other, factor * value) for own, other, factor in terms if factor != 0.0]
