"""What-ifs: one scenario with one thing, or several, changed. LEVERS names what can be moved, and how far; the levers
of the build stand here, those of the air in air_levers: each a plain function of a scenario and a value."""

from __future__ import annotations

import re
from collections.abc import Callable
from dataclasses import dataclass, replace
from datetime import date
from itertools import pairwise
from operator import attrgetter
from typing import Any

from driftmodel.base import library
from driftmodel.base.build import Brace
from driftmodel.base.errors import BadInput, near_match, refusal
from driftmodel.base.materials import recording
from driftmodel.base.records import Climate, Scenario, altered
from driftmodel.base.scenarios import find_instrument
from driftmodel.base.schema import Frozen
from driftmodel.outlook import air_levers as air
from driftmodel.structure.joint import fret_to_saddle_mm, string_pull_n

Move = Callable[[Scenario, Any], Scenario]
TOP = "instrument.body.top"


def sets(*paths: str, of: Callable[[Any], Any] = float) -> Move:
    """A lever that puts `of` its value in the place of each of the fields."""

    def move(scenario: Scenario, value: Any) -> Scenario:
        for path in paths:
            scenario = altered(scenario, path, of(value))
        return scenario

    return move


def times(path: str) -> Move:
    """A lever that takes a field times its value."""
    return lambda scenario, value: altered(scenario, path, attrgetter(path)(scenario) * float(value))


def finish_named(value: Any) -> str:
    """A finish by its name. Raises BadInput for one that is not known."""
    return library.finish(str(value)).name


def wood_named(value: Any) -> str:
    """A wood by its name. Raises BadInput for one that is not known."""
    return library.wood(str(value)).name


def brace_layout(scenario: Scenario, value: Any) -> Scenario:
    """The top's braces of another design (a shipped name or a file), drawn out to this body's length and width."""
    body, other = scenario.instrument.body, find_instrument(str(value)).body
    (length, width), (its_length, its_width) = _extent(body.outline_mm), _extent(other.outline_mm)
    along, across = length / its_length, width / its_width

    def drawn(brace: Brace) -> Brace:
        return replace(brace, path_mm=tuple((x * along, y * across) for x, y in brace.path_mm))

    return altered(scenario, f"{TOP}.braces", tuple(drawn(brace) for brace in other.top.braces))


def _extent(outline_mm: tuple[tuple[float, float], ...]) -> tuple[float, float]:
    at, half = zip(*outline_mm, strict=True)
    return max(at) - min(at), max(half)


def brace_height(scenario: Scenario, value: Any) -> Scenario:
    """Heights of the top's braces times `value`."""
    braces, factor = scenario.instrument.body.top.braces, float(value)
    heights = [brace.height_mm * factor for brace in braces]
    lower = (
        replace(brace, height_mm=height, end_height_mm=min(brace.end_height_mm, height))
        for brace, height in zip(braces, heights, strict=True)
    )
    return altered(scenario, f"{TOP}.braces", tuple(lower))


def heel_fastening(scenario: Scenario, value: Any) -> Scenario:
    """How the neck is held: heel and tongue, each 'bolted', 'glued' or (the tongue) 'free', as in 'bolted/glued'."""
    heel, _, tongue = str(value).partition("/")
    if heel not in ("bolted", "glued") or tongue not in ("bolted", "glued", "free"):
        raise BadInput(f'a neck held "{value}"', "heel and tongue: bolted or glued / bolted, glued or free",
                       mend='"bolted/glued"')  # fmt: skip
    return altered(altered(scenario, "instrument.joint.heel", heel), "instrument.joint.tongue", tongue)


def scale_length(scenario: Scenario, value: Any) -> Scenario:
    """Scale length, mm, at the same gauges and pitches (a pull that is only stated goes with its square); the saddle,
    the bridge and its plate move with it."""
    instrument, scale = scenario.instrument, float(value)
    strings, bridge = instrument.strings, instrument.body.bridge
    moved = fret_to_saddle_mm(scale, instrument.body_fret) - fret_to_saddle_mm(strings.scale_mm, instrument.body_fret)
    pull = None if strings.tension_n is None else strings.tension_n * (scale / strings.scale_mm) ** 2
    fresh = replace(
        bridge,
        front_mm=bridge.front_mm + moved,
        back_mm=bridge.back_mm + moved,
        saddle_mm=bridge.saddle_mm + moved,
        anchor_mm=None if bridge.anchor_mm is None else bridge.anchor_mm + moved,
    )
    moved_bridge = altered(scenario, "instrument.body.bridge", fresh)
    return altered(moved_bridge, "instrument.strings", replace(strings, scale_mm=scale, tension_n=pull))


