"""TOML files at the door: read, find the line of a fault, bring every length and temperature to one unit."""

from __future__ import annotations

import json
import re
import tomllib
from collections.abc import Callable, Mapping
from datetime import date
from functools import cache
from pathlib import Path
from typing import Any, TypeVar, cast

from pydantic import TypeAdapter, ValidationError

from driftmodel.base.errors import BadInput, Spot, near_match
from driftmodel.base.file_models import FileModel, Noun, keys_in, table_in
from driftmodel.base.opened import MOST_TOML_MB, parsed_toml, text_of
from driftmodel.base.units import MM_PER_INCH, NEWTON_PER_POUND_FORCE, fahrenheit_to_celsius

Path_ = tuple[str | int, ...]
Model = TypeVar("Model", bound=FileModel | Noun)
#: what pydantic calls a key that nobody knows, in a file model and in a record
_UNKNOWN = ("extra_forbidden", "unexpected_keyword_argument")

#: file suffix -> (suffix inside, conversion); the one place where inch, degF and pound-force enter
_CONVERSIONS = {
    "_in": ("_mm", lambda value: value * MM_PER_INCH),
    "_degf": ("_degc", fahrenheit_to_celsius),
    "_lbf": ("_n", lambda value: value * NEWTON_PER_POUND_FORCE),
    "_thou": ("_mm", lambda value: value * MM_PER_INCH / 1000.0),
}
#: what pydantic needs, in the words of a file
_PLAINLY = {"an object": "a table", "a valid array": "a list", "String should have at least 1 character": "some words"}
#: each line sought costs a reading of all lines before it
MOST_LINES_SOUGHT = 2000
_KEPT = {"gauges_in"}  # string gauges are inches in the whole trade (common practice, no source)


def read_toml(path: Path) -> tuple[dict[str, Any], str]:
    """Content and text of a TOML file. Raises BadInput when it cannot be read, naming the line."""
    text = text_of(path, "an existing TOML file", mend="check the path", most_mb=MOST_TOML_MB)
    return parsed_toml(text, path), text


def toml_text(tree: Mapping[str, Any], at: str = "") -> str:
    """Tables as the text of a TOML file: first what is plain, then tables and lists of tables. None is left out."""
    plain, below = "", ""
    for key, value in tree.items():
        if isinstance(value, dict):
            below += f"\n[{at}{key}]\n{toml_text(value, f'{at}{key}.')}"
        elif isinstance(value, list) and value and isinstance(value[0], dict):
            below += "".join(f"\n[[{at}{key}]]\n{toml_text(one, f'{at}{key}.')}" for one in value)
        elif value is not None:
            plain += f"{key} = {_written(value)}\n"
    return plain + below


def _written(value: Any) -> str:
    if isinstance(value, list | tuple):
        return f"[{', '.join(map(_written, value))}]"
    return str(value) if isinstance(value, date) else json.dumps(value, ensure_ascii=False)


def line_of(text: str, path: Path_) -> int | None:
    """Number of the line where the value at `path` is complete: the shortest prefix that parses and holds it.

    None where none does, or the file is so long that looking for it would take minutes."""
    lines = text.splitlines(keepends=True)
    if len(lines) > MOST_LINES_SOUGHT:
        return None
    for count in range(1, len(lines) + 1):
        try:
            tree: Any = tomllib.loads("".join(lines[:count]))
            for step in path:
                tree = tree[step]
        except (ValueError, KeyError, IndexError, TypeError):
            continue
        return count
    return None


def to_inside_units(tree: Any, file: Path, text: str, at: Path_ = ()) -> Any:
    """The same tree with every *_in, *_degf, *_lbf value converted to *_mm, *_degc, *_n.

    Raises BadInput when one quantity is given twice, or is not a number."""
    if isinstance(tree, list):
        return [to_inside_units(item, file, text, (*at, index)) for index, item in enumerate(tree)]
    if not isinstance(tree, dict):
        return tree
    inside: dict[str, Any] = {}
    for key, value in tree.items():
        suffix = next((s for s in _CONVERSIONS if key.endswith(s) and key not in _KEPT), None)
        if suffix is None:
            inside[key] = to_inside_units(value, file, text, (*at, key))
            continue
        ending, convert = _CONVERSIONS[suffix]
        twin = key.removesuffix(suffix) + ending
        if twin in tree:
            raise Spot(file, place_words(text, (*at, key))).refusal(
                f"both `{key}` and `{twin}` are given. Needed: one of the two. Mend: delete the line `{key} = ...`"
            )
        inside[twin] = _converted(value, convert)
    return inside


def _converted(value: Any, convert: Any) -> Any:
    if isinstance(value, list):
        return [_converted(item, convert) for item in value]
    if isinstance(value, dict):
        return {key: _converted(item, convert) for key, item in value.items()}
    return convert(value) if isinstance(value, int | float) and not isinstance(value, bool) else value


