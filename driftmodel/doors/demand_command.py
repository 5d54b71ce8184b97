"""The commands over many: compare (scenarios), demand (a fleet) and map (every point of gridded air)."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from datetime import date
from pathlib import Path
from typing import TYPE_CHECKING

import click

from driftmodel.base.errors import BadInput, Spot, refusal, unwritable
from driftmodel.doors import shared

if TYPE_CHECKING:
    from driftmodel.base.workers import Crew
    from driftmodel.fleet.roster import Fleet

#: the shipped fleet
DEMO = "two-regions"


@click.command()
@click.argument("fleet", required=False)
@click.option("--list", "list_them", is_flag=True, help="Show the shipped demonstration fleets, a line each.")
@click.option("--demo", type=shared.PLACE, metavar="DIR", help="Copy a shipped fleet's files to change.")
@click.option("--months", type=click.IntRange(1, 240), help="Months ahead; the fleet file's own if not given.")
@click.option("--service", type=click.FloatRange(0, 1, min_open=True, max_open=True), metavar="SHARE",
              help="Share of jobs that shall find their spacer on the shelf, such as 0.95.")  # fmt: skip
@click.option("--what-if", "what_ifs", multiple=True, metavar="LEVER=VALUE", help="What another build, use or place "
              "makes of the cost of cover; may be given more than once. Levers as in compare --levers; of a fleet "
              "also cover=MONTHS and, in PERCENT, 'share of EXPOSURE', 'sales to REGION', 'shipped dry'.")  # fmt: skip
@click.option(
    "--backtest/--no-backtest",
    "and_backtest",
    default=None,
    help="Score forecasts made at earlier dates and widen the band by them; done where there are claims enough.",
)
@shared.crew_options
@shared.shared_options
def demand(
    fleet: str | None,
    list_them: bool,
    demo: Path | None,
    months: int | None,
    service: float | None,
    what_ifs: tuple[str, ...],
    and_backtest: bool | None,
    crew: Callable[[], Crew],
    terms: shared.Terms,
) -> None:
    """Regrades, parts, hours and cost of a fleet by month.

    FLEET is the path of a TOML file that names units, claims, shipment plan and rates, or the name of a shipped one.
    Writes a workbook (demand.xlsx), tables and a page (demand.html) into a folder, demand-NAME unless --out says
    otherwise. A run that was stopped goes on from the cells it has finished."""
    if list_them:
        terms.say(_fleet_list(terms.as_json))
        return
    if fleet is None and demo is None:
        raise refusal(f"no fleet was named. Needed: a fleet file. Mend: driftmodel demand {DEMO}")
    path = find_fleet(fleet or DEMO)
    if demo is not None:
        copied = copy_fleet(path, demo)
        terms.answer(lambda: f"Now: driftmodel demand {copied}", lambda: {"fleet": str(copied)})
        return
    folder = terms.place("demand", path.stem)
    from driftmodel.report.demand_document import check_demand_folder, write_demand

    check_demand_folder(folder)
    from driftmodel.fleet.backtest import checked_forecast, origins_of
    from driftmodel.fleet.demand import forecast_demand
    from driftmodel.fleet.physics import physics_of, world_named
    from driftmodel.fleet.policy import priced
    from driftmodel.fleet.run import remembered
    from driftmodel.report.demand_numbers import demand_book
    from driftmodel.report.demand_words import demand_json, terminal_summary

    chosen = _with_options(_read(path, folder), months, service)
    who = crew()
    physics = physics_of(chosen)
    worlds = [world_named(chosen, physics, words) for words in what_ifs]
    cell_law = remembered(physics, who)
    cells = terms.counted("cells")
    terms.progress("cells")
    if and_backtest and not origins_of(chosen):
        raise _too_little_past(chosen)
    if and_backtest is False:
        found, tested = forecast_demand(chosen, cell_law, crew=who, progress=cells), None
    else:
        found, tested = checked_forecast(chosen, cell_law, crew=who, progress=cells)
    terms.progress("price of cover")
    price, changed = priced(found, cell_law, worlds, crew=who)
    terms.progress("report: figures, tables, workbook")
    book = demand_book(found, tested, price, changed)
    write_demand(book, folder)
    where = f"Workbook: {folder / 'demand.xlsx'}   Page: {folder / 'demand.html'}"
    terms.answer(lambda: f"{terminal_summary(book)}\n\n{where}", lambda: demand_json(book) | {"folder": str(folder)})


def find_fleet(name: str) -> Path:
    """A shipped fleet's file by bare name, else the path given. Raises BadInput for neither."""
    from driftmodel.base.scenarios import named_file

    return named_file(name, "fleets", "fleet", "driftmodel demand")


