"""Plain words and figures of the report, checked against the dataset they come from. No outside reference values."""

from __future__ import annotations

from datetime import date as day
from typing import Any

import matplotlib
import numpy as np
import pytest

from driftmodel.report import document, figures, pictures, texts, words
from driftmodel.report.ensemble import driver_bars, forecast_json, grade_bars, quantiles, summary_of


@pytest.fixture(scope="module")
def brief(fc: Any, scenario: Any) -> Any:
    return summary_of(fc, scenario)


def changed(fc: Any, **values: Any) -> Any:
    other = fc.copy()
    for name, value in values.items():
        other[name] = (fc[name].dims, np.asarray(value))
    return other


NAT = np.datetime64("NaT", "ns")


def due(*dates: str) -> Any:
    return np.array([np.datetime64(each, "ns") if each else NAT for each in dates])


@pytest.mark.parametrize(
    ("date", "southern", "said"),
    [
        ("2034-04-10", False, "spring 2034"),
        ("2034-04-10", True, "autumn 2034"),
        ("2033-12-31", False, "winter 2033/34"),
        ("2034-02-01", False, "winter 2033/34"),
        ("1999-12-02", True, "summer 1999/00"),
        ("2034-11-30", False, "autumn 2034"),
    ],
)
def test_dates_in_words(date: str, southern: bool, said: str) -> None:
    assert texts.season_words(np.datetime64(date, "ns"), southern) == said


def test_chances_in_words() -> None:
    said = {0.0: "practically never", 0.21: "one time in five", 0.79: "four times in five", 1.0: "practically always"}
    assert {chance: texts.chance_words(chance) for chance in said} == said


def test_a_date_beyond_the_horizon_is_said_so(fc: Any, scenario: Any) -> None:
    chances = [0.1, 0.4, 0.7]
    never = words.when_words(changed(fc, regrade_due=[0, 0, 0.0], regrade_due_date=due("", "", "")), scenario)
    assert "not due within the 3 years" in never
    early = changed(fc, regrade_due=[0.1, 0.2, 0.3], regrade_due_date=due("2027-04-01", "", ""))
    assert "spring 2027" in words.when_words(early, scenario)
    assert "More likely than not, no regrade is due within the 3 years" in words.when_words(early, scenario)
    late = changed(fc, regrade_due=chances, regrade_due_date=due("2027-04-01", "2028-07-01", ""))
    assert "summer 2028" in words.when_words(late, scenario)
    assert "in 30 % of the runs it is not due within the 3 years" in words.when_words(late, scenario)
    dates = due("2027-04-01", "2028-07-01", "")
    assert "One time in ten it is due now" in words.when_sentence(dates, 0.7, 3, False, day(2027, 3, 10))
    assert "due by spring 2027" in words.when_sentence(dates, 0.7, 3, False, day(2027, 2, 20))


def test_the_grade_is_named_with_its_taper_and_the_set_may_fail(fc: Any, scenario: Any) -> None:
    share = np.zeros((fc.sizes["occasion"], fc.sizes["grade"]))
    share[0, 3] = 0.6
    beyond = [0.4, *[0.0] * (fc.sizes["occasion"] - 1)]
    reached = [0.5, *[0.0] * (fc.sizes["occasion"] - 1)]
    other = changed(fc, grade_probability=share, no_grade_fits=beyond, occasion_probability=reached)
    said = words.grade_words(other, scenario, "metric")
    assert "D (taper −0.25 mm)" in said
    assert "60 %" in said
    assert "no spacer of the set mends it" in said
    assert "D (taper −0.010 in)" in words.grade_words(other, scenario, "inch")
    bars = grade_bars(other, "metric")
    assert [round(value) for _, value in bars] == [60, 40]
    none = changed(fc, occasion_probability=[0.0] * fc.sizes["occasion"])
    assert "No other spacer" in words.grade_words(none, scenario, "metric")


@pytest.mark.parametrize(
    ("verdict", "dry", "damp", "headline"),
    [
        ("humidify", 100.0, 0.0, "Look to the air first: humidify."),
        ("humidify", 0.0, 100.0, "Look to the air first."),
        ("regrade", 100.0, 0.0, "Plan a regrade."),
        ("leave", 0.0, 0.0, "Leave it as it is."),
    ],
)
def test_headline_follows_the_verdict(
    fc: Any, scenario: Any, verdict: str, dry: float, damp: float, headline: str
) -> None:
    other = fc.copy()
    other.attrs = fc.attrs | {
        "verdict": verdict, "dry_days_per_year": dry, "damp_days_per_year": damp, "season_outside_share": 0.9
    }  # fmt: skip
    told = words.story(other, scenario, "metric")
    assert told["headline"] == headline
    assert ("dry months" in " ".join(told["owner"])) == (dry > 30)
    assert ("Damp swells" in " ".join(told["owner"])) == (damp > 30)


@pytest.mark.parametrize("units", ["metric", "inch"])
def test_terminal_summary_fits_a_terminal(fc: Any, scenario: Any, units: str) -> None:
    lines = words.terminal_summary(fc, scenario, units).splitlines()
    assert len(lines) <= 25
    assert max(len(line) for line in lines) <= 100


