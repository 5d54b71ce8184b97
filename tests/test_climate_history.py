"""A scenario's air, invented weather, and what an air history is like. All scenarios and readings are invented.

Source of the band's check: 50 + 8 sin(year) + 5 sin(day) has fluctuations of 5 sin(pi/2 x 0.86) = 4.88 % at the 7th and
93rd percentile (arithmetic of the arcsine distribution; the procedure is EN 15757:2010).
"""

from __future__ import annotations

from dataclasses import replace
from datetime import date
from itertools import pairwise
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from driftmodel.base.climate_file import Logger, Normals
from driftmodel.base.errors import BadInput
from driftmodel.base.records import Climate, Scenario, Stay
from driftmodel.base.scenarios import load_scenario, shipped
from driftmodel.climate.air import hour_of_year, hours_from, make_air
from driftmodel.climate.history import (
    climate_air,
    historic_band,
    hours_outside,
    read_air,
    scenario_air,
    scenario_end,
    seasons,
)
from driftmodel.climate.synthetic import persistent_noise, smooth_year, synthetic_air, weather_member
from driftmodel.climate.weather import read_weather
from driftmodel.report.air_words import air_figure, air_json, air_summary, write_air_figure

WEATHER = Path(__file__).parents[1] / "scenarios" / "weather"
NORMALS = Normals(
    (-2.0, 0.5, 5.0, 9.5, 14.5, 20.5, 23.0, 22.0, 17.5, 10.5, 4.0, -1.0),
    (62, 56, 46, 38, 36, 30, 40, 44, 40, 42, 52, 60),
    (13, 14, 15, 16, 16, 17, 16, 15, 16, 16, 14, 13),
    3.5,
    9.0,
    3.0,
)


@pytest.fixture(scope="module")
def scenario() -> Scenario:
    return load_scenario("first-winter")


@pytest.mark.parametrize("name", shipped())
def test_every_shipped_scenario_has_whole_days_of_air(name: str) -> None:
    told = replace(load_scenario(name), horizon_years=3)
    air = scenario_air(told, 1)
    stamps = air["time"].values
    assert air.sizes["time"] % 24 == 0 and np.all(np.diff(stamps) == np.timedelta64(1, "h"))
    assert stamps[0] == np.datetime64(told.stays[0].start)
    assert stamps[-1] + np.timedelta64(1, "h") == np.datetime64(scenario_end(told))
    assert air["relative_humidity"].values.min() >= 5 and air["relative_humidity"].values.max() <= 100


def test_stays_follow_one_another(scenario: Scenario) -> None:
    air = scenario_air(scenario)
    winter = air.sel(time=slice("2026-12-01", "2027-02-28"))["relative_humidity"].values
    workshop = air.sel(time=slice("2026-07-05", "2026-09-30"))["relative_humidity"].values
    assert winter.mean() < 30 < 40 < workshop.mean() < 48


def test_typical_years_repeat_by_the_calendar_and_the_leap_day_repeats_the_day_before() -> None:
    stamps = hours_from("2027-12-31", 24 * 70)
    hours = hour_of_year(stamps)
    assert hours[0] == 364 * 24 and hours[24] == 0
    leap, before = hours[stamps.astype("datetime64[D]") == np.datetime64("2028-02-29")], 58 * 24 + np.arange(24)
    np.testing.assert_array_equal(leap, before)
    assert hours[-1] == hour_of_year(np.array(["2027-03-09T23"], "datetime64[ns]"))[0]  # 9 March in any year


def test_members_differ_and_are_the_same_on_the_same_dates(scenario: Scenario) -> None:
    cold = scenario.stays[1].climate
    bare = replace(cold, room=None, case=None, humidifier=None)
    long = climate_air(bare, date(2026, 10, 1), 24 * 100, member=3, seed=5)
    late = climate_air(bare, date(2026, 11, 1), 24 * 69, member=3, seed=5)
    np.testing.assert_allclose(long["air_temperature"].values[31 * 24 :], late["air_temperature"].values)
    other = climate_air(bare, date(2026, 11, 1), 24 * 69, member=4, seed=5)
    assert np.abs(other["air_temperature"].values - late["air_temperature"].values).max() > 0.3


