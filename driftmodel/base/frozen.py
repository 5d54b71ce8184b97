"""What records are made of so that they pickle, copy, hash and are told shortly: a mapping that stays as it is."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import fields
from typing import Any, NoReturn, TypeVar

Key = TypeVar("Key")
Value = TypeVar("Value", covariant=True)
_LONGEST = 48  # signs of one field in a record's repr


class Frozen(Mapping[Key, Value]):
    """A mapping that cannot be changed. Equal to any mapping that holds the same."""

    __slots__ = ("_held",)
    _held: dict[Key, Value]

    def __init__(self, held: Mapping[Key, Value] | None = None) -> None:
        object.__setattr__(self, "_held", dict(held or {}))

    def __getitem__(self, key: Key) -> Value:
        return self._held[key]

    def __iter__(self) -> Iterator[Key]:
        return iter(self._held)

    def __len__(self) -> int:
        return len(self._held)

    def __or__(self, other: Mapping[Any, Any]) -> dict[Any, Any]:
        return {**self._held, **other}

    def __hash__(self) -> int:
        return hash(frozenset(self._held))

    def __repr__(self) -> str:
        return f"Frozen({self._held!r})"

    def __setattr__(self, name: str, value: Any) -> NoReturn:
        raise AttributeError(f"it is frozen: {name} cannot be set")

    def __reduce__(self) -> tuple[type[Frozen[Any, Any]], tuple[dict[Key, Value]]]:
        return Frozen, (self._held,)


class Record:
    """Base of a frozen dataclass: its mappings are frozen, so that it pickles, copies and hashes, and it is told
    shortly: records in it by name, long lists by their length; a name comes first."""

    def __post_init__(self) -> None:
        for name in self.__dataclass_fields__:  # type: ignore[attr-defined]
            value = getattr(self, name)
            if isinstance(value, Mapping) and not isinstance(value, Frozen):
                object.__setattr__(self, name, Frozen(value))

    def __repr__(self) -> str:
        names = sorted((field.name for field in fields(self)), key=lambda name: name != "name")  # type: ignore[arg-type]
        told = ", ".join(f"{name}={_shortly(getattr(self, name))}" for name in names)
        return f"{type(self).__name__}({told})"


def _shortly(value: Any) -> str:
    if isinstance(value, Record):
        name = getattr(value, "name", None)
        return f"<{type(value).__name__}{f' {name}' if name else ''}>"
    told = repr(value)
    if len(told) <= _LONGEST:
        return told
    if hasattr(value, "shape"):
        return f"<array {value.shape}>"
    if isinstance(value, str):
        return f"{told[: _LONGEST - 4]}...'"
    return f"<{len(value)} in all>" if hasattr(value, "__len__") else f"<{type(value).__name__}>"
