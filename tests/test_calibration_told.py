"""What is told of a calibration: one fault behind many slips, patterns, rivals, unusual guitars. Posteriors are stubs
with just what is read of them; what is expected is counted here by hand. No outside values."""

from __future__ import annotations

from dataclasses import replace
from datetime import date, timedelta
from itertools import pairwise
from types import SimpleNamespace as Stub
from typing import Any

import numpy as np
import pytest
from scipy.stats import norm

from driftmodel.base.scenarios import load_scenario
from driftmodel.calibration import diagnosis, fit
from driftmodel.calibration.records import ReadingRow
from driftmodel.structure.joint import fret_to_saddle_mm
from driftmodel.structure.neck import slack_turn_deg

Array = np.ndarray
GENERIC = "dates, units, or the readings of another guitar"
DAY = date(2027, 5, 20)


def row(day: date = DAY, what: str = "action", value: float = 2.3) -> ReadingRow:
    return ReadingRow(day, what, value, 0.05, "feeler gauge")


# ---- one fault -----------------------------------------------------------------------------------------------------


def fault(due: list[float], read: list[float], sound: int = 0, rows: list[ReadingRow] | None = None) -> str:
    """What is said where these are slips beside some sound readings; particles expect either side of what is due."""
    count = len(due) + sound
    slips = np.append(np.full(len(due), 0.51), np.full(sound, 0.5))
    middle, values = np.append(due, np.full(sound, 2.0)), np.append(read, np.full(sound, 2.0))
    posterior: Any = Stub(
        noise=Stub(slip=slips), slips=slips, readings=(*(rows or [row()] * len(due)), *([row()] * sound)),
        values_read=values,
        expected=lambda normals: np.stack([middle - 0.4, middle + 0.4]), sampled=Stub(normals=np.zeros((2, 1))),
    )  # fmt: skip
    assert len(posterior.readings) == count
    return diagnosis.one_fault(posterior)


def test_many_slips_are_told_as_the_one_thing_they_share() -> None:
    due = [2.0, 3.0, 4.5]
    assert fault(due[:2], [5.0, 9.0]) == ""
    assert fault(due, [5.0, 9.0, 6.0], sound=8) == "" != fault(due, [5.0, 9.0, 6.0], sound=7)
    off = fault(due, [2.7, 3.8, 5.45])
    assert off.startswith("all of them are off by nearly the same +0.80 mm")
    assert fault(due, [1.2, 2.49, 3.7]).startswith("all of them are off by nearly the same -0.80 mm")
    assert fault(due, [2.7, 3.8, 5.61]) == GENERIC  # 0.31 mm from the middle one
    weights = [row(), row(what="weight"), row()]
    assert fault(due, [2.7, 3.8, 5.45], rows=weights) == GENERIC


@pytest.mark.parametrize(
    ("factor", "words"), [(1 / 25.4, "inches written as mil"), (25.4, "millimetres written as"), (2.5197, "64ths")]
)
def test_a_unit_mistaken_is_told_by_its_ratio(factor: float, words: str) -> None:
    due = np.array([2.0, 3.0, 4.5])
    for by, told in ((0.24, True), (-0.24, True), (0.26, False), (-0.26, False)):
        read = due * factor * np.exp([0.0, by, 0.0])
        assert (words in fault(list(due), list(read))) is told
    # what was due next to nothing has no ratio: 0.09 mm; 0.11 mm has
    for small, told in ((0.09, True), (0.11, False)):
        assert (words in fault([*due, small], [*(due * factor), small + 7.0])) is told


def test_day_and_month_changed_about_are_told_where_all_could_be() -> None:
    due, read = [2.0, 3.0, 4.5], [5.0, 9.0, 6.0]
    about = "every one of their dates reads as well with day and month changed about"
    for days, told in (((12, 3, 7), about), ((12, 2, 3), about), ((13, 3, 7), GENERIC), ((1, 2, 3), GENERIC)):
        rows = [row(date(2027, month, day)) for month, day in zip((1, 2, 3), days, strict=True)]
        assert fault(due, read, rows=rows) == told


# ---- patterns ------------------------------------------------------------------------------------------------------

