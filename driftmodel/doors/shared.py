"""What every command shares: the four options, progress on the terminal, plain printing."""

from __future__ import annotations

import sys
from collections.abc import Callable
from functools import wraps
from pathlib import Path
from typing import Any

import click


def shared_options(command: Callable[..., None]) -> Callable[..., None]:
    """--out, --units, --quiet, --json, the same on every command."""

    @click.option("--out", type=click.Path(path_type=Path), metavar="DIR", help="Folder for the files it writes.")
    @click.option("--units", type=click.Choice(["metric", "inch"]), default="metric", show_default=True)
    @click.option("--quiet", is_flag=True, help="Print nothing but faults.")
    @click.option("--json", "as_json", is_flag=True, help="Print the result as JSON.")
    @wraps(command)
    def with_options(**options: Any) -> None:
        command(**options)

    return with_options


def say(text: str, quiet: bool) -> None:
    if not quiet:
        click.echo(text)


def show_progress(stage: str) -> None:
    click.echo(f"\r\033[K{stage} ...", nl=False, err=True)


def shows_progress(quiet: bool, as_json: bool) -> bool:
    return sys.stderr.isatty() and not quiet and not as_json


def silent(_: str) -> None:
    return


def clear_progress(shown: bool) -> None:
    """Wipe the progress line, where one was shown."""
    if shown:
        click.echo("\r\033[K", nl=False, err=True)
