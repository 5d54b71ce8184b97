"""Where a command's files go: a folder that is ours to replace, its files written whole or not at all."""

from __future__ import annotations

import os
from collections.abc import Callable, Container, Mapping
from pathlib import Path

from driftmodel.base.errors import BadInput, unwritable
from driftmodel.base.written import write_file, write_folder

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
        raise BadInput("it is a file", "a folder to write into", file=out, mend=here)
    standing = out.absolute()
    while not standing.exists():
        standing = standing.parent
    if not standing.is_dir() or not os.access(standing, os.W_OK | os.X_OK):
        raise BadInput(
            f'"{standing}" cannot be written to', "a place you may write to", file=out, mend="--out my-report"
        )
    if out.resolve() == Path.cwd() or out.resolve() in Path.cwd().parents:
        raise BadInput(
            "it is the folder you stand in, which a report would replace",
            "a folder of its own for the report",
            file=out,
            mend="--out my-report",
        )
    if out.is_dir() and _others(out) and not _is_ours(out, report):
        raise BadInput(
            "the folder holds files and none of them is a report of this tool",
            "a new or empty folder, or one of an earlier report, which is replaced",
            file=out,
            mend=here,
        )


def _others(folder: Path) -> bool:
    """True for a folder that holds more than a mount point always does."""
    return any(path.name != "lost+found" for path in folder.iterdir())


def _is_ours(folder: Path, report: str) -> bool:
    try:
        return GENERATOR in (folder / report).read_text(encoding="utf-8", errors="replace")[:2000]
    except OSError:
        return False


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

    replaced: names that are never carried over from an earlier report. Raises BadInput as check_folder does.
    """
    check_folder(out_dir, report)
    try:
        names = write_folder(out_dir.resolve(), fill, report, replaced)
    except OSError as fault:
        raise unwritable(out_dir, fault, "--out my-report") from fault
    return [out_dir / name for name in names]
