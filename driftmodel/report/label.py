"""The label for inside the instrument: what the next bench must know, in both units, to cut out of one sheet."""

from __future__ import annotations

from importlib.resources import files

from driftmodel.base.record_file import Tag
from driftmodel.base.records import Scenario
from driftmodel.outlook.work import action_work_mm, fitted_lift_mm, fitted_spacer
from driftmodel.report.phrases import both_lengths


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
