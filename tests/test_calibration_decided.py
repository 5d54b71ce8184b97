"""What is decided of a reading: wrong or due by Bayes' rule, what would turn it, when to look again, and each line of
the decision from answers known by hand. Posteriors are stubs with just what is read of them. No outside values."""

from __future__ import annotations

from dataclasses import replace
from datetime import date, timedelta
from types import SimpleNamespace as Stub
from typing import Any

import numpy as np
import pytest
from hidden_truth import read_in_three_weathers
from scipy.stats import norm

from driftmodel.base import library
from driftmodel.base.errors import BadInput
from driftmodel.base.records import Scenario, WorkDone
from driftmodel.base.scenarios import load_scenario
from driftmodel.calibration import decide
from driftmodel.calibration.drives import Moment
from driftmodel.calibration.forward import ROWS, Particles
from driftmodel.calibration.layout import layout_of
from driftmodel.calibration.moments import Table, chebyshev
from driftmodel.calibration.options import Option, Standing, Weighed, gains_of, weigh
from driftmodel.calibration.outcomes import Answers, weeks_to_come_back
from driftmodel.calibration.records import BenchBook, ReadingRow
from driftmodel.structure.joint import pivot_of

Array = np.ndarray
DAY = date(2027, 5, 20)


def row(day: date = DAY, what: str = "action", value: float = 2.3) -> ReadingRow:
    return ReadingRow(day, what, value, 0.05, "feeler gauge")


@pytest.fixture(scope="module")
def scenario() -> Scenario:
    return load_scenario("two-winters")


def test_a_reading_is_wrong_by_bayes_rule_over_slip_damage_and_sound() -> None:
    expected, doubt = np.array([[2.2, 5.0], [2.4, 5.3]]), 0.15
    share, damage = library.general("bench_damage_share").value, library.general("bench_damage_action").value
    kinds = (("action", damage, 1.35), ("action_bass", damage, 1.35), ("projection", 2 * damage, 1.35))
    for what, hurt_mm, reach in (*kinds, ("relief", None, 0.35)):
        read = row(what=what, value=2.9)
        posterior: Any = Stub(readings=(read, row()), noise=Stub(own_doubt=np.array([doubt**2, 1.0])))
        for by_mm in (0.0, -0.5, 1.0):
            off = 2.9 + by_mm - expected[:, 0]
            hurt = share if hurt_mm is not None else 0.0
            sound = (0.9 - hurt) * np.mean(norm.pdf(off, scale=doubt))
            wild = 0.1 / (2.0 * reach) + hurt * np.mean(norm.pdf(off, scale=np.hypot(doubt, hurt_mm or 0.0)))
            found = decide._wrong(posterior, expected, read, by_mm)
            assert found == pytest.approx(wild / (wild + sound)), (what, by_mm)
    assert decide._wrong(posterior, expected, row(value=7.0)) == 0.0
    drawn = decide._due(
        Stub(bench=Stub(scenario=Stub(seed=1)), noise=Stub(own_doubt=np.array([0.04, 0.09]))),  # type: ignore[arg-type]
        np.full((40000, 2), 2.5),
        1,
    )
    assert drawn.mean() == pytest.approx(2.5, abs=0.006) and drawn.std() == pytest.approx(0.3, abs=0.004)


def test_chances_told_add_up_and_leave_is_always_among_them() -> None:
    words = {key: key for key in ("leave", "air", "truss rod", "saddle", "spacer", "other work")}
    told = decide._told(Weighed({}, np.array([1, 1, 4, 4, 4])), 0.2, words)
    assert told == pytest.approx({"measure again": 0.2, "leave": 0.0, "air": 0.32, "spacer": 0.48})
    assert decide._told(Weighed({}, np.array([0, 0])), 0.0, words) == {"leave": 1.0}
    assert decide._again(0.15, "saddle") and not decide._again(0.5, "leave")


