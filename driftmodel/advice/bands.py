"""The air an instrument can live in: by its action and by its wood; months at risk; the band of EN 15757.

Strain of wood held across the grain is counted from the state it has settled at: a first-order lag of its own moisture,
from the state it was closed in. + is tension, from drying. Damp lends no tension: wood that has grown used to damp air
gives that back on its way down, and is in tension only below the state it was closed in. A set taken in swelling, which
would shorten that way, is not modelled."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.optimize import brentq

from driftmodel.advice.records import HistoricAir, HumidityBand, MonthRisk
from driftmodel.base import library
from driftmodel.base.arrays import first_order_recursion
from driftmodel.base.build import Plate
from driftmodel.base.records import Instrument
from driftmodel.base.schema import DAMP_PCT, QUANTILES, Array, Flags, Integers, Single
from driftmodel.climate.air import months_of
from driftmodel.climate.history import historic_band
from driftmodel.outlook import calendar
from driftmodel.outlook.chain import Chain, Weather
from driftmodel.outlook.regrade import outside_rule
from driftmodel.structure.joint import pivot_of, saddle_rise_mm
from driftmodel.structure.response import body_response
from driftmodel.wood.sorption import equilibrium_moisture_content, ring_angle_coefficient, safe_humidity_band

PLATES = ("top", "back")


def plate_of(instrument: Instrument, name: str) -> Plate:
    """The plate called 'top' or 'back'."""
    return instrument.body.top if name == "top" else instrument.body.back


def across_coefficient(plate: Plate) -> float:
    """Strain across the grain per 1 % moisture of a plate as it is cut."""
    radial, tangential = (library.wood_value(plate.wood, f"coefficient_{way}") for way in ("radial", "tangential"))
    return float(ring_angle_coefficient(radial, tangential, plate.ring_angle_deg))


def restrained_share(instrument: Instrument) -> float:
    """Share of the top's free movement across the grain that the body takes from it at the bridge, averaged over
    its width: 1 - computed widening / (coefficient x width), from the plate model's answer to +1 % in the top alone."""
    body = instrument.body
    at, half = zip(*body.outline_mm, strict=True)
    width = 2.0 * float(np.interp(body.bridge.saddle_mm, at, half))
    free = across_coefficient(body.top) * width
    return float(np.clip(1.0 - body_response(instrument).body_width_mm["top"] / free, 0.0, 1.0))


@dataclass(frozen=True)
class Held:
    """Daily strain from set-up on, the greater tension of top and back, (draws, days); limits drawn per draw."""

    strain: Single
    set_strain: Array
    failure_strain: Array

    def past_set(self) -> Flags:
        """Where strain is past the limit at which wood takes a set, drying or swelling, (draws, days)."""
        return np.asarray(np.abs(self.strain) > self.set_strain[:, None])

    def splits(self) -> Flags:
        """Draws that pass the strain of failure in tension on any day, (draws,)."""
        return np.asarray(self.strain.max(axis=1) > self.failure_strain)


def held_strain(chain: Chain, seed: int) -> Held:
    """Strain where a plate is glued fast (restrained_share_held), and its limits drawn by their spread."""
    count = chain.draws.count
    random = np.random.default_rng([seed, *b"strain limits"])
    limits = [
        datum.value * np.exp(datum.log_sd * np.clip(random.standard_normal(count), -3, 3))
        for datum in (library.general("strain_yield_across_grain"), library.general("strain_failure_across_grain"))
    ]
    share = library.value("restrained_share_held")
    strain = np.concatenate([_greater_tension(chain, weather) for weather in chain.weathers]) * np.float32(share)
    return Held(strain, limits[0], limits[1])


def _greater_tension(chain: Chain, weather: Weather) -> Single:
    since = calendar.day_of(chain.scenario, chain.scenario.setup.setup)
    keep = float(np.exp(-1.0 / library.value("stress_relaxation_time")))
    # both lags are linear: the lag of a part's moisture is the same weights on the lags of the lags
    change = weather.lags.lags_pct - weather.lags.lags_pct[:, [0]]  # from the state the body was closed in
    settled = first_order_recursion(keep, (1.0 - keep) * change.T).T
    behind, below = (lags[:, since:].astype(np.float32) for lags in (settled - change, -change))
    worst: Single | None = None
    for name in PLATES:
        coefficient = across_coefficient(plate_of(chain.scenario.instrument, name))
        moved = coefficient * weather.draws.values[f"movement_{name}"]
        weights = (moved[:, None] * weather.weights.mean[name]).astype(np.float32)
        tension = np.maximum(weights @ below, np.float32(0.0))
        strain = np.minimum(weights @ behind, tension)
        worst = strain if worst is None else np.where(np.abs(strain) > np.abs(worst), strain, worst)
    assert worst is not None
    return worst


KEPT_SHARE = 0.8  # four instruments in five
AT_RISK = 0.5  # a month is at risk from this chance on
ROOM_C = 20.0


def humidity_of_moisture(moisture_pct: float) -> float:
    """Relative humidity in % whose equilibrium moisture content at 20 degC is `moisture_pct` (mean isotherm)."""
    return float(brentq(lambda h: float(equilibrium_moisture_content(ROOM_C, h)) - moisture_pct, 0.0, 99.5))


