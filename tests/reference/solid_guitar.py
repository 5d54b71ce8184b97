"""Reference for tests/test_structure_body.py: the shipped designs in solid elements, to be run by hand.

18-node wedges (quadratic triangles in plan, quadratic upright) in columns over the drawing: sides, linings and blocks
are one piece from back to top, braces are strips of their own width and height, bridge and saddle stand on the top.
Whatever touches is glued. Where two boards want one place (braces at the X, a brace over the bridge plate) both run
through, as in the shells; "notched": the first brace goes through and the bridge plate is fitted between. From the
package only the drawing is taken (outline, paths and heights of braces, woods), none of its mechanics. Rings: plates
and braces as their ring angle says, sides and linings with the radius upright, blocks with it along the body.

Prints for the strings and per -1 % MC in each part: rise of the bridge over the neck block (mm), turn of the block,
tilt of the bridge (degrees) and the saddle over the fret plane (mm).

    python tests/reference/solid_guitar.py SCENARIO SIZE_MM [notched] [firm] [unlined]

Sizes 30, 22, 16 and 12 of first-winter (the large X-braced design) and 30, 18, 16 and 12 of damp-coast (the small
ladder-braced one) have rims that settle; 12 mm takes about a minute of one core.
"""

from __future__ import annotations

import sys
import time
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray
from scipy.sparse import csr_matrix
from scipy.sparse.linalg import splu
from scipy.spatial import cKDTree

from driftmodel.base import library
from driftmodel.base.scenarios import load_scenario
from driftmodel.structure import mesh
from driftmodel.structure.body import box as drawn
from driftmodel.structure.box import Bar, Box
from driftmodel.structure.joint import fret_to_saddle_mm, over_top_at_join_mm, string_pull_n

Array = NDArray[np.float64]
LOADS = ("top", "top_braces", "bridge", "back", "back_braces", "walls", "linings", "blocks")
_PAIR = ((0, 0), (1, 1), (2, 2), (1, 2), (0, 2), (0, 1))
_INDEX = np.array([[0, 5, 4], [5, 1, 3], [4, 3, 2]])
#: the saddle's thickness
SADDLE_MM = 4.0
mesh._MERGE = 0.02  # braces of top and back cross the rim a millimetre apart


def timber(name: str) -> tuple[Array, Array]:
    """Stiffness (6, 6) along, radial, tangential and free strain (3,) per +1 % MC of a wood of species_data."""
    wood = library.wood(name)

    def number(key: str) -> float:
        return library.number(wood, key).value

    e = library.general("shear_correction_modulus").value * number("modulus_of_elasticity_12")
    r, t, nu = e * number("elastic_ratio_radial"), e * number("elastic_ratio_tangential"), number("poisson_lr")
    give = np.diag([1 / e, 1 / r, 1 / t, *(1 / (e * number(f"shear_ratio_{plane}")) for plane in ("rt", "lt", "lr"))])
    give[0, 1:3] = give[1:3, 0] = -nu / e
    give[1, 2] = give[2, 1] = -nu / r
    free = [library.general("longitudinal_movement_mean").value, number("coefficient_radial"),
            number("coefficient_tangential")]  # fmt: skip
    return np.linalg.inv(give), np.array(free)


def even(e: float) -> tuple[Array, Array]:
    give = np.diag([1 / e] * 3 + [2.6 / e] * 3)
    give[:3, :3] -= 0.3 / e * (1 - np.eye(3))
    return np.linalg.inv(give), np.zeros(3)


def turned(wood: tuple[Array, Array], axes: Array) -> tuple[Array, Array]:
    """Stiffness (n, 6, 6) and free strain (n, 6) where the own axes point as the rows of axes (n, 3, 3)."""
    whole = wood[0][_INDEX[:, :, None, None], _INDEX]
    for _ in range(4):
        whole = np.einsum("...abcd,nai->...bcdin" if whole.ndim == 4 else "abcdn,nai->bcdin", whole, axes)
    stiff = np.moveaxis(whole, -1, 0)
    stiff = np.stack([np.stack([stiff[:, a, b, c, d] for c, d in _PAIR], -1) for a, b in _PAIR], 1)
    free = np.einsum("a,nai,naj->nij", wood[1], axes, axes)
    return stiff, np.stack([free[:, a, b] * (1 if a == b else 2) for a, b in _PAIR], -1)


