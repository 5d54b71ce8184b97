"""What every command shares: the four options, progress on the terminal, plain printing."""

from __future__ import annotations

import re
import sys
from collections.abc import Callable
from functools import wraps
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from driftmodel.base.errors import BadInput
from driftmodel.base.limits import FIRST_DAY, LAST_DAY, MOST_SEED

if TYPE_CHECKING:
    from datetime import date

    from driftmodel.record.case import Case


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


def ensemble_options(command: Callable[..., None]) -> Callable[..., None]:
    """--draws, --seed, --what-if and --date of a command that runs one scenario."""
    seed = click.option(
        "--seed", type=click.IntRange(0, MOST_SEED), help="Seed of the draws; the scenario's own if not given."
    )
    draws = click.option(
        "--draws", type=click.IntRange(10, 20000), help="Number of draws; the scenario's own if not given."
    )
    return draws(seed(what_if_option(as_of_option(command))))


as_of_option = click.option(
    "--date", "when", metavar="DATE", help="Day the years ahead count from; for a record today if not given."
)
what_if_option = click.option(
    "--what-if", metavar="LEVER=VALUE", help="Move a lever first, several with commas; compare --levers lists them."
)


def case_named(name: str, what_if: str | None = None, when: str | None = None) -> Case:
    """The scenario of this name or path, or the record in this folder as of a day, with the levers of --what-if
    moved."""
    from dataclasses import replace

    from driftmodel.outlook.levers import parse_what_if
    from driftmodel.record.case import open_case

    if what_if == "":
        raise BadInput("--what-if is empty", "LEVER=VALUE", mend='--what-if "humidifier=45"')
    case = open_case(name, day_named(when) if when else None)
    return replace(case, scenario=parse_what_if(case.scenario, what_if or ""))


def day_named(words: str) -> date:
    """A day as year-month-day. Raises BadInput for anything else."""
    from datetime import date

    try:
        day = date.fromisoformat(words)
    except ValueError:
        raise BadInput(f'"{words}" is not a day', "a day as year-month-day", mend=f"--date {date.today()}") from None
    if not FIRST_DAY <= day <= LAST_DAY:
        raise BadInput(f'"{words}"', f"a day from {FIRST_DAY} to {LAST_DAY}", mend=f"--date {date.today()}")
    return day


def folder_named(verb: str, name: str) -> Path:
    """The folder a command writes into when none is given: 'forecast-first-winter'."""
    return Path(f"{verb}-{re.sub(r'[^A-Za-z0-9_.+]+', '-', name).strip('-')}")


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
