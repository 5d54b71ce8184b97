"""An instrument's record: started, added to as a bench speaks, shown; no row lost whatever happens. All invented.

No outside values: effects of work by hand.
"""

from __future__ import annotations

import json
import multiprocessing
import os
import shlex
import time
from collections.abc import Callable
from datetime import date, timedelta
from pathlib import Path
from typing import Any

import pytest

from driftmodel.base.errors import BadInput
from driftmodel.outlook.calendar import fitted_spacer, grade_lifts_mm, saddle_room_now_mm
from driftmodel.record.add import add, create
from driftmodel.record.case import LOCK, add_rows, load_scenario, open_case, open_record, rows_of, writing

TOLD = {
    "design": "large_x_braced", "home": "cold_city_heated", "set_up": "2022-09-25", "action": "2.3 mm", "spacer": "J",
    "serial": "FH-0012", "owner": "shelf 3",
}  # fmt: skip


@pytest.fixture
def ada(tmp_path: Path) -> Path:
    create(tmp_path / "ada", TOLD)
    return tmp_path / "ada"


def test_a_new_record_is_ten_lines_of_what_differs_and_says_what_is_usual(ada: Path) -> None:
    text = (ada / "record.toml").read_text(encoding="utf-8")
    own = [line for line in text.splitlines() if line.strip() and not line.startswith(("#", "["))]
    assert len(own) <= 12 and "days_outside = 60" in text
    before, case = date.today(), open_case(ada)
    assert case.tag is not None and case.tag.serial == "FH-0012" and case.tag.usual["rule.days_outside"] == 60
    scenario = case.scenario
    assert (scenario.rule.action_low_mm, scenario.rule.action_high_mm) == (2.0, 2.6)
    assert scenario.today in (before, date.today()) and scenario.stays[0].climate.name == "held at 45 %"
    assert scenario.stays[1].start == scenario.setup.setup and scenario.name == "ada"


def test_what_the_bench_says_is_written_in_order_and_counts(ada: Path) -> None:
    day = date(2023, 2, 1)
    added = add(
        ada, ("action 7/64 in at 38 % 21 C after 2 h", "spacer F", "saddle -0.5 mm", "action 2.1 mm with rule"), day
    )
    assert any("feeler gauge" in taken for taken in added.taken)
    case = open_record(ada)
    first, second = case.book.readings
    assert first.value == pytest.approx(7 / 64 * 25.4) and first.relative_humidity_pct == 38
    assert first.hours_at_bench == 2 and second.tool == "rule"
    assert fitted_spacer(case.scenario) == "F" and saddle_room_now_mm(case.scenario) == pytest.approx(2.0)
    lift = grade_lifts_mm(case.scenario)[case.scenario.instrument.spacers.labels.index("F")]
    from driftmodel.calibration.work import known_step, moment_of

    steps = [known_step("action", moment_of(one), case.scenario.work, case.scenario) for one in case.book.readings]
    assert steps == pytest.approx([0.0, (lift - 0.5) / 2.0])


def test_as_of_a_day_before_the_work(ada: Path) -> None:
    add(ada, ("action 2.5 mm", "spacer F"), date(2023, 2, 1))
    before = open_case(ada, date(2023, 1, 1))
    assert before.scenario.work == () and before.book.readings == () and before.scenario.today == date(2023, 1, 1)
    assert load_scenario(ada).work[0].spacer == "F"


def test_a_move_is_a_stay(ada: Path) -> None:
    add(ada, ("moved to damp coast",), date(2023, 5, 1))
    assert [stay.climate.name for stay in load_scenario(ada).stays][-1] == "damp_coast"
    with pytest.raises(BadInput, match="order of their days"):
        add(ada, ("moved to dry_highland",), date(2023, 4, 1))
    with pytest.raises(BadInput) as fault:
        add(ada, ("moved to dry_highlands",), date(2024, 4, 1))
    assert fault.value.mend == '"moved to dry_highland"'
    assert "whose air is most like its own" in fault.value.needed


@pytest.mark.parametrize(
    ("words", "what", "value"),
    [
        ('action 7/64"', "action", 2.778), ("action .110 in", "action", 2.794), ("action 110 thou", "action", 2.794),
        ("string height 2.8 mm", "action", 2.8), ("12th fret action now 2.8 mm", "action", 2.8),
        ("2.8 mm at the 12th", "action", 2.8), ("7/64 at 12th", "action", 2.778), ("action was 2,8 mm", "action", 2.8),
        ("bass side 2.8 mm", "action_bass", 2.8), ("2 mm on the treble side", "action_treble", 2.0),
        ("low E 7/64", "action_bass", 2.778), ("measured action 2.8 mm with ruler", "action", 2.8),
        ("neck relief 10 thou", "relief", 0.254), ("weight 4 lb 1 oz", "weight", 1843.0),
        ("weight 2.05 kg", "weight", 2050.0), ("saddle height 3.2 mm", "saddle_height", 3.2),
    ],
)  # fmt: skip
def test_a_reading_in_a_luthiers_words(ada: Path, words: str, what: str, value: float) -> None:
    (reading,) = add(ada, (words,), date(2023, 5, 1)).case.book.readings
    assert (reading.what, reading.value) == (what, pytest.approx(value, abs=0.001 if what != "weight" else 0.6))


