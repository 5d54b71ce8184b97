"""The verbs for Python, each what the command of its name does before it writes: names and paths are taken as there.

A scenario is a record from `load_scenario`, the name of a shipped one, the path of a TOML file, or the folder of an
instrument's record, whose work and readings then count. Every fault of an input is a BadInput that says the mend."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from datetime import date
from pathlib import Path
from typing import TYPE_CHECKING

from driftmodel.base.errors import BadInput, whole_number
from driftmodel.base.records import Climate, Instrument, Scenario
from driftmodel.base.schema import Dataset

if TYPE_CHECKING:
    from driftmodel.advice.records import Advice
    from driftmodel.base.materials import Wood
    from driftmodel.calibration.decide import Decision
    from driftmodel.calibration.pooled import Pooled
    from driftmodel.calibration.records import BenchBook, Calibration
    from driftmodel.fleet.demand import Demand
    from driftmodel.fleet.roster import Fleet
    from driftmodel.outlook.draws import Draws
    from driftmodel.outlook.place import PlaceTable
    from driftmodel.structure.design import Behaviour

Named = Scenario | str | Path


def _quiet(_: str) -> None:
    return


def _known(scenario: Named, unknowns: Draws | None, draws: int | None) -> tuple[Scenario, Draws | None]:
    """The scenario, and what a record's readings teach where no unknowns are given."""
    if isinstance(scenario, Scenario):
        return scenario, unknowns
    from driftmodel.record.case import open_case

    case = open_case(scenario)
    return case.scenario, case.learned(draws) if unknowns is None else unknowns


def forecast(
    scenario: Named,
    draws: int | None = None,
    seed: int | None = None,
    *,
    unknowns: Draws | None = None,
    progress: Callable[[str], None] = _quiet,
) -> Dataset:
    """When a regrade is due, to which grade, how sure: the years to come of one instrument as an xarray.Dataset.

    draws, seed: the scenario's own if not given. unknowns: draws from elsewhere, such as `calibrate(...).draws`.
    Variables carry units and long_name; attrs the verdict and all it was made from.

    >>> outlook = driftmodel.forecast("first-winter", draws=50)
    >>> outlook.attrs["verdict"], float(outlook["regrade_due"][-1])"""
    from driftmodel.outlook.drift import forecast as run

    chosen, own = _known(scenario, unknowns, draws)
    return run(chosen, draws, seed, unknowns=own, progress=progress)


def grade(scenario: Named, years: int = 5, draws: int | None = None, *, unknowns: Draws | None = None) -> PlaceTable:
    """The spacer that stays right where the instrument lives: every grade of its set over `years` from now.

    >>> driftmodel.grade("first-winter").advised"""
    from driftmodel.outlook.place import grade_for_place

    whole_number("years", years, 1, 10, 40)
    chosen, own = _known(scenario, unknowns, draws)
    return grade_for_place(chosen, own, years, draws)


def calibrate(
    scenario: Named, readings: BenchBook | str | Path | None = None, *, seed: int | None = None
) -> Calibration:
    """What bench readings teach of one instrument. readings: a CSV file or a book of readings; a record has its own.

    >>> learned = driftmodel.calibrate("my-guitar.toml", "bench.csv")
    >>> driftmodel.forecast("my-guitar.toml", unknowns=learned.draws)"""
    from driftmodel.calibration.readings import read_readings
    from driftmodel.calibration.shown import calibrate as fit
    from driftmodel.record.case import open_case

    if isinstance(scenario, Scenario):
        chosen, book = scenario, None
    else:
        case = open_case(scenario)
        chosen, book = case.scenario, case.book
    if isinstance(readings, str | Path):
        book = read_readings(readings, chosen)
    elif readings is not None:
        book = readings
    if book is None or not book.readings:
        raise BadInput("no reading to learn from", "a readings file, or a record with readings",
                       mend='calibrate(scenario, "bench.csv")')  # fmt: skip
    return fit(book.carried_by(chosen), book, seed=seed)


def learn(folder: str | Path, *, workers: int = 1) -> Pooled:
    """What many instruments teach that one cannot: numbers for the next one. folder: records, or pairs of NAME.toml and
    NAME.csv."""
    from driftmodel.base.workers import Crew
    from driftmodel.calibration.pooled import learn_from
    from driftmodel.doors.record_command import claims_in, instruments_in

    whole_number("workers", workers, 1, 1, 256)
    return learn_from(instruments_in(Path(folder)), Crew(workers), claims=claims_in(Path(folder)))


def decide(scenario: Named, *readings: str, when: date | None = None, known: Calibration | None = None) -> Decision:
    """Weather or drift: what one day's readings call for. known: what earlier ones taught.

    >>> driftmodel.decide("first-winter", "action 2.9 mm at 38 % 21 C", when=date(2027, 3, 1)).said"""
    from driftmodel.calibration.decide import weather_or_drift
    from driftmodel.calibration.said import reading_said
    from driftmodel.outlook.calendar import fitted_spacer

    chosen = _plain(scenario)
    rows = tuple(reading_said(words, chosen, when or date.today(), fitted_spacer(chosen))[0] for words in readings)
    return weather_or_drift(chosen, rows, known)


