"""The closed body as it is described: domed top and back with their bars, sides between them, blocks, bridge, strings.

x from the body join to the tail, y across, z up, in mm; the top's middle surface is at z = 0 at both ends of the
centre line. Forces in N, moduli in MPa.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np

from driftmodel.base.types import Array
from driftmodel.structure.plate import Board
from driftmodel.structure.solid import Timber


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
    reach_at = np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(bar.path, axis=0).T))])
    own = bar.height_mm

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
