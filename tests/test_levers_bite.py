"""What each lever does to a scenario's own numbers, by arithmetic (no outside values); nothing is run."""

from __future__ import annotations

from dataclasses import replace
from datetime import date, timedelta
from types import MappingProxyType

import numpy as np
import pytest

from driftmodel.base import library
from driftmodel.base.climate_file import Humidifier
from driftmodel.base.errors import BadInput
from driftmodel.base.records import Scenario
from driftmodel.base.scenarios import find_instrument, load_scenario
from driftmodel.outlook import air_levers, findings, levers
from driftmodel.outlook.compare import QUANTILES, compare
from driftmodel.outlook.draws import draw_unknowns, is_held, share_of_variance, unknowns_of
from driftmodel.outlook.levers import LEVERS, with_lever
from driftmodel.structure.joint import string_pull_n


@pytest.fixture(scope="module")
def scenario() -> Scenario:
    return load_scenario("first-winter")


def test_a_humidifier_stands_still_from_10_january(scenario: Scenario) -> None:
    base = load_scenario("first-winter-humidified")
    found = air_levers.humidifier_outage(base, 3)
    out, back = found.stays[-2:]
    after = base.stays[-1].start
    first = date(after.year, 1, 10) if date(after.year, 1, 10) > after else date(after.year + 1, 1, 10)
    assert (out.start, back.start) == (first, first + timedelta(days=21))
    assert out.climate.humidifier is None and back.climate.humidifier == base.stays[-1].climate.humidifier
    for day, expected in ((date(2026, 1, 9), date(2026, 1, 10)), (date(2026, 1, 10), date(2027, 1, 10)),
                          (date(2026, 7, 1), date(2027, 1, 10))):  # fmt: skip
        assert air_levers._january_after(day) == expected


def test_a_case_with_a_humidifier_has_it_in_every_month(scenario: Scenario) -> None:
    held = air_levers.case(scenario, 45).stays[-1].climate.case
    assert held is not None and held.humidifier_pct == 45.0 and held.humidifier_months == tuple(range(1, 13))
    assert air_levers.case(scenario, False).stays[-1].climate.case is None
    failed = air_levers.humidifier_outage(air_levers.case(scenario, 45), 2).stays[-2].climate.case
    assert failed == replace(held, humidifier_pct=None, humidifier_months=())


def test_six_weeks_in_a_container_and_back(scenario: Scenario) -> None:
    """42 days; a stay that begins while it is on its way begins at its end, one that begins that day stands."""
    start = date(2027, 3, 1)
    found = air_levers.shipping(scenario, start)
    assert [stay.start for stay in found.stays[-2:]] == [start, start + timedelta(days=42)]
    assert found.stays[-1].climate == scenario.stays[-1].climate and len(found.stays) == len(scenario.stays) + 2
    outdoor = found.stays[-2].climate.outdoor
    assert outdoor is not None and outdoor.normals is not None
    assert outdoor.year_to_year_sd_c == outdoor.year_to_year_sd_pct == 0.0  # every container is the same
    warm, dry = (library.general(f"container_{name}").value for name in ("temperature", "relative_humidity"))
    normals = outdoor.normals
    assert (normals.temperature_c, normals.relative_humidity_pct) == ((warm,) * 12, (dry,) * 12) and dry < 45.0
    home = scenario.stays[-1]
    for at, count in ((start + timedelta(days=42), 2), (start + timedelta(days=41), 1), (start, 1)):
        moved = replace(scenario, stays=(*scenario.stays[:-1], replace(home, start=at)))
        tail = [stay for stay in air_levers.shipping(moved, start).stays if stay.start > start]
        assert len(tail) == count and tail[-1].climate == home.climate and tail[0].start == start + timedelta(days=42)
    with pytest.raises(BadInput):
        air_levers.shipping(scenario, scenario.setup.setup)


@pytest.mark.parametrize("winter", [1, 3])
def test_a_move_on_the_so_manieth_10_january(scenario: Scenario, winter: int) -> None:
    found = air_levers.move(scenario, winter)
    first = air_levers._january_after(scenario.stays[-1].start)
    assert found.stays[-1].start == date(first.year + winter - 1, 1, 10)
    assert found.stays[-1].climate.name == "cold_city_heated" and found.stays[-2].climate.name == "damp_coast"


