"""Plates, shallow domes and ribs by finite elements against published solutions.

Reference values: Timoshenko and Woinowsky-Krieger (1959), Theory of Plates and Shells: square plate, uniform load,
Poisson's ratio 0.3: clamped 0.00126532 q a^4 / D, simply supported 0.00406235 q a^4 / D at the middle (their Tables 8
and 35 print 0.00406 and 0.00126). Navier's double sine series for a simply supported orthotropic rectangle and a
shallow spherical cap, with through shear (Reddy 2004, Mechanics of Laminated Composite Plates and Shells, ch. 6 and 8).
Composite beam: bending of two glued bars about their common neutral axis. Two layers with different free strain:
Timoshenko (1925), Analysis of bi-metal thermostats, Eq. 4.
"""

from __future__ import annotations

from dataclasses import replace
from functools import cached_property

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy.sparse import csc_matrix
from scipy.sparse.linalg import splu
from skfem import MeshTri

from driftmodel.structure import box_parts as ribs
from driftmodel.structure import shell
from driftmodel.structure.plate import Board, Layer, Section, board, section, turned

Array = NDArray[np.float64]

SPRUCE = Board(11900.0, 928.0, 0.372, 762.0, 762.0, 60.0, 5.0e-5, 1.48e-3)
#: isotropic, Poisson's ratio 0.3
EVEN = Board(10000.0, 10000.0, 0.3, 10000.0 / 2.6, 10000.0 / 2.6, 10000.0 / 2.6, 1.0e-3, 1.0e-3)


class Rectangle:
    """A rectangle a by b of one section in `count` by `count` squares of two triangles each, with its freedoms."""

    def __init__(self, a: float, b: float, count: int | tuple[int, int], stack: Section, radius: float = 0.0) -> None:
        nx, ny = (count, count) if isinstance(count, int) else count
        mesh = MeshTri.init_tensor(np.linspace(0.0, a, nx + 1), np.linspace(0.0, b, ny + 1))
        self.a, self.b, self.radius, self.stack = a, b, radius, stack
        self.surface = shell.surface(mesh.p.T, mesh.t.T)
        self.spots = shell.places(self.surface)
        self.system = shell.Structure(len(self.spots))
        frames = np.broadcast_to(np.eye(3), (len(mesh.t.T), 3, 3))
        slopes = self.slope(shell.quadrature_places(self.surface)) if radius else None
        shell.add_shell(self.system, self.surface, self.surface.nodes, stack, "top", frames, slopes)

    def slope(self, at: Array) -> Array:
        return -(at - [self.a / 2.0, self.b / 2.0]) / self.radius

    def press(self, pressure: float) -> None:
        force = np.einsum("mq,qk->mk", self.surface.weight * pressure, self.surface.value)
        self.system.add_force("pressure", (6 * self.surface.nodes + 2).ravel(), force.ravel())

    def on(self, line: str) -> NDArray[np.intp]:
        x, y = self.spots.T
        where = {"left": x < 1e-9, "right": x > self.a - 1e-9, "low": y < 1e-9, "high": y > self.b - 1e-9}
        return np.flatnonzero(where[line])

    def supported(self) -> list[int]:
        """Simply supported: no deflection, no sliding or turning along the edge."""
        held = [6 * node + part for line in ("left", "right") for node in self.on(line) for part in (1, 2, 3)]
        return held + [6 * node + part for line in ("low", "high") for node in self.on(line) for part in (0, 2, 4)]

    def quarter(self, edge: str) -> list[int]:
        """A quarter of a plate: left and low edges held, right and high edges its lines of symmetry; no stretch."""
        held = [6 * node + part for node in range(len(self.spots)) for part in (0, 1)]
        for line, along, across in (("left", 3, 4), ("low", 4, 3)):
            parts = (2, along) if edge == "supported" else (2, along, across)
            held += [6 * node + part for node in self.on(line) for part in parts]
        return held + [6 * n + 4 for n in self.on("right")] + [6 * n + 3 for n in self.on("high")]

    @cached_property
    def whole(self) -> csc_matrix:
        return self.system.stiffness().tocsc()

    def solve(self, load: str, held: list[int]) -> Array:
        """Displacements and turns (n, 6)."""
        size = 6 * self.system.node_count
        whole = self.whole
        free = np.setdiff1d(np.flatnonzero(whole.diagonal() > 0.0), held)  # nothing turns about the normal
        answer = np.zeros(size)
        symmetric = {"permc_spec": "MMD_AT_PLUS_A", "diag_pivot_thresh": 0.0, "options": {"SymmetricMode": True}}
        answer[free] = splu(whole[free][:, free], **symmetric).solve(self.system.load(load)[free])
        return answer.reshape(-1, 6)

    def node(self, x: float, y: float) -> int:
        return int(np.argmin(np.hypot(*(self.spots - [x, y]).T)))