COUNT = 14
WHEN = [date(2027, 1, 1) + timedelta(days=int(day)) for day in np.linspace(0, 1100, COUNT) ** 1.02]
YEARS = np.array([(day - WHEN[0]).days / 365.25 for day in WHEN])
KINDS = ["action" if place % 3 else "projection" for place in range(COUNT)]
SD = np.linspace(0.04, 0.1, COUNT)


def checks(residual: Array, likeness: Array, wild: int = -1, draws: int = 20000) -> dict[str, diagnosis.Check]:
    """Checks of readings with this residual in their own sd, errors hanging together so; a slip is left out."""
    slips = np.full(COUNT, 0.1)
    shift = np.linspace(-0.3, 0.4, COUNT)
    if wild >= 0:
        slips[wild] = 0.5
    noise = Stub(slip=slips, shift=shift, own_doubt=SD**2, covariance=lambda: np.outer(SD, SD) * likeness)
    posterior: Any = Stub(
        readings=tuple(row(day, what) for day, what in zip(WHEN, KINDS, strict=True)), noise=noise,
        values_read=2.0 + shift + SD * residual, expected=lambda normals: np.full((draws, COUNT), 2.0),
        sampled=Stub(normals=None),
    )  # fmt: skip
    return {check.words: check for check in diagnosis.patterns(posterior)}


def waves(years: Array) -> Array:
    return np.stack([np.ones_like(years), np.cos(2 * np.pi * years), np.sin(2 * np.pi * years)], axis=1)


def sizes(residual: Array, years: Array, kinds: list[str]) -> dict[str, float]:
    """By regressions: what a line, what a yearly wave takes out of the squares; neighbours of a kind; mean square."""
    told = np.clip(residual, -2.5, 2.5)
    line = years - years.mean()
    around = told - waves(years) @ np.linalg.lstsq(waves(years), told, rcond=None)[0]
    level = np.sum((told - told.mean()) ** 2)
    products = sum(
        told[i] * told[j]
        for kind in set(kinds)
        for own in [[place for place in range(len(kinds)) if kinds[place] == kind]]
        for i, j in pairwise(own)
    )
    return {
        "a trend over the years": abs(told @ line) / np.sqrt(line @ line),
        "a yearly swing": np.sqrt(level - np.sum(around**2)),
        "neighbours alike": products,
        "larger than the tools allow": np.mean(told**2),
    }


def test_patterns_are_what_regressions_take_out_and_their_chance_that_of_the_law() -> None:
    random = np.random.default_rng(3)
    residual = 0.7 * random.standard_normal(COUNT) + 0.9 * (YEARS - YEARS.mean()) / YEARS.std()
    residual[4] = 9.0  # clipped at 2.5
    likeness = 0.6 ** np.abs(np.arange(COUNT)[:, None] - np.arange(COUNT))
    found, expected = checks(residual, likeness), sizes(residual, YEARS, KINDS)
    made_up = random.multivariate_normal(np.zeros(COUNT), likeness, 4000)
    others = [sizes(one, YEARS, KINDS) for one in made_up]
    for words, size in expected.items():
        assert found[words].size == pytest.approx(size), words
        chance = np.mean([one[words] >= size for one in others])
        assert found[words].chance == pytest.approx(chance, abs=0.03), words
    # a line's weight under the law is a normal number: its variance by the likeness
    line = (YEARS - YEARS.mean()) / np.linalg.norm(YEARS - YEARS.mean())
    exact = 2.0 * norm.sf(expected["a trend over the years"], scale=np.sqrt(line @ likeness @ line))
    assert found["a trend over the years"].chance == pytest.approx(exact, abs=0.01)


def test_a_pattern_is_told_that_two_in_a_hundred_show_and_slips_are_no_pattern() -> None:
    line = (YEARS - YEARS.mean()) / np.linalg.norm(YEARS - YEARS.mean())
    clipped = np.sqrt(norm.expect(lambda z: np.clip(z, -2.5, 2.5) ** 2))
    for chance, told in ((0.016, True), (0.026, False)):
        found = checks(line * norm.isf(chance / 2.0, scale=clipped), np.eye(COUNT))["a trend over the years"]
        assert found.chance == pytest.approx(chance, abs=0.004) and found.told is told
    wave = np.cos(2.0 * np.pi * YEARS)
    told = checks(1.5 * wave, np.eye(COUNT), draws=2000)
    assert [words for words, check in told.items() if check.told] == ["a yearly swing"]
    wild = np.zeros(COUNT)
    wild[5] = 9.0
    quiet = checks(wild, np.eye(COUNT), wild=5, draws=500)
    assert all(abs(check.size) < 1e-9 for check in quiet.values())


