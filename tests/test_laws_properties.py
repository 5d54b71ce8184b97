"""Properties of laws and readers that hold for every input (Hypothesis), and how fast the slab converges.

Outside reference: a sheet that takes up moisture through both faces (Crank 1975, The Mathematics of Diffusion, 4.3.6:
roots of beta tan beta = L), and the finite-volume order of two."""

from __future__ import annotations

import string
import tempfile
from datetime import date, timedelta
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.optimize import brentq

from driftmodel.base import scenarios
from driftmodel.base.errors import BadInput, one_line
from driftmodel.base.opened import as_text, decoded, parsed_toml
from driftmodel.calibration import claimed, readings
from driftmodel.climate.air import saturation_pressure_pa
from driftmodel.climate.history import read_air
from driftmodel.outlook import levers
from driftmodel.outlook.calendar import trailing_mean
from driftmodel.structure import joint, neck, plate
from driftmodel.wood import creep, diffusion, sorption

AIR = st.floats(0.0, 99.0)
HEAT = st.floats(-10.0, 45.0)
PATHS = st.lists(st.floats(2.0, 25.0), min_size=3, max_size=40)
FEW = settings(max_examples=40)


@FEW
@given(HEAT, AIR, st.floats(0.1, 1.0))
def test_moisture_rises_with_humidity_and_falls_with_heat(heat: float, humidity: float, step: float) -> None:
    here = float(sorption.equilibrium_moisture_content(heat, humidity))
    assert 0.0 <= here < float(sorption.equilibrium_moisture_content(heat, humidity + step)) < 30.0
    if humidity > 25.0 and heat > 10.0:  # colder or drier the fitted law is flat, and turns
        assert here > float(sorption.equilibrium_moisture_content(heat + 5.0, humidity))


@FEW
@given(HEAT, st.floats(0.1, 5.0))
def test_saturation_pressure_rises_six_percent_a_kelvin(heat: float, step: float) -> None:
    """Clausius and Clapeyron: 5 to 9 % a kelvin between -10 and 50 degC."""
    ratio = float(saturation_pressure_pa(heat + step) / saturation_pressure_pa(heat)) ** (1.0 / step)
    assert 1.045 < ratio < 1.095


@FEW
@given(PATHS, st.floats(-3.0, 3.0), st.floats(0.1, 3.0))
def test_range_of_moisture_under_load(path: list[float], shift: float, scale: float) -> None:
    """Never falls under a lasting load, knows no zero, scales, and ends at highest less lowest."""
    marks, one = np.arange(len(path)), [creep.LoadStep(0, 1.0)]
    met = creep.running_range(path, marks, one)
    assert (np.diff(met) >= 0).all() and met[0] == 0.0 and met[-1] == pytest.approx(max(path) - min(path))
    np.testing.assert_allclose(creep.running_range(np.array(path) * scale + shift, marks, one), met * scale, atol=1e-9)


@FEW
@given(PATHS, PATHS, st.floats(-2.0, 2.0))
def test_relaxation_is_linear_causal_and_keeps_what_never_changes(
    one: list[float], two: list[float], scale: float
) -> None:
    count = min(len(one), len(two))
    a, b = np.array([one[:count]]), np.array([two[:count]])
    law = lambda series: creep.relaxed(series, (3.0, 20.0), (0.2, 0.1))  # noqa: E731
    np.testing.assert_allclose(law(a + scale * b), law(a) + scale * law(b), atol=1e-9)
    later = a.copy()
    later[:, -1] += 5.0
    np.testing.assert_allclose(law(later)[:, :-1], law(a)[:, :-1])
    np.testing.assert_allclose(law(np.full_like(a, 9.0)), 9.0)
    step = np.zeros((1, 400))
    step[:, 1:] = 1.0
    assert law(step)[0, 1] == 1.0 and law(step)[0, -1] == pytest.approx(0.7, abs=1e-3)


