"""Properties of laws and readers that hold for every input (Hypothesis), and how fast the slab converges.

Outside reference: a sheet that takes up moisture through both faces (Crank 1975, The Mathematics of Diffusion, 4.3.6:
roots of beta tan beta = L), and the finite-volume order of two."""

from __future__ import annotations

import string
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.optimize import brentq

from driftmodel.base.delimited import as_text
from driftmodel.base.errors import BadInput, one_line
from driftmodel.base.opened import decoded, parsed_toml
from driftmodel.climate.humid_air import saturation_pressure_pa
from driftmodel.climate.logger import read_logger
from driftmodel.outlook.calendar import trailing_mean
from driftmodel.structure import joint, neck
from driftmodel.wood import creep, diffusion, sorption

AIR = st.floats(0.0, 99.0)
HEAT = st.floats(-10.0, 45.0)
PATHS = st.lists(st.floats(2.0, 25.0), min_size=3, max_size=40)
FEW = settings(max_examples=40, deadline=None)


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
@given(st.text(max_size=5000))
def test_messages_are_one_bounded_line(text: str) -> None:
    told = one_line(text)
    assert told.isprintable() and len(told) < 2100


@FEW
@given(st.text(max_size=30))
def test_a_cell_never_begins_a_formula(text: str) -> None:
    cell = as_text(text)
    assert cell.endswith(text) and (not cell.startswith(("=", "@", "\t", "\r")))
    if cell.startswith(("+", "-")):
        float(cell)


@settings(max_examples=15, deadline=None)
@given(st.lists(st.tuples(st.integers(-20, 36), st.integers(5, 95)), min_size=3, max_size=30), st.sampled_from(",;\t"))
def test_a_logger_reads_what_was_written(values: list[tuple[int, int]], mark: str) -> None:
    """Up to 36 degC: what is hotter and drier than that in the middle is asked about as columns swapped."""
    import tempfile

    start = np.datetime64("2026-04-01T00:00", "m")
    rows = [mark.join((str(start + 60 * n).replace("T", " "), str(t), str(h))) for n, (t, h) in enumerate(values)]
    with tempfile.TemporaryDirectory() as at:
        path = Path(at) / "a.csv"
        path.write_text("\n".join([mark.join(("time", "temperature (°C)", "relative humidity (%)")), *rows]) + "\n")
        air = read_logger(path, time_zone="UTC")
    assert air["air_temperature"].values.tolist() == [float(t) for t, _ in values]
    assert air["relative_humidity"].values.tolist() == [float(h) for _, h in values]


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
