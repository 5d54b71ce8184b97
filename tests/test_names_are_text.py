"""Names a user gives are text everywhere they come out: page, drawing, table and picture run none of them.

The list of signs that begin a formula is named beside its check; the rest is the house's own rule.
"""

from __future__ import annotations

import csv
import dataclasses
from pathlib import Path

import pandas as pd
import pytest

import driftmodel
from driftmodel.base.opened import as_text, csv_text
from driftmodel.report.document import write_report
from driftmodel.report.pictures import draw, our_style

HOSTILE = "</title><script>alert(1)</script> & \"'> $\\frac{1 {{7*7}} =1+1 \u202e"


@pytest.mark.parametrize("cell", ["=1+1", "+cmd", "-x", "@SUM(A1)", "\t=1", "\r=1", "-2+3", "--1", "=", "-"])
def test_a_cell_that_begins_a_formula_is_text(cell: str) -> None:
    """Signs by which spreadsheets begin a formula (OWASP, CSV injection)."""
    assert as_text(cell) == f"'{cell}"


@pytest.mark.parametrize("cell", ["", "J", "-0.5", "+3", "-1e-9", "2.5 mm", "'=1", "a=b", "é"])
def test_other_cells_stay(cell: str) -> None:
    assert as_text(cell) == cell


def test_a_frame_keeps_its_numbers() -> None:
    frame = pd.DataFrame(
        {"=name": ["=1+1", "J", None], "n": [-1.5, 2.0, float("nan")], "day": pd.to_datetime(["2026-01-01"] * 3)}
    )
    rows = list(csv.reader(csv_text(frame).splitlines()))
    assert rows[0] == ["'=name", "n", "day"] and rows[1] == ["'=1+1", "-1.5", "2026-01-01"]
    assert rows[3][:2] == ["", ""] and frame.columns[0] == "=name"


def test_a_name_in_a_figure_is_drawn_as_it_stands() -> None:
    from matplotlib.figure import Figure

    with our_style():
        figure = Figure()
        axes = figure.add_subplot(title=HOSTILE, xlabel="$x^{")
        axes.set_xscale("log")
        axes.set_xticks([0.5, 1.0], ["a", "b"])
        axes.minorticks_off()
        _, drawing = draw(figure, "drift", {"drift": ("a", "b")})
    assert "<script>" not in drawing


def test_a_report_of_hostile_names(tmp_path: Path, undrawn: None) -> None:
    base = driftmodel.load_scenario("first-winter")
    spacers = dataclasses.replace(
        base.instrument.spacers, labels=tuple(f"={label}" for label in base.instrument.spacers.labels)
    )
    scenario = dataclasses.replace(
        base, title=HOSTILE, summary=HOSTILE, horizon_years=2, weather_members=1,
        instrument=dataclasses.replace(base.instrument, title=HOSTILE, spacers=spacers),
        setup=dataclasses.replace(base.setup, spacer=f"={base.setup.spacer}"),
    )  # fmt: skip
    for path in write_report(driftmodel.forecast(scenario, draws=12), scenario, tmp_path / "out", "metric"):
        if path.suffix == ".html":
            text = path.read_text(encoding="utf-8")
            assert "<script" not in text and "{{7*7}}" in text and "&lt;script&gt;" in text
        if path.suffix == ".csv":
            cells = [cell for row in csv.reader(path.open(encoding="utf-8")) for cell in row]
            assert not [cell for cell in cells if cell.startswith("=")]
