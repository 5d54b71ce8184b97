"""Reference for tests/test_structure_body.py: the braced box in solid elements, to be run by hand.

27-node hexahedra (scikit-fem), one through each board, half of the box by symmetry about y = 0. Blocks firm or of wood,
grain upright; the neck is carried by the whole face of its block, the frame is that of the tail block's face; level
strings at the bridge's upper face; where two bars cross both run through (were one cut by the grain of the other, the
top would sink 0.31 mm, not 0.34). Prints, per -1 % MC and for 750 N: rise of the bridge over the neck block (mm), tilt
of the bridge under the strings and turn of the neck block (degrees), saddle over the fret plane and width (mm).

    python tests/reference/solid_box.py SIZE_MM [even|wood bridge] [firm|wood blocks] [bar width as a share, 1 or 0.25]
        [lined: 6 x 14 mm linings glued to plates and sides]
"""

from __future__ import annotations

import sys
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray
from scipy.sparse import coo_matrix
from scipy.sparse.linalg import splu
from skfem import Basis, ElementHex2, FacetBasis, MeshHex

Array = NDArray[np.float64]
LENGTH, HALF_WIDTH, HEIGHT = 500.0, 180.0, 100.0
TOP, BACK, SIDE, BRIDGE = 2.8, 2.5, 2.2, 8.5
TOP_RADIUS, BACK_RADIUS = 7500.0, 5000.0
PARTS = ("top", "back", "sides")


def stiffness(e1: float, ratios: tuple[float, float], poisson: tuple[float, float, float], shears: tuple[float, ...],
              axes: tuple[int, int, int] = (0, 1, 2)) -> Array:  # fmt: skip
    """(6, 6) for strains xx, yy, zz, yz, xz, xy; axes: the global axis each own axis (L, R, T) follows. shears: LR, LT,
    RT as shares of e1."""
    e2, e3 = ratios[0] * e1, ratios[1] * e1
    n12, n13, n23 = poisson
    own = np.diag([1 / e1, 1 / e2, 1 / e3, *(1 / (e1 * g) for g in shears[::-1])])
    own[0, 1] = own[1, 0] = -n12 / e1
    own[0, 2] = own[2, 0] = -n13 / e1
    own[1, 2] = own[2, 1] = -n23 / e2
    a, b, c = axes
    place = [a, b, c, 6 - (b + c), 6 - (a + c), 6 - (a + b)]  # yz is 3, xz 4, xy 5: 6 minus the sum of the axes
    turned = np.zeros((6, 6))
    turned[np.ix_(place, place)] = np.linalg.inv(own)
    return turned


def spruce(axes: tuple[int, int, int], factor: float = 1.0) -> Array:
    return factor * stiffness(11900.0, (0.078, 0.043), (0.372, 0.467, 0.435), (0.064, 0.061, 0.003), axes)


def mahogany(axes: tuple[int, int, int], along_mpa: float = 11300.0) -> Array:
    return stiffness(along_mpa, (0.107, 0.064), (0.314, 0.4, 0.5), (0.066, 0.06, 0.021), axes)


def even(e: float) -> Array:
    return stiffness(e, (1.0, 1.0), (0.3, 0.3, 0.3), (1 / 2.6,) * 3)


def stops(places: list[float], size: float) -> Array:
    parts = [
        np.linspace(a, b, max(1, int(np.ceil((b - a) / size - 0.01))), endpoint=False) for a, b in pairwise(places)
    ]
    return np.concatenate([*parts, [places[-1]]])


def rise(x: Array, y: Array, radius: float) -> Array:
    """Sphere of small rise, nought at both ends of the centre line."""
    return ((LENGTH / 2) ** 2 - (x - LENGTH / 2) ** 2 - y**2) / (2.0 * radius)


def height(reach: Array, length: float, full: float) -> Array:
    from_end = np.minimum(reach, length - reach)
    return np.where(from_end < 25.0, 3.5, np.where(from_end < 60.0, 7.0, full))


