"""The closed body as a structure: domed top and back with their bars, sides between them, blocks, bridge and strings.

x from the body join to the tail, y across, z up, in mm; the top's middle surface is at z = 0 at both ends of the
centre line. Forces in N, moduli in MPa.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.sparse import coo_matrix, csr_matrix
from scipy.sparse.linalg import splu
from scipy.spatial import Delaunay, cKDTree

from driftmodel.structure import mesh, shell
from driftmodel.structure.plate import Board, Layer, Section, section

Array = NDArray[np.float64]
Integers = NDArray[np.int64]
Flags = NDArray[np.bool_]


@dataclass(frozen=True)
class Bar:
    """A brace: corner points (k, 2) of its path, and its height by the distance along it (a function of arrays)."""

    path: Array
    width_mm: float
    height_mm: Callable[[Array], Array]
    board: Board


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
    board: Board
    width_mm: float
    height_mm: float


@dataclass(frozen=True)
class Strings:
    """Saddle place, height of the strings over the bridge's top face, half the spread of the outer strings, and
    height of the strings over the top's face at the body join (None: a level line at the saddle's height)."""

    saddle_mm: float
    over_bridge_mm: float
    half_spread_mm: float
    over_top_at_join_mm: float | None = None


@dataclass(frozen=True)
class Box:
    """outline: closed loop (n, 2), counter-clockwise. Blocks: length and half width; firm (they do not deform)."""

    outline: Array
    top: Sheet
    back: Sheet
    side: Board
    side_thickness_mm: float
    depth_neck_mm: float
    depth_tail_mm: float
    lining: Lining | None
    neck_block: tuple[float, float]
    tail_block: tuple[float, float]
    bridge: Patch
    bridge_plate: Patch | None
    strings: Strings


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


class Dome:
    """Height of a plate over the x-y plane: a sphere of small rise over its ends, and for the back the sides' depth."""

    def __init__(self, length: float, radius: float, up: float, depth: tuple[float, float] | None) -> None:
        self.half, self.curve = length / 2.0, up / radius if radius else 0.0
        self.fall = (0.0, 0.0) if depth is None else (-depth[0], -(depth[1] - depth[0]) / length)

    def height(self, at: Array) -> Array:
        x, y = at[..., 0], at[..., 1]
        square = self.half**2 - (x - self.half) ** 2 - y**2
        return np.asarray(square * self.curve / 2.0 + self.fall[0] + self.fall[1] * x)

    def slope(self, at: Array) -> Array:
        x, y = at[..., 0], at[..., 1]
        return np.stack([-(x - self.half) * self.curve + self.fall[1], -y * self.curve], axis=-1)


@dataclass(frozen=True)
class Meshed:
    """A plate's surface, its dome slope at quadrature points, the height of its nodes and its border edges."""

    surface: shell.Surface
    slopes: Array
    height: Array
    dome: Dome


@dataclass(frozen=True)
class _Solution:
    """Displacements (6 n,) for each load, with what is needed to read them."""

    moved: dict[str, Array]
    top: Meshed
    border: Array
    place: Array
    top_number: Integers
    neck: int
    own: dict[int, int]


@dataclass(frozen=True)
class Shape:
    """Rise of the top's middle surface for one load each: corner places (2, n), triangles (3, m), rise (n,) in mm."""

    places: Array
    triangles: Integers
    rise: dict[str, Array]


def solve(box: Box, size_mm: float, loads: tuple[str, ...]) -> dict[str, Answer]:
    """Movement for +1 % MC in each part named in `loads`, or +1 N of string pull for 'strings'."""
    found = _solution(box, size_mm, loads)
    saddle = _probe(found.top, found.top_number, box.strings)
    flank = _flanks(found.place, found.top_number, found.top, box.strings.saddle_mm)
    answers = {}
    for name, shift in found.moved.items():
        nodes = shift.reshape(-1, 6)
        host, turned = _mean(nodes, saddle), _mean(nodes, [(_owned(n, found.own), w) for n, w in saddle])
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
    found = _solution(box, size_mm, loads)
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


