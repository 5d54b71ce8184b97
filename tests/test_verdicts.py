"""Single lines that decide much: limits of the verdict, the cause told, thin and thick parts' memory, film, sides, the
strings' height over the board. Each expectation is arithmetic beside it (no outside values); no run of the whole
chain."""

from __future__ import annotations

from dataclasses import replace
from datetime import timedelta
from types import MappingProxyType, SimpleNamespace
from typing import Any

import numpy as np
import pytest
import xarray as xr

from driftmodel.base import library
from driftmodel.base.records import Scenario
from driftmodel.base.scenarios import load_scenario
from driftmodel.base.schema import PARTS
from driftmodel.outlook import findings, moisture
from driftmodel.outlook.calendar import forecast_time, horizon_days, string_load, trailing_mean
from driftmodel.outlook.draws import Draws, draw_unknowns, share_of_variance, unknowns_of
from driftmodel.outlook.movement import READING_STEP_DAYS, hygro_weights
from driftmodel.outlook.regrade import NEVER, NO_GRADE, Reading, Regrades, outside_rule
from driftmodel.outlook.wood_air import Slab, paces, transport, wood_air
from driftmodel.structure import neck
from driftmodel.structure.records import LOADS, BodyResponse, NeckResponse
from driftmodel.structure.response import coefficients

YEARS = 10


@pytest.fixture(scope="module")
def scenario() -> Scenario:
    return replace(load_scenario("first-winter"), horizon_years=YEARS, today=None, work=())