def build(
    size: float, bridge: str, blocks: str, share: float, lined: bool
) -> tuple[MeshHex, NDArray, NDArray, Array, Array]:
    """Mesh, and for each cell its material and part; stiffness (k, 6, 6) and free strain (k, 6) of the materials."""
    thin, wide = 4.0 * share, 6.0 * share
    x = stops([0, SIDE, 25, 50, 60, 150 - thin, 150 + thin, 280, 290, 310, 350 - wide, 350 + wide, 360 - thin,
               360 + thin, 440, 450, 475, LENGTH - SIDE, LENGTH] if share < 1.0 else
              [0, SIDE, 25, 50, 60, 146, 154, 280, 290, 310, 344, 356, 364, 440, 450, 475, LENGTH - SIDE, LENGTH],
              size)  # fmt: skip
    y = stops([0, 27, 35, 60 - thin, 60 + thin, 75, 120, 155, HALF_WIDTH - SIDE, HALF_WIDTH], size)
    if lined:
        x, y = np.unique([*x, SIDE + 6.0, LENGTH - SIDE - 6.0]), np.unique([*y, HALF_WIDTH - SIDE - 6.0])
    steps = np.array([3.5, 7.0, 11.0, 12.0, 14.0])
    floor, ceiling = -HEIGHT + BACK / 2, -TOP / 2
    middle = stops([floor + 14.0, ceiling - 14.0], 35.0)
    z = np.array([floor - BACK, floor, *(floor + steps[:-1]), *middle, *(ceiling - steps[-2::-1]), ceiling, TOP / 2,
                  TOP / 2 + BRIDGE])  # fmt: skip
    mesh = MeshHex.init_tensor(x, y, z)
    at, across, up = mesh.p[:, mesh.t].mean(axis=1)
    material, part = np.full(at.size, -1), np.full(at.size, -1)

    def put(where: NDArray, wood: int, of: int = -1) -> None:
        material[where], part[where] = wood, of

    hollow = (up < ceiling) & (up > floor)
    below, above = ceiling - up, up - floor
    put(hollow & (np.abs(across - 60) < thin) & (below < height(at, LENGTH, 14.0)), 1)
    wing = across + HALF_WIDTH
    for place, half, full, depth in ((360, thin, 12.0, below), (150, thin, 14.0, above), (350, wide, 11.0, above)):
        bar = hollow & (np.abs(at - place) < half) & (depth < height(wing, 2 * HALF_WIDTH, full))
        crossing = bar & (material == 1)
        put(bar & (material < 0), 2)
        put(crossing, 8)
    put(hollow & (across > HALF_WIDTH - SIDE), 4, 2)
    put(hollow & ((at < SIDE) | (at > LENGTH - SIDE)), 5, 2)
    put(np.abs(up) < TOP / 2, 0, 0)
    put(np.abs(up + HEIGHT) < BACK / 2, 3, 1)
    put((up > TOP / 2) & (at > 280) & (at < 310) & (across < 75), 6)
    if lined:
        near = hollow & (material < 0) & (np.minimum(below, above) < 14.0)
        put(near & (across > HALF_WIDTH - SIDE - 6.0), 9, 2)
        put(near & (material < 0) & ((at < SIDE + 6.0) | (at > LENGTH - SIDE - 6.0)), 10, 2)
    wall = SIDE if blocks == "wood" else 0.0
    put(hollow & (((at < 50) & (at > wall)) | ((at > LENGTH - 50) & (at < LENGTH - wall))) & (across < 35), 7)
    woods = [
        spruce((0, 1, 2)),
        spruce((0, 1, 2), 1 / share),
        spruce((1, 0, 2), 1 / share),
        mahogany((0, 1, 2)),
        mahogany((0, 2, 1)),
        mahogany((1, 2, 0)),
        even(13000.0) if bridge == "even" else mahogany((1, 0, 2), 13000.0),
        even(3.0e5) if blocks == "firm" else mahogany((2, 0, 1)),
        (spruce((0, 1, 2)) + spruce((1, 0, 2))) / share,
        mahogany((0, 1, 2)),
        mahogany((1, 0, 2)),
    ]
    free = np.zeros((11, 6))
    free[9, :3], free[10, :3] = (5.0e-5, 1.7e-3, 1.7e-3), (1.7e-3, 5.0e-5, 1.7e-3)
    free[0, :3] = 5.0e-5, 1.48e-3, 1.48e-3
    free[3, :3] = free[4, :3] = 5.0e-5, 1.7e-3, 1.7e-3
    free[5, :3] = 1.7e-3, 5.0e-5, 1.7e-3
    free[4, 1], free[4, 2] = 1.7e-3, 1.7e-3
    kept = np.flatnonzero(material >= 0)
    mesh = mesh.restrict(kept)
    px, py, pz = mesh.p
    blend = np.clip((pz - (floor + 14.0)) / (ceiling - floor - 28.0), 0.0, 1.0)
    moved = pz + blend * rise(px, py, TOP_RADIUS) - (1.0 - blend) * rise(px, py, BACK_RADIUS)
    return MeshHex(np.array([px, py, moved]), mesh.t), material[kept], part[kept], np.array(woods), free


