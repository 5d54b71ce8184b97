"""Thin wooden shells by finite elements: plates with through shear, shallow domes, and patches glued on them.

Cubic triangles (scikit-fem) carry three displacements and three turns at every node, in mm, N and radians. Each
surface is a set of flat triangles in space; a dome enters through its slope (Marguerre 1938). Strains are those of
Reissner (1945) and Mindlin (1951); a turn about the normal follows the in-plane turn of the surface (Hughes and
Brezzi 1989)."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np
from scipy.sparse import coo_matrix, csr_matrix

from driftmodel.base.schema import Array, Flags, Integers
from driftmodel.structure.plate import Section

#: nodes of a cubic triangle, strains of a shell (in-plane 3, curvature 3, through shear 2, turn about the normal 1)
_STRAINS = 9
#: share of the in-plane shear stiffness that ties the turn about the normal; any share from 0.001 to 1 will do
DRILLING_SHARE = 0.05


@dataclass(frozen=True)
class Surface:
    """A meshed surface: nodes (m, 10) of each triangle by global number, spot (n, 2) of each local node, and the
    interpolation at quadrature points: value (q, 10), gradient (m, q, 10, 2), weight (m, q) in mm2; centres (m, 2)."""

    basis: Any
    nodes: Integers
    value: Array
    gradient: Array
    weight: Array
    centres: Array


def surface(points: Array, corners: Integers) -> Surface:
    """Cubic interpolation on triangles: points (n, 2) mm, corners (m, 3). Node numbers are local to the surface."""
    from skfem import Basis, ElementTriP3, MeshTri

    basis = Basis(MeshTri(points.T.copy(), corners.T.copy()), ElementTriP3(), intorder=6)
    shapes = [field[0] for field in basis.basis]
    value = np.stack([np.broadcast_to(np.asarray(shape), basis.dx.shape)[0] for shape in shapes], axis=1)
    gradient = np.stack([shape.grad for shape in shapes], axis=-1).transpose(1, 2, 3, 0)
    centres = basis.mesh.p[:, basis.mesh.t].mean(axis=1).T
    return Surface(basis, basis.element_dofs.T.astype(np.int64), value, gradient, basis.dx, centres)


def places(of: Surface) -> Array:
    """Where the nodes of a surface lie in its plane, (n, 2) mm."""
    return np.asarray(of.basis.doflocs.T, dtype=float)


def quadrature_places(of: Surface) -> Array:
    """Quadrature points, (m, q, 2) mm."""
    return np.asarray(np.asarray(of.basis.global_coordinates()).transpose(1, 2, 0), dtype=float)


def strain_operators(of: Surface, frames: Array, slopes: Array | None, some: slice) -> tuple[Array, Array]:
    """Strains of some triangles from displacements and from turns: two arrays (m, q, 9, 10, 3).

    frames (m, 3, 3): rows are the in-plane axes and the normal of each triangle. slopes (m, q, 2): gradient of the
    dome's height in the plane."""
    of, frames, slopes = _part(of, some), frames[some], None if slopes is None else slopes[some]
    count, points = of.weight.shape
    by_shift = np.zeros((count, points, _STRAINS, of.value.shape[1], 3))
    by_turn = np.zeros_like(by_shift)
    first, second, normal = (frames[:, None, None, k, :] for k in range(3))
    d1, d2 = of.gradient[..., 0, None], of.gradient[..., 1, None]
    here = np.broadcast_to(of.value[None, :, :, None], d1.shape)
    by_shift[:, :, 0] = d1 * first
    by_shift[:, :, 1] = d2 * second
    by_shift[:, :, 2] = d2 * first + d1 * second
    if slopes is not None:
        s1, s2 = slopes[:, :, 0, None, None], slopes[:, :, 1, None, None]
        by_shift[:, :, 0] += s1 * d1 * normal
        by_shift[:, :, 1] += s2 * d2 * normal
        by_shift[:, :, 2] += (s1 * d2 + s2 * d1) * normal
    by_turn[:, :, 3] = d1 * second
    by_turn[:, :, 4] = -d2 * first
    by_turn[:, :, 5] = d2 * second - d1 * first
    by_shift[:, :, 6] = d1 * normal
    by_turn[:, :, 6] = here * second
    by_shift[:, :, 7] = d2 * normal
    by_turn[:, :, 7] = -here * first
    by_turn[:, :, 8] = here * normal
    by_shift[:, :, 8] = 0.5 * (d2 * first - d1 * second)
    return by_shift, by_turn


#: elements whose strains are held in memory at once
_CHUNK = 256


