"""What a bench is made of and how it is looked at: weathers, weights, own rooms, levels and moments, each by hand.
Nothing from outside is compared here: shapes are rectangles, paths straight lines."""

from __future__ import annotations

from dataclasses import replace
from datetime import date, timedelta
from types import SimpleNamespace as Stub
from typing import Any

import numpy as np
import pytest
from hidden_truth import as_normals, read_in_three_weathers, season_movement

from driftmodel.base import library
from driftmodel.base.keeping import Memory
from driftmodel.base.records import WorkDone
from driftmodel.base.scenarios import load_scenario
from driftmodel.base.schema import Frozen
from driftmodel.calibration import bench as benches
from driftmodel.calibration import forward
from driftmodel.calibration.bench import Bench, change_in, grams_per_pct, make_bench, moments_of, room_change, see
from driftmodel.calibration.drives import Moment, states_at
from driftmodel.calibration.fit import prior_particles
from driftmodel.calibration.forward import (
    Particles,
    Plan,
    creep_of,
    expected_readings,
    moisture_of,
    moved,
    plan_of,
    readings_of,
    rise_of,
)
from driftmodel.calibration.layout import as_draws, layout_of
from driftmodel.calibration.moments import (
    POINTS,
    TRANSPORT,
    CreepAtMoments,
    chebyshev,
    creep_at,
    middle_creep,
    on_nodes,
    packed,
    room_factor,
)
from driftmodel.calibration.outcomes import Asked, _years_to_regrade, quantiles
from driftmodel.calibration.records import BenchBook, ReadingRow
from driftmodel.calibration.work import moment_of
from driftmodel.climate.history import scenario_air
from driftmodel.outlook.calendar import grade_lifts_mm
from driftmodel.outlook.draws import WIDEST_SD, Draws, draw_unknowns, unknowns_of
from driftmodel.outlook.lasting import (
    LASTING,
    PARTS_MET,
    Give,
    creep_history,
    heat_of_days,
    lasting_pull_n,
    met_by_part,
    put_together,
)
from driftmodel.outlook.moisture import air_lags, part_weights
from driftmodel.wood.sorption import equilibrium_moisture_content

Array = np.ndarray
DAY = date(2027, 5, 20)


@pytest.fixture(scope="module")
def bench() -> Bench:
    return read_in_three_weathers()[0]


# ---- what it is made of --------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("until_days", "horizon", "years", "count"),
    [(180, 20, 2, 24), (181, 20, 3, 24), (1000, 20, 5, 24), (1300, 20, 6, 20), (3650, 20, 12, 10), (900, 3, 3, 24)],
)
def test_weathers_are_fewer_for_a_long_past(
    monkeypatch: pytest.MonkeyPatch, until_days: int, horizon: int, years: int, count: int
) -> None:
    """A hundred and twenty years of them, ten to twenty-four, each up to a year and a half past the last reading; the
    first three over the whole horizon, for the middle of the creep. A logger's record is the only weather there is."""
    plain = replace(load_scenario("first-winter"), horizon_years=horizon)
    asked: list[tuple[Any, ...]] = []
    measured = False

    def is_measured(climate: Any, start: date, end: date) -> bool:
        asked.append((climate, start, end))
        return measured

    monkeypatch.setattr(benches, "is_measured", is_measured)

    def air_of(scenario: Any, member: int) -> dict[str, Any]:
        return {"air_temperature": Stub(values=(member, scenario.horizon_years))}

    monkeypatch.setattr(benches, "_airs", Stub(air=air_of))
    monkeypatch.setattr(benches, "drive_of", lambda air, scenario: Stub(lags=air["air_temperature"].values))
    monkeypatch.setattr(benches, "creep_path", lambda scenario, coefficients, lags, air, table: lags)
    monkeypatch.setattr(benches, "middle_creep", lambda paths: paths)
    monkeypatch.setattr(benches, "with_rooms", lambda creep, *_: creep)
    for name in ("design_response", "room_drive"):
        monkeypatch.setattr(benches, name, lambda *_: None)
    monkeypatch.setattr(benches, "make_table", lambda *_: None)
    until = plain.setup.setup + timedelta(days=until_days)
    made = benches._made(plain, until, benches.OTHER_WEATHERS)
    whole = [(member, horizon) for member in (1, 2, 3)]
    assert made.creep == whole and made.drive.lags == (0, horizon)
    assert [one.lags for one in made.others] == whole + [(member, years) for member in range(4, count + 1)]
    assert made.past_weather.startswith("a typical year")
    first, second = plain.stays
    assert (second.climate, second.start, until) in asked or (first.climate, first.start, second.start) in asked
    measured = True
    logged = replace(plain, stays=tuple(replace(stay, climate=Stub(logger_file="a")) for stay in plain.stays))  # type: ignore[arg-type]
    asked.clear()
    seen = benches._made(logged, until, benches.OTHER_WEATHERS)
    assert seen.others == () and seen.creep == [(0, horizon)] and seen.past_weather == "the logger's record"
    assert [(start, end) for _, start, end in asked] == [(first.start, second.start), (second.start, until)]
    monkeypatch.setattr(benches, "is_measured", lambda climate, start, end: start == first.start)
    assert benches._made(logged, until, benches.OTHER_WEATHERS).others != ()  # in part is not enough
    monkeypatch.setattr(benches, "is_measured", is_measured)
    for early, lived in ((-1, 1), (0, 2)):
        asked.clear()
        benches._made(logged, second.start + timedelta(days=early), benches.OTHER_WEATHERS)
        assert len(asked) == lived and asked[0] == (
            logged.stays[0].climate,
            first.start,
            second.start + timedelta(days=early),
        )