def frame(along: Array, ring_deg: float = 0.0, upright: bool = False) -> Array:
    """Axes (n, 3, 3) of boards with the grain along (n, 2): the radius lies flat, or stands upright."""
    grain = np.column_stack([along, np.zeros(len(along))])
    flat = np.column_stack([-along[:, 1], along[:, 0], np.zeros(len(along))])
    up = np.broadcast_to([0.0, 0.0, 1.0], flat.shape)
    c, s = np.cos(np.radians(ring_deg)), np.sin(np.radians(ring_deg))
    return np.stack([grain, up, -flat] if upright else [grain, c * flat + s * up, c * up - s * flat], 1)


@dataclass
class Plan:
    """Points (n, 2) and triangles (m, 3) of the drawing, which plates each triangle is under (shared, top or back), and
    for shared ones the ring it lies in (wall, lining, block) and the heading of the outline there."""

    points: Array
    triangles: NDArray
    of: NDArray
    ring: NDArray
    heading: Array


def strip(bar: Bar) -> Array:
    a, b = bar.path
    on = (b - a) / np.hypot(*(b - a))
    off = bar.width_mm / 2 * np.array([-on[1], on[0]])
    return np.array([a + off, b + off, b - off, a - off, a + off])


def on_bar(bar: Bar, at: Array, more: float = 0.0) -> NDArray:
    a, b = bar.path
    on = (b - a) / np.hypot(*(b - a))
    reach, off = (at - a) @ on, (at - a) @ [-on[1], on[0]]
    return (np.abs(off) < bar.width_mm / 2 + more) & (reach > -more) & (reach < np.hypot(*(b - a)) + more)


def rectangle(x0: float, x1: float, y: float) -> Array:
    return np.array([[x0, -y], [x1, -y], [x1, y], [x0, y], [x0, -y]])


