"""Where a command's files go: a folder that is ours to replace, its files written whole or not at all."""

from __future__ import annotations

import os
import shutil
import tempfile
from collections.abc import Callable, Container
from pathlib import Path

from driftmodel.base.errors import BadInput

REPORT = "report.html"
GENERATOR = '<meta name="generator" content="driftmodel'


def check_folder(out: Path, report: str = REPORT) -> None:
    """Raises BadInput if `out` cannot take a report: a file, unwritable, or holding things but no report of ours.

    report: name of the page by which an earlier report is known."""
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
    if out.is_dir():
        if not os.access(out.absolute().parent, os.W_OK | os.X_OK):
            raise BadInput(
                f'"{out.absolute().parent}" cannot be written to',
                "a place you may write to",
                file=out,
                mend="--out my-report",
            )
        if any(out.iterdir()) and not _is_ours(out, report):
            raise BadInput(
                "the folder holds files and none of them is a report of this tool",
                "a new or empty folder, or one of an earlier report, which is replaced",
                file=out,
                mend=here,
            )


def _is_ours(folder: Path, report: str) -> bool:
    try:
        return GENERATOR in (folder / report).read_text(encoding="utf-8", errors="replace")[:2000]
    except OSError:
        return False


def write_text(out_dir: Path, name: str, text: str) -> Path:
    """Writes one text file as `write_bytes` does."""
    return write_bytes(out_dir, name, text.encode("utf-8"))


def write_bytes(out_dir: Path, name: str, content: bytes) -> Path:
    """Writes one file into a folder, made if need be, whole or not at all; raises BadInput if it cannot."""
    path = out_dir / name
    try:
        out_dir.mkdir(parents=True, exist_ok=True)
        handle, part = tempfile.mkstemp(prefix=f".{name}-", dir=out_dir)
        try:
            with os.fdopen(handle, "wb") as stream:
                stream.write(content)
            _open_to_readers(Path(part), 0o666)
            os.replace(part, path)
        except BaseException:
            Path(part).unlink(missing_ok=True)
            raise
    except OSError as fault:
        raise _unwritable(path, fault) from fault
    return path


def write_whole(
    out_dir: Path, fill: Callable[[Path], None], report: str = REPORT, replaced: Container[str] = ()
) -> list[Path]:
    """Has `fill` write into a temporary folder, then puts that in the place of `out_dir`; returns the paths written.

    replaced: names that are never carried over from an earlier report. Raises BadInput as check_folder does.
    """
    check_folder(out_dir, report)
    target = out_dir.resolve()
    try:
        target.parent.mkdir(parents=True, exist_ok=True)
        with tempfile.TemporaryDirectory(
            prefix=f".{target.name}-", dir=target.parent, ignore_cleanup_errors=True
        ) as at:
            fresh = Path(at) / "new"
            fresh.mkdir()
            fill(fresh)
            names = sorted(path.name for path in fresh.iterdir())
            _put_in_place(fresh, target, Path(at) / "old", replaced)
    except OSError as fault:
        raise _unwritable(out_dir, fault) from fault
    return [out_dir / name for name in names]


def _put_in_place(fresh: Path, target: Path, aside: Path, replaced: Container[str]) -> None:
    if target.exists():
        os.rename(target, aside)
    try:
        for kept in aside.iterdir() if aside.exists() else ():
            if kept.name not in replaced and not (fresh / kept.name).exists():
                _copy(kept, fresh / kept.name)
        os.rename(fresh, target)
    except BaseException:
        if aside.exists() and not target.exists():
            os.rename(aside, target)
        raise


def _copy(kept: Path, to: Path) -> None:
    if kept.is_dir() and not kept.is_symlink():
        shutil.copytree(kept, to, symlinks=True)
    else:
        shutil.copy2(kept, to, follow_symlinks=False)


def _open_to_readers(path: Path, mode: int) -> None:
    """The mode a plain open() would have given, the user's mask taken off."""
    mask = os.umask(0)
    os.umask(mask)
    path.chmod(mode & ~mask)


def _unwritable(path: Path, fault: OSError) -> BadInput:
    return BadInput(
        f"it cannot be written ({fault.strerror or fault})",
        "a place you may write to, with room on the disk",
        file=path,
        mend="--out my-report",
    )