def test_grams_of_water_are_a_hundredth_of_the_dry_mass() -> None:
    """A box of 400 by 240 mm: top, back with both long sides, braces by length, a half-round neck to the body join, a
    fingerboard a third longer."""
    plain = load_scenario("first-winter").instrument
    body, neck = plain.body, plain.neck
    box = replace(body, outline_mm=((0.0, 120.0), (150.0, 120.0), (300.0, 120.0), (400.0, 120.0)))

    def density(wood: str) -> float:
        return library.number(library.wood(wood), "specific_gravity_12").value / 1000.0

    found = grams_per_pct(replace(plain, body=box))
    top = density(body.top.wood) * 400.0 * 240.0 * body.top.thickness_mm / 100.0
    back = density(body.back.wood) * 400.0 * 240.0 * body.back.thickness_mm / 100.0
    depth = (body.sides.depth_neck_mm + body.sides.depth_tail_mm) / 2.0
    back += density(body.sides.wood) * 800.0 * depth * body.sides.thickness_mm / 100.0
    long = plain.strings.scale_mm * (1.0 - 2.0 ** (-plain.body_fret / 12.0))
    width, deep = (neck.width_nut_mm + neck.width_body_mm) / 2.0, (neck.depth_nut_mm + neck.depth_body_mm) / 2.0
    expected = {
        "top": top,
        "back": back,
        "neck": density(neck.wood) * np.pi / 4.0 * width * deep * long / 100.0,
        "fingerboard": density(neck.fingerboard_wood) * width * neck.fingerboard_thickness_mm * 1.35 * long / 100.0,
    }
    for part, plate in (("top_braces", body.top), ("back_braces", body.back)):
        grams = 0.0
        for brace in plate.braces:
            legs = zip(brace.path_mm[:-1], brace.path_mm[1:], strict=True)
            path = sum(np.hypot(b[0] - a[0], b[1] - a[1]) for a, b in legs)
            grams += density(brace.wood) * path * brace.width_mm * brace.height_mm / 100.0
        expected[part] = grams
    assert dict(found) == pytest.approx(expected, rel=1e-6)


