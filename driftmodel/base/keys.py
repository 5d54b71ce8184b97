"""Every key of every file a user writes, from the file models themselves: place, unit, default, limits, meaning."""

from __future__ import annotations

from dataclasses import dataclass
from importlib import import_module
from typing import Any

from driftmodel.base.errors import BadInput, near_match
from driftmodel.base.file_models import keys_in, table_in

#: how a key's name tells its unit; the longest ending that fits counts
UNITS = {
    "_mm": "mm (or _in)",
    "_degc": "°C (or _degf)",
    "_n": "N (or _lbf)",
    "_in": "inch",
    "_deg": "degree",
    "_pct": "%",
    "_k": "K",
    "_m3": "m³",
    "_g_m3": "g/m³",
    "_kg_per_day": "kg a day",
    "_l_per_day": "litre a day",
    "_per_hour": "an hour",
    "_per_thousand": "per 1,000 a year",
    "_days": "day",
    "_hours": "hour",
    "_months": "month",
    "_years": "year",
}

#: columns of a readings file
READINGS = {
    "date": "day of the reading or the work",
    "hour": "hour of the reading, such as 14:30, where it was written down",
    "what": "what was read: action, action bass, action treble, relief, projection, neck angle, sinkage, weight",
    "value": "the reading, with its unit here or in the column's name",
    "unit": "unit of the value, where neither says it",
    "tool": "what it was read with",
    "uncertainty": "one standard deviation, in place of the tool's",
    "temperature": "of the bench, °C",
    "relative_humidity": "of the bench, %",
    "hours_at_bench": "hours it had lain there",
    "spacer": "label then in the joint",
    "strings": "on or off",
    "work": "work done then, in a bench's words: saddle -0.3 mm, spacer K",
    "note": "anything else",
}

#: kind of file -> module and name of its model
_HOMES = {
    "instrument": ("driftmodel.base.build", "InstrumentFile"),
    "climate": ("driftmodel.base.climate_file", "ClimateFile"),
    "scenario": ("driftmodel.base.scenario_file", "ScenarioFile"),
    "fleet": ("driftmodel.fleet.fleet_file", "FleetFile"),
}
KINDS = (*_HOMES, "readings")


@dataclass(frozen=True)
class Key:
    """place: 'setup.action_12th_mm'; default: as it is written, 'needed' where there is none; limits: in words."""

    place: str
    unit: str
    default: str
    limits: str
    example: str
    meaning: str


def keys_of(model: type, at: str = "") -> list[Key]:
    """The keys of a file model and of the tables in it, in the file's order."""
    found = []
    for name, info in keys_in(model).items():
        inner, many = table_in(info.annotation)
        place = f"{at}{name}"
        if inner is not None:
            found += keys_of(inner, f"{place}[]." if many else f"{place}.")
            continue
        default = "needed" if info.is_required() else _shown(info.get_default(call_default_factory=True))
        examples = info.examples or [""]
        unit = "" if default in ("true", "false") else unit_of(name)
        found.append(Key(place, unit, default, _limits(info), str(examples[0]), info.description or ""))
    return found


def keys_of_readings() -> list[Key]:
    """The columns of a readings file."""
    needed = ("date", "what", "value")
    return [Key(name, "", "needed" if name in needed else "none", "", "", words) for name, words in READINGS.items()]


def keys_of_file(kind: str) -> list[Key]:
    """The keys of a kind of file: one of KINDS. Raises BadInput for another."""
    if kind not in KINDS:
        raise BadInput(f'there is no file called "{kind}".{near_match(kind, KINDS)}', "one of " + ", ".join(KINDS),
                       mend=f"driftmodel keys {KINDS[0]}")  # fmt: skip
    if kind == "readings":
        return keys_of_readings()
    module, model = _HOMES[kind]
    return keys_of(getattr(import_module(module), model))


def keys_text(kind: str) -> str:
    """The keys of a kind of file for the terminal: a line each, and its meaning under it."""
    lines = [f"Keys of a {kind} file; [] stands for one of many."]
    for key in keys_of_file(kind):
        told = [each for each in (key.unit, "needed" if key.default == "needed" else "", key.limits) if each]
        if key.default not in ("needed", "none"):
            told.append(f"{key.default} if left out")
        lines += [f"{key.place}  ({'; '.join(told)})" if told else key.place, f"    {key.meaning}"]
    return "\n".join(lines)


def unit_of(name: str) -> str:
    """The unit a key's name tells, '' for none."""
    fitting = [ending for ending in UNITS if name.endswith(ending)]
    return UNITS[max(fitting, key=len)] if fitting else ""


def _shown(value: Any) -> str:
    if value is None or value in ("", [], (), {}):
        return "none"
    return ("true" if value else "false") if isinstance(value, bool) else str(value)


def _limits(info: Any) -> str:
    words = {"gt": "above", "ge": "at least", "lt": "below", "le": "at most"}
    told = []
    for part in info.metadata:
        for name, word in words.items():
            if (bound := getattr(part, name, None)) is not None:
                told.append(f"{word} {bound:g}" if isinstance(bound, int | float) else f"{word} {bound}")
    return ", ".join(told)
