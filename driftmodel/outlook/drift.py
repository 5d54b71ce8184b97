"""The forecast of one instrument: the chain run for its draws, told as one labelled dataset."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np

from driftmodel.base.limits import DAYS_PER_YEAR
from driftmodel.base.provenance import recording
from driftmodel.base.records import Scenario
from driftmodel.base.schema import described
from driftmodel.base.types import Dataset
from driftmodel.outlook.chain import run_chain
from driftmodel.outlook.draws import Draws, draw_unknowns
from driftmodel.outlook.findings import as_dataset, put_parts
from driftmodel.outlook.lasting import lasting_by_part
from driftmodel.outlook.lived import lived
from driftmodel.outlook.origin import origin
from driftmodel.outlook.place import air_attrs, better_air
from driftmodel.structure.neck_join import clamp_lost, opened


def forecast(
    scenario: Scenario,
    draws: int | None = None,
    seed: int | None = None,
    *,
    unknowns: Draws | None = None,
    progress: Callable[[str], None] = lambda _: None,
) -> Dataset:
    """The years to come of one instrument, as an ensemble; see schema.MOVEMENTS for the variables, units and signs.

    draws, seed: in place of the scenario's own. unknowns: draws from elsewhere, such as a calibration. attrs hold what
    is needed to make it again (see origin). Raises BadInput when the scenario's air does not reach the horizon, or a
    file it names is at fault.
    """
    seed = scenario.seed if seed is None else seed
    with recording() as numbers:
        ensemble = unknowns or draw_unknowns(scenario, scenario.draws if draws is None else draws, seed)
        chain = run_chain(scenario, ensemble, progress=progress)
        shown = chain.weathers[0]
        result = as_dataset(scenario, ensemble, chain.world, chain.due, shown.days, shown.lags, shown.weights)
        parts, bow = lasting_by_part(
            scenario, chain.coefficients, ensemble, shown.lags.lags_pct, shown.days.heat, shown.weights
        )
        put_parts(result, parts)
        result.attrs["bow_action_20_years_mm"] = round(float(bow[0]), 3)
        lost = ensemble.values["joint_creep"] * clamp_lost(20 * DAYS_PER_YEAR)
        result.attrs["bolts_slack_20_years"] = float(np.mean(opened(scenario.instrument, lost) > 2.0))
        words = "days a year inside the rule in the years ahead, season included, regrades done as they fall due"
        result["inside_days"] = (("draw",), lived(chain).inside_days, {"units": "day", "long_name": words})
        if result.attrs["verdict"] == "humidify":  # said only where the same draws are better off with it
            progress("the same guitar in better air")
            found = better_air(chain)
            result.attrs |= air_attrs(found)
            result.attrs["verdict"] = "humidify" if found.is_better else "leave"
    result.attrs = origin(scenario, seed, ensemble, unknowns is not None, numbers) | result.attrs
    return described(result)