def test_a_level_is_known_about_the_middle_of_its_sound_readings() -> None:
    """Work done taken out, doubtful readings left out while there are others. How well it is known beforehand is from
    memory and common practice: wide for levels, 0.2 mm lean."""
    plain = load_scenario("first-winter")
    lift = float(grade_lifts_mm(plain)[plain.instrument.spacers.labels.index("G")])
    work = (
        WorkDone(date(2027, 1, 1), spacer="G"), WorkDone(date(2027, 2, 1), truss_rod=True),
        WorkDone(date(2027, 3, 1), anew=True), WorkDone(date(2027, 4, 1), truss_rod=True),
    )  # fmt: skip

    def read(day: date, what: str, value: float, doubt: str = "") -> ReadingRow:
        return ReadingRow(day, what, value, 0.05, "", doubt=doubt)

    early, late = date(2026, 12, 1), date(2027, 5, 1)
    rows = (
        read(early, "projection", 2.0), read(late, "projection", 1.5 - lift), read(late, "projection", 9.0, "a step"),
        read(early, "relief", 0.3, "a step"), read(late, "weight", 2000.0), read(late, "top_sinkage", 0.4),
    )  # fmt: skip
    made = layout_of(replace(plain, work=work), rows)
    assert "lean" not in made.offsets and made.multipliers["wood_mass"].log_sd == 0.1
    assert made.offsets == {
        "set_up_error": (0.0, plain.setup.action_reading_sd_mm), "level_projection": (pytest.approx(1.75), 1.5),
        "level_relief": (0.3, 0.15), "level_weight": (2000.0, 150.0), "level_top_sinkage": (0.4, 1.5),
        "truss_rod_0": (0.0, 0.12), "truss_rod_1": (0.0, 0.12), "anew_0": (0.0, 1.5),
    }  # fmt: skip
    sided = layout_of(plain, (read(early, "action_treble", 2.0),))
    assert sided.offsets["lean"] == (0.2, 0.15) and "wood_mass" not in sided.multipliers
    normals = np.zeros((4, made.size))
    for name, value in (("set_up_error", 1.0), ("truss_rod_0", 1.0), ("truss_rod_1", -3.0), ("anew_0", 2.0)):
        normals[:, made.names.index(name)] = value
    draws = as_draws(made, normals, 2, 0.5)
    expected = plain.setup.action_reading_sd_mm + 2.0 * 1.5 / 2.0 + (1.0 - 3.0) * 0.12 * 0.5
    assert draws.set_up_error_mm == pytest.approx(np.full(4, expected)) and "wood_mass" not in draws.values
    far = made.values(np.full((1, made.size), 2.0))
    unknown = made.multipliers["structure"]
    tails = 1.05 * 2.0 * (1.0 + 0.05 * 4.0)
    season = np.exp(0.3 * tails)  # what the seasons move goes by it, and nothing that lasts
    assert far["structure"][0] == pytest.approx(unknown.median * np.exp(unknown.log_sd * tails) * season)
    alone = np.zeros((1, made.size))
    alone[:, made.names.index("season")] = 2.0
    moved_by = {name: value[0] / made.multipliers[name].median for name, value in made.values(alone).items()
                if name in made.multipliers}  # fmt: skip
    carry = ("season", "structure", "block", "movement_neck", "movement_fingerboard")
    assert moved_by == {name: pytest.approx(season if name in carry else 1.0) for name in made.multipliers}
    assert "season" not in draws.values
    film = made.multipliers["film"]
    assert far["film"][0] == pytest.approx(film.median * np.exp(2.0 * film.log_sd))


# ---- how it is looked at -------------------------------------------------------------------------------------------


def test_moments_take_blanks_for_noon_and_no_stay() -> None:
    """A truss rod turned earlier on that day counts, not one turned later or on another day."""
    rows = (
        ReadingRow(DAY, "action", 2.0, 0.05, "", row=5),
        ReadingRow(DAY, "action", 2.0, 0.05, "", 22.5, 61.0, 7.0, hour=0.0, row=9),
        ReadingRow(DAY + timedelta(days=1), "action", 2.0, 0.05, ""),
    )
    turned = WorkDone(DAY, truss_rod=True, order=7.0)
    work = (replace(turned, day=date(2027, 1, 1)), turned, WorkDone(DAY, anew=True, order=1.0))
    assert moments_of(rows, work) == (
        Moment(DAY, 1, 0.0, 20.0, 50.0, 12.0, False),
        Moment(DAY, 1, 7.0, 22.5, 61.0, 0.0, True),
        Moment(DAY + timedelta(days=1), 1, 0.0, 20.0, 50.0, 12.0, False),
    )
    assert moment_of(rows[0]) == (DAY, 5) and moment_of(rows[2]) == (DAY + timedelta(days=1), np.inf)


