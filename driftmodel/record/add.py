"""What is written of an instrument as the bench says it: a new record, with what is usual beside; and a line more in
one: a reading, work, a move, a note."""

from __future__ import annotations

import json
import re
from dataclasses import dataclass
from datetime import date
from pathlib import Path

from driftmodel.base import library
from driftmodel.base.errors import BadInput, Spot, day_told, refusal, unwritable
from driftmodel.base.records import Scenario
from driftmodel.base.scenario_file import RECORD, USUAL_RULE, USUAL_SETUP, is_record
from driftmodel.base.scenarios import climate_named, shipped
from driftmodel.base.units import said_number
from driftmodel.base.written import write_file
from driftmodel.calibration.said import saying_of
from driftmodel.outlook.calendar import fitted_spacer
from driftmodel.record.case import COLUMNS, Case, add_rows, add_tables, open_record, read_record, since_set_up
from driftmodel.report.texts import filled


@dataclass(frozen=True)
class Added:
    """case: the record after it. lines: what was written, in words. taken: what was not said and what was taken."""

    case: Case
    lines: tuple[str, ...]
    taken: tuple[str, ...]


def add(folder: Path, sayings: tuple[str, ...], day: date, note: str = "") -> Added:
    """Adds what the bench says, a line each, on a day. All of it or nothing. Raises BadInput."""
    scenario = open_record(folder).scenario
    since_set_up(scenario, day)
    if day > date.today():
        raise refusal(f"{day} is in the future. Needed: a day up to today. Mend: --date {date.today()}")
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
        raise fault.at(folder / "bench.csv", fault.place) from None


def _stay(folder: Path, place: str, day: date, scenario: Scenario) -> str:
    last = scenario.stays[-1].start
    if day <= last:
        raise refusal(
            f"a move on {day}, but it has lived where it lives since {last}. Needed: moves in order of their days. "
            f"Mend: edit the [[stay]] tables in {folder / 'record.toml'}"
        )
    plain = place.lower().replace(" ", "_")
    known = place if place.endswith(".toml") or plain not in shipped("climates") else plain
    try:
        climate_named(known, folder / "record.toml")
    except BadInput as fault:
        near = fault.mend.partition('"')[2].rstrip('"')
        needed = f"the place here whose air is most like its own, {fault.needed}, or a climate file (a name with .toml)"
        raise BadInput(fault.came, needed, mend=f'"moved to {near}"') from None
    return f'[[stay]]\nfrom = {day}\nclimate = "{known}"\n'


@dataclass(frozen=True)
class Asked:
    """What a new record needs: words for the question, the option's name, an example, whether it may stay empty."""

    words: str
    option: str
    example: str
    needed: bool = True


QUESTIONS = {
    "design": Asked("Design: a shipped one (driftmodel design) or a file", "--design", "large_x_braced"),
    "home": Asked("Home: a shipped place or a climate file", "--home", "cold_city_heated"),
    "set_up": Asked("Day of the set-up", "--set-up", "2026-09-25"),
    "action": Asked("Action at the 12th fret then, with its unit", "--action", "2.3 mm"),
    "spacer": Asked("Spacer fitted", "--spacer", "J"),
    "humidity": Asked("Humidity it was closed and set up in, %", "--humidity", "45", needed=False),
    "saddle_room": Asked("What can be taken off the saddle, with its unit", "--saddle-room", "2.5 mm", needed=False),
    "serial": Asked("Serial number", "--serial", "FH-0012", needed=False),
    "owner": Asked("Owner's label", "--owner", "shelf 3", needed=False),
    "title": Asked("Title", "--title", "Ada's large flat-top", needed=False),
    "workshop": Asked("Workshop", "--workshop", "Fernhollow (invented)", needed=False),
}


def create(folder: Path, told: dict[str, str]) -> Path:
    """Writes record.toml and an empty bench.csv; refused whole if they could not be read. Raises BadInput."""
    if is_record(folder) or (folder.exists() and (not folder.is_dir() or any(folder.iterdir()))):
        raise Spot(folder).refusal(
            "there is something already. Needed: a new or empty folder for a new record. "
            f"Mend: driftmodel record new {folder}-2"
        )
    for name, asked in QUESTIONS.items():
        if asked.needed and not told.get(name):
            raise Spot(place=asked.option).refusal(
                f"{asked.words[0].lower()}{asked.words[1:]}: not told. Needed: {asked.option} and a value. "
                f'Mend: {asked.option} "{asked.example}"'
            )
    text = _text(folder.resolve().name, told)
    try:
        write_file(folder / RECORD, text.encode())
        try:
            read_record(folder)
        except BadInput as fault:
            (folder / RECORD).unlink()
            folder.rmdir()
            raise _by_option(fault) from None
        write_file(folder / "bench.csv", (";".join(COLUMNS) + "\n").encode())
    except OSError as fault:
        raise unwritable(folder, fault, "driftmodel record new another-folder") from fault
    return folder / RECORD


def _text(name: str, told: dict[str, str]) -> str:
    design, home = (
        str(Path(one).resolve()) if one.endswith(".toml") else one for one in (told["design"], told["home"])
    )
    named = {"title": told.get("title") or name, "place": home, "drawn": design}
    plain = {key: told.get(key, "") for key in ("serial", "owner", "workshop", "spacer")} | named
    words = {key: json.dumps(value, ensure_ascii=False) for key, value in plain.items()}
    day = day_told(told["set_up"], "--set-up", "2026-09-25")
    lines = [filled("record_file", day=day, action=_mm(told["action"], "--action"), **words)]
    if told.get("humidity"):
        lines.append(f"workshop_humidity_pct = {_percent(told['humidity']):g}")
    if told.get("saddle_room"):
        lines.append(f"saddle_room_mm = {_mm(told['saddle_room'], '--saddle-room'):.2f}")
    own = "\n".join(lines)
    for table, usual in (("setup", USUAL_SETUP), ("rule", USUAL_RULE)):
        lines += ["", f"# usual, in [{table}] (common practice, no source); write your own to change them"]
        lines += [f"#   {key} = {library.value(name):g}" for key, name in usual.items() if f"{key} =" not in own]
    return "\n".join(lines) + "\n"


def _mm(words: str, option: str) -> float:
    said = said_number(words)
    length = said.length_mm if said else None
    if length is None:
        number = f"{said.value:g}" if said else "2.3"
        raise BadInput(
            f'"{words}" is not a length' if not said else f'"{words}" has no unit', "a number and mm, in or thou",
            place=option, mend=f'{option} "{number} mm"',
        )  # fmt: skip
    return length


def _percent(words: str) -> float:
    said = said_number(words.replace("%", ""))
    if said is None or not 1 < said.value <= 95:
        raise BadInput(f'a humidity of "{words}"', "percent, 1 to 95", place="--humidity", mend="--humidity 45")
    return said.value


def _by_option(fault: BadInput) -> BadInput:
    """A fault of the file told by the option that put it there."""
    keys = {"instrument": "design", "climate": "home", "spacer": "spacer", "action_12th_mm": "action"}
    option = next((QUESTIONS[name].option for key, name in keys.items() if f"{key}`" in str(fault.place)), None)
    if option is None:
        return fault
    mend = fault.mend.partition(" = ")[2] or fault.mend
    return fault.at(place=option, mend=f"{option} {mend}")
