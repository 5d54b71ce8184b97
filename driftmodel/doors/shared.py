"""What every command shares: the four options, progress on the terminal, plain printing, who does the
work of many cells."""

from __future__ import annotations

import json
import re
import sys
from collections.abc import Callable
from dataclasses import dataclass
from datetime import date
from functools import wraps
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from driftmodel.base.errors import day_told, near_match, refusal, unwritable
from driftmodel.base.schema import MOST_SEED

if TYPE_CHECKING:
    from driftmodel.base.workers import Crew
    from driftmodel.record.case import Case


class Suggesting(click.Group):
    """A group that suggests the nearest command for a mistyped one."""

    def resolve_command(self, ctx: click.Context, args: list[str]) -> Any:
        known, own = self.list_commands(ctx), f"driftmodel {ctx.info_name}" if ctx.parent else "driftmodel"
        if args and self.get_command(ctx, args[0]) is None:
            raise refusal(
                f'{own} has no command "{args[0]}".{near_match(args[0], known)} Needed: one of '
                f"{', '.join(known)}. Mend: {own} --help"
            )
        return super().resolve_command(ctx, args)


def date_option(words: str) -> Callable[[Callable[..., None]], Callable[..., None]]:
    """--date, the day `when`; words: what it is the day of. Raises BadInput for what is no day."""

    def day(_: click.Context, __: click.Parameter, given: str | None) -> date | None:
        return None if given is None else day_told(given, "--date", str(date.today()))

    return click.option("--date", "when", callback=day, metavar="DATE", help=words)


#: where a file or folder is
PLACE = click.Path(path_type=Path)
units_option = click.option("--units", type=click.Choice(["metric", "inch"]), default="metric", show_default=True)
quiet_option = click.option("--quiet", is_flag=True, help="Print nothing but faults.")


def shared_options(command: Callable[..., None]) -> Callable[..., None]:
    """--out, --units, --quiet, --json, the same on every command."""

    @click.option("--out", type=PLACE, metavar="DIR", help="Folder for the files it writes.")
    @units_option
    @quiet_option
    @click.option("--json", "as_json", is_flag=True, help="Print the result as JSON.")
    @wraps(command)
    def with_options(out: Path | None, units: str, quiet: bool, as_json: bool, **options: Any) -> None:
        command(terms=Terms(out, units, quiet, as_json), **options)

    return with_options


@dataclass(frozen=True)
class Terms:
    """How a command was asked to speak, and where to write: its --out, --units, --quiet and --json."""

    out: Path | None
    units: str
    quiet: bool
    as_json: bool

    def place(self, verb: str, name: str) -> Path:
        """The folder to write into: 'forecast-first-winter' where none is given."""
        return self.out or Path(f"{verb}-{re.sub(r'[^A-Za-z0-9_.+]+', '-', name).strip('-')}")

    def folder(self, verb: str, name: str) -> Path:
        """The same for a report, which replaces what is there. Raises BadInput for a folder that is not its own."""
        from driftmodel.report.folder import check_folder

        chosen = self.place(verb, name)
        check_folder(chosen)
        return chosen

    def progress(self, stage: str) -> None:
        """The stage a long run is at, where somebody watches."""
        if shows_progress(self.quiet, self.as_json):
            click.echo(f"\r\033[K{stage} ...", nl=False, err=True)

    def counted(self, what: str) -> Callable[[int, int], None]:
        """Progress of so many cells or points."""
        return lambda done, of: self.progress(f"{what} {done} of {of}")

    def say(self, text: str) -> None:
        """A line of words, none of which is for programs."""
        if not self.quiet:
            click.echo(text)

    def answer(self, words: Callable[[], str], data: Callable[[], Any], keep_as: str = "") -> None:
        """Prints the answer as asked for, over the progress line. keep_as: name of the file that it is kept in too,
        where --out names a folder."""
        if shows_progress(self.quiet, self.as_json):
            click.echo("\r\033[K", nl=False, err=True)
        text = json.dumps(data(), indent=2) if self.as_json else words()
        self.say(text)
        if keep_as and self.out is not None:
            from driftmodel.report.folder import write_files

            self.written(*write_files(self.out, {f"{keep_as}.{'json' if self.as_json else 'txt'}": text + "\n"}))

    def written(self, *files: object) -> None:
        """Where the files went; a program is told so in its data."""
        if not self.as_json:
            self.say("\nWritten: " + ", ".join(map(str, files)))


