"""The one fault a user can cause, told in one message: where, what came, what is needed, how to mend it."""

from __future__ import annotations

from collections.abc import Iterable
from difflib import get_close_matches
from pathlib import Path

#: of each part of a message (lists of known names are the longest that are meant)
MOST_SHOWN = 2000


class BadInput(ValueError):
    """Input that cannot be used as it stands.

    came: what was found, in words. needed: what would be accepted. file: the file at fault, if there is one.
    place: the row, line, column or key inside it. mend: the line or action that puts it right.
    The command line prints `str(fault)` and exits 2; nothing else of the program's inside is shown.
    """

    def __init__(
        self, came: str, needed: str, *, file: str | Path | None = None, place: str | None = None, mend: str
    ) -> None:
        self.came, self.needed, self.mend = one_line(came), one_line(needed), one_line(mend)
        self.file = None if file is None else one_line(str(file))
        self.place = None if place is None else one_line(place)
        where = ", ".join(part for part in (self.file, self.place) if part)
        told = self.came.rstrip(".") + ("" if self.came.endswith("?") else ".")
        super().__init__(f"{where + ': ' if where else ''}{told} Needed: {self.needed}. Mend: {self.mend}")


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
    """' Did you mean "x"?' for the closest known word, or '' when nothing is close."""
    close = get_close_matches(word, list(known), n=1, cutoff=0.6)
    return f' Did you mean "{close[0]}"?' if close else ""
