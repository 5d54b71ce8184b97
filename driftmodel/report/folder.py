"""Where a command's files go: a folder that is ours to replace, its files written whole or not at all; and
a report as one HTML page: style and drawings inside, no script, nothing fetched."""

from __future__ import annotations

import os
from collections.abc import Callable, Container, Mapping
from contextlib import suppress
from datetime import UTC, datetime
from importlib.resources import files
from pathlib import Path
from typing import Any

from driftmodel.base import __version__
from driftmodel.base.errors import BadInput, Spot, unwritable
from driftmodel.base.schema import Figure
from driftmodel.base.written import write_file, write_folder
from driftmodel.report import texts
from driftmodel.report.pictures import draw, our_style

REPORT = "report.html"
GENERATOR = '<meta name="generator" content="driftmodel'


def check_folder(out: Path, report: str = REPORT) -> None:
    """Raises BadInput if `out` cannot take a report: a file, unwritable, or holding things but no report of ours.

    report: name of the page by which an earlier report is known."""
    try:
        _check(out, report)
    except (OSError, ValueError) as fault:
        if isinstance(fault, BadInput):
            raise
        raise unwritable(out, fault, "--out my-report") from None


def _check(out: Path, report: str) -> None:
    here = f"--out {out}-2"
    if out.exists() and not out.is_dir():
        raise Spot(out).refusal(f"it is a file. Needed: a folder to write into. Mend: {here}")
    standing = out.absolute()
    while not standing.exists():
        standing = standing.parent
    if not standing.is_dir() or not os.access(standing, os.W_OK | os.X_OK):
        raise Spot(out).refusal(
            f'"{standing}" cannot be written to. Needed: a place you may write to. Mend: --out my-report'
        )
    if out.resolve() == Path.cwd() or out.resolve() in Path.cwd().parents:
        raise Spot(out).refusal(
            "it is the folder you stand in, which a report would replace. Needed: a folder of its own for the report. "
            "Mend: --out my-report"
        )
    others = out.is_dir() and any(path.name != "lost+found" for path in out.iterdir())  # a mount point always has that
    ours = False
    with suppress(OSError):
        ours = others and GENERATOR in (out / report).read_text(encoding="utf-8", errors="replace")[:2000]
    if others and not ours:
        raise Spot(out).refusal(
            "the folder holds files and none of them is a report of this tool. Needed: a new or empty folder, or one "
            f"of an earlier report, which is replaced. Mend: {here}"
        )


def write_files(out_dir: Path, files: Mapping[str, str | bytes]) -> tuple[Path, ...]:
    """Writes files into a folder, made if need be, each whole or not at all; their paths. Raises BadInput if it
    cannot."""
    for name, content in files.items():
        try:
            write_file(out_dir / name, content.encode("utf-8") if isinstance(content, str) else content)
        except (OSError, ValueError) as fault:
            raise unwritable(out_dir / name, fault, "--out my-report") from fault
    return tuple(out_dir / name for name in files)


def write_whole(
    out_dir: Path, fill: Callable[[Path], None], report: str = REPORT, replaced: Container[str] = ()
) -> list[Path]:
    """Has `fill` write into a hidden folder, then puts that in the place of `out_dir`; returns the paths written.

    replaced: names that are never carried over from an earlier report. Raises BadInput as check_folder does."""
    check_folder(out_dir, report)
    try:
        names = write_folder(out_dir.resolve(), fill, report, replaced)
    except OSError as fault:
        raise unwritable(out_dir, fault, "--out my-report") from fault
    return [out_dir / name for name in names]


def made_by(run: str, made: str | None = None) -> str:
    """The last line of a page: what made it and when (now if not told), and the run."""
    return f"driftmodel {__version__}, {made or datetime.now(UTC).strftime('%Y-%m-%dT%H:%MZ')}; {run}."


def write_page(
    folder: Path, report: str, make: Callable[[], Mapping[str, Figure]], told: Mapping[str, object] | None = None,
    name: str = REPORT, **page: Any,
) -> None:  # fmt: skip
    """Writes a report's page, by its template, and a PNG of each of its figures, into a folder that is there. make: the
    figures by their captions' names, made inside our style; told: what stands in braces of these. page: over, title,
    under (lines), mood ('regrade' colours the verdict as a warning, 'leave' as calm), head, lead, facts ((term, text)
    under it), limits, foot, and what the template's own sections tell; files and cautions where they are not the
    report's as they stand."""
    from markupsafe import Markup

    style = files("driftmodel.report").joinpath("report.css").read_text(encoding="utf-8")
    page = {"files": texts.lies_in(report), "cautions": texts.cautions()} | page
    captions = texts.captions(report, **(told or {}))
    drawings = dict.fromkeys(captions, Markup(""))
    with our_style():
        for figure_name, figure in make().items():
            picture, drawing = draw(figure, figure_name, captions)
            drawings[figure_name] = Markup(drawing)
            (folder / f"{figure_name}.png").write_bytes(picture)
    text = texts.markup(
        f"{report}.html", drawings=drawings, captions=captions, style=Markup(style), version=__version__, **page
    )
    (folder / name).write_text(text, encoding="utf-8")