def test_the_reference_state_past_the_end_is_the_last_days(bench: Bench) -> None:
    """And set-up is where change is counted from: nothing has changed at 00:00 of its day."""
    setup, last = bench.scenario.setup.setup, bench.drive.acting.shape[1] - 1
    end = bench.scenario.stays[0].start + timedelta(days=last)
    found = [change_in(bench, bench.drive, (Moment(setup, hour=0.0),), day) for day in (end, end + timedelta(days=40))]
    np.testing.assert_array_equal(found[0], found[1])
    np.testing.assert_allclose(found[0][:, :, 0], 0.0, atol=1e-12)
    since = (setup - bench.scenario.stays[0].start).days
    year = bench.drive.acting[:, last - 364 :].mean(axis=1)
    np.testing.assert_allclose(found[0][0, :, 1], year - bench.drive.acting[:, since])
    np.testing.assert_allclose(found[0][1, :, 1], year - bench.drive.lags.lags_pct[:, since])


def test_lags_are_read_at_the_ends_of_the_air_and_over_days(bench: Bench) -> None:
    """From the first hour to the last midnight; a moment of two days is the mean of their two; the air's own means."""
    drive, first = bench.drive, bench.scenario.stays[0].start
    end = drive.acting.shape[1] - 1
    days = [first + timedelta(days=day) for day in (0, end, 300)]
    begun = Moment(days[0], hours_at_bench=5.0, hour=2.0)
    moments = (Moment(days[0], hour=0.0), begun, Moment(days[1], hour=0.0), Moment(days[2], 2))
    found = states_at(moments, drive, bench.scenario)
    np.testing.assert_allclose(found[0, :, 0], drive.acting[:, 0])
    np.testing.assert_allclose(found[1, :, 2], drive.lags.lags_pct[:, end])
    np.testing.assert_allclose(found[0, :, 2], drive.acting[:, end])
    two = [one[:, 300:302].mean(axis=1) for one in (drive.acting, drive.lags.lags_pct)]
    np.testing.assert_allclose(found[:, :, 3], two)
    back = states_at((Moment(days[0], hours_at_bench=5.0, hour=5.0),), drive, bench.scenario)
    np.testing.assert_allclose(found[:, :, 1], back[:, :, 0])  # before the air begins nothing is known: its first state
    air = scenario_air(bench.scenario, 0)
    for daily, name in zip(drive.air_daily, ("air_temperature", "relative_humidity"), strict=True):
        np.testing.assert_allclose(daily, [air[name].values[24 * day : 24 * day + 24].mean() for day in range(end)])


def test_at_a_warm_bench_moisture_goes_by_the_speed_there(bench: Bench) -> None:
    """In 30 degC and 40 % a day, or 24 minutes: each lag goes on towards the bench's moisture, scaled as the day's was,
    at Arrhenius' speed against 20 degC (gas constant 8.314 J/mol K) and that of its moisture against 50 %."""
    drive, day, emc = bench.drive, bench.scenario.stays[0].start + timedelta(days=300), equilibrium_moisture_content
    energy, wet = (library.general(f"diffusion_{name}").value for name in ("activation_energy", "moisture_exponent"))
    for hours, at, begun in ((24.0, 299, Moment(day - timedelta(days=1))), (0.4, 300, Moment(day, hour=11.6))):
        before = states_at((begun,), drive, bench.scenario)[1, :, 0]
        found = states_at((Moment(day, 1, hours, 30.0, 40.0),), drive, bench.scenario)[1, :, 0]
        usual = emc(*(float(each[at]) for each in drive.air_daily))
        target = float(drive.lags.emc_pct[at] / usual * emc(30.0, 40.0))
        heat = 1000.0 * energy / 8.314 * (1.0 / 293.15 - 1.0 / 303.15)
        speed = np.exp(heat + wet * (target - float(emc(20.0, 50.0))) / 100.0)
        left = np.exp(-speed * hours / 24.0 / np.tile(drive.lags.time_constants_days, 2))
        np.testing.assert_allclose(found, target + (before - target) * left, rtol=1e-5)


def test_a_bench_knows_the_work_of_its_book(monkeypatch: pytest.MonkeyPatch) -> None:
    plain, done = load_scenario("first-winter"), WorkDone(date(2027, 3, 1), truss_rod=True)
    monkeypatch.setattr(benches, "_benches", Memory(2))
    monkeypatch.setattr(benches, "_made", lambda scenario, until, weathers: scenario)
    until = date(2027, 4, 3)
    assert benches.make_bench(plain, until, BenchBook((), (done,))).work == (done,)  # type: ignore[attr-defined]
    assert benches.make_bench(plain, until).work == ()  # type: ignore[attr-defined]


