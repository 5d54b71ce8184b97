"""Every fault in the user's own files gets one message: file, place, what came, what is needed, the mend; exit 2.

No outside values: the rules are the house's own.
"""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import pytest

from driftmodel.base.errors import BadInput
from driftmodel.base.scenarios import find_instrument, load_instrument, load_scenario

SCENARIO, INSTRUMENT, CLIMATE = "mine.toml", "instruments/large_x_braced.toml", "climates/cold_city_heated.toml"

#: name: (file, text there, text put in its place, words the message must hold)
FAULTS: dict[str, tuple[str, str, str, tuple[str, ...]]] = {
    "unknown key with a near match": (
        SCENARIO,
        "days_outside",
        "days_outsied",
        ('"days_outside"', "rule.days_outsied"),
    ),
    "missing key": (SCENARIO, "saddle_room_mm = 2.5\n", "", ("saddle_room_mm", "missing", "saddle_room_mm = 2.0")),
    "missing table": (SCENARIO, "[rule]", "[ruler]", ("rule",)),
    "word for a number": (SCENARIO, "horizon_years = 20", 'horizon_years = "twenty"', ("horizon_years", "'twenty'")),
    "decimal comma": (SCENARIO, "action_low_mm = 2.0", "action_low_mm = 2,0", ("decimal comma", "2.0")),
    "not TOML": (SCENARIO, "[setup]", "[setup", ("line",)),
    "date as text": (SCENARIO, "setup = 2026-09-25", 'setup = "25.9.2026"', ("setup.setup", "date")),
    "no such day": (SCENARIO, "setup = 2026-09-25", "setup = 2026-02-30", ("line",)),
    "set-up before stringing": (SCENARIO, "strung = 2026-08-15", "strung = 2026-12-15", ("strung on or before",)),
    "strung before the first stay": (SCENARIO, "from = 2026-07-01", "from = 2026-09-01", ("first stay",)),
    "stays out of order": (SCENARIO, "from = 2026-10-01", "from = 2026-06-01", ("order of their dates",)),
    "tolerance upside down": (SCENARIO, "action_low_mm = 2.0", "action_low_mm = 3.8", ("below action_high_mm",)),
    "action outside its own rule": (SCENARIO, "action_12th_mm = 2.3", "action_12th_mm = 3.3", ("inside the rule",)),
    "negative days": (SCENARIO, "days_outside = 60", "days_outside = -60", ("days_outside", "-60")),
    "unknown instrument": (SCENARIO, '"large_x_braced"', '"large_x_brased"', ('"large_x_braced"', "instrument")),
    "unknown climate": (
        SCENARIO,
        '"cold_city_heated"',
        '"cold_city_heeted"',
        ('"cold_city_heated"', "stay no. 2.climate"),
    ),
    "spacer not in the set": (SCENARIO, 'spacer = "J"', 'spacer = "Z"', ('"Z"', "setup.spacer")),
    "horizon of no years": (SCENARIO, "horizon_years = 20", "horizon_years = 0", ("horizon_years", "0")),
    "too few draws": (SCENARIO, "draws = 200", "draws = 2", ("draws", "10")),
    "percent as fraction": (
        SCENARIO,
        "built_relative_humidity_pct = 45.0",
        "built_relative_humidity_pct = 0.45",
        ("0.45",),
    ),
    "unknown wood": (INSTRUMENT, 'wood = "sitka spruce"', 'wood = "sitka sprice"', ('"sitka spruce"', "body.top.wood")),
    "unknown finish": (INSTRUMENT, '"nitrocellulose lacquer"', '"nitrocelulose laquer"', ("finish", '"nitrocellulose')),
    "negative thickness": (INSTRUMENT, "thickness_mm = 2.8", "thickness_mm = -2.8", ("body.top.thickness_mm", "-2.8")),
    "inches written as mm": (
        INSTRUMENT,
        "thickness_mm = 2.8",
        "thickness_mm = 0.110",
        ("body.top.thickness_mm", "0.11"),
    ),
    "one length twice": (
        INSTRUMENT,
        "thickness_mm = 2.8",
        "thickness_mm = 2.8\nthickness_in = 0.11",
        ("thickness_in", "both"),
    ),
    "spacer set without zero": (INSTRUMENT, "J = 0.0\n", "", ("taper 0", "joint.spacer_tapers_mm")),
    "two equal spacers": (INSTRUMENT, "K = 0.05", "K = -0.05", ("tapers all differ", "joint.spacer_tapers_mm.K")),
    "no pull": (INSTRUMENT, "gauges_in = [0.012, 0.016, 0.024, 0.032, 0.042, 0.053]\n", "", ("tension_n",)),
    "gauges in thousandths": (INSTRUMENT, "[0.012,", "[12,", ("0.012, not 12",)),
    "windings miscounted": (INSTRUMENT, "wound = [false, ", "wound = [", ("one length",)),
    "outline that turns back": (INSTRUMENT, "[500, 55]", "[400, 55]", ("grows from the body join",)),
    "saddle off its bridge": (INSTRUMENT, "saddle_mm = 287.3", "saddle_mm = 387.3", ("front_mm <= saddle_mm",)),
    "bridge behind the tail": (INSTRUMENT, "back_mm = 307.0", "back_mm = 607.0", ("in front of the tail",)),
    "brace end higher than brace": (INSTRUMENT, "end_height_mm = 3.0", "end_height_mm = 30.0", ("end_height_mm",)),
    "point with one number": (INSTRUMENT, "[[85, -140], [430, 165]]", "[[85, -140], [430]]", ("[x, y]",)),
    "not a number": (INSTRUMENT, "thickness_mm = 2.8", "thickness_mm = nan", ("body.top.thickness_mm",)),
    "weather file missing": (CLIMATE, "../weather/chicago.csv", "../weather/chicaco.csv", ("chicaco.csv",)),
    "two sources of air": (
        CLIMATE,
        "[outdoor]",
        '[logger]\nfile = "x.csv"\n[outdoor]',
        ("measured indoor air", "key `logger`"),
    ),
    "heated or not": (
        CLIMATE,
        "heating_setpoint_degc = 21.0",
        "heating_setpoint_degc = 21.0\nheated = false",
        ("one of the two", "room.heated", "heated = true"),
    ),
    "spread of nothing known": (
        CLIMATE,
        "heating_setpoint_degc = 21.0",
        "heating_setpoint_degc = 21.0\nlog_sd = { dust = 0.1 }",
        ("room.log_sd.dust", "log_sd = { excess_cold = 0.15 }"),
    ),
    "reading of nothing": (
        CLIMATE,
        "[room]",
        "[room]\nseen = [{ months = [1] }]",
        ("room.seen no. 1.relative_humidity_pct", "relative_humidity_pct = 34.0"),
    ),
    "two outdoors": (
        CLIMATE,
        "[outdoor]",
        '[outdoor]\nlogger_file = "x.csv"',
        ("weather_file and logger_file given", "outdoor.logger_file", "delete logger_file"),
    ),
    "cooler than heated": (
        CLIMATE,
        "cooling_setpoint_degc = 25.0",
        "cooling_setpoint_degc = 18.0",
        ("below the cooling",),
    ),
    "Fahrenheit as Celsius": (CLIMATE, "heating_setpoint_degc = 21.0", "heating_setpoint_degc = 70.0", ("70.0", "30")),
    "no ventilation": (CLIMATE, "[room]", "[room]\nair_changes_per_hour = 0.0", ("air_changes_per_hour",)),
    "month thirteen": (
        CLIMATE,
        "[room]",
        "[humidifier]\nsetpoint_pct = 45.0\ncapacity_l_per_day = 9.0\nmonths = [13]\n[room]",
        ("12",),
    ),
}


