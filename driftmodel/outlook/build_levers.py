"""Levers of the build: finishes, woods, braces, strings, spacers, the humidity it was made in.

Each is a plain function of a scenario and a value; levers.LEVERS names them with their ranges."""

from __future__ import annotations

from dataclasses import replace
from itertools import pairwise
from typing import Any

from driftmodel.base import library
from driftmodel.base.build import Brace
from driftmodel.base.errors import BadInput
from driftmodel.base.records import Scenario
from driftmodel.base.scenarios import find_instrument
from driftmodel.structure.joint import pivot_to_saddle_mm, string_pull_n


def _plates(scenario: Scenario, **changed: Any) -> Scenario:
    body = scenario.instrument.body
    fresh = replace(body, top=replace(body.top, **changed), back=replace(body.back, **changed))
    return replace(scenario, instrument=replace(scenario.instrument, body=fresh))


def finish_outside(scenario: Scenario, value: Any) -> Scenario:
    """The finish on the outer faces of top and back, by name."""
    return _plates(scenario, finish_outside=library.finish(str(value)).name)


def finish_inside(scenario: Scenario, value: Any) -> Scenario:
    """The finish on the inner faces of top and back, by name."""
    return _plates(scenario, finish_inside=library.finish(str(value)).name)


def build_humidity(scenario: Scenario, value: Any) -> Scenario:
    """The humidity the body was closed at, %."""
    return replace(scenario, setup=replace(scenario.setup, built_relative_humidity_pct=float(value)))


def top_wood(scenario: Scenario, value: Any) -> Scenario:
    """The top's wood, by name."""
    body = scenario.instrument.body
    fresh = replace(body, top=replace(body.top, wood=library.wood(str(value)).name))
    return replace(scenario, instrument=replace(scenario.instrument, body=fresh))


def neck_wood(scenario: Scenario, value: Any) -> Scenario:
    """The neck's wood, by name."""
    instrument = scenario.instrument
    return replace(
        scenario, instrument=replace(instrument, neck=replace(instrument.neck, wood=library.wood(str(value)).name))
    )


def brace_layout(scenario: Scenario, value: Any) -> Scenario:
    """The top's braces of another design (a shipped name or a file), drawn out to this body's length and width."""
    body, other = scenario.instrument.body, find_instrument(str(value)).body
    (length, width), (its_length, its_width) = _extent(body.outline_mm), _extent(other.outline_mm)
    along, across = length / its_length, width / its_width

    def drawn(brace: Brace) -> Brace:
        return replace(brace, path_mm=tuple((x * along, y * across) for x, y in brace.path_mm))

    fresh = replace(body, top=replace(body.top, braces=tuple(drawn(brace) for brace in other.top.braces)))
    return replace(scenario, instrument=replace(scenario.instrument, body=fresh))


def _extent(outline_mm: tuple[tuple[float, float], ...]) -> tuple[float, float]:
    at, half = zip(*outline_mm, strict=True)
    return max(at) - min(at), max(half)


def brace_height(scenario: Scenario, value: Any) -> Scenario:
    """Heights of the top's braces times `value`."""
    body, factor = scenario.instrument.body, float(value)
    braces = tuple(
        replace(
            brace, height_mm=brace.height_mm * factor, end_height_mm=min(brace.end_height_mm, brace.height_mm * factor)
        )
        for brace in body.top.braces
    )
    fresh = replace(body, top=replace(body.top, braces=braces))
    return replace(scenario, instrument=replace(scenario.instrument, body=fresh))


def braces_before_bridge(scenario: Scenario, value: Any) -> Scenario:
    """Heights of the top's braces before the bridge times `value`."""
    return _top(scenario, braces_before_bridge=scenario.instrument.body.top.braces_before_bridge * float(value))


def braces_behind_bridge(scenario: Scenario, value: Any) -> Scenario:
    """Heights of the top's braces behind the bridge times `value`."""
    return _top(scenario, braces_behind_bridge=scenario.instrument.body.top.braces_behind_bridge * float(value))


