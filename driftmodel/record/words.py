"""A record in words: what it holds; and the call list: of all records in a folder, who is due, whom to ring before
which season, and what to ask."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import asdict, dataclass
from datetime import date, timedelta
from pathlib import Path

from driftmodel.base.errors import BadInput, refusal
from driftmodel.base.scenario_file import is_record
from driftmodel.base.units import length_words, temperature_words
from driftmodel.calibration.decide import WORK, Decision, decide_unread
from driftmodel.calibration.records import QUANTITIES, ReadingRow
from driftmodel.outlook.calendar import fitted_spacer, saddle_room_now_mm
from driftmodel.record.case import Case, open_record
from driftmodel.report.grade_words import AIR, headline
from driftmodel.report.texts import filled, plain_text, worded


def show(case: Case, units: str = "metric") -> str:
    """A record on one screen: what it is, where it lives, its readings and work in order, how it stands."""
    scenario, tag = case.scenario, case.tag
    assert tag is not None
    parts = (tag.serial and f"no. {tag.serial}", tag.owner and f"owner: {tag.owner}", tag.workshop)
    told = {"of": scenario.setup, "rule": scenario.rule, "spacer": _spacer(case, units)}
    called = worded("usual")
    return plain_text(
        "record.txt",
        case=case,
        scenario=scenario,
        named=", ".join(filter(None, parts)),
        stands=filled("record_stands", units, room=saddle_room_now_mm(scenario), **told),
        usual=[f"{called.get(key.split('.')[1], key)} {_value(key, value, units)}" for key, value in tag.usual.items()],
        timeline=timeline(case, units),
    )


def _spacer(case: Case, units: str) -> str:
    label, spacers = fitted_spacer(case.scenario), case.scenario.instrument.spacers
    taper = spacers.tapers_mm[spacers.labels.index(label)]
    return f"{label} (taper {length_words(taper, units)})"


def _value(key: str, value: float, units: str) -> str:
    if key.endswith("_pct"):
        return f"{value:g} %"
    if key.endswith("_degc"):
        return temperature_words(value, units)
    return length_words(value, units) if key.endswith("_mm") else f"{value:g}"


def timeline(case: Case, units: str) -> list[str]:
    """Readings and work, a line each, in the order they were done."""
    told = [(one.date, float(one.row), reading_words(one, units)) for one in case.book.readings]
    told += [(one.day, one.order, f"{one.day}  work: {one.words}") for one in case.book.work]
    return [words for *_, words in sorted(told, key=lambda each: each[:2])]


def reading_words(reading: ReadingRow, units: str) -> str:
    """'2027-02-10  action 2.80 mm, feeler gauge, after 2 h at 38 % and 21 °C'."""
    quantity = QUANTITIES[reading.what]
    value = f"{reading.value:.0f} g" if quantity.unit == "g" else length_words(reading.value, units)
    words = f"{reading.date}  {reading.what.replace('_', ' ')} {value}" + (f", {reading.tool}" if reading.tool else "")
    if reading.hours_at_bench and reading.relative_humidity_pct is not None:
        words += f", after {reading.hours_at_bench:g} h at {reading.relative_humidity_pct:.0f} %"
    return words + (f"  ({reading.doubt})" if reading.doubt else "")


def record_json(case: Case) -> dict[str, object]:
    """The record's content for machines, metric."""
    scenario, tag = case.scenario, case.tag
    assert tag is not None
    return {
        "title": scenario.title,
        "serial": tag.serial,
        "owner": tag.owner,
        "workshop": tag.workshop,
        "design": scenario.instrument.name,
        "today": str(scenario.today),
        "spacer": fitted_spacer(scenario),
        "saddle_room_mm": round(saddle_room_now_mm(scenario), 3),
        "stays": [{"from": str(stay.start), "climate": stay.climate.name} for stay in scenario.stays],
        "taken_as_usual": dict(tag.usual),
        "readings": [
            {"date": str(one.date), "what": one.what, "value": one.value, "unit": QUANTITIES[one.what].unit,
             "sd": one.sd, "tool": one.tool, "relative_humidity_pct": one.relative_humidity_pct,
             "temperature_c": one.temperature_c, "hours_at_bench": one.hours_at_bench, "doubt": one.doubt}
            for one in case.book.readings
        ],
        "work": [{"date": str(one.day), "words": one.words, "spacer": one.spacer, "saddle_mm": one.saddle_mm,
                  "action_mm": one.action_mm, "anew": one.anew} for one in case.book.work],
        "remarks": list(case.book.remarks),
    }  # fmt: skip


#: a season is rung about where being outside the rule in it is more likely than not; a reading is asked for where
#: nothing was read for this long; a season this near is rung about now, days (common practice, no source)
LIKELY, LONG_UNREAD_DAYS, NOW_DAYS = 0.5, 540, 30
PARTICLES = 400


