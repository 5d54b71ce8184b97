"""What humidity care is worth for one instrument in one place: every measure run through the same draws."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import numpy as np

from driftmodel.advice.bands import (
    Held,
    Year,
    action_band,
    average_year,
    daily_humidity,
    held_strain,
    historic_air,
    months_at_risk,
    restrained_share,
    settled_later_pct,
    wood_band,
)
from driftmodel.advice.measures import Measure, Need, air_at_wall, cold_surfaces, measures_for
from driftmodel.advice.records import Advice, ColdSurface, HumidityBand, MeasureResult, MonthRisk, Outcome
from driftmodel.base.records import Scenario
from driftmodel.base.schema import DAMP_PCT, DAYS_PER_YEAR, Array
from driftmodel.outlook.air_levers import with_last_climate
from driftmodel.outlook.calendar import ahead_years, is_southern, monthly_means, swing
from driftmodel.outlook.chain import Chain, LagCache, run_chain
from driftmodel.outlook.draws import Draws, draw_unknowns
from driftmodel.outlook.findings import due_dates, first_dates
from driftmodel.outlook.lived import lived, with_spacer
from driftmodel.outlook.place import suited_grade
from driftmodel.outlook.regrade import NEVER

LEAST_BAND_PCT = 8.0  # narrower than this no room can be held (common practice, no source)
KEEP_LOW_PCT, KEEP_HIGH_PCT = 35.0, 60.0  # never advised beyond these: common practice, no source


def advise(
    scenario: Scenario,
    draws: int | None = None,
    seed: int | None = None,
    *,
    unknowns: Draws | None = None,
    cache: LagCache | None = None,
    progress: Callable[[str], None] = lambda _: None,
) -> Advice:
    """Care for the scenario's instrument in the climate it lives in last.

    Every measure is a changed climate of the last stay, run through the same draws and the same weather, the first, as
    the air as it is: differences are of pairs. Raises BadInput where the scenario's air does."""
    seed = scenario.seed if seed is None else seed
    progress("the air as it is")
    drawn = unknowns or draw_unknowns(scenario, scenario.draws if draws is None else draws, seed)
    ensemble = replace(drawn, member=np.full(drawn.count, drawn.member[0]))
    chain = run_chain(scenario, ensemble, cache)
    held = held_strain(chain, seed)
    by_action = action_band(chain)
    bands = (by_action, wood_band(chain, by_action.settled_pct), wood_band(chain, settled_later_pct(chain)))
    keep = band_to_keep(bands)
    year = average_year(chain)
    months = months_at_risk(chain, year, held, keep)
    climate = scenario.stays[-1].climate
    start = scenario.stays[-1].start
    need = Need(keep, *_months_to_mend(months, keep), start, scenario.seed)
    now = outcome(chain, year, held, months)
    here = cold_surfaces(climate, start, scenario.seed)
    results = []
    for measure in measures_for(climate, need):
        progress(f"with a measure: {measure.key}")
        changed = run_chain(with_last_climate(scenario, measure.climate), ensemble, cache)
        results.append(_result(measure, chain, changed, seed, need, now, here))
    if climate.room is not None and climate.outdoor is not None:
        progress("against the outer wall")
        results.append(_off_the_wall(chain, seed, need, now))
    kind = _kind(months, keep)
    best, why = _best(kind, now, results)
    return Advice(
        scenario.name, scenario.title, ahead_years(scenario), chain.draws.count, seed, keep, bands,
        restrained_share(scenario.instrument), months, kind, is_southern(chain.weathers[0].air), now, here,
        tuple(results), historic_air(chain, year), best, why,
    )  # fmt: skip


def band_to_keep(bands: tuple[HumidityBand, ...]) -> tuple[float, float]:
    """What action and wood both allow from the state at set-up, inside what is ever advised; at least 8 % wide."""
    first = bands[:2]
    low = max(KEEP_LOW_PCT, *(band.low_pct for band in first))
    high = min(KEEP_HIGH_PCT, *(band.high_pct for band in first))
    if high - low < LEAST_BAND_PCT:
        middle = min(max((low + high) / 2.0, KEEP_LOW_PCT + 4.0), KEEP_HIGH_PCT - 4.0)
        low, high = middle - LEAST_BAND_PCT / 2.0, middle + LEAST_BAND_PCT / 2.0
    return float(round(low)), float(round(high))


