"""Homes in words, what surveys found in houses, and the weather files that contradict themselves.

House-months of the coverage test are made from two published surveys' ranges, not by the model's law. Vinha and others
(2018), 171 houses and 49 flats in Finland: one house in ten above 2.4-4.9 g/m3 in the cold, 0.3-2.6 in the warm. Alev
and others (2015), 67 older rural houses around the Baltic: 2-3.5 g/m3 on average in winter, design value 4-5. How the
excess falls between cold and warm is EN ISO 13788's straight line from 0 to 20 degC; indoor temperature that of EN
15026:2007 Annex C, moved from house to house by 1.3 K in winter and 1.5 K in summer (from memory).
"""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from outside_houses import TOWNS, houses_of, outdoors_of
from test_climate_room import TROPICS, monthly

from driftmodel.base.climate_file import Case, RoomFile
from driftmodel.base.errors import BadInput
from driftmodel.base.records import Room
from driftmodel.base.rooms import HOMES, home_humidifier, room_of
from driftmodel.climate.air import hours_from, make_air, months_of, saturation_density_g_m3, vapour_density_g_m3
from driftmodel.climate.enclosure import case_air
from driftmodel.climate.room import drawn_room, indoor_air
from driftmodel.climate.synthetic import synthetic_air
from driftmodel.climate.weather import read_weather
from driftmodel.outlook.rooms import draw_rooms

WEATHER = Path(__file__).parents[1] / "scenarios" / "weather"


def room(**said):  # type: ignore[no-untyped-def]
    return room_of(RoomFile(**said), Path("home.toml"))


def survey_houses(outdoor, houses: int, seed: int) -> np.ndarray:  # type: ignore[no-untyped-def, type-arg]
    """Monthly humidity (house, 12) of houses as the surveys describe them, by monthly means of outdoor air."""
    random = np.random.default_rng(seed)
    month = months_of(outdoor["time"].values)
    t, h = outdoor["air_temperature"].values, outdoor["relative_humidity"].values
    te, ve = (np.array([x[month == m].mean() for m in range(1, 13)]) for x in (t, vapour_density_g_m3(t, h)))
    finnish = random.random(houses) < 0.75
    # upper tenths 2.4-4.9, one in ten of all above some 3.6; older houses 2-3.5 on average, one in ten above 4-5
    cold = np.where(finnish, random.normal(2.1, 1.1, houses), random.normal(2.7, 1.2, houses)).clip(0.2, 6.5)
    warm = random.normal(0.5, 0.7, houses).clip(-0.3, 2.6)
    share = np.clip(te / 20.0, 0.0, 1.0)
    excess = cold[:, None] * (1 - share) + warm[:, None] * share + random.normal(0.0, 0.3, (houses, 12))
    summer = np.clip((te - 10.0) / 10.0, 0.0, 1.0)
    inside = np.clip(0.5 * te + 15.0, 20.0, 25.0) + 1.0
    inside = (
        inside + random.normal(0.0, 1.3, (houses, 1)) * (1 - summer) + random.normal(0.3, 1.5, (houses, 1)) * summer
    )
    return np.asarray(100.0 * (ve + excess) / saturation_density_g_m3(inside))


def drawn_years(outdoor, median: Room, rooms: int = 40) -> np.ndarray:  # type: ignore[no-untyped-def, type-arg]
    """Monthly humidity (room, 12) of rooms drawn about one."""
    draws = draw_rooms(median, rooms, 4)
    each = ({name: float(values[at]) for name, values in draws.items()} for at in range(rooms))
    return np.stack([monthly(indoor_air(outdoor, drawn_room(median, one))) for one in each])


def test_the_band_holds_eight_house_months_in_ten_of_two_surveys() -> None:
    """In a cold continental city and on a cool coast together; the median house is off by no more than the houses are
    from one another."""
    held, far = [], []
    for place in ("chicago", "sand_point"):
        outdoor = read_weather(WEATHER / f"{place}.csv")
        low, high = np.quantile(drawn_years(outdoor, room()), [0.1, 0.9], axis=0)
        houses = survey_houses(outdoor, 400, 8)
        held.append((houses >= low) & (houses <= high))
        far.append(monthly(indoor_air(outdoor, room())) - houses.mean(axis=0))
    assert 0.70 < np.mean(held) < 0.90
    assert np.sqrt(np.mean(np.square(far))) < 3.0


@pytest.mark.slow
def test_the_band_holds_houses_of_other_laws_in_seven_towns() -> None:
    """Seven tenths to nine of house-months of `outside_houses`, no season left out; the median room is within 5 points
    by the month (what 9 was with the law before), and neither season's error is one-sided over the cold towns. Where
    homes are hardly heated the owner has to say so: New Zealand's stand at their survey's mean."""
    held, off = {}, {}
    for name, (_, heated, _) in TOWNS.items():
        outdoor = outdoors_of(name)
        told = {
            "heating_setpoint_degc": heated[0],
            "log_sd": {"heating_set_point": dict(room().log_sd)["heating_set_point"]},
        }
        median = room(**(told if "Zealand" in name else {}))
        low, high = np.quantile(drawn_years(outdoor, median), [0.1, 0.9], axis=0)
        houses = houses_of(name, outdoor, 120, 8)
        held[name] = ((houses >= low) & (houses <= high)).mean(axis=0)
        off[name] = monthly(indoor_air(outdoor, median)) - np.median(houses, axis=0)
        print(f"{name}: held {held[name].mean():.2f}, median off {np.sqrt(np.mean(off[name] ** 2)):.1f}",
              np.round(off[name], 1))  # fmt: skip
    assert 0.70 < np.mean(list(held.values())) < 0.90
    assert np.mean(list(held.values()), axis=0).min() > 0.6
    assert np.sqrt(np.mean(np.square(list(off.values())))) < 5.0
    cold = np.array([each for name, each in off.items() if name.startswith("cold")]).mean(axis=0)
    assert max(abs(cold[[11, 0, 1]].mean()), abs(cold[[5, 6, 7]].mean())) < 3.0


