"""What every file model is: strict, extra keys forbidden, only at the file edge; each key with an example line that
mends it and its meaning in words.

A record that says what a table of a file says is both: a `Noun`, whose fields are told with `key`. Files are read
through `validated` of `tomlfile`; within the program a Noun is a frozen record like any other."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import MISSING, dataclass, fields
from functools import cache
from importlib import import_module
from typing import Annotated, Any, Self, TypeVar, get_args, get_type_hints

from pydantic import BaseModel, ConfigDict, Field, model_validator
from pydantic.fields import FieldInfo
from pydantic_core import CoreSchema, PydanticCustomError, core_schema

from driftmodel.base.errors import near_match, refusal
from driftmodel.base.schema import FIRST_DAY, LAST_DAY, Record


class _Pair:
    """Two numbers; anything else is told as one fault, not as one of each number."""

    def __get_pydantic_core_schema__(self, source: Any, handler: Any) -> CoreSchema:
        return core_schema.custom_error_schema(
            handler(source), "pair", custom_error_message="points of the form [x, y]"
        )


class _Table:
    """A table of names and values, kept as pairs."""

    def __get_pydantic_core_schema__(self, source: Any, handler: Any) -> CoreSchema:
        value = handler(get_args(get_args(source)[0])[1])
        table = core_schema.dict_schema(core_schema.str_schema(), value)
        return core_schema.no_info_after_validator_function(lambda told: tuple(told.items()), table)


Point = Annotated[tuple[float, float], _Pair()]
Value = TypeVar("Value")
Pairs = Annotated[tuple[tuple[str, Value], ...], _Table()]
Model = TypeVar("Model")
#: how a quantity ends in a file and in a record
_SPELT = {"_degc": "_c", "_sd_k": "_sd_c"}
#: meanings that many files share
TITLE, INVENTED = "a few words that name it in reports", "true where nobody owns it"
SEED, YEARS_AHEAD = "number that fixes the draws", "years looked ahead from set-up"


#: faults of several keys of a table together: the key each is shown at ('setup.spacer', 'stay.0.from'), and its message
#: as `Spot.refusal` takes it
Faults = Iterator[tuple[str, str]]


def over_keys(key: str, told: str) -> PydanticCustomError:
    """A fault of several keys as pydantic raises it."""
    fault = refusal(told)
    facts = {"came": fault.came, "needed": fault.needed, "key": key, "mend": fault.mend}
    return PydanticCustomError("over_keys", "{needed}", facts)


class _Agreeing:
    """A table that is refused for the first of its faults."""

    def faults(self) -> Faults:
        return iter(())

    @model_validator(mode="after")
    def _agrees(self) -> Self:
        for key, told in self.faults():
            raise over_keys(key, told)
        return self


_STRICT = ConfigDict(strict=True, extra="forbid", frozen=True, allow_inf_nan=False)


class FileModel(_Agreeing, BaseModel):
    model_config = _STRICT


class Noun(_Agreeing, Record):
    """Base of a frozen dataclass that is a table of a file and a record at once."""

    __pydantic_config__ = _STRICT


@cache
def keys_in(model: type) -> dict[str, FieldInfo]:
    """The keys of a file model or Noun, as they stand in a file, with type, default, limits, example, meaning."""
    if issubclass(model, BaseModel):
        return {info.alias or name: info for name, info in model.model_fields.items()}
    hints = get_type_hints(model, include_extras=True)
    told = {}
    for field in fields(model):  # type: ignore[arg-type]
        info = FieldInfo.from_annotation(hints[field.name])
        info.default = info.default if field.default is MISSING else field.default
        told[info.alias or field.name] = info
    return told


def table_in(annotation: Any) -> tuple[type | None, bool]:
    """The file model or Noun of a table and whether it may stand many times; (None, False) for a plain value."""
    if isinstance(annotation, type) and issubclass(annotation, FileModel | Noun):
        return annotation, False
    for inner in get_args(annotation):
        found, _ = table_in(inner)
        if found is not None:
            return found, getattr(annotation, "__origin__", None) in (list, dict, tuple)
    return None, False


def record_of(noun: type[Model], data: FileModel | Noun, **told: Any) -> Model:
    """The frozen record of what a file says: fields by name, lists as tuples, what is left out as the record has it;
    `told` in place of these. Keys of the file that are no field of the record are the caller's."""
    names = type(data).model_fields if isinstance(data, FileModel) else [one.name for one in fields(data)]  # type: ignore[arg-type]
    known = {_inside(name): getattr(data, name) for name in names}
    said = {}
    for one in fields(noun):  # type: ignore[arg-type]
        value = known.get(one.name)
        if value is not None or (one.name in known and one.default is MISSING and one.default_factory is MISSING):
            said[one.name] = _frozen(value)
    return noun(**said | told)


def table_of(record: Noun, model: type[Noun] | None = None) -> dict[str, Any]:
    """What a record says as the table of a file (of another model, where the record knows more than a file says): what
    is not as it would be if left out, tables in it and pairs as tables."""
    told = {}
    for field, (name, info) in zip(fields(model or type(record)), keys_in(model or type(record)).items(), strict=True):  # type: ignore[arg-type]
        value = getattr(record, field.name)
        if info.is_required() or value != info.default:
            pairs = isinstance(value, tuple) and bool(value) and isinstance(value[0], tuple)
            told[name] = table_of(value) if isinstance(value, Noun) else dict(value) if pairs else value
    return told


def _inside(name: str) -> str:
    """A file's key as a record has it."""
    ending = next((ending for ending in _SPELT if name.endswith(ending)), "")
    return name.removesuffix(ending) + _SPELT.get(ending, "")


def _frozen(value: Any) -> Any:
    if isinstance(value, dict):
        return tuple(value.items())
    return tuple(map(_frozen, value)) if isinstance(value, list) else value


def key(example: str, words: str = "", default: Any = ..., **limits: Any) -> Any:
    """A key of the file: an example value for the message that mends it, its meaning, limits as pydantic's Field."""
    return Field(default, examples=[example], description=words, **limits)


def day(example: str, words: str = "", default: Any = ..., **limits: Any) -> Any:
    """A key that holds a date that can be reckoned with."""
    return key(example, words, default, ge=FIRST_DAY, le=LAST_DAY, **limits)


def length(example: str, words: str, most: float = 2000.0) -> Any:
    """A key that holds a length in mm, above 0 and no more than `most`."""
    return key(example, words, gt=0, le=most)


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


def keys_of_file(kind: str) -> list[Key]:
    """The keys of a kind of file: one of KINDS. Raises BadInput for another."""
    if kind not in KINDS:
        raise refusal(
            f'there is no file called "{kind}".{near_match(kind, KINDS)} Needed: one of '
            f"{', '.join(KINDS)}. Mend: driftmodel keys {KINDS[0]}"
        )
    if kind == "readings":
        needed = ("date", "what", "value")
        return [Key(name, "", "needed" if name in needed else "none", "", "", told) for name, told in READINGS.items()]
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