def outcome(chain: Chain, year: Year, held: Held, months: tuple[MonthRisk, ...], changed: bool = False) -> Outcome:
    """What the chain says of its air (see records.Outcome); changed: it is not the air as it is, and the spacer that
    suits it is fitted with the change."""
    humidity = daily_humidity(chain)[:, year.start :]
    due = ["" if np.isnat(date) else str(date)[:10] for date in due_dates(first_dates(chain.scenario, chain.due))]
    suited = suited_grade(chain)
    life = lived(with_spacer(chain, suited) if changed else chain)
    return Outcome(
        float(chain.free_years().mean()),
        float(np.mean(chain.due.day[:, 0] == NEVER)),
        (due[0], due[1], due[2]),
        float(np.median(swing(monthly_means(year.action_mm, year.month)))),
        float(held.splits().mean()),
        float(held.past_set().mean() * DAYS_PER_YEAR),
        tuple(each.month for each in months if each.reason),
        tuple(each.month for each in months if each.reason == "dry"),
        tuple(each.month for each in months if each.reason == "damp"),
        float((humidity > DAMP_PCT).mean() * DAYS_PER_YEAR),
        float(np.quantile(humidity, 0.05)),
        float(np.quantile(humidity, 0.95)),
        float(life.inside_days.mean()),
        float(life.regrades.mean()),
        suited,
    )


def _with_keep(chain: Chain, seed: int, need: Need, changed: bool = True) -> Outcome:
    """What a changed air does, held against the band that is to be kept."""
    year, held = average_year(chain), held_strain(chain, seed)
    return outcome(chain, year, held, months_at_risk(chain, year, held, need.keep), changed)


def _result(
    measure: Measure, before: Chain, after: Chain, seed: int, need: Need, now: Outcome, here: tuple[ColdSurface, ...]
) -> MeasureResult:
    then = _with_keep(after, seed, need)
    gained = after.free_years() - before.free_years()
    surfaces = cold_surfaces(measure.climate, need.start, need.seed)
    at_work = measure.litres[measure.litres > 1e-6]
    return MeasureResult(
        measure.key, measure.words,
        float(at_work.mean()) if at_work.size else 0.0,
        float(np.quantile(at_work, 0.95)) if at_work.size else 0.0,
        measure.capacity_l_per_day, measure.months, now, then,
        *_paired(gained),
        surfaces, _drawbacks(measure, then, now, surfaces, here),
    )  # fmt: skip


def _drawbacks(
    measure: Measure, then: Outcome, now: Outcome, surfaces: tuple[ColdSurface, ...], here: tuple[ColdSurface, ...]
) -> tuple[str, ...]:
    """What the measure costs: what it adds to the wet of walls and windows, and what it asks of people."""
    lines = []
    was = {surface.name: surface for surface in here}
    for surface in surfaces:
        before = was[surface.name]
        if surface.condensing_share > before.condensing_share + 0.005:
            lines.append(
                f"water condenses on {surface.name} in {100 * surface.condensing_share:.0f} % of the hours (without it "
                f"in {100 * before.condensing_share:.0f} %)"
            )
        count = len(surface.mould_months)
        if count > len(before.mould_months):
            lines.append(f"mould can grow on {surface.name} in {count} month{'s' if count > 1 else ''} of the year")
    if then.damp_days > max(30.0, now.damp_days + 5.0):
        lines.append(f"the air around it is above {DAMP_PCT:.0f} % on {then.damp_days:.0f} days a year")
    own = {
        "case": "it does nothing for a dry month that lasts longer than the case holds out",
        "case humidifier": "it must be filled and cleaned every week or so, and drips if it is overfilled",
        "room humidifier": "it must be filled daily and cleaned weekly",
        "cooler room": "the people in it must bear it cooler",
        "dehumidifier": "it needs power, a drain or a daily empty tank, and makes noise and warmth",
        "both": "two machines to fill, empty and clean",
    }
    return (*lines, own[measure.key])


def _off_the_wall(room: Chain, seed: int, need: Need, now: Outcome) -> MeasureResult:
    """For a guitar that hangs on an outer wall: the same draws in the wall's air, and what the room's air buys."""
    wall = run_chain(room.scenario, room.draws, LagCache(1, air_at_wall))
    hung = _with_keep(wall, seed, need, changed=False)
    gained = room.free_years() - wall.free_years()
    words = (
        f"Off the outer wall, if it hangs on one: days of a year above {DAMP_PCT:.0f} % in the air against it "
        f"{hung.damp_days:.0f}, in the room's {now.damp_days:.0f}"
    )
    return MeasureResult(
        "off the wall", words, 0.0, 0.0, 0.0, (), hung, now, *_paired(gained), (),
        ("all else here takes it to stand in the room's air already",),
    )  # fmt: skip


