"""What `grade` says, in a luthier's words: what a reading calls for, the list that was taken from, what would turn it;
and the grade for a place."""

from __future__ import annotations

import textwrap
from collections.abc import Iterable
from dataclasses import asdict, replace
from typing import Any

from driftmodel.base import library
from driftmodel.base.units import length_words
from driftmodel.calibration.decide import MEASURE, WORK, Decision
from driftmodel.calibration.options import Option
from driftmodel.outlook.place import PlaceTable
from driftmodel.report.calibration_words import plain_json
from driftmodel.report.texts import WIDTH, filled, percent, plain_text, said

#: left as it is on so many days a year inside the rule, nothing more is said
MOST_OF_THE_YEAR = 300.0
AIR = ("humidify", "dry out", "steady air")
#: the option behind a word of the decision
KEY = {"regrade": "spacer"}


def headline(decision: Decision, units: str = "metric") -> str:
    """The answer in one line."""
    said = decision.said
    if len(decision.close) > 1:
        names = [short_words(decision, word, units) for word in decision.close]
        return f"A close call: {', '.join(names[:-1])} or {names[-1]}. {_first(decision)}"
    return _head(decision, said, units)


def _first(decision: Decision) -> str:
    """What to do where it is close: what can be undone first."""
    if MEASURE in decision.close:
        return "Measure again first."
    if any(word in decision.close for word in AIR):
        return "Put the air right first and look again."
    if "leave" in decision.close:
        return "Leave it and look again at the same humidity in half a year."
    return "The one higher on the list is the smaller job."


def _head(decision: Decision, said: str, units: str) -> str:
    weeks = f"{decision.look_again_weeks} week{'s' if decision.look_again_weeks != 1 else ''}"
    keep = f"about {decision.steady_pct:.0f} %, as at set-up,"
    if said == MEASURE:
        due, slip = decision.due_mm or decision.read_mm, decision.chances[MEASURE]
        return filled("measure_again", units, due=due, slip=slip, then=short_words(decision, decision.then, units))
    if said == "leave":
        left = decision.option("leave")
        if left is None or left.days_a_year >= MOST_OF_THE_YEAR:
            return "Leave it: inside the rule, now and most likely in a year."
        return filled("leave_it", left=left)
    if said in AIR:
        cause = {"humidify": "dry air", "dry out": "damp air", "steady air": "the air's swing"}[said]
        left, other = decision.option("air"), decision.without_air
        mends = left is not None and left.days_a_year >= MOST_OF_THE_YEAR
        first = f"This is {cause}, not the neck" if mends else f"This is {cause} first; the neck may need work after it"
        through = " dry season and damp" if said == "steady air" else ""
        work, instead = decision.option(KEY.get(other, other)), ""
        if other != "leave":
            days = f" (about {work.days_a_year:.0f} days)" if work else ""
            instead = f" If the air cannot be changed: {short_words(decision, other, units)}{days}."
        return f"{first}: keep it at {keep}{through} and look again in {weeks}.{_gain(decision, 'air')}{instead}"
    if said == "other work":
        gain = _gain(decision, said)
        return f"The neck needs other work, such as a reset: no saddle or spacer of the set does it.{gain}"
    return f"{_cause(decision)}: {short_words(decision, said, units)}.{_gain(decision, said)}"


def _cause(decision: Decision) -> str:
    """Why work is called for: how far the mean of the year is past the rule, and how much of that is the place."""
    low, middle, high = decision.rule_mm[0], decision.reference_mm[1], decision.rule_mm[1]
    past = middle - min(max(middle, low), high)
    if past == 0.0:
        return "The season swings about a mean that is off"
    if decision.place_mm / past >= 0.5:
        return f"The air of the place holds it {'higher' if past > 0 else 'lower'} than the rule allows, season aside"
    return "This is drift, not weather"


def _gain(decision: Decision, said: str) -> str:
    """What work wins, in days a year."""
    own, left = decision.option(KEY.get(said, said)), decision.option("leave")
    if own is None or left is None:
        return ""
    return f" About {own.days_a_year:.0f} days a year inside the rule, where there would be {left.days_a_year:.0f}."


def short_words(decision: Decision, word: str, units: str = "metric") -> str:
    """An answer as a piece of a sentence, with its amount."""
    if word == "regrade":
        option = decision.option("spacer")
        return f"fit spacer {option.spacer}" if option else "fit another spacer"
    if word == "saddle":
        option = decision.option("saddle")
        return _saddle(option, units) if option else "work on the saddle"
    if word == "truss rod":
        return "set the truss rod"
    return {MEASURE: "measure again", "leave": "leave it", "steady air": "keep the air steady"}.get(word, word)


def _saddle(option: Option, units: str) -> str:
    size = length_words(abs(option.saddle_mm), units, 1)
    return f"take {size} off the saddle" if option.saddle_mm < 0 else f"make the saddle {size} higher"


#: head of the list, the words of each column in two lines
COLUMNS = (("likely", "needed"), ("", ""), ("right in", "a year"), ("inside in", "dry season"), ("inside in", "damp"),
           ("days a", "year inside"), ("saddle", "left"))  # fmt: skip
LEAST_SHOWN = 0.005