@pytest.mark.parametrize("name", FAULTS)
def test_a_fault_gets_one_message(name: str, world: Path, run: Callable[..., object]) -> None:
    file, before, after, words = FAULTS[name]
    text = (world / file).read_text()
    assert before in text, "the fault is not planted"
    (world / file).write_text(text.replace(before, after, 1))
    there = sorted(world.iterdir())
    ran = run("forecast", "mine.toml", "--draws", "10")
    assert ran.code == 2, ran
    assert ran.out == ""
    assert ran.err.count("driftmodel: ") == 1 and "Mend: " in ran.err and "Needed: " in ran.err
    assert "Traceback" not in ran.err and "pydantic" not in ran.err
    for word in (Path(file).name, *words):
        assert word in ran.err, ran.err
    assert sorted(world.iterdir()) == there, "a fault left something behind"


def test_every_fault_names_a_place() -> None:
    assert len(FAULTS) >= 40


@pytest.mark.parametrize(
    ("words", "expected"),
    [
        (("forecats", "first-winter"), '"forecast"'),
        (("forecast", "frist-winter"), '"first-winter"'),
        (("forecast",), "first-winter"),
        (("forecast", "nowhere/none.toml"), "no such file"),
        (("forecast", "first-winter", "--draws", "3"), "10"),
        (("forecast", "first-winter", "--units", "cubit"), "metric"),
        (("forecast", "first-winter", "--drawz", "30"), "--draws"),
        (("woods", "sitka sprucce"), '"sitka spruce"'),
    ],
)
def test_wrong_words_on_the_command_line(
    words: tuple[str, ...], expected: str, world: Path, run: Callable[..., object]
) -> None:
    ran = run(*words)
    assert ran.code == 2 and expected in ran.err and "Traceback" not in ran.err, ran


