"""A design as pictures and words: drawn to scale, how it moves, and what each input does to that."""

from __future__ import annotations

from collections.abc import Callable
from itertools import pairwise
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from driftmodel.base.records import Instrument, Plate
from driftmodel.base.units import MM_PER_INCH, length_words
from driftmodel.report.folder import write_bytes
from driftmodel.structure.design import (
    INPUTS,
    WHAT_IFS,
    Behaviour,
    Sensitivity,
    sensitivities,
    top_movement,
    what_if,
)
from driftmodel.structure.joint import (
    action_change_mm,
    grade_rotations_deg,
    intonation_shift_cents,
    pivot_to_saddle_mm,
    saddle_change_mm,
    tongue_thickness_mm,
)
from driftmodel.structure.mesh import smooth_outline
from driftmodel.structure.strings import string_pull_n

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

INK, WOOD, MARK = "#22262b", "#e3d3b4", "#8a4b20"
SADDLE_OVER_BRIDGE_MM = 3.0  # common practice, no source; moves the cents only
PARTS = {
    "top": "top",
    "top_braces": "top braces and bridge",
    "back": "back",
    "back_braces": "back braces",
    "sides": "sides",
}


def _figure(width: float, height: float) -> Figure:
    from matplotlib.figure import Figure

    return Figure(figsize=(width, height), layout="constrained")


def _scale(units: str) -> tuple[float, str]:
    return (MM_PER_INCH, "in") if units == "inch" else (1.0, "mm")


