"""Houses differ: drawn rooms through the rows of `outlook.room_lags` against running each draw's own room by the hour.

The full chain of each draw's own room is the truth here: hourly room, hourly wood, every unknown of the room at once.
No outside values.
"""

from __future__ import annotations

from dataclasses import replace
from datetime import date, timedelta
from types import SimpleNamespace

import numpy as np
import pytest
import xarray as xr
from scipy.stats import norm

from driftmodel.base.climate_file import Humidifier, Normals
from driftmodel.base.records import Scenario
from driftmodel.base.scenarios import load_scenario
from driftmodel.climate.air import saturation_density_g_m3
from driftmodel.climate.history import climate_air, scenario_air
from driftmodel.climate.room import drawn_room, lasting_air
from driftmodel.climate.room_fit import fitted
from driftmodel.climate.room_moisture import house_numbers
from driftmodel.outlook import room_lags
from driftmodel.outlook.calendar import action_of_place_and_season, monthly_means, swing
from driftmodel.outlook.chain import run_chain
from driftmodel.outlook.draws import ROOM_WORDS, Draws, draw_unknowns, home_unknowns, is_held, own_name, unknowns_of
from driftmodel.outlook.moisture import air_lags, part_weights
from driftmodel.outlook.rooms import _by_step, _felt, _rooms, climate_of_draw, outdoor_days, place_drivers
from driftmodel.outlook.wood_air import built_moisture, pace_of, paces
from driftmodel.wood.diffusion import lag_basis, time_grid
from driftmodel.wood.sorption import equilibrium_moisture_content

DRAWS = 14
#: a wet tropical city at the sea (invented normals: 27 degC and 83 % all year)
TROPICS = Normals((27.0,) * 12, (83,) * 12, (7,) * 12, 0.7, 4.0, 3.0)


def short(name: str) -> Scenario:
    return replace(load_scenario(name), horizon_years=2, weather_members=1)


def changed(name: str, **room: object) -> Scenario:
    """A short scenario with other numbers in its home's room, in the wet tropics where normals are given."""
    normals = room.pop("normals", None)
    scenario = short(name)
    home = scenario.stays[-1].climate
    assert home.room is not None and home.outdoor is not None
    home = replace(home, room=replace(home.room, **room))  # type: ignore[arg-type]
    if normals is not None:
        home = replace(home, outdoor=replace(home.outdoor, weather_file=None, normals=normals))
    return replace(scenario, stays=(*scenario.stays[:-1], replace(scenario.stays[-1], climate=home)))


def moved() -> Scenario:
    """A year on the damp coast, then a year in the cold city."""
    scenario = short("moving-inland")
    workshop, coast, city = scenario.stays
    return replace(scenario, stays=(workshop, coast, replace(city, start=date(2027, 7, 1))), events=())


def in_own_room(scenario: Scenario, draws: Draws, at: int) -> tuple[Scenario, Draws]:
    """The scenario with the rooms of one draw stated, and that draw with nothing unknown of them."""
    stays, of_rooms = [], set()
    for stay in scenario.stays:
        home = stay.climate
        if not is_held(home):
            names = home_unknowns(scenario, home)
            of_rooms |= set(names)
            home = climate_of_draw(home, {own_name(name): float(draws.values[name][at]) for name in names})
            assert home.room is not None
            home = replace(home, room=replace(home.room, log_sd=()))
        stays.append(replace(stay, climate=home))
    values = {name: value[[at]] for name, value in draws.values.items() if name not in of_rooms}
    return replace(scenario, stays=tuple(stays)), Draws(values, draws.set_up_error_mm[[at]], draws.member[[at]])


DAMP = {"heating_setpoint_c": 14.5, "excess_cold_g_m3": 3.5, "excess_warm_g_m3": 0.76}
HOUSES = {
    "first-winter": lambda: short("first-winter"),
    "damp-coast": lambda: short("damp-coast"),
    "dry-highland": lambda: short("dry-highland"),
    "moved": moved,
    "humidified": lambda: short("first-winter-humidified"),
    "in its case": lambda: short("first-winter-in-case"),
    "southern-summer": lambda: short("southern-summer"),
    "damper coast": lambda: changed("damp-coast", **DAMP),
    "drier highland": lambda: changed("dry-highland", excess_cold_g_m3=1.0, excess_warm_g_m3=0.22),
    "uncooled": lambda: changed("first-winter", cooling_setpoint_c=None),
    "open, wet tropics": lambda: changed("damp-coast", heating_setpoint_c=None, normals=TROPICS, excess_cold_g_m3=0.5),
    "cooled, wet tropics": lambda: changed("damp-coast", heating_setpoint_c=20.0, cooling_setpoint_c=25.0,
                                           normals=TROPICS),
}  # fmt: skip
QUICK = ("first-winter", "damp-coast", "moved")


