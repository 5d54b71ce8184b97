"""How the closed body moves: parts joined, solved for each load, read at the bridge and the join."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from scipy.sparse import coo_matrix, csr_matrix
from scipy.sparse.linalg import splu
from scipy.spatial import Delaunay

from driftmodel.base.arrays import eight_digits, settled
from driftmodel.base.schema import Array, Integers
from driftmodel.structure import mesh, shell
from driftmodel.structure.box import Box, Dome, Meshed, Strings, meshed, meshes, nodes_in_common, sides
from driftmodel.structure.box_blocks import Entries, Skin, add_block, held, motion
from driftmodel.structure.box_parts import Weights, add_bridge, add_ledge, add_sheet, add_sides, add_strings


@dataclass(frozen=True)
class Answer:
    """Movement for one load, in the frame of the tail block. bridge and block: (x, z) displacement at the saddle on the
    top's middle surface and, as the neck's face on its block moves, at the top of the body join; tilt (of the bridge
    as a body, from its front to its back edge) and turn: about y in radians, + the upper side goes to the tail; width:
    change across at the saddle."""

    bridge: tuple[float, float]
    bridge_tilt: float
    block: tuple[float, float]
    block_turn: float
    width: float


#: what the strings' give is split for: the bridge sinking against the neck block (mm), the block's turn and the
#: bridge's lean to the nut (radians)
READINGS = ("sinkage", "turn", "tilt")
#: growth of each compliance at which the shares are taken: a third of what Maas and Wittel (2026) give for 7 years
SOFTENED = {"along": 0.13, "across": 0.95, "shear": 0.48, "through": 0.44, "rolling": 0.30}
#: by reading: (group of boards, component) -> share
Shares = dict[str, dict[tuple[str, str], float]]


@dataclass(frozen=True)
class Shape:
    """Rise of the top's middle surface for one load each: corner places (2, n), triangles (3, m), rise (n,) in mm."""

    places: Array
    triangles: Integers
    rise: dict[str, Array]


@dataclass(frozen=True)
class _Solution:
    """Displacements (6 n,) for each load in the frame of the tail block and shares of the strings', with what is needed
    to read them: movement of the neck (6,) at the origin for each load."""

    moved: dict[str, Array]
    neck: dict[str, Array]
    shares: Shares
    top: Meshed
    place: Array
    top_number: Integers


def solve(box: Box, size_mm: float, loads: tuple[str, ...]) -> dict[str, Answer]:
    """Movement for +1 % MC in each part named in `loads`, or +1 N of string pull for 'strings'."""
    return _answers(box, _solution(box, size_mm, loads, with_shares=False))


def solve_with_shares(box: Box, size_mm: float, loads: tuple[str, ...]) -> tuple[dict[str, Answer], Shares]:
    """Movement for each load as of `solve`, and where the give under +1 N of string pull comes from, by READINGS."""
    found = _solution(box, size_mm, loads, with_shares=True)
    return _answers(box, found), found.shares


def _answers(box: Box, found: _Solution) -> dict[str, Answer]:
    saddle, (front, back) = _probe(found.top, found.top_number, box.strings), _edges(found.top, found.top_number, box)
    flank = _flanks(found.place, found.top_number, found.top, box.strings.saddle_mm)
    answers = {}
    for name, shift in found.moved.items():
        nodes = shift.reshape(-1, 6)
        host, fall = _mean(nodes, saddle), _mean(nodes, front)[2] - _mean(nodes, back)[2]
        answers[name] = Answer(
            bridge=(eight_digits(host[0]), eight_digits(host[2])),
            bridge_tilt=eight_digits(fall / (box.bridge.back_mm - box.bridge.front_mm)),
            block=(eight_digits(found.neck[name][0]), eight_digits(found.neck[name][2])),
            block_turn=eight_digits(found.neck[name][4]),
            width=eight_digits(_mean(nodes, flank[0])[1] - _mean(nodes, flank[1])[1]),
        )
    return answers


def top_shape(box: Box, size_mm: float, loads: tuple[str, ...]) -> Shape:
    """How the whole top rises for each load, against a plane through the outer edges of neck and tail block."""
    found = _solution(box, size_mm, loads, with_shares=False)
    places = shell.places(found.top.surface)
    along = places[:, 0] / places[:, 0].max()
    rise = {}
    for name, shift in found.moved.items():
        nodes = shift.reshape(-1, 6)
        up = nodes[found.top_number, 2] - found.neck[name][2] * (1.0 - along)
        rise[name] = settled(up)
    triangles = Delaunay(places).simplices
    middle = places[triangles].mean(axis=1)
    kept = mesh.inside(middle, box.outline)
    if box.top.hole is not None:
        x, y, diameter = box.top.hole
        kept &= np.hypot(middle[:, 0] - x, middle[:, 1] - y) > diameter / 2.0
    return Shape(places.T, triangles[kept].T.astype(np.int64), rise)


