"""Every key of every file a user writes, from the file models themselves: place, unit, default, limits, meaning."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from importlib import import_module
from typing import TYPE_CHECKING, Any, get_args

from driftmodel.base.errors import BadInput, near_match
from driftmodel.base.key_meanings import CLIMATE, COMMON, FLEET, INSTRUMENT, READINGS, SCENARIO

if TYPE_CHECKING:
    from pydantic import BaseModel

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

#: kind of file -> module and name of its model, meanings of its keys
_HOMES = {
    "instrument": ("driftmodel.base.instrument_file", "InstrumentFile", INSTRUMENT),
    "climate": ("driftmodel.base.climate_file", "ClimateFile", CLIMATE),
    "scenario": ("driftmodel.base.scenario_file", "ScenarioFile", SCENARIO),
    "fleet": ("driftmodel.fleet.fleet_file", "FleetFile", FLEET),
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


def keys_of(model: type[BaseModel], meanings: Mapping[str, str], at: str = "") -> list[Key]:
    """The keys of a file model and of the tables in it, in the file's order."""
    found = []
    for field, info in model.model_fields.items():
        name = info.alias or field
        inner, many = _table(info.annotation)
        place = f"{at}{name}"
        if inner is not None:
            found += keys_of(inner, meanings, f"{place}[]." if many else f"{place}.")
            continue
        default = "needed" if info.is_required() else _shown(info.get_default(call_default_factory=True))
        examples = info.examples or [""]
        unit = "" if default in ("true", "false") else unit_of(name)
        found.append(Key(place, unit, default, _limits(info), str(examples[0]), _meaning(place, meanings)))
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
    module, model, meanings = _HOMES[kind]
    return keys_of(getattr(import_module(module), model), meanings)


def keys_text(kind: str) -> str:
    """The keys of a kind of file for the terminal: a line each, and its meaning under it."""
    lines = [f"Keys of a {kind} file; [] stands for one of many."]
    for key in keys_of_file(kind):
        told = [each for each in (key.unit, "needed" if key.default == "needed" else "", key.limits) if each]
        if key.default not in ("needed", "none"):
            told.append(f"{key.default} if left out")
        lines += [f"{key.place}  ({'; '.join(told)})" if told else key.place, f"    {key.meaning}"]
    return "\n".join(lines)


def _meaning(place: str, meanings: Mapping[str, str]) -> str:
    *tables, name = place.replace("[]", "").split(".")
    known = COMMON | dict(meanings)
    return known.get(f"{tables[-1]}.{name}" if tables else name) or known.get(name, "")


def unit_of(name: str) -> str:
    """The unit a key's name tells, '' for none."""
    fitting = [ending for ending in UNITS if name.endswith(ending)]
    return UNITS[max(fitting, key=len)] if fitting else ""


def _table(annotation: Any) -> tuple[type[BaseModel] | None, bool]:
    """The model of a table and whether it may stand many times; (None, False) for a plain value."""
    from pydantic import BaseModel

    if isinstance(annotation, type) and issubclass(annotation, BaseModel):
        return annotation, False
    for inner in get_args(annotation):
        found, _ = _table(inner)
        if found is not None:
            return found, getattr(annotation, "__origin__", None) in (list, dict, tuple)
    return None, False


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