def string_gauge(scenario: Scenario, value: Any) -> Scenario:
    """Every gauge times `value` at the same pitch; a pull that is only stated goes with its square."""
    strings, factor = scenario.instrument.strings, float(value)
    if strings.tension_n is not None:
        return altered(scenario, "instrument.strings.tension_n", strings.tension_n * factor**2)
    return altered(scenario, "instrument.strings.gauges_in", tuple(gauge * factor for gauge in strings.gauges_in))


def string_tension(scenario: Scenario, value: Any) -> Scenario:
    """Total pull in percent of what it is."""
    pull = string_pull_n(scenario.instrument.strings) * float(value) / 100.0
    return altered(scenario, "instrument.strings.tension_n", pull)


def finer_spacers(scenario: Scenario, value: Any) -> Scenario:
    """`value` grades in the place of each step of the set, tapers evenly between; new labels carry the step's share."""
    parts = int(value)
    spacers = scenario.instrument.spacers
    pairs = list(zip(spacers.labels, spacers.tapers_mm, strict=True))
    labels, tapers = [pairs[0][0]], [pairs[0][1]]
    for (label, low), (after, high) in pairwise(pairs):
        for part in range(1, parts):
            labels.append(f"{label}+{part}/{parts}")
            tapers.append(low + (high - low) * part / parts)
        labels.append(after)
        tapers.append(high)
    return altered(scenario, "instrument.spacers", replace(spacers, labels=tuple(labels), tapers_mm=tuple(tapers)))


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
    "finish outside": Lever(
        sets(f"{TOP}.finish_outside", "instrument.body.back.finish_outside", of=finish_named),
        "finish on the outer faces of top and back",
        "bare",
    ),
    "finish inside": Lever(
        sets(f"{TOP}.finish_inside", "instrument.body.back.finish_inside", of=finish_named),
        "finish on their inner faces",
        "nitrocellulose lacquer",
    ),
    "build humidity": Lever(
        sets("setup.built_relative_humidity_pct"), "the humidity the body was closed at, %", "50", 20, 75
    ),
    "top wood": Lever(sets(f"{TOP}.wood", of=wood_named), "wood of the top", "western redcedar"),
    "neck wood": Lever(sets("instrument.neck.wood", of=wood_named), "wood of the neck", "sugar maple"),
    "brace layout": Lever(brace_layout, "the top's braces of another design", "small_ladder_braced"),
    "brace height": Lever(
        brace_height,
        "height of all the top's braces, times; the bench has it that lower ones raise the action",
        "0.9",
        0.5,
        1.5,
    ),
    "braces before the bridge": Lever(
        times(f"{TOP}.braces_before_bridge"), "height of the top's braces before the bridge, times", "0.9", 0.5, 1.5
    ),
    "braces behind the bridge": Lever(
        times(f"{TOP}.braces_behind_bridge"), "height of the top's braces behind the bridge, times", "0.9", 0.5, 1.5
    ),
    "top thickness": Lever(sets(f"{TOP}.thickness_mm"), "thickness of the top, mm", "3.0", 1.5, 5),
    "top dome": Lever(sets(f"{TOP}.dome_radius_mm"), "radius of the top's dome, mm", "6000", 3000, 60000),
    "joint": Lever(
        heel_fastening, "how heel and tongue are held: bolted or glued / bolted, glued or free", "bolted/glued"
    ),
    "strings over the join": Lever(
        sets("instrument.strings.over_top_at_join_mm"),
        "height of the strings over the top at the body join, mm",
        "12",
        3,
        25,
    ),
    "rod length": Lever(
        sets("instrument.neck.rod_length_mm"), "how far from the nut the truss rod reaches, mm", "340", 100, 500
    ),
    "scale": Lever(
        scale_length, "scale length at the same gauges and pitches, mm; the bridge moves with it", "630", 500, 720
    ),
    "string gauge": Lever(string_gauge, "every string's gauge at its pitch, times", "0.9", 0.6, 1.4),
    "string tension": Lever(string_tension, "the set's pull, % of what it is", "90", 20, 150),
    "finer spacers": Lever(finer_spacers, "grades in the place of each step of the set", "2", 1, 10, True),
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
            f'"{words}" has a comma in a number. Needed: a decimal point; commas stand between levers. '
            f'Mend: --what-if "{mended}"'
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
