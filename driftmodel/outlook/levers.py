"""What-ifs: one scenario with one thing, or several, changed. LEVERS names what can be moved, and how far."""

from __future__ import annotations

import re
from collections.abc import Callable
from dataclasses import dataclass, replace
from datetime import date
from typing import Any

from driftmodel.base.errors import BadInput, near_match, refusal
from driftmodel.base.materials import recording
from driftmodel.base.records import Climate, Scenario
from driftmodel.base.schema import Frozen
from driftmodel.outlook import air_levers as air
from driftmodel.outlook import build_levers as build

YES_NO = {"yes": True, "no": False}


@dataclass(frozen=True)
class Lever:
    """move: what it does to a scenario; words: for a person; example: a value; low, high: range of a number, None for
    a word; unit as in words."""

    move: Callable[[Scenario, Any], Scenario]
    words: str
    example: str
    low: float | None = None
    high: float | None = None
    whole: bool = False


LEVERS: dict[str, Lever] = {
    "place": Lever(air.place, "where it lives last: a shipped place or a climate file", "damp_coast"),
    "winter heating": Lever(air.winter_heating, "the room's heating, degrees C", "18", 5, 28),
    "air changes": Lever(air.air_changes, "air changes an hour of the house: tight 0.3, draughty 1.5", "0.3", 0.05, 10),
    "humidifier": Lever(air.humidifier, "room humidifier from October to April, %; 0 for none", "45", 0, 65),
    "humidifier outage": Lever(air.humidifier_outage, "weeks it stands still from 10 January", "3", 1, 20, True),
    "case": Lever(air.case, "kept in its case: yes, no, or a case humidifier's %", "45", 20, 65),
    "finish outside": Lever(build.finish_outside, "finish on the outer faces of top and back", "bare"),
    "finish inside": Lever(build.finish_inside, "finish on their inner faces", "nitrocellulose lacquer"),
    "build humidity": Lever(build.build_humidity, "the humidity the body was closed at, %", "50", 20, 75),
    "top wood": Lever(build.top_wood, "wood of the top", "western redcedar"),
    "neck wood": Lever(build.neck_wood, "wood of the neck", "sugar maple"),
    "brace layout": Lever(build.brace_layout, "the top's braces of another design", "small_ladder_braced"),
    "brace height": Lever(
        build.brace_height,
        "height of all the top's braces, times; the bench has it that lower ones raise the action",
        "0.9",
        0.5,
        1.5,
    ),
    "braces before the bridge": Lever(
        build.braces_before_bridge, "height of the top's braces before the bridge, times", "0.9", 0.5, 1.5
    ),
    "braces behind the bridge": Lever(
        build.braces_behind_bridge, "height of the top's braces behind the bridge, times", "0.9", 0.5, 1.5
    ),
    "top thickness": Lever(build.top_thickness, "thickness of the top, mm", "3.0", 1.5, 5),
    "top dome": Lever(build.top_dome, "radius of the top's dome, mm", "6000", 3000, 60000),
    "joint": Lever(
        build.heel_fastening, "how heel and tongue are held: bolted or glued / bolted, glued or free", "bolted/glued"
    ),
    "strings over the join": Lever(
        build.strings_over_top, "height of the strings over the top at the body join, mm", "12", 3, 25
    ),
    "rod length": Lever(build.rod_length, "how far from the nut the truss rod reaches, mm", "340", 100, 500),
    "scale": Lever(
        build.scale_length, "scale length at the same gauges and pitches, mm; the bridge moves with it", "630", 500, 720
    ),
    "string gauge": Lever(build.string_gauge, "every string's gauge at its pitch, times", "0.9", 0.6, 1.4),
    "string tension": Lever(build.string_tension, "the set's pull, % of what it is", "90", 20, 150),
    "finer spacers": Lever(build.finer_spacers, "grades in the place of each step of the set", "2", 1, 10, True),
    "warming": Lever(air.warming, "outdoors warmer, K; humidity falls a little with it", "2", 0, 6),
    "shipping": Lever(air.shipping, "six weeks in a dry container from a day on", "2027-03-01"),
    "move": Lever(air.move, "damp coast to cold continent, on which 10 January from now", "2", 1, 30, True),
}


def with_lever(scenario: Scenario, lever: str, value: Any) -> Scenario:
    """The scenario with one lever of LEVERS moved; its name and title say so. Raises BadInput for an unknown lever,
    or a value or place it cannot be moved to."""
    if lever not in LEVERS:
        raise refusal(
            f'there is no lever "{lever}".{near_match(lever, LEVERS)} Needed: one of '
            f"{', '.join(LEVERS)}. Mend: driftmodel compare --levers"
        )
    known = LEVERS[lever]
    with recording() as numbers:
        changed = known.move(scenario, _read(lever, known, value))
    word = value.name if isinstance(value, Climate) else f"{value:g}" if isinstance(value, float) else str(value)
    told = changed.stays[-1].climate.title.split(" (")[0] if lever == "place" else word
    moved = [*scenario.raw.get("what_if", []), f"{lever}={word}"]
    return replace(
        changed,
        name=f"{scenario.name}, {lever} {word}",
        title=f"{scenario.title}; {lever}: {told}",
        raw=Frozen({**scenario.raw, "what_if": moved}),
        numbers=tuple((dict(scenario.numbers) | numbers).items()),
    )


def _read(lever: str, known: Lever, value: Any) -> Any:
    if lever == "case" and (isinstance(value, bool) or value in YES_NO):
        return YES_NO.get(value, value)
    if known.low is None or known.high is None:
        return read_day(value) if lever == "shipping" else value
    try:
        number = float(value)
    except (TypeError, ValueError):
        number = float("nan")
    if not known.low <= number <= known.high or (known.whole and number != int(number)):
        kind = "a whole number" if known.whole else "a number"
        raise refusal(
            f'the lever "{lever}" was moved to "{value}". Needed: {kind} from {known.low:g} to {known.high:g} ('
            f'{known.words}). Mend: --what-if "{lever}={known.example}"'
        )
    return number


def read_day(value: Any) -> date:
    """The first day of a shipping. Raises BadInput."""
    try:
        return value if isinstance(value, date) else date.fromisoformat(str(value))
    except ValueError:
        raise refusal(
            f'shipping from "{value}". Needed: a day as year-month-day. Mend: --what-if "shipping=2027-03-01"'
        ) from None


def parse_what_if(scenario: Scenario, words: str) -> Scenario:
    """A scenario with the levers of 'lever=value, lever=value' moved, in that order; '' moves none. Raises BadInput."""
    if not words:
        return scenario
    if re.search(r"=\s*\d+,\d", words):
        mended = re.sub(r"(=[^=,]*[0-9]),([0-9])", r"\1.\2", words)
        raise refusal(
            f'"{words}" has a comma in a number. Needed: a decimal point; commas stand between levers. Mend: '
            f'--what-if "{mended}"'
        )
    for part in words.split(","):
        lever, sign, value = part.partition("=")
        if not sign or not value.strip():
            raise BadInput(
                f'"{part.strip()}" moves no lever', "LEVER=VALUE, several with commas", mend='--what-if "humidifier=45"'
            )
        scenario = with_lever(scenario, lever.strip(), value.strip())
    return scenario


def lever_lines() -> str:
    """The levers for the terminal, a line each, with their ranges."""
    lines = []
    for name, lever in LEVERS.items():
        reach = "" if lever.low is None else f" ({lever.low:g} to {lever.high:g})"
        lines.append(f"{name:<18} {lever.words}{reach}")
        lines.append(f'{"":<18} such as "{name}={lever.example}"')
    return "\n".join(lines)