def test_a_table_keeps_the_shapes_that_count(bench: Bench) -> None:
    """As many as are over a hundred-thousandth of the largest, each at right angles to the others: what is left out of
    the weights at the nodes is not told from nothing."""
    table = bench.table
    sizes = np.sqrt(np.einsum("rik,rik->i", table.weights, table.weights))
    assert (sizes[1:] <= sizes[:-1]).all() and sizes[-1] > 1e-5 * sizes[0]
    assert table.nodes.T @ table.nodes == pytest.approx(np.eye(sizes.size), abs=1e-9)
    for points in POINTS:  # zeros of the Chebyshev polynomial of their number, over all a draw may be
        at_zero = np.polynomial.Chebyshev.basis(points, [-WIDEST_SD, WIDEST_SD])(chebyshev(points))
        assert at_zero == pytest.approx(np.zeros(points), abs=1e-12)
    grid, unknowns = table.time_constants_days, unknowns_of(bench.scenario)
    mesh = [axis.ravel() for axis in np.meshgrid(*(chebyshev(points) for points in POINTS), indexing="ij")]
    values = {name: unknowns[name].median * np.exp(unknowns[name].log_sd * place)
              for name, place in zip(TRANSPORT, mesh, strict=True)}  # fmt: skip
    values["moisture_level"] = np.ones(mesh[0].size)
    nodes = Draws(Frozen(values), np.zeros(mesh[0].size), np.zeros(mesh[0].size, dtype=np.intp))
    whole = part_weights(bench.scenario.instrument, nodes, grid).mean["top"]
    told = table.nodes @ table.weights[_row("top")]
    assert np.abs(told - whole).max() < 1e-5 * sizes[0]
    left = np.linalg.svd(whole - told, compute_uv=False)
    assert left[0] <= 1e-5 * sizes[0]


def test_the_middle_of_several_weathers_creep() -> None:
    """Means of what the wood and the joint do; the ranges met add up to their mean at every node."""
    random = np.random.default_rng(3)

    def path() -> CreepAtMoments:
        return CreepAtMoments(
            random.normal(size=(3, 5)), random.normal(size=(3, 5)), np.zeros(3), np.zeros(5), abs, np.zeros((3, 2)),
            random.normal(size=(7, 4)), random.normal(size=(2, 4, 5)), np.zeros((2, 0, 5)),
        )  # fmt: skip

    several = [path() for _ in range(3)]
    found = middle_creep(several)
    assert found.by_wood == pytest.approx(sum(one.by_wood for one in several) / 3.0)
    assert found.by_joint == pytest.approx(sum(one.by_joint for one in several) / 3.0)
    met = sum(np.einsum("ns,psm->pnm", one.shapes, one.met) for one in several) / 3.0
    assert np.einsum("ns,psm->pnm", found.shapes, found.met) == pytest.approx(met)


def test_the_years_to_a_regrade_count_the_spacer_fitted_and_the_saddle_as_it_is(bench: Bench) -> None:
    """A neck that rises a hundredth of a millimetre a week and a saddle with 1.2 mm to spare: out in week 120, with a
    spacer of 0.2 mm in week 100, ten weeks sooner where 0.1 mm is cut off; one that never is out is inf years off."""
    setup, rule = bench.scenario.setup, bench.scenario.rule
    spare = 1.2 - (setup.saddle_room_mm - rule.saddle_room_least_mm)
    rise = np.tile(0.01 * np.arange(150) + 0.005, (3, 1))
    action = np.full((3, 150), (rule.action_low_mm + rule.action_high_mm) / 2.0)
    for saddle, weeks in ((spare, (120, 100)), (spare - 0.1, (110, 90))):
        found = _years_to_regrade(bench, rise, action, np.array([0.0, 0.2, -0.4]), saddle, 10)
        assert found == pytest.approx(
            [*(((week - 10) * 7 + rule.days_outside) / 365.25 for week in weeks), np.inf], abs=0.001
        ), saddle