@pytest.mark.parametrize(
    ("air", "pct", "heat", "hours"),
    [
        ("at 38 % 21 C after 2 h", 38, 21, 2), ("in 45%", 45, 21, 24), ("at RH 45, 70 degrees", 45, 21.1, 24),
        ("at 45 percent humidity 70 F", 45, 21.1, 24), ("rh 45% temp 21", 45, 21, 24),
        ("after an hour at 38 %", 38, 21, 1), ("overnight at 45%", 45, 21, 12),
        ("after two days in 50 % 20°C", 50, 20, 48),
    ],
)  # fmt: skip
def test_the_air_beside_it_in_a_luthiers_words(ada: Path, air: str, pct: float, heat: float, hours: float) -> None:
    (one,) = add(ada, (f"action 2.8 mm {air}",), date(2023, 5, 1)).case.book.readings
    assert (one.relative_humidity_pct, one.hours_at_bench) == (pct, hours)
    assert one.temperature_c == pytest.approx(heat, abs=0.05)


@pytest.mark.parametrize(
    ("words", "told"),
    [
        ("lowered the saddle by .5 mm", {"saddle_mm": -0.5}), ("took 1/32 off the saddle", {"saddle_mm": -0.794}),
        ("saddle replaced, 0.5 mm lower", {"saddle_mm": -0.5}), ("shim under the saddle 0.3 mm", {"saddle_mm": 0.3}),
        ("swapped J for K", {"spacer": "K"}), ("spacer J out, K in", {"spacer": "K"}),
        ("regraded to K", {"spacer": "K"}),
        ("fitted K", {"spacer": "K"}), ("lowered action by 0.3 mm", {"action_mm": -0.3}),
        ("tightened the truss rod a quarter turn", {"truss_rod": True}), ("adjusted the rod", {"truss_rod": True}),
        ("fell off its stand", {"anew": True}), ("bridge lifting, reglued", {"anew": True}),
        ("top crack glued and cleated", {"anew": True}), ("levelled frets", {"anew": True}),
        ("dropped", {"anew": True}),
        ("took strings off for shipping", {"strings_on": False}), ("cleaned and oiled", {}), ("new strings 12-53", {}),
        ("humidified for two weeks", {}), ("note: back to its owner, who is glad", {}),
    ],
)  # fmt: skip
def test_work_in_a_luthiers_words(ada: Path, words: str, told: dict[str, object]) -> None:
    """All of it and nothing else is understood, and the words stay as they were said."""
    add(ada, (words,), date(2023, 5, 1))
    done = open_record(ada).book.work
    usual = {"spacer": "", "saddle_mm": 0.0, "action_mm": 0.0, "truss_rod": False, "anew": False, "strings_on": None}
    found = {name: getattr(one, name) for one in done for name, plain in usual.items() if getattr(one, name) != plain}
    lengths = {name: pytest.approx(value, abs=0.001) for name, value in told.items() if name.endswith("_mm")}
    assert found == {**told, **lengths}
    assert words in rows_of(ada)


def test_two_in_one_breath_are_two(ada: Path) -> None:
    add(ada, ("bass 7/64 treble 5/64 at 45 % 21 C", "neck reset, action now 2.3 mm"), date(2023, 5, 1))
    case = open_record(ada)
    assert [one.what for one in case.book.readings] == ["action_bass", "action_treble", "action"]
    assert [one.relative_humidity_pct for one in case.book.readings] == [45, 45, None]
    assert case.book.work[0].anew and case.book.work[0].order < case.book.readings[2].row


def test_work_that_does_not_account_for_its_readings_is_asked_about(ada: Path) -> None:
    """A step of the spacer is far less than half a millimetre."""
    day = date(2023, 5, 1)
    told = add(ada, ("action 3.1 mm", "spacer H", "action 2.6 mm"), day).case.book.remarks
    assert any("-0.50 mm" in one and "what else was done" in one for one in told)
    lift = grade_lifts_mm(open_record(ada).scenario)
    labels = open_record(ada).scenario.instrument.spacers.labels
    after = 3.0 + (lift[labels.index("K")] - lift[labels.index("H")]) / 2.0
    told = add(ada, ("action 3.0 mm", "spacer K", f"action {after:.2f} mm"), date(2023, 6, 1)).case.book.remarks
    assert not any("2023-06-01" in one for one in told)