def test_what_was_known_before_is_the_earlier_readings_by_name() -> None:
    start = np.arange(20.0).reshape(5, 4)
    posterior: Any = Stub(start=start, layout=Stub(names=("a", "level_relief", "level_weight", "b")))
    earlier: Any = Stub(bench=Stub(readings=(row(),)), names=("b", "level_relief", "level_weight", "c"),
                        sampled=Stub(normals=-np.arange(8.0).reshape(2, 4)))  # fmt: skip
    known = decide._known_before(posterior, earlier)
    np.testing.assert_array_equal(known[:, :3], start[:, :3])
    np.testing.assert_array_equal(known[:, 3], [0.0, -4.0, 0.0, -4.0, 0.0])
    for none in (None, Stub(bench=Stub(readings=()), names=("a",), sampled=None)):
        np.testing.assert_array_equal(decide._known_before(posterior, none), start)  # type: ignore[arg-type]


def test_a_relief_out_of_the_usual_is_given_back_at_the_rod(scenario: Scenario) -> None:
    """By the neck's own ratio of bow in the action to relief; the saddle's room counts what was done to it."""
    usual = library.general("bench_relief")
    coefficients = Stub(bow_action={"neck": 0.03}, relief={"neck": 0.06})
    bench = Stub(scenario=scenario, coefficients=coefficients)
    posterior: Any = Stub(bench=bench, book=BenchBook((), ()))
    for spreads, told in ((1.1, True), (-1.1, True), (0.9, False)):
        off = spreads * usual.spread
        truss = -0.5 * off if told else 0.0
        new = (row(what="relief", value=usual.value + off), row())
        found = decide._standing(posterior, None, new)  # type: ignore[arg-type]
        assert found.truss_action_mm == pytest.approx(truss), off
        assert found.room_mm == scenario.setup.saddle_room_mm and found.fitted_lift_mm == 0.0


def test_the_reading_that_would_turn_the_answer_is_found_by_trying_each(scenario: Scenario) -> None:
    """Answers that follow the reading by their regression on what was due; every hundredth either way tried here."""
    random = np.random.default_rng(2)
    due = 2.4 + 0.3 * random.standard_normal(400)
    ref = 0.6 * due + 0.9 + 0.05 * random.standard_normal(400)
    none, up = np.full(400, np.inf), 2.0 * (ref - 2.3)
    before = Answers(ref, ref - 0.2, ref + 0.2, ref, up, none, ref, ref, up, ref, up, ref, ref)
    now = Answers(*([np.full(400, 2.35)] * 13))
    still = dict.fromkeys(("saddle_rise_reference_mm", "saddle_rise_next_mm", "saddle_rise_steady_mm"), 0.0 * ref)
    now = replace(now, action_dry_mm=now.action_dry_mm - 0.2, action_damp_mm=now.action_damp_mm + 0.2, **still)
    standing = Standing(now, scenario, scenario.setup.saddle_room_mm, 0.0)
    read, doubt = row(value=2.35), 0.12
    expected = np.stack([np.zeros(400), due], axis=1)
    asked: list[int] = []

    def answers(normals: Array) -> Answers:
        asked.append(len(normals))
        return Answers(*(value[: len(normals)] for value in vars(before).values()))

    posterior: Any = Stub(
        readings=(row(what="relief"), read), noise=Stub(own_doubt=np.array([1.0, doubt**2])), answers=answers
    )
    found = decide._turns(posterior, standing, np.zeros((400, 3)), expected, 1)
    gains = gains_of(answers(np.zeros((300, 3))), due[:300], doubt)
    slope = np.cov(ref[:300], due[:300], bias=True)[0, 1] / (np.var(due[:300]) + doubt**2)
    assert gains["action_next_mm"] == pytest.approx(slope)
    assert asked == [300, 300]

    def said(by_mm: float) -> str:
        moved = {name: getattr(now, name) + gains[name] * by_mm for name in gains}
        turned = replace(standing, found=replace(now, **moved, regrade_years=none))
        weighed = weigh(turned)
        word = decide._words_of(turned, weighed)[weighed.best]
        wrong = decide._wrong(posterior, expected, read, by_mm)
        return "measure again" if wrong > 0.5 or (wrong >= 0.15 and word in decide.WORK) else word

    ways = []
    for sign in (-1.0, 1.0):
        tried = [(sign * 0.02 * step, said(sign * 0.02 * step)) for step in range(1, 75)]
        ways += [(round(2.35 + by, 2), word) for by, word in tried if word != "leave"][:1]
    assert found == tuple(ways) and len(found) == 2
    deaf = decide._turns(posterior, standing, np.zeros((400, 3)), np.stack([due * 0.0, due * 0.0], axis=1), 1)
    assert all(word == "measure again" for _, word in deaf)


