"""Triangles that follow an outline and every line drawn in it: braces, bridge, blocks, sound hole.

A conforming Delaunay triangulation: the lines are cut where they meet, divided into pieces of about the mesh size,
and any piece the triangulation misses is halved until all are edges of triangles. Nothing is random."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy.interpolate import PchipInterpolator
from scipy.spatial import Delaunay, cKDTree

from driftmodel.base.schema import Array, Flags, Integers

#: points nearer than this share of the mesh size become one
_MERGE = 0.08
_MOST_ROUNDS = 30


@dataclass(frozen=True)
class Triangles:
    """points (n, 2) in mm; corners (m, 3) counter-clockwise; missing: outline pieces that had to be halved."""

    points: Array
    corners: Integers
    missing: Array


def reach_along(line: Array) -> Array:
    """Distance from its first point along a line of points (n, 2) to each of them, (n,)."""
    return np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(line, axis=0).T))])


def smooth_outline(outline_mm: tuple[tuple[float, float], ...], steps: int = 40) -> Array:
    """Closed outline (n, 2), counter-clockwise from the join on the +y side backwards: (x, half width) points joined by
    a shape-preserving cubic (Fritsch and Carlson 1980) over the chord, mirrored, the ends closed by straight lines.

    Given points are among the points of the result."""
    given = np.asarray(outline_mm, dtype=float)
    chord = reach_along(given)
    fine = np.unique(np.concatenate([np.linspace(a, b, steps + 1) for a, b in pairwise(chord)]))
    half = np.column_stack([PchipInterpolator(chord, given[:, axis])(fine) for axis in (0, 1)])
    lower = half * (1.0, -1.0)
    return np.concatenate([lower, half[::-1]])


def along(loop: Array, size: float, extra: Array | None = None) -> Array:
    """Points about `size` apart along a closed loop from its first point on, keeping its sharp corners (over 20
    degrees) and the places nearest to the `extra` points (k, 2)."""
    whole = np.concatenate([loop, loop[:1]])
    step, reach = np.diff(whole, axis=0), reach_along(whole)
    turn = np.abs(np.diff(np.unwrap(np.arctan2(step[:, 1], step[:, 0]))))
    keep = [0.0, *reach[1:-1][turn > np.radians(20.0)], reach[-1]]
    if extra is not None and len(extra):
        keep += [_nearest_reach(whole, reach, point) for point in extra]
    knots = np.unique(np.round(keep, 9))
    knots = knots[np.concatenate([[True], np.diff(knots) > _MERGE * size])]
    if reach[-1] - knots[-1] < _MERGE * size:
        knots[-1] = reach[-1]
    places = [np.linspace(a, b, max(1, int(np.ceil((b - a) / size - 0.1))), endpoint=False) for a, b in pairwise(knots)]
    at = np.concatenate(places)
    return np.column_stack([np.interp(at, reach, whole[:, axis]) for axis in (0, 1)])


def _nearest_reach(line: Array, reach: Array, point: Array) -> float:
    start, step = line[:-1], np.diff(line, axis=0)
    square = np.maximum((step**2).sum(axis=1), 1e-30)
    share = np.clip(((point - start) * step).sum(axis=1) / square, 0.0, 1.0)
    gap = np.hypot(*(start + share[:, None] * step - point).T)
    best = int(np.argmin(gap))
    return float(reach[best] + share[best] * (reach[best + 1] - reach[best]))


def touching(path: Array, loop: Array, near: float) -> Array:
    """Places (k, 2) of a closed loop that want a vertex for a path's sake: where it crosses the loop, and what lies
    next to its ends when they are nearer than `near`."""
    whole = np.concatenate([loop, loop[:1]])
    reach = reach_along(whole)
    found = []
    for start, end in pairwise(path):
        share = np.linspace(0.0, 1.0, 1 + max(1, int(np.hypot(*(end - start)))))[:, None]
        spots = start + share * (end - start)
        within = inside(spots, loop)
        crossed = np.nonzero(within[:-1] != within[1:])[0]
        found += [*((spots[crossed] + spots[crossed + 1]) / 2.0)]
    found += [path[0], path[-1]]
    places = []
    for point in found:
        at = _nearest_reach(whole, reach, point)
        spot = np.array([np.interp(at, reach, whole[:, axis]) for axis in (0, 1)])
        if np.hypot(*(spot - point)) < near:
            places.append(spot)
    return np.array(places).reshape(-1, 2)


def inside(points: Array, loop: Array) -> Flags:
    """Which points (n, 2) lie inside a closed loop (k, 2), by crossings of a ray."""
    x, y = points[:, 0][:, None], points[:, 1][:, None]
    x0, y0 = loop[:, 0][None], loop[:, 1][None]
    x1, y1 = np.roll(loop[:, 0], -1)[None], np.roll(loop[:, 1], -1)[None]
    spans = (y0 > y) != (y1 > y)
    rise = np.where(y1 == y0, 1.0, y1 - y0)
    return np.asarray((spans & (x < x0 + (y - y0) * (x1 - x0) / rise)).sum(axis=1) % 2 == 1)


def triangulate(border: Array, lines: list[Array], hole: Array | None, size: float) -> Triangles:
    """Triangles inside a border loop (k, 2), outside a hole loop, with every piece of border, hole and lines (each a
    polyline (j, 2)) an edge. Border points are kept as given; border pieces that would need another point are reported.
    """
    loops = [border] + ([hole] if hole is not None else [])
    rings = [np.concatenate([loop, loop[:1]]) for loop in loops]
    fixed = np.concatenate([np.stack([ring[:-1], ring[1:]], axis=1) for ring in rings])
    pieces = _cut(fixed, lines)
    pieces = pieces[inside(pieces.mean(axis=1), border)] if len(pieces) else pieces
    if hole is not None and len(pieces):
        pieces = pieces[~inside(pieces.mean(axis=1), hole)]
    points, edges = _numbered(np.concatenate([fixed, _divided(pieces, size)]), len(border), size)
    is_fixed = np.zeros(len(edges), dtype=bool)
    is_fixed[: len(border)] = True
    for step in range(3):
        points = np.concatenate([points[: edges.max() + 1], _filling(points, edges, border, hole, size, step)])
    halved = []
    for _ in range(_MOST_ROUNDS):
        corners = Delaunay(points).simplices
        lost = ~_present(edges, corners)
        if not lost.any():
            break
        halved += [points[edge].mean(axis=0) for edge in edges[lost & is_fixed]]
        if halved:
            break
        middle = points[edges[lost]].mean(axis=1)
        number = len(points) + np.arange(len(middle))
        points = np.concatenate([points, middle])
        parts = np.concatenate([np.column_stack([edges[lost, 0], number]), np.column_stack([number, edges[lost, 1]])])
        is_fixed = np.concatenate([is_fixed[~lost], np.zeros(len(parts), dtype=bool)])
        edges = np.concatenate([edges[~lost], parts])
    centre = points[corners].mean(axis=1)
    keep = inside(centre, border)
    if hole is not None:
        keep &= ~inside(centre, hole)
    corners = corners[keep]
    a, b, c = (points[corners[:, k]] for k in range(3))
    twice = (b - a)[:, 0] * (c - a)[:, 1] - (b - a)[:, 1] * (c - a)[:, 0]
    corners[twice < 0] = corners[twice < 0][:, ::-1]
    corners = corners[np.abs(twice) > 1e-6 * size**2]
    used, renumbered = np.unique(corners, return_inverse=True)
    return Triangles(points[used], renumbered.reshape(corners.shape).astype(np.int64), np.array(halved).reshape(-1, 2))


def _cut(fixed: Array, lines: list[Array]) -> Array:
    """Straight pieces (n, 2, 2) of the lines, cut wherever they meet one another or the fixed pieces."""
    raw = np.concatenate([np.stack([line[:-1], line[1:]], axis=1) for line in lines]) if lines else np.zeros((0, 2, 2))
    result = []
    others = np.concatenate([fixed, raw])
    for start, end in raw:
        step = end - start
        length = float(np.hypot(*step))
        rise = others[:, 1] - others[:, 0]
        cross = step[0] * rise[:, 1] - step[1] * rise[:, 0]
        safe = np.where(np.abs(cross) < 1e-9 * length, 1.0, cross)
        gap = others[:, 0] - start
        here = (gap[:, 0] * rise[:, 1] - gap[:, 1] * rise[:, 0]) / safe
        there = (gap[:, 0] * step[1] - gap[:, 1] * step[0]) / safe
        slack = 1e-6
        meets = (np.abs(cross) >= 1e-9 * length) & (here > -slack) & (here < 1 + slack)
        meets &= (there > -slack) & (there < 1 + slack)
        cuts = list(np.clip(here[meets], 0.0, 1.0))
        for end_point in others.reshape(-1, 2):  # ends of others that lie on this line
            share = float((end_point - start) @ step) / length**2
            if 0.0 < share < 1.0 and np.hypot(*(start + share * step - end_point)) < 1e-6 * length:
                cuts.append(share)
        at = np.unique(np.round([0.0, *cuts, 1.0], 9))
        places = start + at[:, None] * step
        result.append(np.stack([places[:-1], places[1:]], axis=1))
    return np.concatenate(result) if result else np.zeros((0, 2, 2))


def _divided(pieces: Array, size: float) -> Array:
    parts = []
    for start, end in pieces:
        count = max(1, int(np.ceil(float(np.hypot(*(end - start))) / size - 0.1)))
        places = start + np.linspace(0.0, 1.0, count + 1)[:, None] * (end - start)
        parts.append(np.stack([places[:-1], places[1:]], axis=1))
    return np.concatenate(parts) if parts else np.zeros((0, 2, 2))


def _numbered(pieces: Array, first: int, size: float) -> tuple[Array, Integers]:
    """Points and the pieces as pairs of their numbers; close points become one, earlier ones win."""
    ends = pieces.reshape(-1, 2)
    owner = np.arange(len(ends))
    tree = cKDTree(ends)
    for a, b in sorted(tree.query_pairs(_MERGE * size)):
        owner[b] = min(owner[b], owner[a])
    exact: Any = cKDTree(ends).query_ball_point(ends[: 2 * first], 1e-9)
    for a, found in enumerate(exact):
        same = list(found)
        owner[[a, *same]] = min(same)
    for one in range(len(owner)):
        owner[one] = owner[owner[one]]
    kept, number = np.unique(owner, return_inverse=True)
    edges = number.reshape(-1, 2)
    edges = edges[edges[:, 0] != edges[:, 1]]
    _, order = np.unique(np.sort(edges, axis=1), axis=0, return_index=True)
    return ends[kept], edges[np.sort(order)].astype(np.int64)


def _filling(points: Array, edges: Integers, border: Array, hole: Array | None, size: float, step: int) -> Array:
    """Points between the lines: a triangular lattice, then moved to the middle of their neighbours."""
    lined = points[: edges.max() + 1]
    if step == 0:
        low, high = border.min(axis=0), border.max(axis=0)
        rows = np.arange(low[1] + 0.4 * size, high[1], size * 0.8660254)
        columns = np.arange(low[0] + 0.3 * size, high[0], size)
        x, y = np.meshgrid(columns, rows)
        x = x + (np.arange(len(rows)) % 2)[:, None] * size / 2.0
        free = np.column_stack([x.ravel(), y.ravel()])
        along_edges = np.concatenate([lined, points[edges].mean(axis=1)])
        clear = cKDTree(along_edges).query(free)[0] > 0.6 * size
        free = free[clear & inside(free, border)]
        return free if hole is None else free[~inside(free, hole)]
    free = points[len(lined) :]
    if not len(free):
        return free
    start, neighbours = Delaunay(points).vertex_neighbor_vertices
    moved = [points[neighbours[start[k] : start[k + 1]]].mean(axis=0) for k in range(len(lined), len(points))]
    moved_to = np.asarray(moved)
    ok = inside(moved_to, border)
    return np.where(ok[:, None], moved_to, free)


def _present(edges: Integers, corners: NDArray[np.int32]) -> Flags:
    sides = np.sort(np.concatenate([corners[:, [0, 1]], corners[:, [1, 2]], corners[:, [2, 0]]]), axis=1)
    most = int(max(edges.max(), corners.max())) + 1
    return np.isin(np.sort(edges, axis=1) @ [most, 1], sides.astype(np.int64) @ [most, 1])
