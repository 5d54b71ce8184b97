"""What the page shows, made on the server: of one run a few numbers in words and two drawings; of a reading the action
over the years as drawn before and after learning, readings as dots."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date

import numpy as np
from markupsafe import Markup, escape

from driftmodel.advice.bands import average_year
from driftmodel.base.records import Scenario
from driftmodel.base.schema import QUANTILES, Array
from driftmodel.base.units import length_words, temperature_words
from driftmodel.calibration.decide import Decision
from driftmodel.calibration.records import ReadingRow
from driftmodel.outlook.chain import Chain
from driftmodel.outlook.findings import due_dates, first_dates
from driftmodel.outlook.season import (
    is_southern,
    monthly_means,
    months_past_rule,
    past_rule_by_month,
    projection_change,
    swing,
)
from driftmodel.outlook.work import ahead_years
from driftmodel.report.ensemble import length_scale
from driftmodel.report.pictures import MONTHS, QUIET, SEASON, SEASON_LINE
from driftmodel.report.texts import months_words, percent
from driftmodel.report.words import when_sentence

RUST = "#7b3410"


@dataclass(frozen=True)
class Answer:
    """title, words and drawings of one scenario's run; command: what gives the same numbers in a terminal."""

    title: str
    room: str
    command: str
    years: int
    draws: int
    seed: int
    when: str
    chance: str
    swing: str
    risk: str
    southern: bool
    past: tuple[int, ...]
    rule_mm: tuple[float, float]
    tolerance_mm: float
    action_mm: Array
    projection_mm: Array

    def drawings(self, units: str, among: Sequence[Answer]) -> tuple[Markup, Markup]:
        """Action and projection, each on one scale with the answers it stands among."""
        action = reach([(each.action_mm, each.rule_mm) for each in among])
        limits = [(-each.tolerance_mm, each.tolerance_mm) for each in among]
        projection = reach([(each.projection_mm, own) for each, own in zip(among, limits, strict=True)])
        return (
            drawing("Action at the 12th fret", self.action_mm, self.rule_mm, action, units, self.past, self.southern),
            drawing("Fret plane at the saddle, from set-up, + higher", self.projection_mm,
                    (-self.tolerance_mm, self.tolerance_mm), projection, units, (), self.southern),
        )  # fmt: skip


def answer(chain: Chain, seed: int, units: str, command: str) -> Answer:
    """The page's answer from a chain; action and projection have place and season in them, not the lasting drift."""
    scenario, rule = chain.scenario, chain.scenario.rule
    year = average_year(chain)
    projection = projection_change(chain.world.seasonal, scenario)[:, year.start :]
    actions = monthly_means(year.action_mm, year.month)
    first = first_dates(scenario, chain.due)
    reached = float(np.mean(~np.isnat(first)))
    southern = is_southern(chain.weathers[0].air)
    past = months_past_rule(past_rule_by_month(year.action_mm, year.month, rule))
    return Answer(
        scenario.title,
        room_words(scenario, units),
        command,
        ahead_years(scenario),
        chain.draws.count,
        seed,
        when_sentence(due_dates(first), reached, ahead_years(scenario), southern, scenario.today),
        percent(reached),
        length_words(float(np.median(swing(actions))), units),
        months_words(past),
        southern,
        past,
        (rule.action_low_mm, rule.action_high_mm),
        rule.projection_tolerance_mm,
        np.quantile(actions, QUANTILES, axis=0),
        np.quantile(monthly_means(projection, year.month), QUANTILES, axis=0),
    )


def reach(shown: Sequence[tuple[Array, tuple[float, float]]]) -> tuple[float, float]:
    """Foot and top in mm of a scale that holds every band (3, 12) and its rule."""
    foot = min(min(float(band.min()), rule[0]) for band, rule in shown)
    top = max(max(float(band.max()), rule[1]) for band, rule in shown)
    return foot - 0.08 * (top - foot), top + 0.08 * (top - foot)


