"""A report as one HTML page: style and drawings inside, no script, nothing fetched."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import UTC, datetime
from importlib.resources import files
from pathlib import Path
from typing import TYPE_CHECKING, Any

from driftmodel.base import __version__
from driftmodel.base.types import Figure
from driftmodel.report.folder import REPORT
from driftmodel.report.pictures import draw, our_style
from driftmodel.report.tables import Table
from driftmodel.report.texts import Captions, cautions

if TYPE_CHECKING:
    from collections.abc import Callable


@dataclass(frozen=True)
class Section:
    """head, paragraphs, names of figures, and (name, Table) pairs, in reading order."""

    head: str
    text: tuple[str, ...] = ()
    figures: tuple[str, ...] = ()
    tables: tuple[tuple[str, Table], ...] = ()


@dataclass(frozen=True)
class Page:
    """A report's words. mood: 'regrade' colours the verdict as a warning, 'leave' as calm; facts: (term, text) under
    the verdict; captions: figure -> (title, caption); files: what else lies in the folder; foot: seed and runs."""

    over: str
    title: str
    under: tuple[str, ...]
    mood: str
    head: str
    lead: str
    facts: tuple[tuple[str, str], ...]
    sections: tuple[Section, ...]
    limits: tuple[str, ...]
    captions: Captions
    files: Mapping[str, str]
    foot: str


def write_page(folder: Path, page: Page, figures: Mapping[str, Callable[[], Figure]]) -> None:
    """Writes report.html and a PNG of each figure into a folder that is there. figures: made inside our style."""
    drawings = {}
    with our_style():
        for name, make in figures.items():
            picture, drawings[name] = draw(make(), name, page.captions)
            (folder / f"{name}.png").write_bytes(picture)
    made = datetime.now(UTC).strftime("%Y-%m-%dT%H:%MZ")
    text = render("page.html", page=page, drawings=drawings, cautions=cautions(), version=__version__, made=made)
    (folder / REPORT).write_text(text, encoding="utf-8")


def render(template: str, *, drawings: Mapping[str, str], **given: Any) -> str:
    """A template of this room, with its style and drawings (inline SVG) put in."""
    from jinja2 import Environment, FunctionLoader, StrictUndefined
    from markupsafe import Markup

    room = files("driftmodel.report")

    def source(name: str) -> str:
        return room.joinpath(name).read_text(encoding="utf-8")

    environment = Environment(
        autoescape=True, undefined=StrictUndefined, trim_blocks=True, lstrip_blocks=True, loader=FunctionLoader(source)
    )
    marked = {name: Markup(drawing) for name, drawing in drawings.items()}
    return environment.get_template(template).render(style=Markup(source("report.css")), drawings=marked, **given)