def test_readings_within_a_millimetre_and_a_half_are_tried(monkeypatch: pytest.MonkeyPatch) -> None:
    """An answer that turns 1.46 mm up is told, one that turns 1.52 mm up is not."""
    for turn, told in ((1.46, ((3.81, "spacer"),)), (1.52, ())):
        monkeypatch.setattr(decide, "gains_of", lambda *_: {})
        monkeypatch.setattr(decide, "_wrong", lambda *_: 0.0)
        posterior: Any = Stub(readings=(row(value=2.35),), noise=Stub(own_doubt=np.ones(1)), answers=lambda known: None)
        monkeypatch.setattr(decide, "_said_of", lambda one, turn=turn: "spacer" if one.by >= turn - 1e-9 else "leave")
        standing: Any = Stub(by=0.0, turned=lambda by_mm, gains: Stub(by=by_mm))
        assert decide._turns(posterior, standing, np.zeros((1, 1)), np.zeros((1, 1)), 0) == told


def test_air_goes_the_way_that_its_own_draws_need(scenario: Scenario) -> None:
    """Two draws that the place holds 0.4 mm high ask for air, two that it holds low ask for something else."""
    ref, one = np.full(4, 2.3), np.ones(4)
    found = Answers(*([ref] * 13))
    held = np.array([0.4, 0.4, -0.4, -0.4])
    found = replace(found, action_next_mm=ref + held, action_dry_mm=ref - 0.1 * one, action_damp_mm=ref + 0.1 * one)
    standing = Standing(found, scenario, 2.5, 0.0)
    for needed, said in (([1, 1, 0, 4], "dry out"), ([0, 4, 1, 1], "humidify")):
        assert decide._words_of(standing, Weighed({}, np.array(needed)))["air"] == said


def test_a_reading_that_says_nothing_is_refused(scenario: Scenario) -> None:
    with pytest.raises(BadInput, match="no reading of the action"):
        decide.weather_or_drift(scenario, row(what="relief", value=0.2))
    with pytest.raises(BadInput, match="a projection alone"):
        decide.weather_or_drift(scenario, row(what="projection"))


def weeks_by_hand(parts: Array) -> int:
    """parts: by draw how much of a movement goes by 8 days and by 60. The last half-week on which more than a fifth of
    the largest is left to where it stands after 26 weeks, nine draws in ten; in whole weeks begun."""
    last = []
    days = [3.5 * step for step in range(53) if 3.5 * step < 183.0]
    for one in parts:
        path = [float(one @ (1.0 - np.exp(-day / np.array([8.0, 60.0])))) for day in days]
        left = [day for day, at in zip(days, path, strict=True) if abs(at - path[-1]) > 0.2 * max(map(abs, path))]
        last.append(max(left, default=0.0))
    return int(np.clip(np.ceil(np.quantile(last, 0.9) / 7.0), 1, 26))


def test_moisture_has_come_back_when_its_lags_have() -> None:
    """One lag of 8 days: a fifth is left after 12.9, which is the second week; draws beside it that go by 60 days, as
    many as a normal unknown lies out. The top alone moves."""
    bench, book = read_in_three_weathers()
    layout = layout_of(bench.scenario, book.readings)
    lags = bench.table.time_constants_days.size
    own = bench.table.time_constants_days.copy()
    fast, slow = 5, 20
    own[[fast, slow]] = 8.0, 60.0
    weights = np.zeros((bench.table.weights.shape[0], 2, 2 * lags))
    weights[0, 0, fast], weights[0, 1, slow] = 1.0, 1.0
    nodes = np.stack([np.ones(245), np.repeat(chebyshev(7), 35)], axis=1)  # one, and the first unknown of transport
    made = replace(bench, table=Table(weights, nodes, own))
    random = np.random.default_rng(4)
    for spread in (0.0, 0.3, 2.5):
        normals = np.zeros((130, layout.size))
        normals[:, layout.names.index("diffusion")] = np.clip(spread * np.abs(random.standard_normal(130)), 0.0, 3.0)
        normals[100:, layout.names.index("diffusion")] = 3.0  # a hundred of them are asked
        parts = np.stack([np.ones(100), normals[:100, layout.names.index("diffusion")]], axis=1)
        assert weeks_to_come_back(Particles(made, layout, normals)) == weeks_by_hand(parts)
    assert weeks_by_hand(np.array([[1.0, 0.0]])) == 2
    for slow_ones, longer in ((9, False), (15, True)):  # nine of ten draws
        normals = np.zeros((100, layout.size))
        normals[:slow_ones, layout.names.index("diffusion")] = 2.0
        assert (weeks_to_come_back(Particles(made, layout, normals)) > 2) is longer
    # the action is half of what the top lifts the saddle by, and the bow that the neck brings later
    given, both = bench.coefficients, weights.copy()
    lift = np.radians(given.neck_rotation["top"]) * pivot_of(bench.scenario.instrument) - given.top_sinkage["top"]
    both[:, 1], both[ROWS.index("neck"), 0, slow] = 0.0, 0.6 * lift / 2.0 / given.bow_action["neck"]
    bowed = replace(made, table=Table(both, nodes, own))
    assert weeks_to_come_back(Particles(bowed, layout, normals)) == weeks_by_hand(np.array([[1.0, 0.6]]))
    quick = replace(made, table=Table(weights, nodes, np.where(own == 8.0, 1.0, own)))  # gone within half a week
    assert weeks_to_come_back(Particles(quick, layout, np.zeros((9, layout.size)))) == 1