def test_slack_bolts_are_told_where_they_are_likely(fc: Any) -> None:
    told = words.bow_words(fc.assign_attrs(bolts_slack_20_years=0.08), "metric")
    assert told[0].startswith("In 8 % of the runs the bolts of the neck") and "truss rod" in told[1]
    assert len(words.bow_words(fc.assign_attrs(bolts_slack_20_years=0.004), "metric")) == 1


def test_json_names_its_units(fc: Any, scenario: Any) -> None:
    import json

    told = json.loads(json.dumps(forecast_json(fc, scenario)))
    assert told["verdict"] == fc.attrs["verdict"]
    assert told["grade_taper_mm"]["D"] == pytest.approx(-0.25)
    assert list(told["regrade_due_probability_by_year"]) == ["1", "2", "3"]
    assert told["regrade_due_date"]["p90"] is None or len(told["regrade_due_date"]["p90"]) == 10


def test_quantiles_are_the_ranks_of_a_known_sample() -> None:
    sample = np.random.default_rng(1).permutation(101).astype(np.float32)[:, None] / 100
    np.testing.assert_allclose(quantiles(sample)[:, 0], [0.1, 0.5, 0.9], atol=1e-6)


def test_the_figures_draw_the_data(fc: Any, scenario: Any, brief: Any) -> None:
    with matplotlib.rc_context(pictures.STYLE):
        drawn = figures.all_figures(fc, scenario, brief, "inch")
    axes = drawn["action"].axes[0]
    assert axes.get_ylabel() == "Action at the 12th fret (in)"
    np.testing.assert_allclose(axes.lines[0].get_ydata(), brief.bands["action_12th"][1] / 25.4, rtol=1e-5)
    levels = sorted(float(np.asarray(line.get_ydata())[0]) for line in axes.lines[1:3])
    np.testing.assert_allclose(levels, [scenario.rule.action_low_mm / 25.4, scenario.rule.action_high_mm / 25.4])
    heights = [bar.get_height() for bar in drawn["chance"].axes[0].patches]
    np.testing.assert_allclose(heights, 100 * fc["regrade_due"].values)
    *named, rest = [value for _, value in driver_bars(fc)]
    assert named == sorted(named, reverse=True)
    assert rest == pytest.approx(max(0.0, 100.0 - sum(named)))
    upper, lower = drawn["drift"].axes
    np.testing.assert_allclose(
        lower.lines[0].get_ydata(), brief.bands["projection_change_lasting"][1] / 25.4, rtol=1e-5
    )  # float32
    assert upper.get_ylim() == lower.get_ylim()
    assert set(drawn) == {"action", "chance", "grades", "drift", "parts", "season", "humidity", "moisture", "drivers"}


def luminance(colour: str) -> float:
    """Relative luminance of a colour, WCAG 2.1 (2018), definition of relative luminance."""
    from matplotlib.colors import to_rgb

    linear = [c / 12.92 if c <= 0.03928 else ((c + 0.055) / 1.055) ** 2.4 for c in to_rgb(colour)]
    return float(np.dot(linear, (0.2126, 0.7152, 0.0722)))


def test_lines_stand_out_from_their_bands_without_colour() -> None:
    """3:1 is WCAG 2.1 (2018), success criterion 1.4.11; 4.5:1 for text is 1.4.3."""
    for band, line in ((pictures.SEASON, pictures.SEASON_LINE), (pictures.LASTING, pictures.LASTING_LINE)):
        assert (luminance(band) + 0.05) / (luminance(line) + 0.05) > 3.0
    for text in (pictures.INK, pictures.QUIET, pictures.LASTING_LINE, pictures.SEASON_LINE):
        assert 1.05 / (luminance(text) + 0.05) > 4.5


def test_tables_say_what_the_dataset_says(fc: Any, scenario: Any, brief: Any) -> None:
    grades = document.grade_table(fc, "metric")
    assert len(grades.rows) == fc.sizes["grade"]
    fitted = next(row for row in grades.rows if "(fitted)" in row[0])
    assert fitted[0].startswith(scenario.setup.spacer)
    assert fitted[3] == "0.00"
    yearly = document.yearly_frame(fc, "metric")
    assert list(yearly["year"]) == [1, 2, 3]
    first = fc["action_12th"].values[:, :366].mean(axis=1)
    assert yearly["action_12th_p50_mm"][0] == pytest.approx(float(np.median(first)), abs=2e-3)
    inputs = dict(document.input_table(fc, scenario, "metric").rows)
    assert "sitka spruce" in inputs["Top"]
    assert document.source_table(fc).rows


def test_long_lines_go_on_under_their_own_indent() -> None:
    """Lines of the terminal's width at most; short ones, blank ones and tables stay as they are."""
    table = "Month         mean  least\n\n  January     21.0   21.0"
    assert texts.wrapped(table) == table
    first, second = texts.wrapped("  " + "word " * 25).splitlines()
    assert first.startswith("  word") and len(first) <= texts.WIDTH and second.startswith("    word")
