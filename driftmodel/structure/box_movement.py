"""How the closed body moves: parts joined, blocks held firm, solved for each load, read at the bridge and the join."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.sparse import coo_matrix, csr_matrix
from scipy.sparse.linalg import splu
from scipy.spatial import Delaunay

from driftmodel.structure import mesh, shell
from driftmodel.structure.box import Box, Strings
from driftmodel.structure.box_mesh import Dome, Meshed, meshed, meshes, nodes_in_common, sides
from driftmodel.structure.box_parts import Weights, add_bridge, add_sheet, add_sides, add_strings, owned

Array = NDArray[np.float64]
Integers = NDArray[np.int64]


@dataclass(frozen=True)
class Answer:
    """Movement for one load, in the frame of the firm tail block. bridge, join and tail: (x, z) displacement at the
    saddle on the top's middle surface, at the top of the body join and at the top of the tail end; tilt and turn: about
    y in radians, + the upper side goes to the tail; width: change across at the saddle."""

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
    """Displacements (6 n,) for each load and shares of the strings', with what is needed to read them."""

    moved: dict[str, Array]
    shares: Shares
    top: Meshed
    border: Array
    place: Array
    top_number: Integers
    neck: int
    own: dict[int, int]


def solve(box: Box, size_mm: float, loads: tuple[str, ...]) -> dict[str, Answer]:
    """Movement for +1 % MC in each part named in `loads`, or +1 N of string pull for 'strings'."""
    return _answers(box, _solution(box, size_mm, loads, with_shares=False))


def solve_with_shares(box: Box, size_mm: float, loads: tuple[str, ...]) -> tuple[dict[str, Answer], Shares]:
    """Movement for each load as of `solve`, and where the give under +1 N of string pull comes from, by READINGS."""
    found = _solution(box, size_mm, loads, with_shares=True)
    return _answers(box, found), found.shares


def _answers(box: Box, found: _Solution) -> dict[str, Answer]:
    saddle = _probe(found.top, found.top_number, box.strings)
    flank = _flanks(found.place, found.top_number, found.top, box.strings.saddle_mm)
    answers = {}
    for name, shift in found.moved.items():
        nodes = shift.reshape(-1, 6)
        host, turned = _mean(nodes, saddle), _mean(nodes, [(owned(n, found.own), w) for n, w in saddle])
        answers[name] = Answer(
            bridge=(float(host[0]), float(host[2])),
            bridge_tilt=float(turned[4]),
            block=(float(nodes[found.neck, 0]), float(nodes[found.neck, 2])),
            block_turn=float(nodes[found.neck, 4]),
            width=float(_mean(nodes, flank[0])[1] - _mean(nodes, flank[1])[1]),
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
        rise[name] = nodes[found.top_number, 2] - nodes[found.neck, 2] * (1.0 - along)
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
    add_sides(whole, box, side, number[2], frames, band)
    neck, tail = whole.node_count, whole.node_count + 1
    whole.node_count += 2
    saddle, above = _probe(top, number[0], box.strings), box.top.thickness_mm / 2.0
    add_strings(whole, box, domes[0], saddle, own, neck, above)
    ties = _ties(box, length, place, whole.node_count, neck, tail)
    unit = {"sinkage": [(6 * n + 2, -w) for n, w in saddle] + [(6 * neck + 2, 1.0)], "turn": [(6 * neck + 4, 1.0)],
            "tilt": [(6 * owned(n, own) + 4, -w) for n, w in saddle]}  # fmt: skip
    solver = _Solver(whole, ties, tail)
    units = np.zeros((6 * whole.node_count, len(READINGS)))
    for k, name in enumerate(READINGS):
        for freedom, force in unit[name]:
            units[freedom, k] += force
    forces = np.column_stack([*(whole.load(name) for name in loads), units])
    moved = solver.solve(forces)
    shares = _shares(whole, solver, forces, moved, loads) if with_shares else {}
    kept = {name: moved[:, k] for k, name in enumerate(loads)}
    return _Solution(kept, shares, top, border, place, number[0], neck, own)


def _ties(box: Box, length: float, place: Array, count: int, neck: int, tail: int) -> csr_matrix:
    """Freedoms of all nodes from those that are free: nodes on a block go with its own node, which sits at the top's
    middle surface at the end of the centre line."""
    x, y = place[:, 0], place[:, 1]
    slack = 1e-3
    on_neck = (x < box.neck_block[0] + slack) & (np.abs(y) < box.neck_block[1] + slack)
    on_tail = (x > length - box.tail_block[0] - slack) & (np.abs(y) < box.tail_block[1] + slack)
    master = np.arange(count)
    master[: len(place)][on_neck], master[: len(place)][on_tail] = neck, tail
    rows = np.arange(6 * count)
    columns = (6 * master[:, None] + np.arange(6)).ravel()
    entries = [(rows, columns, np.ones(6 * count))]
    for chosen, node, origin in ((on_neck, neck, np.zeros(3)), (on_tail, tail, np.array([length, 0.0, 0.0]))):
        tied = np.nonzero(chosen)[0]
        arm = place[tied] - origin
        for shift, turn, lever in ((0, 4, arm[:, 2]), (0, 5, -arm[:, 1]), (1, 3, -arm[:, 2]),
                                   (1, 5, arm[:, 0]), (2, 3, arm[:, 1]), (2, 4, -arm[:, 0])):  # fmt: skip
            entries.append((6 * tied + shift, np.full(len(tied), 6 * node + turn), lever))
    row, column, value = (np.concatenate(part) for part in zip(*entries, strict=True))
    return coo_matrix((value, (row, column)), shape=(6 * count, 6 * count)).tocsr()


class _Solver:
    """The body's stiffness, factored once, the tail block held."""

    def __init__(self, whole: shell.Structure, ties: csr_matrix, tail: int) -> None:
        stiffness = (ties.T @ whole.stiffness() @ ties).tocsr()
        free = stiffness.diagonal() > 0.0
        free[6 * tail : 6 * tail + 6] = False
        self._ties, self._chosen = ties, np.nonzero(free)[0]
        self._factor = splu(
            stiffness[self._chosen][:, self._chosen].tocsc(),
            permc_spec="MMD_AT_PLUS_A",
            diag_pivot_thresh=0.0,
            options={"SymmetricMode": True},
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
    return {name: {key: float(values[k]) for key, values in found.items()} for k, name in enumerate(READINGS)}


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