@FEW
@given(st.floats(0.0, 1e5), st.floats(0.01, 1e4))
def test_creep_grows_ever_more_slowly_from_nothing(time: float, more: float) -> None:
    curve = creep.MasterCurve((0.5, 0.9, 1.45), 0.25)
    here, there = curve.after(np.array([time, time + more]))
    assert 0.0 <= here < there and curve.after(-1.0) == 0.0


@FEW
@given(HEAT, st.floats(3.0, 20.0))
def test_clock_of_creep(heat: float, moisture: float) -> None:
    """At the reference a day is a day; ten times the days for each decade of moisture; heat quickens."""
    speed = lambda t, u: float(creep.clock_speed(t, u, 1e5, 6.0, (20.0, 11.5)))  # noqa: E731
    assert speed(20.0, 11.5) == pytest.approx(1.0) and speed(heat, moisture + 6.0) == pytest.approx(
        10 * speed(heat, moisture)
    )
    assert speed(heat + 1.0, moisture) > speed(heat, moisture)


@FEW
@given(PATHS, st.integers(1, 60))
def test_trailing_mean_stays_among_what_was(path: list[float], days: int) -> None:
    series = np.array([path])
    found = trailing_mean(series, days)
    assert (found >= np.minimum.accumulate(series, axis=1) - 1e-9).all()
    assert (found <= np.maximum.accumulate(series, axis=1) + 1e-9).all()


@FEW
@given(st.floats(0.5, 40.0), st.floats(1e-12, 1e-9), st.floats(1e-10, 1e-5), st.just(0.0) | st.floats(1e-10, 1e-5))
def test_slab_weights_are_whole(thickness: float, diffusivity: float, outside: float, inside: float) -> None:
    """In constant air a slab takes its moisture, whatever its faces: mean weights add up to 1, gradient's to 0."""
    rates, mean, gradient = diffusion.slab_modes(thickness, diffusivity, outside, inside)
    assert (rates > 0).all() and mean.sum() == pytest.approx(1.0, abs=1e-6)
    assert gradient.sum() == pytest.approx(0.0, abs=1e-6)
    spread = diffusion.lag_weights(rates, mean, diffusion.time_grid())
    assert spread.sum() == pytest.approx(1.0, abs=1e-3)


def test_slab_converges_by_the_square_of_its_cells() -> None:
    """Uptake of a 3 mm sheet after half a day against Crank's series; the slope over 4, 8, 16, 32 cells is two."""
    thickness, d, k = 3.0, 1.0e-10, 1.0e-7
    half, seconds = thickness / 2000.0, 0.5 * 86400.0
    biot = k * half / d
    roots = [brentq(lambda b: b * np.tan(b) - biot, n * np.pi + 1e-9, n * np.pi + np.pi / 2 - 1e-9) for n in range(60)]
    exact = 1.0 - sum(
        2 * biot**2 * np.exp(-(b**2) * d * seconds / half**2) / (b**2 * (b**2 + biot**2 + biot)) for b in roots
    )
    errors = []
    for cells in (4, 8, 16, 32):
        rates, mean, _ = diffusion.slab_modes(thickness, d, k, k, cells)
        errors.append(abs(float(np.sum(mean * (1.0 - np.exp(-rates * 0.5)))) - exact))
    slopes = np.diff(np.log(errors)) / np.log(0.5)
    assert ((slopes > 1.8) & (slopes < 2.2)).all() and errors[1] < 3e-3


