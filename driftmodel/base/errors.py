"""The one fault a user can cause, told in one message: where, what came, what is needed, how to mend it."""

from __future__ import annotations

import re
from collections.abc import Iterable
from dataclasses import dataclass
from datetime import date
from difflib import get_close_matches
from functools import partial
from numbers import Integral
from pathlib import Path
from typing import Any

from driftmodel.base.schema import FIRST_DAY, LAST_DAY

#: of each part of a message (lists of known names are the longest that are meant)
MOST_SHOWN = 2000
#: known names told as perhaps meant
MOST_NEAR = 3


class BadInput(ValueError):
    """Input that cannot be used as it stands.

    came: what was found, in words. needed: what would be accepted. file: the file at fault, if there is one.
    place: the row, line, column or key inside it. mend: the line or action that puts it right.
    The command line prints `str(fault)` and exits 2; nothing else of the program's inside is shown."""

    def __init__(
        self, came: str, needed: str, *, file: str | Path | None = None, place: str | None = None, mend: str
    ) -> None:
        self.came, self.needed, self.mend = one_line(came), one_line(needed), one_line(mend)
        self.file = None if file is None else one_line(str(file))
        self.place = None if place is None else one_line(place)
        where = ", ".join(part for part in (self.file, self.place) if part)
        told = self.came.rstrip(".") + ("" if self.came.endswith("?") else ".")
        super().__init__(f"{where + ': ' if where else ''}{told} Needed: {self.needed}. Mend: {self.mend}")

    def at(self, file: str | Path | None = None, place: str | None = None, mend: str | None = None) -> BadInput:
        """The same fault told of another file or place, or with another mend."""
        return BadInput(self.came, self.needed, file=file, place=place, mend=mend or self.mend)

    def __reduce__(self) -> Any:
        """So that a worker's reaches its caller."""
        return partial(type(self), file=self.file, place=self.place, mend=self.mend), (self.came, self.needed)


@dataclass(frozen=True)
class Spot:
    """Where a fault is: a file, and the row, line, column or key in it."""

    file: str | Path | None = None
    place: str | None = None

    def refusal(self, told: str) -> BadInput:
        """The fault of a message written as it is read: `came. Needed: needed. Mend: mend`."""
        came, then = re.split(r"(?<=[.?]) Needed: ", told, maxsplit=1)  # a user's own " Needed: " ends no sentence
        needed, _, mend = then.partition(". Mend: ")
        return BadInput(came.removesuffix("."), needed, file=self.file, place=self.place, mend=mend)


#: the fault of a message, where no file or place is at fault
refusal = Spot().refusal


def unwritable(path: str | Path, fault: Exception, mend: str, place: str | None = None) -> BadInput:
    """A file or folder that the system does not let be written."""
    came = f"it cannot be written ({getattr(fault, 'strerror', None) or fault})"
    return BadInput(came, "a place you may write to, with room on the disk", file=path, place=place, mend=mend)


def one_line(words: str) -> str:
    """Words out of a user's file, fit for a terminal: no control signs, the middle of an endless text left out."""
    plain = "".join(
        sign if sign.isprintable() else " " if sign == "\n" else repr(sign)[1:-1] for sign in _middle_out(words)
    )
    return _middle_out(plain)


def _middle_out(words: str) -> str:
    half = MOST_SHOWN // 2
    return words if len(words) <= MOST_SHOWN else f"{words[:half]} ... {words[-half:]}"


def near_match(word: str, known: Iterable[str]) -> str:
    """' Did you mean "x" or "y"?' for the nearest known words, or '' when nothing is near."""
    near = [f'"{one}"' for one in near_matches(word, known)]
    return f" Did you mean {', '.join(near[:-1]) + ' or ' if near[1:] else ''}{near[-1]}?" if near else ""


def near_matches(word: str, known: Iterable[str]) -> list[str]:
    """The known words nearest to a word, nearest first: those that hold it or one of whose words it begins or ends
    (`cedar`: western redcedar; `nitro`: nitrocellulose lacquer), in the order known; else the one closest by
    spelling."""
    listed = list(known)
    plain = word.casefold().replace("_", " ").strip()
    if len(plain) >= 4:
        holding = [one for one in listed if _holds(one.casefold(), plain)]
        if holding:
            return holding[:MOST_NEAR]
    return get_close_matches(word, listed, n=1, cutoff=0.6)


def _holds(known: str, plain: str) -> bool:
    return plain in known and any(part.startswith(plain) or part.endswith(plain) for part in (known, *known.split()))


def day_told(words: str, option: str, mend: str) -> date:
    """A day as year-month-day. Raises BadInput for anything else, and for one that cannot be reckoned with."""
    try:
        day = date.fromisoformat(words)
    except ValueError:
        raise BadInput(
            f'"{words}" is not a day', "a day as year-month-day", place=option, mend=f"{option} {mend}"
        ) from None
    if not FIRST_DAY <= day <= LAST_DAY:
        raise BadInput(f'"{words}"', f"a day from {FIRST_DAY} to {LAST_DAY}", place=option, mend=f"{option} {mend}")
    return day


def whole_number(name: str, value: object, least: int, usual: int, most: int | None = None) -> None:
    """Raises BadInput where an argument is no whole number from `least` to `most`; usual: the mend."""
    number = int(value) if isinstance(value, Integral) and not isinstance(value, bool) else least - 1
    if number < least or (most is not None and number > most):
        needed = f"a whole number, {least} or more" if most is None else f"a whole number from {least} to {most}"
        raise BadInput(f"{name} is {value!r}", needed, place=name, mend=f"{name}={usual}")
