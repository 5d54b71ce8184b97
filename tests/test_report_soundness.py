"""The report under any outcome, any words, any interruption; its numbers against an invented forecast.

No outside reference values: expected numbers are those of fake_forecast.py, told by hand beside each check.
"""

from __future__ import annotations

import csv
import re
from dataclasses import replace
from pathlib import Path
from types import MappingProxyType

import numpy as np
import pytest
import xarray as xr
from fake_forecast import LASTING_MM, SEASON_MM, UNKNOWNS, fake_forecast, growth
from test_report_document import Page

import driftmodel
from driftmodel.base.records import Scenario
from driftmodel.base.schema import PARTS
from driftmodel.outlook import chain, drift
from driftmodel.report import document, figures, pictures, words
from driftmodel.report.ensemble import SERIES, summary_of
from driftmodel.structure.records import Coefficients

DRAWS, YEARS = 60, 4


@pytest.fixture(scope="module")
def scenario() -> Scenario:
    return replace(driftmodel.load_scenario("first-winter"), horizon_years=YEARS)


@pytest.fixture(scope="module")
def folder(scenario: Scenario, tmp_path_factory: pytest.TempPathFactory) -> Path:
    out = tmp_path_factory.mktemp("reports") / "metric"
    document.write_report(fake_forecast(scenario, DRAWS), scenario, out, "metric", pictures=False)
    return out


@pytest.mark.usefixtures("undrawn")
def test_work_advised_comes_with_its_cautions(scenario: Scenario, tmp_path: Path) -> None:
    for verdict in ("regrade", "humidify"):
        document.write_report(fake_forecast(scenario, 20, verdict), scenario, tmp_path / "out", "metric")
        said = Page(tmp_path / "out" / "report.html").text
        for word in (
            "slacken",
            "eye protection",
            "respirator",
            "mould",
            "water away",
            "parked car",
            "local",
            "qualified",
        ):
            assert word in said, word
        assert "common practice, no source" in said and "An invented remark" in said