def _solution(box: Box, size_mm: float, loads: tuple[str, ...]) -> _Solution:
    length = float(box.outline[:, 0].max())
    domes = (
        Dome(length, box.top.radius_mm, 1.0, None),
        Dome(length, box.back.radius_mm, -1.0, (box.depth_neck_mm, box.depth_tail_mm)),
    )
    border, (top_mesh, back_mesh) = _meshes(box, length, size_mm)
    top, back = _meshed(top_mesh, domes[0], border), _meshed(back_mesh, domes[1], border)
    side, spots, frames, band = _sides(box, border, domes, size_mm)
    at = [np.column_stack([shell.places(part.surface), part.height]) for part in (top, back)] + [spots]
    number, place = _merged(at)
    whole = shell.Structure(len(place))
    _add_sheet(whole, box.top, top, number[0], "top", 1.0)
    _add_sheet(whole, box.back, back, number[1], "back", -1.0)
    own = _add_bridge(whole, box, top, number[0])
    _add_sides(whole, box, side, number[2], frames, band)
    neck, tail = whole.node_count, whole.node_count + 1
    whole.node_count += 2
    saddle, above = _probe(top, number[0], box.strings), box.top.thickness_mm / 2.0
    _add_strings(whole, box, domes[0], saddle, own, neck, above)
    ties = _ties(box, length, place, whole.node_count, neck, tail)
    return _Solution(_solved(whole, ties, tail, loads), top, border, place, number[0], neck, own)


# ---- meshing ---------------------------------------------------------------------------------------------------


def _block_lines(box: Box, length: float) -> list[Array]:
    lines = []
    for end, inner, (deep, half) in ((0.0, 1.0, box.neck_block), (length, -1.0, box.tail_block)):
        x = end + inner * deep
        lines.append(np.array([[end, half], [x, half], [x, -half], [end, -half]]))
    return lines


def _patch_line(patch: Patch) -> Array:
    x0, x1, y = patch.front_mm, patch.back_mm, patch.half_length_mm
    return np.array([[x0, -y], [x1, -y], [x1, y], [x0, y], [x0, -y]])


def _saddle_line(box: Box) -> Array:
    """Where the strings pull; the moment there jumps, so the mesh follows it, with corners at the outer strings."""
    reach, inner = box.bridge.half_length_mm, min(box.strings.half_spread_mm, box.bridge.half_length_mm)
    return np.array([[box.strings.saddle_mm, y] for y in (-reach, -inner, inner, reach)])


def _meshes(box: Box, length: float, size: float) -> tuple[Array, tuple[mesh.Triangles, mesh.Triangles]]:
    """Border points common to both plates, and the triangles of each."""
    ends = [[x, sign * half] for x, (_, half) in ((0.0, box.neck_block), (length, box.tail_block)) for sign in (1, -1)]
    blocks = _block_lines(box, length)
    lines, holes = [], []
    for sheet in (box.top, box.back):
        own = [bar.path for bar in sheet.bars]
        hole = None
        if sheet is box.top:
            own.append(_patch_line(box.bridge))
            own.append(_saddle_line(box))
            plate = box.bridge_plate
            if plate is not None and abs(plate.half_length_mm - box.bridge.half_length_mm) > 0.1 * size:
                own.append(_patch_line(plate))
        if sheet.hole is not None:
            x, y, diameter = sheet.hole
            around = np.linspace(0.0, 2 * np.pi, max(20, int(np.ceil(1.3 * np.pi * diameter / size))), endpoint=False)
            reach = diameter / 2.0 * np.sqrt((2 * np.pi / len(around)) / np.sin(2 * np.pi / len(around)))  # equal area
            hole = np.column_stack([x + reach * np.cos(around), y + reach * np.sin(around)])
        lines.append(own + blocks)
        holes.append(hole)
    bars = [bar.path for sheet in (box.top, box.back) for bar in sheet.bars]
    extra = np.concatenate([np.array(ends), *(mesh.touching(path, box.outline, 0.35 * size) for path in bars)])
    for _ in range(8):
        border = mesh.along(box.outline, size, extra)
        made = [mesh.triangulate(border, own, hole, size) for own, hole in zip(lines, holes, strict=True)]
        missing = np.concatenate([part.missing for part in made])
        if not len(missing):
            break
        extra = np.concatenate([extra, missing])
    return border, (made[0], made[1])