def main(size: float, bridge: str = "even", blocks: str = "firm", share: float = 1.0, linings: str = "") -> None:
    mesh, material, part, woods, free = build(size, bridge, blocks, share, linings == "lined")
    basis = Basis(mesh, ElementHex2(), intorder=4)
    gradient, weight, nodes = np.stack([shape[0].grad for shape in basis.basis], -1), basis.dx, basis.element_dofs.T
    count, total = len(nodes), 3 * basis.N
    element, force = np.zeros((count, 81, 81)), np.zeros((count, 81))
    for start in range(0, count, 400):
        cut = slice(start, min(start + 400, count))
        gx, gy, gz = gradient[:, cut]
        strain = np.zeros((*gx.shape[:2], 6, 81))
        for row, column, value in ((0, 0, gx), (1, 1, gy), (2, 2, gz), (3, 1, gz), (3, 2, gy), (4, 0, gz), (4, 2, gx),
                                   (5, 0, gy), (5, 1, gx)):  # fmt: skip
            strain[:, :, row, column::3] = value
        stress = np.matmul(woods[material[cut]][:, None], strain) * weight[cut][:, :, None, None]
        many = len(gx)
        element[cut] = strain.reshape(many, -1, 81).transpose(0, 2, 1) @ stress.reshape(many, -1, 81)
        held_stress = np.einsum("eij,ej->ei", woods[material[cut]], free[material[cut]])
        force[cut] = np.einsum("eqri,eq,er->ei", strain, weight[cut], held_stress, optimize=True)
    dofs = (3 * nodes[:, :, None] + np.arange(3)).reshape(count, 81)
    entries = (element.ravel(), (np.repeat(dofs, 81, 1).ravel(), np.tile(dofs, (1, 81)).ravel()))
    whole = coo_matrix(entries, shape=(total, total)).tocsc()
    x, y, z = basis.doflocs
    level = z - rise(x, y, TOP_RADIUS)

    def pick(place: float, reach: float, high: float) -> NDArray:
        return np.flatnonzero((np.abs(x - place) < 1e-6) & (y < reach + 0.01) & (np.abs(level - high) < 0.05))

    right = np.zeros((total, 4))
    for column in range(3):
        np.add.at(right[:, column], dofs.ravel(), (force * (part == column)[:, None]).ravel())
    pulled = pick(290, 27, TOP / 2 + BRIDGE)
    line = float(rise(np.array(290.0), np.array(0.0), TOP_RADIUS)) + TOP / 2 + BRIDGE

    def face(end: float) -> tuple[Array, Array, float]:
        """Area of the nodes of a block's outer face, their arms over its middle, and the height of that."""
        lined = mesh.facets_satisfying(lambda at: (np.abs(at[0] - end) < 1e-6) & (at[1] < 35.0) & (np.abs(at[2] + HEIGHT / 2) < HEIGHT / 2))  # noqa: E501  # fmt: skip
        on = FacetBasis(mesh, ElementHex2(), facets=lined)
        area = np.zeros(basis.N)
        for local in range(27):
            np.add.at(area, on.element_dofs[local], (on.basis[local][0] * on.dx).sum(axis=-1))
        area /= area.sum()
        middle = float(area @ z)
        return area, z - middle, middle

    def body(of: tuple[Array, Array, float], shift: Array) -> tuple[Array, Array, Array]:
        """Movement along and up at the height z = 0, and turn about y, of a face, by least squares."""
        area, arm, middle = of
        turn = (area * arm) @ shift[:, 0] / ((area * arm) @ arm)
        return area @ shift[:, 0] - middle * turn, area @ shift[:, 2], turn

    neck, tail = face(0.0), face(LENGTH)
    right[3 * pulled, 3] -= 0.5 / len(pulled)  # half of the box carries half a newton
    area, arm, middle = neck
    right[0::3, 3] += 0.5 * area + 0.5 * (line - middle) * area * arm / ((area * arm) @ arm)
    inner = np.flatnonzero((np.abs(x - LENGTH + 50) < 1e-6) & (np.abs(y) < 1e-9) & (z > -HEIGHT) & (z < 0.0))
    low, high = inner[np.argmin(z[inner])], inner[np.argmax(z[inner])]
    held = np.concatenate([3 * np.flatnonzero(np.abs(y) < 1e-9) + 1, [3 * low, 3 * low + 2, 3 * high]])
    chosen = np.setdiff1d(np.arange(total), held)
    symmetric = {"permc_spec": "MMD_AT_PLUS_A", "diag_pivot_thresh": 0.0, "options": {"SymmetricMode": True}}
    moved = np.zeros((total, 4))
    moved[chosen] = splu(whole[chosen][:, chosen], **symmetric).solve(right[chosen])
    shift = moved.reshape(-1, 3, 4)
    along, up, turned = body(tail, shift)  # a body's movement at (LENGTH, 0); taken out
    shift[:, 0] -= along + turned * z[:, None]
    shift[:, 2] -= up - turned * (x[:, None] - LENGTH)
    lift = {key: shift[pick(*key), 2].mean(0) for key in ((290, 27, 0.0), (280, 27, TOP / 2), (310, 27, TOP / 2))}
    _, rise_of_neck, turn = body(neck, shift)
    up = lift[290, 27, 0.0] - rise_of_neck
    tilt = (lift[310, 27, TOP / 2] - lift[280, 27, TOP / 2]) / 30.0
    rim = np.flatnonzero((np.abs(x - 290) < 1e-6) & (np.abs(y - HALF_WIDTH) < 1e-6) & (np.abs(level) < 0.05))
    print(f"{size:g} mm, {count} cells, {total} unknowns")
    for column, name in enumerate((*PARTS, "strings")):
        factor = 750.0 if name == "strings" else -1.0
        values = (up, np.degrees(tilt), np.degrees(turn), up + turn * 290.0, 2.0 * shift[rim, 1].mean(0))
        print(f"  {name:8s}", *(f"{factor * value[column]:9.4f}" for value in values))


if __name__ == "__main__":
    main(float(sys.argv[1]), *sys.argv[2:4], *(float(one) for one in sys.argv[4:5]), *sys.argv[5:6])
