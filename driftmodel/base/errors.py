"""The one fault a user can cause, told in one message: where, what came, what is needed, how to mend it."""

from __future__ import annotations

from collections.abc import Iterable
from difflib import get_close_matches
from pathlib import Path


class BadInput(ValueError):
    """Input that cannot be used as it stands.

    came: what was found, in words. needed: what would be accepted. file: the file at fault, if there is one.
    place: the row, line, column or key inside it. mend: the line or action that puts it right.
    The command line prints `str(fault)` and exits 2; nothing else of the program's inside is shown.
    """

    def __init__(
        self, came: str, needed: str, *, file: str | Path | None = None, place: str | None = None, mend: str
    ) -> None:
        self.came, self.needed, self.mend = came, needed, mend
        self.file = None if file is None else str(file)
        self.place = place
        where = ", ".join(part for part in (self.file, place) if part)
        told = came.rstrip(".") + ("" if came.endswith("?") else ".")
        super().__init__(f"{where + ': ' if where else ''}{told} Needed: {needed}. Mend: {mend}")


def near_match(word: str, known: Iterable[str]) -> str:
    """' Did you mean "x"?' for the closest known word, or '' when nothing is close."""
    close = get_close_matches(word, list(known), n=1, cutoff=0.6)
    return f' Did you mean "{close[0]}"?' if close else ""