def test_member_zero_is_the_air_as_read() -> None:
    year = read_weather(WEATHER / "chicago.csv")
    assert weather_member(year, 0, 7, 1.2, 3.0) is year


@pytest.mark.parametrize("place", ["chicago", "greensboro", "sand_point"])
def test_members_have_days_of_their_own_as_different_as_real_ones(place: str) -> None:
    """Against the shipped typical years, made of measured months. Daily anomalies keep sd and persistence: the slow
    part adds 1.2 K to 2.9-4.7 K (3-8 %), and one day in ten begins a block. Monthly means differ between years by 1
    to 3 K and 2 to 7 points in such places (from memory); forty years leave some 11 % of noise in such an sd. A
    member keeps the seasons: what a year's own months were away from the smooth course is spread over its
    neighbours, up to 1.7 K."""
    year = read_weather(WEATHER / f"{place}.csv")
    time = hours_from("2001-01-01", 24 * 14610)
    at = hour_of_year(time)
    repeated = make_air(time, year["air_temperature"].values[at], year["relative_humidity"].values[at])
    one, other = (weather_member(repeated, member, 7, 1.2, 3.0, year) for member in (1, 2))
    day = at[::24] // 24
    month = time[::24].astype("datetime64[M]").astype(int)
    for name, low, high in (("air_temperature", 1.0, 3.0), ("relative_humidity", 2.0, 7.0)):
        real = year[name].values.reshape(-1, 24).mean(axis=1)
        made, again = (each[name].values.reshape(-1, 24).mean(axis=1) for each in (one, other))
        usual = pd.Series(made).groupby(day).mean().rolling(31, center=True, min_periods=1).mean().to_numpy()
        own, away = real - usual, made - usual[day]
        assert 0.9 < away.std() / own.std() < 1.2
        assert np.corrcoef(away[1:], away[:-1])[0, 1] == pytest.approx(np.corrcoef(own[1:], own[:-1])[0, 1], abs=0.1)
        assert np.std(made - again) == pytest.approx(np.sqrt(2.0) * away.std(), rel=0.1)  # the same dates, other years
        assert np.std(made[365:] - made[:-365]) > 1.2 * own.std()  # and the same date a year on
        months = pd.Series(made).groupby(month).mean().to_numpy().reshape(-1, 12)
        assert low < months.std(axis=0).mean() < high
        typical = pd.Series(real).groupby(pd.date_range("2001-01-01", periods=365).month).mean().to_numpy()
        assert np.abs(months.mean(axis=0) - typical).max() < (1.7 if name == "air_temperature" else 8.0)


def test_members_days_are_the_same_dates_in_every_climate() -> None:
    time = hours_from("2020-01-01", 24 * 400)
    at = hour_of_year(time)
    found = []
    for lift in (0.0, 5.0):
        year = read_weather(WEATHER / "chicago.csv")
        year["air_temperature"] = year["air_temperature"] + lift
        air = make_air(time, year["air_temperature"].values[at], year["relative_humidity"].values[at])
        found.append(weather_member(air, 3, 7, 1.2, 3.0, year)["air_temperature"].values)
    np.testing.assert_allclose(found[1] - found[0], 5.0, atol=1e-9)


def test_anomalies_have_their_size_and_persistence() -> None:
    """AR(1) with 30 days: correlation exp(-1) after 30 days; 160 years leave some 5 % of noise in the sd."""
    noise = persistent_noise(hours_from("1970-01-01", 24 * 365 * 160), 30.0, (1, 2))[0][12::24]
    assert noise.std() == pytest.approx(1.0, abs=0.06) and noise.mean() == pytest.approx(0.0, abs=0.1)
    assert np.corrcoef(noise[30:], noise[:-30])[0, 1] == pytest.approx(np.exp(-1), abs=0.06)