def test_each_line_of_a_decision_is_what_the_answers_say(scenario: Scenario, monkeypatch: pytest.MonkeyPatch) -> None:
    """Worths 20 days apart are close; work that can wait is no rival; a reading likely wrong is taken again, and then
    nothing is told to turn it. chances, wrong -> said."""
    random = np.random.default_rng(1)
    found = Answers(*(2.3 + 0.1 * random.standard_normal(50) for _ in range(13)))
    new, older = row(), row(DAY - timedelta(days=30))
    worked = replace(scenario, work=(WorkDone(DAY, saddle_mm=-0.5),))
    posterior: Any = Stub(
        bench=Stub(scenario=worked), answers=lambda: found, expected=lambda known: np.zeros((5, 2)),
        readings=(older, new), slips=np.array([0.9, 0.2]), noise=Stub(own_doubt=np.array([1.0, 0.04])), more=(),
        start=np.zeros((5, 1)), layout=Stub(names=("a",)), particles=lambda: None,
        sampled=Stub(normals=None),
        asked=Stub(now=DAY, seasons=(Moment(date(2028, 1, 1), 90), Moment(date(2028, 7, 1), 90))),
    )  # fmt: skip
    worth = {"leave": 900.0, "air": 919.0, "saddle": 980.0, "spacer": 915.0}
    options = {
        key: Option(key, 0.5, 300.0, days, key == "saddle", spacer="J" * (key == "spacer"))
        for key, days in worth.items()
    }
    weighed = Stub(
        best="air",
        best_of_work="leave",
        options=options,
        needed=np.array([1]),
        chances=lambda: {"leave": 0.25, "air": 0.6, "spacer": 0.15},
    )
    asked: list[Standing] = []
    monkeypatch.setattr(decide, "weigh", lambda standing: asked.append(standing) or weighed)
    monkeypatch.setattr(decide, "_wrong", lambda posterior, expected, one: 0.1 if one is new else 0.0)
    monkeypatch.setattr(decide, "_words_of", lambda standing, weighed: {key: f"the {key}" for key in decide.ORDER})
    monkeypatch.setattr(decide, "_turns", lambda posterior, standing, known, expected, place: ((1.0, f"turn {place}"),))
    monkeypatch.setattr(decide, "weeks_to_come_back", lambda *_: 7)
    one = decide._decide(posterior, (new, row(what="relief", value=library.general("bench_relief").value)), None)
    assert asked[0].room_mm == scenario.setup.saddle_room_mm - 0.5 and asked[0].truss_action_mm == 0.0
    assert (one.said, one.then, one.without_air, one.grade) == ("the air", "the air", "the leave", "J")
    assert one.close == ("the leave", "the air", "the spacer") and one.slip_probability == 0.2
    assert one.chances == pytest.approx(
        {"measure again": 0.1, "the leave": 0.225, "the air": 0.54, "the spacer": 0.135}
    )
    assert [option.key for option in one.options] == ["leave", "air", "saddle", "spacer"]
    assert one.option("saddle") is options["saddle"] and one.option("truss rod") is None
    assert (one.turns, one.look_again_weeks, one.readings_before, one.path) == (((1.0, "turn 1"),), 7, 1, None)

    def points(values: Array) -> tuple[float, ...]:
        return tuple(np.quantile(values, [0.1, 0.5, 0.9], method="inverted_cdf"))

    assert one.season_mm == pytest.approx(points(found.action_now_mm - found.action_reference_mm))
    assert one.place_mm == pytest.approx(np.median(found.action_next_mm - found.action_steady_mm))
    assert one.due_mm is not None and one.due_mm == pytest.approx((-0.2, 0.0, 0.2), abs=0.35)
    named = {"read_mm": "now", "reference_mm": "reference", "next_dry_mm": "dry", "next_damp_mm": "damp"}
    for field, name in named.items():
        assert getattr(one, field) == pytest.approx(points(getattr(found, f"action_{name}_mm"))), field
    assert one.relief_mm is None
    low, middle, high = points(found.relief_now_mm)
    usual = library.general("bench_relief")
    unread = decide._decide(posterior, (new,), None).relief_mm
    ends = np.hypot([middle - low, high - middle], norm.ppf(0.9) * usual.spread)
    assert unread == pytest.approx(
        (usual.value + middle - ends[0], usual.value + middle, usual.value + middle + ends[1])
    )
    assert one.seasons_from == (date(2028, 1, 1), date(2028, 7, 1)) and one.regrade_years == points(found.regrade_years)
    options["spacer"] = replace(options["spacer"], worth_days=898.0)
    options["leave"] = replace(options["leave"], worth_days=898.0)
    assert decide._decide(posterior, (new,), None).close == ()
    options["leave"] = replace(options["leave"], worth_days=899.0)
    assert decide._decide(posterior, (new,), None).close == ("the leave", "the air")
    # as likely wrong as anything is right: 0.375 against 0.625 times 0.6
    for doubt, said in ((0.374, "the air"), (0.376, "measure again"), (0.9, "measure again")):
        monkeypatch.setattr(decide, "_wrong", lambda posterior, expected, one, doubt=doubt: doubt)
        one = decide._decide(posterior, (new,), None)
        assert one.said == said and one.then == "the air" and bool(one.turns) is (said == "the air")
        assert bool(one.close) is (said == "the air")
    only: Any = decide._decide(posterior, (), None)
    assert only.due_mm is None and only.turns == () and only.slip_probability == 0.0 and only.readings_before == 2
    projected = decide._decide(
        Stub(**{**vars(posterior), "readings": (older, row(what="projection"))}), (row(what="projection"),), None
    )  # type: ignore[arg-type]
    assert projected.due_mm is None and projected.turns == ()