@pytest.mark.parametrize(
    "words",
    ["action 2.4", "action 90 mm", "spacer Q", "spacer -2", "saddle 0.5 mm", "acton 2.4 mm", "did things", "2.4 mm",
     "saddle lowered", "action 2.4 mm after 3 h", "moved to nowhere", "strings", "action 0.09", "one spacer up",
     "new bone saddle", "lowered action to 2.3 mm", "full setup", "lighter strings", "changed strings to 11s",
     "bridge height 9 mm", "belly 3 mm", "38 % 21 C", "relief 0.25", "weight 2.1", "action 2.8 at 38 % 21 C",
     "action 2.8 furlongs", "saddle -0.4", "saddle -40 mm", "lowered saddle +0.4 mm", "top sunk 1 mm"],
)  # fmt: skip
def test_what_is_not_understood_writes_nothing_and_the_mend_does(ada: Path, words: str) -> None:
    before = rows_of(ada)
    with pytest.raises(BadInput) as fault:
        add(ada, ("action 2.4 mm", words), date(2023, 5, 1))
    assert rows_of(ada) == before
    add(ada, (fault.value.mend.strip('"'),), date(2023, 5, 1))


#: commands on a record `ada`, and the mend's place: an option in place of the one given, or a command of its own
NEW = "record new bea --design large_x_braced --home damp_coast --set-up 2024-09-25 "
MENDED = [
    NEW + "--action 2.3 --spacer J",
    "record new bea --design large_x_brace --home damp_coast --set-up 2024-09-25 --action '2.3 mm' --spacer J",
    "record new bea --design large_x_braced --home damp_cost --set-up 2024-09-25 --action '2.3 mm' --spacer J",
    "record new bea --design large_x_braced --home damp_coast --set-up 25.9.2024 --action '2.3 mm' --spacer J",
    NEW + "--action '2.3 mm' --spacer Q",
    NEW + "--action '2.3 mm' --spacer J --humidity wet",
    NEW + "--action '2.3 mm'",
    "record add ada 'action 2.4 mm' --date 2021-01-01", "record add ada 'action 2.4 mm' --date 2999-01-01",
    "record add ada", "record ad ada 'action 2.4 mm'", "record show bea", "grade ada --reading 'action 2.4'",
    "grade ada --reading 'acton 2.4 mm'", "record show ada --date 2021-01-01",
]  # fmt: skip


@pytest.mark.parametrize("line", MENDED)
def test_a_commands_mend_works_as_typed(
    few_particles: None, short: None, undrawn: None, run: Callable[..., Any], world: Path, line: str
) -> None:
    create(world / "ada", TOLD)
    words = shlex.split(line)
    wrong = run(*words)
    assert wrong.code == 2, wrong.err
    mend = shlex.split(wrong.err.partition("Mend: ")[2])
    if mend[0] == "driftmodel":
        again = mend[1:]
    elif mend[0].startswith("--") and mend[0] in words:
        place = words.index(mend[0])
        again = [*words[:place], *mend, *words[place + 2 :]]
    else:
        again = [*words, *mend]
    right = run(*again)
    assert right.code == 0, (again, right.err)


def test_a_day_among_the_words_is_told_where_it_goes(run: Callable[..., Any], world: Path) -> None:
    create(world / "ada", TOLD)
    wrong = run("record", "add", "ada", "2024-02-10", "action 2.4 mm")
    assert wrong.code == 2 and wrong.err.rstrip().endswith("Mend: --date 2024-02-10")


def test_a_day_before_set_up_or_to_come_is_refused(ada: Path) -> None:
    for day in (date(2021, 1, 1), date.today() + timedelta(days=2)):
        with pytest.raises(BadInput):
            add(ada, ("action 2.4 mm",), day)


def _write_twenty(folder: Path, name: str) -> None:
    for number in range(20):
        add_rows(folder, [{"date": "2023-05-01", "work": f"note: {name} {number}"}], lambda _: None)