def test_smooth_year_keeps_the_monthly_means() -> None:
    curve = smooth_year(NORMALS.temperature_c)
    edges = np.cumsum([0, 31, 28, 31, 30, 31, 30, 31, 31, 30, 31, 30, 31])
    means = [curve[a:b].mean() for a, b in pairwise(edges)]
    assert means == pytest.approx(NORMALS.temperature_c, abs=1e-9)
    assert np.abs(np.diff(np.append(curve, curve[0]))).max() < 0.5  # no step, not even at the new year


def test_invented_weather_has_the_normals_it_was_made_from() -> None:
    air = synthetic_air(NORMALS, "2026-01-01", 24 * 365 * 30, seed=4)
    month = air["time"].dt.month.values
    for number in range(1, 13):
        here = month == number
        # 30 months of noise with sd 3.5 K, 9 % and 3 days' persistence: standard error 0.28 K, 0.7 %; 3.5 of them
        assert air["air_temperature"].values[here].mean() == pytest.approx(NORMALS.temperature_c[number - 1], abs=1.0)
        assert air["relative_humidity"].values[here].mean() == pytest.approx(
            NORMALS.relative_humidity_pct[number - 1], abs=2.5
        )
    hourly = air["air_temperature"].values[month == 7].reshape(-1, 24).mean(axis=0)
    assert np.ptp(hourly) == pytest.approx(16.0, abs=0.6) and np.argmax(hourly) in (14, 15)
    humid = air["relative_humidity"].values[month == 7].reshape(-1, 24).mean(axis=0)
    assert np.argmin(humid) in (13, 14, 15)  # driest when warmest


def test_invented_years_are_fresh_and_seeded() -> None:
    a = synthetic_air(NORMALS, "2026-01-01", 24 * 730, seed=4)["air_temperature"].values
    assert np.abs(a[: 24 * 365] - a[24 * 365 :]).max() > 3
    np.testing.assert_array_equal(a, synthetic_air(NORMALS, "2026-01-01", 24 * 730, seed=4)["air_temperature"].values)
    assert np.any(a != synthetic_air(NORMALS, "2026-01-01", 24 * 730, seed=5)["air_temperature"].values)


def _logger_climate(tmp_path: Path, scenario: Scenario, days: int, repeat: bool) -> Climate:
    stamps = hours_from("2026-06-01", 24 * days)
    lines = ["time,Temp (°C),RH (%)"] + [
        f"{str(t)[:16].replace('T', ' ')},20.0,{50 + 10 * np.sin(k / 1400):.3f}" for k, t in enumerate(stamps)
    ]
    (tmp_path / "room.csv").write_text("\n".join(lines))
    return replace(
        scenario.stays[0].climate,
        outdoor=None,
        room=None,
        humidifier=None,
        logger=Logger(file="room.csv", time_zone="UTC", repeat_years=repeat),
        file=str(tmp_path / "logged.toml"),
    )


def test_a_record_stands_at_its_own_dates_and_repeats_only_when_told(tmp_path: Path, scenario: Scenario) -> None:
    climate = _logger_climate(tmp_path, scenario, 400, repeat=False)
    air = climate_air(climate, date(2026, 7, 1), 48)
    assert air["relative_humidity"].values[0] == pytest.approx(50 + 10 * np.sin(720 / 1400), abs=1e-3)
    with pytest.raises(BadInput, match="past the air") as told:
        climate_air(climate, date(2026, 7, 1), 24 * 400)
    assert "repeat_years = true" in told.value.mend
    repeated = climate_air(_logger_climate(tmp_path, scenario, 400, repeat=True), date(2026, 7, 1), 24 * 1200)
    values, at = repeated["relative_humidity"].values, repeated["time"].values
    first = values[at == np.datetime64("2026-12-25T10:00")]
    assert values[at == np.datetime64("2028-12-25T10:00")] == pytest.approx(first)


