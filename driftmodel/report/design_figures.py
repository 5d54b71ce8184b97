"""How a design moves, as pictures: the top's rise, what each input does to it, what-ifs; and their folder."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np

from driftmodel.base.records import Instrument
from driftmodel.base.units import length_unit
from driftmodel.report.design_drawing import INK, MARK, blank_figure, drawing, rectangle
from driftmodel.report.design_words import COMPONENTS, GROUPS, PARTS, behaviour_words, sensitivity_table, what_if_table
from driftmodel.report.folder import write_bytes
from driftmodel.structure.design import INPUTS, WHAT_IFS, Behaviour, Sensitivity, sensitivities, top_movement, what_if

if TYPE_CHECKING:
    from matplotlib.figure import Figure


def movement_picture(instrument: Instrument, units: str = "metric", change_pct: float = 3.0) -> Figure:
    """Contour maps of the top's rise, drier and wetter by the same moisture, on one mirrored scale."""
    from matplotlib.tri import Triangulation

    per, unit = length_unit(units)
    figure = blank_figure(11.0, 4.6)
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
    groups = [group for group in reversed(GROUPS) if any(of == group for of, _ in give)]
    figure = blank_figure(10.0, 1.6 + 0.42 * len(groups))
    axes = figure.subplots()
    right, left = np.zeros(len(groups)), np.zeros(len(groups))
    for name, colour in zip((*COMPONENTS, ""), GIVE_COLOURS, strict=True):
        values = np.array([give.get((group, name or group), 0.0) for group in groups])
        if not values.any():
            continue
        start = np.where(values > 0.0, right, left)
        axes.barh(range(len(groups)), values, left=start, height=0.62, color=colour, edgecolor="white", linewidth=0.6,
                  label=COMPONENTS.get(name, "no board: turns as a whole"))  # fmt: skip
        right, left = right + np.maximum(values, 0.0), left + np.minimum(values, 0.0)
    sums = right + left
    axes.plot(sums, range(len(groups)), "D", color=INK, markersize=5, markeredgecolor="white", label="sum of the row")
    axes.margins(x=0.06)
    axes.set_yticks(range(len(groups)), [GROUPS[group] for group in groups])
    axes.axvline(0.0, color=INK, linewidth=0.8)
    axes.set_xlabel(f"part of the saddle's rise over the frets as the strings come to pitch ({unit})")
    whole = f"{sum(give.values()):+.{2 if per == 1.0 else 4}f} {unit} in all"
    axes.set_title(f"Where the give under the strings comes from: {whole}", fontsize=11)
    axes.grid(axis="x", color="#e5e5e5", linewidth=0.6)
    axes.set_axisbelow(True)
    figure.legend(loc="outside lower center", ncols=3, frameon=False, fontsize=9)
    return figure


def sensitivity_picture(found: list[Sensitivity]) -> Figure:
    """Bars: what 10 % more of each input does to the saddle's movement."""
    ordered = sorted(found, key=lambda each: abs(each.top_moisture_pct) + abs(each.strings_pct))
    names = [each.input for each in ordered]
    figure = blank_figure(9.5, 0.8 + 0.3 * len(names))
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
    per, unit = length_unit(units)
    figure = blank_figure(10.5, 3.6)
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
        "give.png": _png(give_picture(found, units)),
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


def _png(figure: Figure) -> bytes:
    from io import BytesIO

    held = BytesIO()
    figure.savefig(held, format="png", dpi=110)
    return held.getvalue()
