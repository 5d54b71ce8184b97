"""Advice on humidity in plain sentences, for the terminal, the page and the report."""

from __future__ import annotations

from driftmodel.advice.care import counted
from driftmodel.advice.records import Advice, MeasureResult, Outcome
from driftmodel.report.texts import (
    MONTHS,
    Table,
    during,
    filled,
    months_words,
    percent,
    plain_text,
    table,
    upper,
    worded,
    years_words,
)

GIVES_BY_DAY = ("room humidifier", "both")
QUART_L = 0.946352946  # US liquid quart, exact


def water_words(litres: float, units: str) -> str:
    """Water as a person measures it: '12 l', '5 ml', or '13 qt' and '0.2 fl oz'."""
    if units == "inch":
        quarts = litres / QUART_L
        return f"{quarts:.0f} qt" if quarts >= 1.0 else f"{32.0 * quarts:.1f} fl oz"
    return f"{litres:.0f} l" if litres >= 1.0 else f"{1000.0 * litres:.0f} ml"


def best_words(advice: Advice) -> str:
    """The measure advised and why, or why none is."""
    if not advice.best:
        return f"Do nothing more: {advice.why}." if advice.kind == "steady" else f"{upper(advice.why)}."
    best = next(each for each in advice.measures if each.key == advice.best)
    return f"{best.words}: {advice.why}."


def risk_words(advice: Advice) -> str:
    """Which months are at risk, of what, and how far the air goes."""
    now = advice.now
    parts = []
    for months, word, pick in ((now.dry_months, "dry", min), (now.damp_months, "damp", max)):
        if months:
            worst = pick((each for each in advice.months if each.month in months), key=lambda e: e.humidity_pct[1])
            parts.append(filled("too_dry_or_damp", word=word, months=months, name=MONTHS[worst.month - 1], of=worst))
    if not parts:
        return "In no month is the action or the wood more likely past its limits than not."
    return f"The air around it is {' and '.join(parts)}."


def _years_words(each: MeasureResult) -> str:
    bought = each.years_bought
    if abs(bought) <= 2.0 * each.years_bought_se or abs(bought) < 0.1:
        return "no clear change of the years before a regrade"
    way = "more" if bought > 0 else "fewer"
    return f"{abs(bought):.1f} years {way} before a regrade (give or take {each.years_bought_se:.1f})"


def measure_words(each: MeasureResult, units: str) -> str:
    """One measure in a sentence or three."""
    drawbacks, then, water = "; ".join(each.drawbacks), each.outcome, ""
    daily, hard, able = (
        water_words(litres, units)
        for litres in (each.litres_per_day, each.litres_on_a_hard_day, each.capacity_l_per_day)
    )
    if each.litres_per_day > 0:
        verb = "takes out" if each.key == "dehumidifier" else "gives"
        water = f" It {verb} {daily} a day {during(each.months)}, {hard} on a hard day."
    if each.key == "off the wall":
        return f"{each.words}. {_wall_verdict(each)} Moved off it: {_changes(each, units)}. Mind: {drawbacks}."
    able = f", able to give {able} a day" if each.key in GIVES_BY_DAY else ""
    left = f"leaves {months_words(then.months_outside)} at risk" if then.months_outside else "leaves no month at risk"
    return f"{each.words}{able}.{water} It {left}; {_changes(each, units)}. Mind: {drawbacks}."


def _wall_verdict(each: MeasureResult) -> str:
    """Whether the wall's air does harm by crack risk, swing or damp days."""
    wall, room = each.before, each.outcome
    harms = [
        (wall.crack_risk > room.crack_risk + 0.02, "more cracks"),
        (wall.action_swing_mm > 1.05 * room.action_swing_mm, "a wider swing"),
        (wall.damp_days > room.damp_days + 10.0, "more damp days"),
    ]
    harm = [words for is_so, words in harms if is_so]
    return f"Take it off: the wall means {' and '.join(harm)}." if harm else "By these numbers the wall does no harm."


def _changes(each: MeasureResult, units: str) -> str:
    fits = each.outcome.suited and each.key != "off the wall"
    spacer = f"with spacer {each.outcome.suited} fitted for it, " if fits else ""
    return spacer + filled("measure_changes", units, now=each.before, then=each.outcome, years=_years_words(each))


