"""The guide's commands, run as they stand; and twenty years of one invented guitar through the verbs.

No outside values: all invented; what is checked is that guide, record and answers agree.
"""

from __future__ import annotations

import json
import re
import shlex
from collections.abc import Callable
from dataclasses import replace
from datetime import date, timedelta
from pathlib import Path
from typing import Any

import pytest

from driftmodel.base.scenarios import load_instrument
from driftmodel.calibration.decide import WORK
from driftmodel.outlook.calendar import fitted_spacer, saddle_room_now_mm
from driftmodel.record.add import add, create
from driftmodel.record.case import open_record
from driftmodel.record.words import NOW_DAYS, call_list, calls_words
from driftmodel.report.advice_report import label_page

pytestmark = pytest.mark.usefixtures("undrawn")
GUIDE = (Path(__file__).parents[1] / "docs" / "bench.md").read_text(encoding="utf-8")


def test_the_guides_commands_run_as_they_stand(
    few_particles: None, short: None, run: Callable[..., Any], world: Path
) -> None:
    commands = re.findall(r"^    (driftmodel .+)$", GUIDE, flags=re.MULTILINE)
    assert len(commands) >= 11
    for line in commands:
        ran = run(*shlex.split(line)[1:])
        assert ran.code == 0, (line, ran.err)
    assert (world / "ada" / "label.html").exists() and (world / "calibration-ada" / "calibration.txt").exists()


def test_the_guides_design_is_read(tmp_path: Path) -> None:
    block = GUIDE.split("## A design of your own")[1].split("\n\n")[1]
    (tmp_path / "own.toml").write_text("\n".join(line[4:] for line in block.splitlines()), encoding="utf-8")
    own = load_instrument(tmp_path / "own.toml")
    assert own.spacers.labels == ("-4", "0", "+4") and own.body.top.wood == "engelmann spruce"