def room_words(scenario: Scenario, units: str) -> str:
    """What stands about the guitar where it lives last, and what it was built in: where the sliders start from."""
    climate, setup = scenario.stays[-1].climate, scenario.setup
    parts = [climate.title.split(" (")[0]]
    if climate.room is not None:
        heated = climate.room.heating_setpoint_c
        parts.append("not heated" if heated is None else f"heated to {temperature_words(heated, units)}")
        parts.append(f"{climate.room.air_changes_per_hour:.2g} air changes an hour in the cold")
    if climate.humidifier is not None:
        parts.append(f"room humidifier at {climate.humidifier.setpoint_pct:.0f} %")
    if climate.case is not None:
        wet = climate.case.humidifier_pct
        parts.append("in its case" + ("" if wet is None else f", humidified to {wet:.0f} %"))
    return f"{'; '.join(parts)}. Built at {setup.built_relative_humidity_pct:.0f} %."


def round_ticks(low: float, high: float) -> Array:
    """Three to seven round values (1, 2 or 5 times a power of ten apart) between two limits."""
    rough = (high - low) / 5.0
    power = 10.0 ** np.floor(np.log10(rough))
    step = next(each * power for each in (1.0, 2.0, 5.0, 10.0) if each * power >= rough)
    return np.asarray(np.arange(np.ceil(low / step), np.floor(high / step) + 1.0) * step + 0.0)


@dataclass(frozen=True)
class Frame:
    """Where a drawing's values stand, in its own units from the upper left: across and down, each (value, place) at
    both ends; and the pieces all drawings are made of."""

    across: tuple[tuple[float, float], tuple[float, float]]
    down: tuple[tuple[float, float], tuple[float, float]]

    def x(self, value: float) -> float:
        (first, left), (last, right) = self.across
        return float(left + (value - first) / (last - first) * (right - left))

    def y(self, value: float) -> float:
        (top, head), (low, foot) = self.down
        return float(head + (top - value) / (top - low) * (foot - head))

    def line(self, at: Array, values: Array, style: str) -> str:
        return f'<polyline points="{self._points(at, values)}" fill="none" {style}/>'

    def band(self, at: Array, low: Array, high: Array, style: str) -> str:
        return f'<polygon points="{self._points(at, high)} {self._points(at[::-1], low[::-1])}" {style}/>'

    def _points(self, at: Array, values: Array) -> str:
        return " ".join(f"{self.x(x):.1f},{self.y(y):.1f}" for x, y in zip(at, values, strict=True))

    def limit(self, value: float, left: float, right: float) -> str:
        y = f"{self.y(value):.1f}"
        return f'<line x1="{left}" x2="{right}" y1="{y}" y2="{y}" stroke="#22282d" stroke-dasharray="7 4"/>'

    def scale(self, right: float, digits: int) -> list[str]:
        """Round values down the left, set flush right at a place."""
        (top, _), (low, _) = self.down
        return [
            f'<text x="{right}" y="{self.y(value) + 4:.1f}" text-anchor="end">{value:.{digits}f}</text>'
            for value in round_ticks(low, top).tolist()
        ]


def drawing(
    title: str,
    band_mm: Array,
    rule: tuple[float, float],
    scale: tuple[float, float],
    units: str,
    past: tuple[int, ...],
    southern: bool,
) -> Markup:
    """A line with its 10 to 90 % band by month (3, 12) in mm, the rule dashed and named, months past it marked along
    the foot: inline SVG. scale: foot and top in mm."""
    factor, unit, digits = length_scale(units)
    low, middle, high = band_mm * factor
    left, right, months = 50.0, 536.0, np.arange(12.0)
    foot, top = (each * factor for each in scale)
    frame = Frame(((0.0, 62.0), (11.0, 524.0)), ((top, 42.0), (foot, 232.0)))
    spoken = f"{title}. Middle by month: " + ", ".join(f"{MONTHS[m]} {middle[m]:.{digits}f} {unit}" for m in range(12))
    if past:
        spoken += f". More likely past the rule than not: {months_words(past)}"
    parts = [
        f'<svg viewBox="0 0 620 276" role="img" aria-label="{escape(spoken)}">',
        f'<text x="4" y="18" font-weight="bold">{escape(title)} ({unit})</text>',
        frame.band(months, low, high, f'fill="{SEASON}"'),
        frame.line(months, middle, f'stroke="{SEASON_LINE}" stroke-width="2.2"'),
    ]
    for value, words in zip(rule, ("too low", "too high"), strict=True):
        parts.append(frame.limit(value * factor, left, right))
        parts.append(f'<text x="541" y="{frame.y(value * factor) + 4:.1f}">{words}</text>')
    parts += [*frame.scale(46.0, digits), f'<line x1="{left}" x2="{right}" y1="236" y2="236" stroke="{QUIET}"/>']
    for month in past:
        begin, end = max(frame.x(month - 1.5) + 2, left), min(frame.x(month - 0.5) - 2, right)
        parts.append(f'<rect x="{begin:.1f}" y="238" width="{end - begin:.1f}" height="6" fill="{RUST}"/>')
    for m in range(0, 12, 2):
        parts.append(f'<text x="{frame.x(m):.1f}" y="262" text-anchor="middle">{MONTHS[m]}</text>')
    cold, warm = ("summer", "winter") if southern else ("winter", "summer")
    for at, words in ((0.5, cold), (6.0, warm)):
        parts.append(f'<text class="season" x="{frame.x(at):.1f}" y="36" text-anchor="middle">{words}</text>')
    return Markup("".join(parts) + "</svg>")