def test_two_writers_lose_no_row(ada: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """However long one of them is held up."""
    for name in ("STALE_SECONDS", "PATIENCE_SECONDS"):
        monkeypatch.setattr(f"driftmodel.record.case.{name}", 1e9)
    workers = [multiprocessing.Process(target=_write_twenty, args=(ada, name)) for name in ("one", "two")]
    for worker in workers:
        worker.start()
    for worker in workers:
        worker.join()
    rows = rows_of(ada).splitlines()
    assert [worker.exitcode for worker in workers] == [0, 0]
    assert len(rows) == 41 and len(set(rows)) == 41 and not (ada / LOCK).exists()


def test_a_kill_in_the_middle_leaves_the_old_rows_and_no_lock_for_long(
    ada: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    add(ada, ("action 2.4 mm",), date(2023, 5, 1))
    before = rows_of(ada)

    def killed(*_: Any) -> None:
        raise KeyboardInterrupt

    monkeypatch.setattr("driftmodel.record.case.write_file", killed)
    with pytest.raises(KeyboardInterrupt):
        add(ada, ("action 2.5 mm",), date(2023, 6, 1))
    monkeypatch.undo()
    assert rows_of(ada) == before
    (ada / LOCK).write_text("")
    old = time.time() - 3600
    os.utime(ada / LOCK, (old, old))
    with writing(ada):
        pass
    add(ada, ("action 2.5 mm",), date(2023, 6, 1))
    assert len(rows_of(ada).splitlines()) == 3


def test_a_lock_made_since_the_look_is_not_taken_over(ada: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Two wait at one stale lock: the other takes it over, and writes under its own, before this one's step."""
    (ada / LOCK).write_text("")
    os.utime(ada / LOCK, (0, 0))
    rename, steps = Path.rename, []

    def late(path: Path, to: Path) -> Path:
        if not steps:
            path.unlink()
            path.write_text("the other's")
        steps.append(to)
        return rename(path, to)

    monkeypatch.setattr(Path, "rename", late)
    monkeypatch.setattr("driftmodel.record.case.PATIENCE_SECONDS", 0.0)
    with pytest.raises(BadInput, match="somebody else is writing"), writing(ada):
        pass
    assert (ada / LOCK).read_text() == "the other's" and len(list(ada.glob(f"{LOCK}*"))) == 1


def test_a_file_without_a_last_line_end_and_with_own_columns_is_added_to(ada: Path) -> None:
    (ada / "bench.csv").write_text('date,what,value,tool,work\n2023-02-01,action,"2,4 mm",rule,', encoding="utf-8")
    add(ada, ("action 2.5 mm with rule", "spacer K"), date(2023, 6, 1))
    case = open_record(ada)
    assert [one.value for one in case.book.readings] == [2.4, 2.5] and case.scenario.work[0].spacer == "K"
    with pytest.raises(BadInput, match="no column"):
        add(ada, ("action 2.5 mm at 38 % 21 C after 2 h",), date(2023, 7, 1))


def test_a_file_with_nothing_but_a_remark_gets_its_header(ada: Path) -> None:
    """And a header in quotes, units in its names, is as good as any."""
    for text, first in (("# mine", 2.5), ('"Date";"What";"Value mm";"Tool"\n2023-02-01;action;2.4;rule\n', 2.4)):
        (ada / "bench.csv").write_text(text, encoding="utf-8")
        add(ada, ("action 2.5 mm with rule",), date(2023, 6, 1))
        values = [one.value for one in open_record(ada).book.readings]
        assert values[0] == first and values[-1] == 2.5 and (ada / "bench.csv").read_text().startswith(text)


def test_from_the_command_line(run: Callable[..., Any], world: Path) -> None:
    made = run("record", "new", "ada", "--design", "large_x_braced", "--home", "damp_coast", "--set-up", "2024-09-25",
               "--action", "5/64", "--spacer", "J")  # fmt: skip
    assert made.code == 0 and (world / "ada" / "drawing.png").exists(), made.err
    added = run("record", "add", "ada", "spacer", "K", "--date", "2025-01-02")
    assert added.code == 0 and "spacer K" in added.out
    before = date.today()
    told = json.loads(run("record", "show", "ada", "--json").out)
    assert told["spacer"] == "K" and date.fromisoformat(told["today"]) in (before, date.today())
    assert "spacer K" in run("record", "show", "ada", "--units", "inch").out
    again = run("record", "new", "ada", "--design", "large_x_braced")
    assert again.code == 2 and "something already" in again.err
    assert run("record", "ad", "ada").code == 2 and run("record", "show", "nowhere").code == 2
    missing = run("record", "new", "bea", "--design", "large_x_braced")
    assert missing.code == 2 and "--home" in missing.err and not (world / "bea").exists()
    wrong = run("record", "new", "bea", "--design", "large_x_braced", "--home", "damp_coast", "--set-up", "2024-09-25",
                "--action", "2.3 mm", "--spacer", "Q")  # fmt: skip
    assert wrong.code == 2 and "--spacer" in wrong.err and not (world / "bea").exists()