@FEW
@given(st.floats(-2.0, 2.0), st.floats(300.0, 700.0), st.integers(1, 20))
def test_geometry_of_the_neck(turn: float, scale: float, fret: int) -> None:
    """The pivot is where equal temperament puts the fret; a turn and its opposite undo each other; half at the 12th."""
    assert joint.fret_to_saddle_mm(scale, fret) * 2.0 ** (1 / 12) == pytest.approx(
        joint.fret_to_saddle_mm(scale, fret - 1)
    )
    rise = float(joint.saddle_change_mm(turn, scale / 2))
    assert rise == -float(joint.saddle_change_mm(-turn, scale / 2)) and rise * turn >= 0.0
    assert float(joint.action_change_mm(rise)) == pytest.approx(rise / 2)
    exact = joint.saddle_rise_mm({"neck_rotation": np.array(turn), "top_sinkage": np.array(0.3)}, scale / 2)
    assert float(exact) == pytest.approx(rise - 0.3, abs=1e-3 * abs(rise) + 1e-9)


@FEW
@given(st.floats(1.0, 20.0), st.floats(1.0, 20.0), st.floats(5.0, 20.0), st.floats(5.0, 20.0), st.floats(1e-5, 1e-2))
def test_two_layers_bow_each_other(t1: float, t2: float, e1: float, e2: float, strain: float) -> None:
    """Turned over they bow the other way, by Timoshenko's law; never more than 1.5 mismatch over the height."""
    one = float(neck.bimetal_curvature_per_m(t1, t2, e1, e2, strain))
    assert one == pytest.approx(-float(neck.bimetal_curvature_per_m(t2, t1, e2, e1, -strain)))
    assert 0.0 < one <= 1.5 * strain / ((t1 + t2) / 1000.0) * (1 + 1e-9)


@FEW
@given(st.floats(3.0, 25.0), st.floats(0.1, 3.0), st.floats(1.0, 20.0))
def test_a_step_counts_for_more_in_damper_wood(moisture: float, step: float, scale: float) -> None:
    """A scale of moisture that is itself at the reference, rises, steepens upwards, and is the moisture where it does
    so ever more slowly."""
    at = lambda u, by=scale: float(creep.damp_weighted(u, 11.0, by))  # noqa: E731
    assert at(11.0) == 0.0 and 0.0 < at(moisture + step) - at(moisture) < at(moisture + 2 * step) - at(moisture + step)
    assert at(moisture, 1e6) == pytest.approx(moisture - 11.0, abs=1e-3)


@FEW
@given(st.lists(st.floats(0.0, 1.0), min_size=30, max_size=60), st.integers(0, 20), st.floats(0.2, 3.0))
def test_creep_of_loads_adds_up_and_is_never_wholly_given_back(load: list[float], day: int, speed: float) -> None:
    """Boltzmann: two loads together creep as each alone; a load that goes off is recovered in part."""
    curve, at = creep.MasterCurve((0.5, 0.9, 1.45), 0.25), np.arange(len(load))
    clock = speed * np.arange(len(load) + 1.0)
    own, other = np.array(load), np.where(at >= day, 1.0, 0.0)
    of = lambda daily: creep.creep_by_time(curve, creep.load_steps(daily), clock, at)  # noqa: E731
    np.testing.assert_allclose(of(own + 2.0 * other), of(own) + 2.0 * of(other), atol=1e-9)
    off = of(np.where(at < day + 5, other, 0.0))
    assert (off[day + 6 :] > 0.0).all() and (off[day + 6 :] < of(other)[day + 6 :]).all()
    steps = creep.load_steps(own)
    assert sum(step.change for step in steps) == pytest.approx(load[-1]) and all(step.change != 0.0 for step in steps)


@FEW
@given(st.floats(1e-10, 1e-5), st.floats(1e-10, 1e-5), st.floats(1e-13, 1e-9), st.floats(300.0, 900.0))
def test_faces_in_series_let_through_less_than_each(emission: float, film: float, permeance: float, dry: float) -> None:
    both = float(diffusion.surface_conductance(emission, film))
    assert 0.0 < both <= min(emission, film) and both >= 0.5 * min(emission, film) * (1 - 1e-12)
    assert float(diffusion.surface_conductance(emission, np.inf)) == pytest.approx(emission)
    one = float(diffusion.film_conductance(permeance, 2338.8, dry, 0.15))
    assert one * dry * 0.15 == pytest.approx(permeance * 2338.8)


