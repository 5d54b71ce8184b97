"""The report folder: written whole or not at all, one page without script, one system of units throughout.

No outside reference values: what is checked is the form of the files and that they say what the dataset says.
"""

from __future__ import annotations

import csv
import json
import re
from html.parser import HTMLParser
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from driftmodel.base.errors import BadInput
from driftmodel.report import document, figures, folder, texts
from driftmodel.report.ensemble import SERIES


@pytest.fixture(scope="module")
def folders(fc: Any, scenario: Any, tmp_path_factory: pytest.TempPathFactory) -> dict[str, Path]:
    base = tmp_path_factory.mktemp("reports")
    for units in ("metric", "inch"):
        document.write_report(fc, scenario, base / units, units)
    return {units: base / units for units in ("metric", "inch")}


@pytest.fixture
def undrawn(monkeypatch: pytest.MonkeyPatch) -> None:
    """Reports without their drawings, where only the writing is looked at."""
    monkeypatch.setattr(document, "draw", lambda figure, name, _: (b"picture", f"<svg id='{name}'></svg>"))
    monkeypatch.setattr(figures, "all_figures", lambda *_: dict.fromkeys(texts.captions("forecast")))


class Page(HTMLParser):
    """Ids, tags, texts, table heads without a scope, drawings without a name."""

    def __init__(self, text: str) -> None:
        super().__init__()
        self.ids: list[str] = []
        self.tags: list[str] = []
        self.words: list[str] = []
        self.faults: list[str] = []
        self.verdict = ""
        self.feed(text)

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        given = dict(attrs)
        self.tags.append(tag)
        if given.get("id"):
            self.ids.append(str(given["id"]))
        if tag == "th" and given.get("scope") not in ("col", "row"):
            self.faults.append("table head without scope")
        if tag == "svg" and not (given.get("role") == "img" and given.get("aria-label")):
            self.faults.append("drawing without a name")
        if tag == "html" and given.get("lang") != "en":
            self.faults.append("no language")
        for name in ("src", "href"):
            if str(given.get(name, "")).startswith(("http", "//")):
                self.faults.append(f"fetches {given[name]}")
        self.verdict = given.get("data-verdict") or self.verdict

    def handle_data(self, data: str) -> None:
        self.words.append(data)


@pytest.mark.parametrize("units", ["metric", "inch"])
def test_page_is_whole_and_readable_by_all(folders: dict[str, Path], fc: Any, units: str) -> None:
    text = (folders[units] / "report.html").read_text(encoding="utf-8")
    page = Page(text)
    assert "script" not in page.tags
    assert not page.faults
    assert len(page.ids) == len(set(page.ids))
    assert page.tags.count("svg") == len(texts.captions("forecast"))
    assert page.tags.count("h1") == 1
    assert page.verdict == fc.attrs["verdict"]
    for target in re.findall(r'(?:href="#|url\(#)([^")]+)', text):
        assert target in page.ids


@pytest.mark.parametrize(("units", "foreign"), [("metric", r"\d in\b|\(in\)|°F"), ("inch", r"\bmm\b|°C|\bN of pull")])
def test_one_system_of_units(folders: dict[str, Path], units: str, foreign: str) -> None:
    words = " ".join(Page((folders[units] / "report.html").read_text(encoding="utf-8")).words)
    words = re.sub(r"\s+", " ", words.split("</style>")[-1])
    body = words[words.index("Neck angle forecast,") :]
    assert not re.search(foreign, body), re.findall(".{30}(?:" + foreign + ").{10}", body)
    heads = (folders[units] / "yearly.csv").read_text().splitlines()[0]
    assert ("_mm" in heads, "_in," in heads) == ((True, False) if units == "metric" else (False, True))


def test_tables_agree_between_units(folders: dict[str, Path]) -> None:
    """An inch is 25.4 mm, exactly (international inch)."""
    rows = {units: list(csv.DictReader((folders[units] / "monthly.csv").open())) for units in folders}
    metric = [float(row["action_12th_p50_mm"]) for row in rows["metric"]]
    inch = [float(row["action_12th_p50_in"]) for row in rows["inch"]]
    np.testing.assert_allclose(np.array(inch) * 25.4, metric, atol=2e-3)