def copy_fleet(path: Path, folder: Path) -> Path:
    """Copies a fleet file with the tables and the folder of designs beside it that bear its name; returns the copy's
    path. Raises BadInput."""
    import shutil

    from driftmodel.base.written import write_folder

    if folder.exists() and (not folder.is_dir() or any(folder.iterdir())):
        raise Spot(folder).refusal(
            f"it is there already and not an empty folder. Needed: a new or empty folder. Mend: --demo {folder}-2"
        )

    def fill(fresh: Path) -> None:
        for file in (path, *sorted(path.parent.glob(f"{path.stem}-*.csv"))):
            shutil.copyfile(file, fresh / file.name)
        if (designs := path.parent / path.stem).is_dir():
            shutil.copytree(designs, fresh / path.stem)

    try:
        write_folder(folder.resolve(), fill, path.name)
    except OSError as fault:
        raise unwritable(folder, fault, "--demo my-fleet") from None
    return folder / path.name


def _fleet_list(as_json: bool) -> str:
    from driftmodel.base.scenarios import shipped
    from driftmodel.base.tomlfile import read_toml

    rows = [{"name": name, "title": str(read_toml(find_fleet(name))[0]["title"])} for name in shipped("fleets")]
    return shared.listed(rows, as_json, "driftmodel demand NAME --demo DIR copies one to change.")


def _read(path: Path, folder: Path) -> Fleet:
    """The fleet; when too many rows are bad, their list is left in the folder and nothing else."""
    from driftmodel.fleet.reading import read_fleet
    from driftmodel.report.demand_document import REJECTS

    try:
        return read_fleet(path)
    except BadInput as fault:
        if "rejects_most_pct" not in fault.needed:
            raise
    folder.mkdir(parents=True, exist_ok=True)
    return read_fleet(path, folder / REJECTS)


def _with_options(fleet: Fleet, months: int | None, service: float | None) -> Fleet:
    """The fleet with what the options say in place of its file, so that the physics reaches as far."""
    changed = {name: value for name, value in (("horizon_months", months), ("service", service)) if value is not None}
    return replace(fleet, settings=fleet.settings.model_copy(update=changed)) if changed else fleet


def _too_little_past(fleet: Fleet) -> BadInput:
    from driftmodel.fleet.backtest import LEAST_CLAIMS, LEAST_PAST_MONTHS, ORIGIN_MONTHS

    return Spot(fleet.file, "files, claims").refusal(
        f"too little past for a backtest. Needed: {LEAST_CLAIMS} regrade claims, and sales "
        f"{LEAST_PAST_MONTHS + ORIGIN_MONTHS} months before the cutoff. Mend: leave out --backtest"
    )


