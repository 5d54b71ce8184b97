"""A design drawn to scale: top and back from the inside, and the side view, so that a mistake is seen."""

from __future__ import annotations

from itertools import pairwise
from typing import TYPE_CHECKING, Any

import numpy as np

from driftmodel.base.build import Plate
from driftmodel.base.records import Instrument
from driftmodel.base.units import length_unit, length_words
from driftmodel.structure.mesh import smooth_outline

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

INK, WOOD, MARK = "#22262b", "#e3d3b4", "#8a4b20"


def blank_figure(width: float, height: float) -> Figure:
    """An empty figure, size in inches."""
    from matplotlib.figure import Figure

    return Figure(figsize=(width, height), layout="constrained")


def drawing(instrument: Instrument, units: str = "metric") -> Figure:
    """Top and back from the inside, and the side view, all to one scale, so that a mistake is seen."""
    body, (per, unit) = instrument.body, length_unit(units)
    outline = smooth_outline(body.outline_mm) / per
    figure = blank_figure(11.0, 8.2)
    grid = figure.subplot_mosaic([["top", "back"], ["side", "side"]], height_ratios=[2.2, 1.0])
    for name, plate in (("top", body.top), ("back", body.back)):
        axes = grid[name]
        axes.fill(*outline.T, facecolor=WOOD, edgecolor=INK, linewidth=1.6)
        _braces(axes, plate, per)
        for x, block in (
            (0.0, body.neck_block),
            (outline[:, 0].max() * per - body.tail_block.length_mm, body.tail_block),
        ):
            rectangle(
                axes,
                x,
                -block.half_width_mm,
                block.length_mm,
                2 * block.half_width_mm,
                per,
                facecolor="none",
                hatch="////",
            )
        axes.set_title(f"{name.capitalize()}: {plate.wood}, {length_words(plate.thickness_mm, units)}", fontsize=11)
        axes.set_aspect("equal")
        axes.set_xlabel(f"from the body join ({unit})")
        axes.set_ylabel(f"across ({unit})")
    top, bridge = grid["top"], body.bridge
    if body.top.hole_centre_mm is not None:
        from matplotlib.patches import Circle

        x, y = body.top.hole_centre_mm
        top.add_patch(Circle((x / per, y / per), body.top.hole_diameter_mm / 2 / per, facecolor="white", edgecolor=INK))
    length = bridge.back_mm - bridge.front_mm
    rectangle(
        top, bridge.front_mm, -bridge.half_length_mm, length, 2 * bridge.half_length_mm, per, facecolor=MARK, alpha=0.55
    )
    top.plot([bridge.saddle_mm / per] * 2, [-38 / per, 38 / per], color="white", linewidth=2)
    low = float(outline[:, 1].min())
    top.annotate(
        "saddle",
        (bridge.saddle_mm / per, -38 / per),
        (bridge.saddle_mm / per, 0.97 * low),
        ha="center",
        va="bottom",
        fontsize=9,
        color=INK,
        arrowprops={"arrowstyle": "-", "color": INK, "linewidth": 0.7},
    )
    _side_view(grid["side"], instrument, per, unit)
    figure.suptitle(instrument.title, fontsize=13)
    return figure


def rectangle(axes: Axes, x: float, y: float, width: float, height: float, per: float, **style: Any) -> None:
    """A rectangle from its lower left corner, sizes in mm, `per` mm to the unit drawn in."""
    from matplotlib.patches import Rectangle

    axes.add_patch(Rectangle((x / per, y / per), width / per, height / per, edgecolor=INK, linewidth=0.9, **style))


def _braces(axes: Axes, plate: Plate, per: float) -> None:
    from matplotlib.patches import Polygon

    for number, brace in enumerate(plate.braces, start=1):
        path = np.asarray(brace.path_mm, dtype=float)
        for start, end in pairwise(path):
            along = (end - start) / np.hypot(*(end - start))
            across = np.array([-along[1], along[0]]) * brace.width_mm / 2.0
            corners = np.array([start + across, end + across, end - across, start - across]) / per
            axes.add_patch(Polygon(corners, closed=True, facecolor="white", edgecolor=INK, linewidth=0.8))
        at = (0.82 * path[-1] + 0.18 * path[0]) / per
        axes.annotate(
            str(number), at, ha="center", va="center", fontsize=8, bbox={"boxstyle": "circle", "fc": "white", "ec": INK}
        )
    names = [
        f"{number}  {brace.name}: {brace.width_mm / per:.3g} × {brace.height_mm / per:.3g}"
        for number, brace in enumerate(plate.braces, start=1)
    ]
    axes.text(0.0, -0.24, "\n".join(names), transform=axes.transAxes, va="top", fontsize=8, color=INK)


def _side_view(axes: Axes, instrument: Instrument, per: float, unit: str) -> None:
    body = instrument.body
    length = body.outline_mm[-1][0]
    x = np.linspace(0.0, length, 120)

    def rise(radius: float) -> Any:
        return 0.0 * x if radius == 0.0 else ((length / 2) ** 2 - (x - length / 2) ** 2) / (2.0 * radius)

    depth = body.sides.depth_neck_mm + (body.sides.depth_tail_mm - body.sides.depth_neck_mm) * x / length
    upper, lower = rise(body.top.dome_radius_mm), -depth - rise(body.back.dome_radius_mm)
    axes.fill_between(x / per, lower / per, upper / per, facecolor=WOOD, edgecolor=INK, linewidth=1.4)
    bridge = body.bridge
    base = float(np.interp(bridge.saddle_mm, x, upper))
    width = bridge.back_mm - bridge.front_mm
    rectangle(axes, bridge.front_mm, base, width, bridge.thickness_mm, per, facecolor=MARK, alpha=0.7)
    board = instrument.neck.fingerboard_thickness_mm
    neck = -(instrument.strings.scale_mm * (1.0 - 2.0 ** (-instrument.body_fret / 12.0)))
    rectangle(axes, neck, 1.0, -neck + 95.0, board, per, facecolor="#4a3a2a")
    rectangle(
        axes, neck, 1.0 - instrument.neck.depth_nut_mm, -neck, instrument.neck.depth_nut_mm, per, facecolor="#c79a6b"
    )
    axes.set_aspect("equal")
    axes.set_ylim((lower.min() - 12) / per, (upper.max() + 24) / per)
    axes.set_title("Side view along the centre line, domes as drawn", fontsize=11)
    axes.set_xlabel(f"from the body join ({unit})")
