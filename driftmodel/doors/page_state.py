"""What the page's controls stand for: a shipped scenario with levers moved, in the words of `--what-if`; the
guitars on offer, the user's own before the shipped ones; and what today's reading of one calls for."""

from __future__ import annotations

import re
import shutil
import tempfile
from collections import OrderedDict
from collections.abc import Mapping
from dataclasses import dataclass, replace
from datetime import date
from functools import cache
from pathlib import Path
from typing import Any

from driftmodel.base.errors import BadInput, day_told, refusal
from driftmodel.base.opened import bytes_of
from driftmodel.base.scenario_file import RECORD, is_record
from driftmodel.base.scenarios import climate_named, load_scenario, shipped
from driftmodel.doors.bench_commands import decided
from driftmodel.doors.page_view import path_picture
from driftmodel.outlook.calendar import fitted_spacer
from driftmodel.record.case import open_case
from driftmodel.record.words import timeline
from driftmodel.report.grade_words import COLUMNS, decision_facts, headline, option_rows
from driftmodel.report.texts import fixed, said, worded

START = "first-winter"
NOTHING_CHANGED = "unchanged"


@dataclass(frozen=True)
class Slider:
    """A range control; at `neutral` the lever is left alone and `left` is said in the place of a number."""

    name: str
    lever: str
    label: str
    low: float
    high: float
    step: float
    neutral: float
    left: str
    unit: str
    help: str


SLIDERS = tuple(Slider(*one) for one in fixed()["page"]["sliders"])


@dataclass(frozen=True)
class Choice:
    """A list control: (value, words) options; lever '' for one that moves none."""

    name: str
    lever: str
    label: str
    options: tuple[tuple[str, str], ...]


Options = tuple[tuple[str, str], ...]


def choices(own: Options = ()) -> tuple[Choice, ...]:
    """The lists; own: the user's guitars, (value, words), before the shipped stories."""
    guitars, *rest = _shipped()
    return replace(guitars, options=(*own, *guitars.options)), *rest


@cache
def _shipped() -> tuple[Choice, ...]:
    """The lists of what is shipped, read once: it does not change under a running server."""
    stories = tuple((name, load_scenario(name).title) for name in shipped())
    places = tuple((name, climate_named(name).title.split(" (")[0]) for name in shipped("climates"))
    against = (
        ("", "nothing"),
        (NOTHING_CHANGED, "itself, nothing changed"),
        *((f"place:{name}", f"it in: {words}") for name, words in places),
        *((f"scenario:{name}", words) for name, words in stories),
    )
    return (
        Choice("scenario", "", "Guitar and its story", stories),
        Choice("place", "place", "Where it lives last", (("", "as the story says"), *places)),
        Choice("case", "case", "Its case", tuple(worded("page_cases").items())),
        Choice("inside", "finish inside", "Finish inside the body", tuple(worded("page_finishes").items())),
        Choice("units", "", "Units", (("metric", "millimetres"), ("inch", "inches"))),
        Choice("against", "", "Compare with", against),
    )


def read_state(given: Mapping[str, str], own: Options = ()) -> dict[str, str]:
    """The page's state from an address, every key present. Raises BadInput for a value no control could have sent."""
    state = {choice.name: choice.options[0][0] for choice in choices()} | {"scenario": own[0][0] if own else START}
    state |= {slider.name: f"{slider.neutral:g}" for slider in SLIDERS}
    state |= {key: given[key] for key in state if given.get(key)}
    for slider in SLIDERS:
        try:
            value = float(state[slider.name])
        except ValueError:
            value = float("nan")
        if not slider.low <= value <= slider.high:
            raise refusal(
                f'{slider.label}: "{state[slider.name]}". Needed: a number from {slider.low:g} to {slider.high:g}. '
                f"Mend: {slider.name}={slider.high:g}"
            )
        state[slider.name] = f"{value:g}"
    for choice in choices(own):
        if state[choice.name] not in dict(choice.options):
            raise refusal(
                f'{choice.label}: "{state[choice.name]}". Needed: one of the list. '
                f"Mend: {choice.name}={choice.options[-1][0]}"
            )
    return state


def what_if(state: Mapping[str, str]) -> str:
    """The levers moved, as `--what-if` takes them; '' for none. The place is first: the others move what is there."""
    moved = [f"{choice.lever}={state[choice.name]}" for choice in choices() if choice.lever and state[choice.name]]
    moved += [
        f"{slider.lever}={state[slider.name]}" for slider in SLIDERS if float(state[slider.name]) != slider.neutral
    ]
    return ", ".join(moved)


def rival_state(state: Mapping[str, str], own: Options = ()) -> dict[str, str] | None:
    """The state compared with, or None."""
    against = state["against"]
    if not against:
        return None
    if against == NOTHING_CHANGED:
        return read_state({"scenario": state["scenario"], "units": state["units"]}, own)
    kind, name = against.split(":", 1)
    changed = {"place": name} if kind == "place" else {"scenario": name, "place": ""}
    return {**state, **changed, "against": ""}