def test_a_room_of_its_own_is_read_between_midnights(bench: Bench) -> None:
    """Its terms on a straight line through the day, a mean over days, forgotten at the bench by each lag's own time;
    since set-up, and last the mean of the year."""
    rooms, scenario = bench.rooms, bench.scenario
    assert rooms is not None
    day = scenario.setup.setup + timedelta(days=200)
    at, since = ((one - scenario.stays[0].start).days for one in (day, scenario.setup.setup))
    end = scenario.stays[0].start + timedelta(days=rooms.path.shape[2] - 1)
    moments = (
        Moment(day, hour=6.0),
        Moment(day, hours_at_bench=36.0, hour=0.0),
        Moment(day, 30),
        Moment(end, hour=9.0),
        Moment(day, 2),
    )
    last = rooms.path.shape[2] - 1
    rows = [
        0.75 * rooms.path[:, :, at] + 0.25 * rooms.path[:, :, at + 1],
        rooms.path[:, :, at],
        rooms.path[:, :, at : at + 30].mean(axis=2),
        rooms.path[:, :, last],
        rooms.path[:, :, at : at + 2].mean(axis=2),
        rooms.path[:, :, at - 364 : at + 1].mean(axis=2) if at >= 364 else None,
    ]
    year = np.concatenate([np.repeat(rooms.path[:, :, :1], 365, axis=2), rooms.path[:, :, : at + 1]], axis=2)
    rows[5] = year[:, :, -365:].mean(axis=2)
    found = rooms.change(moments, at, since, scenario)
    looked = room_change(bench, moments, day)
    assert looked.shape[2] == 20
    for term in (0, len(rooms.rows.mix) - 1):
        mix = rooms.rows.mix[term]
        for place, path in enumerate(rows):
            left = np.exp(-1.5 / rooms.taus_days) if place == 1 else 1.0
            expected = np.stack([(mix @ path[kind]) * left - mix @ rooms.path[kind, :, since] for kind in (0, 1)])
            np.testing.assert_allclose(found[term, :, :, place], expected, atol=1e-10)
            for row, kind, shape in ((0, 0, 3), (7, 0, 19), (-1, 1, 2), (8, 1, 0)):
                weights = bench.table.weights[{0: 0, 7: 7, -1: _row("back_braces"), 8: _row("top")}[row], shape]
                assert looked[term, row, shape, place] == pytest.approx(float(weights @ expected[kind]), abs=1e-10)
    none = room_change(replace(bench, rooms=None), moments, day)
    assert none.shape == (0, looked.shape[1], 0, 6)


def _row(part: str) -> int:
    return ("top", "top_braces", "back", "back_braces", "neck", "fingerboard").index(part)


def test_rooms_of_draws_are_seen_as_the_lags_of_their_rooms_are(bench: Bench) -> None:
    """At midnight: moisture by the weights of the draws' own rooms on all rows; creep by the slope of the range met."""
    scenario, rooms = bench.scenario, bench.rooms
    assert rooms is not None
    lags = air_lags(scenario_air(scenario, 0), scenario, rooms=True)
    assert lags.rooms is not None
    draws = draw_unknowns(replace(scenario, weather_members=1), 6, 3)
    days = [70, 200, 300]
    first = ReadingRow(scenario.setup.setup, "action", 2.0, 0.05, "", hours_at_bench=0.0, hour=0.0)
    rows = tuple(replace(first, date=first.date + timedelta(days=day)) for day in days)
    alone = replace(bench, others=())
    layout, seen = layout_of(alone.scenario, rows), see(alone, rows, (), rows[-1].date)
    normals = as_normals(layout, draws)
    particles = Particles(alone, layout, normals)
    movement = moved(particles, moisture_of(particles, seen.at_moments))
    weights = part_weights(scenario.instrument, draws, lags.time_constants_days, lags.rooms)
    since = (scenario.setup.setup - scenario.stays[0].start).days
    acting = np.concatenate([bench.drive.acting, rooms.path[0]])
    np.testing.assert_allclose(np.concatenate([bench.drive.lags.lags_pct, rooms.path[1]]), lags.lags_pct)
    for place, day in enumerate(days):
        change = acting[:, since + day] - acting[:, since]
        for name in ("top_sinkage", "neck_rotation", "bow_action"):
            exact = season_movement(name, bench, draws, weights, change)
            np.testing.assert_allclose(getattr(movement, name)[:, place], exact, rtol=0.01, atol=0.01)
        assert np.ptp(movement.top_sinkage[:, place]) > 0.05
    assert rise_of(alone, movement).shape == (6, 4)
    # creep: half the difference of logarithms of what is met one spread up and one down, for the median guitar
    medians = Frozen({name: np.full(1, unknown.median) for name, unknown in layout.multipliers.items()})
    middle = Draws(medians, np.zeros(1), np.zeros(1, dtype=np.intp))
    air = scenario_air(scenario, 0)["air_temperature"].values
    path = np.arange(since, bench.drive.lags.lags_pct.shape[1])
    history = creep_history(scenario, lags.lags_pct, heat_of_days(air), path)
    name, size = rooms.rows.unknowns[0]
    met = []
    for sign in (1.0, -1.0):
        own = replace(middle, values=Frozen({**middle.values, name: np.full(1, np.exp(sign * size))}))
        met.append(
            met_by_part(history, part_weights(scenario.instrument, own, lags.time_constants_days, lags.rooms).mean)
        )
    level = middle.values["moisture_level"][0]
    for part, found in zip(PARTS_MET, bench.creep.by_room[:, 0], strict=True):
        up, down = (each[part][0] / level + 1e-4 for each in met)
        np.testing.assert_allclose(found[1:], (0.5 * np.log(up / down))[1:], atol=0.01)


