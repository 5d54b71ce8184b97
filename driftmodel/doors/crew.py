"""Who does the work of many cells: processes of this machine or a scheduler's, and where finished cells are kept."""

from __future__ import annotations

from collections.abc import Callable
from functools import wraps
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from driftmodel.base.errors import BadInput

if TYPE_CHECKING:
    from driftmodel.fleet.run import Crew


def crew_options(command: Callable[..., None]) -> Callable[..., None]:
    """--workers, --scheduler and --keep."""

    @click.option(
        "--workers", type=click.IntRange(1, 256), default=1, show_default=True, help="Processes on this machine."
    )
    @click.option("--scheduler", metavar="ADDRESS", help="A running dask scheduler, such as tcp://10.0.0.5:8786.")
    @click.option(
        "--keep",
        type=click.Path(path_type=Path),
        metavar="DIR",
        help="Where finished cells are kept; with --scheduler, a folder its workers reach.",
    )
    @wraps(command)
    def with_options(**options: Any) -> None:
        command(**options)

    return with_options


def crew_of(workers: int, scheduler: str | None, keep: Path | None) -> Crew:
    """The crew of these options. Raises BadInput for a --keep that cannot be written."""
    from tempfile import TemporaryFile

    from driftmodel.base.keeping import cache_folder
    from driftmodel.fleet.run import Crew

    if scheduler is not None and keep is None:
        return Crew(workers, scheduler, None)  # workers elsewhere may not reach this machine's cache
    folder = keep or cache_folder() / "cells"
    try:
        folder.mkdir(parents=True, exist_ok=True)
        with TemporaryFile(dir=folder):
            pass
    except OSError as fault:
        if keep is not None:
            raise BadInput(
                f"it cannot be written ({fault.strerror or fault})", "a folder you may write to", file=keep,
                place="--keep", mend="--keep my-cells",
            ) from None  # fmt: skip
        return Crew(workers, scheduler, None)  # a cache that cannot be written is done without
    return Crew(workers, scheduler, folder)