def test_six_sound_readings_at_least_show_a_pattern() -> None:
    for count, slips, shown in ((5, 0, False), (6, 0, True), (7, 2, False), (7, 1, True)):
        slip = np.append(np.full(slips, 0.5), np.full(count - slips, 0.49))
        noise = Stub(
            slip=slip, shift=np.zeros(count), own_doubt=np.ones(count), covariance=lambda count=count: np.eye(count)
        )
        posterior: Any = Stub(
            readings=tuple(row(WHEN[place]) for place in range(count)), noise=noise, values_read=np.zeros(count),
            sampled=Stub(normals=None),
            expected=lambda normals, count=count: np.zeros((3, count)),
        )  # fmt: skip
        assert bool(diagnosis.patterns(posterior)) is shown, count


# ---- rivals, unusual guitars, slack bolts --------------------------------------------------------------------------


def test_a_rival_is_told_at_ten_times_the_evidence(monkeypatch: pytest.MonkeyPatch) -> None:
    sd = np.array([0.1, 0.2])
    posterior: Any = Stub(
        sampled=Stub(log_evidence=-3.0, normals=None), noise=Stub(own_doubt=sd**2), bench="own", book="book",
        start=np.zeros((7, 2)), ways="ways", readings=(), expected=lambda normals: np.array([[2.0, 3.0], [2.2, 3.0]]),
    )  # fmt: skip
    for ratio, told, lift, tells in ((9.9, False, 0.2139, False), (10.1, True, 0.2153, True)):
        asked: dict[str, Any] = {}

        def other(
            scenario: Any, book: Any, asked: Any = asked, lift: float = lift, ratio: float = ratio, **words: Any
        ) -> Any:
            asked.update(words, scenario=scenario, book=book)
            mean = np.array([[2.1 + lift, 3.0], [2.1 + lift, 3.0]])
            return Stub(
                sampled=Stub(log_evidence=-3.0 + float(np.log(ratio)), normals=None), expected=lambda normals: mean
            )

        monkeypatch.setattr(diagnosis, "learn", other)
        rival = diagnosis.compare(posterior, {"a law": lambda bench: Stub(scenario=bench + " changed")})[0]
        assert rival.log_factor == pytest.approx(np.log(ratio)) and rival.told is told
        assert rival.apart == pytest.approx(0.5 * (lift / 0.1) ** 2) and rival.can_tell is tells
        assert asked["scenario"] == "own changed" and asked["particles"] == 7 and asked["ways"] == "ways"


@pytest.mark.parametrize(
    ("name", "times", "share", "told"),
    [
        ("settles", 1.52, 0.91, True), ("settles", 1.48, 0.91, False), ("settles", 1.52, 0.89, False),
        ("settles", 1 / 1.52, 0.91, True), ("settles", 1 / 1.52, 0.89, False), ("settles", 1 / 1.48, 0.91, False),
        ("swings", 2.02, 0.91, True), ("swings", 1.98, 0.91, False), ("swings", 1 / 2.02, 0.91, True),
    ],
)  # fmt: skip
def test_a_guitar_is_unusual_when_nine_draws_in_ten_are(name: str, times: float, share: float, told: bool) -> None:
    """Settles: residual gain times string response; swings: damp less dry season, against the prior's middle."""
    draws = np.where(np.arange(1000) < 1000 * share, times, 1.0)
    own = draws if name == "settles" else np.ones(1000)
    swing = draws if name == "swings" else np.ones(1000)

    def values(normals: Array) -> dict[str, Array]:
        middle = len(normals) == 1
        gain = np.full(1, 1.6) if middle else 1.6 * own * 1.25
        return {"residual_gain": gain, "string_response": np.full(1, 1.25) if middle else np.ones(1000)}

    def answers(normals: Array, horizon: bool, weather: bool) -> Any:
        assert not horizon and not weather
        wave = np.full(1, 0.3) if len(normals) == 1 else 0.3 * swing
        return Stub(action_damp_mm=2.5 + wave, action_dry_mm=np.full(len(wave), 2.5))

    posterior: Any = Stub(layout=Stub(size=2, values=values), sampled=Stub(normals=np.ones((1000, 2))), answers=answers)
    found = {one.words.split()[0]: one for one in diagnosis.unusual(posterior)}
    assert found[name].told is told
    low, middle, high = np.quantile(draws, [0.1, 0.5, 0.9], method="inverted_cdf")
    assert found[name].times == pytest.approx((low, middle, high))
    assert [one.told for key, one in found.items() if key != name] == [False]


