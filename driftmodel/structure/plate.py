"""Wood as plate and block: orthotropic stiffness and free strain of a board in its own plane, stacks of glued boards,
and timber in three directions."""

from __future__ import annotations

from dataclasses import dataclass
from math import cos, radians, sin

import numpy as np

from driftmodel.base import library
from driftmodel.base.schema import Array
from driftmodel.wood.sorption import ring_angle_coefficient

#: shear correction of a rectangular section, 5/6 (Reissner 1945)
SHEAR_CORRECTION = 5.0 / 6.0


#: in whose compliance a body gives: along the grain, across it, in-plane shear, shear through the thickness along the
#: grain, and rolling shear
COMPONENTS = ("along", "across", "shear", "through", "rolling")


@dataclass(frozen=True)
class Board:
    """A board in its own axes: along the grain, across it in the plane, and through the thickness.

    Moduli in MPa; poisson is the strain across for a strain along; movement is free strain (fraction) per +1 % MC.
    rolling_in_across: the share of the compliance across that is rolling shear (slanting rings); across_in_rolling:
    the share of the rolling compliance that is the wood's across the grain."""

    modulus_along: float
    modulus_across: float
    poisson: float
    shear_plane: float
    shear_along_through: float
    shear_across_through: float
    movement_along: float
    movement_across: float
    rolling_in_across: float = 0.0
    across_in_rolling: float = 0.0

    def plane_stiffness(self) -> Array:
        """Plane-stress stiffness (3, 3), MPa, for strains along, across and shear (Jones 1975, Eq. 2.61)."""
        swapped = self.poisson * self.modulus_across / self.modulus_along
        free = 1.0 - self.poisson * swapped
        coupled = swapped * self.modulus_along / free
        return np.array(
            [
                [self.modulus_along / free, coupled, 0.0],
                [coupled, self.modulus_across / free, 0.0],
                [0.0, 0.0, self.shear_plane],
            ]
        )

    def through_stiffness(self) -> Array:
        """Through-thickness shear stiffness (2, 2), MPa, along and across, without shear correction."""
        return np.diag([self.shear_along_through, self.shear_across_through])

    def shares(self) -> dict[str, tuple[Array, Array]]:
        """Plane (3, 3) and through (2, 2) stiffness split by COMPONENTS: C S_k C, with S_k the compliance that scales
        with component k (Poisson's ratio goes with the grain). Their sum is the whole stiffness."""
        plane, through = self.plane_stiffness(), self.through_stiffness()
        swapped = -self.poisson / self.modulus_along
        given = {
            "along": np.array([[1.0 / self.modulus_along, swapped, 0.0], [swapped, 0.0, 0.0], [0.0, 0.0, 0.0]]),
            "across": np.diag([0.0, 1.0 / self.modulus_across, 0.0]),
            "shear": np.diag([0.0, 0.0, 1.0 / self.shear_plane]),
        }
        split = {name: plane @ compliance @ plane for name, compliance in given.items()}
        none, along, rolling = np.zeros((3, 3)), through * [1.0, 0.0], through * [0.0, 1.0]
        return {
            "along": (split["along"], np.zeros((2, 2))),
            "across": ((1.0 - self.rolling_in_across) * split["across"], self.across_in_rolling * rolling),
            "shear": (split["shear"], np.zeros((2, 2))),
            "through": (none, along),
            "rolling": (self.rolling_in_across * split["across"], (1.0 - self.across_in_rolling) * rolling),
        }

    def movement(self) -> Array:
        """Free strain (3,) per +1 % MC: along, across, shear."""
        return np.array([self.movement_along, self.movement_across, 0.0])


def _moduli(wood_name: str) -> tuple[tuple[float, float, float], tuple[float, float, float], float]:
    """Moduli along (the table's bending modulus times the shear correction), radial and tangential, shear moduli LR, LT
    and RT, all in MPa, and Poisson's ratio LR of a wood. Raises BadInput for an unknown wood."""
    names = (
        "elastic_ratio_radial",
        "elastic_ratio_tangential",
        *(f"shear_ratio_{plane}" for plane in ("lr", "lt", "rt")),
    )
    along = library.value("shear_correction_modulus") * library.wood_value(wood_name, "modulus_of_elasticity_12")
    radial, tangential, *shears = (along * library.wood_value(wood_name, name) for name in names)
    return (along, radial, tangential), (shears[0], shears[1], shears[2]), library.wood_value(wood_name, "poisson_lr")


