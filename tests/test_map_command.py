"""The map from the command line: an invented grid, the folder, faults. No outside reference values: what is checked
is that the files agree with one another and that drier corners want more taper than damp ones."""

from __future__ import annotations

import json
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import pytest
import xarray as xr
from click.testing import CliRunner

from driftmodel.doors.cli import commands
from driftmodel.report.map_report import grade_map, regrade_map

Run = Callable[..., Any]
SMALL = ("--years", "2", "--draws", "16", "--keep")


@pytest.fixture(scope="module")
def grid(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Two rows of two points."""
    from driftmodel.maps import grid

    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(grid, "ROWS", 2)
        patch.setattr(grid, "COLUMNS", 2)
        return grid.write_invented_grid(tmp_path_factory.mktemp("grid") / "grid.nc")


@pytest.fixture(scope="module")
def made(grid: Path) -> tuple[Path, str]:
    """A map in a folder, and what was printed of it."""
    words = ["map", "first-winter", str(grid), *SMALL, str(grid.parent / "kept"), "--out", str(grid.parent / "map")]
    return grid.parent / "map", CliRunner().invoke(commands, [*words, "--json"], catch_exceptions=False).output


def test_the_map_is_written_and_agrees_with_itself(made: tuple[Path, str]) -> None:
    out, told = made
    points = json.loads(told)["points"]
    frame = pd.read_csv(out / "map.csv")
    with xr.open_dataset(out / "map.nc", engine="h5netcdf") as found:
        found = found.load().rename(lat="y", lon="x")
    assert found["y"].attrs["units"] == "degrees_north" and found["x"].attrs["standard_name"] == "longitude"
    rate = found["regrades_per_thousand_per_year"].values
    assert frame["regrades_per_thousand_per_year"].tolist() == pytest.approx(rate.ravel().tolist())
    assert [each["best_grade"] for each in points] == found["best_grade"].values.ravel().tolist()
    number = found["best_grade_number"].values
    assert number[0].mean() > number[-1].mean()  # dry in the first row, damp in the last
    assert (out / "report.html").read_text().count("<svg") == 2
    drawn = regrade_map(found).axes[0]
    assert sorted(int(text.get_text()) for text in drawn.texts) == sorted(np.round(rate).astype(int).ravel().tolist())
    assert len(grade_map(found).axes[0].texts) == number.size


def test_a_second_run_finds_its_points_kept_and_gives_the_same(
    made: tuple[Path, str], run: Run, grid: Path, tmp_path: Path, undrawn: None
) -> None:
    kept = sorted((grid.parent / "kept").iterdir())
    assert run("map", "first-winter", str(grid), *SMALL, str(kept[0].parent), "--out", str(tmp_path / "two")).code == 0
    assert (tmp_path / "two" / "map.csv").read_bytes() == (made[0] / "map.csv").read_bytes()
    assert len(kept) == 4 and sorted(kept[0].parent.iterdir()) == kept


def test_the_invented_grid_says_it_is_and_is_read_again(run: Run, tmp_path: Path) -> None:
    ran = run("map", "--demo", str(tmp_path / "mine.nc"))
    assert ran.code == 0 and "driftmodel map first-winter" in ran.out
    with xr.open_dataset(tmp_path / "mine.nc") as grid:
        assert "nvented" in grid.attrs["title"] and grid["tas"].attrs["units"] == "K"


@pytest.mark.parametrize(
    ("words", "told"),
    [
        (["map"], "no scenario and grid"),
        (["map", "first-winter", "none.nc"], "no such file"),
        (["map", "first-winter", "text.nc"], "NetCDF"),
        (["map", "nowhere", "none.nc"], "nowhere"),
    ],
)
def test_faults(run: Run, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, words: list[str], told: str) -> None:
    monkeypatch.chdir(tmp_path)
    (tmp_path / "text.nc").write_text("not a grid")
    ran = run(*words)
    assert ran.code == 2 and told in ran.err and "Traceback" not in ran.err
    assert [path.name for path in tmp_path.iterdir()] == ["text.nc"]