@dataclass(frozen=True)
class Call:
    """One instrument on the list. why: key of its head, the most pressing. by: the day to ring by, None where there is
    none. answer: what `grade` says of it today. dry_outside, damp_outside: chances that the action is outside the rule
    over the next dry and damp 90 days as it is left, from dry_from and damp_from on; dry_mm, damp_mm: its middle then.
    ask: what to ask."""

    folder: str
    title: str
    serial: str
    owner: str
    spacer: str
    last_read: date | None
    why: str
    by: date | None
    said: str
    answer: str
    dry_outside: float
    damp_outside: float
    dry_from: date
    damp_from: date
    dry_mm: float
    damp_mm: float
    ask: tuple[str, ...]


def call_list(
    folder: Path, today: date, progress: Callable[[str], None] = lambda _: None, units: str = "metric"
) -> tuple[tuple[Call, ...], tuple[str, ...]]:
    """The calls of all records in a folder, most pressing first, and what could not be read. Raises BadInput where
    there is no record at all."""
    below = (path for path in folder.glob("*") if path.is_dir() and is_record(path))
    folders = [folder] if is_record(folder) else sorted(below)
    if not folders:
        raise refusal(
            f'no record in "{folder}". Needed: a folder with the records\' folders in it. Mend: '
            "driftmodel record list records"
        )
    calls, faults = [], []
    for number, own in enumerate(folders, start=1):
        progress(f"record {number} of {len(folders)}: {own.name}")
        try:
            calls.append(call_of(open_record(own, today), units))
        except BadInput as fault:
            faults.append(f"{own.name}: {fault}")
    order = list(worded("call_heads"))
    return tuple(sorted(calls, key=lambda call: (order.index(call.why), call.by or date.max, call.title))), tuple(
        faults
    )


def call_of(case: Case, units: str = "metric") -> Call:
    """What one record says of a call. Raises BadInput where its air does."""
    scenario, tag = case.scenario, case.tag
    assert scenario.today is not None and tag is not None and case.folder is not None
    today = scenario.today
    decision = decide_unread(scenario, case.book, today, PARTICLES)
    left = decision.option("leave")
    assert left is not None
    outside = {"dry": 1.0 - left.dry_inside, "damp": 1.0 - left.damp_inside}
    starts = dict(zip(("dry", "damp"), decision.seasons_from, strict=True))
    last = max((one.date for one in case.book.readings), default=None)
    why, by = "", None
    if decision.said in WORK:
        why, by = "due", today
    elif seasons := [season for season, share in outside.items() if share > LIKELY]:
        why = min(seasons, key=lambda season: starts[season])
        by = max(starts[why] - timedelta(days=NOW_DAYS), today)
    elif last is None or (today - last).days > LONG_UNREAD_DAYS:
        why = "unread"
    return Call(
        str(case.folder), scenario.title, tag.serial, tag.owner, fitted_spacer(scenario), last, why, by, decision.said,
        headline(decision, units), outside["dry"], outside["damp"], starts["dry"], starts["damp"], left.dry_mm[1],
        left.damp_mm[1], _ask(case, decision, why, last) if why else (),
    )  # fmt: skip


def _ask(case: Case, decision: Decision, why: str, last: date | None) -> tuple[str, ...]:
    """What to ask on the telephone, the most telling first."""
    scenario, work = case.scenario, case.book.work
    assert scenario.today is not None
    climate = scenario.stays[-1].climate
    ask = []
    if climate.humidifier is not None or (climate.case is not None and climate.case.humidifier_pct is not None):
        ask.append("did the humidifier run, and was it kept filled and clean?")
    elif why in ("dry", "damp") or decision.said in AIR:
        ask.append("is there a hygrometer beside it, and what does it say now?")
    anew = [one for one in work if one.anew]
    if anew and (last is None or anew[-1].day > last):
        ask.append(f'since {anew[-1].day} ("{anew[-1].words}"): was it looked over for loose braces and open seams?')
    if last is None or (scenario.today - last).days > LONG_UNREAD_DAYS:
        ask.append("can it come in, or what is the action at the 12th fret, and the humidity beside it?")
    moved = scenario.stays[-1].start
    ask.append("does it still live there?" if (scenario.today - moved).days > 365 else "how is the new place heated?")
    return tuple(ask)


def calls_words(listed: tuple[tuple[Call, ...], tuple[str, ...]], units: str = "metric") -> str:
    """The list for the terminal: those to ring first, under a head each, then the rest a line each."""
    calls, faults = listed
    heads = worded("call_heads")
    return plain_text(
        "calls.txt",
        heads=heads,
        calls=calls,
        faults=faults,
        seasons=lambda call: filled("call_seasons", units, of=call),
    ).lstrip()


def calls_json(listed: tuple[tuple[Call, ...], tuple[str, ...]]) -> dict[str, object]:
    """The list for machines, metric."""
    calls, faults = listed
    plain = [
        {key: str(value) if isinstance(value, date) else value for key, value in asdict(call).items()} for call in calls
    ]
    return {"calls": plain, "cannot_be_read": list(faults)}
