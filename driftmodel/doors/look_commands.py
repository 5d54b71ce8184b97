"""The commands that look: at what goes in (design, air, woods, keys), and page, at all of it in the browser."""

from __future__ import annotations

import re
from pathlib import Path
from typing import Any

import click

from driftmodel.base.errors import BadInput, Spot, refusal
from driftmodel.base.schema import Dataset
from driftmodel.doors.shared import PLACE, Terms, quiet_option, shared_options


@click.command()
@click.argument("instrument", required=False)
@click.option("--sensitivities", is_flag=True, help="Vary every input too, and the what-ifs: about a minute.")
@shared_options
def design(instrument: str | None, sensitivities: bool, terms: Terms) -> None:
    """Draw an instrument to scale and show how its body moves.

    INSTRUMENT is the name of a shipped design, the path of a TOML file or the folder of a record. Writes drawing.png,
    movement.png and tables into a folder, design-NAME unless --out says otherwise."""
    from driftmodel.base.scenarios import find_instrument, shipped

    if instrument is None:
        known = shipped("instruments")
        raise refusal(
            f"no instrument was named. Needed: one of {', '.join(known)}, or a file. Mend: driftmodel design {known[0]}"
        )
    from driftmodel.base.scenario_file import is_record
    from driftmodel.record.case import folder_of, read_record

    own = Path(instrument)
    chosen = read_record(own)[0].instrument if is_record(own) else find_instrument(instrument)
    folder = terms.place("design", folder_of(own).resolve().name if is_record(own) else chosen.name)
    from dataclasses import asdict

    from driftmodel.report.calibration_words import plain_json
    from driftmodel.report.design_figures import write_design
    from driftmodel.report.design_words import behaviour_words
    from driftmodel.structure.design import behaviour

    found = behaviour(chosen)
    written = write_design(chosen, found, folder, terms.units, sensitivities, terms.progress)
    terms.answer(
        lambda: behaviour_words(chosen, found, terms.units),
        lambda: plain_json(asdict(found)) | {"files": [str(path) for path in written]},
    )
    terms.written(*written)


@click.command()
@click.argument("file", type=PLACE)
@click.option(
    "--fit",
    "logged",
    type=PLACE,
    metavar="LOGGER",
    help="Fit the room of the climate file to a logger that stood in it for two weeks or more.",
)
@click.option("--time-zone", help="Time zone of a logger's stamps, such as UTC or America/Chicago.")
@click.option("--gap-policy", type=click.Choice(["interpolate", "hold"]), help="How gaps in a logger file are filled.")
@click.option(
    "--gap-limit-days", type=click.FloatRange(0.1, 3660), default=7.0, show_default=True, help="Longest gap filled."
)
@click.option("--temperature-column", metavar="NAME", help="Header of a logger's temperature column.")
@click.option("--humidity-column", metavar="NAME", help="Header of a logger's relative humidity column.")
@click.option("--temperature-unit", type=click.Choice(["C", "F"]), help="Its unit, where the header does not say.")
@click.option("--time-column", metavar="NAME", help="Header of a logger's column of date and time.")
@click.option("--day-first/--month-first", default=None, help="How a logger writes 03/04/2026.")
@shared_options
def air(
    file: Path,
    logged: Path | None,
    temperature_column: str | None,
    humidity_column: str | None,
    temperature_unit: str | None,
    time_column: str | None,
    terms: Terms,
    **reading: Any,
) -> None:
    """Look at air: a record as it is read, or the air of a room.

    FILE is a logger's CSV, an EPW, TMY3 or shipped weather file; or a climate file (TOML), whose outdoor air is then
    run through its room over the whole record, with the spread of houses like it. Writes air.csv and air.png into the
    --out folder (air-NAME)."""
    from driftmodel.climate.history import read_air
    from driftmodel.report.air_words import air_csv, air_json, air_summary, write_air_figure
    from driftmodel.report.folder import write_files

    named = {"time": time_column, "temperature": temperature_column, "relative_humidity": humidity_column,
             "temperature_unit": temperature_unit}  # fmt: skip
    columns = {role: name for role, name in named.items() if name}

    def read(path: Path) -> Dataset:
        try:
            return read_air(path, columns=columns or None, **reading)
        except BadInput as fault:
            raise _as_flags(fault) from None

    folder = terms.place("air", file.stem)
    if file.suffix.lower() == ".toml":
        from driftmodel.base.scenarios import load_climate
        from driftmodel.outlook.rooms import air_of_climate

        climate = load_climate(file)
        if logged is not None:
            from driftmodel.report.air_words import fit_words, fitted_climate_text, room_fit

            fit = room_fit(climate, read(logged))
            (written,) = write_files(folder, {"climate.toml": fitted_climate_text(fit.climate, folder)})
            if not terms.as_json:
                terms.say(fit_words(fit) + f"\n\nWritten: {written}\n")
            climate = fit.climate
        history = air_of_climate(climate)
    elif logged is not None:
        raise Spot(file).refusal(
            "--fit and no climate file. Needed: the climate file whose room the logger stood in. "
            f"Mend: driftmodel air my-home.toml --fit {logged}"
        )
    else:
        history = read(file)
    picture = write_air_figure(history, folder, terms.units)
    (table,) = write_files(folder, {"air.csv": air_csv(history)})
    terms.answer(
        lambda: air_summary(history, terms.units),
        lambda: air_json(history) | {"picture": str(picture), "table": str(table)},
    )
    terms.written(table, picture)