def plan(box: Box, size: float) -> Plan:
    length, lining = float(box.outline[:, 0].max()), box.lining.width_mm
    half = box.side_thickness_mm / 2.0
    bridge, plate, strings = box.bridge, box.bridge_plate, box.strings
    behind = strings.saddle_mm + strings.anchor[0]
    own = [rectangle(bridge.front_mm, bridge.back_mm, bridge.half_length_mm),
           rectangle(plate.front_mm, plate.back_mm, plate.half_length_mm),
           rectangle(strings.saddle_mm - SADDLE_MM / 2, strings.saddle_mm + SADDLE_MM / 2, strings.half_spread_mm),
           np.array([[behind, -strings.half_spread_mm], [behind, strings.half_spread_mm]])]  # fmt: skip
    lines = [[*(strip(bar) for bar in box.top.bars), *own], [strip(bar) for bar in box.back.bars]]
    x, y, diameter = box.top.hole
    around = np.linspace(0, 2 * np.pi, max(24, int(np.pi * diameter / size)), endpoint=False)
    hole = np.column_stack([x + diameter / 2 * np.cos(around), y + diameter / 2 * np.sin(around)])
    ends = [[end, sign * block.half_width_mm] for end, block in ((0.0, box.neck_block), (length, box.tail_block))
            for sign in (1, -1)]  # fmt: skip
    inner = offset(box.outline, -half - lining)
    wanted = [crossings(strip(bar), inner) for sheet in (box.top, box.back) for bar in sheet.bars]
    extra = np.concatenate([np.array(ends), *wanted])
    for _ in range(12):
        border = mesh.along(box.outline, size, extra)
        rings = [offset(border, half), offset(border, -half), offset(border, -half - lining)]
        last = rings[2]
        blocks, loop = [], []
        for end, block, sign in ((0.0, box.neck_block, 1.0), (length, box.tail_block, -1.0)):
            on = np.flatnonzero((np.abs(border[:, 0] - end) < 1e-6)
                                & (np.abs(border[:, 1]) < block.half_width_mm + 1e-6))  # fmt: skip
            on = on[np.argsort(-sign * border[on, 1])]  # as the border goes
            depth = block.length_mm - half - lining
            steps = np.linspace(0.0, depth, 1 + max(1, int(np.ceil(depth / size - 0.1))))
            blocks.append((on, last[on][None] + sign * steps[:, None, None] * np.array([1.0, 0.0])))
        (neck, neck_grid), (tail, tail_grid) = blocks
        first = int(neck[-1])
        order = np.roll(np.arange(len(border)), -first)
        stop = int(np.flatnonzero(order == tail[0])[0])
        go = int(np.flatnonzero(order == tail[-1])[0])
        back = int(np.flatnonzero(order == neck[0])[0])
        loop = np.concatenate([
            last[order[: stop + 1]], tail_grid[1:, 0], tail_grid[-1, 1:-1], tail_grid[:0:-1, -1],
            last[order[go : back + 1]], neck_grid[1:, 0], neck_grid[-1, 1:-1], neck_grid[:0:-1, -1]])  # fmt: skip
        made = [mesh.triangulate(loop, of, cut, size) for of, cut in zip(lines, (hole, None), strict=True)]
        missing = np.concatenate([part.missing for part in made])
        if not len(missing):
            break
        extra = np.concatenate([extra, missing])
    else:
        raise SystemExit("the drawing's rim does not settle; try another size")
    points, triangles, of, ring, heading = [np.concatenate(rings)], [], [], [], []
    count = len(border)
    turn = np.roll(border, -1, 0) - border
    turn /= np.hypot(*turn.T)[:, None]
    for k in range(2):
        for a in range(count):
            b = (a + 1) % count
            quad = [k * count + a, k * count + b, (k + 1) * count + b, (k + 1) * count + a]
            within = [(a in part and b in part) for part in (set(neck.tolist()), set(tail.tolist()))]
            kind = 2 if k == 1 and any(within) else k
            flip = a % 2
            triangles += [[quad[flip], quad[1 + flip], quad[2 + flip]],
                          [quad[flip], quad[2 + flip], quad[(3 + flip) % 4]]]  # fmt: skip
            of, ring, heading = of + [0, 0], ring + [kind, kind], heading + [turn[a], turn[a]]
    start = 3 * count
    for on, grid in blocks:
        rows, columns = grid.shape[:2]
        number = np.vstack([2 * count + on, start + np.arange((rows - 1) * columns).reshape(rows - 1, columns)])
        points.append(grid[1:].reshape(-1, 2))
        start += (rows - 1) * columns
        for r in range(rows - 1):
            for c in range(columns - 1):
                quad = [number[r, c], number[r + 1, c], number[r + 1, c + 1], number[r, c + 1]]
                triangles += [[quad[0], quad[1], quad[2]], [quad[0], quad[2], quad[3]]]
                of, ring, heading = of + [0, 0], ring + [2, 2], heading + [np.zeros(2)] * 2
    shared = np.concatenate(points)
    tree = cKDTree(shared)
    for which, part in enumerate(made, start=1):
        gap, near = tree.query(part.points)
        number = np.where(gap < 1e-6, near, 0)
        fresh = gap >= 1e-6
        number[fresh] = start + np.arange(fresh.sum())
        start += int(fresh.sum())
        points.append(part.points[fresh])
        triangles += number[part.corners].tolist()
        of += [which] * len(part.corners)
        ring += [-1] * len(part.corners)
        heading += [np.zeros(2)] * len(part.corners)
    every, corners = np.concatenate(points), np.array(triangles)
    a, b, c = (every[corners[:, k]] for k in range(3))
    wrong = (b - a)[:, 0] * (c - a)[:, 1] < (b - a)[:, 1] * (c - a)[:, 0]
    corners[wrong] = corners[wrong][:, ::-1]
    return Plan(every, corners, np.array(of), np.array(ring), np.array(heading))


