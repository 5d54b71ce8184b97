"""The advice as a folder: its report and pictures, table and data; and papers to print, in both units: the owner's
sheet in plain words, and the label for inside the instrument, with what the next bench must know."""

from __future__ import annotations

import json
from dataclasses import asdict
from pathlib import Path

import numpy as np

from driftmodel.advice.records import Advice
from driftmodel.base import __version__
from driftmodel.base.records import Scenario
from driftmodel.base.scenario_file import Tag
from driftmodel.base.schema import Figure
from driftmodel.outlook.calendar import action_work_mm, fitted_lift_mm, fitted_spacer
from driftmodel.report import advice_words, pictures, texts
from driftmodel.report.folder import made_by, write_page, write_whole
from driftmodel.report.texts import both_lengths, during, markup, months_words, said
from driftmodel.report.words import when_sentence

#: names of papers, as a style sheet has them
PAPERS = {"letter": "Letter", "a4": "A4"}


def write_advice(advice: Advice, scenario: Scenario, out_dir: Path, units: str, tag: Tag | None = None) -> list[Path]:
    """Writes the folder whole or not at all and returns its paths. tag: of a record, for the owner's sheet."""
    invented = ("Guitar and place are invented, for demonstration.",) if scenario.invented else ()
    blocks = dict(advice_words.advice_blocks(advice, units))
    outcomes = [advice.now, *(each.outcome for each in advice.measures)]
    at_risk = any(each.months_outside for each in outcomes)  # else there is nothing to draw of the measures

    def figures() -> dict[str, Figure]:
        drawn = {"air": air_and_band(advice)} | ({"measures": measures(advice)} if at_risk else {})
        return drawn | {"fluctuations": fluctuations(advice)}

    def fill(folder: Path) -> None:
        write_page(
            folder,
            "advice",
            figures,
            over="Humidity care",
            title=advice.title,
            under=(scenario.summary, f"Lives in: {scenario.stays[-1].climate.title}", *invented),
            mood="leave" if advice.kind == "steady" else "regrade",
            head=texts.worded("advice_heads")[advice.kind],
            lead=blocks["Advice"],
            facts=[(head, blocks[head]) for head in ("Keep", "At risk", "As it is")],
            limits=(blocks["How sure"], *texts.limits("settling", "chances")),
            foot=made_by(f"seed {advice.seed}, {advice.draws} runs"),
            blocks=blocks,
            advice=advice,
            measured=advice_words.measure_table(advice, units),
        )
        (folder / "sheet.html").write_text(
            owner_sheet(scenario, advice, tag, "letter" if units == "inch" else "a4"), encoding="utf-8"
        )
        table = texts.comma_text(advice_words.measure_table(advice, units))
        (folder / "measures.csv").write_text(table, encoding="utf-8")
        data = json.dumps(asdict(advice), indent=2, ensure_ascii=False)
        (folder / "advice.json").write_text(data + "\n", encoding="utf-8")

    return write_whole(out_dir, fill)


def air_and_band(advice: Advice) -> Figure:
    """Relative humidity by month, the band to keep tinted, the wood's limits dashed and named at the right."""
    figure, axes = pictures.blank(7.2, 3.4)
    points = np.array([each.humidity_pct for each in advice.months]).T
    axes.axhspan(*advice.keep, color=pictures.ZONE, linewidth=0, label="keep it here")
    pictures.band(axes, range(12), points, "eight days in ten", "middle day", alpha=0.8, marker="o", markersize=3.5)
    wood = advice.bands[1]
    for at, words in ((wood.low_pct, "wood takes\na set below"), (wood.high_pct, "wood takes\na set above"),
                      (wood.strength_low_pct, "may split\nbelow")):  # fmt: skip
        if 0.0 < at < 100.0:
            axes.axhline(at, color=pictures.LASTING_LINE, linewidth=0.9, linestyle=(0, (6, 3)))
            pictures.note(axes, words, (1.0, at), (5, 0), pictures.BESIDE, va="center")
    axes.set_ylim(0, 100)
    axes.set_xlim(-0.5, 11.5)
    axes.set_xticks(range(12), pictures.MONTHS)
    axes.set_ylabel("Relative humidity around it (%)")
    pictures.key_below(figure, 3)
    return figure