def test_creep_is_the_mean_over_a_moments_days_with_its_rooms_slope() -> None:
    """Paths that are straight lines: a mean over days is that of their middle; a day after work counts from the next;
    nothing before set-up or past the end. A room three spreads off counts as the farthest."""
    days = np.arange(100.0)
    path = CreepAtMoments(
        by_wood=np.stack([days, 2.0 * days, 3.0 * days]), by_joint=np.stack([4.0 * days] * 3), held=np.ones(3),
        clamp_lost=5.0 * days, opened=np.cos, per_range=np.ones((3, 3)), shapes=np.eye(2),
        met=np.stack([np.stack([days + part, days * part]) for part in range(3)]),
        by_room=np.stack([np.stack([0.01 * days * (part + 1)]) for part in range(3)]), rooms=(("excess", 0.5),),
    )  # fmt: skip
    scenario: Any = Stub(setup=Stub(setup=DAY))
    spans = ((10, 1, False), (10, 1, True), (10, 9, False), (-5, 1, False), (300, 1, False), (97, 9, False))
    moments = tuple(Moment(DAY + timedelta(days=day), count, after_work=late) for day, count, late in spans)
    seen, at = creep_at(path, moments, scenario), np.array([10.0, 11.0, 14.0, 0.0, 99.0, 98.0])
    np.testing.assert_allclose(seen.by_wood, np.outer([1.0, 2.0, 3.0], at))
    np.testing.assert_allclose(seen.by_joint, np.tile(4.0 * at, (3, 1)))
    np.testing.assert_allclose(seen.met[2], [at + 2.0, 2.0 * at])
    np.testing.assert_allclose(seen.by_room[1, 0], 0.02 * at)
    factor = room_factor(seen, {"excess": np.exp([0.5, -1.0, 9.0])})
    for draw, away in enumerate((1.0, -2.0, 3.0)):
        np.testing.assert_allclose(factor[:, draw], np.exp(away * 0.01 * np.outer([1.0, 2.0, 3.0], at)))
    np.testing.assert_allclose(seen.clamp_lost, 5.0 * at)
    doubled = path.times(2.0)
    assert (doubled.held == 2.0).all() and (doubled.per_range == 2.0).all()
    np.testing.assert_allclose(doubled.by_wood, 2.0 * path.by_wood)
    np.testing.assert_allclose(doubled.by_joint, 2.0 * path.by_joint)


