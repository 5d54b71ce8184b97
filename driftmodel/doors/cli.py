"""The command line: words in, files and plain sentences out. Heavy parts are imported inside the commands."""

from __future__ import annotations

import os
import sys

import click

from driftmodel.base import __version__
from driftmodel.base.errors import BadInput
from driftmodel.doors.bench_commands import advise, calibrate, forecast, grade
from driftmodel.doors.demand_command import compare, demand, map_
from driftmodel.doors.look_commands import air, design, keys, page, woods
from driftmodel.doors.record_command import learn, record
from driftmodel.doors.shared import Suggesting

DONE, OUR_FAULT, BAD_INPUT = 0, 1, 2


@click.group(cls=Suggesting, context_settings={"help_option_names": ["-h", "--help"], "max_content_width": 100})
@click.version_option(__version__, message="driftmodel %(version)s")
def commands() -> None:
    """When will this guitar need another neck spacer, which one, and how sure is that.

    \b
    driftmodel forecast --list          the scenarios that come with it
    driftmodel forecast first-winter    run one and write a report
    driftmodel forecast my-guitar.toml  run your own
    driftmodel page                     the same in the browser, with sliders"""


for command in (
    forecast, calibrate, grade, learn, advise, record, compare, demand, map_, design, air, woods, keys, page,
):  # fmt: skip
    commands.add_command(command)


def main() -> None:
    """Run the command line; exit 0 done, 2 bad input with one message, 1 our fault."""
    os.environ.setdefault("OMP_NUM_THREADS", "1")  # threads of linear algebra only wait for each other on small arrays
    try:
        commands.main(standalone_mode=False)
    except BadInput as fault:
        _stop(str(fault), BAD_INPUT)
    except click.UsageError as fault:
        command = fault.ctx.command_path if fault.ctx else "driftmodel"
        _stop(f"{fault.format_message()} Mend: {command} --help shows the options.", BAD_INPUT)
    except click.ClickException as fault:
        _stop(fault.format_message(), BAD_INPUT)
    except (click.Abort, KeyboardInterrupt):
        _stop("stopped; nothing was left half-written", 130)
    except BrokenPipeError:
        sys.stderr.close()
        sys.exit(DONE)


def _stop(message: str, code: int) -> None:
    click.echo("\r\033[K" if sys.stderr.isatty() else "", nl=False, err=True)
    click.echo(f"driftmodel: {message}", err=True)
    sys.exit(code)


if __name__ == "__main__":
    main()