def measures(advice: Advice) -> Figure:
    """For the air as it is and each measure: months at risk, dry solid and damp hatched."""
    rows = [("as it is", advice.now)] + [(m.key, m.outcome) for m in advice.measures if m.key != "off the wall"]
    figure, axes = pictures.blank(7.2, 0.9 + 0.42 * len(rows))
    dry = np.array([len(each.dry_months) for _, each in rows])
    damp = np.array([len(each.damp_months) for _, each in rows])
    pictures.end_to_end(
        axes,
        (("too dry", dry, {"color": pictures.LASTING, "edgecolor": pictures.LASTING_LINE, "linewidth": 0.7}),
         ("too damp", damp, {"color": "white", "edgecolor": pictures.SEASON_LINE, "linewidth": 0.7, "hatch": "////"})),
        len(rows), 0.6,
    )  # fmt: skip
    for at, total in enumerate(dry + damp):
        pictures.note(axes, f"{total}", (total, at), (4, 0), va="center")
    pictures.named_rows(axes, [words for words, _ in rows], 28)
    axes.set_xlim(0, 12.6)
    axes.set_xticks(range(0, 13, 2))
    axes.set_xlabel("Months of the year at risk")
    axes.tick_params(axis="y", length=0)
    axes.spines["left"].set_color(pictures.QUIET)
    pictures.key_below(figure, 2)
    return figure


def fluctuations(advice: Advice) -> Figure:
    """A year's daily relative humidity in the band of EN 15757; winter and summer named along the foot."""
    from matplotlib.dates import DateFormatter, MonthLocator

    band = advice.historic
    figure, axes = pictures.blank(7.2, 3.0)
    day = np.datetime64(band.first_day) + np.arange(len(band.daily_pct))
    axes.fill_between(day, band.low_pct, band.high_pct, color=pictures.ZONE, linewidth=0, label="band of EN 15757")
    axes.plot(day, band.daily_pct, color=pictures.SEASON_LINE, linewidth=0.9, label="mean of each day")
    axes.set_ylim(0, 100)
    axes.set_xlim(day[0], day[-1])
    axes.xaxis.set_major_locator(MonthLocator())  # type: ignore[no-untyped-call]
    axes.xaxis.set_major_formatter(DateFormatter("%b"))  # type: ignore[no-untyped-call]
    axes.set_ylabel("Relative humidity around it (%)")
    pictures.key_below(figure, 2)
    return figure


def owner_sheet(scenario: Scenario, advice: Advice, tag: Tag | None = None, paper: str = "a4") -> str:
    """The sheet as one HTML page with nothing to fetch; it prints on one page of A4 or Letter. tag: of a record, for
    the label's facts on it."""
    return markup(
        "sheet.html",
        scenario=scenario,
        advice=advice,
        sections=sheet_sections(scenario, advice),
        facts=label_facts(scenario, tag),
        paper=PAPERS[paper],
        cautions=said("sheet_cautions"),
        version=__version__,
    )


def sheet_sections(scenario: Scenario, advice: Advice) -> list[tuple[str, list[str]]]:
    """(head, lines): what to keep, what to watch, when to come back. What is told is of the air advised; where that
    is not the air as it is, that is told too."""
    rule, now = scenario.rule, advice.now
    best = next((each for each in advice.measures if each.key == advice.best), None)
    kept = now if best is None else best.outcome
    if best is not None:
        keep = [f"{best.words}{', ' + during(best.months) if len(best.months) < 12 else ''}."]
    else:
        keep = [texts.said("keep_as_now" if advice.kind == "steady" else "keep_from_damp")]
    keep += [texts.filled("keep_driest", months=months_words(now.dry_months))] if now.dry_months else []
    keep += [texts.filled("keep_dampest", months=months_words(now.damp_months))] if now.damp_months else []
    keep.append(texts.said("keep_away"))
    swing = f"about {both_lengths(kept.action_swing_mm)} over a year"
    if best is not None:
        swing += f" when kept so ({both_lengths(now.action_swing_mm)} when not)"
    watch = [texts.filled("watch_swing", swing=swing), *texts.said("watch_always")]
    dates = [np.datetime64(day or "NaT") for day in kept.first_due]
    due = when_sentence(dates, 1.0 - kept.no_regrade, advice.horizon_years, advice.southern, scenario.today)
    if best is not None:
        spacer = f" with spacer {kept.suited}" if kept.suited else ""
        watch.append(texts.filled("watch_kept_so", spacer=spacer, kept=kept, now=now, years=advice.horizon_years))
        due = f"Kept so: {due[0].lower()}{due[1:]}"
    low, high = both_lengths(rule.action_low_mm), both_lengths(rule.action_high_mm)
    back = texts.filled("back", low=low, high=high, days=rule.days_outside, due=due).splitlines()
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
    return markup("label.html", scenario=scenario, facts=label_facts(scenario, tag), paper=PAPERS[paper])