def path_picture(decision: Decision, readings: tuple[ReadingRow, ...], units: str) -> Markup:
    """Inline SVG: grey line and band before learning, blue after it, the rule dashed, dots for readings of the action,
    today's reading ringed."""
    path = decision.path
    if path is None:
        return Markup("")
    factor, unit, digits = length_scale(units)
    days = np.array([day.toordinal() for day in path.days], dtype=float)
    dots = [
        (one.date.toordinal(), one.value * factor, one in decision.readings)
        for one in (*readings, *decision.readings)
        if one.what.startswith("action") and days[0] <= one.date.toordinal() <= days[-1]
    ]
    before, after, rule = path.before * factor, path.after * factor, np.array(decision.rule_mm) * factor
    shown = np.concatenate([*before[::2], *after[::2], rule, [value for _, value, _ in dots]])
    left, right, head, foot = 54.0, 596.0, 40.0, 250.0
    margin = 0.05 * factor
    down = ((float(shown.max()) + margin, head), (float(shown.min()) - margin, foot))
    frame = Frame(((days[0], left), (days[-1], right)), down)
    now = after[1][int(np.argmin(np.abs(days - decision.day.toordinal())))]
    spoken = (
        f"Action at the 12th fret from {path.days[0]} to {path.days[-1]}, {len(dots)} readings; on {decision.day} "
        f"about {now:.{digits}f} {unit}"
    )
    parts = [
        f'<svg viewBox="0 0 620 290" role="img" aria-label="{escape(spoken)}">',
        f'<text x="4" y="18" font-weight="bold">Action at the 12th fret ({unit})</text>',
        frame.band(days, before[0], before[2], 'fill="#e4e6e8"'),
        frame.line(days, before[1], f'stroke="{QUIET}" stroke-dasharray="2 3"'),
        frame.band(days, after[0], after[2], f'fill="{SEASON}" fill-opacity="0.75"'),
        frame.line(days, after[1], f'stroke="{SEASON_LINE}" stroke-width="2.2"'),
        *(frame.limit(value, left, right) for value in rule),
        *frame.scale(left - 6, digits),
        f'<line x1="{left}" x2="{right}" y1="{foot}" y2="{foot}" stroke="{QUIET}"/>',
    ]
    for year in range(path.days[0].year + 1, path.days[-1].year + 1):
        at = frame.x(date(year, 1, 1).toordinal())
        if left + 12 < at < right - 12:
            parts.append(f'<line x1="{at:.1f}" x2="{at:.1f}" y1="{foot}" y2="{foot + 5}" stroke="{QUIET}"/>'
                         f'<text x="{at:.1f}" y="{foot + 22}" text-anchor="middle">{year}</text>')  # fmt: skip
    here = frame.x(decision.day.toordinal())
    parts.append(f'<line x1="{here:.1f}" x2="{here:.1f}" y1="{head - 6}" y2="{foot}" stroke="{RUST}"/>')
    named = f'x="{min(here, right - 24):.1f}" y="{head - 10}" text-anchor="middle" fill="{RUST}"'
    parts.append(f"<text {named}>today</text>")
    for ordinal, value, today in dots:
        ring = f'fill="#fff" stroke="{RUST}" stroke-width="3"' if today else 'fill="#22282d"'
        place = f'cx="{frame.x(ordinal):.1f}" cy="{frame.y(value):.1f}" r="{6 if today else 4}"'
        parts.append(f"<circle {place} {ring}/>")
    return Markup("".join(parts) + "</svg>")