def _meshed(triangles: mesh.Triangles, dome: Dome, border: Array) -> Meshed:
    """Along the border the dome is made straight between vertices, so that flat sides meet it exactly."""
    surface = shell.surface(triangles.points, triangles.corners)
    basis = surface.basis
    places = shell.places(surface)
    height, slopes = dome.height(places), dome.slope(shell.quadrature_places(surface))
    skin = basis.mesh.boundary_facets()
    ends = basis.mesh.facets[:, skin]
    distance = np.asarray(cKDTree(border).query(basis.mesh.p.T)[0])
    outer = (distance[ends] < 1e-6).all(axis=0)
    skin, ends = skin[outer], ends[:, outer]
    z: Array = np.asarray(dome.height(basis.mesh.p.T))
    middle = dome.height(basis.mesh.p[:, ends].mean(axis=1).T)
    sag = 4.0 * (middle - z[ends].mean(axis=0))
    corner_nodes, edge_nodes = basis.nodal_dofs[0][ends], basis.facet_dofs[:, skin]
    a, b = places[corner_nodes[0]], places[corner_nodes[1]]
    share = ((places[edge_nodes] - a) * (b - a)).sum(axis=-1) / ((b - a) ** 2).sum(axis=-1)
    height[edge_nodes] = z[ends[0]] * (1.0 - share) + z[ends[1]] * share
    of_facet = basis.mesh.f2t[0, skin]
    for one, (triangle, fall) in enumerate(zip(of_facet, sag, strict=True)):
        local = [int(np.nonzero(basis.mesh.t[:, triangle] == end)[0][0]) for end in ends[:, one]]
        points = basis.mesh.p[:, basis.mesh.t[:, triangle]]
        share_of = np.linalg.inv(np.vstack([points, np.ones(3)]))  # barycentric coordinates: share_of @ (x, y, 1)
        at = shell.quadrature_places(surface)[triangle]
        barycentric = np.column_stack([at, np.ones(len(at))]) @ share_of.T
        k, m = local
        slopes[triangle] -= fall * (barycentric[:, [k]] * share_of[m, :2] + barycentric[:, [m]] * share_of[k, :2])
    return Meshed(surface, slopes, height, dome)


def _sides(box: Box, border: Array, domes: tuple[Dome, Dome], size: float) -> tuple[shell.Surface, Array, Array, Flags]:
    """The sides unrolled into a band: surface, places of its nodes in space, frames, and which triangles are lined."""
    ring = np.concatenate([border, border[:1]])
    step = np.diff(ring, axis=0)
    span = np.hypot(step[:, 0], step[:, 1])
    reach = np.concatenate([[0.0], np.cumsum(span)])
    high, low = domes[0].height(ring), domes[1].height(ring)
    lined = 0.0 if box.lining is None else box.lining.height_mm
    least = float((high - low).min()) - 2.0 * lined
    inner = max(3, int(np.round(least / (1.2 * size))))
    shares = np.linspace(0.0, 1.0, inner + 1)
    rows = [high - lined - shares[k] * (high - low - 2.0 * lined) for k in range(inner + 1)]
    levels = np.array([high, *rows, low] if lined else rows)  # (rows, columns)
    count, columns = levels.shape
    points = np.column_stack([np.tile(reach, count), levels.ravel()])
    corners, band = [], []
    for row in range(count - 1):
        for column in range(columns - 1):
            a, b = row * columns + column, (row + 1) * columns + column
            turn = (row + column) % 2
            corners += [[b, b + 1, a + 1], [b, a + 1, a]] if turn else [[b, b + 1, a], [b + 1, a + 1, a]]
            band += [lined > 0 and row in (0, count - 2)] * 2
    surface = shell.surface(points, np.array(corners))
    facet = np.clip(np.searchsorted(reach, surface.centres[:, 0]) - 1, 0, len(span) - 1)
    along = step[facet] / span[facet][:, None]
    frames = np.zeros((len(corners), 3, 3))
    frames[:, 0, :2] = along
    frames[:, 1, 2] = 1.0
    frames[:, 2, 0], frames[:, 2, 1] = along[:, 1], -along[:, 0]
    flat = shell.places(surface)
    spots = np.column_stack([*(np.interp(flat[:, 0], reach, ring[:, axis]) for axis in (0, 1)), flat[:, 1]])
    return surface, spots, frames, np.array(band)