def _solution(box: Box, size_mm: float, loads: tuple[str, ...], with_shares: bool) -> _Solution:
    length = float(box.outline[:, 0].max())
    domes = (
        Dome(length, box.top.radius_mm, 1.0, None),
        Dome(length, box.back.radius_mm, -1.0, (box.depth_neck_mm, box.depth_tail_mm)),
    )
    border, (top_mesh, back_mesh) = meshes(box, length, size_mm)
    top, back = meshed(top_mesh, domes[0], border), meshed(back_mesh, domes[1], border)
    side, spots, frames, band = sides(box, border, domes, size_mm)
    at = [np.column_stack([shell.places(part.surface), part.height]) for part in (top, back)] + [spots]
    number, place = nodes_in_common(at)
    whole = shell.Structure(len(place))
    add_sheet(whole, box.top, top, number[0], "top", 1.0)
    add_sheet(whole, box.back, back, number[1], "back", -1.0)
    own = add_bridge(whole, box, top, number[0])
    add_ledge(whole, box, top, number[0], border, box.top.thickness_mm / 2.0)
    add_ledge(whole, box, back, number[1], border, -box.back.thickness_mm / 2.0)
    add_sides(whole, box, side, number[2], frames, band)
    half = (box.top.thickness_mm / 2.0, box.back.thickness_mm / 2.0, box.side_thickness_mm / 2.0)
    ring = np.concatenate([border, border[:1]])
    skin = Skin(top, back, side, (number[0], number[1], number[2]), ring, half, size_mm)
    neck_block, rows = add_block(whole, skin, domes, box.neck_block, 0.0, 1.0)
    tail_block, more = add_block(whole, skin, domes, box.tail_block, length, -1.0)
    saddle, above = _probe(top, number[0], box.strings), box.top.thickness_mm / 2.0
    behind = 0.0 if box.strings.anchor is None else box.strings.anchor[0]
    anchored = _probe(top, number[0], replace(box.strings, saddle_mm=box.strings.saddle_mm + behind))
    wrench = add_strings(whole, box, domes[0], (saddle, anchored), own, above)
    size = 6 * whole.node_count
    neck, tail = motion(neck_block, np.zeros(3), size), motion(tail_block, np.array([length, 0.0, 0.0]), size)
    every = np.zeros((whole.node_count, 3))
    every[: len(place)] = place
    for host, layer in own.items():
        every[layer] = place[host]
    for block in (neck_block, tail_block):
        every[block.number] = block.of.places
    carried = _rigid(every, np.array([length, 0.0, 0.0])) @ tail  # movement of all as the tail block moves
    units = np.zeros((size, len(READINGS)))
    for node, weight in saddle:
        units[6 * node + 2, 0] -= weight
    for nodes, sign in zip(_edges(top, number[0], box), (-1.0, 1.0), strict=True):
        for node, weight in nodes:
            units[6 * node + 2, 2] += sign * weight / (box.bridge.back_mm - box.bridge.front_mm)
    units[:, 0] += np.asarray(neck[2].todense()).ravel()
    units[:, 1] += np.asarray(neck[4].todense()).ravel()
    units -= carried.T @ units
    given = [whole.load(name) + (neck.T @ wrench if name == "strings" else 0.0) for name in loads]
    forces = np.column_stack([*given, units])
    solver = _Solver(whole, _ties([*rows, *more], size), held(tail_block))
    moved = solver.solve(forces)
    shares = _shares(whole, solver, forces, moved, loads) if with_shares else {}
    seen = moved - carried @ moved
    kept = {name: seen[:, k] for k, name in enumerate(loads)}
    turned = {name: np.asarray(neck @ shift) for name, shift in kept.items()}
    return _Solution(kept, turned, shares, top, place, number[0])


def _rigid(place: Array, origin: Array) -> csr_matrix:
    """Movement (6 n, 6) of all nodes as a body moves and turns at `origin`."""
    count, arm = len(place), place - origin
    node = np.arange(count)
    parts = [(own, own, np.ones(count)) for own in range(6)]
    parts += [(0, 4, arm[:, 2]), (0, 5, -arm[:, 1]), (1, 3, -arm[:, 2]), (1, 5, arm[:, 0]), (2, 3, arm[:, 1]),
              (2, 4, -arm[:, 0])]  # fmt: skip
    rows = np.concatenate([6 * node + own for own, _, _ in parts])
    columns = np.repeat([other for _, other, _ in parts], count)
    return coo_matrix((np.concatenate([value for _, _, value in parts]), (rows, columns)), shape=(6 * count, 6)).tocsr()