def listed(rows: list[dict[str, str]], as_json: bool, then: str) -> str:
    """What is shipped: a line each, its name and the last it says of itself, and what to know of all; or JSON."""
    if as_json:
        return json.dumps(rows, indent=2)
    width = max(len(row["name"]) for row in rows)
    return "\n".join([*(f"{row['name']:<{width}}  {list(row.values())[-1]}" for row in rows), "", then])


as_of_option = date_option("Day the years ahead count from; for a record today if not given.")
what_if_option = click.option(
    "--what-if", metavar="LEVER=VALUE", help="Move a lever first, several with commas; compare --levers lists them."
)
draws_option = click.option(
    "--draws", type=click.IntRange(10, 20000), help="Number of draws; the (first) scenario's own if not given."
)
seed_option = click.option(
    "--seed", type=click.IntRange(0, MOST_SEED), help="Seed of the draws; the (first) scenario's own if not given."
)
workers_option = click.option(
    "--workers", type=click.IntRange(1, 256), default=1, show_default=True, help="Processes on this machine."
)


def ensemble_options(command: Callable[..., None]) -> Callable[..., None]:
    """--draws, --seed, --what-if and --date of a command that runs one scenario."""
    return draws_option(seed_option(what_if_option(as_of_option(command))))


def case_named(name: str, what_if: str | None = None, when: date | None = None) -> Case:
    """The scenario of this name or path, or the record in this folder as of a day, with the levers of --what-if
    moved."""
    from dataclasses import replace

    from driftmodel.outlook.levers import parse_what_if
    from driftmodel.record.case import open_case

    if what_if == "":
        raise refusal('--what-if is empty. Needed: LEVER=VALUE. Mend: --what-if "humidifier=45"')
    case = open_case(name, when)
    return replace(case, scenario=parse_what_if(case.scenario, what_if or ""))


def shows_progress(quiet: bool, as_json: bool) -> bool:
    return sys.stderr.isatty() and not quiet and not as_json


def crew_options(command: Callable[..., None]) -> Callable[..., None]:
    """--workers, --scheduler and --keep, as a crew to be called for."""

    @workers_option
    @click.option("--scheduler", metavar="ADDRESS", help="A running dask scheduler, such as tcp://10.0.0.5:8786.")
    @click.option(
        "--keep",
        type=PLACE,
        metavar="DIR",
        help="Where finished cells are kept; with --scheduler, a folder its workers reach.",
    )
    @wraps(command)
    def with_options(workers: int, scheduler: str | None, keep: Path | None, **options: Any) -> None:
        command(crew=lambda: crew_of(workers, scheduler, keep), **options)

    return with_options


def crew_of(workers: int, scheduler: str | None, keep: Path | None) -> Crew:
    """The crew of these options. Raises BadInput for a --keep that cannot be written."""
    from tempfile import TemporaryFile

    from driftmodel.base.keeping import cache_folder
    from driftmodel.base.workers import Crew

    if scheduler is not None and keep is None:
        return Crew(workers, scheduler, None)  # workers elsewhere may not reach this machine's cache
    folder = keep or cache_folder() / "cells"
    try:
        folder.mkdir(parents=True, exist_ok=True)
        with TemporaryFile(dir=folder):
            pass
    except OSError as fault:
        if keep is not None:
            raise unwritable(keep, fault, "--keep my-cells", "--keep") from None
        return Crew(workers, scheduler, None)  # a cache that cannot be written is done without
    return Crew(workers, scheduler, folder)