def _merged(places: list[Array]) -> tuple[list[Integers], Array]:
    """Global node numbers of each surface's nodes, and the places of the global nodes; nodes at one place are one."""
    whole = np.concatenate(places)
    owner = np.arange(len(whole))
    for a, b in sorted(cKDTree(whole).query_pairs(1e-4)):
        owner[b] = min(owner[a], owner[b])
    for _ in range(3):
        owner = owner[owner]
    kept, number = np.unique(owner, return_inverse=True)
    cuts = np.cumsum([len(part) for part in places])[:-1]
    return [part.astype(np.int64) for part in np.split(number, cuts)], whole[kept]


# ---- parts -----------------------------------------------------------------------------------------------------


def _scaled(of: Section, name: str, factor: float) -> Section:
    return Section(of.stiffness, {**of.loads, name: factor * of.loads[name]}, of.drilling)


def _add_sheet(to: shell.Structure, sheet: Sheet, on: Meshed, number: Integers, name: str, outside: float) -> None:
    """A plate and its bars; outside: +1 when the outer face is the upper one."""
    half = sheet.thickness_mm / 2.0
    stack = section((Layer(sheet.board, -half, half, name),), gradient=f"{name}_gradient")
    stack = _scaled(stack, f"{name}_gradient", outside)
    flat = np.broadcast_to(np.eye(3), (len(on.surface.nodes), 3, 3))
    shell.add_shell(to, on.surface, number[on.surface.nodes], stack, flat, on.slopes)
    for bar in sheet.bars:
        steps = np.hypot(*np.diff(bar.path, axis=0).T)
        before = np.concatenate([[0.0], np.cumsum(steps)])
        for leg in range(len(steps)):

            def height(reach: Array, bar: Bar = bar, start: float = float(before[leg])) -> Array:
                return bar.height_mm(start + reach)

            rib = shell.Rib(
                bar.path[leg : leg + 2], bar.width_mm, height, bar.board.modulus_along, bar.board.shear_plane,
                bar.board.movement_along, f"{name}_braces", outside, half,
            )  # fmt: skip
            shell.add_rib(to, on.surface, number, rib, on.dome.slope)


def _within(patch: Patch, centres: Array) -> Flags:
    x, y = centres[:, 0], centres[:, 1]
    return np.asarray((x > patch.front_mm) & (x < patch.back_mm) & (np.abs(y) < patch.half_length_mm))


def _add_bridge(to: shell.Structure, box: Box, on: Meshed, number: Integers) -> dict[int, int]:
    """Bridge and bridge plate, grain across, as layers that turn on their own; returns the bridge's own nodes."""
    own: dict[int, int] = {}
    half = box.top.thickness_mm / 2.0
    for patch, up in ((box.bridge, 1.0), (box.bridge_plate, -1.0)):
        if patch is None:
            continue
        middle = patch.thickness_mm / 2.0
        stack = section((Layer(patch.board, -middle, middle, "top_braces", 90.0),))
        chosen = _within(patch, on.surface.centres)
        made = shell.add_layer(
            to, on.surface, number[on.surface.nodes], stack, on.slopes, chosen, up * half, up * middle
        )
        own = own or made
    return own