def test_warmer_outdoors_is_drier_by_the_librarys_number(scenario: Scenario) -> None:
    outdoor = air_levers.warming(scenario, 2.0).stays[-1].climate.outdoor
    assert outdoor is not None and outdoor.warmer_k == 2.0
    assert outdoor.drier_pct == pytest.approx(-2.0 * library.general("outdoor_humidity_per_kelvin").value)


def test_heights_of_braces(scenario: Scenario) -> None:
    before, after = (scenario.instrument.body.top.braces, levers.brace_height(scenario, 0.5).instrument.body.top.braces)
    for one, other in zip(before, after, strict=True):
        assert other.height_mm == pytest.approx(0.5 * one.height_mm)
        assert other.end_height_mm == pytest.approx(min(one.end_height_mm, 0.5 * one.height_mm))
    body = scenario.instrument.body  # of one height to its ends
    even = replace(body, top=replace(body.top, braces=tuple(replace(b, end_height_mm=b.height_mm) for b in before)))
    low = levers.brace_height(replace(scenario, instrument=replace(scenario.instrument, body=even)), 0.8)
    for one, other in zip(before, low.instrument.body.top.braces, strict=True):
        assert other.height_mm == other.end_height_mm == pytest.approx(0.8 * one.height_mm)


def test_braces_of_another_design_are_drawn_out_to_this_body(scenario: Scenario) -> None:
    other = find_instrument("small_ladder_braced").body
    found = levers.brace_layout(scenario, "small_ladder_braced").instrument.body
    own, its = np.array(found.outline_mm), np.array(other.outline_mm)
    scale = np.array([np.ptp(own[:, 0]) / np.ptp(its[:, 0]), own[:, 1].max() / its[:, 1].max()])
    assert (scale > 1.02).all()
    for fresh, drawn in zip(found.top.braces, other.top.braces, strict=True):
        np.testing.assert_allclose(fresh.path_mm, np.array(drawn.path_mm) * scale)


def test_how_far_an_outline_reaches() -> None:
    """One that does not begin at 0: 110 - 10 mm long, and the widest half is 50 mm."""
    assert levers._extent(((10.0, 0.0), (60.0, 50.0), (110.0, 20.0))) == (100.0, 50.0)


def test_a_longer_scale_moves_the_bridge_with_the_saddle(scenario: Scenario) -> None:
    """660 for 645 mm at the 14th fret: the saddle goes 15 / 2^(14/12) = 6.68 mm back, the bridge and its plate too."""
    found = levers.scale_length(scenario, 660.0).instrument
    own = scenario.instrument
    assert own.strings.scale_mm == pytest.approx(645.0) and own.body_fret == 14
    for edge in ("front_mm", "back_mm", "saddle_mm"):
        moved = getattr(found.body.bridge, edge) - getattr(own.body.bridge, edge)
        assert moved == pytest.approx(15.0 / 2.0 ** (14.0 / 12.0), abs=1e-9), edge


def test_a_finer_set_halves_each_step(scenario: Scenario) -> None:
    own, fine = scenario.instrument.spacers, levers.finer_spacers(scenario, 2).instrument.spacers
    tapers = dict(zip(fine.labels, fine.tapers_mm, strict=True))
    assert len(tapers) == 2 * len(own.labels) - 1 and fine.labels[::2] == own.labels
    for label, low, high in zip(own.labels, own.tapers_mm, own.tapers_mm[1:], strict=False):
        assert tapers[f"{label}+1/2"] == pytest.approx((low + high) / 2.0)


def test_one_scenario_or_one_twice_is_no_comparison(scenario: Scenario) -> None:
    """The one that is doubled is named, not its neighbour."""
    other = replace(scenario, name="another")
    twice = '"first-winter" is named twice'
    cases = (((scenario,), "1 scenario to compare"), ((scenario,) * 2, twice), ((other, scenario, scenario), twice))
    for given, said in cases:
        with pytest.raises(BadInput, match=said):
            compare(given)


def test_gauge_and_tension(scenario: Scenario) -> None:
    """Pull goes with the square of the gauge at one pitch (Mersenne)."""
    pull = string_pull_n(scenario.instrument.strings)
    thicker = levers.string_gauge(scenario, 1.1).instrument.strings
    assert string_pull_n(thicker) == pytest.approx(1.21 * pull, rel=1e-6)
    assert string_pull_n(levers.string_tension(scenario, 80.0).instrument.strings) == pytest.approx(0.8 * pull)
    stated = replace(scenario, instrument=replace(scenario.instrument, strings=replace(
        scenario.instrument.strings, tension_n=700.0)))  # fmt: skip
    assert levers.string_gauge(stated, 1.1).instrument.strings.tension_n == pytest.approx(847.0)