def action_band(chain: Chain) -> HumidityBand:
    """Humidities that, held for good, leave the action, projection and saddle room inside the rule for four
    instruments in five, lasting drift left out: the contiguous range about the state at set-up."""
    scenario = chain.scenario
    grid = np.arange(5.0, 95.25, 0.5)
    moisture = np.asarray(equilibrium_moisture_content(ROOM_C, grid))
    since = calendar.day_of(scenario, scenario.setup.setup)
    rises, actions = [], []
    settled = []
    for weather in chain.weathers:
        at_setup = weather.lags.lags_pct[:, since]
        own = 2 * weather.lags.time_constants_days.size  # rows past these are what other rooms add, nothing in held air
        moved = {
            name: weight[:, :own].sum(axis=1)[:, None] * moisture - (weight @ at_setup)[:, None]
            for name, weight in weather.hygro.items()
        }
        rise = saddle_rise_mm(moved, pivot_of(scenario.instrument))
        rises.append(rise)
        start = (scenario.setup.action_12th_mm + weather.draws.set_up_error_mm)[:, None]
        actions.append(start + rise / 2.0 + moved["bow_action"])
        mean, scale = weather.weights.mean["top"], weather.draws.values["moisture_level"]
        settled.append(float(np.mean((mean @ at_setup) / scale)))
    outside = outside_rule(np.concatenate(rises), np.concatenate(actions), scenario.setup.saddle_room_mm, scenario.rule)
    kept = (~outside).mean(axis=0) >= KEPT_SHARE
    set_up_at = humidity_of_moisture(float(np.mean(settled)))
    middle = int(np.abs(grid - set_up_at).argmin())
    if not kept[middle]:
        return HumidityBand("action", set_up_at, set_up_at, set_up_at)
    low = middle - int(np.argmin(np.append(kept[middle::-1], False))) + 1
    high = middle + int(np.argmin(np.append(kept[middle:], False))) - 1
    return HumidityBand("action", float(grid[low]), float(grid[high]), set_up_at)


def wood_band(chain: Chain, settled_pct: float) -> HumidityBand:
    """Humidities in which the plate that moves most stays below the strain at which held wood takes a set, counted
    from the humidity it has settled at; and the humidity below which it may split (Mecklenburg and others 1998)."""
    share = library.value("restrained_share_held")
    coefficient = max(across_coefficient(plate_of(chain.scenario.instrument, name)) for name in PLATES)
    limits = [library.value(f"strain_{kind}_across_grain") for kind in ("yield", "failure")]
    low, high = safe_humidity_band(settled_pct, coefficient * share, limits[0])
    split, _ = safe_humidity_band(settled_pct, coefficient * share, limits[1])
    return HumidityBand("wood", low, high, settled_pct, split)


def settled_later_pct(chain: Chain) -> float:
    """The humidity the wood has grown used to at the end of the years: that of its mean moisture in the last one."""
    last = np.mean([weather.lags.emc_pct[-366:].mean() for weather in chain.weathers])
    return humidity_of_moisture(float(last))


@dataclass(frozen=True)
class Year:
    """What an average year is read from: start, its first day counted from set-up; month (days,), calendar month 1 to
    12 of each day from it on; action_mm (draws, days) of place and season on those days."""

    start: int
    month: Integers
    action_mm: Single


def average_year(chain: Chain) -> Year:
    """The average year of the place a chain lives in last."""
    days = calendar.forecast_time(chain.scenario)
    start = calendar.average_year_from(chain.scenario, days.size)
    return Year(start, months_of(days[start:]), calendar.action_of_place_and_season(chain)[:, start:])


def daily_humidity(chain: Chain) -> Array:
    """Daily mean relative humidity from set-up on, one row for each weather, (weathers, days)."""
    since = calendar.day_of(chain.scenario, chain.scenario.setup.setup)
    return np.stack([each.days.humidity_pct[since:] for each in chain.weathers])


def months_at_risk(chain: Chain, year: Year, held: Held, keep: tuple[float, float]) -> tuple[MonthRisk, ...]:
    """The twelve months of the place lived in last: its air, and the chances that action or wood are outside."""
    outside = calendar.past_rule_by_month(year.action_mm, year.month, chain.scenario.rule)
    set_taken = held.past_set()[:, year.start :]
    humidity = daily_humidity(chain)[:, year.start :]
    result = []
    for number in range(1, 13):
        here = year.month == number
        if not here[: humidity.shape[1]].any():
            continue
        low, middle, high = np.quantile(humidity[:, here[: humidity.shape[1]]], QUANTILES).tolist()
        past_rule, past_set = outside[number], float(set_taken[:, here].mean())
        risky = max(past_rule, past_set) > AT_RISK
        reason = ""
        if middle < keep[0] and (risky or middle < keep[0] - 5.0):
            reason = "dry"
        elif middle > keep[1] and (risky or middle > min(keep[1] + 5.0, DAMP_PCT)):
            reason = "damp"
        elif risky:
            reason = "dry" if middle < sum(keep) / 2 else "damp"
        result.append(MonthRisk(number, (low, middle, high), past_rule, past_set, reason))
    return tuple(result)


def historic_air(chain: Chain, year: Year) -> HistoricAir:
    """The EN 15757 band of the first weather's hours where the instrument lives last."""
    since = calendar.day_of(chain.scenario, chain.scenario.setup.setup) + year.start
    humidity = chain.weathers[0].air["relative_humidity"].values[24 * since :]
    band = historic_band(humidity)
    outside = (humidity < band.low) | (humidity > band.high)
    return HistoricAir(
        float(band.seasonal_cycle.min()),
        float(band.seasonal_cycle.max()),
        float((band.low - band.seasonal_cycle).min()),
        float((band.high - band.seasonal_cycle).max()),
        float(outside.mean()),
        band.long_enough,
        str(chain.weathers[0].air["time"].values[24 * since])[:10],
        *(
            tuple(hourly[: 24 * 365].reshape(-1, 24).mean(axis=1).round(1).tolist())
            for hourly in (humidity, band.low, band.high)
        ),
    )
