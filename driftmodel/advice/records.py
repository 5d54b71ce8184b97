"""The nouns of advice: bands, months, measures and what each measure does. Humidity in %, lengths in mm."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True)
class HumidityBand:
    """Relative humidities in % that one reason allows. reason: 'action' the set-up stays inside the rule for four
    instruments in five; 'wood' wood held fast stays below the strain at which it takes a set. settled_pct: the
    humidity the band is counted from; strength_low_pct: below it wood held fast may split (wood only)."""

    reason: str
    low_pct: float
    high_pct: float
    settled_pct: float
    strength_low_pct: float = 0.0


@dataclass(frozen=True)
class MonthRisk:
    """A calendar month where the instrument lives last. humidity_pct: 10, 50 and 90 % of its hours.

    action_outside: chance that the action is past the rule by place and season, the lasting drift left out.
    strain_outside: chance that wood held fast is past the strain at which it takes a set. reason: '', 'dry', 'damp'."""

    month: int
    humidity_pct: tuple[float, float, float]
    action_outside: float
    strain_outside: float
    reason: str


@dataclass(frozen=True)
class ColdSurface:
    """EN ISO 13788 check of a surface: share of winter hours at which water condenses on it, and the months (1 to 12)
    whose mean humidity at the surface is above the mould limit."""

    name: str
    condensing_share: float
    mould_months: tuple[int, ...]


@dataclass(frozen=True)
class Outcome:
    """What the chain says of one air.

    regrade_free_years: expected years before the first regrade, counted to the horizon at most. no_regrade: chance of
    none within it. first_due: days by which a tenth, half and nine tenths have one due, '' for not within it.
    action_swing_mm: median swing of the monthly mean action in an average year. crack_risk: share of
    the draws that pass the strain of failure on any day within the horizon. yield_days: expected days a year past the
    strain at which wood takes a set. months_outside: months (1 to 12) at risk; dry_months, damp_months: those of
    them by reason. damp_days: days a year whose mean is above 70 %. lowest_pct, highest_pct: 5 and 95 % points of the
    daily humidity. inside_days: expected days a year inside the rule, regrades done as they fall due; regrades: how
    many are expected; suited: the spacer that is worth most in this air, '' where the fitted one is; with a
    measure, inside_days and regrades are with that spacer fitted at once."""

    regrade_free_years: float
    no_regrade: float
    first_due: tuple[str, str, str]
    action_swing_mm: float
    crack_risk: float
    yield_days: float
    months_outside: tuple[int, ...]
    dry_months: tuple[int, ...]
    damp_months: tuple[int, ...]
    damp_days: float
    lowest_pct: float
    highest_pct: float
    inside_days: float
    regrades: float
    suited: str


@dataclass(frozen=True)
class MeasureResult:
    """One measure. litres_per_day: mean over the days it works, and the 95 % day; water given off, or taken out by a
    dehumidifier. capacity_l_per_day: what it was allowed. months: those in which it works.
    before, outcome: without and with it.
    years_bought: regrade-free years more than without it, and its standard error over the paired draws."""

    key: str
    words: str
    litres_per_day: float
    litres_on_a_hard_day: float
    capacity_l_per_day: float
    months: tuple[int, ...]
    before: Outcome
    outcome: Outcome
    years_bought: float
    years_bought_se: float
    surfaces: tuple[ColdSurface, ...]
    drawbacks: tuple[str, ...]


@dataclass(frozen=True)
class HistoricAir:
    """EN 15757 band of the air lived in last: mean of the seasonal cycle's year, its lowest and highest, the allowed
    short fluctuation about it, and the share of hours outside. daily_pct with low_pct and high_pct: the first year's
    daily means and the band about them, from first_day."""

    cycle_low_pct: float
    cycle_high_pct: float
    fluctuation_low_pct: float
    fluctuation_high_pct: float
    outside_share: float
    long_enough: bool
    first_day: str
    daily_pct: tuple[float, ...]
    low_pct: tuple[float, ...]
    high_pct: tuple[float, ...]


@dataclass(frozen=True)
class Advice:
    """keep: the band to keep. kind: 'dry', 'damp', 'both' or 'steady', by the months at risk and their reason.
    best: key of the measure advised, '' when the air can stay as it is."""

    scenario: str
    title: str
    horizon_years: int
    draws: int
    seed: int
    keep: tuple[float, float]
    bands: tuple[HumidityBand, ...]
    restrained_share: float
    months: tuple[MonthRisk, ...]
    kind: str
    southern: bool
    now: Outcome
    now_surfaces: tuple[ColdSurface, ...]
    measures: tuple[MeasureResult, ...]
    historic: HistoricAir
    best: str
    why: str