@click.command(name="map")
@click.argument("scenario", required=False)
@click.argument("grid", required=False, type=shared.PLACE)
@click.option("--demo", type=shared.PLACE, metavar="FILE", help="Write an invented grid to try it on.")
@click.option("--years", type=click.IntRange(1, 40), default=10, show_default=True, help="Years after set-up.")
@click.option("--draws", type=click.IntRange(16, 5000), default=64, show_default=True, help="Draws at each point.")
@shared.what_if_option
@shared.crew_options
@shared.shared_options
def map_(
    scenario: str | None,
    grid: Path | None,
    demo: Path | None,
    years: int,
    draws: int,
    what_if: str | None,
    crew: Callable[[], Crew],
    terms: shared.Terms,
) -> None:
    """Regrades and the best grade on a grid of climates.

    GRID is a NetCDF file of outdoor temperature and humidity with time and two dims of space; SCENARIO gives the
    guitar, its workshop and the room it lives in. Writes map.nc, a table, pictures and a report into map-NAME unless
    --out says otherwise."""
    if demo is not None:
        from driftmodel.maps.grid import write_invented_grid

        terms.say(f"Now: driftmodel map first-winter {write_invented_grid(demo)}")
        return
    if scenario is None or grid is None:
        raise refusal(
            "no scenario and grid were named. Needed: a scenario and a NetCDF file. "
            "Mend: driftmodel map --demo grid.nc, then driftmodel map first-winter grid.nc"
        )
    chosen = shared.case_named(scenario, what_if).scenario
    folder = terms.folder("map", chosen.name)
    from driftmodel.maps.grid_map import map_of
    from driftmodel.report.map_report import map_frame, map_summary, write_map

    found = map_of(grid, chosen, years=years, draws=draws, crew=crew(), progress=terms.counted("points"))
    written = write_map(found, chosen, folder)
    where = f"Report: {folder / 'report.html'}   NetCDF: {folder / 'map.nc'}"
    terms.answer(
        lambda: f"{map_summary(found)}\n\n{where}",
        lambda: {
            "points": map_frame(found).to_dict(orient="records"), "files": [str(path) for path in written],
        },
    )  # fmt: skip


@click.command()
@click.argument("scenarios", nargs=-1, metavar="SCENARIO...")
@click.option(
    "--what-if", "what_ifs", multiple=True, metavar="LEVER=VALUE", help="Also the first with a lever moved; repeatable."
)
@click.option("--levers", "list_them", is_flag=True, help="Show the levers, a line each.")
@shared.draws_option
@shared.seed_option
@shared.as_of_option
@shared.shared_options
def compare(
    scenarios: tuple[str, ...],
    what_ifs: tuple[str, ...],
    list_them: bool,
    draws: int | None,
    seed: int | None,
    when: date | None,
    terms: shared.Terms,
) -> None:
    """What-ifs side by side, on common random numbers.

    Every SCENARIO, and the first with each --what-if, against the first. Several levers on one what-if are joined by
    commas: --what-if "place=damp_coast, humidifier=45". Writes a report into compare-NAME unless --out says otherwise.
    """
    from driftmodel.outlook.levers import lever_lines, parse_what_if

    if list_them:
        terms.say(lever_lines())
        return
    if not scenarios:
        raise refusal(
            "no scenario was named. Needed: two scenarios, or one and a --what-if. "
            'Mend: driftmodel compare first-winter --what-if "humidifier=45"'
        )
    cases = [shared.case_named(name, None, when) for name in scenarios]
    chosen = [case.scenario for case in cases]
    chosen += [parse_what_if(chosen[0], words) for words in what_ifs]
    folder = terms.folder("compare", chosen[0].name)
    from driftmodel.outlook.compare import compare as run
    from driftmodel.report.compare_report import comparison_json, comparison_terminal, write_comparison

    unknowns = cases[0].learned(draws) if all(case.folder == cases[0].folder for case in cases) else None
    table = run(chosen, draws, seed, terms.progress, unknowns)
    written = write_comparison(table, chosen, folder, terms.units)
    terms.answer(
        lambda: f"{comparison_terminal(table, terms.units)}\n\nReport: {folder / 'report.html'}",
        lambda: comparison_json(table) | {"files": [str(path) for path in written]},
    )