def surface_words(advice: Advice) -> str:
    """Condensation and mould as the house is."""
    if not advice.now_surfaces:
        return "Not checked: the place is not a room in outdoor air."
    told = []
    for each in advice.now_surfaces:
        wet = "no water condenses"
        if each.condensing_share >= 0.005:
            wet = f"water condenses in {percent(each.condensing_share)} of the hours"
        mould = f"mould can grow {during(each.mould_months)}" if each.mould_months else "no mould is to be expected"
        told.append(f"On {each.name} {wet} and {mould}.")
    return " ".join(told)


def sooner_words(advice: Advice) -> str:
    """Why a measure for dry months may bring the first regrade sooner, and the spacer that suits the better air; ''
    where none clearly does."""
    sooner = [each for each in _shown(advice) if each.years_bought < -2.0 * each.years_bought_se - 0.1]
    if not sooner:
        return ""
    chosen = next((each for each in sooner if each.key == advice.best), sooner[0])
    spacer = filled("sooner_fit" if chosen.outcome.suited else "sooner_keep", of=chosen.outcome)
    return filled("advice_sooner", which=upper(", ".join(each.key for each in sooner)), spacer=spacer)


def advice_blocks(advice: Advice, units: str) -> list[tuple[str, str]]:
    """(head, text) in reading order; measures follow one by one, 'Sooner?' where there is a reason."""
    band, (low, high), (action, wood, later) = advice.historic, advice.keep, advice.bands
    years, sooner = years_words(advice.horizon_years), sooner_words(advice)
    short = "" if band.long_enough else " The record is shorter than the 13 months the standard asks for."
    return [
        ("Advice", best_words(advice)),
        ("Keep", filled("advice_keep", low=low, high=high, action=action)),
        ("The wood", filled("advice_wood", wood=wood, later=later, held=advice.restrained_share)),
        ("At risk", risk_words(advice)),
        ("As it is", filled("advice_now", units, now=advice.now, wood=wood, years=years, most=advice.horizon_years)),
        *((each.key.capitalize(), measure_words(each, units)) for each in advice.measures),
        *([("Sooner?", sooner)] if sooner else []),
        ("Cold walls", surface_words(advice)),
        ("EN 15757", filled("advice_historic", band=band) + short),
        ("How sure", filled("advice_sure", draws=advice.draws, seed=advice.seed)),
    ]


def _months_left(outcome: Outcome) -> str:
    parts = [f"{counted(len(months))} {word}" for months, word in ((outcome.dry_months, "dry"),
             (outcome.damp_months, "damp")) if months]  # fmt: skip
    return ", ".join(parts) or "none"


def advice_terminal(advice: Advice, units: str) -> str:
    """The advice for the terminal, lines of at most 100 columns: sentences, then a line for each measure."""
    return plain_text(
        "advice.txt",
        advice=advice,
        head=worded("advice_heads")[advice.kind],
        blocks=advice_blocks(advice, units),
        measured=[each.key.capitalize() for each in advice.measures],
        shown=_shown(advice),
        suited=[f"{each.key} {each.outcome.suited}" for each in advice.measures if each.outcome.suited],
        left=_months_left,
        percent=percent,
        water=lambda each: _water(each, units),
        gained=_gained,
    )


def _shown(advice: Advice) -> list[MeasureResult]:
    """Measures that have a line in a table."""
    return [each for each in advice.measures if each.key != "off the wall"]


def _water(each: MeasureResult, units: str) -> str:
    return water_words(each.litres_per_day, units) if each.litres_per_day else ""


def _gained(each: MeasureResult) -> str:
    return f"{each.years_bought:+.1f} ± {each.years_bought_se:.1f}"


def measure_table(advice: Advice, units: str) -> Table:
    """A row for the air as it is and one for each measure."""

    rows = [("The air as it is", "", advice.now, "")]
    rows += [(each.words, _water(each, units), each.outcome, _gained(each)) for each in _shown(advice)]
    return table("measures", [dict(zip(("words", "water", "of", "gained"), row, strict=True)) for row in rows])