def test_readings_of_a_book_are_put_in_order_before_they_are_learned_from(
    scenario: Scenario, monkeypatch: pytest.MonkeyPatch
) -> None:
    """By day, then by row, one given by hand after all rows of its day; asked on the last day read; the path only where
    it is drawn."""
    seen: dict[str, Any] = {}

    def learn(own: Scenario, book: BenchBook, **words: Any) -> Any:
        seen.update(words, book=book)
        return "posterior"

    monkeypatch.setattr(decide, "learn", learn)
    monkeypatch.setattr(decide, "_decide", lambda posterior, new, calibration: (posterior, new))
    early, late = replace(row(DAY), row=9), replace(row(DAY), row=4)
    hand, before = row(DAY, value=2.5), replace(row(DAY - timedelta(days=9)), row=12)
    earlier: Any = Stub(bench=BenchBook((before, early), (), ("said",), "a.csv"))
    assert decide.weather_or_drift(scenario, (hand, late), earlier) == ("posterior", (hand, late))
    assert seen["book"] == BenchBook((before, late, early, hand), (), ("said",), "a.csv")
    assert seen["now"] == DAY and seen["bench"] is None and seen["more"] == ()
    for more in ("relief", "projection"):  # the action among them is enough
        assert decide.weather_or_drift(scenario, (row(what=more, value=0.2), hand))[1][1] is hand
    decide.weather_or_drift(scenario, row(what="projection"), earlier, drawn=True)
    assert len(seen["more"]) > 20
    decide.decide_unread(scenario, seen["book"], DAY + timedelta(days=3))
    assert seen["now"] == DAY + timedelta(days=3) and seen["more"] == ()