def test_inputs_can_be_run_again(folders: dict[str, Path], scenario: Any, fc: Any) -> None:
    inputs = json.loads((folders["metric"] / "inputs.json").read_text(encoding="utf-8"))
    assert inputs["run"]["draws"] == 20
    assert inputs["run"]["seed"] == fc.attrs["seed"]
    assert inputs["run"]["input_hash"] == fc.attrs["input_hash"]
    assert set(scenario.raw) <= set(inputs)


def test_netcdf_says_what_the_forecast_says(folders: dict[str, Path], fc: Any) -> None:
    import xarray as xr

    path = folders["inch"] / "forecast.nc"
    with xr.open_dataset(path, engine="h5netcdf") as data:
        assert data["action_12th"].dims == ("quantile", "week")
        assert set(SERIES) <= set(data.data_vars)
        middle = np.median(fc["action_12th"].values[:, ::7], axis=0)
        off = np.sort(fc["action_12th"].values[:, ::7], axis=0)
        assert np.all(data["action_12th"].sel(quantile=0.5).values >= off[9] - 1e-5)
        assert np.all(np.abs(data["action_12th"].sel(quantile=0.5).values - middle) <= off[10] - off[9] + 1e-5)
        first = fc["neck_rotation"].values[:, fc["time"].values < np.datetime64("2026-10-01")]
        np.testing.assert_allclose(data["neck_rotation_monthly"].values[:, 0], first.mean(axis=1), atol=1.1e-4)
        np.testing.assert_array_equal(data["regrade_date"].values, fc["regrade_date"].values.astype("datetime64[ns]"))
        assert data["action_12th_monthly"].attrs["units"] == "mm"
        assert data.attrs["verdict"] == fc.attrs["verdict"]


def test_every_regrade_is_listed(folders: dict[str, Path], fc: Any) -> None:
    rows = list(csv.DictReader((folders["metric"] / "regrades.csv").open()))
    assert len(rows) == int(np.sum(~np.isnat(fc["regrade_date"].values)))


def test_a_report_replaces_a_report_and_keeps_what_else_is_there(
    fc: Any, scenario: Any, tmp_path: Path, undrawn: None
) -> None:
    out = tmp_path / "out"
    paths = document.write_report(fc, scenario, out, "metric")
    (out / "notes.txt").write_text("mine")
    (out / "yearly.csv").write_text("spoilt")
    assert document.write_report(fc, scenario, out, "metric") == paths
    assert (out / "notes.txt").read_text() == "mine"
    assert "spoilt" not in (out / "yearly.csv").read_text()
    assert [each.name for each in tmp_path.iterdir()] == ["out"]


def test_a_failure_leaves_the_old_report_and_nothing_else(
    fc: Any, scenario: Any, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, undrawn: None
) -> None:
    out = tmp_path / "out"
    document.write_report(fc, scenario, out, "metric")
    before = {each.name: each.read_bytes() for each in out.iterdir()}

    def full(*_: Any) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(document, "write_netcdf", full)
    with pytest.raises(BadInput, match="No space left"):
        document.write_report(fc, scenario, out, "inch")
    with pytest.raises(BadInput):
        document.write_report(fc, scenario, tmp_path / "fresh", "inch")
    assert {each.name: each.read_bytes() for each in out.iterdir()} == before
    assert [each.name for each in tmp_path.iterdir()] == ["out"]


def test_foreign_folders_are_refused(tmp_path: Path) -> None:
    folder.check_folder(tmp_path / "new" / "deeper")
    assert not (tmp_path / "new").exists()
    empty = tmp_path / "empty"
    empty.mkdir()
    folder.check_folder(empty)
    (empty / "report.html").write_text("<html>someone else's</html>")
    with pytest.raises(BadInput, match="--out"):
        folder.check_folder(empty)
    file = tmp_path / "file"
    file.write_text("")
    for out in (file, file / "below"):
        with pytest.raises(BadInput, match="--out"):
            folder.check_folder(out)


def test_files_are_written_whole_or_not_at_all(tmp_path: Path) -> None:
    (path,) = folder.write_files(tmp_path / "made", {"woods.txt": "spruce\n"})
    assert path.read_text() == "spruce\n"
    (tmp_path / "made" / "taken").mkdir()
    with pytest.raises(BadInput):
        folder.write_files(tmp_path / "made", {"taken": "x"})
    assert sorted(each.name for each in (tmp_path / "made").iterdir()) == ["taken", "woods.txt"]
