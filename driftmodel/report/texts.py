"""Fixed text of the reports, kept as data in texts.toml: figure titles and captions, cautions, honest limits, what lies
in each folder, what the words mean."""

from __future__ import annotations

import tomllib
from collections.abc import Mapping
from functools import cache
from importlib.resources import files
from typing import Any

#: figure -> (title, caption). The description read aloud is the title and the caption together
Captions = Mapping[str, tuple[str, str]]


@cache
def fixed() -> dict[str, Any]:
    """All of it, by table and key."""
    return tomllib.loads(files("driftmodel.report").joinpath("texts.toml").read_text(encoding="utf-8"))


def said(name: str) -> Any:
    """A text by its name, or a list of texts."""
    return fixed()["lines"][name]


def filled(name: str, **told: object) -> str:
    """A text by its name; told: what stands in braces."""
    return str(said(name)).format(**told)


def captions(report: str, **told: object) -> Captions:
    """Title and caption of every figure of a report, in its order; told: what stands in braces."""
    return {
        name: (one["title"].format(**told), one["caption"].format(**told))
        for name, one in fixed()["figures"][report].items()
    }


def lies_in(report: str) -> dict[str, str]:
    """What else lies in a report's folder: file -> words."""
    return dict(fixed()["files"][report])


def cautions() -> list[str]:
    """Before any work is done: 'Heat: never leave ...'."""
    return [f"{head}: {words}" for head, words in fixed()["cautions"].items()]


def limits(*names: str) -> list[str]:
    """Honest limits by name, all of them where none is named."""
    known: dict[str, str] = fixed()["limits"]
    return [known[name] for name in names or known]


def definitions(**told: object) -> list[tuple[str, str]]:
    """What each word of a demand forecast means; told: what stands in braces."""
    return [(word, meaning.format(**told)) for word, meaning in fixed()["definitions"].items()]
