"""The physics ensemble of one cell, from the same forecast that answers for a single instrument, as it is or moved."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from datetime import date, timedelta
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from driftmodel.base.errors import BadInput, Spot, near_match, refusal
from driftmodel.base.keeping import fingerprint
from driftmodel.base.opened import is_there
from driftmodel.base.records import Scenario, Stay, note_scenario
from driftmodel.base.scenarios import load_climate, load_scenario
from driftmodel.fleet.built_together import lives_of
from driftmodel.fleet.cohorts import cover_left
from driftmodel.fleet.passage import Cell, CellPassages, Passages, cell_seed
from driftmodel.fleet.roster import Fleet
from driftmodel.outlook.calendar import horizon_days
from driftmodel.outlook.chain import run_chain
from driftmodel.outlook.draws import Draws, draw_unknowns
from driftmodel.outlook.lasting import RISING, THICK_PART, THIN_PART, lasting_paths
from driftmodel.outlook.levers import parse_what_if, read_day, with_lever
from driftmodel.outlook.lived import lived
from driftmodel.outlook.moisture import PartWeights, part_weights
from driftmodel.outlook.movement import READING_STEP_DAYS, hygro_weights, put_reading
from driftmodel.outlook.regrade import NEVER, NO_GRADE, Reading, Regrades, regrades
from driftmodel.outlook.room_lags import room_weights
from driftmodel.structure.response import design_response
from driftmodel.wood.diffusion import time_grid

DAYS_PER_MONTH = 365.25 / 12.0
CARE, PLACE = "share of ", "sales to "  # levers of a fleet alone, with the name of an exposure, or of a region, after
DRY, DRY_FROM_DAYS = "shipped dry", 14  # share of sales; days from set-up on, common practice, no source


@dataclass(frozen=True)
class OutlookPassages:
    """A cell function with the answers of `outlook.drift.forecast`, plain data so that it travels to workers.

    designs: (name, scenario name or file) pairs; grades: the fleet's labels; years: horizon of the physics;
    build_year: calendar year in which the physics starts (members carry the spread of weather years); folder: where
    the fleet file is: scenarios and climates named in it are sought there first, then among the shipped ones. what_if:
    levers moved in every scenario, 'lever=value, lever=value'; unmoved: (climate, design) where they move nothing.
    shipped: first day of six weeks in a dried container, in days from set-up on, or a date in the life of the units
    built in the twelve months from `new_from` (month number) on."""

    designs: tuple[tuple[str, str], ...]
    grades: tuple[str, ...]
    years: int
    build_year: int
    folder: str = "."
    what_if: str = ""
    shipped: int | date | None = None
    new_from: int = 0
    unmoved: tuple[tuple[str, str], ...] = ()

    def fingerprint(self, cell: Cell) -> str:
        """All that a cell's passages are made from besides the seed and the numbers of draws and members."""
        return fingerprint(replace(self.scenario(cell, 1, 1, 0), title="", summary=""), self.grades)

    def group(self, cell: Cell) -> tuple[str, str]:
        """Cells alike in this share most of their lives: best worked one after another."""
        return f"{cell.region}|{cell.climate}", f"{cell.exposure}|{cell.build_month}"

    def prepare(self, cells: Iterable[Cell]) -> None:
        """Works out the designs' responses, so that they are kept before workers ask for them side by side."""
        for cell in {cell.design: cell for cell in cells}.values():
            design_response(self.scenario(cell, 1, 1, 0).instrument)

    def __call__(self, cell: Cell, members: int, draws: int, seed: int) -> Passages:
        scenario = self.scenario(cell, members, draws, seed)
        due, _ = regrades_of(scenario, draw_unknowns(scenario, draws, cell_seed(cell, seed)))
        days = np.where(due.day == NEVER, np.inf, due.day.astype(float))
        more = ((0, 0), (0, 1))  # a last column in which none is due any more: what follows every regrade is known
        grades = np.pad(self._grades(due, scenario, cell), more, constant_values=NO_GRADE)
        return Passages(np.pad(days, more, constant_values=np.inf) / DAYS_PER_MONTH, grades)

    def lived_days(self, cell: Cell, years: int, draws: int, seed: int) -> float:
        """Days a year inside the rule that an owner in a cell lives through, season in, regrades done as they fall due:
        the mean of the draws in one weather."""
        scenario = replace(self, years=years).scenario(cell, 1, draws, seed)
        ensemble = draw_unknowns(scenario, draws, cell_seed(cell, seed))
        return float(lived(run_chain(scenario, ensemble)).inside_days.mean())

    def scenario(self, cell: Cell, members: int, draws: int, seed: int) -> Scenario:
        """The design's scenario, built in the cell's month and living in the cell's climate from set-up on."""
        base = load_scenario(self._scenario_named(dict(self.designs)[cell.design]))
        ready = date(self.build_year, cell.build_month, 15)
        strung = ready - (base.setup.setup - base.setup.strung)
        first = replace(base.stays[0], start=strung - timedelta(days=30))
        plain = replace(
            base,
            name=cell.key,
            stays=(first, Stay(ready, load_climate(self._climate_named(cell)))),
            events=(),
            setup=replace(base.setup, strung=strung, setup=ready),
            horizon_years=self.years,
            draws=draws,
            seed=seed,
            weather_members=members,
        )
        moves = (cell.climate, cell.design) not in self.unmoved
        changed, day = parse_what_if(plain, self.what_if if moves else ""), self._shipped_on(ready)
        return with_lever(changed, "shipping", day) if day is not None and day > ready else changed

    def _shipped_on(self, ready: date) -> date | None:
        if not isinstance(self.shipped, date):
            return None if self.shipped is None else ready + timedelta(days=self.shipped)
        later = self.new_from + (ready.month - 1 - self.new_from) % 12  # month in which the units asked for are built
        year = self.shipped.year - later // 12 + ready.year
        return self.shipped.replace(year=year, day=min(self.shipped.day, 28))

    def _scenario_named(self, name: str) -> str:
        beside = Path(self.folder) / name
        return str(beside) if is_there(beside) else name

    def _climate_named(self, cell: Cell) -> Path:
        from driftmodel.base.opened import scenarios_dir

        name = cell.climate if cell.climate.endswith(".toml") else f"{cell.climate}.toml"
        places = [Path(self.folder) / name, Path(self.folder) / "climates" / name, scenarios_dir() / "climates" / name]
        for place in places:
            if is_there(place):
                return place
        known = sorted(path.stem for path in places[-1].parent.glob("*.toml"))
        raise Spot(place=f"regions.{cell.region}.climates, {cell.exposure}").refusal(
            f'there is no climate "{cell.climate}".{near_match(cell.climate, known)} Needed: a climate file beside '
            f"the fleet file, or one of {', '.join(known)}. "
            f'Mend: {cell.exposure} = "{known[0]}"'
        )

    def _grades(self, due: Regrades, scenario: Scenario, cell: Cell) -> NDArray[np.intp]:
        labels = scenario.instrument.spacers.labels
        used = {labels[index] for index in np.unique(due.grade[due.grade != NO_GRADE]).tolist()}
        unknown = sorted(used - set(self.grades))
        if unknown and not self.what_if:  # another set: its labels are not the fleet's, and cost alone is asked for
            raise Spot(place="grades").refusal(
                f"the design {cell.design} is regraded to {', '.join(unknown)}. Needed: every grade of its spacer set "
                f"among the fleet's grades. Mend: add {', '.join(unknown)} to grades"
            )
        place = [self.grades.index(label) if label in self.grades else 0 for label in labels]
        return np.array([*place, NO_GRADE], dtype=np.intp)[due.grade]


