"""What every file model is: strict, extra keys forbidden, only at the file edge, an example line with every key."""

from __future__ import annotations

from dataclasses import MISSING, fields
from typing import Any, TypeVar

from pydantic import BaseModel, ConfigDict, Field
from pydantic_core import PydanticCustomError

from driftmodel.base.limits import FIRST_DAY, LAST_DAY

Noun = TypeVar("Noun")
#: how a quantity ends in a file and in a record
_SPELT = {"_degc": "_c", "_sd_k": "_sd_c"}


def over_keys(came: str, needed: str, key: str, mend: str) -> PydanticCustomError:
    """A fault of several keys together: what came, what is needed, the key it is shown at ('setup.spacer',
    'stay.0.from') and the line that mends it."""
    return PydanticCustomError("over_keys", "{needed}", {"came": came, "needed": needed, "key": key, "mend": mend})


class FileModel(BaseModel):
    model_config = ConfigDict(strict=True, extra="forbid", frozen=True, allow_inf_nan=False)


def record_of(noun: type[Noun], data: FileModel, **told: Any) -> Noun:
    """The frozen record of what a file says: fields by name, lists as tuples, what is left out as the record has it;
    `told` in place of these. Keys of the file that are no field of the record are the caller's."""
    known = {_inside(name): getattr(data, name) for name in type(data).model_fields}
    said = {}
    for one in fields(noun):  # type: ignore[arg-type]
        value = known.get(one.name)
        if value is not None or (one.name in known and one.default is MISSING and one.default_factory is MISSING):
            said[one.name] = _frozen(value)
    return noun(**said | told)


def _inside(name: str) -> str:
    """A file's key as a record has it."""
    ending = next((ending for ending in _SPELT if name.endswith(ending)), "")
    return name.removesuffix(ending) + _SPELT.get(ending, "")


def _frozen(value: Any) -> Any:
    if isinstance(value, dict):
        return tuple(value.items())
    return tuple(map(_frozen, value)) if isinstance(value, list) else value


def key(example: str, default: Any = ..., **limits: Any) -> Any:
    """A key of the file, with an example value for the message that mends it; limits as pydantic's Field takes them."""
    return Field(default, examples=[example], **limits)


def day(example: str, default: Any = ..., **limits: Any) -> Any:
    """A key that holds a date that can be reckoned with."""
    return key(example, default, ge=FIRST_DAY, le=LAST_DAY, **limits)


def length(example: str, most: float = 2000.0) -> Any:
    """A key that holds a length in mm, above 0 and no more than `most`."""
    return key(example, gt=0, le=most)