@FEW
@given(st.lists(st.floats(4.0, 20.0), min_size=2, max_size=6), st.floats(4.0, 20.0), st.floats(0.5, 3.0))
def test_lags_lie_among_what_was_and_know_nothing_of_what_comes(daily: list[float], start: float, speed: float) -> None:
    """First-order lags of the air: between the start and the air met, nearer to it the shorter their time; exact for a
    step, start + (air - start) (1 - exp(-speed t / time)); the end changes nothing before it."""
    hourly, times = np.repeat(daily, 24), np.array([0.3, 4.0, 90.0])
    found = diffusion.lag_basis(hourly, speed, times, start)
    assert (found >= min(start, *daily) - 1e-9).all() and (found <= max(start, *daily) + 1e-9).all()
    assert found[:, 0] == pytest.approx(start)
    assert found[:, 1] == pytest.approx(start + (daily[0] - start) * -np.expm1(-speed / times))
    other = diffusion.lag_basis(np.append(hourly[:-24], hourly[-24:] + 3.0), speed, times, start)
    np.testing.assert_allclose(other[:, :-1], found[:, :-1])


@FEW
@given(st.lists(st.floats(1.0, 99.0), min_size=2, max_size=30), st.floats(1.0, 99.0))
def test_memory_keeps_moisture_between_the_two_curves(path: list[float], built: float) -> None:
    memory = sorption.memory_at_middle(built)
    found = sorption.scanning_moisture(path, memory=memory)
    assert (found >= sorption.adsorption_boundary(path) - 1e-9).all()
    assert (found <= sorption.desorption_boundary(path) + 1e-9).all()
    turned = np.diff(path) * np.diff(found)  # damper air never dries
    assert (turned >= -1e-12).all()


@FEW
@given(st.floats(1e-4, 4e-3), st.floats(1e-3, 2e-2), st.floats(20.0, 80.0))
def test_wood_held_fast_stands_a_band_about_where_it_settled(coefficient: float, limit: float, settled: float) -> None:
    """Within the band strain stays inside the limit; it reaches it at each end but where no air is so dry or damp."""
    low, high = sorption.safe_humidity_band(settled, coefficient, limit)
    assert 0.0 <= low <= settled <= high <= 100.0
    at = lambda air: float(sorption.restrained_strain(  # noqa: E731
        sorption.middle_moisture(settled), sorption.middle_moisture(air), coefficient))  # fmt: skip
    assert at(low) == pytest.approx(limit, rel=1e-6) if low > 0.0 else at(0.0) <= limit
    assert at(high) == pytest.approx(-limit, rel=1e-6) if high < 100.0 else at(100.0) >= -limit


@FEW
@given(st.floats(0.0, 90.0), st.floats(-90.0, 90.0), st.floats(0.5, 12.0))
def test_a_board_stands_any_way_it_is_cut(rings: float, grain: float, thickness: float) -> None:
    """Its stiffness as a plate is symmetric and gives way to any strain; softened rings lie between the two cuts' sum;
    free strain bends nothing, turned by 90 degrees along and across change places."""
    of = plate.board("sitka spruce", rings)
    layer = plate.Layer(of, -thickness / 2.0, thickness / 2.0, "own", grain)
    whole = plate.section((layer,))
    np.testing.assert_allclose(whole.stiffness, whole.stiffness.T, rtol=1e-9, atol=1e-6)
    assert np.linalg.eigvalsh(whole.stiffness).min() > 0.0
    strain = np.linalg.solve(whole.stiffness, whole.loads["own"])
    assert np.abs(strain[3:]).max() < 1e-12 and strain[:2].sum() == pytest.approx(
        of.movement_along + of.movement_across
    )
    assert 0.0 <= of.rolling_in_across <= 1.0 and 0.0 <= of.across_in_rolling <= 1.0