def _ties(rows: list[Entries], size: int) -> csr_matrix:
    """All freedoms from those that are free: those named in rows follow others, the rest are their own."""
    tied = np.unique(np.concatenate([row for row, _, _ in rows]))
    free = np.setdiff1d(np.arange(size), tied)
    every = [*rows, (free, free, np.ones(len(free)))]
    row, column, value = (np.concatenate([part[k] for part in every]) for k in range(3))
    return coo_matrix((value, (row, column)), shape=(size, size)).tocsr()


class _Solver:
    """The body's stiffness, factored once, some freedoms held."""

    def __init__(self, whole: shell.Structure, ties: csr_matrix, held_freedoms: list[int]) -> None:
        stiffness = (ties.T @ whole.stiffness() @ ties).tocsr()
        free = stiffness.diagonal() > 0.0
        free[held_freedoms] = False
        self._ties, self._chosen = ties, np.nonzero(free)[0]
        stiffness = stiffness[self._chosen][:, self._chosen].tocsc()
        self._factor = splu(
            stiffness, permc_spec="MMD_AT_PLUS_A", diag_pivot_thresh=0.0, options={"SymmetricMode": True}
        )

    def solve(self, forces: Array) -> Array:
        """Displacements (6 n, k) under forces (6 n, k)."""
        found = np.zeros((self._ties.shape[1], forces.shape[1]))
        found[self._chosen] = self._factor.solve((self._ties.T @ forces)[self._chosen])
        return np.asarray(self._ties @ found)


def _shares(whole: shell.Structure, solver: _Solver, forces: Array, moved: Array, loads: tuple[str, ...]) -> Shares:
    """Where the give under the strings comes from, taken on the way that creep will go: with the body softened by
    SOFTENED, not at once. Stresses move from what creeps much to what creeps little; shares taken from the elastic
    body would overstate twenty years by up to 12 %, these stay within 4 % from a month to twenty years."""
    columns = [loads.index("strings"), *range(len(loads), forces.shape[1])]
    held, soft = forces[:, columns], moved[:, columns]
    ends = 1.0 / (1.0 + np.array([min(SOFTENED.values()), max(SOFTENED.values())]))
    for angle in (np.pi / 6.0, np.pi / 2.0, 5.0 * np.pi / 6.0):  # Chebyshev's three steps leave 1 % of the difference
        step = 1.0 / (ends.mean() + (ends[0] - ends[1]) / 2.0 * np.cos(angle))
        soft = soft + step * solver.solve(held - whole.softened_force(soft, SOFTENED))
    found = whole.shares(soft[:, 0], soft[:, 1:], SOFTENED)
    return {name: {key: eight_digits(values[k]) for key, values in found.items()} for k, name in enumerate(READINGS)}


def _edges(on: Meshed, number: Integers, box: Box) -> tuple[Weights, Weights]:
    """Weights of the bridge's front and back edge between the outer strings: what an inclinometer across them reads."""
    first, last = (
        _probe(on, number, replace(box.strings, saddle_mm=x)) for x in (box.bridge.front_mm, box.bridge.back_mm)
    )
    return first, last


def _probe(on: Meshed, number: Integers, strings: Strings) -> Weights:
    """Weights on global nodes that give the mean along the saddle between the outer strings. (Six strings as points
    would not settle: a plate that shears gives way without end under a point.)"""
    share, weight = np.polynomial.legendre.leggauss(40)
    places = np.vstack([np.full(40, strings.saddle_mm), strings.half_spread_mm * share])
    mean = np.asarray(on.surface.basis.probes(places).T @ (weight / 2.0)).ravel()
    return [(int(number[k]), float(mean[k])) for k in np.nonzero(np.abs(mean) > 1e-12)[0]]


def _flanks(place: Array, number: Integers, on: Meshed, x: float) -> tuple[Weights, Weights]:
    """Weights on border nodes that give the outline where the saddle's line meets it, on the +y and the -y side."""
    rim = number[on.surface.basis.get_dofs().flatten()]
    outer = rim[np.abs(place[rim, 1]) > 0.5 * np.abs(place[number, 1]).max()]
    found = []
    for sign in (1.0, -1.0):
        half = outer[sign * place[outer, 1] > 0]
        before = half[place[half, 0] <= x]
        behind = half[place[half, 0] > x]
        a, b = before[np.argmax(place[before, 0])], behind[np.argmin(place[behind, 0])]
        share = float((x - place[a, 0]) / (place[b, 0] - place[a, 0]))
        found.append([(int(a), 1.0 - share), (int(b), share)])
    return found[0], found[1]


def _mean(nodes: Array, weights: Weights) -> Array:
    return np.asarray(sum(weight * nodes[node] for node, weight in weights), dtype=float)