def test_answers_have_the_weather_of_what_is_asked(monkeypatch: pytest.MonkeyPatch) -> None:
    """The posterior's own particles with the weather given the readings, others with that before them, or with none."""
    monkeypatch.setattr(
        fit,
        "answers_of_particles",
        lambda particles, at_asked, asked, horizon, own: (at_asked, particles.normals, horizon, own),
    )
    own: Any = Stub(readings=(1, 2), more=(3,), at_moments=Stub(columns=lambda some: some.start), asked=0,
                    particles=lambda normals: Stub(normals=normals or "after"),
                    weather_of=lambda particles, after: (particles, after))  # fmt: skip
    assert fit.Posterior.answers(own) == (3, "after", True, ("after", True))
    assert fit.Posterior.answers(own, "start", False) == (3, "start", False, ("start", False))  # type: ignore[arg-type]
    assert fit.Posterior.answers(own, weather=False) == (3, "after", True, None)


def test_slack_bolts_lift_by_their_turn_at_the_saddle() -> None:
    """The saddle lies 287 mm behind the pivot: it goes up by that times the angle; asked where the action came up by a
    told step, or where it settles more than usual."""
    instrument = load_scenario("first-winter").instrument
    distance = fret_to_saddle_mm(instrument.strings.scale_mm, instrument.body_fret)
    expected = distance * np.tan(np.radians(slack_turn_deg(instrument)))
    more, less = (diagnosis.Unusual("settles under the strings", (by, by, by), True) for by in (1.1, 0.9))
    swings = diagnosis.Unusual("swings between dry and damp season", (3.0, 3.0, 3.0), True)
    up: Any = Stub(told=True, action_mm=(0.0, 0.1, 0.2))
    assert diagnosis.slack_bolts_mm(instrument, (more,), None) == pytest.approx(expected, rel=1e-4)
    assert diagnosis.slack_bolts_mm(instrument, (), up) == pytest.approx(expected, rel=1e-4)
    quiet = ((less,), None), ((replace(more, told=False), swings), None), ((), Stub(told=False, action_mm=up.action_mm))
    assert all(diagnosis.slack_bolts_mm(instrument, *case) == 0.0 for case in quiet)


def test_a_diagnosis_names_what_is_past_its_limits(monkeypatch: pytest.MonkeyPatch) -> None:
    known = tuple(Stub(on_bound=not by, moved_sd=by) for by in (0.0, 1.3, -1.3, 1.27))
    for name in ("unusual", "patterns"):
        monkeypatch.setattr(diagnosis, name, lambda posterior: ())
    monkeypatch.setattr(diagnosis, "learned", lambda posterior: known)
    monkeypatch.setattr(diagnosis, "lasting_step", lambda posterior: None)
    monkeypatch.setattr(diagnosis, "one_fault", lambda posterior: "")
    posterior: Any = Stub(bench=Stub(scenario=load_scenario("first-winter")), sampled=Stub(log_evidence=0.0),
                          noise=Stub(own_doubt=np.ones(1)))  # fmt: skip
    fitted: Any = tuple(Stub(slip_probability=chance) for chance in (0.5, 0.51))
    found = diagnosis.diagnose(posterior, fitted, {})
    assert (found.bounds, found.pushed, found.slips) == (known[:1], known[1:3], fitted[1:])
    check, rival = diagnosis.Check("", 1.0, 0.01, True), diagnosis.Rival("", 3.0, True, 1.0)
    assert not found.wrong_physics and replace(found, checks=(check,)).wrong_physics
    assert replace(found, rivals=(rival,)).wrong_physics
    assert not replace(found, rivals=(replace(rival, told=False),), checks=(replace(check, told=False),)).wrong_physics
