"""A record in words: what it holds, and the call list."""

from __future__ import annotations

import textwrap

from driftmodel.base.record_file import RECORD
from driftmodel.base.records import WorkDone
from driftmodel.base.units import length_words, temperature_words
from driftmodel.calibration.records import QUANTITIES, ReadingRow
from driftmodel.outlook.work import fitted_spacer, saddle_room_now_mm
from driftmodel.record.case import Case
from driftmodel.report.phrases import WIDTH

NAMES = {
    "workshop_humidity_pct": "closed and set up at", "built_temperature_degc": "closed at",
    "action_reading_sd_mm": "set-up read to", "saddle_room_mm": "saddle to lower then",
    "saddle_room_least_mm": "saddle that must stay", "projection_tolerance_mm": "fret plane off by at most",
    "days_outside": "days outside before work", "action_low_mm": "lowest action", "action_high_mm": "highest action",
}  # fmt: skip


def show(case: Case, units: str = "metric") -> str:
    """A record on one screen: what it is, where it lives, its readings and work in order, how it stands."""
    scenario, tag = case.scenario, case.tag
    setup, rule = scenario.setup, scenario.rule
    assert tag is not None and case.folder is not None
    named = ", ".join(
        part for part in (tag.serial and f"no. {tag.serial}", tag.owner and f"owner: {tag.owner}", tag.workshop) if part
    )
    lines = [scenario.title + (f" ({named})" if named else ""), f"  {scenario.instrument.title}"]
    for stay in scenario.stays[-3:]:
        lines.append(f"  from {stay.start}: {stay.climate.title.split(' (')[0]}")
    lines += [
        f"  set up {setup.setup}: action {length_words(setup.action_12th_mm, units)}, spacer {setup.spacer}, closed at "
        f"{setup.built_relative_humidity_pct:.0f} %",
        f"  now: spacer {_spacer(case, units)}; {length_words(saddle_room_now_mm(scenario), units)} of saddle to lower"
        f", of which {length_words(rule.saddle_room_least_mm, units)} must stay",
        f"  rule: action {length_words(rule.action_low_mm, units)} to {length_words(rule.action_high_mm, units)}",
    ]
    usual = [f"{NAMES.get(key.split('.')[1], key)} {_value(key, value, units)}" for key, value in tag.usual.items()]
    if usual:
        words = f"taken as usual (common practice, no source; {RECORD} changes it): " + ", ".join(usual)
        lines += textwrap.wrap(words, WIDTH, initial_indent="  ", subsequent_indent="    ")
    lines += [
        "",
        *(timeline(case, units) or ["No reading yet: driftmodel record add " + case.folder.name + ' "action 2.4 mm"']),
    ]
    lines += [f"Noticed: {remark}" for remark in case.book.remarks]
    return "\n".join(lines)


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
    told: list[tuple[tuple[object, float], str]] = []
    for reading in case.book.readings:
        told.append(((reading.date, float(reading.row)), reading_words(reading, units)))
    for work in case.book.work:
        told.append(((work.day, work.order), work_words(work)))
    return [words for _, words in sorted(told, key=lambda each: each[0])]


def reading_words(reading: ReadingRow, units: str) -> str:
    """'2027-02-10  action 2.80 mm, feeler gauge, after 2 h at 38 % and 21 °C'."""
    quantity = QUANTITIES[reading.what]
    value = f"{reading.value:.0f} g" if quantity.unit == "g" else length_words(reading.value, units)
    words = f"{reading.date}  {reading.what.replace('_', ' ')} {value}" + (f", {reading.tool}" if reading.tool else "")
    if reading.hours_at_bench and reading.relative_humidity_pct is not None:
        words += f", after {reading.hours_at_bench:g} h at {reading.relative_humidity_pct:.0f} %"
    return words + (f"  ({reading.doubt})" if reading.doubt else "")


def work_words(work: WorkDone) -> str:
    """'2027-02-10  work: spacer K'."""
    return f"{work.day}  work: {work.words}"


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
