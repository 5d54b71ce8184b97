"""A line more in a record, as the bench says it: a reading, work, a move, a note."""

from __future__ import annotations

import re
from dataclasses import dataclass
from datetime import date
from pathlib import Path

from driftmodel.base.errors import BadInput
from driftmodel.base.records import Scenario
from driftmodel.base.scenarios import climate_named, shipped_climate
from driftmodel.calibration.said import saying_of
from driftmodel.outlook.work import fitted_spacer
from driftmodel.record.case import Case, open_record
from driftmodel.record.files import add_rows, add_tables


@dataclass(frozen=True)
class Added:
    """case: the record after it. lines: what was written, in words. taken: what was not said and what was taken."""

    case: Case
    lines: tuple[str, ...]
    taken: tuple[str, ...]


def add(folder: Path, sayings: tuple[str, ...], day: date, note: str = "") -> Added:
    """Adds what the bench says, a line each, on a day. All of it or nothing. Raises BadInput."""
    scenario = open_record(folder).scenario
    if day < scenario.setup.setup:
        raise BadInput(
            f"{day} is before its set-up ({scenario.setup.setup})", "a day since set-up",
            mend=f"--date {scenario.setup.setup}",
        )  # fmt: skip
    if day > date.today():
        raise BadInput(f"{day} is in the future", "a day up to today", mend=f"--date {date.today()}")
    rows: list[dict[str, str]] = []
    lines: list[str] = []
    taken: list[str] = []
    moves: list[str] = []
    fitted = fitted_spacer(scenario, day)
    for words in split_up(sayings):
        moved = _MOVED.match(words)
        if moved:
            place = moved[1].strip().strip('"')
            moves.append(_stay(folder, place, day, scenario))
            lines.append(f"{day}: moved to {place}")
            continue
        saying = saying_of(words, scenario, fitted)
        rows.append({"date": day.isoformat(), **saying.cells, "note": note})
        taken += saying.taken
        lines.append(f"{day}: " + (saying.cells.get("work") or f"{saying.cells['what']} {saying.cells['value']}"))
    if note and not rows:
        rows.append({"date": day.isoformat(), "work": f"note: {note}", "note": ""})
        lines.append(f"{day}: note: {note}")
    if rows:
        add_rows(folder, rows, lambda trial: _check(folder, trial, day))
    for stay in moves:
        add_tables(folder, stay)
    return Added(open_record(folder, max(day, date.today())), tuple(lines), tuple(dict.fromkeys(taken)))


_MOVED = re.compile(
    r"(?:(?:the |its |new )?(?:owner|customer|guitar|it)\s+)?(?:moved|moves|goes|went|sent|sold|shipped|lives)\s+"
    r"(?:to|in)\s+(?:the\s+)?(.+)$",
    re.IGNORECASE,
)
_NEXT = re.compile(
    r"\s*;\s*|\s+then\s+|,\s*(?:and\s+|then\s+)?(?=(?:action|relief|bass|treble|low e|high e|spacer|saddle|truss|"
    r"strings? o|new strings|neck|moved|weight|projection)\b)",
    re.IGNORECASE,
)
_SIDES = re.compile(
    r"^(.*?\b(?:bass|low e)\b\D*[\d.,/]+\s*(?:mm|in|thou|\")?)[\s,]+(?:and\s+)?((?:treble|high e)\b\D*[\d.,/]+"
    r"\s*(?:mm|in|thou|\")?)(.*)$",
    re.IGNORECASE,
)


def split_up(sayings: tuple[str, ...]) -> list[str]:
    """The sayings one by one: given as one each, or as bare words that make up one; 'spacer K, action 2.4 mm' and
    'bass 7/64 treble 5/64 at 45 %' are two each."""
    if len(sayings) > 1 and not any(" " in saying.strip() for saying in sayings):
        sayings = (" ".join(sayings),)
    found: list[str] = []
    for saying in sayings:
        for part in [saying] if saying.lower().startswith(("note", "anew")) else _NEXT.split(saying):
            both = _SIDES.match(part)
            found += [f"{both[1]} {both[3]}", f"{both[2]} {both[3]}"] if both else [part]
    return [one.strip() for one in found if one.strip()]


def _check(folder: Path, trial: Path, day: date) -> None:
    """The file with the lines added is read as it will be from now on."""
    try:
        open_record(folder, max(day, date.today()), trial)
    except BadInput as fault:
        raise BadInput(
            fault.came, fault.needed, file=folder / "bench.csv", place=fault.place, mend=fault.mend
        ) from None


def _stay(folder: Path, place: str, day: date, scenario: Scenario) -> str:
    last = scenario.stays[-1].start
    if day <= last:
        raise BadInput(
            f"a move on {day}, but it has lived where it lives since {last}", "moves in order of their days",
            mend=f'edit the [[stay]] tables in {folder / "record.toml"}',
        )  # fmt: skip
    plain = place.lower().replace(" ", "_")
    known = place if place.endswith(".toml") or not shipped_climate(plain) else plain
    try:
        climate_named(folder / "record.toml", known)
    except BadInput as fault:
        near = fault.mend.partition('"')[2].rstrip('"')
        needed = f"the place here whose air is most like its own, {fault.needed}, or a climate file (a name with .toml)"
        raise BadInput(fault.came, needed, mend=f'"moved to {near}"') from None
    return f'[[stay]]\nfrom = {day}\nclimate = "{known}"\n'
