"""Bars glued along a line of a plate, off its middle surface: a Timoshenko beam on the edges of the plate's mesh."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from driftmodel.base.types import Array, Integers
from driftmodel.structure.shell import Piece, Structure, Surface, freedoms_of, places


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
    Returns the length found in the mesh, mm.
    """
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