def _paired(gained: Array) -> tuple[float, float]:
    """Mean of paired differences and its standard error."""
    error = float(gained.std(ddof=1) / np.sqrt(gained.size)) if gained.size > 1 else 0.0
    return float(gained.mean()), error


def _months_to_mend(
    months: tuple[MonthRisk, ...], keep: tuple[float, float]
) -> tuple[tuple[int, ...], tuple[int, ...]]:
    """Months a humidifier and a dehumidifier are switched on: where one day in ten is past the band, if the middle day
    of any month is. Both have set points and idle while the air is good."""
    dry = tuple(each.month for each in months if each.humidity_pct[0] < keep[0])
    damp = tuple(each.month for each in months if each.humidity_pct[2] > keep[1])
    needs_water = any(each.humidity_pct[1] < keep[0] for each in months)
    needs_drying = any(each.humidity_pct[1] > keep[1] for each in months)
    return dry if needs_water else (), damp if needs_drying else ()


def _kind(months: tuple[MonthRisk, ...], keep: tuple[float, float]) -> str:
    """'dry' or 'damp' where one outweighs the other twice over, by how far and for how many months the middle day is
    past the band; 'both' where neither does; 'steady' where no month is at risk."""
    dry = sum(max(keep[0] - each.humidity_pct[1], 1.0) for each in months if each.reason == "dry")
    damp = sum(max(each.humidity_pct[1] - keep[1], 1.0) for each in months if each.reason == "damp")
    if dry == damp == 0.0:
        return "steady"
    return "dry" if dry > 2.0 * damp else "damp" if damp > 2.0 * dry else "both"


def _left(kind: str, each: Outcome) -> int:
    of = {"dry": each.dry_months, "damp": each.damp_months}.get(kind, each.months_outside)
    return len(of)


def counted(number: int) -> str:
    """'no', 'one', 'two' ... 'twelve'."""
    return ("no", "one", "two", "three", "four", "five", "six", "seven", "eight", "nine", "ten", "eleven", "twelve")[
        number
    ]


def is_better(now: Outcome, then: Outcome) -> bool:
    """Whether one air is better than another for what an owner feels: no fewer days inside the rule and no more cracks,
    and clearly more of the one or fewer of the other."""
    no_worse = then.inside_days >= now.inside_days - 1.0 and then.crack_risk <= now.crack_risk + 0.005
    return no_worse and (then.inside_days > now.inside_days + 3.0 or then.crack_risk < now.crack_risk - 0.02)


def _best(kind: str, now: Outcome, results: list[MeasureResult]) -> tuple[str, str]:
    """Of the measures that the same runs show to be better for the owner, the one that leaves the fewest months at risk
    for the place's own reason; between equals the one with the less water to carry. None for a steady home, or where
    no measure is better."""
    run = [each for each in results if each.key != "off the wall" and is_better(now, each.outcome)]
    if kind == "steady":
        return "", "the air is already inside what action and wood allow in every month"
    if not run:
        spacer = f": {now.suited} is worth its job" if now.suited else ""
        return "", f"no measure here is better for the guitar; choose a spacer for this place instead{spacer}"
    fewest = min(_left(kind, each.outcome) for each in run)
    good = [each for each in run if _left(kind, each.outcome) == fewest]
    best = min(good, key=lambda each: (each.litres_per_day, -each.outcome.inside_days))
    alone = len(good) < 2 or not best.litres_per_day
    least = "" if alone else "; of those that leave no more months at risk it is the least water to carry"
    then = best.outcome
    hidden = " (more: damper air holds the action higher, where dryness hid what the body settles for good)"
    more = hidden if then.regrades > now.regrades + 0.05 and kind != "damp" else ""
    spacer = f"with spacer {then.suited} fitted for it, " if then.suited else ""
    return best.key, (
        f"{spacer}{then.inside_days:.0f} days a year are inside the rule where there are {now.inside_days:.0f}, "
        f"the crack risk is {100 * then.crack_risk:.0f} % where it is {100 * now.crack_risk:.0f} %, and "
        f"{then.regrades:.1f} regrades are to be expected where there are {now.regrades:.1f}{more}{least}"
    )
