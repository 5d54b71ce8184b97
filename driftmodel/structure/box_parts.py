"""The parts of the closed body put into one structure: plates and their bars, bridge, sides, and the strings' pull."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np
from scipy.spatial import cKDTree

from driftmodel.base.schema import Array, Flags, Integers
from driftmodel.structure import mesh, shell
from driftmodel.structure.box import Bar, Box, Dome, Meshed, Patch, Sheet, ledge_line
from driftmodel.structure.plate import Board, Layer, Section, section
from driftmodel.structure.shell import Piece, Structure, Surface, freedoms_of, places

#: global nodes with their shares in a mean
Weights = list[tuple[int, float]]


def add_sheet(to: shell.Structure, sheet: Sheet, on: Meshed, number: Integers, name: str, outside: float) -> None:
    """A plate and its bars; outside: +1 when the outer face is the upper one."""
    half = sheet.thickness_mm / 2.0
    stack = section((Layer(sheet.board, -half, half, name),), gradient=f"{name}_gradient")
    stack = _scaled(stack, f"{name}_gradient", outside)
    flat = np.broadcast_to(np.eye(3), (len(on.surface.nodes), 3, 3))
    shell.add_shell(to, on.surface, number[on.surface.nodes], stack, name, flat, on.slopes)
    for bar in sheet.bars:
        before = mesh.reach_along(bar.path)
        for leg in range(len(bar.path) - 1):

            def height(reach: Array, bar: Bar = bar, start: float = float(before[leg])) -> Array:
                return bar.height_mm(start + reach)

            board = bar.board
            rib = Rib(
                bar.path[leg : leg + 2], bar.width_mm, height, board.modulus_along, board.shear_along_through,
                board.shear_plane, board.movement_along, f"{name}_braces", outside, half,
            )  # fmt: skip
            add_rib(to, on.surface, number, rib, on.dome.slope)


def _scaled(of: Section, name: str, factor: float) -> Section:
    return Section(of.shares, {**of.loads, name: factor * of.loads[name]}, of.drilling)


def add_bridge(to: shell.Structure, box: Box, on: Meshed, number: Integers) -> dict[int, int]:
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
            to, on.surface, number[on.surface.nodes], stack, "bridge", on.slopes, chosen, up * half, up * middle
        )
        own = own or made
    return own


def _within(patch: Patch, centres: Array) -> Flags:
    x, y = centres[:, 0], centres[:, 1]
    return np.asarray((x > patch.front_mm) & (x < patch.back_mm) & (np.abs(y) < patch.half_length_mm))


def add_ledge(to: shell.Structure, box: Box, on: Meshed, number: Integers, border: Array, half: float) -> None:
    """The linings as a ledge glued under a plate, along the border but for the blocks. half: of the plate's thickness,
    + for linings below it, - above."""
    if box.lining is None:
        return
    length, centres = float(box.outline[:, 0].max()), on.surface.centres
    chosen = ~mesh.inside(centres, ledge_line(border, box))
    for block, reach in ((box.neck_block, centres[:, 0]), (box.tail_block, length - centres[:, 0])):
        chosen &= (reach > block.length_mm) | (np.abs(centres[:, 1]) > block.half_width_mm)
    step = np.roll(border, -1, axis=0) - border
    along = step[cKDTree(border + step / 2.0).query(centres[chosen])[1]]
    along /= np.hypot(along[:, 0], along[:, 1])[:, None]
    axes = np.stack([along, np.column_stack([-along[:, 1], along[:, 0]])], axis=1)  # (m, axis, xy)
    frames = np.zeros((len(axes), 3, 3))
    frames[:, :2, :2], frames[:, 2, 2] = axes, 1.0
    part = on.surface
    strip = shell.Surface(
        part.basis, part.nodes[chosen], part.value, np.einsum("mqni,mai->mqna", part.gradient[chosen], axes),
        part.weight[chosen], centres[chosen],
    )  # fmt: skip
    slopes = np.einsum("mqi,mai->mqa", on.dome.slope(shell.quadrature_places(part))[chosen], axes)
    far = half + np.copysign(box.lining.height_mm, half)
    of_strip = box.lining.width_mm / (box.lining.width_mm + box.side_thickness_mm / 2.0)  # the rest is the side's
    bar = replace(_half_along(box.lining.board), movement_across=of_strip * box.lining.movement_through)
    stack = section((Layer(bar, -max(half, far), -min(half, far), "sides"),))
    shell.add_shell(to, strip, number[part.nodes[chosen]], stack, "sides", frames, slopes)


def _half_along(of: Board) -> Board:
    """A lining is one bar, told twice: as the ledge of a plate and as the edge of the sides; each has half its pull."""
    return replace(of, modulus_along=of.modulus_along / 2.0, poisson=of.poisson / 2.0)


def add_sides(to: shell.Structure, box: Box, side: shell.Surface, number: Integers, frames: Array, band: Flags) -> None:
    """The sides, thicker by the lining on the triangles of the band."""
    half = box.side_thickness_mm / 2.0
    wall = Layer(box.side, -half, half, "sides")
    shell.add_shell(to, side, number[side.nodes], section((wall,)), "sides", frames, chosen=~band, drilling=True)
    if box.lining is not None:
        strip = Layer(_half_along(box.lining.board), -half - box.lining.width_mm, -half, "sides")
        shell.add_shell(
            to, side, number[side.nodes], section((wall, strip)), "sides", frames, chosen=band, drilling=True
        )


def add_strings(
    to: shell.Structure, box: Box, dome: Dome, rows: tuple[Weights, Weights], own: dict[int, int], half: float
) -> Array:
    """1 N along the line from saddle top to nut. rows: nodes under the saddle and where the strings are anchored, by
    weight. A string pulls the saddle both ways, towards the nut and down to its anchor, and the anchor back; where none
    is given the saddle takes all. Returns the force and moment (6,) on the neck at the origin."""
    strings = box.strings
    rest = half + box.bridge.thickness_mm + strings.over_bridge_mm
    high = float(dome.height(np.array([strings.saddle_mm, 0.0]))) + rest
    join = high if strings.over_top_at_join_mm is None else half + strings.over_top_at_join_mm
    steep = (high - join) / strings.saddle_mm
    pull = np.array([-1.0, -steep]) / np.hypot(1.0, steep)
    if strings.anchor is None:
        loads = [(rows[0], pull, (half, rest - half))]
    else:
        behind, over = strings.anchor
        level = half + box.bridge.thickness_mm + over
        down = np.array([behind, level - rest]) / np.hypot(behind, level - rest)
        loads = [(rows[0], pull + down, (half, rest - half)), (rows[1], -down, (half, level - half))]
    for nodes, force, (host, layer) in loads:
        for node, weight in nodes:
            to.add_force("strings", np.array([6 * node, 6 * node + 2]), weight * force)
            to.add_force("strings", np.array([6 * node + 4, 6 * own.get(node, node) + 4]),
                         weight * force[0] * np.array([host, layer]))  # fmt: skip
    return np.array([-pull[0], 0.0, -pull[1], 0.0, -pull[0] * join, 0.0])


@dataclass(frozen=True)
class Rib:
    """A bar glued along a line of a plate: ends (2, 2) mm, and by the distance along it (mm): width, height (arrays);
    below: +1 for a bar under the plate (towards -z), -1 above. modulus, shear (upright, and of its
    torsion) in MPa; movement per +1 % MC."""

    ends: Array
    width_mm: float
    height_mm: Callable[[Array], Array]
    modulus: float
    shear: float
    shear_torsion: float
    movement: float
    moisture: str
    below: float
    half_plate_mm: float


#: which of stretch, bending, shear and torsion is whose
_SHARES = {"along": np.array([1.0, 1.0, 0.0, 0.0]), "through": np.array([0.0, 0.0, 1.0, 0.0]),
           "shear": np.array([0.0, 0.0, 0.0, 1.0])}  # fmt: skip
#: Gauss-Legendre points along an edge
_GAUSS, _GAUSS_WEIGHT = np.polynomial.legendre.leggauss(5)


def _cubic_line() -> tuple[Array, Array]:
    """Values and slopes (5, 4) of cubic interpolation on nodes at 0, 1/3, 2/3, 1."""
    spots = np.linspace(0.0, 1.0, 4)
    coefficients = np.linalg.inv(np.vander(spots, 4, increasing=True))
    at = (_GAUSS + 1.0) / 2.0
    slope = np.column_stack([np.zeros_like(at), np.ones_like(at), 2.0 * at, 3.0 * at**2])
    return np.vander(at, 4, increasing=True) @ coefficients, slope @ coefficients


def rib_edges(of: Surface, start: Array, end: Array) -> Integers:
    """Edges of the mesh that lie on a straight line, as their four local nodes in order, (k, 4)."""
    mesh, basis = of.basis.mesh, of.basis
    step = end - start
    length = float(np.hypot(*step))
    ends = mesh.p[:, mesh.facets].transpose(2, 1, 0)
    share = (ends - start) @ step / length**2
    off = np.abs((ends - start)[..., 0] * step[1] - (ends - start)[..., 1] * step[0]) / length
    slack = 0.5
    on = ((off < slack) & (share > -slack / length) & (share < 1 + slack / length)).all(axis=1)
    chosen = np.nonzero(on)[0]
    nodes = np.concatenate([basis.nodal_dofs[0][mesh.facets[:, chosen]], basis.facet_dofs[:, chosen]]).T
    reach = places(of)[nodes] @ step
    order = np.argsort(reach, axis=1)
    return np.take_along_axis(nodes, order, axis=1).astype(np.int64)


def add_rib(to: Structure, of: Surface, number: Integers, rib: Rib, slope_at: Callable[[Array], Array] | None) -> float:
    """Add a rib on the edges that lie on its line: stretch at its offset, bending, shear and a little torsion
    (Timoshenko beam). number: global node of each local node. slope_at: dome slope (k, 2) at places (k, 2).
    Returns the length found in the mesh, mm."""
    edges = rib_edges(of, *rib.ends)
    if not len(edges):
        return 0.0
    spots = places(of)[edges]
    value, slope = _cubic_line()
    span = spots[:, -1] - spots[:, 0]
    length = np.hypot(span[:, 0], span[:, 1])
    along = span / length[:, None]
    at = spots[:, 0][:, None] + ((_GAUSS + 1.0) / 2.0)[None, :, None] * span[:, None]
    reach = np.hypot(*(at - rib.ends[0]).transpose(2, 0, 1))
    height = rib.height_mm(reach)
    offset = -rib.below * (rib.half_plate_mm + height / 2.0)
    count, points = reach.shape
    operator = np.zeros((count, points, 4, 4, 5))
    change = slope[None] / length[:, None, None]
    t1, t2 = along[:, 0, None, None], along[:, 1, None, None]
    # director: d1 = turn about y, d2 = - turn about x
    operator[:, :, 0, :, 0], operator[:, :, 0, :, 1] = t1 * change, t2 * change
    if slope_at is not None:
        tilt = (slope_at(at.reshape(-1, 2)).reshape(count, points, 2) * along[:, None]).sum(axis=-1)
        operator[:, :, 0, :, 2] = tilt[..., None] * change
    operator[:, :, 0, :, 4] = offset[..., None] * t1 * change
    operator[:, :, 0, :, 3] = -offset[..., None] * t2 * change
    operator[:, :, 1, :, 4], operator[:, :, 1, :, 3] = t1 * change, -t2 * change
    operator[:, :, 2, :, 2] = change
    operator[:, :, 2, :, 4], operator[:, :, 2, :, 3] = t1 * value, -t2 * value
    operator[:, :, 3, :, 4], operator[:, :, 3, :, 3] = -t2 * change, -t1 * change
    area, width = rib.width_mm * height, rib.width_mm
    small, large = np.minimum(width, height), np.maximum(width, height)
    torsion = large * small**3 * (1.0 / 3.0 - 0.21 * small / large)  # rectangular bar (Young and Budynas, Table 10.1)
    stiff = np.stack(
        [
            rib.modulus * area,
            rib.modulus * area * height**2 / 12.0,
            5.0 / 6.0 * rib.shear * area,
            rib.shear_torsion * torsion,
        ],
        axis=-1,
    )
    weight = _GAUSS_WEIGHT / 2.0 * length[:, None]
    flat = operator.reshape(count, points, 4, 20)
    stiffness = np.einsum("mqri,mqr,mqrj->mij", flat, stiff * weight[..., None], flat, optimize=True)
    pull = np.einsum("mqi,mq->mi", flat[:, :, 0], rib.modulus * area * rib.movement * weight)
    freedoms = freedoms_of(number[edges], (0, 1, 2, 3, 4))
    to.add(freedoms, stiffness, {rib.moisture: pull})
    shares = {name: stiff * chosen for name, chosen in _SHARES.items()}
    to.remember(Piece(rib.moisture, freedoms, lambda part: flat[part], weight, shares))
    return float(length.sum())
