"""The physics ensemble of one cell, from the same forecast that answers for a single instrument."""

from __future__ import annotations

from dataclasses import dataclass, replace
from datetime import date, timedelta
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np

from driftmodel.base.errors import BadInput, near_match
from driftmodel.base.records import Scenario, Stay
from driftmodel.fleet.passage import Cell, Passages, cell_seed
from driftmodel.fleet.roster import Fleet

if TYPE_CHECKING:
    from xarray import Dataset

DAYS_PER_MONTH = 365.25 / 12.0


@dataclass(frozen=True)
class OutlookPassages:
    """A cell function over `outlook.drift.forecast`, plain data so that it travels to workers.

    designs: (name, scenario name or file) pairs; grades: the fleet's labels; years: horizon of the physics;
    build_year: calendar year in which the physics starts (members carry the spread of weather years); folder: where
    the fleet file is: scenarios and climates named in it are sought there first, then among the shipped ones.
    """

    designs: tuple[tuple[str, str], ...]
    grades: tuple[str, ...]
    years: int
    build_year: int
    folder: str = "."

    def fingerprint(self, cell: Cell) -> str:
        """All that a cell's passages are made from besides the seed and the numbers of draws and members."""
        return repr((self.scenario(cell, 1, 1, 0), self.grades))

    def __call__(self, cell: Cell, members: int, draws: int, seed: int) -> Passages:
        from driftmodel.outlook.drift import forecast

        scenario = self.scenario(cell, members, draws, seed)
        return self._passages(forecast(scenario, draws, cell_seed(cell, seed)), cell)

    def scenario(self, cell: Cell, members: int, draws: int, seed: int) -> Scenario:
        """The design's scenario, built in the cell's month and living in the cell's climate from set-up on."""
        from driftmodel.base.scenarios import load_climate, load_scenario

        base = load_scenario(self._scenario_named(dict(self.designs)[cell.design]))
        ready = date(self.build_year, cell.build_month, 15)
        strung = ready - (base.setup.setup - base.setup.strung)
        first = replace(base.stays[0], start=strung - timedelta(days=30))
        return replace(
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

    def _scenario_named(self, name: str) -> str:
        beside = Path(self.folder) / name
        return str(beside) if beside.is_file() else name

    def _climate_named(self, cell: Cell) -> Path:
        from driftmodel.base.datafiles import scenarios_dir

        name = cell.climate if cell.climate.endswith(".toml") else f"{cell.climate}.toml"
        places = [
            Path(self.folder) / name,
            Path(self.folder) / "climates" / name,
            scenarios_dir() / "climates" / name,
        ]
        for place in places:
            if place.is_file():
                return place
        known = sorted(path.stem for path in places[-1].parent.glob("*.toml"))
        raise BadInput(
            f'there is no climate "{cell.climate}".{near_match(cell.climate, known)}',
            f"a climate file beside the fleet file, or one of {', '.join(known)}",
            place=f"regions.{cell.region}.climates, {cell.exposure}",
            mend=f'{cell.exposure} = "{known[0]}"',
        )

    def _passages(self, outcome: Dataset, cell: Cell) -> Passages:
        dates, labels = outcome["regrade_date"].values, outcome["regrade_grade"].values
        days = (dates - outcome["time"].values[0]) / np.timedelta64(1, "D")
        months = np.where(np.isnat(dates), np.inf, days / DAYS_PER_MONTH)
        index = {label: place for place, label in enumerate(self.grades)} | {"": -1}
        unknown = sorted(set(labels[np.isfinite(months)].tolist()) - set(index))
        if unknown:
            raise BadInput(
                f"the design {cell.design} is regraded to {', '.join(unknown)}",
                "every grade of its spacer set among the fleet's grades",
                place="grades",
                mend=f"add {', '.join(unknown)} to grades",
            )
        return Passages(months, np.vectorize(lambda label: index.get(label, -1), otypes=[np.intp])(labels))


def physics_of(fleet: Fleet) -> OutlookPassages:
    """The cell function of a fleet: a horizon that reaches from the oldest build to the end of the forecast."""
    settings = fleet.settings
    oldest = int(fleet.units.build.min(initial=fleet.cutoff))
    years = -(-(fleet.cutoff - oldest + settings.horizon_months + 1) // 12)
    designs = tuple((name, design.scenario) for name, design in settings.designs.items())
    return OutlookPassages(designs, tuple(settings.grades), max(years, 1), oldest // 12, str(fleet.file.parent))
