"""A design's folder: its pictures, words and tables written as files."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING

from driftmodel.base.records import Instrument
from driftmodel.report.design_drawing import drawing
from driftmodel.report.design_figures import give_picture, movement_picture, sensitivity_picture, what_if_picture
from driftmodel.report.design_words import behaviour_words, sensitivity_table, what_if_table
from driftmodel.report.folder import write_bytes
from driftmodel.structure.design import INPUTS, WHAT_IFS, Behaviour, Sensitivity, sensitivities, what_if

if TYPE_CHECKING:
    from matplotlib.figure import Figure


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