def place_words(text: str, path: Path_) -> str:
    """'line 12, key `rule.days_outside`' for a message; list places count from 1."""
    key = "".join(f" no. {step + 1}" if isinstance(step, int) else f".{step}" for step in path).lstrip(".")
    line = line_of(text, path)
    return f"line {line}, key `{key}`" if line else f"key `{key}`"


@cache
def _adapter(model: type) -> TypeAdapter[Any]:
    return TypeAdapter(model)


def validated(
    model: type[Model], file: Path, fill: Callable[[dict[str, Any]], dict[str, Any]] = lambda tree: tree
) -> tuple[Model, dict[str, Any]]:
    """The file's content as `model`, and as read. fill: what is put under or into its tables, in inside units, before
    they are looked at; the whole is then what was read. Raises BadInput on the first fault, counting the others."""
    tree, text = read_toml(file)
    whole = fill(to_inside_units(tree, file, text))
    try:
        # as JSON, since there a strict table is a record and a strict list a tuple
        told: Model = _adapter(cast(type, model)).validate_json(json.dumps(whole, default=str))
        return told, whole
    except ValidationError as fault:
        # a mistyped key is also a missing one: name the mistyping first
        faults = sorted(fault.errors(include_url=False), key=lambda found: found["type"] not in _UNKNOWN)
        raise _as_bad_input(model, file, text, tree, faults[0], len(faults) - 1) from None


def _as_bad_input(model: type, file: Path, text: str, tree: Any, fault: Any, others: int) -> BadInput:
    path = tuple(fault["loc"])
    if fault["type"] == "over_keys":
        told = fault["ctx"]
        own: list[str | int] = list(path)
        for step in told["key"].split("."):
            inside = _at(tree, tuple(own))
            own.append(int(step) if isinstance(inside, list) else step)
        place = place_words(text, _as_written(tree, tuple(own)))
        return Spot(file, place).refusal(f"{told['came']}. Needed: {told['needed']}. Mend: {told['mend']}")
    owner, field = _owner(model, path)
    known = sorted(keys_in(owner)) if owner else []
    example = _example(owner, field)
    more = (
        f" (the file has {others} more fault{'s' if others > 1 else ''}, shown once this is mended)" if others else ""
    )
    written = _as_written(tree, path)
    place = place_words(text, written)
    if fault["type"] in _UNKNOWN:
        return Spot(file, place).refusal(
            f"unknown key `{field}`.{near_match(str(field), known)} Needed: one of {', '.join(known)}. "
            f"Mend: rename or delete the line `{field} = ...`{more}"
        )
    if fault["type"] == "missing":
        table = ".".join(str(step) for step in path[:-1] if not isinstance(step, int)) or "the top of the file"
        return Spot(file, place).refusal(
            f"the key `{field}` is missing in {table}. Needed: a value for `{field}`. "
            f"Mend: add the line  {example}{more}"
        )
    came = fault["input"]
    shown = repr(came) if len(repr(came)) < 60 else f"a {type(came).__name__}"
    needed = re.sub("^(Value error, |(List|Tuple) should have )|Input should be | after validation", "", fault["msg"])
    needed = _PLAINLY.get(needed, needed)
    return Spot(file, place).refusal(f"{shown}. Needed: {needed}{more}. Mend: for example  {example}")


def _at(tree: Any, path: Path_) -> Any:
    for step in path:
        try:
            tree = tree[step]
        except (KeyError, IndexError, TypeError):
            return None
    return tree


def _as_written(tree: Any, path: Path_) -> Path_:
    """The path with the suffixes the user wrote (thickness_in, not thickness_mm)."""
    written: list[str | int] = []
    for step in path:
        if isinstance(tree, dict) and step not in tree and isinstance(step, str):
            for outside, (inside, _) in _CONVERSIONS.items():
                if step.endswith(inside) and step.removesuffix(inside) + outside in tree:
                    step = step.removesuffix(inside) + outside
        try:
            tree = tree[step]
        except (KeyError, IndexError, TypeError):
            tree = None
        written.append(step)
    return tuple(written)


def _owner(model: type, path: Path_) -> tuple[type | None, str]:
    """The model that holds the last named key of a fault's path, and that key."""
    owner: type | None = model
    names = [step for step in path if isinstance(step, str)]
    field = names[-1] if names else "?"
    for name in names[:-1]:
        info = keys_in(owner).get(name) if owner else None
        owner = table_in(info.annotation)[0] if info else owner
    return owner, field


def _example(owner: type | None, field: str) -> str:
    info = keys_in(owner).get(field) if owner else None
    examples = info.examples if info and info.examples else None
    if not info or not examples:
        return f"{field} = ..."
    if examples[0].lstrip("[").startswith(field):
        return str(examples[0])  # a table, in its brackets
    words = "" if "  # " in examples[0] or not info.description else f"  # {info.description}"
    return f"{field} = {examples[0]}{words}"
