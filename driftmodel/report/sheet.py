"""The owner's sheet: one page in plain words, both units, fit to print."""

from __future__ import annotations

from importlib.resources import files
from typing import TYPE_CHECKING

from driftmodel.advice.records import Advice
from driftmodel.base.records import Scenario
from driftmodel.base.units import length_words
from driftmodel.base.version import __version__
from driftmodel.report.phrases import months_words
from driftmodel.report.words import when_words

if TYPE_CHECKING:
    from xarray import Dataset

CAUTIONS = (
    "Never leave it in a parked car, in the sun, by a heater or a fire.",
    "Clean a humidifier and change its water weekly; keep water away from sockets and leads, and unplug it to fill it.",
    "A room kept above 60 to 65 % grows mould on its cold walls: look there.",
    "Do not slacken the neck bolts or file the saddle yourself; strings under pull can whip.",
    "This sheet gives way to a qualified repairer who has the guitar in hand, and to local rules.",
)


def both_lengths(length_mm: float) -> str:
    """A length in both units: '2.00 mm (0.079 in)'."""
    return f"{length_words(length_mm, 'metric')} ({length_words(length_mm, 'inch')})"


def owner_sheet(fc: Dataset, scenario: Scenario, advice: Advice) -> str:
    """The sheet as one HTML page with nothing to fetch; it prints on one page of A4 or letter."""
    from jinja2 import Environment, StrictUndefined

    text = files("driftmodel.report").joinpath("sheet.html").read_text(encoding="utf-8")
    template = Environment(autoescape=True, undefined=StrictUndefined).from_string(text)
    return template.render(
        title=scenario.title,
        invented=scenario.invented,
        keep=f"{advice.keep[0]:.0f} to {advice.keep[1]:.0f} %",
        keep_line="relative humidity, by a small hygrometer kept beside the guitar. Check the hygrometer once a year.",
        sections=sheet_sections(fc, scenario, advice),
        cautions=CAUTIONS,
        version=__version__,
        seed=advice.seed,
        draws=advice.draws,
    )


def sheet_sections(fc: Dataset, scenario: Scenario, advice: Advice) -> list[tuple[str, list[str]]]:
    """(head, lines): what to keep, what to watch, when to come back."""
    rule, now = scenario.rule, advice.now
    keep = []
    if advice.best:
        best = next(each for each in advice.measures if each.key == advice.best)
        keep.append(f"{best.words}{', ' + months_words(best.months) if len(best.months) < 12 else ''}.")
    else:
        keep.append(
            "Keep it where it is kept now." if advice.kind == "steady" else "Keep it away from the dampest room."
        )
    if now.dry_months:
        keep.append(f"Driest: {months_words(now.dry_months)}. Put it back in its case after playing.")
    if now.damp_months:
        keep.append(f"Dampest: {months_words(now.damp_months)}. Air the case, and keep it off outer walls.")
    keep.append("Keep it away from heaters, fires, sunny windows and cold outer walls.")
    watch = [
        f"The action rises in damp and falls in dry air, by about {both_lengths(now.action_swing_mm)} over a year "
        "here. That comes back by itself.",
        "Dry: sharp fret ends, a sunken top behind the bridge, buzzing. Damp: a high, swollen top and a stiff action.",
        "A crack, a lifting bridge or a loose bar: slacken the strings and bring it in, at any time of year.",
    ]
    back = [
        "Once a year, in the same month and at the same humidity, measure the action and write it below.",
        f"Come back if it stays below {both_lengths(rule.action_low_mm)} or above {both_lengths(rule.action_high_mm)} "
        f"for {rule.days_outside} days while the air is inside the band above.",
        when_words(fc, scenario),
    ]
    return [("What to keep", keep), ("What to watch", watch), ("When to come back", back)]