def offset(loop: Array, out: float) -> Array:
    step = np.roll(loop, -1, axis=0) - loop
    heading = step / np.hypot(*step.T)[:, None]
    middle = heading + np.roll(heading, 1, axis=0)
    middle /= np.hypot(*middle.T)[:, None]
    away = out / np.maximum((middle * heading).sum(axis=1), 0.3)
    return loop + away[:, None] * np.column_stack([middle[:, 1], -middle[:, 0]])


def crossings(path: Array, loop: Array) -> Array:
    found = []
    ring = np.concatenate([loop, loop[:1]])
    p, r = ring[:-1], np.diff(ring, axis=0)
    for a, b in pairwise(path):
        s = b - a
        cross = s[0] * r[:, 1] - s[1] * r[:, 0]
        cross = np.where(np.abs(cross) < 1e-12, np.inf, cross)
        t = ((p - a)[:, 0] * r[:, 1] - (p - a)[:, 1] * r[:, 0]) / cross
        u = ((p - a)[:, 0] * s[1] - (p - a)[:, 1] * s[0]) / cross
        found += [a + k * s for k in t[(t >= 0) & (t <= 1) & (u >= 0) & (u < 1)]]
    return np.array(found).reshape(-1, 2)


def levels(box: Box, at: Array, middles: int, length: float) -> Array:
    """Heights (n, levels) at points of the drawing, from the saddle's top down to the back's lower face."""
    half = length / 2.0
    square = half**2 - (at[:, 0] - half) ** 2 - (at**2)[:, 1]
    top = square / (2.0 * box.top.radius_mm) if box.top.radius_mm else 0.0 * square
    slope = (box.depth_tail_mm - box.depth_neck_mm) / length
    back = -(square / (2.0 * box.back.radius_mm) if box.back.radius_mm else 0.0) - box.depth_neck_mm - slope * at[:, 0]
    t, u = box.top.thickness_mm / 2, box.back.thickness_mm / 2

    def deep(bars: tuple[Bar, ...]) -> Array:
        found = np.full(len(at), 7.0)
        for bar in bars:
            a, b = bar.path
            on = on_bar(bar, at, 1e-3 + 0.02)
            reach = (at - a) @ (b - a) / np.hypot(*(b - a))
            found = np.where(on, np.maximum(bar.height_mm(reach), np.where(found == 7.0, 0.0, found)), found)
        return found

    under, over = deep(box.top.bars), deep(box.back.bars)
    thin = np.minimum(box.bridge_plate.thickness_mm, 0.4 * under)
    ceiling, floor = top - t, back + u
    lining = box.lining.height_mm
    low, high = floor + lining, ceiling - lining
    rows = [top + t + box.bridge.thickness_mm + box.strings.over_bridge_mm, top + t + box.bridge.thickness_mm, top + t,
            ceiling, ceiling - thin, ceiling - (thin + under) / 2, ceiling - under]  # fmt: skip
    rows += [high + k / (middles + 1) * (low - high) for k in range(middles + 2)]
    rows += [floor + over, floor + over / 2, floor, back - u]
    return np.stack(rows, axis=1)


def shape(of: Array, up: Array) -> tuple[Array, Array, Array, Array]:
    """Values (q, 18) and their derivatives by the triangle's two coordinates and the upright one in [0, 1]."""
    r, s = of.T
    t = 1 - r - s
    flat = np.stack([t * (2 * t - 1), r * (2 * r - 1), s * (2 * s - 1), 4 * t * r, 4 * r * s, 4 * s * t], -1)
    by_r = np.stack([1 - 4 * t, 4 * r - 1, 0 * r, 4 * (t - r), 4 * s, -4 * s], -1)
    by_s = np.stack([1 - 4 * t, 0 * r, 4 * s - 1, -4 * r, 4 * r, 4 * (t - s)], -1)
    tall = np.stack([(1 - up) * (1 - 2 * up), 4 * up * (1 - up), up * (2 * up - 1)], -1)
    by_up = np.stack([4 * up - 3, 4 - 8 * up, 4 * up - 1], -1)

    def product(a: Array, b: Array) -> Array:
        return np.einsum("pa,qb->pqab", a, b).reshape(len(of) * len(up), 18)

    return product(flat, tall), product(by_r, tall), product(by_s, tall), product(flat, by_up)


