"""The whole chain against five guitars worked by closed forms (tests/reference/worked_guitars.py): constant air, one
step of air, a season as a sine, a year of strings, one spacer. Every unknown stands at its middle; no hysteresis.
No outside values."""

from __future__ import annotations

import sys
from collections.abc import Callable
from dataclasses import replace
from datetime import date, timedelta
from pathlib import Path
from types import MappingProxyType
from typing import Any

import numpy as np
import pytest

from driftmodel.base import library
from driftmodel.base.records import Climate, Scenario, Stay, WorkDone
from driftmodel.base.scenario_file import StringEvent
from driftmodel.base.scenarios import find_instrument, load_climate, load_scenario
from driftmodel.base.schema import PARTS
from driftmodel.outlook.draws import Draws, unknowns_of
from driftmodel.outlook.drift import forecast
from driftmodel.outlook.wood_air import slab_of
from driftmodel.structure.response import design_response

sys.path.insert(0, str(Path(__file__).parent / "reference"))
import worked_guitars as worked

PULL_N = 700.0
START = date(2026, 1, 1)
DAMP = worked.humidity_for(20.0, worked.NUMBERS["creep_clock_moisture"])  # where a day on the clock is a day


def logger_of(folder: Path, name: str, humidity: Callable[[np.ndarray], np.ndarray]) -> Climate:
    """A climate of one measured year at 20 degC that comes again, by hour of the year."""
    hours = np.arange(8760)
    stamps = np.datetime64("2026-01-01T00:00", "m") + 60 * hours
    rows = [f"{t},20.0,{h:.6f}" for t, h in zip(stamps, humidity(hours), strict=True)]
    (folder / f"{name}.csv").write_text("\n".join(["time,temperature (°C),relative humidity (%)", *rows]) + "\n")
    (folder / f"{name}.toml").write_text(
        f'title = "{name}"\ninvented = true\n[logger]\nfile = "{name}.csv"\ntime_zone = "UTC"\nrepeat_years = true\n'
    )
    return load_climate(folder / f"{name}.toml")


def guitar(*stays: Stay, built_pct: float, years: int, **changed: Any) -> Scenario:
    base = load_scenario("first-winter")
    instrument = find_instrument("small_ladder_braced")
    instrument = replace(instrument, strings=replace(instrument.strings, tension_n=PULL_N))
    setup = replace(base.setup, strung=START, setup=START, built_relative_humidity_pct=built_pct,
                    built_temperature_c=20.0, spacer="J")  # fmt: skip
    return replace(base, instrument=instrument, stays=stays, events=(), setup=setup, horizon_years=years,
                   hysteresis=False, weather_members=1, draws=2, **changed)  # fmt: skip


def told(scenario: Scenario) -> Any:
    """The forecast with every unknown at its middle."""
    middle = MappingProxyType({name: np.full(2, one.median) for name, one in unknowns_of(scenario).items()})
    return forecast(scenario, unknowns=Draws(middle, np.zeros(2), np.zeros(2, dtype=np.intp))).isel(draw=0)


def rise_mm(scenario: Scenario, sinkage_mm: float, rotation_deg: float) -> float:
    """Saddle over the fret plane: the arc from the body-join fret to the saddle, less the sinkage."""
    strings = scenario.instrument.strings
    return rotation_deg * np.pi / 180.0 * strings.scale_mm / 2.0 ** (scenario.instrument.body_fret / 12.0) - sinkage_mm


def shares(scenario: Scenario, quantity: str) -> Any:
    return design_response(scenario.instrument).string_shares[quantity]


def gain() -> float:
    return float(library.general("residual_gain").value)


@pytest.mark.parametrize("quantity", ["top_sinkage", "neck_rotation"])
def test_constant_air(quantity: str, tmp_path: Path) -> None:
    """No season at all; what stays is the pull times each share's creep by the clock's days, at 30 days, a year and
    twelve, and in the action what of the neck's bow the rod does not carry. To 0.1 %: single precision of the paths,
    and days that are whole."""
    climate = logger_of(tmp_path, "damp", lambda hours: np.full(hours.size, DAMP))
    scenario = guitar(Stay(START, climate), built_pct=DAMP, years=12)
    found = told(scenario)
    assert float(np.abs(found["action_change_seasonal"]).max()) < 1e-4
    for day in (30, 365, 12 * 365):
        expected = gain() * worked.lasting(shares(scenario, quantity), PULL_N, [(day, 1.0)])
        assert float(found[f"{quantity}_lasting"][day]) == pytest.approx(expected, rel=1e-3)
    both = [
        gain() * worked.lasting(shares(scenario, each), PULL_N, [(365, 1.0)])
        for each in ("top_sinkage", "neck_rotation")
    ]
    carried = library.general("truss_rod_carries").value
    strings_bow = design_response(scenario.instrument).bow_action["strings"]
    bow = worked.lasting({("neck", "along"): (1.0 - carried) * strings_bow}, PULL_N, [(365, 1.0)])
    higher = rise_mm(scenario, *both) / 2.0 + bow
    assert float(found["action_change_lasting"][365]) == pytest.approx(higher, rel=1e-3)
    assert float(found["action_12th"][365]) == pytest.approx(scenario.setup.action_12th_mm + higher, abs=1e-3)


def test_one_year_of_strings(tmp_path: Path) -> None:
    """Strings off for good after a year: the creep of three years less the creep of two."""
    climate = logger_of(tmp_path, "damp", lambda hours: np.full(hours.size, DAMP))
    off = (StringEvent(START + timedelta(days=365), False),)
    scenario = replace(guitar(Stay(START, climate), built_pct=DAMP, years=3), events=off)
    found = told(scenario)
    for day in (365, 400, 1095):
        loads = [(day, 1.0), (day - 365, -1.0)]
        expected = gain() * worked.lasting(shares(scenario, "top_sinkage"), PULL_N, loads)
        assert float(found["top_sinkage_lasting"][day]) == pytest.approx(expected, rel=1e-3)


