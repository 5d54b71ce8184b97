"""Bands of fleets of the shipped designs and climates, whose seasons the physics knows, where regrades follow laws by
age alone that know none. No outside reference values: truth is the generator's own (tests/outside_fleets.py)."""

from __future__ import annotations

import numpy as np
import pytest
from outside_fleets import GENERATORS, hump_hazard, outside_fleet
from test_fleet_outside import REFERENCES, wis

from driftmodel.base.scenarios import named_file
from driftmodel.base.tomlfile import validated
from driftmodel.fleet import scores
from driftmodel.fleet.demand import forecast_demand
from driftmodel.fleet.fleet_file import FleetFile
from driftmodel.fleet.physics import OutlookPassages
from driftmodel.fleet.run import remembered

pytestmark = pytest.mark.study
LAWS = {"a hump": hump_hazard(), "Weibull 0.8": GENERATORS["Weibull 0.8"], "Weibull 1.6": GENERATORS["Weibull 1.6"]}


def test_months_hold_where_the_physics_has_a_season_and_the_claims_have_none() -> None:
    """Twelve fleets of each of three laws, without owners who wait: of 36 years a true 80 % band holds
    67 to 92 % (binomial, 95 %), months are many; the middle of the twelve of a law has an error of two points."""
    file = named_file("two-regions", "fleets", "fleet", "study")
    told = validated(FleetFile, file)[0]
    habits = told.habits.model_copy(update={"end_of_cover_share": 0.0})
    settings = told.model_copy(update={"samples": 300, "horizon_months": 12, "habits": habits})
    designs = tuple((name, design.scenario) for name, design in settings.designs.items())
    physics = remembered(OutlookPassages(designs, tuple(settings.grades), 8, 2020, str(file.parent)), None)
    years, months = [], []
    for law in LAWS.values():
        middles, score = [], {name: 0.0 for name in ("model", *REFERENCES)}
        for seed in range(12):
            fleet, truth = outside_fleet(law, 300 + seed, settings=settings)
            found = forecast_demand(fleet, physics, to_end_of_cover=False)
            cube = found.cube["regrades"].values.sum(axis=(2, 3, 4, 5)).astype(float)
            years.append(scores.coverage_counts(cube.sum(axis=1)[None], [truth.sum()]))
            months.append(scores.coverage_counts(cube.T, truth.sum(axis=(1, 2))))
            middles.append(np.median(cube.sum(axis=1)) / truth.sum())
            score = {name: score[name] + value for name, value in wis(found, truth).items()}
        assert np.mean(middles) == pytest.approx(1.0, abs=0.08)
        assert score["model"] <= 1.05 * min(score[name] for name in REFERENCES)
    assert np.mean(years) >= 0.67
    assert 0.74 <= np.mean(months) <= 0.90