def regrades_of(scenario: Scenario, draws: Draws) -> tuple[Regrades, Reading]:
    """The regrades outlook.drift.forecast finds for these draws, by what instruments of a climate have in common, and
    the weekly reading they follow from."""
    note_scenario(scenario)
    instrument = scenario.instrument
    coefficients = design_response(instrument)
    grid = time_grid()
    steps = -(-(horizon_days(scenario) + 1) // READING_STEP_DAYS)
    reading = Reading(np.empty((draws.count, steps)), np.empty((draws.count, steps)), READING_STEP_DAYS)
    life_of = lives_of(scenario)
    parts = part_weights(instrument, draws, grid)  # of all draws in the median room
    weights = hygro_weights(coefficients, draws, parts) | {part: parts.mean[part] for part in (THIN_PART, THICK_PART)}
    whole = np.stack(list(weights.values()))
    for member in np.unique(draws.member):
        rows, own, life = draws.rows(int(member)), draws.of_member(int(member)), life_of(int(member))
        here = whole[:, rows]
        if life.rooms is not None:
            here = room_weights(here, life.rooms, life.rooms.terms(own.values, own.count))
        moved = dict(zip(weights, here, strict=True))
        lasting = lasting_paths(scenario, coefficients, own, life.creep, PartWeights(moved, {}), quantities=RISING)
        block = Reading(reading.saddle_rise_mm[rows], reading.action_mm[rows], READING_STEP_DAYS)
        put_reading(block, scenario, own, moved, life.reference_pct, lasting, slice(None))
    return regrades(reading, scenario), reading


def physics_of(fleet: Fleet) -> OutlookPassages:
    """The cell function of a fleet: a horizon that reaches from the oldest build to the end of the forecast, to the end
    of the cover of every unit sold by then, and to that of the longest policy priced."""
    settings = fleet.settings
    oldest = int(fleet.units.build.min(initial=fleet.cutoff))
    months = max(settings.horizon_months, cover_left(fleet, fleet.cutoff, settings.horizon_months))
    longest = max(settings.policy_months) + settings.habits.sale_lag_months + 12  # of units sold in the year to come
    years = -(-max(fleet.cutoff - oldest + months + 1, longest) // 12)
    designs = tuple((name, design.scenario) for name, design in settings.designs.items())
    return OutlookPassages(designs, tuple(settings.grades), max(years, 1), oldest // 12, str(fleet.file.parent))


@dataclass(frozen=True)
class World:
    """What units still to be sold are like. function: their passages; cover: months, None where it is asked for; care:
    share of an exposure's owners, by name; places: share of a region's sales, by name; other: passages of a share of
    the units that fares otherwise, such as those shipped dry, and that share; words: what sets it apart."""

    function: CellPassages
    words: str = ""
    cover: int | None = None
    care: tuple[tuple[str, float], ...] = ()
    places: tuple[tuple[str, float], ...] = ()
    other: tuple[CellPassages, float] | None = None

    @property
    def lives(self) -> tuple[tuple[CellPassages, float], ...]:
        """The passages that units can have, each with the share of units that has them."""
        if self.other is None:
            return ((self.function, 1.0),)
        return (self.function, 1.0 - self.other[1]), self.other


def usual_cover(fleet: Fleet) -> int:
    """Months of cover that most units have."""
    months, of = np.unique(fleet.units.cover, return_inverse=True)
    return int(months[np.bincount(of.ravel(), fleet.units.count).argmax()])


def world_named(fleet: Fleet, physics: OutlookPassages, words: str) -> World:
    """The world of 'lever=value, lever=value': levers of `compare`, and of a fleet alone: cover (months), 'share of
    EXPOSURE', 'sales to REGION' and 'shipped dry' (percent). Raises BadInput for what cannot be moved."""
    mend = f'--what-if "{CARE}{fleet.exposures[0]}=80"'
    moved: list[str] = []
    cover, dry, care, places = None, 0.0, [], []

    def percent(name: str, value: str, known: Sequence[str], what: str) -> tuple[str, float]:
        if known and name not in known:
            raise refusal(
                f'there is no {what} "{name}".{near_match(name, known)} Needed: one of {", ".join(known)}. Mend: {mend}'
            )
        try:
            number = float(value)
        except ValueError:
            number = float("nan")
        if not 0.0 <= number <= 100.0:
            raise refusal(f'"{value}" of {name}. Needed: percent from 0 to 100. Mend: {mend}')
        return name, number / 100.0

    for part in words.split(","):
        lever, _, value = (each.strip() for each in part.partition("="))
        if lever == "cover":
            if not value.isdigit() or not 1 <= int(value) <= max(fleet.settings.policy_months):
                longest = max(fleet.settings.policy_months)
                raise BadInput(f'cover of "{value}"', f"whole months from 1 to {longest} (policy_months)",
                               mend='--what-if "cover=36"')  # fmt: skip
            cover = int(value)
        elif lever.startswith(CARE):
            care.append(percent(lever.removeprefix(CARE), value, fleet.exposures, "exposure"))
        elif lever.startswith(PLACE):
            places.append(percent(lever.removeprefix(PLACE), value, fleet.regions, "region"))
        elif lever == DRY:
            dry = percent(lever, value, (), "")[1]
        elif lever == "shipping":
            physics = replace(physics, shipped=read_day(value), new_from=fleet.cutoff + 1)
        else:
            moved.append(part.strip())
    months = 12 + fleet.settings.habits.sale_lag_months + (cover or usual_cover(fleet))  # as `prices` looks ahead
    changed = replace(physics, what_if=", ".join(moved), years=min(physics.years, months // 12 + 1))
    unmoved = _unmoved(fleet, changed)
    if unmoved:
        changed = replace(changed, unmoved=unmoved)
        words += f" (not of {', '.join(dict.fromkeys(climate for climate, _ in unmoved))})"
    other = (replace(changed, shipped=DRY_FROM_DAYS), dry) if dry else None
    return World(changed, words.strip(), cover, tuple(care), tuple(places), other)


def _unmoved(fleet: Fleet, changed: OutlookPassages) -> tuple[tuple[str, str], ...]:
    """Climates and designs that cannot be moved so, such as a room without the humidifier that shall fail. Raises
    BadInput where none can."""
    found: list[tuple[str, str]] = []
    cells = {(climate, design): Cell(region, climate, exposure, design, 1)
             for region in fleet.regions for exposure, climate in fleet.settings.regions[region].climates.items()
             for design in fleet.designs}  # fmt: skip
    fault = None
    for place, cell in cells.items():
        try:
            changed.scenario(cell, 1, 1, 0)
        except BadInput as what:
            fault = fault or what
            found.append(place)
    if fault is not None and len(found) == len(cells):
        raise fault
    return tuple(found)