@FEW
@given(st.sampled_from("CDEFGAB"), st.integers(1, 6), st.floats(0.2, 1.5), st.floats(500.0, 700.0))
def test_strings_by_mersenne(name: str, octave: int, gauge: float, length: float) -> None:
    """An octave is twice the pitch and four times the pull; twice the gauge four times as well."""
    low, high = (joint.frequency_hz(f"{name}{each}") for each in (octave, octave + 1))
    assert high == pytest.approx(2.0 * low)
    pull = joint.string_tension_n(gauge, 7850.0, length, low)
    assert joint.string_tension_n(gauge, 7850.0, length, high) == pytest.approx(4.0 * pull)
    assert joint.string_tension_n(2.0 * gauge, 7850.0, length, low) == pytest.approx(4.0 * pull)
    assert pull == pytest.approx(7850.0 * np.pi * gauge**2 / 4e6 * (2.0 * length / 1000.0 * low) ** 2)


@FEW
@given(st.floats(0.0, 1.0), st.floats(0.0, 0.2))
def test_a_joint_never_shuts_by_losing_clamp_force(lost: float, more: float) -> None:
    instrument = scenarios.find_instrument("large_x_braced")
    here, there = neck.opened(instrument, np.array([lost, lost + more]))
    assert 1.0 - 1e-12 <= here <= there


# ---- readers -------------------------------------------------------------------------------------------------------


@FEW
@given(st.binary(max_size=200))
def test_any_bytes_are_text_or_one_fault(raw: bytes) -> None:
    try:
        assert decoded(raw, "a.csv", "a table").encode() == raw.removeprefix(b"\xef\xbb\xbf")
    except BadInput as fault:
        assert str(fault).isprintable()


@FEW
@given(st.text(alphabet=string.printable + "é\u202e\0", max_size=120))
def test_any_text_is_toml_or_one_fault(text: str) -> None:
    try:
        assert isinstance(parsed_toml(text, "a.toml"), dict)
    except BadInput as fault:
        assert str(fault).isprintable() and "a.toml" in str(fault)


@FEW
@given(st.text(max_size=100), st.sampled_from((1, 50)))
def test_messages_are_one_bounded_line(text: str, times: int) -> None:
    told = one_line(text * times)
    assert told.isprintable() and len(told) < 2100


@FEW
@given(st.text(max_size=30))
def test_a_cell_never_begins_a_formula(text: str) -> None:
    cell = as_text(text)
    assert cell.endswith(text) and (not cell.startswith(("=", "@", "\t", "\r")))
    if cell.startswith(("+", "-")):
        float(cell)


@settings(max_examples=15)
@given(st.lists(st.tuples(st.integers(-20, 36), st.integers(5, 95)), min_size=3, max_size=30), st.sampled_from(",;\t"))
def test_a_logger_reads_what_was_written(values: list[tuple[int, int]], mark: str) -> None:
    """Up to 36 degC: what is hotter and drier than that in the middle is asked about as columns swapped."""
    start = np.datetime64("2026-04-01T00:00", "m")
    rows = [mark.join((str(start + 60 * n).replace("T", " "), str(t), str(h))) for n, (t, h) in enumerate(values)]
    with tempfile.TemporaryDirectory() as at:
        path = Path(at) / "a.csv"
        path.write_text("\n".join([mark.join(("time", "temperature (°C)", "relative humidity (%)")), *rows]) + "\n")
        air = read_air(path, time_zone="UTC")
    assert air["air_temperature"].values.tolist() == [float(t) for t, _ in values]
    assert air["relative_humidity"].values.tolist() == [float(h) for _, h in values]


ACTIONS = st.lists(st.tuples(st.integers(0, 900), st.integers(150, 320), st.booleans()), min_size=1, max_size=12,
                   unique_by=lambda row: row[0])  # fmt: skip