@dataclass(frozen=True)
class Piece:
    """What is needed to say afterwards where a body gives: the group of boards, freedoms (m, k), strains of a slice of
    the elements from them (c, q, r, k), weights (m, q), and the stiffness split by component, (r, r) or, where strains
    do not mix, (m, q, r)."""

    group: str
    freedoms: Integers
    operator: Callable[[slice], Array]
    weight: Array
    shares: dict[str, Array]

    def chunks(self) -> Iterator[slice]:
        return (slice(start, start + _CHUNK) for start in range(0, len(self.freedoms), _CHUNK))

    def softened(self, softening: Mapping[str, float]) -> tuple[Array, dict[str, Array]]:
        """Whole stiffness and its shares C S_k C when each compliance S_k has grown by its softening: with the elastic
        C = sum C_k and H = C (sum (1 + softening_k) C_k)^-1 they are H C and H C_k H^T."""
        whole = np.asarray(sum(self.shares.values()))
        grown = np.asarray(sum((1.0 + softening[name]) * share for name, share in self.shares.items()))
        if whole.ndim == 2:
            factor = whole @ np.linalg.inv(grown)
            return factor @ whole, {name: factor @ share @ factor.T for name, share in self.shares.items()}
        ratio = whole / grown
        return ratio * whole, {name: ratio**2 * share for name, share in self.shares.items()}

    def stress(self, resistance: Array, part: slice, operator: Array, moved: Array) -> Array:
        """Weighted stresses (c, q, r, k) of a slice of the elements under displacements (n, k)."""
        strain = np.einsum("mqri,mik->mqrk", operator, moved[self.freedoms[part]], optimize=True)
        strain *= self.weight[part][:, :, None, None]
        return np.asarray(resistance @ strain if resistance.ndim == 2 else resistance[part][..., None] * strain)


class Structure:
    """Stiffness and loads gathered piece by piece; `node_count` grows as layers of their own turns are added."""

    def __init__(self, node_count: int) -> None:
        self.node_count = node_count
        self._elements: list[tuple[Integers, Array]] = []
        self._loads: dict[str, list[tuple[Integers, Array]]] = {}
        self._pieces: list[Piece] = []

    def remember(self, piece: Piece) -> None:
        self._pieces.append(piece)

    def softened_force(self, moved: Array, softening: Mapping[str, float]) -> Array:
        """Forces (n, k) that hold displacements (n, k) when each component's compliance has grown by `softening`."""
        force = np.zeros_like(moved)
        for piece in self._pieces:
            resistance, _ = piece.softened(softening)
            for part in piece.chunks():
                operator = piece.operator(part)
                stress = piece.stress(resistance, part, operator, moved)
                held = np.einsum("mqri,mqrk->mik", operator, stress, optimize=True)
                np.add.at(force, piece.freedoms[part].ravel(), held.reshape(-1, moved.shape[1]))
        return force

    def shares(self, moved: Array, virtual: Array, softening: Mapping[str, float]) -> dict[tuple[str, str], Array]:
        """Parts of a movement by (group of boards, component): sum over the pieces of the virtual stress times the
        component's own compliance times the stress (unit-load theorem; Timoshenko and Goodier 1970, Art. 92), where
        each component's compliance has grown by `softening`.

        moved (n,): displacements under the load; virtual (n, k): under a unit load at each of k readings. (k,) each."""
        found: dict[tuple[str, str], Array] = {}
        for piece in self._pieces:
            _, shares = piece.softened(softening)
            for part in piece.chunks():
                operator = piece.operator(part)
                strain = np.einsum("mqri,mik->mqrk", operator, virtual[piece.freedoms[part]], optimize=True)
                for name, share in shares.items():
                    stress = piece.stress(share, part, operator, moved[:, None])
                    value = (stress * strain).sum(axis=(0, 1, 2))
                    found[piece.group, name] = found.get((piece.group, name), 0.0) + value
        return found

    def add(self, freedoms: Integers, stiffness: Array, loads: dict[str, Array]) -> None:
        """Element matrices (m, k, k) and loads (m, k) on global freedoms (m, k)."""
        self._elements.append((freedoms, stiffness))
        for name, force in loads.items():
            self._loads.setdefault(name, []).append((freedoms.ravel(), force.ravel()))

    def add_force(self, name: str, freedoms: Integers, force: Array) -> None:
        self._loads.setdefault(name, []).append((freedoms, force))

    def stiffness(self) -> csr_matrix:
        """Whole stiffness (6 n, 6 n), asked for once: the element matrices, most of the memory, are let go as they
        are added up."""
        size = 6 * self.node_count
        whole = csr_matrix((size, size))
        while self._elements:
            freedoms, stiffness = self._elements.pop()
            count, short = freedoms.shape[1], freedoms.astype(np.int32)
            rows, columns = np.repeat(short, count, axis=1).ravel(), np.tile(short, (1, count)).ravel()
            whole = whole + coo_matrix((stiffness.ravel(), (rows, columns)), shape=(size, size)).tocsr()
        return whole

    def load(self, name: str) -> Array:
        """Whole load (6 n,) of one name; zero where nothing was added."""
        total = np.zeros(6 * self.node_count)
        for freedoms, force in self._loads.get(name, []):
            np.add.at(total, freedoms, force)
        return total


def freedoms_of(nodes: Integers, components: tuple[int, ...]) -> Integers:
    """Global freedoms (m, k * c) of nodes (m, k): six to a node, 0-2 displacements, 3-5 turns."""
    found: Integers = (6 * nodes[:, :, None] + np.array(components)).reshape(len(nodes), -1)
    return found


