"""Blocks of wood as solids: 27-node hexahedra between top and back, glued to both plates and to the side at the end."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from driftmodel.base import library
from driftmodel.base.schema import Array, Integers
from driftmodel.structure import shell
from driftmodel.structure.plate import COMPONENTS

Line = tuple[float, float]

#: for each way of cutting a block, the axes (x along the body, y across, z up) of grain, radius and rings
GRAINS = {"upright": (2, 0, 1), "across": (1, 0, 2), "along": (0, 2, 1)}


@dataclass(frozen=True, eq=False)
class Timber:
    """Wood in three directions, in the body's axes: stiffness (6, 6) for strains xx, yy, zz, yz, xz, xy split by
    COMPONENTS, MPa."""

    shares: dict[str, Array]


def timber(wood_name: str, grain: str) -> Timber:
    """A block of a wood, its grain one of GRAINS. Poisson's ratios LT and RT are taken as LR (no table numbers).
    Raises BadInput for an unknown wood."""
    wood = library.wood(wood_name)

    def number(key: str) -> float:
        return library.number(wood, key).value

    along = library.general("shear_correction_modulus").value * number("modulus_of_elasticity_12")
    radial, tangential = along * number("elastic_ratio_radial"), along * number("elastic_ratio_tangential")
    shears = [along * number(f"shear_ratio_{plane}") for plane in ("rt", "lt", "lr")]
    moduli, ratio = (along, radial, tangential), number("poisson_lr")
    return solid_wood(moduli, ratio, (shears[0], shears[1], shears[2]), GRAINS[grain])


def solid_wood(
    moduli: tuple[float, float, float],
    poisson: float,
    shears: tuple[float, float, float],
    axes: tuple[int, int, int],
) -> Timber:
    """Moduli along, radial, tangential, one Poisson's ratio, shear RT, LT, LR (MPa); axes: the body's axis each of the
    three follows (Jones 1975, Eq. 2.23: orthotropic compliance)."""
    (e1, e2, e3), (g23, g13, g12) = moduli, shears
    parts = {name: np.zeros((6, 6)) for name in COMPONENTS}
    parts["along"][0, :3] = parts["along"][:3, 0] = 1.0 / e1, -poisson / e1, -poisson / e1
    parts["across"][1:3, 1:3] = [[1.0 / e2, -poisson / e2], [-poisson / e2, 1.0 / e3]]
    parts["rolling"][3, 3], parts["through"][4, 4], parts["shear"][5, 5] = 1.0 / g23, 1.0 / g13, 1.0 / g12
    whole = np.linalg.inv(np.sum(list(parts.values()), axis=0))
    a, b, c = axes
    place = [a, b, c, 6 - (b + c), 6 - (a + c), 6 - (a + b)]  # yz is 3, xz 4, xy 5: 6 minus the sum of the axes
    shares = {}
    for name, compliance in parts.items():
        shares[name] = np.zeros((6, 6))
        shares[name][np.ix_(place, place)] = whole @ compliance @ whole
    return Timber(shares)


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
