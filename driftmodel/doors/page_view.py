"""What the page shows, made on the server: of one run a few numbers in words and two drawings; of a reading the action
over the years as drawn before and after learning, readings as dots."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date

import numpy as np
from markupsafe import Markup

from driftmodel.advice.bands import average_year
from driftmodel.base.records import Scenario
from driftmodel.base.schema import QUANTILES, Array
from driftmodel.base.units import length_words, temperature_words
from driftmodel.calibration.decide import Decision
from driftmodel.calibration.records import ReadingRow
from driftmodel.outlook.calendar import (
    ahead_years,
    is_southern,
    monthly_means,
    months_past_rule,
    past_rule_by_month,
    projection_change,
    swing,
)
from driftmodel.outlook.chain import Chain
from driftmodel.outlook.findings import due_dates, first_dates
from driftmodel.report.ensemble import length_scale
from driftmodel.report.pictures import MONTHS, QUIET, SEASON, SEASON_LINE
from driftmodel.report.texts import markup, months_words, percent
from driftmodel.report.words import when_sentence


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
    both ends; places as an SVG has them. digits: of the values down the left."""

    across: tuple[tuple[float, float], tuple[float, float]]
    down: tuple[tuple[float, float], tuple[float, float]]
    digits: int

    def x(self, value: float, more: float = 0.0) -> str:
        (first, left), (last, right) = self.across
        return f"{left + (value - first) / (last - first) * (right - left) + more:.1f}"

    def y(self, value: float, more: float = 0.0) -> str:
        (top, head), (low, foot) = self.down
        return f"{head + (top - value) / (top - low) * (foot - head) + more:.1f}"

    def points(self, at: Array, values: Array) -> str:
        return " ".join(f"{self.x(x)},{self.y(y)}" for x, y in zip(at, values, strict=True))

    def ticks(self) -> list[tuple[float, str]]:
        (top, _), (low, _) = self.down
        return [(value, f"{value:.{self.digits}f}") for value in round_ticks(low, top).tolist()]


COLOURS = {"ink": "#22282d", "pale": SEASON, "line": SEASON_LINE, "quiet": QUIET, "rust": "#7b3410"}


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
    foot, top = (each * factor for each in scale)
    frame = Frame(((0.0, 62.0), (11.0, 524.0)), ((top, 42.0), (foot, 232.0)), digits)
    spoken = f"{title}. Middle by month: " + ", ".join(f"{MONTHS[m]} {middle[m]:.{digits}f} {unit}" for m in range(12))
    if past:
        spoken += f". More likely past the rule than not: {months_words(past)}"
    marks = [(max(42.0 * (month - 1.5) + 64.0, 50.0), min(42.0 * (month - 0.5) + 60.0, 536.0)) for month in past]
    cold, warm = ("summer", "winter") if southern else ("winter", "summer")
    return markup(
        "page_assets/season.svg", "doors",
        spoken=spoken, title=title, unit=unit, at=frame, colour=COLOURS, names=MONTHS, months=np.arange(12.0),
        low=low, middle=middle, high=high, limits=((rule[0] * factor, "too low"), (rule[1] * factor, "too high")),
        past=[(f"{begin:.1f}", f"{end - begin:.1f}") for begin, end in marks], seasons=((0.5, cold), (6.0, warm)),
    )  # fmt: skip


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
    margin, today, per_day = 0.05 * factor, decision.day.toordinal(), (days[-1] - days[0]) / 542.0
    down = ((float(shown.max()) + margin, 40.0), (float(shown.min()) - margin, 250.0))
    now = after[1][int(np.argmin(np.abs(days - today)))]
    spoken = (
        f"Action at the 12th fret from {path.days[0]} to {path.days[-1]}, {len(dots)} readings; on {decision.day} "
        f"about {now:.{digits}f} {unit}"
    )
    years = [(date(year, 1, 1).toordinal(), year) for year in range(path.days[0].year + 1, path.days[-1].year + 1)]
    inside = [one for one in years if days[0] + 12 * per_day < one[0] < days[-1] - 12 * per_day]
    return markup(
        "page_assets/path.svg", "doors",
        spoken=spoken, unit=unit, at=Frame(((days[0], 54.0), (days[-1], 596.0)), down, digits), colour=COLOURS,
        days=days, before=before, after=after, rule=rule, years=inside, today=today, dots=dots,
        named=min(today, days[-1] - 24 * per_day),
    )  # fmt: skip