def board(wood_name: str, ring_angle_deg: float = 0.0) -> Board:
    """The board of a wood; ring_angle_deg 0 is quarter-sawn (radial across the plane), 90 flat-sawn.

    The moduli across turn with the growth rings in the radial-tangential plane (Jones 1975, Eq. 2.97: the soft shear of
    that plane makes a board with slanting rings softer than either direction). Movement across: C_R cos2 + C_T sin2.
    Poisson's ratio between radial and tangential is taken as that between grain and radial (no table number). Raises
    BadInput for an unknown wood."""
    (along, radial, tangential), (shear_lr, shear_lt, shear_rt), poisson = _moduli(wood_name)
    radially, tangentially = (library.wood_value(wood_name, f"coefficient_{way}") for way in ("radial", "tangential"))
    c2, s2 = cos(radians(ring_angle_deg)) ** 2, sin(radians(ring_angle_deg)) ** 2
    cross = poisson / radial
    across = 1.0 / (c2**2 / radial + s2**2 / tangential + c2 * s2 * (1.0 / shear_rt - 2.0 * cross))
    rolling = 1.0 / ((c2 - s2) ** 2 / shear_rt + 4.0 * c2 * s2 * (1.0 / radial + 1.0 / tangential + 2.0 * cross))
    return Board(
        modulus_along=along,
        modulus_across=across,
        poisson=poisson,
        shear_plane=1.0 / (c2 / shear_lr + s2 / shear_lt),
        shear_along_through=1.0 / (c2 / shear_lt + s2 / shear_lr),
        shear_across_through=rolling,
        movement_along=library.value("longitudinal_movement_mean"),
        movement_across=float(ring_angle_coefficient(radially, tangentially, ring_angle_deg)),
        rolling_in_across=across * c2 * s2 / shear_rt,
        across_in_rolling=rolling * 4.0 * c2 * s2 * (1.0 / radial + 1.0 / tangential + 2.0 * cross),
    )


def turned(of: Board, grain_deg: float) -> tuple[dict[str, tuple[Array, Array]], Array]:
    """Plane stiffness (3, 3) and through shear (2, 2) by COMPONENTS, and movement (3,), in axes from which the grain is
    turned. Strain transformation of Jones (1975), Eq. 2.80, with engineering shear."""
    c, s = cos(radians(grain_deg)), sin(radians(grain_deg))
    strain = np.array([[c * c, s * s, c * s], [s * s, c * c, -c * s], [-2.0 * c * s, 2.0 * c * s, c * c - s * s]])
    shear = np.array([[c, s], [-s, c]])
    split = {
        name: (strain.T @ plane @ strain, shear.T @ through @ shear) for name, (plane, through) in of.shares().items()
    }
    return split, np.asarray(np.linalg.inv(strain) @ of.movement(), dtype=float)


@dataclass(frozen=True)
class Layer:
    """One board of a stack between two heights over the reference plane, in mm; moisture names the load it follows."""

    board: Board
    bottom_mm: float
    top_mm: float
    moisture: str
    grain_deg: float = 0.0


@dataclass(frozen=True)
class Section:
    """A stack as a plate: stiffness (8, 8) for in-plane strains (3), curvatures (3) and through shears (2), per mm of
    width, N and mm, split by COMPONENTS; loads: free-strain resultants (8,) per +1 % MC by moisture name."""

    shares: dict[str, Array]
    loads: dict[str, Array]
    drilling: float

    @property
    def stiffness(self) -> Array:
        """The whole stiffness (8, 8)."""
        return np.asarray(sum(self.shares.values()), dtype=float)


def section(layers: tuple[Layer, ...], gradient: str = "") -> Section:
    """Section of a stack of glued boards (classical lamination, Jones 1975, Eqs. 4.22-4.24, with through shear).

    gradient names a load: +1 % MC at the upper face over the lower one of the whole stack, linear between."""
    shares = {name: np.zeros((8, 8)) for name in COMPONENTS}
    loads, drilling = {layer.moisture: np.zeros(8) for layer in layers}, 0.0
    low, high = min(layer.bottom_mm for layer in layers), max(layer.top_mm for layer in layers)
    if gradient:
        loads[gradient] = np.zeros(8)
    for layer in layers:
        split, movement = turned(layer.board, layer.grain_deg)
        z0, z1 = layer.bottom_mm, layer.top_mm
        area, first, second = z1 - z0, (z1**2 - z0**2) / 2.0, (z1**3 - z0**3) / 3.0
        for name, (plane, through) in split.items():
            shares[name][:3, :3] += plane * area
            shares[name][:3, 3:6] += plane * first
            shares[name][3:6, :3] += plane * first
            shares[name][3:6, 3:6] += plane * second
            shares[name][6:, 6:] += through * area * SHEAR_CORRECTION
        stress = sum(plane for plane, _ in split.values()) @ movement
        loads[layer.moisture][:3] += stress * area
        loads[layer.moisture][3:6] += stress * first
        if gradient:
            middle, depth = (low + high) / 2.0, high - low
            loads[gradient][:3] += stress * (first - middle * area) / depth
            loads[gradient][3:6] += stress * (second - middle * first) / depth
        drilling += layer.board.shear_plane * area
    return Section(shares, loads, drilling)


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
    moduli, (shear_lr, shear_lt, shear_rt), poisson = _moduli(wood_name)
    return solid_wood(moduli, poisson, (shear_rt, shear_lt, shear_lr), GRAINS[grain])


def solid_wood(
    moduli: tuple[float, float, float], poisson: float, shears: tuple[float, float, float], axes: tuple[int, int, int]
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