def _plain(scenario: Named) -> Scenario:
    from driftmodel.record.case import load_scenario

    return scenario if isinstance(scenario, Scenario) else load_scenario(scenario)


def advise(
    scenario: Named,
    draws: int | None = None,
    seed: int | None = None,
    *,
    unknowns: Draws | None = None,
    progress: Callable[[str], None] = _quiet,
) -> Advice:
    """Humidity care where the instrument lives: what to keep, months at risk, and each measure run on the same draws.

    >>> driftmodel.advise("first-winter", draws=50).keep"""
    from driftmodel.advice.care import advise as run

    chosen, own = _known(scenario, unknowns, draws)
    return run(chosen, draws, seed, unknowns=own, progress=progress)


def compare(
    scenarios: Sequence[Named],
    draws: int | None = None,
    seed: int | None = None,
    *,
    unknowns: Draws | None = None,
    progress: Callable[[str], None] = _quiet,
) -> Dataset:
    """Scenarios side by side on the same draws and weather; the first is what the others are held against.

    draws, seed: the first scenario's own if not given.

    >>> home = driftmodel.load_scenario("first-winter")
    >>> driftmodel.compare([home, driftmodel.with_lever(home, "humidifier", 45)])["difference_mean"]"""
    from driftmodel.outlook.compare import compare as run

    chosen = [_plain(each) for each in scenarios]
    return run(chosen, draws, seed, progress, unknowns)


def demand(
    fleet: Fleet | str | Path, *, months: int | None = None, workers: int = 1, keep: str | Path | None = None
) -> Demand:
    """Regrades of a fleet by month, region, design and grade. fleet: from `read_fleet`, a path or a name.

    keep: a folder for finished cells; the user's cache if not given. `demand(...).cube` is the Dataset."""
    from dataclasses import replace

    from driftmodel.doors.shared import crew_of
    from driftmodel.fleet.demand import forecast_demand
    from driftmodel.fleet.physics import physics_of

    whole_number("workers", workers, 1, 1, 256)
    chosen = read_fleet(fleet) if isinstance(fleet, str | Path) else fleet
    if months is not None:
        whole_number("months", months, 1, 24, 240)
        chosen = replace(chosen, settings=chosen.settings.model_copy(update={"horizon_months": months}))
    crew = crew_of(workers, None, None if keep is None else Path(keep))
    return forecast_demand(chosen, physics_of(chosen), crew=crew)


def read_fleet(name: str | Path) -> Fleet:
    """The fleet in a TOML file and the tables it names, or a shipped one by its name."""
    from driftmodel.doors.demand_command import find_fleet
    from driftmodel.fleet.reading import read_fleet as read

    return read(find_fleet(str(name)))


def map(
    scenario: Named, grid: str | Path, *, years: int = 10, draws: int = 64, workers: int = 1,
    keep: str | Path | None = None,
) -> Dataset:  # fmt: skip
    """Regrades and the best grade at every point of a NetCDF of outdoor air, for the scenario's guitar and room."""
    from driftmodel.doors.shared import crew_of
    from driftmodel.maps.grid_map import map_of

    whole_number("years", years, 1, 10, 40)
    whole_number("draws", draws, 16, 64, 5000)
    whole_number("workers", workers, 1, 1, 256)
    chosen = _plain(scenario)
    crew = crew_of(workers, None, None if keep is None else Path(keep))
    return map_of(grid, chosen, years=years, draws=draws, crew=crew)


def air(source: Climate | str | Path, **reading: str | bool | float | None) -> Dataset:
    """Hourly air: a logger's or weather file as it is read, or the air of a climate (a record, or a file .toml).

    reading: columns, time_zone, gap_policy, gap_limit_days, day_first of a logger's file, as `read_air` takes them."""
    if isinstance(source, Climate) or Path(source).suffix.lower() == ".toml":
        from driftmodel.base.scenarios import load_climate
        from driftmodel.outlook.rooms import air_of_climate

        return air_of_climate(source if isinstance(source, Climate) else load_climate(Path(source)))
    from driftmodel.climate.history import read_air

    return read_air(source, **reading)  # type: ignore[arg-type]


def design(instrument: Instrument | str | Path) -> Behaviour:
    """How a design moves: saddle, bridge and neck per percent of moisture in each part, and under its strings.

    instrument: from `load_instrument`, the name of a shipped design or the path of a TOML file."""
    from driftmodel.base.scenarios import find_instrument
    from driftmodel.structure.design import behaviour

    return behaviour(instrument if isinstance(instrument, Instrument) else find_instrument(instrument))


def load_climate(path: str | Path) -> Climate:
    """The climate in a TOML file, or a shipped one by its name."""
    from driftmodel.base.scenarios import climate_named

    return climate_named(str(path))


def woods(name: str | None = None) -> tuple[str, ...] | Wood:
    """Names of all woods, the user's own among them; of one by its name or alias: its numbers with unit, spread,
    source and standing.

    >>> driftmodel.woods("koa").numbers["coefficient_radial"].value"""
    from driftmodel.base import library

    return library.wood_names() if name is None else library.wood(name)
