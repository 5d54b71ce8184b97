"""A design in pictures: drawn to scale, so that a mistake is seen; how its top moves, what each input does to that,
what-ifs; and their folder."""

from __future__ import annotations

from collections.abc import Callable
from itertools import pairwise
from pathlib import Path
from typing import Any

import numpy as np

from driftmodel.base.build import Plate
from driftmodel.base.records import Instrument
from driftmodel.base.schema import Axes, Figure
from driftmodel.base.units import length_unit, length_words
from driftmodel.report.design_words import behaviour_words, sensitivity_table, what_if_table, whole_rise_mm
from driftmodel.report.folder import write_files
from driftmodel.report.pictures import blank, end_to_end, key_below, png
from driftmodel.report.texts import worded
from driftmodel.structure.design import INPUTS, WHAT_IFS, Behaviour, Sensitivity, sensitivities, top_movement, what_if
from driftmodel.structure.mesh import smooth_outline
from driftmodel.structure.plate import COMPONENTS

MOVED_BY_PCT = 3.0
INK, WOOD, MARK = "#22262b", "#e3d3b4", "#8a4b20"


def drawing(instrument: Instrument, units: str = "metric") -> Figure:
    """Top and back from the inside, and the side view, all to one scale, so that a mistake is seen."""
    from matplotlib.figure import Figure

    body, (per, unit) = instrument.body, length_unit(units)
    outline = smooth_outline(body.outline_mm) / per
    figure = Figure(figsize=(11.0, 8.2), layout="constrained")
    grid = figure.subplot_mosaic([["top", "back"], ["side", "side"]], height_ratios=[2.2, 1.0])
    for name, plate in (("top", body.top), ("back", body.back)):
        axes = grid[name]
        axes.fill(*outline.T, facecolor=WOOD, edgecolor=INK, linewidth=1.6)
        _braces(axes, plate, per)
        tail = outline[:, 0].max() * per - body.tail_block.length_mm
        for x, block in ((0.0, body.neck_block), (tail, body.tail_block)):
            wide = 2 * block.half_width_mm
            rectangle(axes, x, -wide / 2, block.length_mm, wide, per, facecolor="none", hatch="////")
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
    saddle, arrow = bridge.saddle_mm / per, {"arrowstyle": "-", "color": INK, "linewidth": 0.7}
    top.annotate("saddle", (saddle, -38 / per), (saddle, 0.97 * low), ha="center", va="bottom", fontsize=9, color=INK,
                 arrowprops=arrow)  # fmt: skip
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


def movement_picture(instrument: Instrument, units: str = "metric") -> Figure:
    """Contour maps of the top's rise, drier and wetter by the same moisture, on one mirrored scale."""
    from matplotlib.tri import Triangulation

    per, unit = length_unit(units)
    figure, panels = blank(11.0, 4.6, 1, 2, sharey=True)
    shape = top_movement(instrument, MOVED_BY_PCT)
    rise = shape.rise["all"] / per
    step = 0.2 if units == "metric" else 0.01
    reach = step * np.ceil(float(np.abs(rise).max()) / step)
    levels = np.linspace(-reach, reach, 2 * round(reach / step) * (1 if reach / step >= 6 else 2) + 1)
    mesh = Triangulation(shape.places[0] / per, shape.places[1] / per, shape.triangles.T)
    for axes, sign, words in zip(panels, (-1.0, 1.0), ("drier", "wetter"), strict=True):
        filled = axes.tricontourf(mesh, sign * rise, levels=levels, cmap="RdBu_r", extend="neither")
        lines = axes.tricontour(mesh, sign * rise, levels=levels[::2], colors=INK, linewidths=0.5)
        axes.clabel(lines, fontsize=7, fmt="%.1f" if units == "metric" else "%.2f")
        axes.set_title(f"All parts {MOVED_BY_PCT:g} % moisture {words}", fontsize=11)
        axes.set_aspect("equal")
        axes.set_xlabel(f"from the body join ({unit})")
        bridge = instrument.body.bridge
        length, wide = bridge.back_mm - bridge.front_mm, 2 * bridge.half_length_mm
        rectangle(axes, bridge.front_mm, -bridge.half_length_mm, length, wide, per, facecolor="none")
    panels[0].set_ylabel(f"across ({unit})")
    figure.colorbar(filled, ax=panels, label=f"rise of the top ({unit}); dashed lines: it sinks")
    return figure


#: a colour a way of giving; the last is for what is no board
GIVE_COLOURS = ("#3b6ea5", "#d98c3f", "#5a9367", "#a3a1a8", "#8e5572", "#22262b")