def test_every_home_in_words_is_a_sourced_record() -> None:
    homes = {name: room(home=name) for name in HOMES}
    assert homes["heated flat"].excess_cold_g_m3 < homes["detached house"].excess_cold_g_m3
    assert homes["air-conditioned home"].cooling_setpoint_c == 25.0
    assert homes["open-window tropics"].heating_setpoint_c is None
    workshop = homes["held workshop"]
    wet = home_humidifier(RoomFile(home="held workshop"), Path("x.toml"))
    assert wet is not None
    humidity = indoor_air(read_weather(WEATHER / "chicago.csv"), workshop, wet)["relative_humidity"].values
    assert humidity.min() > 43.5 and humidity.max() < 47.5
    # what the owner says goes before what the home is known for
    assert room(home="heated flat", excess_cold_g_m3=3.0).excess_cold_g_m3 == 3.0
    assert dict(room(excess_cold_g_m3=3.0).log_sd)["excess_cold"] < dict(room().log_sd)["excess_cold"]


def test_a_cooled_and_an_open_home_in_the_wet_tropics() -> None:
    outdoor = synthetic_air(TROPICS, "2026-01-01", 8760, 3)
    cooled = monthly(indoor_air(outdoor, room(home="air-conditioned home")))
    assert cooled.min() > 50.0 and cooled.max() < 65.0
    opened = monthly(indoor_air(outdoor, room(home="open-window tropics")))
    assert np.abs(opened - monthly(outdoor)).max() < 12.0 and opened.min() > 68.0


def test_a_leaky_case_dries_as_it_warms_and_a_tight_one_does_not() -> None:
    """Tight: up with warmth, a third of a % per K at most (Thomson 1964); leaky: down, 1 to 2 % per K (own
    calculation from measured display cases)."""
    hours = 24 * 40
    warm = np.where(np.arange(hours) < 480, 20.0, 24.0)
    air = make_air(hours_from("2026-01-01", hours), warm, np.full(hours, 50.0))
    tight = Case(half_time_days=10.0, out_of_case_share=0.0, humidifier_pct=None)
    leaky = replace(tight, half_time_days=4.5, leaky=True)
    up, down = (case_air(air, case)["relative_humidity"].values for case in (tight, leaky))
    assert 1.0 < up.max() - 50.0 < 4 / 3
    assert 4.0 < 50.0 - down.min() < 8.0
    assert abs(down[-1] - 50.0) < 0.5


def own_lines() -> list[str]:
    return (WEATHER / "chicago.csv").read_text().splitlines()


def spoiled(change) -> str:  # type: ignore[no-untyped-def]
    head = [line for line in own_lines() if line.startswith("#") or line.startswith("month")]
    body = [line.split(",") for line in own_lines()[len(head) :]]
    return "\n".join([*head, *(",".join([*cells[:3], *change(k, *cells[3:])]) for k, cells in enumerate(body))])


def turned(k: int, t: str, td: str, h: str) -> list[str]:
    return [t, td, f"{100 - float(h):g}"]


@pytest.mark.parametrize(
    ("change", "words"),
    [
        (lambda k, t, td, h: [t, td, f"{float(h) / 100:.2f}"], ("fraction", "column relative_humidity_pct")),
        (lambda k, t, td, h: [td, t, h], ("swapped", "dry_bulb_c", "dew_point_c")),
        (turned, ("disagree", "dry_bulb_c, dew_point_c and relative_humidity_pct")),
    ],
)
def test_weather_that_contradicts_itself_is_refused_by_column(change, words, tmp_path: Path) -> None:  # type: ignore[no-untyped-def]
    path = tmp_path / "w.csv"
    path.write_text(spoiled(change))
    with pytest.raises(BadInput) as told:
        read_weather(path)
    for word in words:
        assert word in str(told.value)


def test_a_scenario_names_a_home_in_words(world: Path) -> None:
    from driftmodel.base.scenarios import load_scenario

    text = (world / "mine.toml").read_text()
    at = 'climate = "cold_city_heated"'
    (world / "mine.toml").write_text(text.replace(at, at + '\nhome = "heated flat"'))
    there = load_scenario(world / "mine.toml").stays[-1].climate
    assert there.room is not None and there.room.excess_cold_g_m3 == 1.7 and there.room.cooling_setpoint_c is None
    (world / "mine.toml").write_text(text.replace(at, at + '\nhome = "heated falt"'))
    with pytest.raises(BadInput, match="heated flat"):
        load_scenario(world / "mine.toml")
