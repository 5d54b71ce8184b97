"""Papers to print: the owner's sheet in plain words, and the label for inside the instrument, with what the next bench
must know to cut out of one sheet; both units."""

from __future__ import annotations

from datetime import date
from importlib.resources import files

import numpy as np

from driftmodel.advice.records import Advice, Outcome
from driftmodel.base import __version__
from driftmodel.base.record_file import Tag
from driftmodel.base.records import Scenario
from driftmodel.outlook.work import action_work_mm, fitted_lift_mm, fitted_spacer
from driftmodel.report.texts import both_lengths, during, months_words, said
from driftmodel.report.words import when_sentence


def owner_sheet(scenario: Scenario, advice: Advice, tag: Tag | None = None, paper: str = "a4") -> str:
    """The sheet as one HTML page with nothing to fetch; it prints on one page of A4 or Letter. tag: of a record, for
    the label's facts on it."""
    from jinja2 import Environment, StrictUndefined

    text = files("driftmodel.report").joinpath("sheet.html").read_text(encoding="utf-8")
    template = Environment(autoescape=True, undefined=StrictUndefined).from_string(text)
    return template.render(
        title=scenario.title,
        invented=scenario.invented,
        keep=f"{advice.keep[0]:.0f} to {advice.keep[1]:.0f} %",
        keep_line="relative humidity, by a small hygrometer kept beside the guitar. Check the hygrometer once a year.",
        sections=sheet_sections(scenario, advice),
        facts=label_facts(scenario, tag),
        paper="Letter" if paper == "letter" else "A4",
        cautions=said("sheet_cautions"),
        version=__version__,
        seed=advice.seed,
        draws=advice.draws,
    )


def due_words(outcome: Outcome, advice: Advice, today: date | None = None) -> str:
    """When a regrade is due in one air, as the forecast says it."""
    dates = [np.datetime64(day or "NaT") for day in outcome.first_due]
    return when_sentence(dates, 1.0 - outcome.no_regrade, advice.horizon_years, advice.southern, today)


def sheet_sections(scenario: Scenario, advice: Advice) -> list[tuple[str, list[str]]]:
    """(head, lines): what to keep, what to watch, when to come back. What is told is of the air advised; where that
    is not the air as it is, that is told too."""
    rule, now = scenario.rule, advice.now
    best = next((each for each in advice.measures if each.key == advice.best), None)
    kept = now if best is None else best.outcome
    keep = []
    if best is not None:
        keep.append(f"{best.words}{', ' + during(best.months) if len(best.months) < 12 else ''}.")
    else:
        keep.append(
            "Keep it where it is kept now." if advice.kind == "steady" else "Keep it away from the dampest room."
        )
    if now.dry_months:
        keep.append(f"Driest: {months_words(now.dry_months)}. Put it back in its case after playing.")
    if now.damp_months:
        keep.append(f"Dampest: {months_words(now.damp_months)}. Air the case, and keep it off outer walls.")
    keep.append("Keep it away from heaters, fires, sunny windows and cold outer walls.")
    swing = f"about {both_lengths(kept.action_swing_mm)} over a year"
    if best is not None:
        swing += f" when kept so ({both_lengths(now.action_swing_mm)} when not)"
    watch = [
        f"The action rises in damp and falls in dry air, by {swing}. That comes back by itself.",
        "Dry: sharp fret ends, a sunken top behind the bridge, buzzing. Damp: a high, swollen top and a stiff action.",
        "A crack, a lifting bridge or a loose bar: slacken the strings and bring it in, at any time of year.",
    ]
    due = due_words(kept, advice, scenario.today)
    if best is not None:
        watch.append(
            f"Kept so{f' with spacer {kept.suited}' if kept.suited else ''}, its action is inside the limits on "
            f"{kept.inside_days:.0f} days of a year ({now.inside_days:.0f} when not); the risk of a crack in "
            f"{advice.horizon_years} years is {100 * kept.crack_risk:.0f} % ({100 * now.crack_risk:.0f} % when not)."
        )
    back = [
        "Once a year, in the same month and at the same humidity, measure the action and write it below.",
        f"Come back if it stays below {both_lengths(rule.action_low_mm)} or above {both_lengths(rule.action_high_mm)}, "
        f"the middle of the two outer strings, for {rule.days_outside} days while the air is inside the band above.",
        (due if best is None else f"Kept so: {due[0].lower()}{due[1:]}")
        + " A regrade changes the spacer in the neck joint; it is a repairer's work.",
    ]
    return [("What to keep", keep), ("What to watch", watch), ("When to come back", back)]


def label_facts(scenario: Scenario, tag: Tag | None = None) -> list[tuple[str, str]]:
    """(what, words): serial, design, spacer with its taper, set-up action at its humidity, day, workshop. Where a
    spacer was fitted or a saddle cut since, what that moved the action by is told."""
    setup, spacers = scenario.setup, scenario.instrument.spacers
    label = fitted_spacer(scenario)
    taper = spacers.tapers_mm[spacers.labels.index(label)]
    facts = [("No.", tag.serial)] if tag and tag.serial else []
    facts += [
        ("Design", scenario.instrument.title),
        ("Neck spacer", f"{label}, taper {both_lengths(taper)} over {both_lengths(spacers.joint_length_mm)}"),
        (
            "Set up",
            f"{setup.setup}: action {both_lengths(setup.action_12th_mm)} at the 12th fret, at "
            f"{setup.built_relative_humidity_pct:.0f} % relative humidity",
        ),
    ]
    worked = [one for one in scenario.work if one.spacer or one.saddle_mm or one.action_mm or one.anew]
    if worked:
        moved = fitted_lift_mm(scenario) / 2.0 + action_work_mm(scenario)
        facts.append((
            "Worked on",
            f"{worked[-1].day}: since set-up the work has moved the action by {moved:+.2f} mm ({moved / 25.4:+.3f} in)",
        ))  # fmt: skip
    facts.append(("Keep at", f"about {setup.built_relative_humidity_pct:.0f} % relative humidity, as it was set up"))
    if tag and tag.workshop:
        facts.append(("Workshop", tag.workshop))
    return facts


def label_page(scenario: Scenario, tag: Tag | None = None, paper: str = "a4") -> str:
    """The label as one HTML page with nothing to fetch, on A4 or Letter; two copies, to cut out."""
    from jinja2 import Environment, StrictUndefined

    text = files("driftmodel.report").joinpath("label.html").read_text(encoding="utf-8")
    template = Environment(autoescape=True, undefined=StrictUndefined).from_string(text)
    return template.render(
        title=scenario.title,
        invented=scenario.invented,
        facts=label_facts(scenario, tag),
        paper="Letter" if paper == "letter" else "A4",
    )
