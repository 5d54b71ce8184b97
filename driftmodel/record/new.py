"""A new record: what must be known of an instrument, written as a file a person can read, with what is usual beside."""

from __future__ import annotations

import json
from dataclasses import dataclass
from datetime import date
from pathlib import Path

from driftmodel.base import library
from driftmodel.base.errors import BadInput
from driftmodel.base.record_file import RECORD, USUAL_RULE, USUAL_SETUP, is_record
from driftmodel.base.units import said_number
from driftmodel.base.written import write_file
from driftmodel.record.files import COLUMNS, read_record


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
        raise BadInput(
            "there is something already", "a new or empty folder for a new record", file=folder,
            mend=f"driftmodel record new {folder}-2",
        )  # fmt: skip
    for name, asked in QUESTIONS.items():
        if asked.needed and not told.get(name):
            raise BadInput(
                f"{asked.words[0].lower()}{asked.words[1:]}: not told",
                f"{asked.option} and a value",
                place=asked.option,
                mend=f'{asked.option} "{asked.example}"',
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
        raise BadInput(
            f"it cannot be written ({fault.strerror or fault})", "a place you may write to", file=folder,
            mend="driftmodel record new another-folder",
        ) from fault  # fmt: skip
    return folder / RECORD


def _text(name: str, told: dict[str, str]) -> str:
    words = {key: json.dumps(value, ensure_ascii=False) for key, value in told.items()}
    set_up = _day(told["set_up"])
    home = told["home"]
    place = json.dumps(home if not home.endswith(".toml") else str(Path(home).resolve()), ensure_ascii=False)
    design = told["design"]
    drawn = json.dumps(design if not design.endswith(".toml") else str(Path(design).resolve()), ensure_ascii=False)
    lines = [
        "# One instrument's record; its readings and work stand in bench.csv (written by `driftmodel record add`).",
        f"title = {words.get('title') or json.dumps(name, ensure_ascii=False)}",
        f"serial = {words.get('serial', chr(34) * 2)}",
        f"owner = {words.get('owner', chr(34) * 2)}   # a label; no more about a person than you would put on a shelf",
        f"workshop = {words.get('workshop', chr(34) * 2)}",
        f"instrument = {drawn}",
        "",
        "[[stay]]   # one for each place it lived in, oldest first",
        f"from = {set_up}",
        f"climate = {place}",
        "",
        "[setup]",
        f"setup = {set_up}",
        f"action_12th_mm = {_mm(told['action'], '--action'):.2f}",
        f"spacer = {words['spacer']}",
    ]
    if told.get("humidity"):
        lines.append(f"workshop_humidity_pct = {_percent(told['humidity']):g}")
    if told.get("saddle_room"):
        lines.append(f"saddle_room_mm = {_mm(told['saddle_room'], '--saddle-room'):.2f}")
    own = "\n".join(lines)
    for table, usual in (("setup", USUAL_SETUP), ("rule", USUAL_RULE)):
        lines += ["", f"# usual, in [{table}] (common practice, no source); write your own to change them"]
        lines += [
            f"#   {key} = {library.general(name).value:g}" for key, name in usual.items() if f"{key} =" not in own
        ]
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


def _day(words: str) -> date:
    try:
        return date.fromisoformat(words)
    except ValueError:
        raise BadInput(
            f'"{words}" is not a day', "a day as year-month-day", place="--set-up", mend="--set-up 2026-09-25"
        ) from None


def _by_option(fault: BadInput) -> BadInput:
    """A fault of the file told by the option that put it there."""
    keys = {"instrument": "design", "climate": "home", "spacer": "spacer", "action_12th_mm": "action"}
    option = next((QUESTIONS[name].option for key, name in keys.items() if f"{key}`" in str(fault.place)), None)
    if option is None:
        return fault
    mend = fault.mend.partition(" = ")[2] or fault.mend
    return BadInput(fault.came, fault.needed, place=option, mend=f"{option} {mend}")
