"""Which unknown drives the spread, and which reading would narrow it most."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from datetime import date, timedelta

import numpy as np
from numpy.typing import NDArray

from driftmodel.base.records import Scenario
from driftmodel.calibration.bench import make_bench
from driftmodel.calibration.fit import EXTRA_WORDS, Posterior, learn
from driftmodel.calibration.forward import creep_of, expected_readings, moisture_of, moved, plan_of
from driftmodel.calibration.layout import Layout
from driftmodel.calibration.outcomes import Answers
from driftmodel.calibration.records import QUANTITIES, BenchBook, Calibration, ReadingRow
from driftmodel.calibration.sight import Moment
from driftmodel.calibration.tools import tool_sd
from driftmodel.outlook.draws import WIDEST_SD, unknowns_of

Array = NDArray[np.float64]
Outcome = Callable[[Answers], Array]

SOBOL_SAMPLES = 1024
#: what a bench might read, and with which tool
CANDIDATES = (
    ("action", "feeler gauge"),
    ("action", "rule"),
    ("projection", "straightedge"),
    ("top_sinkage", "straightedge"),
    ("relief", "feeler gauge"),
    ("weight", "scale"),
)


def next_dry_season(found: Answers) -> Array:
    """Action over the next dry season, mm."""
    return found.action_dry_mm


def at_the_end(found: Answers) -> Array:
    """Action at the place's mean state at the horizon's end, mm: what a regrade's date hangs on."""
    return found.action_end_mm


OUTCOMES: dict[str, Outcome] = {
    "action over the next dry season": next_dry_season,
    "action at the end, the place's mean state": at_the_end,
}


@dataclass(frozen=True)
class Share:
    """Sobol indices of one unknown: first order (alone) and total (with all it works together with)."""

    name: str
    words: str
    first: float
    total: float


@dataclass(frozen=True)
class Worth:
    """A reading to come: how much of the outcome's standard deviation it may be expected to leave (1: nothing learned).

    Quantities whose level the scenario does not state are read twice, on the day and at `day`."""

    what: str
    tool: str
    day: date
    left: float


def shares_of_variance(
    posterior: Posterior, outcome: Outcome = at_the_end, samples: int = SOBOL_SAMPLES, seed: int = 1
) -> tuple[Share, ...]:
    """Sobol indices of the prior's unknowns, largest total first; the weather is left at its middle.

    First order: Saltelli et al. (2010), Table 2 (b); total: Jansen (1999), ibid. (f). Pick-freeze over scrambled Sobol
    points; errors are about 1 / sqrt(samples).
    """
    from scipy.special import ndtr, ndtri
    from scipy.stats import qmc

    layout = posterior.layout
    points = qmc.Sobol(2 * layout.size, seed=np.random.default_rng(seed)).random(samples)
    edge = float(ndtr(-WIDEST_SD))
    normals = np.clip(ndtri(edge + (1 - 2 * edge) * points), -WIDEST_SD, WIDEST_SD)
    one, two = normals[:, : layout.size], normals[:, layout.size :]
    horizon = outcome is at_the_end

    def run(particles: Array) -> Array:
        return outcome(posterior.answers(particles, horizon=horizon, weather=False))

    first_run, second_run = run(one), run(two)
    both = np.concatenate([first_run, second_run])
    middle, variance = float(both.mean()), float(both.var())
    found = []
    for name, words, columns in _groups(layout, posterior.bench.scenario):
        mixed = one.copy()
        mixed[:, columns] = two[:, columns]
        other = run(mixed)
        first = float(np.mean((second_run - middle) * (other - first_run))) / max(variance, 1e-18)
        total = float(np.mean((first_run - other) ** 2)) / 2.0 / max(variance, 1e-18)
        found.append(Share(name, words, first, total))
    return tuple(sorted(found, key=lambda share: -share.total))


def _groups(layout: Layout, scenario: Scenario) -> list[tuple[str, str, list[int]]]:
    known = unknowns_of(scenario)
    found: list[tuple[str, str, list[int]]] = []
    for place, name in enumerate(layout.names):
        if not name.startswith(("level_", "truss_rod_", "lean", "wood_mass")):
            found.append((name, known[name].words if name in known else EXTRA_WORDS[name], [place]))
    return found


def worth_reading(
    scenario: Scenario,
    calibration: Calibration | None = None,
    outcome: Outcome = at_the_end,
    *,
    now: date | None = None,
    months: int = 12,
    particles: int = 1000,
) -> tuple[Worth, ...]:
    """Readings of the months to come by how much they may be expected to narrow an outcome, best first.

    From the draws as they now are (the prior's without a calibration): the outcome is regressed on what a reading
    would show; what the regression leaves, with the tool's noise counted, is the expected spread afterwards (linear
    Bayes; Goldstein and Wooff 2007). Exact for linear answers, an upper bound of what is left otherwise.
    """
    book = calibration.bench if calibration else BenchBook(())
    day = now or max((one.date for one in book.readings), default=scenario.setup.setup)
    bench = make_bench(scenario, day, book)
    days = [day + timedelta(days=round(30.44 * month)) for month in range(1, months + 1)]
    rows = [ReadingRow(when, what, 0.0, tool_sd(tool)[0], tool) for what, tool in CANDIDATES for when in (day, *days)]
    moments = tuple(Moment(row.date) for row in rows)
    posterior = learn(scenario, book, bench=bench, particles=particles, now=day, more=moments)
    seen = _expected_more(posterior, tuple(rows))
    aim = outcome(posterior.answers())
    found = []
    for number, (what, tool) in enumerate(CANDIDATES):
        first = number * (len(days) + 1)
        sd = rows[first].sd
        for place, when in enumerate(days, start=first + 1):
            level_known = QUANTITIES[what].level_known
            shown = seen[:, place] if level_known else seen[:, place] - seen[:, first]
            noise = sd**2 if level_known else 2.0 * sd**2
            explained = float(np.cov(aim, shown)[0, 1]) ** 2 / (float(np.var(shown)) + noise)
            left = max(0.0, 1.0 - explained / max(float(np.var(aim)), 1e-18))
            found.append(Worth(what, tool, when, float(np.sqrt(left))))
    return tuple(sorted(found, key=lambda one: one.left))


def _expected_more(posterior: Posterior, rows: tuple[ReadingRow, ...]) -> Array:
    """What the bench would read at the moments asked for beside the readings, (particles, rows); levels unknown to the
    particles are put at 0: only changes are used."""
    first, count = len(posterior.readings), len(rows)
    columns = slice(first, first + count)
    sight = posterior.sight.columns(columns)
    layout, normals = posterior.layout, posterior.sampled.normals
    values = layout.values(normals)
    for name in (*(f"level_{what}" for what in QUANTITIES), "lean"):
        values.setdefault(name, np.zeros(len(normals)))
    values.setdefault("wood_mass", np.ones(len(normals)))
    bench = posterior.bench
    moisture = moisture_of(bench, layout, sight, normals, values)
    movement = moved(bench, moisture, creep_of(layout, sight.creep, normals, values), values)
    return expected_readings(bench, plan_of(bench, rows, posterior.book), values, movement)