def test_moments_are_told_by_as_few_as_they_have() -> None:
    """Rank two over rows and one more in the rooms' terms: product and columns stay what they were."""
    random = np.random.default_rng(1)
    moisture = np.einsum(
        "rk,ks,km->rsm", random.normal(size=(5, 2)), random.normal(size=(2, 7)), random.normal(size=(2, 40))
    )
    terms = np.einsum("tr,s,m->trsm", random.normal(size=(3, 5)), random.normal(size=4), random.normal(size=40))
    creep: Any = Stub(columns=lambda which: which)
    found = packed(moisture, terms, creep)
    assert found.few == 4 and found.left.shape[1] <= 5 and len(found.courses) <= 3
    whole = np.einsum("ak,krj,jm->arm", found.left, found.right, found.courses)
    np.testing.assert_allclose(whole[:7], moisture.transpose(1, 0, 2), atol=1e-6)
    np.testing.assert_allclose(whole[7:].reshape(3, 4, 5, 40), terms.transpose(0, 2, 1, 3), atol=1e-6)
    for which in (slice(3, 4), slice(2, 30)):
        some = found.columns(which)
        np.testing.assert_allclose(
            np.einsum("ak,krj,jm->arm", some.left, some.right, some.courses), whole[:, :, which], atol=1e-9
        )
    assert found.columns(slice(3, 4)).courses.shape == (1, 1)


def test_what_is_not_read_is_not_worked_out(monkeypatch: pytest.MonkeyPatch) -> None:
    """Readings by their kinds, and by few particles at once, are those of all together; the bow's creep counts anew
    once the truss rod was turned, and is the neck's until then."""
    bench, book = read_in_three_weathers()
    for turned in ((), (WorkDone(date(2027, 1, 20), truss_rod=True),)):
        own = BenchBook(book.readings, turned)
        known = make_bench(bench.scenario, bench.until, own, (3, 3))
        seen, layout = see(known, own.readings, (), bench.until), layout_of(known.scenario, own.readings)
        plan, normals = plan_of(known.scenario, own.readings), prior_particles(7, layout.names, 3)
        at = seen.at_moments.columns(slice(0, 5))
        particles = Particles(known, layout, normals)
        values, creep = particles.values, creep_of(particles, at.creep)
        whole = expected_readings(particles, plan, moved(particles, moisture_of(particles, at), creep))
        for places in ([0, 2], [0, 1, 2], [1], [3], [4], [0, 1, 2, 3, 4]):
            some = np.array(places)
            few = replace(at, courses=at.courses[:, some], creep=at.creep.columns(some))
            less = Plan(tuple(plan.what[one] for one in places), plan.step[some], plan.side[some], plan.slack[some],
                        plan.turns[some], plan.anew[some])  # fmt: skip
            np.testing.assert_allclose(readings_of(particles, few, less), whole[:, some], rtol=1e-9)
            monkeypatch.setattr(forward, "AT_ONCE", 3 * len(places))
            np.testing.assert_allclose(readings_of(particles, few, less), whole[:, some], rtol=1e-9)
            monkeypatch.undo()
        met = room_factor(at.creep, values) * np.stack([
            on_nodes(particles.transport) @ at.creep.shapes * values["moisture_level"][:, None] @ path
            for path in at.creep.met])  # fmt: skip
        give = Give(at.creep.by_wood[2], at.creep.by_joint[2], dict(zip(PARTS_MET, at.creep.per_range[2], strict=True)),
                    float(at.creep.held[2]), at.creep.clamp_lost, at.creep.opened)  # fmt: skip
        bow = lasting_pull_n(known.scenario, values, LASTING[2])[:, None]
        bow = bow * put_together(give, dict(zip(PARTS_MET, met, strict=True)), values)
        np.testing.assert_allclose(creep[2], bow, rtol=1e-9)
        assert np.array_equal(at.creep.met[1], at.creep.met[2]) == (not turned)


def test_weeks_asked_about_end_with_the_reference() -> None:
    for weeks, here, then in ((200, 10, 62), (62, 10, 61), (63, 10, 62)):
        seasons = (Moment(DAY, 90), Moment(DAY + timedelta(days=100), 90))
        asked = Asked(DAY, seasons, np.zeros((3, weeks)), here)
        assert asked.a_year_on == then
    assert asked.moments == (Moment(DAY, after_work=True), *seasons)
    assert asked.days == (DAY, DAY + timedelta(days=45), DAY + timedelta(days=145), DAY, DAY)
    assert quantiles(np.array([3.0, 1.0, np.inf, 2.0])) == (1.0, 2.0, np.inf)
