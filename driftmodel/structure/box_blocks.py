"""Neck and tail block in the closed body: glued to both plates and the end of the sides, and read where the neck joins;
solids of 27-node hexahedra.

Faces are tied node by node: a block's node goes with the glued face of the plate or side, which is the shell's
reference surface and its turn times the distance."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from scipy.sparse import coo_matrix, csr_matrix

from driftmodel.base.schema import Array, Flags, Integers
from driftmodel.structure import shell
from driftmodel.structure.box import Block, Dome, Meshed
from driftmodel.structure.mesh import reach_along
from driftmodel.structure.plate import Timber

Line = tuple[float, float]


@dataclass(frozen=True)
class Solid:
    """A meshed block: places (n, 3) of its nodes; the same as x, y and share of the height (flat); cells (m, 27)."""

    places: Array
    flat: Array
    cells: Integers
    gradient: Array
    weight: Array


def solid(x: Array, y: Array, share: Array, low: Line, high: Line) -> Solid:
    """Hexahedra on lines x, y and shares of the height 0 (lower face) to 1 (upper face); both faces are straight over
    x: height at x = 0 and its slope."""
    from skfem import Basis, ElementHex2, MeshHex

    mesh = MeshHex.init_tensor(x, y, share)
    px, py, ps = mesh.p
    under, over = (line[0] + line[1] * px for line in (low, high))
    basis = Basis(MeshHex(np.array([px, py, under + ps * (over - under)]), mesh.t), ElementHex2(), intorder=4)
    flat = Basis(mesh, ElementHex2(), intorder=2).doflocs
    gradient = np.stack([shape[0].grad for shape in basis.basis], axis=-1).transpose(1, 2, 0, 3)
    return Solid(basis.doflocs.T.copy(), flat.T.copy(), basis.element_dofs.T.astype(np.int64), gradient, basis.dx)


def add_solid(to: shell.Structure, of: Solid, wood: Timber, group: str) -> Integers:
    """Add a block of wood on nodes of its own; returns their global numbers."""
    number = to.node_count + np.arange(len(of.places))
    to.node_count += len(of.places)
    freedoms = shell.freedoms_of(number[of.cells], (0, 1, 2))

    def operator(some: slice) -> Array:
        gx, gy, gz = (of.gradient[some, :, axis] for axis in range(3))
        strain = np.zeros((*gx.shape[:2], 6, gx.shape[2], 3))
        for row, column, value in ((0, 0, gx), (1, 1, gy), (2, 2, gz), (3, 1, gz), (3, 2, gy), (4, 0, gz), (4, 2, gx),
                                   (5, 0, gy), (5, 1, gx)):  # fmt: skip
            strain[:, :, row, :, column] = value
        return strain.reshape(*strain.shape[:3], -1)

    shell.add_piece(to, shell.Piece(group, freedoms, operator, of.weight, wood.shares), {})
    return number


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
    reach = reach_along(ring)
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