def test_a_record_shorter_than_a_year_cannot_be_repeated(tmp_path: Path, scenario: Scenario) -> None:
    climate = _logger_climate(tmp_path, scenario, 100, repeat=True)
    with pytest.raises(BadInput, match="shorter than a year"):
        climate_air(climate, date(2026, 7, 1), 24 * 400)
    stays = (Stay(date(2026, 7, 1), climate),)
    with pytest.raises(BadInput, match="Mend:"):
        scenario_air(replace(scenario, stays=stays))


def test_historic_band_of_a_known_history() -> None:
    hours = np.arange(24 * 730)
    humidity = 50 + 8 * np.sin(2 * np.pi * hours / 8760) + 5 * np.sin(2 * np.pi * hours / 24)
    band = historic_band(humidity)
    assert band.fluctuation_low == pytest.approx(-4.88, abs=0.1)
    assert band.fluctuation_high == pytest.approx(4.88, abs=0.1)
    np.testing.assert_allclose(band.high - band.seasonal_cycle, 10.0)
    assert band.long_enough and not historic_band(humidity[: 24 * 365]).long_enough
    wide = historic_band(50 + 20 * np.sin(2 * np.pi * hours / 24))
    assert wide.high[4000] - wide.seasonal_cycle[4000] == pytest.approx(19.5, abs=0.2)


def test_seasons_and_hours_outside() -> None:
    hours = np.arange(24 * 365)
    humidity = 50 - 25 * np.cos(2 * np.pi * hours / 8760)  # driest at the new year, most humid on 1 or 2 July
    air = make_air(hours_from("2026-01-01", hours.size), np.full(hours.size, 20.0), humidity)
    found = seasons(air)
    assert found.mean_relative_humidity_pct == pytest.approx(50.0, abs=0.01)
    assert found.most_humid_middle in ("2026-07-01", "2026-07-02", "2026-07-03")
    assert hours_outside(humidity, 30.0, 70.0) == (int((humidity < 30).sum()), int((humidity > 70).sum()))


def test_words_tell_what_was_read(tmp_path: Path) -> None:
    lines = ["time,Temp (°C),RH (%)"] + [
        f"2026-01-{1 + k // 24:02d} {k % 24:02d}:00,20.0,25.0" for k in range(24 * 14) if not 100 <= k < 106
    ]
    path = tmp_path / "room.csv"
    path.write_text("\n".join(lines))
    air = read_air(path, time_zone="UTC", gap_policy="hold")
    words = air_summary(air, "metric")
    assert "2026-01-01T00:00 to 2026-01-15T00:00 UTC, 336 hours" in words
    assert "Filled or capped hours: 6 of 336" in words and "gap policy hold" in words
    assert "336 hours (100 % of the time) below 30 %" in words and "January" in words
    assert "13 months" in words and "68.0" in air_summary(air, "inch")
    assert air_json(air)["filled_hours"] == 6 and air_json(air)["months"]["january"]["temperature_c_mean"] == 20.0


def test_figure_carries_the_data_and_units(tmp_path: Path) -> None:
    air = read_air(WEATHER / "chicago.csv")
    upper, lower = air_figure(air).axes
    assert "°C" in upper.get_ylabel() and "%" in lower.get_ylabel()
    drawn = lower.lines[1].get_ydata()
    assert np.asarray(drawn)[0] == pytest.approx(historic_band(air["relative_humidity"].values).seasonal_cycle[0])
    assert write_air_figure(air, tmp_path / "new").read_bytes()[:4] == b"\x89PNG"


def test_outdoor_air_is_said_to_be_outdoor_air() -> None:
    assert "outdoor air" in air_summary(read_air(WEATHER / "sand_point.csv"))


def test_what_is_drawn_for_a_day_does_not_hang_on_the_days_after_it() -> None:
    """A year's air of a weather member is the first year of three years' air."""
    climate = load_scenario("first-winter").stays[-1].climate
    one, three = (climate_air(climate, date(2026, 10, 1), 24 * days, member=2, seed=11) for days in (365, 1095))
    for name in ("air_temperature", "relative_humidity"):
        assert np.array_equal(one[name].values, three[name].values[: 24 * 365])