@pytest.fixture(scope="module")
def old(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Set up in 2004; two moves, three spacers, a saddle, a bad reading, a fall."""
    folder = tmp_path_factory.mktemp("records") / "old"
    create(folder, {"design": "large_x_braced", "home": "cold_city_humidified", "set_up": "2004-10-01",
                    "action": "2.3 mm", "spacer": "L", "serial": "FH-0001"})  # fmt: skip
    for day, *words in (
        ("2006-02-10", "action 2.2 mm"),
        ("2009-07-01", "action 2.8 mm at 50 % 22 C", "spacer J", "action 2.6 mm"),
        ("2011-05-01", "moved to damp_coast"),
        ("2013-08-01", "action 2.7 mm", "spacer G", "action 2.4 mm"),
        ("2016-03-01", "moved to cold_city_heated"),
        ("2017-02-01", "action 6.1 mm"),
        ("2019-07-01", "action 2.6 mm", "saddle -0.4 mm", "action 2.4 mm"),
        ("2021-01-15", "damage: fell off a chair", "action 2.9 mm"),
        ("2023-07-15", "action 3.0 mm", "spacer E", "action 2.8 mm"),
    ):
        add(folder, tuple(words), date.fromisoformat(day))
    return folder


def test_twenty_years_are_all_in_the_record(old: Path) -> None:
    case = open_record(old, date(2024, 10, 1))
    scenario = case.scenario
    assert fitted_spacer(scenario) == "E" and saddle_room_now_mm(scenario) == pytest.approx(2.1)
    assert [one.spacer for one in scenario.work if one.spacer] == ["J", "G", "E"]
    assert [one.anew for one in scenario.work].count(True) == 1 and len(case.book.readings) == 11
    assert [stay.climate.name for stay in scenario.stays][1:] == [
        "cold_city_humidified", "damp_coast", "cold_city_heated"]  # fmt: skip
    assert scenario.horizon_years == 40 and scenario.today == date(2024, 10, 1)
    before = open_record(old, date(2010, 1, 1)).scenario
    assert fitted_spacer(before) == "J" and len(before.work) == 1
    page = label_page(scenario, case.tag, "letter")
    assert "size: Letter" in page and "FH-0001" in page and "E, taper" in page and "in)" in page


@pytest.mark.slow
def test_an_old_guitar_is_decided_about_and_called_about(
    few_particles: None, short: None, run: Callable[..., Any], old: Path
) -> None:
    """The spacer fitted is known, and is not offered again; next dry and damp season differ."""
    told = json.loads(run("grade", str(old), "--reading", "action 2.7 mm", "--date", "2024-10-01", "--json").out)
    assert sum(told["chances"].values()) == pytest.approx(1.0) and told["readings_before"] == 11
    assert told["next_dry_mm"] != told["next_damp_mm"]
    assert all(one["spacer"] != "E" for one in told["options"] if one["key"] == "spacer")
    calls = json.loads(run("record", "list", str(old.parent), "--date", "2024-10-01", "--json").out)["calls"]
    assert len(calls) == 1 and calls[0]["spacer"] == "E" and calls[0]["last_read"] == "2023-07-15"


@pytest.mark.slow
def test_twenty_years_through_the_other_verbs(
    few_particles: None, short: None, run: Callable[..., Any], old: Path, world: Path
) -> None:
    for words in (
        ("calibrate", str(old)),
        ("forecast", str(old), "--draws", "12"),
        ("advise", str(old), "--draws", "12"),
        ("compare", str(old), "--what-if", "humidifier=45", "--draws", "12"),
        ("calibrate", str(old), "--forecast", "--next-reading"),
        ("learn", str(old.parent)),
        ("design", str(old)),
        ("grade", str(old)),
        ("grade", str(old), "--home", "damp_coast"),
        ("record", "show", str(old), "--units", "inch"),
        ("record", "label", str(old), "--paper", "letter"),
        ("record", "list", str(old.parent), "--units", "inch"),
    ):
        ran = run(*words)
        assert ran.code == 0, (words, ran.err)
        assert not re.search(r"x-?\d{3,}|nan|NaT", ran.out), (words, ran.out)
    assert "FH-0001" in (world / "advice-old" / "sheet.html").read_text(encoding="utf-8")


def test_the_call_list_says_whom_to_ring_when_and_what_to_ask(few_particles: None, short: None, tmp_path: Path) -> None:
    """One far too high, thrice read; one never read, that fell; and a folder that cannot be read."""
    told = {"design": "large_x_braced", "home": "workshop", "set_up": "2024-09-25", "action": "2.3 mm", "spacer": "J"}
    for name in ("high", "new", "broken"):
        create(tmp_path / name, told | {"title": name, "serial": f"no. {name}"})
    for day in (date(2025, 1, 10), date(2025, 3, 10), date(2025, 6, 10)):
        add(tmp_path / "high", ("action 2.9 mm",), day)
    add(tmp_path / "new", ("fell off its stand",), date(2025, 7, 1))
    (tmp_path / "broken" / "record.toml").write_text("title = 3\n", encoding="utf-8")
    listed = call_list(tmp_path, date(2025, 8, 1))
    high, new = (next(call for call in listed[0] if call.title == name) for name in ("high", "new"))
    assert high.why == "due" and high.by == date(2025, 8, 1) and high.said in WORK
    assert new.last_read is None and len(listed[1]) == 1 and listed[1][0].startswith("broken")
    assert new.why in ("dry", "damp", "unread")
    assert any("fell off its stand" in question for question in new.ask) and any("come in" in one for one in new.ask)
    if new.by is not None:
        starts = {"dry": new.dry_from, "damp": new.damp_from}[new.why]
        assert new.by == max(starts - timedelta(days=NOW_DAYS), date(2025, 8, 1))
    quiet = replace(new, why="", ask=(), by=None, title="quiet")
    words = calls_words(((*listed[0], quiet), listed[1]), "inch")
    assert (
        words.index("Work is due") < words.index("high") < words.index("Nothing to ring about") < words.index("quiet")
    )
    assert max(len(line) for line in words.splitlines() if not line.startswith("Cannot")) <= 100 and " in," in words


def test_a_record_has_its_design_drawn(
    run: Callable[..., Any], world: Path, old: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    drawn: list[Any] = []
    monkeypatch.setattr("driftmodel.structure.design.behaviour", lambda instrument: drawn.append(instrument) or 1 / 0)
    with pytest.raises(ZeroDivisionError):
        run("design", str(old))
    assert drawn == [open_record(old).scenario.instrument]