def _add_sides(
    to: shell.Structure, box: Box, side: shell.Surface, number: Integers, frames: Array, band: Flags
) -> None:
    half = box.side_thickness_mm / 2.0
    wall = Layer(box.side, -half, half, "sides")
    shell.add_shell(to, side, number[side.nodes], section((wall,)), frames, chosen=~band, drilling=True)
    if box.lining is not None:
        strip = Layer(box.lining.board, -half - box.lining.width_mm, -half, "sides")
        shell.add_shell(to, side, number[side.nodes], section((wall, strip)), frames, chosen=band, drilling=True)


Weights = list[tuple[int, float]]


def _probe(on: Meshed, number: Integers, strings: Strings) -> Weights:
    """Weights on global nodes that give the mean along the saddle between the outer strings. (Six strings as points
    would not settle: a plate that shears gives way without end under a point.)"""
    share, weight = np.polynomial.legendre.leggauss(40)
    places = np.vstack([np.full(40, strings.saddle_mm), strings.half_spread_mm * share])
    mean = np.asarray(on.surface.basis.probes(places).T @ (weight / 2.0)).ravel()
    return [(int(number[k]), float(mean[k])) for k in np.nonzero(np.abs(mean) > 1e-12)[0]]


def _owned(node: int, own: dict[int, int]) -> int:
    return own.get(node, node)


def _mean(nodes: Array, weights: Weights) -> Array:
    return np.asarray(sum(weight * nodes[node] for node, weight in weights), dtype=float)


def _add_strings(
    to: shell.Structure, box: Box, dome: Dome, saddle: Weights, own: dict[int, int], neck: int, half: float
) -> None:
    """1 N along the line from saddle top to nut: on the bridge towards the nut, on the neck back towards the bridge."""
    strings = box.strings
    rest = half + box.bridge.thickness_mm + strings.over_bridge_mm
    high = float(dome.height(np.array([strings.saddle_mm, 0.0]))) + rest
    join = high if strings.over_top_at_join_mm is None else half + strings.over_top_at_join_mm
    steep = (high - join) / strings.saddle_mm
    pull = np.array([-1.0, -steep]) / np.hypot(1.0, steep)
    for node, weight in saddle:
        to.add_force("strings", np.array([6 * node, 6 * node + 2]), weight * pull)
        to.add_force("strings", np.array([6 * node + 4, 6 * _owned(node, own) + 4]),
                     weight * pull[0] * np.array([half, rest - half]))  # fmt: skip
    to.add_force("strings", 6 * neck + np.array([0, 2, 4]), np.array([-pull[0], -pull[1], -pull[0] * join]))


# ---- ties and answer ---------------------------------------------------------------------------------------------


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


def _solved(whole: shell.Structure, ties: csr_matrix, tail: int, loads: tuple[str, ...]) -> dict[str, Array]:
    """Displacements (6 n,) for each load, the tail block held."""
    stiffness = (ties.T @ whole.stiffness() @ ties).tocsr()
    free = stiffness.diagonal() > 0.0
    free[6 * tail : 6 * tail + 6] = False
    chosen = np.nonzero(free)[0]
    factor = splu(
        stiffness[chosen][:, chosen].tocsc(),
        permc_spec="MMD_AT_PLUS_A",
        diag_pivot_thresh=0.0,
        options={"SymmetricMode": True},
    )
    right = np.column_stack([(ties.T @ whole.load(name))[chosen] for name in loads])
    found = np.zeros((len(free), len(loads)))
    found[chosen] = factor.solve(right)
    moved = ties @ found
    return {name: moved[:, k] for k, name in enumerate(loads)}


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
