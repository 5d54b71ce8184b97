"""The closed body as it is described: domed top and back with their bars, sides between them, blocks, bridge, strings;
and as meshes: triangles of top, back and unrolled sides that meet node on node along the outline.

x from the body join to the tail, y across, z up, in mm; the top's middle surface is at z = 0 at both ends of the
centre line. Forces in N, moduli in MPa."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np
from scipy.spatial import cKDTree

from driftmodel.base.schema import Array, Flags, Integers
from driftmodel.structure import mesh, shell
from driftmodel.structure.plate import Board, Timber


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
    reach_at, own = mesh.reach_along(bar.path), bar.height_mm

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


def meshes(box: Box, length: float, size: float) -> tuple[Array, tuple[mesh.Triangles, mesh.Triangles]]:
    """Border points common to both plates, and the triangles of each."""
    ends = [
        [x, sign * block.half_width_mm]
        for x, block in ((0.0, box.neck_block), (length, box.tail_block))
        for sign in (1, -1)
    ]
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
        ledge = [] if box.lining is None else [ledge_line(border, box)]
        made = [mesh.triangulate(border, own + ledge, hole, size) for own, hole in zip(lines, holes, strict=True)]
        missing = np.concatenate([part.missing for part in made])
        if not len(missing):
            break
        extra = np.concatenate([extra, missing])
    return border, (made[0], made[1])


def _block_lines(box: Box, length: float) -> list[Array]:
    lines = []
    for end, inner, block in ((0.0, 1.0, box.neck_block), (length, -1.0, box.tail_block)):
        x, half = end + inner * block.length_mm, block.half_width_mm
        lines.append(np.array([[end, half], [x, half], [x, -half], [end, -half]]))
    return lines


def ledge_line(border: Array, box: Box) -> Array:
    """The inner edge of the linings, closed: every border point moved in by half a side, whose middle the outline is,
    and the lining's width."""
    assert box.lining is not None
    step = np.roll(border, -1, axis=0) - border
    heading = step / np.hypot(step[:, 0], step[:, 1])[:, None]
    middle = heading + np.roll(heading, 1, axis=0)
    middle /= np.hypot(middle[:, 0], middle[:, 1])[:, None]
    inner = box.side_thickness_mm / 2.0 + box.lining.width_mm
    away = inner / np.maximum((middle * heading).sum(axis=1), 0.3)
    moved = border + away[:, None] * np.column_stack([-middle[:, 1], middle[:, 0]])
    return np.concatenate([moved, moved[:1]])


def _patch_line(patch: Patch) -> Array:
    x0, x1, y = patch.front_mm, patch.back_mm, patch.half_length_mm
    return np.array([[x0, -y], [x1, -y], [x1, y], [x0, y], [x0, -y]])


def _saddle_line(box: Box) -> Array:
    """Where the strings pull; the moment there jumps, so the mesh follows it, with corners at the outer strings."""
    reach, inner = box.bridge.half_length_mm, min(box.strings.half_spread_mm, box.bridge.half_length_mm)
    return np.array([[box.strings.saddle_mm, y] for y in (-reach, -inner, inner, reach)])


def meshed(triangles: mesh.Triangles, dome: Dome, border: Array) -> Meshed:
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


def sides(box: Box, border: Array, domes: tuple[Dome, Dome], size: float) -> tuple[shell.Surface, Array, Array, Flags]:
    """The sides unrolled into a band: surface, places of its nodes in space, frames, and which triangles are lined."""
    ring = np.concatenate([border, border[:1]])
    step, reach = np.diff(ring, axis=0), mesh.reach_along(ring)
    span = np.hypot(step[:, 0], step[:, 1])
    high, low = domes[0].height(ring), domes[1].height(ring)
    lined = 0.0 if box.lining is None else box.lining.height_mm
    least = float((high - low).min()) - 2.0 * lined
    inner = max(2, int(np.round(least / (1.6 * size))))
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
            band += [bool(lined) and row in (0, count - 2)] * 2
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


def nodes_in_common(places: list[Array]) -> tuple[list[Integers], Array]:
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