def option_rows(decision: Decision, units: str = "metric") -> list[tuple[str, ...]]:
    """The list in the order a bench goes by: chance that it is what is needed, what; then, if it is done, chances of
    being inside the rule in a year, over the next dry and the next damp season; expected days a year inside; and the
    saddle then left to lower."""
    rows: list[tuple[str, ...]] = []
    air = next((word for word in AIR if word in decision.chances), AIR[0])
    if MEASURE in decision.chances:
        rows.append((percent(decision.chances[MEASURE]), "measure again: a slip, or damage", "", "", "", "", ""))
    for key, word in (("leave", "leave"), ("air", air), ("truss rod", "truss rod"), ("saddle", "saddle"),
                      ("spacer", "regrade"), ("other work", "other work")):  # fmt: skip
        option, share = decision.option(key), decision.chances.get(word, 0.0)
        if option is None or (key == "other work" and share < LEAST_SHOWN and decision.then != word):
            continue
        what = {
            "leave": "leave it",
            "air": f"better air: {word}, about {decision.steady_pct:.0f} %",
            "truss rod": "set the truss rod",
            "saddle": _saddle(option, units) if key == "saddle" else "",
            "spacer": f"fit spacer {option.spacer}",
            "other work": "other work on the neck",
        }[key]
        inside = [percent(each) for each in (option.right_in_a_year, option.dry_inside, option.damp_inside)]
        left = length_words(option.left_mm, units, 1) if key in ("saddle", "spacer") else ""
        rows.append((percent(share), what, *inside, f"{option.days_a_year:.0f}", left))
    return rows


def option_lines(decision: Decision, units: str = "metric") -> list[str]:
    """The same list for the terminal."""
    rows = [*zip(*COLUMNS, strict=True), *option_rows(decision, units)]
    return [
        f"{share:>6}  {what:<33}{right:>9}{dry:>12}{damp:>11}{days:>13}{left:>9}".rstrip()
        for share, what, right, dry, damp, days, left in rows
    ]


def decision_summary(decision: Decision, units: str = "metric") -> str:
    """The decision on today's reading: the answer first, then the list, the figures and what would turn it."""
    lines = [*textwrap.wrap(headline(decision, units), WIDTH), "", *option_lines(decision, units), ""]
    for fact in decision_facts(decision, units):
        lines += textwrap.wrap(fact, WIDTH)
    if any(decision.chances.get(word, 0.0) > 0.05 for word in (*AIR, *WORK)):
        lines += ["", *textwrap.wrap(said("decision_caution"), WIDTH)]
    return "\n".join(lines)


def decision_facts(decision: Decision, units: str = "metric") -> list[str]:
    """What the answer rests on, a sentence or two each."""
    due, then = decision.due_mm, decision.then
    facts = [filled("due_by_then", units, due=due)] if due else []
    facts += [filled("now_and_reference", units, of=decision), filled("left_alone", units, of=decision)]
    option = decision.option({"regrade": "spacer", "other work": ""}.get(then, then)) if then in WORK else None
    if option is not None:
        facts.append(filled("if_done", units, done=short_words(decision, then, units), of=option))
    likeliest = max(decision.chances, key=lambda word: decision.chances[word])
    if likeliest not in (then, MEASURE) and then in decision.chances and len(decision.close) < 2:
        likely, done = (short_words(decision, word, units) for word in (likeliest, then))
        facts.append(filled("worth_more", likeliest=likely, then=done))
    if abs(decision.place_mm) >= 0.05:
        facts.append(filled("place_itself", units, of=decision, way="higher" if decision.place_mm > 0 else "lower"))
    if decision.relief_mm is not None and then in WORK:
        facts.append(filled("relief_unread", units, of=decision, usual=library.value("bench_relief")))
    for reading, word in decision.turns:
        side, other = "or less" if reading < _read(decision) else "or more", short_words(decision, word, units)
        facts.append(filled("had_it_read", units, reading=reading, side=side, other=other))
    if not decision.readings_before:
        facts.append(said("first_reading"))
    return facts


def _read(decision: Decision) -> float:
    """Today's action as read, mm."""
    return next(one.value for one in decision.readings if one.what.startswith("action"))


def decision_json(decision: Decision) -> Any:
    """The decision's numbers: metric, inf as null."""
    told = asdict(replace(decision, path=None)) | {"headline": headline(decision)}
    return plain_json({name: value for name, value in told.items() if name != "path"})


# ---- the grade for a place -------------------------------------------------------------------------------------------


def place_summary(table: PlaceTable, units: str = "metric") -> str:
    """The spacer to have from today on, and every grade of the set at one place or in a mix of homes."""
    told = f"Advised is what is worth most days inside, season included, a job counted as {table.job_days:.0f} of them."
    if table.steadiest != table.advised:
        told += f" Fewest later jobs: {table.steadiest}."
    if not table.joint_open and table.if_open != table.advised:
        told += f" If the joint is opened anyway: {table.if_open}."
    advised = _advised(table, units)
    return plain_text("place.txt", table=table, advised=advised, told=told, length=lambda mm: length_words(mm, units))


def _advised(table: PlaceTable, units: str) -> str:
    stays, row = table.advised == table.fitted, table.of(table.advised)
    words = f"Leave spacer {table.advised} in" if stays else f"Fit spacer {table.advised}"
    if table.joint_open:
        words = filled("leaves_with", units, of=table)
        if table.advised_saddle_mm:
            size = length_words(abs(table.advised_saddle_mm), units, 1)
            words += f" (saddle {size} {'higher' if table.advised_saddle_mm > 0 else 'lower'})"
    words += filled("inside_ahead", of=table)
    if not stays and not table.joint_open:
        words += f", where it would be {table.of(table.fitted).inside_days:.0f} with {table.fitted}"
    past = f"; chance that no spacer then does it {percent(row.other_work)}" if row.other_work >= 0.05 else ""
    return f"{words}; {row.later_jobs:.1f} later jobs expected{past}."


def shipment_summary(tables: Iterable[PlaceTable]) -> str:
    """One line for each instrument of a shipment."""
    return plain_text("shipment.txt", tables=tables)