def command_line(state: Mapping[str, str], seed: int | None, typed: str = "") -> str:
    """The command that gives the same numbers; seed: where it is not the scenario's own; typed: what names a guitar of
    one's own."""
    words = what_if(state)
    said = f' --what-if "{words}"' if words else ""
    return f"driftmodel forecast {typed or state['scenario']}{said}" + ("" if seed is None else f" --seed {seed}")


KEPT_UPLOADS, MOST_FILES = 8, 12
SAFE_NAME = re.compile(r"[A-Za-z0-9][A-Za-z0-9 _.-]{0,80}\.(toml|csv)")


@dataclass(frozen=True)
class Own:
    """A guitar that can be opened: its name in the list, where its files stand, what to type for it in a terminal."""

    words: str
    path: Path | str
    typed: str


class Shelf:
    """The guitars on offer: the folder given at start, and what was uploaded."""

    def __init__(self, folder: Path | None) -> None:
        self.folder = folder
        self.uploads: OrderedDict[str, tuple[Path, str]] = OrderedDict()
        self.room: tempfile.TemporaryDirectory[str] | None = None

    def all(self) -> dict[str, Own]:
        """By the name the address carries; what cannot be opened is listed too and told when it is chosen."""
        found: dict[str, Own] = {}
        if self.folder is not None:
            for path in sorted(self.folder.iterdir()):
                if is_record(path) and path.is_dir():
                    found[f"own:{path.name}"] = Own(path.name, path, str(path))
                elif path.suffix == ".toml" and "[setup]" in _text(path):
                    found[f"own:{path.name}"] = Own(path.stem, path, str(path))
        for name, (path, words) in self.uploads.items():
            found[f"up:{name}"] = Own(f"{words} (uploaded)", path, words)
        return found

    def options(self) -> tuple[tuple[str, str], ...]:
        """The user's guitars as the page lists them."""
        return tuple((name, one.words) for name, one in self.all().items())

    def named(self, name: str) -> Own:
        """The guitar of this name in the list; a shipped story where it is none of the user's."""
        return self.all().get(name) or Own(name, name, name)

    def take(self, files: list[tuple[str, bytes]]) -> str:
        """Puts uploaded files into a folder of their own and returns its name in the list. Raises BadInput."""
        given = [(Path(name).name, content) for name, content in files if name]
        if not given:
            raise BadInput("no file was chosen", "record.toml and bench.csv, or a scenario", mend="choose the files")
        if len(given) > MOST_FILES or any(not SAFE_NAME.fullmatch(name) for name, _ in given):
            raise refusal(
                f"files of other kinds or names. Needed: {MOST_FILES} .toml or .csv files at most. "
                "Mend: record.toml, bench.csv"
            )
        if self.room is None:
            self.room = tempfile.TemporaryDirectory(prefix="driftmodel-page-")
        folder = Path(tempfile.mkdtemp(dir=self.room.name))
        key = folder.name
        for name, content in given:
            (folder / name).write_bytes(content)
        names = [name for name, _ in given]
        if RECORD in names:
            self.uploads[key] = (folder, "record")
        else:
            stories = [name for name in names if name.endswith(".toml") and "[setup]" in _text(folder / name)]
            if len(stories) != 1:
                shutil.rmtree(folder, ignore_errors=True)
                raise refusal(
                    f"{len(stories)} scenarios among the files. Needed: one record.toml or one scenario file. "
                    "Mend: record.toml"
                )
            self.uploads[key] = (folder / stories[0], Path(stories[0]).stem)
        while len(self.uploads) > KEPT_UPLOADS:
            _, (gone, _) = self.uploads.popitem(last=False)
            shutil.rmtree(gone if gone.is_dir() else gone.parent, ignore_errors=True)
        return f"up:{key}"


def _text(path: Path) -> str:
    try:
        return bytes_of(path, "a file", first=200_000).decode("utf-8", errors="replace")
    except BadInput:
        return ""


def bench_answer(own: Own, words: str, day: str, units: str) -> dict[str, Any]:
    """What the page shows of a guitar: its story, and the decision where there is a reading to decide about. Raises
    BadInput."""
    when = day_told(day, "--date", str(date.today())) if day else date.today()
    case = open_case(own.path, None)
    told: dict[str, Any] = {
        "title": case.scenario.title,
        "lines": timeline(case, units)[-8:],
        "spacer": fitted_spacer(case.scenario),
        "place": case.scenario.stays[-1].climate.title.split(" (")[0],
    }
    if not words and not case.book.readings:
        return told
    decision, taken = decided(case, (words,) if words else (), when)
    reading = f' --reading "{words}"' if words else ""
    return told | {
        "headline": headline(decision, units),
        "columns": [" ".join(filter(None, head)) for head in COLUMNS],
        "rows": option_rows(decision, units),
        "facts": decision_facts(decision, units),
        "taken": "; ".join(taken),
        "caution": said("decision_caution"),
        "picture": path_picture(decision, case.book.readings, units),
        "command": f"driftmodel grade {own.typed}{reading} --date {when}",
    }