def found(scenario: Scenario, *, due: float = 0.0, dry_days: float = 0.0, dry_at: float = 34.9, damp_days: float = 0.0,
          swing_mm: float | np.ndarray = 0.0, weeks_high: int = 26, draws: int = 4) -> dict[str, Any]:  # fmt: skip
    """The verdict on a made-up forecast: so many days a year dry or damp, and a square season of the action."""
    days = horizon_days(scenario) + 1
    humidity = np.full(days, 50.0)
    humidity[: round(dry_days * YEARS)] = dry_at
    humidity[days - round(damp_days * YEARS) :] = 70.1
    high = (np.arange(days) // 7) % 52 < weeks_high
    season = np.broadcast_to(np.asarray(swing_mm), (draws,))[:, None] * high
    chances = np.array([0.0, due, *[1.0] * (YEARS - 2)])
    result = xr.Dataset(
        {"regrade_due": (("year",), chances), "relative_humidity": (("time",), humidity),
         "action_change_seasonal": (("draw", "time"), season)}, coords={"year": np.arange(1, YEARS + 1)},
    )  # fmt: skip
    return findings.verdict(result, scenario)


def test_limits_of_the_verdict(scenario: Scenario) -> None:
    """More likely than not within two years; drier than 35 % for more than 30 days a year."""
    assert found(scenario)["verdict"] == "leave" and findings.READ_EVERY_DAYS == 7
    assert found(scenario, due=0.5)["verdict"] == "leave" and found(scenario, due=0.51)["verdict"] == "regrade"
    assert found(scenario, due=0.51, dry_days=200)["verdict"] == "regrade"
    assert (
        found(scenario, dry_days=30.0)["verdict"] == "leave" and found(scenario, dry_days=30.1)["verdict"] == "humidify"
    )
    assert found(scenario, dry_days=300, dry_at=35.0)["verdict"] == "leave"
    told = found(scenario, dry_days=12.5, damp_days=40.2)
    assert (told["dry_days_per_year"], told["damp_days_per_year"], told["season_outside_share"]) == (12.5, 40.2, 0.0)
    now = replace(scenario, today=scenario.setup.setup + timedelta(days=365))  # nine years ahead, a year gone by
    ahead = found(now, dry_days=100.0, damp_days=40.2)
    assert (ahead["dry_days_per_year"], ahead["damp_days_per_year"]) == (round(635 / 9, 1), round(402 / 9, 1))


def test_season_alone_outside_the_rule(scenario: Scenario) -> None:
    """A square season of 1 mm is 0.5 mm either way of its mean for half the year: 182 days beyond 2.0 to 2.6 mm about
    2.3 mm; of 0.5 mm a quarter, inside. Weeks high for a twelfth of the year: 0.92 mm above its mean for 28 days."""
    assert found(scenario, swing_mm=1.0)["verdict"] == "humidify"
    assert found(scenario, swing_mm=0.5)["verdict"] == "leave"
    assert found(scenario, swing_mm=1.0, weeks_high=8)["verdict"] == "leave"  # 56 of 60 days high, the rest 0.15 low
    assert found(scenario, swing_mm=1.0, weeks_high=9)["verdict"] == "humidify"
    assert found(scenario, swing_mm=-1.0, weeks_high=9)["season_outside_share"] == 1.0
    for wide, word in ((2, "leave"), (3, "humidify")):  # of four draws: more than half of them
        assert found(scenario, swing_mm=np.array([1.0] * wide + [0.0] * (4 - wide)))["verdict"] == word
    most = np.array([1.0] * 11 + [0.0] * 9)  # of twenty
    assert found(scenario, swing_mm=most, draws=20)["verdict"] == "humidify"


@pytest.mark.parametrize(
    ("place_mm", "lasting_mm", "cause"),
    [(0.9, 0.1, "place"), (0.1, 0.9, "lasting"), (0.5, 0.5, "both"), (-0.9, -0.1, "place"), (-0.4, 1.0, "lasting"),
     (1.0, -0.4, "place"), (0.66, 0.34, "both"), (0.68, 0.32, "place"), (0.32, 0.68, "lasting")],
)  # fmt: skip
def test_the_cause_is_what_goes_the_same_way(
    scenario: Scenario, place_mm: float, lasting_mm: float, cause: str
) -> None:
    """Shares of the way the action went by the day it is due, by the middle of the draws; what went the other way
    counts nothing. The shift told is that of the last reading."""
    days, draws = horizon_days(scenario) + 1, 4
    error = np.array([0.1, 0.0, 0.0, -0.1])
    steps = -(-days // 7)
    action = scenario.setup.action_12th_mm + error[:, None] + np.full((draws, steps), place_mm + lasting_mm)
    action[:, -1] += 0.05
    # all of the third's is the place's; of the fourth, which reaches none, the other way
    lasting = np.array([lasting_mm, lasting_mm, 0.0, place_mm])[:, None]
    result = xr.Dataset({"projection_change_lasting": (("draw", "time"), -2.0 * lasting + np.zeros((draws, days)))})
    world: Any = SimpleNamespace(reading=Reading(np.zeros((draws, steps)), action, 7))
    due: Any = SimpleNamespace(day=np.array([[70], [140], [70], [-1]]))
    given = Draws(MappingProxyType({}), error, np.zeros(draws, dtype=np.intp))
    findings._put_place(result, scenario, given, world, due)
    assert result.attrs["regrade_cause"] == cause
    none = xr.Dataset({"projection_change_lasting": result["projection_change_lasting"]})
    findings._put_place(none, scenario, given, world, SimpleNamespace(day=np.full((draws, 1), -1)))  # type: ignore[arg-type]
    assert none.attrs["regrade_cause"] == "lasting"
    told = np.array([place_mm, place_mm, place_mm + lasting_mm, lasting_mm]) + 0.05
    np.testing.assert_allclose(result["place_shift"].values, told, atol=1e-9)


def test_rule_at_its_very_limits(scenario: Scenario) -> None:
    """On the limit is inside: action 2.0 and 2.6, room of 2.5 used to 0.8, projection 2.0 mm."""
    rule = scenario.rule
    assert (rule.action_low_mm, rule.action_high_mm, rule.saddle_room_least_mm, rule.projection_tolerance_mm) == (
        2.0,
        2.6,
        0.8,
        2.0,
    )
    inside = [(0.0, 2.0, 2.5), (0.0, 2.6, 2.5), (1.69, 2.3, 2.5), (2.0, 2.3, 9.0), (-2.0, 2.3, 2.5)]
    outside = [(0.0, 1.99, 2.5), (0.0, 2.61, 2.5), (1.71, 2.3, 2.5), (2.01, 2.3, 9.0), (-2.01, 2.3, 2.5)]
    for cases, expected in ((inside, False), (outside, True)):
        for rise, action, room in cases:
            assert bool(outside_rule(np.array(rise), np.array(action), room, rule)) is expected, (rise, action, room)


def test_pace_of_thin_and_thick_parts(scenario: Scenario) -> None:
    """The top lags its air by less than a day and hangs little on its lacquer, the neck by two weeks and half on its
    film. In damper air the wood is quicker and the film slower: the top gains, the neck loses, and takes its time."""
    (top, top_days), (neck, neck_days) = paces(scenario.instrument)
    assert 0.4 < top_days < 1.0 and 10.0 < neck_days < 20.0 and 0.0 < top < 0.2 and 0.4 < neck < 0.7
    hours = 24 * 200
    humidity = np.where(np.arange(hours) < 24 * 20, scenario.setup.built_relative_humidity_pct, 75.0)
    plain = replace(scenario, hysteresis=False, setup=replace(scenario.setup, built_temperature_c=20.0))
    _, (thin, thick) = wood_air(np.full(hours, 20.0), humidity, plain)
    assert thin[-1] > 1.05 * thin[0] and thick[-1] < thick[0]
    assert thin[24 * 24] == pytest.approx(thin[-1], rel=0.01) and abs(thick[24 * 24] / thick[-1] - 1.0) > 0.02


def test_dense_wood_lets_moisture_through_slowly() -> None:
    """Diffusion in spruce is two to three times that in beech (Sonderegger and others 2011, both measured)."""
    one = np.ones(1)
    spruce, beech, ebony = (
        float(transport(Slab(wood, 5.0, "bare", "bare"), one, one, one)[0][0])
        for wood in ("sitka spruce", "american beech", "african ebony")
    )
    assert 2.0 < spruce / beech < 3.0 and ebony < 0.5 * beech


def test_film_slows_what_it_covers(scenario: Scenario) -> None:
    """A film three times as open makes the lacquered neck follow sooner and leaves bare braces as they are."""
    drawn = draw_unknowns(replace(scenario, draws=10), 10, 1)
    taus = moisture.diffusion.time_grid()
    means = {}
    for factor in (1.0, 3.0):
        one = MappingProxyType({name: np.ones(10) for name in drawn.values} | {"film": np.full(10, factor)})
        weights = moisture.part_weights(scenario.instrument, Draws(one, drawn.set_up_error_mm, drawn.member), taus)
        means[factor] = {part: weights.mean[part][0] @ np.tile(taus, 2) for part in PARTS}
    assert means[3.0]["neck"] < 0.9 * means[1.0]["neck"] and means[3.0]["top"] < means[1.0]["top"]
    for bare in ("top_braces", "back_braces", "fingerboard"):
        assert means[3.0][bare] == pytest.approx(means[1.0][bare], rel=1e-9)


def test_shares_of_variance_are_those_of_a_sum(scenario: Scenario) -> None:
    """y = 2 a + b with a and b of one spread in logarithms: four fifths and one fifth."""
    drawn = draw_unknowns(scenario, 4000, 3)
    unknowns = unknowns_of(scenario)
    first, second = "diffusion", "film"
    scaled = {
        name: (np.log(drawn.values[name]) - np.log(unknowns[name].median)) / unknowns[name].log_sd
        for name in (first, second)
    }
    shares = share_of_variance(drawn, unknowns, 2.0 * scaled[first] + scaled[second])
    assert shares[unknowns[first].words] == pytest.approx(0.8, abs=0.03)
    assert shares[unknowns[second].words] == pytest.approx(0.2, abs=0.03)
    assert next(iter(shares)) == unknowns[first].words and shares["weather and all else together"] < 0.05


def flat(**given: float) -> Any:
    return MappingProxyType({load: 0.0 for load in LOADS} | given)


def test_sides_move_with_the_back_and_sinking_is_down() -> None:
    split = MappingProxyType({("top", "along"): 0.001})
    body = BodyResponse(
        flat(back=-0.2, sides=-0.05, top=0.3), flat(sides=0.02), flat(back=0.1, sides=0.04, strings=0.002), flat(),
        MappingProxyType({"top_sinkage": split, "neck_rotation": split, "bridge_tilt": split}),
    )  # fmt: skip
    bow = NeckResponse(2e-3, -3e-3, 5e-6, 40.0, 60.0, 55.0)
    found = coefficients(body, bow, {("joint", "joint"): 0.0003, ("root", "root"): 0.0001})
    assert found.top_sinkage["back"] == pytest.approx(0.25) and found.top_sinkage["top"] == pytest.approx(-0.3)
    assert found.neck_rotation["back"] == pytest.approx(0.14) and found.bridge_tilt["back"] == pytest.approx(0.02)
    assert found.neck_rotation["strings"] == pytest.approx(0.0024)
    assert found.bow_action["neck"] == pytest.approx(0.12) and found.bow_action["fingerboard"] == pytest.approx(-0.18)
    assert found.bow_action["strings"] == pytest.approx(5e-6 * 55.0) and found.relief["neck"] == pytest.approx(0.08)
    assert sum(found.string_shares["neck_rotation"].values()) == pytest.approx(0.001 + 0.0004)


def test_strings_pull_at_their_height_over_the_board(scenario: Scenario) -> None:
    """Moment of 1 N at the strings' height over the neutral axis, over EI of the two glued layers by the parallel-axis
    rule, worked here anew."""
    one, strings = scenario.instrument.neck, scenario.instrument.strings
    board = one.fingerboard_thickness_mm
    deep = np.pi / 4 * (one.depth_nut_mm + one.depth_body_mm) / 2
    wide = (one.width_nut_mm + one.width_body_mm) / 2
    shear = library.general("shear_correction_modulus").value
    moduli = [
        shear * library.number(library.wood(name), "modulus_of_elasticity_12").value
        for name in (one.fingerboard_wood, one.wood)
    ]
    areas, middles = np.array([board, deep]) * wide, np.array([board / 2, board + deep / 2])
    axis = np.sum(moduli * areas * middles) / np.sum(moduli * areas)
    stiff = np.sum(moduli * (wide * np.array([board, deep]) ** 3 / 12 + areas * (middles - axis) ** 2))
    height = library.general("strings_over_board").value
    assert 1.0 < height < 10.0
    seen = neck.bow(one, strings, scenario.instrument.body_fret).curvature_per_newton
    assert seen == pytest.approx(1000.0 * (axis + height) / stiff, rel=1e-9)


def test_response_meets_the_wood_it_belongs_to(scenario: Scenario) -> None:
    """One part at a time: response x how much its wood moves x how the body passes it on."""
    drawn = draw_unknowns(scenario, 5, 1)
    weights = moisture.PartWeights(
        {part: np.full((5, 2), float(at + 1)) for at, part in enumerate(PARTS)},
        {part: np.full((5, 2), 0.1) for part in PARTS},
    )
    loads = (*PARTS, "top_gradient", "back_gradient", "strings")
    own = {load: float(load == "top_gradient") for load in loads}
    response: Any = SimpleNamespace(top_sinkage=own, neck_rotation=own, bow_action=own)
    found = hygro_weights(response, drawn, weights)
    np.testing.assert_allclose(
        found["top_sinkage"][:, 0], 0.1 * drawn.values["movement_top"] * drawn.values["structure"]
    )
    np.testing.assert_allclose(found["neck_rotation"][:, 0], 0.1 * drawn.values["movement_top"] * drawn.values["block"])
    np.testing.assert_allclose(found["bow_action"][:, 0], 0.1 * drawn.values["movement_top"])


def test_steps_of_the_forecast() -> None:
    """Readings are a week apart, which the tables, the page and the calibration count on."""
    assert READING_STEP_DAYS == 7


def test_trailing_mean_is_causal_and_starts_with_the_build() -> None:
    series = np.array([[1.0, 1.0, 4.0, 4.0, 4.0, 4.0]])
    np.testing.assert_allclose(trailing_mean(series, 3), [[1.0, 1.0, 2.0, 3.0, 4.0, 4.0]])
    np.testing.assert_allclose(trailing_mean(series, 1), series)


def test_strings_are_at_pitch_from_the_day_they_go_on(scenario: Scenario) -> None:
    load = string_load(scenario, 100)
    strung = (scenario.setup.strung - scenario.stays[0].start).days
    assert load[:strung].sum() == 0.0 and load[strung:].min() == 1.0


def test_shares_of_grades_are_of_those_that_get_there(scenario: Scenario) -> None:
    """Four draws, three due, two of them past what any grade mends: a third wants the first grade, two thirds none."""
    drawn = draw_unknowns(scenario, 4, 1)
    days = horizon_days(scenario) + 1
    result = xr.Dataset(coords={"time": forecast_time(scenario), "year": np.arange(1, YEARS + 1)})
    due = Regrades(np.array([[100], [365], [900], [NEVER]]), np.array([[0], [NO_GRADE], [NO_GRADE], [NO_GRADE]]))
    action = np.arange(4.0)[:, None] + np.zeros((4, -(-days // 7)))
    action[:, -1] = np.log(drawn.values["film"])  # whose doubt it is, is asked at the end
    world: Any = SimpleNamespace(reading=Reading(np.zeros_like(action), action, 7))
    findings._put_regrades(result, scenario, drawn, world, due)
    assert result["no_grade_fits"].values.tolist() == [pytest.approx(2 / 3)]
    assert (
        float(result["grade_probability"][0, 0]) == pytest.approx(1 / 3)
        and float(result["grade_probability"].sum()) < 0.34
    )
    assert result["occasion_probability"].values.tolist() == [0.75]
    np.testing.assert_allclose(result["regrade_due"].values, [0.5, 0.5, *[0.75] * (YEARS - 2)])
    again = xr.Dataset(coords={"time": forecast_time(scenario), "year": np.arange(1, YEARS + 1)})
    twice = Regrades(np.array([[100, 700], *[[400, NEVER]] * 3]), np.array([[0, 2], *[[1, NO_GRADE]] * 3]))
    findings._put_regrades(again, scenario, drawn, world, twice)  # of the one that has a second, all want one grade
    assert again["grade_probability"].values[:, :3].tolist() == [[0.25, 0.75, 0.0], [0.0, 0.0, 1.0]]
    assert result["regrade_grade"].values[:, 0].tolist() == [scenario.instrument.spacers.labels[0], "", "", ""]
    assert float(result["driver_share"].sel(unknown=unknowns_of(scenario)["film"].words)) == pytest.approx(1.0)