def give_picture(found: Behaviour, units: str = "metric") -> Figure:
    """Bars: what each group of boards adds to the saddle's rise under the strings, and by giving in which way."""
    per, unit = length_unit(units)
    give = {key: value / per for key, value in found.string_give_mm.items()}
    names, ways = worded("groups"), worded("components")
    groups = [group for group in reversed(names) if any(of == group for of, _ in give)]
    figure, axes = blank(10.0, 1.6 + 0.42 * len(groups))
    parts = [
        (ways.get(name, "no board: turns as a whole"),
         np.array([give.get((group, name or group), 0.0) for group in groups]),
         {"color": colour, "edgecolor": "white", "linewidth": 0.6})
        for name, colour in zip((*COMPONENTS, ""), GIVE_COLOURS, strict=True)
    ]  # fmt: skip
    right, left = end_to_end(axes, (part for part in parts if part[1].any()), len(groups), 0.62)
    sums = right + left
    axes.plot(sums, range(len(groups)), "D", color=INK, markersize=5, markeredgecolor="white", label="sum of the row")
    axes.use_sticky_edges = False
    axes.margins(x=0.06)
    axes.set_yticks(range(len(groups)), [names[group] for group in groups])
    axes.axvline(0.0, color=INK, linewidth=0.8)
    axes.set_xlabel(f"part of the saddle's rise over the frets as the strings come to pitch ({unit})")
    whole = f"{sum(give.values()):+.{2 if per == 1.0 else 4}f} {unit} in all"
    axes.set_title(f"Where the give under the strings comes from: {whole}", fontsize=11)
    axes.grid(axis="x")
    key_below(figure, 3)
    return figure


def sensitivity_picture(found: list[Sensitivity]) -> Figure:
    """Bars: what 10 % more of each input does to the saddle's movement."""
    ordered = sorted(found, key=lambda each: abs(each.top_moisture_pct) + abs(each.strings_pct))
    names = [each.input for each in ordered]
    figure, panels = blank(9.5, 0.8 + 0.3 * len(names), 1, 2, sharey=True, sharex=True)
    for axes, kind, title, colour in (
        (panels[0], "top_moisture_pct", "Saddle's answer to moisture in the top", "#2c6e8f"),
        (panels[1], "strings_pct", "Saddle's answer to string pull", MARK),
    ):
        axes.barh(names, [getattr(each, kind) for each in ordered], color=colour, edgecolor=INK, linewidth=0.6)
        axes.axvline(0.0, color=INK, linewidth=0.8)
        axes.set_title(title, fontsize=10.5)
        axes.set_xlabel("change for 10 % more (%)")
        axes.grid(axis="x")
    return figure


def what_if_picture(found: dict[str, list[tuple[float, Behaviour]]], units: str = "metric") -> Figure:
    """Saddle over the fret plane for 3 % drying, and under string pull, as each input is varied."""
    per, unit = length_unit(units)
    figure, grid = blank(10.5, 3.6, 1, len(found), sharey=True, squeeze=False)
    for axes, (name, tried) in zip(grid[0], found.items(), strict=True):
        share = [100.0 * factor for factor, _ in tried]
        dry = [-3.0 * whole_rise_mm(each) / per for _, each in tried]
        pull = [each.saddle_rise_mm["strings"] / per for _, each in tried]
        axes.plot(share, dry, marker="o", color="#2c6e8f", label="all parts 3 % drier")
        axes.plot(share, pull, marker="s", linestyle="--", color=MARK, label="strings brought to pitch")
        axes.axhline(0.0, color=INK, linewidth=0.7)
        axes.axvline(100.0, color="#aaaaaa", linewidth=0.7)
        axes.set_xlabel(f"{name} (% of the drawing's)")
        axes.grid()
    grid[0, 0].set_ylabel(f"saddle over the fret plane ({unit})")
    key_below(figure, 2, handles=grid[0, 0].get_legend_handles_labels()[0])
    return figure


def write_design(
    instrument: Instrument,
    found: Behaviour,
    folder: Path,
    units: str,
    with_sensitivities: bool,
    progress: Callable[[str], None],
) -> tuple[Path, ...]:
    """Pictures and tables of a design, each file whole or not at all. Raises BadInput where it cannot be written."""
    files: dict[str, str | bytes] = {
        "drawing.png": png(lambda: drawing(instrument, units)),
        "movement.png": png(lambda: movement_picture(instrument, units)),
        "give.png": png(lambda: give_picture(found, units)),
        "behaviour.txt": behaviour_words(instrument, found, units) + "\n",
    }
    if with_sensitivities:
        rows: list[Sensitivity] = []
        for each in sensitivities(instrument):
            progress(f"sensitivity {len(rows) + 1} of {len(INPUTS)}: {each.input}")
            rows.append(each)
        tried = {}
        for name in WHAT_IFS:
            progress(f"what if: {name}")
            tried[name] = what_if(instrument, name)
        files |= {
            "sensitivities.csv": sensitivity_table(rows),
            "sensitivities.png": png(lambda: sensitivity_picture(rows)),
            "what-if.png": png(lambda: what_if_picture(tried, units)),
            "what-if.csv": what_if_table(tried),
        }
    return write_files(folder, files)
