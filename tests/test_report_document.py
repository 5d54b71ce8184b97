"""The report folder: written whole or not at all, one page without script, one system of units throughout.

No outside reference values: what is checked is the form of the files and that they say what the dataset says.
"""

from __future__ import annotations

import csv
import json
import re
from html.parser import HTMLParser
from itertools import pairwise
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from driftmodel.base.errors import BadInput
from driftmodel.report import document, folder, texts


@pytest.fixture(scope="module")
def folders(fc: Any, scenario: Any, tmp_path_factory: pytest.TempPathFactory) -> dict[str, Path]:
    base = tmp_path_factory.mktemp("reports")
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr("driftmodel.report.pictures.PICTURE_DPI", 40)
        for units in ("metric", "inch"):
            document.write_report(fc, scenario, base / units, units, pictures=units == "inch")
    return {units: base / units for units in ("metric", "inch")}


class Page(HTMLParser):
    """Tags with their attributes, and the text outside style sheets: whole, and without the drawings'."""

    def __init__(self, file: Path) -> None:
        super().__init__()
        self.tags: list[tuple[str, dict[str, str | None]]] = []
        self._words: dict[str, list[str]] = {"": [], "svg": [], "style": []}
        self._inside: list[str] = []
        self._every: list[str] = []
        self.feed(file.read_text(encoding="utf-8"))
        self.text, self.all_words = (" ".join(" ".join(words).split()) for words in (self._words[""], self._every))

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.append((tag, dict(attrs)))
        self._inside += [tag] if tag in self._words else []

    def handle_endtag(self, tag: str) -> None:
        if tag in self._words:
            self._inside.pop()

    def handle_data(self, data: str) -> None:
        if "style" not in self._inside:
            self._every.append(data)
            self._words[self._inside[-1] if self._inside else ""].append(data)


def test_page_is_whole_and_readable_by_all_and_fetches_nothing(folders: dict[str, Path], fc: Any) -> None:
    page = Page(folders["inch"] / "report.html")
    tags, ids = [tag for tag, _ in page.tags], [attrs["id"] for _, attrs in page.tags if attrs.get("id")]
    assert not set(tags) & {"script", "iframe", "object", "embed", "form", "link", "img"}
    assert len(ids) == len(set(ids)) and tags.count("svg") == len(texts.captions("forecast"))
    for tag, attrs in page.tags:
        assert not [key for key in attrs if key.startswith("on")], tag
        assert all((attrs.get(key) or "#").startswith("#") for key in ("href", "xlink:href", "src")), (tag, attrs)
        assert tag != "th" or attrs.get("scope") in ("col", "row"), "table head without scope"
        assert tag != "svg" or (attrs.get("role") == "img" and attrs.get("aria-label")), "drawing without a name"
        assert tag != "html" or attrs.get("lang") == "en", "no language"
    assert [v for _, attrs in page.tags if (v := attrs.get("data-verdict"))][-1] == fc.attrs["verdict"]
    text = (folders["inch"] / "report.html").read_text(encoding="utf-8")
    assert "@import" not in text and not re.search(r"url\((?!#)", text)
    wanted = re.findall(r'(?:href="#|url\(#)([^")]+)', text)
    assert len(set(wanted)) > 8 and set(wanted) <= set(ids)  # a clipping path a figure at the least
    levels = [int(tag[1]) for tag in tags if re.fullmatch("h[1-6]", tag)]
    assert levels[0] == 1 and levels.count(1) == 1
    assert all(after - before <= 1 for before, after in pairwise(levels)), levels


@pytest.mark.parametrize(("units", "foreign"), [("metric", r"\d in\b|\(in\)|°F"), ("inch", r"\bmm\b|°C|\bN of pull")])
def test_one_system_of_units(folders: dict[str, Path], units: str, foreign: str) -> None:
    words = Page(folders[units] / "report.html").all_words
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


def test_every_regrade_is_listed(folders: dict[str, Path], fc: Any) -> None:
    rows = list(csv.DictReader((folders["metric"] / "regrades.csv").open()))
    assert len(rows) == int(np.sum(~np.isnat(fc["regrade_date"].values)))


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