@pytest.mark.parametrize(("due", "years"), [(0.0, 1), (0.05, 2), (1.0, 23)])
def test_the_report_copes_with_any_outcome(
    scenario: Scenario,
    tmp_path: Path,
    due: float,
    years: int,
    request: pytest.FixtureRequest,
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.setattr("driftmodel.report.pictures.PICTURE_DPI", 40)
    if due:  # what is drawn of the first, of the others only worked out
        request.getfixturevalue("undrawn")
    other = replace(scenario, horizon_years=years)
    fc = fake_forecast(other, 20, due=due)
    document.write_report(fc, other, tmp_path / "out", "inch")
    said = Page(tmp_path / "out" / "report.html").text + words.terminal_summary(fc, other, "inch")
    assert "NaT" not in said and not re.search(r"\bnan\b", said)
    assert not re.search(r"\d{5}", words.when_words(fc, other)), "the year of a date that is none"


def test_yearly_numbers(folder: Path) -> None:
    with (folder / "yearly.csv").open(encoding="utf-8", newline="") as stream:
        rows = list(csv.DictReader(stream))
    # mean of the square root over the last quarter of [0, 1]: (2/3) (1 - (3/4)^1.5) / (1/4); the middle factor is 1
    last = LASTING_MM * (1 - 0.75**1.5) / 1.5 / 0.25
    found = [float(rows[-1][f"action_lasting_change_p{q}_mm"]) for q in (10, 50, 90)]
    assert found == pytest.approx([0.6 * last, last, 1.4 * last], abs=1e-3)
    # a sine's whole swing; the year's extremes are read weekly, at worst 3.5 days off the top: 0.2 % of it
    assert float(rows[1]["action_season_swing_p50_mm"]) == pytest.approx(2 * SEASON_MM, rel=5e-3)
    # 45 of 60 draws fall due evenly over the four years: 11.25 a year
    found = [float(row["chance_regrade_due_by_end_pct"]) for row in rows]
    assert found == pytest.approx([100 * round_down / 60 for round_down in (11, 22, 33, 45)], abs=0.1 + 100 / 60)


def test_the_netcdf_gives_the_forecast_back(folder: Path, scenario: Scenario) -> None:
    fc = fake_forecast(scenario, DRAWS)
    with xr.open_dataset(folder / "forecast.nc", engine="h5netcdf") as kept:
        np.testing.assert_array_equal(kept["regrade_date"], fc["regrade_date"])
        np.testing.assert_array_equal(kept["regrade_grade"].astype(str), fc["regrade_grade"])
        assert kept["action_12th"].dims == ("quantile", "week") and set(SERIES) <= set(kept.data_vars)
        assert kept["action_12th_monthly"].attrs["units"] == "mm" and kept.attrs["verdict"] == fc.attrs["verdict"]
        end = kept["action_change_lasting"].sel(quantile=0.9).values[-1]
        assert end == pytest.approx(np.quantile(growth(DRAWS), 0.9) * LASTING_MM, abs=0.01)  # a draw of 60: 0.007 mm
        march = kept["action_change_lasting_monthly"].sel(month="2027-03-01")
        expected = fc["action_change_lasting"].sel(time="2027-03").mean("time")
        np.testing.assert_allclose(march, expected, atol=6e-4)  # kept to 0.001 mm


def test_figures_show_what_was_put_in(scenario: Scenario) -> None:
    fc = fake_forecast(scenario, DRAWS)
    brief = summary_of(fc, scenario)
    drawn = figures.all_figures(fc, scenario, brief, "metric")
    line = drawn["season"].axes[0].lines[0].get_ydata()
    assert int(np.argmax(line)) == 6 and int(np.argmin(line)) == 0  # the season peaks in mid July
    assert np.ptp(np.asarray(line)) == pytest.approx(2 * SEASON_MM, rel=0.03)  # a month's mean of a sine: 1 % less
    dry = drawn["humidity"].axes[0].lines[0].get_ydata()
    assert [round(float(value)) for value in (np.max(dry), np.min(dry))] == [56, 28]
    shares = {each.get_width() for each in drawn["drivers"].axes[0].patches}
    assert {round(share) for share in shares} == {round(100 * share) for share in UNKNOWNS.values()}


def test_no_legend_lies_on_data(scenario: Scenario) -> None:
    """Legends belong to the figure and, once laid out, stand clear of every axes."""
    import matplotlib
    from matplotlib.backends.backend_agg import FigureCanvasAgg

    fc = fake_forecast(scenario, 20)
    with matplotlib.rc_context(pictures.STYLE):
        for name, figure in figures.all_figures(fc, scenario, summary_of(fc, scenario), "inch").items():
            canvas = FigureCanvasAgg(figure)
            canvas.draw()
            for axes in figure.axes:
                assert axes.get_legend() is None, name
                frame = axes.get_window_extent()
                for legend in figure.legends:
                    assert not legend.get_window_extent().overlaps(frame), name
                    whole = figure.bbox.padded(1.0)
                    assert whole.contains(*legend.get_window_extent().min), f"{name}: the legend is cut off"
                    assert whole.contains(*legend.get_window_extent().max), f"{name}: the legend is cut off"
                if axes.get_xlabel() or axes.get_ylabel():
                    assert frame.width > 0.4 * figure.bbox.width, f"{name}: too little room for the data"


def test_a_real_forecast_has_what_the_invented_one_has(
    scenario: Scenario, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The names, dims, units and attributes the report reads; the response of the body is invented here."""
    loads = (*PARTS, "top_gradient", "back_gradient", "strings")

    def response(top: float, strings: float) -> MappingProxyType[str, float]:
        return MappingProxyType(dict.fromkeys(loads, 0.0) | {"top": top, "strings": strings})

    shares = MappingProxyType(
        {
            "top_sinkage": MappingProxyType({("top", "shear"): 1e-4}),
            "neck_rotation": MappingProxyType({("blocks", "across"): 7e-5}),
        }
    )
    invented = Coefficients(
        response(-0.35, 1e-4), response(-0.01, 7e-5), response(0.01, 0.0), *[response(0, 0)] * 2, shares
    )
    monkeypatch.setattr(chain, "design_response", lambda _: invented)
    short = replace(scenario, horizon_years=2, weather_members=1)
    real = drift.forecast(short, 20, 1)
    fake = fake_forecast(short, 20, str(real.attrs["verdict"]))
    assert {name: real[name].dims for name in real.variables} == {name: fake[name].dims for name in fake.variables}
    assert {name: each.attrs.get("units") for name, each in real.data_vars.items()} == {
        name: each.attrs.get("units") for name, each in fake.data_vars.items()
    }
    assert set(real.attrs) == set(fake.attrs)