@pytest.mark.parametrize("quantity", ["top_sinkage", "neck_rotation", "bow_action"])
def test_one_step_of_air(quantity: str, tmp_path: Path) -> None:
    """Four years after a step every part has the new moisture: response x change x what has not relaxed. To 1 %: the
    neck's last tenth of a percent, and lags of a day."""
    damp = logger_of(tmp_path, "damp", lambda hours: np.full(hours.size, DAMP))
    dry = logger_of(tmp_path, "dry", lambda hours: np.full(hours.size, 40.0))
    at = START + timedelta(days=200)
    scenario = guitar(Stay(START, damp), Stay(at, dry), built_pct=DAMP, years=5)
    found, response = told(scenario), getattr(design_response(scenario.instrument), quantity)
    change = worked.emc_pct(20.0, 40.0) - worked.emc_pct(20.0, DAMP)
    day = 200 + 1500
    expected = sum(response[part] for part in PARTS) * change * worked.relaxed_step(1500)
    if quantity == "bow_action":
        seen = float(found["action_change_seasonal"][day] + found["projection_change_seasonal"][day] / 2.0)
    else:
        seen = float(found[f"{quantity}_seasonal"][day])
        own = shares(scenario, quantity)
        two = worked.emc_pct(20.0, DAMP), worked.emc_pct(20.0, 40.0)
        moist = gain() * worked.by_moisture(own, PULL_N, *two, 200 + 1500)
        slow = 10 ** (change / worked.NUMBERS["creep_moisture_decade"])  # the clock in the drier wood
        aged = gain() * worked.lasting(own, PULL_N, [(200 + 1500 * slow, 1.0)])
        assert float(found[f"{quantity}_lasting"][day]) == pytest.approx(moist + aged, rel=0.015)
    assert seen == pytest.approx(expected, rel=0.01, abs=1e-6)


@pytest.mark.parametrize("quantity", ["top_sinkage", "neck_rotation"])
def test_one_season_as_a_sine(quantity: str, tmp_path: Path) -> None:
    """Humidity as a sine of a year about 50 %: swing and delay of the movement, by the exact slab in each part's
    thickness. To 3 % and 3 days: 8 cells a slab, a basis of lags, wood that is quicker when damp."""
    swing = lambda hours: 50.0 + 6.0 * np.sin(2 * np.pi * (hours + 0.5) / 8760)  # noqa: E731
    scenario = guitar(Stay(START, logger_of(tmp_path, "season", swing)), built_pct=50.0, years=6)
    found, response = told(scenario), getattr(design_response(scenario.instrument), quantity)
    sums = 0j
    for part in PARTS:
        slab = slab_of(scenario.instrument, part)
        density = 1000.0 * library.number(library.wood(slab.wood), "specific_gravity_12").value
        mean, gradient = worked.slab_sine(slab.thickness_mm, slab.outside, slab.inside, density, 365.0)
        sums += response[part] * mean
        if part in ("top", "back"):
            sums += response[f"{part}_gradient"] * gradient
    humidity = swing(np.arange(8760))
    moisture = np.array([worked.emc_pct(20.0, h) for h in humidity])
    turn = np.exp(-2j * np.pi * np.arange(8760) / 8760)
    expected = sums * worked.relaxed_sine(365.0) * 2.0 * (moisture * turn).mean()
    days = np.arange(4 * 365, 5 * 365)
    path = found[f"{quantity}_seasonal"].values[days].astype(float)
    seen = 2.0 * (path * np.exp(-2j * np.pi * days / 365.0)).mean()
    assert abs(seen) == pytest.approx(abs(expected), rel=0.03)
    assert abs(np.angle(seen / expected)) * 365 / (2 * np.pi) < 3.0


def test_one_spacer(tmp_path: Path) -> None:
    """A spacer fitted after a year: the action moves by half of what the saddle does, by plane geometry, to 0.1 %."""
    climate = logger_of(tmp_path, "damp", lambda hours: np.full(hours.size, DAMP))
    work = (WorkDone(START + timedelta(days=364), spacer="N", words="spacer N"),)
    plain = guitar(Stay(START, climate), built_pct=DAMP, years=3)
    before, after = told(plain), told(replace(plain, work=work))
    spacers, strings = plain.instrument.spacers, plain.instrument.strings
    taper = {label: spacers.tapers_mm[spacers.labels.index(label)] for label in "JN"}
    lift = worked.spacer_lift_mm(
        taper["J"], taper["N"], spacers.joint_length_mm, strings.scale_mm, plain.instrument.body_fret
    )
    moved = (after["action_12th"] - before["action_12th"]).values
    assert lift == pytest.approx(0.90, abs=0.01)
    np.testing.assert_allclose(moved[370:], lift / 2.0, rtol=2e-3)
    np.testing.assert_allclose(moved[:364], 0.0, atol=1e-6)


def test_the_isotherm_of_the_worked_guitars() -> None:
    """Wood Handbook table 4-2 at 21.1 degC: 6.2 % at 30, 9.2 at 50, 12.0 at 65, 16.0 at 80 % humidity."""
    for humidity, moisture in ((30, 6.2), (50, 9.2), (65, 12.0), (80, 16.0)):
        assert worked.emc_pct(21.1, humidity) == pytest.approx(moisture, abs=0.06)
