"""The command map: regrades and the best grade at every point of gridded air."""

from __future__ import annotations

from pathlib import Path

import click

from driftmodel.base.errors import BadInput
from driftmodel.doors.crew import crew_of, crew_options
from driftmodel.doors.shared import Terms, case_named, shared_options, what_if_option


@click.command(name="map")
@click.argument("scenario", required=False)
@click.argument("grid", required=False, type=click.Path(path_type=Path))
@click.option("--demo", type=click.Path(path_type=Path), metavar="FILE", help="Write an invented grid to try it on.")
@click.option("--years", type=click.IntRange(1, 40), default=10, show_default=True, help="Years after set-up.")
@click.option("--draws", type=click.IntRange(16, 5000), default=64, show_default=True, help="Draws at each point.")
@what_if_option
@crew_options
@shared_options
def map_(
    scenario: str | None,
    grid: Path | None,
    demo: Path | None,
    years: int,
    draws: int,
    what_if: str | None,
    workers: int,
    scheduler: str | None,
    keep: Path | None,
    terms: Terms,
) -> None:
    """Regrades and the best grade on a grid of climates.

    GRID is a NetCDF file of outdoor temperature and humidity with time and two dims of space; SCENARIO gives the
    guitar, its workshop and the room it lives in. Writes map.nc, a table, pictures and a report into map-NAME unless
    --out says otherwise.
    """
    if demo is not None:
        from driftmodel.fleet.invented_grid import write_invented_grid

        terms.say(f"Now: driftmodel map first-winter {write_invented_grid(demo)}")
        return
    if scenario is None or grid is None:
        raise BadInput(
            "no scenario and grid were named",
            "a scenario and a NetCDF file",
            mend="driftmodel map --demo grid.nc, then driftmodel map first-winter grid.nc",
        )
    chosen = case_named(scenario, what_if).scenario
    folder = terms.folder("map", chosen.name)
    from driftmodel.fleet.grid_map import map_of
    from driftmodel.report.map_report import map_frame, map_summary, write_map

    crew = crew_of(workers, scheduler, keep)
    found = map_of(grid, chosen, years=years, draws=draws, crew=crew, progress=terms.counted("points"))
    written = write_map(found, chosen, folder)
    where = f"Report: {folder / 'report.html'}   NetCDF: {folder / 'map.nc'}"
    terms.answer(
        lambda: f"{map_summary(found)}\n\n{where}",
        lambda: {
            "points": map_frame(found).to_dict(orient="records"), "files": [str(path) for path in written],
        },
    )  # fmt: skip