def main(name: str, size: float, *how: str) -> None:
    started = time.process_time()
    instrument = load_scenario(name).instrument
    box = drawn(instrument.body, over_top_at_join_mm(instrument.strings))
    body = instrument.body
    length, strings = float(box.outline[:, 0].max()), box.strings
    drawing = plan(box, size)
    corners = drawing.triangles
    pairs = np.sort(np.concatenate([corners[:, [0, 1]], corners[:, [1, 2]], corners[:, [2, 0]]]), axis=1)
    edges, which = np.unique(pairs, axis=0, return_inverse=True)
    six = np.column_stack([corners, len(drawing.points) + which.reshape(3, -1).T])
    at = np.concatenate([drawing.points, drawing.points[edges].mean(axis=1)])
    middles = max(1, round((box.depth_neck_mm - 2 * box.lining.height_mm) / (1.5 * size)) - 1)
    heights = levels(box, at, middles, length)
    count = heights.shape[1]
    tall = np.zeros((len(at), 2 * count - 1))
    tall[:, ::2], tall[:, 1::2] = heights, (heights[:, 1:] + heights[:, :-1]) / 2
    centre = at[corners].mean(axis=1)
    lowest = count - 2  # the back's own layer
    shared, ring = drawing.of == 0, drawing.ring
    pieces: list[tuple[NDArray, int, tuple[Array, Array], Array, int]] = []  # triangles, layer, wood, axes, load

    def put(where: NDArray, layers: range, wood: tuple[Array, Array], axes: Array, load: str) -> None:
        chosen = np.flatnonzero(where)
        if len(chosen):
            axes = axes[chosen] if len(axes) == len(where) else np.broadcast_to(axes, (len(chosen), 3, 3))
            pieces.extend((chosen, layer, wood, axes, LOADS.index(load)) for layer in layers)

    lengthwise, across = np.array([[1.0, 0.0]]), np.array([[0.0, 1.0]])
    upper, lower = shared | (drawing.of == 1), shared | (drawing.of == 2)
    put(upper, range(2, 3), timber(body.top.wood), frame(lengthwise, body.top.ring_angle_deg), "top")
    put(lower, range(lowest, lowest + 1), timber(body.back.wood), frame(lengthwise, body.back.ring_angle_deg), "back")
    x, y = centre.T
    on_bridge = (drawing.of == 1) & (x > box.bridge.front_mm) & (x < box.bridge.back_mm)
    on_plate = on_bridge & (np.abs(y) < box.bridge_plate.half_length_mm)
    on_bridge &= np.abs(y) < box.bridge.half_length_mm
    on_saddle = on_bridge & (np.abs(x - strings.saddle_mm) < SADDLE_MM / 2) & (np.abs(y) < strings.half_spread_mm)
    put(on_bridge, range(1, 2), timber(body.bridge.wood), frame(across), "bridge")
    put(on_saddle, range(0, 1), even(10000.0), frame(across), "bridge")
    block_wood = even(3.0e5) if "firm" in how else timber(body.neck_block.wood)
    upright = np.array([[[0.0, 0.0, 1.0], [1.0, 0.0, 0.0], [0.0, 1.0, 0.0]]])
    inside = range(3, lowest)
    put(ring == 2, inside, block_wood, upright, "blocks")
    put(ring == 0, inside, timber(body.sides.wood), frame(drawing.heading, upright=True), "walls")
    taken = {side: np.zeros(len(corners), dtype=bool) for side in ("top", "back")}
    for side, sheet, drawn_bars, where, layers, load in (
        ("top", box.top, body.top.braces, drawing.of == 1, range(3, 6), "top_braces"),
        ("back", box.back, body.back.braces, drawing.of == 2, range(lowest - 2, lowest), "back_braces"),
    ):
        for bar, brace in zip(sheet.bars, drawn_bars, strict=True):
            heading = (bar.path[1] - bar.path[0]) / np.hypot(*(bar.path[1] - bar.path[0]))
            mine = on_bar(bar, centre) & (where | (ring == 1))
            if "notched" in how:
                mine &= ~taken[side]
            taken[side] |= mine
            put(mine, layers, timber(brace.wood), frame(heading[None]), load)
    if "notched" in how:
        on_plate &= ~taken["top"]
    put(on_plate, range(3, 4), timber(body.bridge.plate_wood), frame(across), "bridge")
    if "unlined" not in how:
        lining, along = timber(body.sides.lining_wood), frame(drawing.heading, upright=True)
        put(ring == 1, range(6, 7), lining, along, "linings")
        put(ring == 1, range(lowest - 3, lowest - 2), lining, along, "linings")
        put((ring == 1) & ~taken["top"], range(3, 6), lining, along, "linings")
        put((ring == 1) & ~taken["back"], range(lowest - 2, lowest), lining, along, "linings")

    cells = np.concatenate([six[chosen][:, :, None] * (2 * count - 1) + 2 * layer + np.arange(3)
                            for chosen, layer, *_ in pieces]).reshape(-1, 18)  # fmt: skip
    used, nodes = np.unique(cells, return_inverse=True)
    nodes = nodes.reshape(-1, 18)
    place = np.column_stack([at[used // (2 * count - 1)], tall.ravel()[used]])
    stiff = np.concatenate([turned(wood, axes)[0] for _, _, wood, axes, _ in pieces])
    free = np.concatenate([turned(wood, axes)[1] for _, _, wood, axes, _ in pieces])
    load = np.concatenate([np.full(len(chosen), of) for chosen, *_, of in pieces])
    a, b = (6 - np.sqrt(15)) / 21, (6 + np.sqrt(15)) / 21
    spots = np.array([[1 / 3, 1 / 3], *((p, q) for k in (a, b) for p, q in ((k, k), (1 - 2 * k, k), (k, 1 - 2 * k)))])
    weights = np.array([9 / 40] + [(155 - np.sqrt(15)) / 1200] * 3 + [(155 + np.sqrt(15)) / 1200] * 3) / 2
    line, line_weights = np.polynomial.legendre.leggauss(3)
    _, by_r, by_s, by_up = shape(spots, (line + 1) / 2)
    weight = np.outer(weights, line_weights / 2).ravel()
    total = 3 * len(used)
    whole, right = csr_matrix((total, total)), np.zeros((total, len(LOADS) + 1))
    for start in range(0, len(nodes), 2500):
        cut = slice(start, start + 2500)
        points = place[nodes[cut]]
        local = np.stack([by_r, by_s, by_up], 1)  # (q, 3, 18)
        jacobian = np.einsum("qdn,cnx->cqdx", local, points)
        measure = np.abs(np.linalg.det(jacobian)) * weight
        gradient = np.linalg.solve(jacobian, np.broadcast_to(local, (len(points), *local.shape)))
        gx, gy, gz = np.moveaxis(gradient, 2, 0)
        strain = np.zeros((*gx.shape[:2], 6, 54))
        for row, column, value in ((0, 0, gx), (1, 1, gy), (2, 2, gz), (3, 1, gz), (3, 2, gy), (4, 0, gz), (4, 2, gx),
                                   (5, 0, gy), (5, 1, gx)):  # fmt: skip
            strain[:, :, row, column::3] = value
        stress = np.matmul(stiff[cut][:, None], strain) * measure[:, :, None, None]
        many = len(points)
        element = strain.reshape(many, -1, 54).transpose(0, 2, 1) @ stress.reshape(many, -1, 54)
        force = np.einsum("cqij,ci->cj", stress, free[cut])
        dofs = (3 * nodes[cut][:, :, None] + np.arange(3)).reshape(many, 54)
        rows, columns = np.repeat(dofs, 54, 1).ravel(), np.tile(dofs, (1, 54)).ravel()
        whole = whole + csr_matrix((element.ravel(), (rows, columns)), shape=(total, total))
        np.add.at(right, (dofs, load[cut][:, None]), force)

    number = np.full(len(at) * (2 * count - 1), -1)
    number[used] = np.arange(len(used))
    number = number.reshape(len(at), -1)

    def face(end: float, block_half: float, outward: float) -> tuple[NDArray, Array]:
        """Nodes and shares of area of a block's place on the outer face of the side."""
        outer = end + outward * box.side_thickness_mm / 2
        chosen = np.flatnonzero((np.abs(at[edges][:, :, 0] - outer) < 1e-6).all(1)
                                & (np.abs(at[edges][:, :, 1]) < block_half + 1e-6).all(1))  # fmt: skip
        area = np.zeros(len(used))
        for edge in chosen:
            three = np.array([edges[edge, 0], len(drawing.points) + edge, edges[edge, 1]])
            span = abs(at[three[2], 1] - at[three[0], 1])
            for layer in inside:
                high = tall[three, 2 * layer] - tall[three, 2 * layer + 2]
                share = np.outer(np.array([1, 4, 1]) / 6 * span * high, np.array([1, 4, 1]) / 6)
                np.add.at(area, number[three][:, 2 * layer : 2 * layer + 3], share)
        found = np.flatnonzero(area)
        return found, area[found] / area[found].sum()

    def motion(of: tuple[NDArray, Array], origin: Array) -> Array:
        """Rows (6, 3 n) that read a face's movement and turn as a body's at origin, by least squares."""
        nodes_of, share = of
        arm = place[nodes_of] - share @ place[nodes_of]
        spread = np.einsum("n,nk,nk->", share, arm, arm) * np.eye(3) - np.einsum("n,ni,nj->ij", share, arm, arm)
        cross = np.stack([np.cross(np.eye(3)[axis], arm) for axis in range(3)])
        turn = np.linalg.solve(spread, (share[None, :, None] * cross).reshape(3, -1)).reshape(3, -1, 3)
        back = np.cross(np.eye(3), origin - share @ place[nodes_of])
        shift = share[None, :, None] * np.eye(3)[:, None, :] + np.einsum("ak,ani->kni", back, turn)
        rows = np.zeros((6, len(used), 3))
        rows[:, nodes_of] = np.concatenate([shift, turn])
        return rows.reshape(6, -1)

    neck_face = face(0.0, box.neck_block.half_width_mm, -1.0)
    tail_face = face(length, box.tail_block.half_width_mm, 1.0)
    origin = np.array([length, 0.0, 0.0])
    neck, tail = motion(neck_face, np.zeros(3)), motion(tail_face, origin)

    half = box.top.thickness_mm / 2.0
    rest = half + box.bridge.thickness_mm + strings.over_bridge_mm
    dome = (length / 2) ** 2 - (strings.saddle_mm - length / 2) ** 2
    high = dome / (2 * box.top.radius_mm) + rest
    join = half + strings.over_top_at_join_mm
    pull = np.array([-strings.saddle_mm, join - high]) / np.hypot(strings.saddle_mm, high - join)
    behind, over = strings.anchor
    level = half + box.bridge.thickness_mm + over
    down = np.array([behind, level - rest]) / np.hypot(behind, level - rest)
    on_top = six[on_saddle]
    p, q, r = (at[on_top[:, k]] for k in range(3))
    area = np.abs((q - p)[:, 0] * (r - p)[:, 1] - (q - p)[:, 1] * (r - p)[:, 0])
    for k in (3, 4, 5):
        nodes_of = number[on_top[:, k], 0]
        for axis, part in ((0, (pull + down)[0]), (2, (pull + down)[1])):
            np.add.at(right[:, -1], 3 * nodes_of + axis, part * area / area.sum() / 3)

    def on_line(x_at: float) -> tuple[NDArray, Array]:
        """Points of the top's drawing on a line across between the outer strings, and their shares in a mean."""
        mine = np.zeros(len(edges), dtype=bool)
        mine[which.reshape(3, -1)[:, drawing.of == 1].ravel()] = True
        chosen = np.flatnonzero(mine & (np.abs(at[edges][:, :, 0] - x_at) < 1e-4).all(1)
                                & (np.abs(at[edges][:, :, 1]) < strings.half_spread_mm + 1e-4).all(1))  # fmt: skip
        span = np.abs(np.diff(at[edges[chosen], 1]))[:, 0]
        share = np.zeros(len(at))
        for nodes_of, part in ((edges[chosen, 0], 1), (len(drawing.points) + chosen, 4), (edges[chosen, 1], 1)):
            np.add.at(share, nodes_of, part / 6 * span)
        found = np.flatnonzero(share)
        return found, share[found] / share[found].sum()

    nodes_of, share = on_line(strings.saddle_mm + behind)
    bottom = 8 if over < 0 else 2  # under the bridge plate, or on the bridge's top
    for axis, part in ((0, -down[0]), (2, -down[1])):
        right[3 * number[nodes_of, bottom] + axis, -1] += part * share
    right[:, -1] += neck.T @ np.array([-pull[0], 0.0, -pull[1], 0.0, -pull[0] * join, 0.0])

    spot = place[tail_face[0]]
    one = tail_face[0][np.argmin(np.abs(spot - spot.mean(0)).sum(1))]
    other = tail_face[0][np.argmax(spot[:, 1] - np.abs(spot[:, 2] - place[one, 2]))]
    third = tail_face[0][np.argmax(spot[:, 2] - np.abs(spot[:, 1] - place[one, 1]))]
    held = [3 * one, 3 * one + 1, 3 * one + 2, 3 * other, 3 * other + 2, 3 * third]
    chosen = np.setdiff1d(np.arange(total), held)
    print(
        f"{name}, {size:g} mm {' '.join(how)}: {len(corners)} triangles, {len(nodes)} wedges, {total} unknowns",
        flush=True,
    )
    symmetric = {"permc_spec": "MMD_AT_PLUS_A", "diag_pivot_thresh": 0.0, "options": {"SymmetricMode": True}}
    moved = np.zeros((total, right.shape[1]))
    moved[chosen] = splu(whole[chosen][:, chosen].tocsc(), **symmetric).solve(right[chosen])
    seen = tail @ moved
    arm = place - origin
    carried = np.zeros((len(used), 3, 6))
    carried[:, range(3), range(3)] = 1.0
    for axis in range(3):
        carried[:, :, 3 + axis] = np.cross(np.eye(3)[axis], arm)
    moved -= carried.reshape(-1, 6) @ seen
    at_neck = neck @ moved

    def lift(x_at: float, height: int) -> Array:
        nodes_of, share = on_line(x_at)
        return share @ moved[3 * number[nodes_of, height] + 2]

    saddle = sum(lift(strings.saddle_mm + side * SADDLE_MM / 2, 5) for side in (-1, 1)) / 2
    bridge = saddle - at_neck[2]
    tilt = (lift(box.bridge.front_mm, 4) - lift(box.bridge.back_mm, 4)) / (box.bridge.back_mm - box.bridge.front_mm)
    turn, distance = at_neck[4], fret_to_saddle_mm(instrument.strings.scale_mm, instrument.body_fret)
    factor = np.append(-np.ones(len(LOADS)), string_pull_n(instrument.strings))
    table = factor * np.array([bridge, np.degrees(turn), np.degrees(-tilt), bridge + turn * distance])
    names = [*LOADS, "strings", "sides", "all but blocks"]
    table = np.column_stack([table, table[:, 5] + table[:, 6], table[:, :7].sum(1)])
    for column, what in enumerate(names):
        rise, turned_deg, tilt_deg, saddle_mm = table[:, column]
        print(f"{what:>15}: bridge {rise:+.4f} turn {turned_deg:+.4f} tilt {tilt_deg:+.4f} saddle {saddle_mm:+.4f}")
    print(f"{time.process_time() - started:.0f} s")


if __name__ == "__main__":
    main(sys.argv[1], float(sys.argv[2]), *sys.argv[3:])