def test_points_of_the_ensemble_are_10_50_90(scenario: Scenario) -> None:
    assert QUANTILES == (0.1, 0.5, 0.9)


def test_middles_of_the_unknowns(scenario: Scenario) -> None:
    """Multipliers are about 1 by their nature; only what species_data states as a number of its own is not."""
    for name, one in unknowns_of(scenario).items():
        assert 0.0 < one.log_sd < 3.0, name
        if name.startswith(("movement", "diffusion", "surface", "film", "structure", "block", "moisture_level")):
            assert one.median == 1.0, name


def test_dates_by_shares_of_the_draws() -> None:
    """10, 50 and 90 %: the first of ten is due by the first's date, half by the fifth's, nine in ten by the ninth's."""
    days = np.array([f"2030-01-{day:02d}" for day in (3, 1, 2, 5, 4, 7, 6, 9, 8, 10)], dtype="datetime64[ns]")
    assert findings.QUANTILES == (0.1, 0.5, 0.9)
    assert [str(day)[:10] for day in findings.due_dates(days)] == ["2030-01-01", "2030-01-05", "2030-01-09"]
    days[:2] = np.datetime64("NaT")
    assert np.isnat(findings.due_dates(days)[2]) and not np.isnat(findings.due_dates(days)[1])


def test_what_does_not_vary_has_no_share(scenario: Scenario) -> None:
    drawn = draw_unknowns(scenario, 50, 1)
    unknowns = unknowns_of(scenario)
    held = replace(drawn, values=MappingProxyType(dict(drawn.values) | {"film": np.ones(50)}))
    shares = share_of_variance(held, unknowns, np.log(drawn.values["diffusion"]))
    assert shares[unknowns["film"].words] == 0.0 and shares[unknowns["diffusion"].words] == pytest.approx(1.0)
    assert max(share_of_variance(drawn, unknowns, np.full(50, 2.0)).values()) == 1.0  # all of nothing is the rest


def test_a_lever_of_the_air_leaves_what_was_lived_through() -> None:
    """Of a guitar as of a day, better air begins that day: two levers one after the other too."""
    from datetime import date

    from driftmodel.outlook.calendar import as_of
    from driftmodel.outlook.levers import parse_what_if

    told = load_scenario("first-winter")
    now = as_of(told, date(2027, 3, 1))
    aired = parse_what_if(now, "place=damp_coast, humidifier=45")
    assert aired.stays[:-1] == now.stays and aired.stays[-1].start == date(2027, 3, 1)
    assert aired.stays[-1].climate.humidifier is not None
    assert len(parse_what_if(told, "humidifier=45").stays) == len(told.stays)


def test_how_far_a_lever_goes_and_how_it_is_called(scenario: Scenario) -> None:
    """Braces from half to half as high again, and no further; a place is called by its title, others by their value."""
    for lever in ("brace height", "braces before the bridge", "braces behind the bridge"):
        assert (LEVERS[lever].low, LEVERS[lever].high) == (0.5, 1.5)
    with pytest.raises(BadInput, match=r"from 0\.5 to 1\.5"):
        with_lever(scenario, "brace height", 1.51)
    assert with_lever(scenario, "string tension", 90).title == f"{scenario.title}; string tension: 90"
    assert with_lever(scenario, "humidifier", 42).stays[-1].climate.humidifier == Humidifier(42.0, 25.0, ())
    there = with_lever(scenario, "place", "damp_coast")
    assert there.title == f"{scenario.title}; place: {there.stays[-1].climate.title.split(' (')[0]}"


def test_air_is_no_question_where_it_is_held_from_both_sides(scenario: Scenario) -> None:
    humidified = load_scenario("first-winter-humidified").stays[-1].climate
    assert humidified.room is not None and humidified.humidifier is not None and not is_held(humidified)
    dried = replace(humidified, room=replace(humidified.room, dehumidified_to_pct=55.0))
    assert is_held(dried) and not is_held(replace(dried, humidifier=None)) and is_held(replace(humidified, room=None))