@pytest.mark.parametrize("name", [pytest.param(n, marks=[] if n in QUICK else pytest.mark.slow) for n in HOUSES])
def test_drawn_rooms_are_those_run_one_by_one(name: str) -> None:
    """Monthly action over the last year: off by under 1 % of the range that it spans over the draws (root mean square),
    under 2 % after a move, for what wood remembers of a draw's earlier home is left out; its swing by under 0.04 mm,
    less than an action is read to."""
    scenario = HOUSES[name]()
    draws = draw_unknowns(scenario, DRAWS, 7)

    def months(of: Scenario, who: Draws) -> np.ndarray:  # type: ignore[type-arg]
        ran = run_chain(of, who)
        action = action_of_place_and_season(ran)[:, -365:]
        return monthly_means(action, np.arange(365) * 12 // 365)

    whole = months(scenario, draws)
    true = np.concatenate([months(*in_own_room(scenario, draws, at)) for at in range(DRAWS)])
    off = np.sqrt(np.mean((whole - true) ** 2))
    assert off < (0.02 if name == "moved" else 0.01) * np.ptp(true)
    alone = {key: np.ones(DRAWS) if own_name(key) in ROOM_WORDS else value for key, value in draws.values.items()}
    median = months(scenario, Draws(alone, draws.set_up_error_mm, draws.member))
    assert np.sqrt(np.mean((median - true) ** 2)) > 3.0 * off, "the rooms make no difference, or none is drawn"
    apart = np.sqrt(np.mean((swing(whole) - swing(true)) ** 2))
    print(f"{name}: action {100 * off / np.ptp(true):.2f} %, swing {apart:.3f} mm")
    assert apart < 0.04


def test_a_draw_in_the_median_room_moves_as_without_rows() -> None:
    scenario = short("first-winter")
    air = scenario_air(scenario)
    plain, rooms = air_lags(air, scenario), air_lags(air, scenario, rooms=True)
    draws = draw_unknowns(scenario, 5, 3)
    known = Draws({k: np.ones(5) if k in ROOM_WORDS else v for k, v in draws.values.items()}, draws.set_up_error_mm,
                  draws.member)  # fmt: skip
    a = part_weights(scenario.instrument, known, plain.time_constants_days).mean["top"] @ plain.lags_pct
    b = part_weights(scenario.instrument, known, plain.time_constants_days, rooms.rooms).mean["top"] @ rooms.lags_pct
    np.testing.assert_allclose(a, b, atol=1e-9)


def test_a_held_workshop_and_a_measured_room_are_not_drawn() -> None:
    scenario = load_scenario("first-winter")
    workshop, home = (stay.climate for stay in scenario.stays)
    assert is_held(workshop) and not is_held(home)
    stayed = replace(scenario, stays=(replace(scenario.stays[0]),))
    assert not set(unknowns_of(stayed)) & set(ROOM_WORDS)
    assert set(ROOM_WORDS) < set(unknowns_of(scenario))
    assert unknowns_of(scenario)["excess_cold"].log_sd == pytest.approx(0.43, abs=0.001)


def test_each_home_has_doubts_of_its_own() -> None:
    """Two homes, two sets of unknowns, drawn apart; a humidifier more leaves a home the home it was."""
    scenario = load_scenario("moving-inland")
    known = unknowns_of(scenario)
    assert {"excess_cold", "excess_cold_home_1"} < set(known)
    assert "home 1 (damp_coast)" in known["excess_cold_home_1"].words
    draws = draw_unknowns(scenario, 200, 1)
    apart = np.corrcoef(np.log(draws.values["excess_cold"]), np.log(draws.values["excess_cold_home_1"]))[0, 1]
    assert abs(apart) < 0.2
    coast = scenario.stays[1]
    wetter = replace(
        coast, start=date(2027, 1, 1), climate=replace(coast.climate, humidifier=Humidifier(40.0, 9.0, ()))
    )
    same = replace(scenario, stays=(*scenario.stays[:2], wetter))
    assert "excess_cold_home_1" not in unknowns_of(same) and "home" not in unknowns_of(same)["excess_cold"].words[-15:]


def test_what_is_unknown_of_one_home_moves_only_what_comes_after_its_start() -> None:
    scenario = moved()
    draws = draw_unknowns(scenario, 6, 3)
    values = dict(draws.values)
    for name in ROOM_WORDS:
        values[name] = np.ones(6)
    alone = Draws(values, draws.set_up_error_mm, draws.member)
    with_both, first_only = (action_of_place_and_season(run_chain(scenario, of)) for of in (draws, alone))
    move = (date(2027, 7, 1) - scenario.setup.setup).days
    assert np.abs(with_both - first_only)[:, : move - 5].max() < 1e-4
    assert np.abs(with_both - first_only)[:, move + 60 :].max() > 0.05


# ---- the parts, by sums done here ----------------------------------------------------------------------------------


def test_lags_of_a_driver_that_runs_straight_are_those_of_the_equation() -> None:
    """F' = (E - F) / tau from rest, E straight between steps: against ten thousand small steps, to their own error."""
    drivers, spent, grid = np.array([[1.0, 3.0, -2.0, -2.0]]), np.array([5.0, 2.0, 4.0]), np.array([0.7, 6.0])
    found = room_lags.step_lags(drivers, spent, grid)
    assert found.shape == (1, 2, 4) and (found[:, :, 0] == 0.0).all()
    for lag, tau in enumerate(grid):
        state = 0.0
        for step, days in enumerate(spent):
            for part in (np.arange(10_000) + 0.5) / 10_000:
                driver = drivers[0, step] + part * (drivers[0, step + 1] - drivers[0, step])
                state += (driver - state) * days / 10_000 / tau
            assert found[0, lag, step + 1] == pytest.approx(state, abs=2e-3)


def test_rows_are_gathered_lags_straight_between_their_days() -> None:
    """One room whose rows are its first lags as they are; its mixes stand where thin and thick parts' lags do."""
    grid, nodes = np.geomspace(0.2, 400.0, 24), np.array([0, 5, 8, 13])
    drivers = np.array([[[0.0, 1.0, 2.0, 1.0], [0.0, -1.0, -1.0, 3.0]]])
    spent = [np.array([5.0, 3.0, 5.0]), np.array([4.0, 2.0, 6.0])]
    weighing = [(grid >= 0.15) & (grid <= 20.0), (grid >= 0.7) & (grid <= 500.0)]
    gather = [np.eye(int(own.sum()), rows)[None] for own, rows in zip(weighing, room_lags.ROWS, strict=True)]
    mixes = [np.random.default_rng(half).normal(size=(1, 24, rows)) for half, rows in enumerate(room_lags.ROWS)]
    basis = SimpleNamespace(few=({},), gather=gather, mix=mixes, shares=None)
    found, whole = room_lags.node_rows([(basis, drivers)], spent, grid)  # type: ignore[list-item]
    daily = room_lags.daily_rows(whole, nodes, 13)
    thin, thick = room_lags.ROWS
    assert found.thin == thin and daily.shape == (thin + thick, 14)
    for half, (first, rows) in enumerate(((0, thin), (thin, thick))):
        lags = room_lags.step_lags(drivers[:, half], spent[half], grid[weighing[half]])[0, :rows]
        told = daily[first : first + len(lags)]
        np.testing.assert_allclose(told[:, nodes], lags)
        np.testing.assert_allclose(told[:, 6], lags[:, 1] + (lags[:, 2] - lags[:, 1]) / 3.0)
        np.testing.assert_array_equal(found.mix[0, 24 * half : 24 * half + 24, first : first + rows], mixes[half][0])
    assert np.count_nonzero(found.mix) == 24 * (thin + thick)
    for node in (0, 1, 2):  # a house begun later has the rows of what drives it from there on, at rest before
        later, passed = drivers[:, :, node:], [each[node:] for each in spent]
        own = room_lags.node_rows([(basis, later)], passed, grid)[1]  # type: ignore[list-item]
        mine = room_lags.rows_from_node(whole, basis, drivers, np.array(spent), grid, node)  # type: ignore[arg-type]
        assert mine == pytest.approx(own, abs=1e-12)


@pytest.mark.parametrize(("name", "within"), [("damp-coast", 0.03), ("first-winter", 0.09)])
def test_rooms_between_are_mixes_of_the_few(name: str, within: float) -> None:
    """Eight rooms up to two spreads away: what the few drive the wood with, mixed by their terms, is what each room run
    for itself does, and the lags told by the rows are its lags; in a cooled house, crooked in its unknowns, less well.
    Unknowns of other names are the median's, and none of the median room is any of the few."""
    scenario, grid = short(name), time_grid()
    home = scenario.stays[-1].climate
    basis = room_lags.room_basis(home, scenario, grid)
    assert basis is not None and len(basis.few) == room_lags.FEW
    unknowns = basis.shares.unknowns
    away = np.clip(np.random.default_rng(5).normal(size=(8, len(unknowns))), -2.0, 2.0)
    factors = {key: np.exp(away[:, at] * spread) for at, (key, spread) in enumerate(unknowns)}
    rooms = [{own_name(key): float(value[at]) for key, value in factors.items()} for at in range(8)]
    days = outdoor_days(home, np.datetime64("2026-01-01"), 365)
    true, few = (place_drivers(home, scenario, each, *days) for each in (rooms, basis.few))
    terms = basis.shares.terms(factors, 8)
    spent, apart = np.full(true.shape[2] - 1, 5.0), lambda a, b: np.sqrt(((a - b) ** 2).mean() / (b**2).mean())
    for half, weighing in enumerate(room_lags._weighing(grid)):
        assert apart(np.einsum("nf,fs->ns", terms, few[:, half]), true[:, half]) < within
        told, whole = (room_lags.step_lags(each[:, half], spent, grid) for each in (few, true))
        rows = np.einsum("flr,fls->rs", basis.gather[half], told[:, weighing])
        mixed = np.einsum("nf,flr,rs->nls", terms, basis.mix[half], rows)
        assert apart(mixed[:, weighing], whole[:, weighing]) < within
    plain = place_drivers(home, replace(scenario, hysteresis=False), rooms, *days)
    warm, damp = (each[:, :5].mean(axis=1) for each in _rooms(home, rooms, *days))  # of the first five days
    emc = equilibrium_moisture_content(warm, damp)
    assert plain.shape[2] == 74 and plain[:, 0, 0] == pytest.approx(emc[1:] - emc[0])
    assert np.abs(basis.shares.terms({"film": np.full(3, 2.0)}, 3)).max() < 1e-9
    assert basis.shares.terms({key: np.full(2, np.exp(9.0)) for key in factors}, 2) == pytest.approx(
        basis.shares.terms({key: np.full(2, np.exp(3.0 * spread)) for key, spread in unknowns}, 2)
    )


def test_what_a_damper_room_drives_is_the_difference_of_both_rooms_lags() -> None:
    """Two rooms 12 % RH apart through two years: the neck's lag in each at its own pace, by the hour, and their
    difference from the row's driver at the first room's pace, within 3 %; without the damper one's quicker moisture 9 %
    off. Thin parts' driver is the difference of their equilibrium, at a step's ends the mean of the steps beside; of a
    place moved to nothing is felt before."""
    scenario = replace(short("damp-coast"), hysteresis=False)
    year = 2.0 * np.pi * (np.arange(730) + 0.5) / 365.0
    warm = np.stack([20.0 + 2.0 * np.sin(year)] * 2)
    damp = np.stack([base + 12.0 * np.sin(year + 1.0) for base in (62.0, 74.0)])
    nodes, thick = np.arange(0, 731, 5), paces(scenario.instrument)[1]
    steps = [_by_step(each, nodes) for each in (warm, damp)]
    assert steps[1][:, 3] == pytest.approx(damp[:, 15:20].mean(axis=1))
    felt = _felt(*steps, scenario, np.array([40]))[0]
    emc = equilibrium_moisture_content(*steps)
    apart = emc[1] - emc[0]
    assert felt[0, [0, 7, 40, 146]] == pytest.approx([apart[0], apart[6:8].mean(), apart[39], apart[145]])
    hourly = [[np.repeat(each[room], 24) for each in (warm, damp)] for room in (0, 1)]
    air = [equilibrium_moisture_content(*each) for each in hourly]
    speed = [pace_of(each[0], own, thick, scenario) for each, own in zip(hourly, air, strict=True)]
    grid, start = np.array([thick[1]]), built_moisture(scenario)
    lags = [lag_basis(own, pace, grid, start)[0, nodes] for own, pace in zip(air, speed, strict=True)]
    true, spent = lags[1] - lags[0], np.add.reduceat(speed[0].reshape(-1, 24).mean(axis=1), nodes[:-1])
    off = [
        np.sqrt(np.mean((room_lags.step_lags(felt[[half]], spent, grid)[0, 0] - true) ** 2) / np.mean(true**2))
        for half in (0, 1)
    ]
    assert off[1] < 0.03 and off[0] > 0.07


def test_steps_lie_on_the_calendar_and_on_moves() -> None:
    """Days whose number since 1970 divides by five, the day of a move and the day after, both ends."""
    scenario = short("first-winter")
    for later, move in ((0, 13), (2, 13), (2, 1)):  # days: the first is on the calendar, or not
        nodes_are_right(scenario, scenario.stays[0].start + timedelta(later), move)


def nodes_are_right(scenario: Scenario, first: date, move: int) -> None:
    moved_to = replace(
        scenario,
        stays=(replace(scenario.stays[0], start=first), replace(scenario.stays[1], start=first + timedelta(move))),
    )
    hours = np.datetime64(first, "h") + np.arange(24 * 20)
    begun = (first - date(1970, 1, 1)).days
    expected = {0, move, move + 1, 20} | {day for day in range(20) if (begun + day) % 5 == 0}
    nodes = room_lags.nodes_of(xr.Dataset(coords={"time": hours}), moved_to)
    assert nodes.tolist() == sorted(expected)


def test_days_outdoors_are_means_of_their_hours() -> None:
    home = short("damp-coast").stays[-1].climate
    time, warm, density = outdoor_days(home, np.datetime64("2026-03-01"), 3)
    outdoors = climate_air(replace(home, room=None, humidifier=None, case=None), np.datetime64("2026-03-01"), 72)
    air, damp = outdoors["air_temperature"].values, outdoors["relative_humidity"].values / 100.0
    assert list(time) == [np.datetime64("2026-03-01") + np.timedelta64(day, "D") for day in range(3)]
    for day in range(3):
        own = slice(24 * day, 24 * day + 24)
        assert warm[day] == pytest.approx(air[own].mean())
        assert density[day] == pytest.approx((damp[own] * saturation_density_g_m3(air[own])).mean())


@pytest.mark.parametrize("unknowns", [1, 2, 3])
def test_rooms_tried_fill_the_spread_and_reach_both_ends(unknowns: int) -> None:
    """Evenly filled by the powers of the root of x^(n + 1) = x + 1 (1.618 for one, 1.3247 for two): normals of spread
    1.3, cut at 3; then each unknown alone at -3, and at 3."""
    tries = room_lags._tries(unknowns)
    within, ends = tries[: room_lags.TRIED], tries[room_lags.TRIED :]
    root = max(each.real for each in np.roots([1.0, *[0.0] * (unknowns - 1), -1.0, -1.0]) if abs(each.imag) < 1e-9)
    for at in (0, 5, 119):
        even = [(0.5 + (at + 1) * root ** -(power + 1)) % 1.0 for power in range(unknowns)]
        assert within[at] == pytest.approx(np.clip(1.3 * norm.ppf(even), -3.0, 3.0), abs=1e-6)
    assert within.std(axis=0) == pytest.approx(np.full(unknowns, 1.27), abs=0.1)
    np.testing.assert_array_equal(ends, np.concatenate([-3.0 * np.eye(unknowns), 3.0 * np.eye(unknowns)]))


def test_a_room_is_told_by_its_wood_in_lasting_air_and_the_powers_of_its_unknowns() -> None:
    home = fitted(short("first-winter").stays[-1].climate)
    unknowns = (("excess_cold", 0.4), ("heating_setpoint", 0.1))
    outdoors = (np.array([-5.0, 12.0]), np.array([2.5, 8.0]), np.array([False, False]))
    found = room_lags._features(np.array([[0.0, 0.0], [1.0, -2.0]]), unknowns, home, outdoors)
    assert found.shape == (2, 2 + 2 + 3 + 4) and np.abs(found[0]).max() < 1e-12
    x, y = (np.exp(0.2) - 1.0) * 5.0, -2.0  # half-way to the logarithm; as it is
    assert found[1, 2:] == pytest.approx([x, y, x * x, x * y, y * y, x**3, x * x * y, x * y * y, y**3])
    emc = []
    for factors in ({}, {"excess_cold": np.exp(0.4), "heating_setpoint": np.exp(-0.2)}):
        assert home.room is not None
        warm, damp = lasting_air(*outdoors[:2], drawn_room(home.room, factors), None, outdoors[2], house_numbers())
        emc.append(equilibrium_moisture_content(warm, damp))
    assert found[1, :2] == pytest.approx(emc[1] - emc[0]) and (found[1, :2] > 0.0).all()


@pytest.mark.parametrize(("log_sd", "are_open"), [(0.3, True), (0.0, False)])
def test_a_home_is_open_where_anything_is_unknown_of_it(
    log_sd: float, are_open: bool, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(room_lags, "home_unknowns", lambda *_: {"excess_cold": SimpleNamespace(log_sd=log_sd)})
    assert bool(room_lags.open_climates(short("first-winter"))) is are_open