def _integrated(operator: Array, weight: Array, resistance: Array, free: Array) -> tuple[Array, Array]:
    """Sum over quadrature points: operator (m, q, r, k), resistance (m, r, r), free stress (r, f) or (m, r, f)."""
    count, points, rows, freedoms = operator.shape
    stressed = np.matmul(resistance[:, None], operator) * weight[:, :, None, None]
    flat = operator.reshape(count, points * rows, freedoms).transpose(0, 2, 1)
    stiffness = flat @ stressed.reshape(count, points * rows, freedoms)
    pulled = (operator * weight[:, :, None, None]).sum(axis=1)
    return stiffness, pulled.transpose(0, 2, 1) @ free


def add_shell(
    to: Structure,
    of: Surface,
    nodes: Integers,
    section: Section,
    group: str,
    frames: Array,
    slopes: Array | None = None,
    chosen: Flags | slice = slice(None),
    drilling: bool = False,
) -> None:
    """Add the triangles `chosen` of a surface, on global nodes (m, 10), with one section, to a group of boards."""
    part, frames, slopes = _part(of, chosen), frames[chosen], None if slopes is None else slopes[chosen]
    flat = not drilling  # a plate in the x-y plane: its third turn is nobody's
    rows = 8 if flat else _STRAINS

    def operator(some: slice) -> Array:
        by_shift, by_turn = strain_operators(part, frames, slopes, some)
        whole = np.concatenate([by_shift, by_turn[..., :2] if flat else by_turn], axis=-1)[:, :, :rows]
        return whole.reshape(*whole.shape[:3], -1)

    shares = {name: np.zeros((rows, rows)) for name in section.shares}
    for name, share in section.shares.items():
        shares[name][:8, :8] = share
    if not flat:
        shares["shear"][8, 8] = DRILLING_SHARE * section.drilling
    freedoms = freedoms_of(nodes[chosen], (0, 1, 2, 3, 4) if flat else (0, 1, 2, 3, 4, 5))
    add_piece(to, Piece(group, freedoms, operator, part.weight, shares), section.loads)


def add_piece(to: Structure, piece: Piece, loads: dict[str, Array]) -> None:
    """Add a piece's stiffness and its free stresses (r,) by moisture name to the structure, and remember it."""
    rows = len(piece.shares["along"])
    free = np.zeros((rows, len(loads)))
    for column, stress in enumerate(loads.values()):
        free[: len(stress), column] = stress
    whole = np.asarray(sum(piece.shares.values()))
    resistance = np.broadcast_to(whole, (len(piece.freedoms), rows, rows))
    stiffness, forces = _integrated(piece.operator(slice(None)), piece.weight, resistance, free)
    to.add(piece.freedoms, stiffness, {name: forces[:, :, k] for k, name in enumerate(loads)})
    to.remember(piece)


def add_layer(
    to: Structure,
    of: Surface,
    nodes: Integers,
    section: Section,
    group: str,
    slopes: Array | None,
    chosen: Flags,
    host_half_mm: float,
    half_mm: float,
) -> dict[int, int]:
    """Glue a thick layer on a plate: it goes with the plate's face and turns on its own (a zigzag through the depth).

    host_half_mm: height of the glued face over the plate's reference plane; half_mm: height of the layer's middle over
    that face (both negative underneath). section is about the layer's own middle. Returns the layer's own node of each
    global node."""
    part, slopes = _part(of, chosen), None if slopes is None else slopes[chosen]
    frames = np.broadcast_to(np.eye(3), (len(part.nodes), 3, 3))

    def operator(some: slice) -> Array:
        by_shift, by_turn = strain_operators(part, frames, slopes, some)
        host, own = np.zeros_like(by_turn), np.zeros_like(by_turn)
        host[:, :, :3] = host_half_mm * by_turn[:, :, 3:6]
        own[:, :, :3] = half_mm * by_turn[:, :, 3:6]
        own[:, :, 3:8] = by_turn[:, :, 3:8]
        whole = np.concatenate([by_shift, host[..., :2], own[..., :2]], axis=-1)[:, :, :8]
        return whole.reshape(*whole.shape[:3], -1)

    own_of = {int(node): to.node_count + k for k, node in enumerate(np.unique(nodes[chosen]))}
    to.node_count += len(own_of)
    own_nodes = np.vectorize(own_of.__getitem__)(nodes[chosen])
    shared = (6 * nodes[chosen][:, :, None] + np.arange(5)).astype(np.int64)
    extra = (6 * own_nodes[:, :, None] + np.array([3, 4])).astype(np.int64)
    freedoms = np.concatenate([shared, extra], axis=2).reshape(len(part.nodes), -1)
    add_piece(to, Piece(group, freedoms, operator, part.weight, section.shares), section.loads)
    return own_of


def _part(of: Surface, chosen: Flags | slice) -> Surface:
    return Surface(of.basis, of.nodes[chosen], of.value, of.gradient[chosen], of.weight[chosen], of.centres[chosen])
