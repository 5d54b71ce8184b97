"""Claims as evidence: guitars that were regraded at some age, or were not by then, speak of the residual gain.

A forecast's draws have a residual gain and a day of the first regrade each. A guitar regraded at an age speaks for
draws whose lasting part left the tolerance about then, one not regraded for those in which it did not. For a middle m
and a spread s of all guitars the draws are weighed anew by N(z; m, s) / N(z; 0, 1) (Hogg, Myers and Bovy 2010,
Astrophysical Journal 725, 2166-2175, Eqs. 9-13). All else about these guitars stays as the prior has it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import date
from pathlib import Path

import numpy as np

from driftmodel.base.errors import BadInput, Spot
from driftmodel.base.opened import delimiter_of, rows_of, text_of
from driftmodel.base.records import Scenario
from driftmodel.base.scenarios import load_scenario
from driftmodel.base.schema import Array
from driftmodel.outlook.chain import run_chain
from driftmodel.outlook.draws import draw_unknowns, unknowns_of
from driftmodel.outlook.regrade import NEVER

GAIN = "residual_gain"
CLAIMS = "claims.csv"
COLUMNS = ("scenario", "sold", "until", "regraded", "count")
EXAMPLE = "first-winter,2016-05-01,2026-05-01,2023-02-01,4"
#: a regrade is asked for about so long before or after it is due, one standard deviation, days; this share of regrades
#: has nothing to do with drift, or was due and never asked for (common practice, no source)
ASKED_WITHIN_DAYS, OTHER = 365.0, 0.2
#: guitars of one file share weather, habits and who reports: together they count as so many at most
MOST_GUITARS = 20.0
DRAWS, SEED = 400, 29


@dataclass(frozen=True)
class Claim:
    """`count` guitars of one scenario, a design where it lives: regraded at an age in days, or not by that age."""

    scenario: Scenario
    age_days: int
    regraded: bool
    count: int = 1


@dataclass(frozen=True)
class Claims:
    """What they say: each row's count, and for the draws of its scenario the gain's standard normal value and how
    likely the row is, (rows, draws). guitars, regraded: how many in all."""

    count: Array
    gain: Array
    chance: Array
    regraded: int

    @property
    def guitars(self) -> int:
        """How many guitars in all."""
        return int(self.count.sum())

    def log_density(self, middles: Array, apart: Array) -> Array:
        """Logarithm of how probable the claims are for middles and spreads of the gain, (particles,)."""
        total = np.zeros(len(middles))
        for count, gain, chance in zip(self.count, self.gain, self.chance, strict=True):
            weight = -0.5 * ((gain - middles[:, None]) / apart[:, None]) ** 2 + 0.5 * gain**2
            weight = np.exp(weight - weight.max(axis=1, keepdims=True))
            total += count * np.log((weight @ chance) / weight.sum(axis=1))
        return np.asarray(total * min(1.0, MOST_GUITARS / max(self.guitars, 1)))


def claims_say(claims: Sequence[Claim]) -> Claims:
    """What claims say: one run of the forecast for each scenario among them."""
    years = max(-(-one.age_days // 365) for one in claims) + 3
    runs: dict[str, tuple[Array, Array]] = {}
    for one in claims:
        if one.scenario.name not in runs:
            plain = replace(one.scenario, learned=(), horizon_years=years)
            draws, gain = draw_unknowns(plain, DRAWS, SEED), unknowns_of(plain)[GAIN]
            due = run_chain(plain, draws).due.day[:, 0].astype(float)
            due[due == NEVER] = np.inf
            runs[one.scenario.name] = (np.log(draws.values[GAIN] / gain.median) / gain.log_sd, due)
    chance = []
    for one in claims:
        due = runs[one.scenario.name][1]
        fit = np.exp(-0.5 * ((due - one.age_days) / ASKED_WITHIN_DAYS) ** 2) if one.regraded else due > one.age_days
        chance.append((1.0 - OTHER) * fit + OTHER * max(float(np.mean(fit)), 1e-3))
    return Claims(
        np.array([float(one.count) for one in claims]),
        np.stack([runs[one.scenario.name][0] for one in claims]),
        np.stack(chance),
        sum(one.count for one in claims if one.regraded),
    )


def read_claims(file: Path) -> tuple[Claim, ...]:
    """The rows of a claims file: scenario (a shipped name, or a file beside it), day sold, day until which it is known,
    day it was regraded (blank if it was not), how many such guitars. Raises BadInput naming the row."""
    lines = text_of(file, "a claims file", mend="check the path").splitlines()
    delimiter = delimiter_of(lines[0] if lines else "")
    found, names = [], None
    for row, cells in rows_of(lines, delimiter, file, comment="#"):
        if names is None:
            names = tuple(cell.lower() for cell in cells)
            if set(names) != set(COLUMNS):
                came = "columns " + ", ".join(cells)
                raise BadInput(came, "columns " + ", ".join(COLUMNS), file=file, place=f"row {row}",
                               mend=",".join(COLUMNS))  # fmt: skip
            continue
        cell = dict(zip(names, [*cells, *[""] * len(names)], strict=False))
        try:
            sold, until = (date.fromisoformat(cell[name]) for name in ("sold", "until"))
            regraded = date.fromisoformat(cell["regraded"]) if cell["regraded"] else None
            count = int(cell["count"] or 1)
        except ValueError as fault:
            raise BadInput(str(fault), "dates as 2023-02-01, a whole number of guitars", file=file,
                           place=f"row {row}", mend=EXAMPLE) from None  # fmt: skip
        end = regraded or until
        if not sold < end <= until or count < 1:
            raise BadInput(f"sold {sold}, regraded {regraded or 'never'}, known until {until}, {count} guitars",
                           "sold before it was regraded, that by the day it is known until, one guitar at least",
                           file=file, place=f"row {row}", mend=EXAMPLE)  # fmt: skip
        beside = file.parent / cell["scenario"]
        scenario = load_scenario(beside if beside.suffix == ".toml" else cell["scenario"])
        found.append(Claim(scenario, (end - sold).days, regraded is not None, count))
    if not found:
        raise Spot(file).refusal(f"no claim in the file. Needed: a header and a row. Mend: {EXAMPLE}")
    return tuple(found)
