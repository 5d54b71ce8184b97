"""What the page shows of one run: a few numbers in words and two drawings, made on the server."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from markupsafe import Markup, escape
from numpy.typing import NDArray

from driftmodel.advice.bands import last_stay_from, month_of_days, seasonal_action_mm
from driftmodel.base.records import Scenario
from driftmodel.base.units import length_words
from driftmodel.outlook.chain import Chain
from driftmodel.outlook.regrade import NEVER
from driftmodel.report.advice_words import months_words
from driftmodel.report.digest import length_scale
from driftmodel.report.figures import MONTHS, QUIET, SEASON, SEASON_LINE
from driftmodel.report.phrases import percent, season_words
from driftmodel.structure.joint import pivot_to_saddle_mm

Array = NDArray[np.float64]
QUANTILES = (0.1, 0.5, 0.9)


@dataclass(frozen=True)
class Answer:
    """title, words and drawings of one scenario's run."""

    title: str
    years: int
    draws: int
    seed: int
    when: str
    chance: str
    swing: str
    risk: str
    action: Markup
    projection: Markup


def answer(chain: Chain, seed: int, units: str) -> Answer:
    """The page's answer from a chain; action and projection have place and season in them, not the lasting drift."""
    scenario = chain.scenario
    start = last_stay_from(chain)
    month = month_of_days(chain)[start:]
    action = seasonal_action_mm(chain)[:, start:]
    seasonal = chain.world.seasonal
    distance = pivot_to_saddle_mm(scenario.instrument.strings.scale_mm, scenario.instrument.body_fret)
    projection = (seasonal["top_sinkage"] - seasonal["neck_rotation"] * (np.pi / 180.0 * distance))[:, start:]
    by_month = {name: _monthly(values, month) for name, values in (("action", action), ("projection", projection))}
    rule = scenario.rule
    outside = (action < rule.action_low_mm) | (action > rule.action_high_mm)
    past = tuple(m for m in range(1, 13) if outside[:, month == m].mean() > 0.5)
    chance = float(np.mean(chain.due.step[:, 0] != NEVER))
    swing = float(np.median(np.ptp(by_month["action"], axis=1)))
    tolerance = rule.projection_tolerance_mm
    return Answer(
        scenario.title, scenario.horizon_years, chain.draws.count, seed, when(chain), percent(chance),
        length_words(swing, units), months_words(past),
        drawing("Action at the 12th fret through the year", by_month["action"],
                (rule.action_low_mm, rule.action_high_mm), units),
        drawing("Fret plane at the saddle since set-up, + higher", by_month["projection"], (-tolerance, tolerance),
                units),
    )  # fmt: skip


def _monthly(values: NDArray[np.float32], month: NDArray[np.int64]) -> Array:
    return np.stack([values[:, month == m].mean(axis=1) for m in range(1, 13)], axis=1).astype(float)


def when(chain: Chain) -> str:
    """The date by which a regrade is as likely as not, and one time in ten."""
    scenario: Scenario = chain.scenario
    step, days = chain.due.step[:, 0], chain.world.reading.step_days
    first = np.datetime64(scenario.setup.setup.isoformat(), "D")
    ordered = np.sort(np.where(step == NEVER, np.iinfo(np.int64).max, step))
    said = []
    for share, words in ((0.5, "as likely as not by"), (0.1, "one time in ten by")):
        at = int(ordered[max(int(np.ceil(share * ordered.size)) - 1, 0)])
        if at != np.iinfo(np.int64).max:
            day = first + np.timedelta64(at * days, "D")
            said.append(f"{words} {season_words(day)} ({str(day)[:7]})")
    if not said:
        return f"A regrade is not likely within {scenario.horizon_years} years."
    return f"A regrade is due {', '.join(said)}."


def round_ticks(low: float, high: float) -> Array:
    """Three to seven round values (1, 2 or 5 times a power of ten apart) between two limits."""
    rough = (high - low) / 5.0
    power = 10.0 ** np.floor(np.log10(rough))
    step = next(each * power for each in (1.0, 2.0, 5.0, 10.0) if each * power >= rough)
    return np.asarray(np.arange(np.ceil(low / step), np.floor(high / step) + 1.0) * step + 0.0)


def drawing(title: str, by_month: Array, rule: tuple[float, float], units: str) -> Markup:
    """A line with its 10 to 90 % band by month, the rule dashed and named: inline SVG, (draws, 12) in mm."""
    factor, unit, digits = length_scale(units)
    low, middle, high = np.quantile(by_month, QUANTILES, axis=0) * factor
    limits = tuple(each * factor for each in rule)
    foot, top = min(low.min(), limits[0]), max(high.max(), limits[1])
    foot, top = foot - 0.08 * (top - foot), top + 0.08 * (top - foot)

    def x(month: int) -> float:
        return 62.0 + month * 42.0

    def y(value: float) -> float:
        return float(34.0 + (top - value) / (top - foot) * 190.0)

    band = [f"{x(m):.1f},{y(high[m]):.1f}" for m in range(12)] + [
        f"{x(m):.1f},{y(low[m]):.1f}" for m in range(11, -1, -1)
    ]
    line = " ".join(f"{x(m):.1f},{y(middle[m]):.1f}" for m in range(12))
    spoken = f"{title}. Middle by month: " + ", ".join(f"{MONTHS[m]} {middle[m]:.{digits}f} {unit}" for m in range(12))
    parts = [
        f'<svg viewBox="0 0 620 262" role="img" aria-label="{escape(spoken)}">',
        f'<text x="4" y="16" font-weight="bold">{escape(title)} ({unit})</text>',
        f'<polygon points="{" ".join(band)}" fill="{SEASON}"/>',
        f'<polyline points="{line}" fill="none" stroke="{SEASON_LINE}" stroke-width="2.2"/>',
    ]
    for value, words in ((limits[1], "too high"), (limits[0], "too low")):
        parts.append(f'<line x1="50" x2="536" y1="{y(value):.1f}" y2="{y(value):.1f}" stroke="#22282d" '
                     'stroke-dasharray="7 4"/>'
                     f'<text x="541" y="{y(value) + 4:.1f}">{words}</text>')  # fmt: skip
    for value in round_ticks(foot, top):
        parts.append(f'<text x="46" y="{y(float(value)) + 4:.1f}" text-anchor="end">{value:.{digits}f}</text>')
    for m in range(0, 12, 2):
        parts.append(f'<text x="{x(m):.1f}" y="244" text-anchor="middle">{MONTHS[m]}</text>')
    parts.append(f'<line x1="50" x2="536" y1="228" y2="228" stroke="{QUIET}"/>')
    parts.append(f'<text x="4" y="260" fill="{QUIET}">Band: four times in five. Dashed: the rule.</text></svg>')
    return Markup("".join(parts))