_FLAGS = {
    "time_zone": "--time-zone America/Chicago",
    "gap_policy": "--gap-policy interpolate",
    "gap_limit_days": "--gap-limit-days 30",
    "temperature_unit": "--temperature-unit C",
    "relative_humidity =": "--humidity-column NAME",
    "{ temperature =": "--temperature-column NAME",
    "time =": "--time-column NAME",
    "day_first": "--day-first or --month-first",
}


def _as_flags(fault: BadInput) -> BadInput:
    """The same fault, its mend told for this command as well as for a climate file."""
    flags = []
    for key, flag in _FLAGS.items():
        if key in fault.mend:
            named = re.search(re.escape(key.removesuffix(" =")) + r' = "([^"]+)"', fault.mend)
            option, _, usual = flag.partition(" ")
            own = usual in ("NAME", "America/Chicago") and named
            word = own and (own[1] if re.fullmatch(r"[\w/+.-]+", own[1]) else f'"{own[1]}"')  # one word to a shell
            flags.append(f"{option} {word}" if own else flag)
    if not flags:
        return fault
    if "gap_limit_days" in fault.mend:
        limit = re.search(r"gap_limit_days = ([\d.]+)", fault.mend)
        flags = [f"--gap-limit-days {float(limit[1]):g}" if limit else "--gap-limit-days 30"]
    mend = f"{' '.join(flags)} (in a climate file's [logger] or [outdoor]: {fault.mend.replace(chr(10), ', ')})"
    return fault.at(fault.file, fault.place, mend)


@click.command()
@click.argument("name", required=False)
@shared_options
def woods(name: str | None, terms: Terms) -> None:
    """Every wood's numbers and their sources; NAME for one."""
    from driftmodel.base import library
    from driftmodel.report import design_words

    try:
        library.wood(name or library.wood_names()[0])
    except BadInput as fault:
        raise fault.at(mend=f"driftmodel woods {fault.mend}" if fault.mend.startswith('"') else None) from None
    terms.answer(
        lambda: design_words.one_wood(name) if name else design_words.list_woods(),
        lambda: [design_words.wood_record(each) for each in ([name] if name else library.wood_names())],
        "wood" if name else "woods",
    )


@click.command()
@click.argument("kind", required=False, metavar="[instrument|climate|scenario|readings|fleet]")
@shared_options
def keys(kind: str | None, terms: Terms) -> None:
    """Every key of a file you write: unit, default, limits, meaning.

    All kinds of file where none is named."""
    from dataclasses import asdict

    from driftmodel.base.file_models import KINDS, keys_of_file, keys_text

    kinds = [kind] if kind else list(KINDS)
    terms.answer(
        lambda: "\n\n".join(keys_text(each) for each in kinds),
        lambda: {each: [asdict(key) for key in keys_of_file(each)] for each in kinds},
        "keys",
    )


@click.command()
@click.argument("folder", required=False, type=click.Path(path_type=Path, exists=True, file_okay=False))
@click.option("--port", type=click.IntRange(1024, 65535), default=8765, show_default=True, help="Port to answer on.")
@click.option("--open/--no-open", "open_browser", default=False, help="Open the browser too.")
@quiet_option
def page(folder: Path | None, port: int, open_browser: bool, quiet: bool) -> None:
    """What-ifs and the bench in the browser, on this machine only.

    Serves a page on the loopback address; nothing leaves the machine. FOLDER holds your own records and scenarios; the
    page opens them, answers today's reading and runs what-ifs on them.
    Ctrl+C stops it."""
    try:
        import flask  # noqa: F401
        import waitress  # type: ignore[import-untyped]  # noqa: F401
    except ImportError:
        raise refusal(
            "the page needs Flask and waitress, which are not installed. Needed: the extra parts of the page. "
            'Mend: pip install "driftmodel[page]"'
        ) from None
    from driftmodel.doors.page import serve
    from driftmodel.doors.page_guard import HOST

    serve(
        port,
        open_browser,
        ready=lambda: None if quiet else click.echo(f"Open http://{HOST}:{port}/ in a browser; Ctrl+C stops it."),
        folder=folder,
    )