@settings(max_examples=15)
@given(ACTIONS, st.sampled_from(";,\t"), st.booleans())
def test_readings_are_read_as_they_were_written(rows: list[tuple[int, int, bool]], mark: str, shuffled: bool) -> None:
    """Dates, values in either unit and sides come back, in order of date, whatever stands between them and first."""
    scenario = scenarios.load_scenario("two-winters")
    start, days = scenario.setup.setup, sorted(rows)
    told = [mark.join(((start + timedelta(days=day)).isoformat(), "action treble" if treble else "action bass",
                       f"{value / 100:.2f} mm" if treble else f"{value / 2540:.5f} in", "feeler gauge"))
            for day, value, treble in (days[::-1] if shuffled else days)]  # fmt: skip
    with tempfile.TemporaryDirectory() as at:
        file = Path(at) / "own.csv"
        file.write_text("\n".join([mark.join(("date", "what", "value", "tool")), *told]) + "\n", encoding="utf-8")
        found = readings.read_readings(file, scenario, start + timedelta(days=1000)).readings
    assert [(one.date - start).days for one in found] == [day for day, _, _ in days]
    assert [one.what for one in found] == [f"action_{'treble' if treble else 'bass'}" for _, _, treble in days]
    assert [one.value for one in found] == pytest.approx([value / 100 for _, value, _ in days], abs=2e-4)


@settings(max_examples=15)
@given(st.lists(st.tuples(st.integers(1, 900), st.integers(0, 900), st.booleans(), st.integers(1, 9)), min_size=1))
def test_claims_are_read_as_they_were_written(rows: list[tuple[int, int, bool, int]]) -> None:
    """Age at the end of what is known, whether it was regraded, how many: of whichever scenario."""
    sold = date(2016, 5, 1)
    told = ["scenario,sold,until,regraded,count"]
    for age, more, regraded, count in rows:
        end, until = sold + timedelta(days=age), sold + timedelta(days=age + (more if regraded else 0))
        told.append(f"first-winter,{sold},{until},{end if regraded else ''},{count}")
    with tempfile.TemporaryDirectory() as at:
        file = Path(at) / "own.csv"
        file.write_text("\n".join(told) + "\n", encoding="utf-8")
        found = claimed.read_claims(file)
    assert [(one.age_days, one.regraded, one.count) for one in found] == [
        (age, regraded, count) for age, _, regraded, count in rows]  # fmt: skip


@FEW
@given(st.sampled_from(["string tension", "top thickness", "humidifier", "scale"]), st.floats(0.0, 1.0))
def test_a_lever_reads_its_number(lever: str, share: float) -> None:
    known = levers.LEVERS[lever]
    assert known.low is not None and known.high is not None
    value = known.low + share * (known.high - known.low)
    assert levers._read(lever, known, repr(value)) == value
    for beyond in (known.low - 1e-3 - share, known.high + 1e-3 + share):
        with pytest.raises(BadInput):
            levers._read(lever, known, repr(beyond))


@pytest.mark.parametrize("radius", [0.0, 7500.0], ids=["plate", "shell"])
def test_shells_converge_by_the_square_of_their_mesh_or_faster(radius: float) -> None:
    """Middle deflection of a supported rectangle of spruce, flat and domed, against Navier's series: each halving of
    the mesh leaves a quarter of the error or less."""
    from test_structure_plate import SPRUCE, Rectangle, navier_mm, single

    a, b, stack = 480.0, 360.0, single(SPRUCE, 12.0 if not radius else 2.8)
    exact, errors = navier_mm(stack.stiffness, a, b, 1.0e-4, radius), []
    for count in (2, 4, 8):
        piece = Rectangle(a, b, count, stack, radius)
        piece.press(1.0e-4)
        errors.append(abs(piece.solve("pressure", piece.supported())[piece.node(a / 2, b / 2), 2] / exact - 1.0))
    slopes = np.diff(np.log(errors)) / np.log(0.5)
    assert (slopes > 1.9).all(), (errors, slopes)