OWN_DESIGN = """
title = "Bench no. 12, after the large one (invented)"
like = "large_x_braced"
[strings]
tension_n = 700.0
[joint.spacer_tapers_thou]
low = -4
"0" = 0
high = 4
[body.top]
wood = "engelmann spruce"
thickness_mm = 2.6
[[body.top.braces]]
name = "upper transverse"
height_mm = 18.0
"""


def test_a_design_is_like_another_with_what_differs(tmp_path: Path) -> None:
    (tmp_path / "own.toml").write_text(OWN_DESIGN, encoding="utf-8")
    own, shipped = load_instrument(tmp_path / "own.toml"), find_instrument("large_x_braced")
    assert own.body.top.wood == "engelmann spruce" and own.body.top.thickness_mm == 2.6
    assert own.strings.tension_n == 700.0 and own.strings.gauges_in == ()
    assert own.spacers.labels == ("low", "0", "high") and own.spacers.tapers_mm == pytest.approx((-0.1016, 0, 0.1016))
    heights = {brace.name: brace.height_mm for brace in own.body.top.braces}
    assert heights["upper transverse"] == 18.0 and len(heights) == len(shipped.body.top.braces)
    assert own.body.back == shipped.body.back and own.neck == shipped.neck


def test_a_design_like_itself_is_refused(tmp_path: Path) -> None:
    (tmp_path / "one.toml").write_text('title = "x"\nlike = "two.toml"\n', encoding="utf-8")
    (tmp_path / "two.toml").write_text('title = "x"\nlike = "one.toml"\n', encoding="utf-8")
    with pytest.raises(BadInput, match="like itself"):
        load_instrument(tmp_path / "one.toml")


@pytest.mark.parametrize(
    ("name", "found"), [("cedar", "western redcedar"), ("spruce", "spruce"), ("rosewood", "rosewood")]
)
def test_half_a_wood_s_name_is_answered_with_woods_of_that_name(name: str, found: str, tmp_path: Path) -> None:
    words = f'title = "x"\nlike = "large_x_braced"\n[body.top]\nwood = "{name}"\n'
    (tmp_path / "own.toml").write_text(words, encoding="utf-8")
    with pytest.raises(BadInput) as fault:
        load_instrument(tmp_path / "own.toml")
    assert found in fault.value.mend
    (tmp_path / "own.toml").write_text(words.replace(f'wood = "{name}"', fault.value.mend), encoding="utf-8")
    assert found in load_instrument(tmp_path / "own.toml").body.top.wood


def test_half_a_finish_s_name_is_answered_with_that_finish(tmp_path: Path) -> None:
    (tmp_path / "own.toml").write_text('title = "x"\nlike = "large_x_braced"\n[neck]\nfinish = "nitro"\n')
    with pytest.raises(BadInput) as fault:
        load_instrument(tmp_path / "own.toml")
    assert fault.value.mend == 'finish = "nitrocellulose lacquer"'


def test_the_older_spelling_of_a_spacer_set_is_read(tmp_path: Path) -> None:
    (tmp_path / "own.toml").write_text('title = "x"\nlike = "large_x_braced"\n[joint.spacers]\na = -0.1\nb = 0.0\n')
    assert load_instrument(tmp_path / "own.toml").spacers.labels == ("a", "b")


@pytest.mark.parametrize(
    ("file", "before", "after"),
    [
        (SCENARIO, "action_low_mm = 2.0", "action_low_mm = 3.8"),
        (SCENARIO, "strung = 2026-08-15", "strung = 2026-12-15"),
        (SCENARIO, "from = 2026-10-01", "from = 2026-06-01"),
        (SCENARIO, "action_12th_mm = 2.3", "action_12th_mm = 3.3"),
        (INSTRUMENT, "end_height_mm = 3.0", "end_height_mm = 30.0"),
        (INSTRUMENT, "saddle_mm = 287.3", "saddle_mm = 387.3"),
        (INSTRUMENT, "[0.012, 0.016, 0.024, 0.032, 0.042, 0.053]", "[12, 16, 24, 32, 42, 53]"),
        (INSTRUMENT, "K = 0.05", "K = -0.05"),
        (INSTRUMENT, 'wood = "sitka spruce"', 'wood = "spruce"'),
        (INSTRUMENT, '"nitrocellulose lacquer"', '"nitro"'),
    ],
)
def test_the_mend_offered_works_when_typed(file: str, before: str, after: str, world: Path) -> None:
    """The line at fault is written as the mend says it, and the file is read."""
    text = (world / file).read_text()
    assert before in text
    wrong = text.replace(before, after, 1)
    (world / file).write_text(wrong)
    with pytest.raises(BadInput) as fault:
        load_scenario("mine.toml")
    mend = fault.value.mend.removeprefix("for example ").strip()
    key = mend.partition(" = ")[0]
    line = next(each for each in wrong.splitlines() if after in each)
    assert line.startswith(key), (line, mend)
    (world / file).write_text(wrong.replace(line, mend, 1))
    load_scenario("mine.toml")
