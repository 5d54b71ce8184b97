"""A closed case: its air follows the room's humidity slowly (Thomson 1977), its temperature within hours."""

from __future__ import annotations

from math import log
from typing import TYPE_CHECKING

import numpy as np

from driftmodel.base import library
from driftmodel.base.records import Case
from driftmodel.climate.air import in_months, make_air
from driftmodel.climate.lag import first_order_lag

if TYPE_CHECKING:
    from xarray import Dataset

#: the inside of a padded case follows the room's temperature with this lag (common practice, no source)
CASE_THERMAL_LAG_HOURS = 2.0


def thomson_half_time(reservoir_g_per_kg_pct: float, buffer_kg_per_m3: float, air_changes_per_day: float) -> float:
    """Half-time in days of a closed case's answer to a step in room humidity: t = 4 M B / N (Thomson 1977).

    M: moisture taken up, g per kg of buffer and 1 % RH; B: kg of buffer per m3 of case; N: air changes a day.
    The 4 is ln 2 over 1 % of the saturation density at 20 degC (4.009).
    """
    return 4.0 * reservoir_g_per_kg_pct * buffer_kg_per_m3 / air_changes_per_day


def hard_case() -> Case:
    """A guitar's own hard case, no humidifier in it: half-time (Thomson 1977) from its wood, its air and its leaks."""
    half_time_days = thomson_half_time(
        library.general("instrument_sorption_reservoir").value,
        library.general("case_wood_mass").value / library.general("case_air_volume").value,
        library.general("case_air_changes").value,
    )
    return Case(half_time_days, library.general("case_out_of_case_share").value, None)


def case_air(room_air: Dataset, case: Case) -> Dataset:
    """Air around an instrument kept in `case` within `room_air`: same hours, without the room's humidifier_water.

    Humidity is a first-order lag of the room's with case.half_time_days; warming moves it by
    `case_box_temperature_effect` of the library, % RH per K, at most (Thomson 1964), which fades as the case comes
    back into balance with the room. A case humidifier keeps it from falling below humidifier_pct in its months. The
    instrument spends out_of_case_share of every hour in the room: the airs are mixed in that share.
    """
    time = room_air["time"].values
    room_c, room_pct = room_air["air_temperature"].values, room_air["relative_humidity"].values
    tau_hours = 24.0 * case.half_time_days / log(2.0)
    case_c = first_order_lag(room_c, CASE_THERMAL_LAG_HOURS, float(room_c[0])).mean
    settled_c = first_order_lag(case_c, tau_hours, float(case_c[:24].mean())).mean
    effect = library.general("case_box_temperature_effect").value * (case_c - settled_c)
    floor = np.zeros_like(room_pct)
    if case.humidifier_pct is not None:
        floor = np.where(in_months(time, case.humidifier_months), case.humidifier_pct, 0.0)
    first = max(float(room_pct[:24].mean()), float(floor[0]))
    held = first_order_lag(-room_pct, tau_hours, -first, ceiling=-floor)  # a floor is a ceiling upside down
    inside_pct = np.clip(np.maximum(-held.mean + effect, floor), 0.0, 100.0)
    share = case.out_of_case_share
    return make_air(
        time,
        (1.0 - share) * case_c + share * room_c,
        (1.0 - share) * inside_pct + share * room_pct,
        room_air["filled"].values,
        room_air.attrs,
    )