def navier_mm(stiffness: Array, a: float, b: float, pressure: float, radius: float = 0.0, terms: int = 99) -> float:
    """Middle deflection of a simply supported (orthotropic, shallow spherical) rectangle with through shear.

    u = U cos sin, v = V sin cos, w = W sin sin, turns alike (Reddy 2004); each term is 5 by 5, stiffness (8, 8).
    """
    bend = 1.0 / radius if radius else 0.0
    odd = np.arange(1, terms + 1, 2)
    m, n = (grid.ravel() for grid in np.meshgrid(odd, odd))
    p, q = m * np.pi / a, n * np.pi / b
    strain = np.zeros((m.size, 8, 5))  # amplitudes of e_x, e_y, g_xy, k_x, k_y, k_xy, g_xz, g_yz by U, V, W, X, Y
    strain[:, 0, 0], strain[:, 0, 2] = -p, bend
    strain[:, 1, 1], strain[:, 1, 2] = -q, bend
    strain[:, 2, 0], strain[:, 2, 1] = q, p
    strain[:, 3, 3], strain[:, 4, 4], strain[:, 5, 3], strain[:, 5, 4] = -p, -q, q, p
    strain[:, 6, 2], strain[:, 6, 3] = p, 1.0
    strain[:, 7, 2], strain[:, 7, 4] = q, 1.0
    load = np.zeros((m.size, 5, 1))
    load[:, 2, 0] = 16.0 * pressure / (np.pi**2 * m * n)
    waves = np.linalg.solve(strain.transpose(0, 2, 1) @ stiffness @ strain, load)[:, 2, 0]
    return float((waves * (-1.0) ** ((m - 1) // 2 + (n - 1) // 2)).sum())


def single(of: Board, thickness: float) -> Section:
    return section((Layer(of, -thickness / 2.0, thickness / 2.0, "own"),))


@pytest.mark.parametrize(("edge", "factor"), [("clamped", 0.00126532), ("supported", 0.00406235)])
def test_square_plate_under_uniform_load(edge: str, factor: float) -> None:
    """Timoshenko and Woinowsky-Krieger (1959); a plate so thin that through shear adds less than 3e-4."""
    a, thickness = 500.0, 2.0
    plate = Rectangle(a / 2, a / 2, 8, single(EVEN, thickness))
    plate.press(1.0e-6)
    answer = plate.solve("pressure", plate.quarter(edge))
    rigidity = EVEN.modulus_along * thickness**3 / (12.0 * (1.0 - 0.3**2))
    middle = answer[plate.node(a / 2, a / 2), 2]
    assert middle == pytest.approx(factor * 1.0e-6 * a**4 / rigidity, rel=4e-4)


@pytest.mark.parametrize("thickness", [2.8, 12.0])
def test_orthotropic_plate_against_navier(thickness: float) -> None:
    a, b = 480.0, 360.0
    stack = single(SPRUCE, thickness)
    plate = Rectangle(a, b, 12, stack)
    plate.press(1.0e-4)
    middle = plate.solve("pressure", plate.supported())[plate.node(a / 2, b / 2), 2]
    assert middle == pytest.approx(navier_mm(stack.stiffness, a, b, 1.0e-4), rel=1e-4)


@pytest.mark.parametrize("of", [EVEN, SPRUCE], ids=["isotropic", "spruce"])
def test_shallow_spherical_cap_against_navier(of: Board) -> None:
    a, b, radius = 480.0, 360.0, 7500.0
    stack = single(of, 2.8)
    cap = Rectangle(a, b, 12, stack, radius)
    cap.press(1.0e-4)
    middle = cap.solve("pressure", cap.supported())[cap.node(a / 2, b / 2), 2]
    reference = navier_mm(stack.stiffness, a, b, 1.0e-4, radius)
    assert middle == pytest.approx(reference, rel=1e-3)
    flat = navier_mm(stack.stiffness, a, b, 1.0e-4)
    assert reference < 0.8 * flat  # the dome carries: the check would see its absence


def test_symmetric_stack_stays_flat_in_even_moisture() -> None:
    """Equal plies about the middle: free strain, no curvature; and a bare plate moves by its free strain alone."""
    across = Layer(SPRUCE, -0.5, 0.5, "own", 90.0)
    stack = section((Layer(SPRUCE, -1.5, -0.5, "own"), across, Layer(SPRUCE, 0.5, 1.5, "own")))
    strain = np.linalg.solve(stack.stiffness, stack.loads["own"])
    assert np.abs(strain[3:]).max() < 1e-15
    bare = single(SPRUCE, 2.8)
    np.testing.assert_allclose(np.linalg.solve(bare.stiffness, bare.loads["own"])[:2], [5.0e-5, 1.48e-3], rtol=1e-12)


def test_two_layers_bend_as_a_bimetal() -> None:
    """Timoshenko (1925), Eq. 4: curvature by different free strain of two glued layers (beams: no strain across)."""
    lower = replace(SPRUCE, poisson=0.0, movement_along=0.0, movement_across=0.0)
    upper = replace(lower, modulus_along=20000.0, movement_along=1.0e-3)
    t1, t2 = 3.0, 2.0
    stack = section((Layer(lower, 0.0, t1, "lower"), Layer(upper, t1, t1 + t2, "upper")))
    curvature = np.linalg.solve(stack.stiffness, stack.loads["upper"])[3]
    m, n, h = t1 / t2, lower.modulus_along / upper.modulus_along, t1 + t2
    expected = 6.0 * 1.0e-3 * (1 + m) ** 2 / (h * (3 * (1 + m) ** 2 + (1 + m * n) * (m**2 + 1 / (m * n))))
    assert curvature == pytest.approx(expected, rel=1e-9)


@pytest.mark.parametrize("radius", [0.0, 7500.0])
def test_rigid_motion_makes_no_force(radius: float) -> None:
    """Shift, and turn about each axis, in a flat plate and (to the order of a shallow shell) a dome."""
    plate = Rectangle(400.0, 300.0, 4, single(SPRUCE, 2.8), radius)
    x, y = (plate.spots - [200.0, 150.0]).T
    rise = -(x**2 + y**2) / (2.0 * radius) if radius else np.zeros_like(x)
    zero, one = np.zeros_like(x), np.ones_like(x)
    motions = [
        (one, zero, zero, zero, zero, zero),
        (zero, one, zero, zero, zero, zero),
        (zero, zero, one, zero, zero, zero),
        (zero, -rise, y, one, zero, zero),
        (rise, zero, -x, zero, one, zero),
        (-y, x, zero, zero, zero, zero),
    ]
    stiffness = plate.system.stiffness()
    stretched = np.column_stack((x / 200.0, zero, zero, zero, zero, zero)).ravel()
    scale = float(stretched @ (stiffness @ stretched))
    for motion in motions:
        moved = np.column_stack(motion).ravel()
        moved = moved / np.abs(moved).max()
        assert abs(float(moved @ (stiffness @ moved))) < 1e-9 * scale


def test_strip_with_one_rib_against_composite_beam() -> None:
    """A narrow strip with a bar glued under it, simply supported, uniform load: E I about the common neutral axis, with
    the bars' shear small (1:60); and its bow by movement of the strip alone."""
    length, width, t = 1000.0, 24.0, 2.8
    of = replace(SPRUCE, poisson=0.0, movement_along=1.0e-3, movement_across=0.0)
    strip = Rectangle(length, width, (40, 2), single(of, t))
    line = np.array([[0.0, width / 2.0], [length, width / 2.0]])
    bar_width, bar_height = 8.0, 14.0
    shears = (762.0, 762.0)
    rib = ribs.Rib(line, bar_width, lambda at: np.full_like(at, bar_height), 11900.0, *shears, 0.0, "rib", 1.0, t / 2.0)
    every = np.arange(len(strip.spots))
    assert ribs.add_rib(strip.system, strip.surface, every, rib, None) == pytest.approx(length)
    strip.press(1.0e-4)
    held = [6 * node + 2 for node in np.concatenate([strip.on("left"), strip.on("right")])]
    held += [6 * node for node in strip.on("left")] + [6 * int(node) + part for node in every for part in (1, 3)]
    plate_area, bar_area = width * t, bar_width * bar_height
    offset = (t + bar_height) / 2.0
    rigidity = 11900.0 * (
        width * t**3 / 12.0
        + bar_width * bar_height**3 / 12.0
        + plate_area * bar_area / (plate_area + bar_area) * offset**2
    )
    middle = strip.node(length / 2, width / 2)
    bent = strip.solve("pressure", held)[middle, 2]
    assert bent == pytest.approx(5.0 * 1.0e-4 * width * length**4 / (384.0 * rigidity), rel=0.02)
    # movement: curvature = strain x (E A1 A2 / (A1 + A2)) offset / (E I); a strip that grows rises over its rib
    curvature = 1.0e-3 * 11900.0 * plate_area * bar_area / (plate_area + bar_area) * offset / rigidity
    bowed = strip.solve("own", held)[middle, 2]
    assert bowed == pytest.approx(curvature * length**2 / 8.0, rel=0.02)


def test_glued_layer_with_stiff_shear_is_one_section() -> None:
    """A thick layer glued on with turns of its own must, where through shear is stiff, bend as the whole stack."""
    of = replace(SPRUCE, shear_along_through=1.0e5, shear_across_through=1.0e5)
    a, b, t, thick = 300.0, 200.0, 2.8, 8.5
    whole = section((Layer(of, -t / 2, t / 2, "own"), Layer(of, t / 2, t / 2 + thick, "upper", 90.0)))
    one = Rectangle(a, b, 6, whole)
    two = Rectangle(a, b, 6, single(of, t))
    upper = section((Layer(of, -thick / 2, thick / 2, "upper", 90.0),))
    chosen = np.ones(len(two.surface.nodes), dtype=bool)
    shell.add_layer(two.system, two.surface, two.surface.nodes, upper, "bridge", None, chosen, t / 2, thick / 2)
    answers = []
    for case in (one, two):
        held = [6 * case.node(0, 0) + part for part in (0, 1, 2)]
        held += [6 * case.node(a, 0) + part for part in (1, 2)] + [6 * case.node(0, b) + 2]
        middle = case.node(a / 2, b / 2)
        answers.append([case.solve(load, held)[middle, 2] for load in ("own", "upper")])
    np.testing.assert_allclose(answers[1], answers[0], rtol=0.02)


def test_board_from_the_library() -> None:
    """E_L is 1.10 times the table's bending modulus (Wood Handbook 2010, ch. 5); movement turns with the rings."""
    from driftmodel.base import library

    wood = library.wood("sitka spruce")
    quarter, flat = board("sitka spruce", 0.0), board("sitka spruce", 90.0)
    along = 1.10 * library.number(wood, "modulus_of_elasticity_12").value
    assert quarter.modulus_along == pytest.approx(along)
    assert quarter.modulus_across == pytest.approx(along * library.number(wood, "elastic_ratio_radial").value)
    assert flat.modulus_across == pytest.approx(along * library.number(wood, "elastic_ratio_tangential").value)
    assert quarter.movement_across == pytest.approx(library.number(wood, "coefficient_radial").value)
    assert flat.movement_across == pytest.approx(library.number(wood, "coefficient_tangential").value)


def test_grain_turned_by_a_right_angle() -> None:
    split, movement = turned(SPRUCE, 90.0)
    plane, through = (np.sum([parts[k] for parts in split.values()], axis=0) for k in (0, 1))
    own = SPRUCE.plane_stiffness()
    np.testing.assert_allclose(plane, own[np.ix_([1, 0, 2], [1, 0, 2])], atol=1e-9)
    np.testing.assert_allclose(np.diag(through), [60.0, 762.0])
    np.testing.assert_allclose(movement, [1.48e-3, 5.0e-5, 0.0], atol=1e-15)