def drawing(instrument: Instrument, units: str = "metric") -> Figure:
    """Top and back from the inside, and the side view, all to one scale, so that a mistake is seen."""
    body, (per, unit) = instrument.body, _scale(units)
    outline = smooth_outline(body.outline_mm) / per
    figure = _figure(11.0, 8.2)
    grid = figure.subplot_mosaic([["top", "back"], ["side", "side"]], height_ratios=[2.2, 1.0])
    for name, plate in (("top", body.top), ("back", body.back)):
        axes = grid[name]
        axes.fill(*outline.T, facecolor=WOOD, edgecolor=INK, linewidth=1.6)
        _braces(axes, plate, per)
        for x, block in (
            (0.0, body.neck_block),
            (outline[:, 0].max() * per - body.tail_block.length_mm, body.tail_block),
        ):
            _box(
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
    _box(
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


def _box(axes: Axes, x: float, y: float, width: float, height: float, per: float, **style: Any) -> None:
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
    _box(axes, bridge.front_mm, base, width, bridge.thickness_mm, per, facecolor=MARK, alpha=0.7)
    board = instrument.neck.fingerboard_thickness_mm
    neck = -(instrument.strings.scale_mm * (1.0 - 2.0 ** (-instrument.body_fret / 12.0)))
    _box(axes, neck, 1.0, -neck + 95.0, board, per, facecolor="#4a3a2a")
    _box(axes, neck, 1.0 - instrument.neck.depth_nut_mm, -neck, instrument.neck.depth_nut_mm, per, facecolor="#c79a6b")
    axes.set_aspect("equal")
    axes.set_ylim((lower.min() - 12) / per, (upper.max() + 24) / per)
    axes.set_title("Side view along the centre line, domes as drawn", fontsize=11)
    axes.set_xlabel(f"from the body join ({unit})")


def movement_picture(instrument: Instrument, units: str = "metric", change_pct: float = 3.0) -> Figure:
    """Contour maps of the top's rise, drier and wetter by the same moisture, on one mirrored scale."""
    from matplotlib.tri import Triangulation

    per, unit = _scale(units)
    figure = _figure(11.0, 4.6)
    panels = figure.subplots(1, 2, sharey=True)
    shape = top_movement(instrument, 1.0)
    rise = shape.rise["all"] * change_pct / per
    step = 0.2 if units == "metric" else 0.01
    reach = step * np.ceil(float(np.abs(rise).max()) / step)
    levels = np.linspace(-reach, reach, 2 * round(reach / step) * (1 if reach / step >= 6 else 2) + 1)
    mesh = Triangulation(shape.places[0] / per, shape.places[1] / per, shape.triangles.T)
    for axes, sign, words in zip(panels, (-1.0, 1.0), ("drier", "wetter"), strict=True):
        filled = axes.tricontourf(mesh, sign * rise, levels=levels, cmap="RdBu_r", extend="neither")
        lines = axes.tricontour(mesh, sign * rise, levels=levels[::2], colors=INK, linewidths=0.5)
        axes.clabel(lines, fontsize=7, fmt="%.1f" if units == "metric" else "%.2f")
        axes.set_title(f"All parts {change_pct:g} % moisture {words}", fontsize=11)
        axes.set_aspect("equal")
        axes.set_xlabel(f"from the body join ({unit})")
        bridge = instrument.body.bridge
        length, wide = bridge.back_mm - bridge.front_mm, 2 * bridge.half_length_mm
        _box(axes, bridge.front_mm, -bridge.half_length_mm, length, wide, per, facecolor="none")
    panels[0].set_ylabel(f"across ({unit})")
    figure.colorbar(filled, ax=panels, label=f"rise of the top ({unit}); dashed lines: it sinks")
    return figure


def sensitivity_picture(found: list[Sensitivity]) -> Figure:
    """Bars: what 10 % more of each input does to the saddle's movement."""
    ordered = sorted(found, key=lambda each: abs(each.top_moisture_pct) + abs(each.strings_pct))
    names = [each.input for each in ordered]
    figure = _figure(9.5, 0.8 + 0.3 * len(names))
    panels = figure.subplots(1, 2, sharey=True, sharex=True)
    for axes, kind, title, colour in (
        (panels[0], "top_moisture_pct", "Saddle's answer to moisture in the top", "#2c6e8f"),
        (panels[1], "strings_pct", "Saddle's answer to string pull", MARK),
    ):
        axes.barh(names, [getattr(each, kind) for each in ordered], color=colour, edgecolor=INK, linewidth=0.6)
        axes.axvline(0.0, color=INK, linewidth=0.8)
        axes.set_title(title, fontsize=10.5)
        axes.set_xlabel("change for 10 % more (%)")
        axes.grid(axis="x", color="#dddddd", linewidth=0.6)
        axes.set_axisbelow(True)
    return figure


def what_if_picture(found: dict[str, list[tuple[float, Behaviour]]], units: str = "metric") -> Figure:
    """Saddle over the fret plane for 3 % drying, and under string pull, as each input is varied."""
    per, unit = _scale(units)
    figure = _figure(10.5, 3.6)
    panels = figure.subplots(1, len(found), sharey=True)
    for axes, (name, tried) in zip(np.atleast_1d(panels), found.items(), strict=True):
        share = [100.0 * factor for factor, _ in tried]
        dry = [-3.0 * sum(each.saddle_rise_mm[part] for part in PARTS) / per for _, each in tried]
        pull = [each.saddle_rise_mm["strings"] / per for _, each in tried]
        axes.plot(share, dry, marker="o", color="#2c6e8f", label="all parts 3 % drier")
        axes.plot(share, pull, marker="s", linestyle="--", color=MARK, label="strings brought to pitch")
        axes.axhline(0.0, color=INK, linewidth=0.7)
        axes.axvline(100.0, color="#aaaaaa", linewidth=0.7)
        axes.set_xlabel(f"{name} (% of the drawing's)")
        axes.grid(color="#e5e5e5", linewidth=0.6)
    np.atleast_1d(panels)[0].set_ylabel(f"saddle over the fret plane ({unit})")
    handles, labels = np.atleast_1d(panels)[0].get_legend_handles_labels()
    figure.legend(handles, labels, loc="outside lower center", ncols=2, frameon=False)
    return figure


def behaviour_words(instrument: Instrument, found: Behaviour, units: str) -> str:
    """The coefficients as a table for the terminal, with units and signs said."""
    per, unit = _scale(units)
    digits = 4 if units == "inch" else 3
    lines = [
        instrument.title,
        f"string pull {string_pull_n(instrument.strings):.0f} N, "
        f"saddle {instrument.body.bridge.saddle_mm / per:.4g} {unit} from the body join",
        "",
        f"{'for':<48}{'bridge':>10}{'saddle over':>14}{'neck turn':>12}{'bridge tilt':>13}",
        f"{'':<48}{f'({unit})':>10}{f'frets ({unit})':>14}{'(degrees)':>12}{'(degrees)':>13}",
    ]
    rows: list[tuple[str, str, Callable[[dict[str, float]], float]]] = [
        (f"1 % less moisture in the {words}", part, lambda values, part=part: -values[part])  # type: ignore[misc]
        for part, words in PARTS.items()
    ]
    rows.append(("1 % less in all of them", "all", lambda values: -sum(values[part] for part in PARTS)))
    rows.append(("the strings brought to pitch", "strings", lambda values: values["strings"]))
    for words, _, of in rows:
        bridge, saddle = of(found.bridge_rise_mm) / per, of(found.saddle_rise_mm) / per
        turn, tilt = of(found.neck_turn_deg), of(found.bridge_tilt_deg)
        lines.append(f"{words:<48}{bridge:>+10.{digits}f}{saddle:>+14.{digits}f}{turn:>+12.4f}{tilt:>+13.3f}")
    lines += [
        "",
        "+ bridge and saddle rise, the nut end of the neck comes up, the bridge leans to the nut.",
        "Half of 'saddle over frets' is the change of action at the 12th fret.",
    ]
    return "\n".join([*lines, "", spacer_words(instrument, units)])


def spacer_words(instrument: Instrument, units: str) -> str:
    """The spacer set: what each grade does against the straight one, and what the tongue's spacer must then be."""
    per, unit = _scale(units)
    digits = 4 if units == "inch" else 2
    spacers, strings = instrument.spacers, instrument.strings
    turns = grade_rotations_deg(spacers)
    saddle = saddle_change_mm(turns, pivot_to_saddle_mm(strings.scale_mm, instrument.body_fret))
    action, tongue = action_change_mm(saddle), tongue_thickness_mm(spacers.tapers_mm, spacers)
    height = instrument.body.bridge.thickness_mm + SADDLE_OVER_BRIDGE_MM
    lines = [
        f"Spacers, against the straight one ({unit} and degrees; tongue: change at its far end that keeps the pivot)",
        f"{'spacer':<10}{'taper':>9}{'turn':>9}{'saddle':>9}{'action 12th':>13}{'tongue':>9}{'cents':>9}",
    ]
    for label, taper, turn, rise, lift, thick in zip(
        spacers.labels, spacers.tapers_mm, turns, saddle, action, tongue, strict=True
    ):
        cents = intonation_shift_cents(strings.scale_mm, instrument.body_fret, float(turn), height)
        lines.append(
            f"{label:<10}{taper / per:>+9.{digits}f}{turn:>+9.3f}{rise / per:>+9.{digits}f}{lift / per:>+13.{digits}f}"
            f"{thick / per:>+9.{digits}f}{cents:>+9.3f}"
        )
    return "\n".join(lines)


def sensitivity_table(found: list[Sensitivity]) -> str:
    """Comma-separated: percent change of each behaviour for 10 % more of each input."""
    head = (
        "input,saddle_by_top_moisture_pct,saddle_by_back_moisture_pct,saddle_by_strings_pct,bridge_tilt_by_strings_pct"
    )
    rows = [
        f"{each.input},{each.top_moisture_pct:.2f},{each.back_moisture_pct:.2f},"
        f"{each.strings_pct:.2f},{each.bridge_tilt_pct:.2f}"
        for each in found
    ]
    return "\n".join([head, *rows]) + "\n"


def write_design(
    instrument: Instrument,
    found: Behaviour,
    folder: Path,
    units: str,
    with_sensitivities: bool,
    progress: Callable[[str], None],
) -> list[Path]:
    """Pictures and tables of a design, each file whole or not at all. Raises BadInput where it cannot be written."""
    files: dict[str, bytes] = {
        "drawing.png": _png(drawing(instrument, units)),
        "movement.png": _png(movement_picture(instrument, units)),
        "behaviour.txt": (behaviour_words(instrument, found, units) + "\n").encode(),
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
            "sensitivities.csv": sensitivity_table(rows).encode(),
            "sensitivities.png": _png(sensitivity_picture(rows)),
            "what-if.png": _png(what_if_picture(tried, units)),
            "what-if.csv": what_if_table(tried).encode(),
        }
    return [write_bytes(folder, name, content) for name, content in files.items()]


def what_if_table(found: dict[str, list[tuple[float, Behaviour]]]) -> str:
    """Comma-separated, metric: the saddle for 3 % drying, the saddle and the bridge's tilt by strings, by factor."""
    lines = ["input,factor,saddle_3_pct_drier_mm,saddle_by_strings_mm,bridge_tilt_by_strings_deg"]
    for name, tried in found.items():
        for factor, each in tried:
            dry = -3.0 * sum(each.saddle_rise_mm[part] for part in PARTS)
            lines.append(
                f"{name},{factor:g},{dry:.4f},{each.saddle_rise_mm['strings']:.4f},{each.bridge_tilt_deg['strings']:.4f}"
            )
    return "\n".join(lines) + "\n"


def _png(figure: Figure) -> bytes:
    from io import BytesIO

    held = BytesIO()
    figure.savefig(held, format="png", dpi=110)
    return held.getvalue()