def top_thickness(scenario: Scenario, value: Any) -> Scenario:
    """Thickness of the top, mm."""
    return _top(scenario, thickness_mm=float(value))


def top_dome(scenario: Scenario, value: Any) -> Scenario:
    """Radius of the top's dome, mm; 0 is flat."""
    return _top(scenario, dome_radius_mm=float(value))


def _top(scenario: Scenario, **changed: Any) -> Scenario:
    body = scenario.instrument.body
    fresh = replace(body, top=replace(body.top, **changed))
    return replace(scenario, instrument=replace(scenario.instrument, body=fresh))


def heel_fastening(scenario: Scenario, value: Any) -> Scenario:
    """How the neck is held: heel and tongue, each 'bolted', 'glued' or (the tongue) 'free', as in 'bolted/glued'."""
    heel, _, tongue = str(value).partition("/")
    if heel not in ("bolted", "glued") or tongue not in ("bolted", "glued", "free"):
        raise BadInput(f'a neck held "{value}"', "heel and tongue: bolted or glued / bolted, glued or free",
                       mend='"bolted/glued"')  # fmt: skip
    fastened: dict[str, Any] = {"heel": heel, "tongue": tongue}
    joint = replace(scenario.instrument.joint, **fastened)
    return replace(scenario, instrument=replace(scenario.instrument, joint=joint))


def strings_over_top(scenario: Scenario, value: Any) -> Scenario:
    """Height of the strings over the top's face at the body join, mm."""
    strings = replace(scenario.instrument.strings, over_top_at_join_mm=float(value))
    return replace(scenario, instrument=replace(scenario.instrument, strings=strings))


def rod_length(scenario: Scenario, value: Any) -> Scenario:
    """How far from the nut the truss rod reaches, mm."""
    neck = replace(scenario.instrument.neck, rod_length_mm=float(value))
    return replace(scenario, instrument=replace(scenario.instrument, neck=neck))


def scale_length(scenario: Scenario, value: Any) -> Scenario:
    """Scale length, mm, at the same gauges and pitches (a pull that is only stated goes with its square); the saddle,
    the bridge and its plate move with it."""
    instrument, scale = scenario.instrument, float(value)
    strings, bridge = instrument.strings, instrument.body.bridge
    moved = pivot_to_saddle_mm(scale, instrument.body_fret) - pivot_to_saddle_mm(strings.scale_mm, instrument.body_fret)
    pull = None if strings.tension_n is None else strings.tension_n * (scale / strings.scale_mm) ** 2
    fresh = replace(
        bridge,
        front_mm=bridge.front_mm + moved,
        back_mm=bridge.back_mm + moved,
        saddle_mm=bridge.saddle_mm + moved,
        anchor_mm=None if bridge.anchor_mm is None else bridge.anchor_mm + moved,
    )
    body = replace(instrument.body, bridge=fresh)
    strings = replace(strings, scale_mm=scale, tension_n=pull)
    return replace(scenario, instrument=replace(instrument, body=body, strings=strings))


def string_gauge(scenario: Scenario, value: Any) -> Scenario:
    """Every gauge times `value` at the same pitch; a pull that is only stated goes with its square."""
    strings, factor = scenario.instrument.strings, float(value)
    if strings.tension_n is not None:
        fresh = replace(strings, tension_n=strings.tension_n * factor**2)
    else:
        fresh = replace(strings, gauges_in=tuple(gauge * factor for gauge in strings.gauges_in))
    return replace(scenario, instrument=replace(scenario.instrument, strings=fresh))


def string_tension(scenario: Scenario, value: Any) -> Scenario:
    """Total pull in percent of what it is."""
    strings = scenario.instrument.strings
    fresh = replace(strings, tension_n=string_pull_n(strings) * float(value) / 100.0)
    return replace(scenario, instrument=replace(scenario.instrument, strings=fresh))


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
    fresh = replace(spacers, labels=tuple(labels), tapers_mm=tuple(tapers))
    return replace(scenario, instrument=replace(scenario.instrument, spacers=fresh))
