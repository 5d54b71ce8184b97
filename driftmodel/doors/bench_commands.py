"""The commands of one instrument: forecast, calibrate, grade and advise."""

from __future__ import annotations

from datetime import date
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from driftmodel.base.errors import BadInput, refusal
from driftmodel.doors.shared import PLACE, Terms, case_named, date_option, ensemble_options, listed, shared_options

if TYPE_CHECKING:
    from driftmodel.calibration.decide import Decision
    from driftmodel.record.case import Case


@click.command()
@click.argument("scenario", required=False)
@click.option("--list", "list_them", is_flag=True, help="Show the shipped scenarios, a line each.")
@click.option("--no-pictures", is_flag=True, help="A report of words, tables and data only: in half the time.")
@ensemble_options
@shared_options
def forecast(
    scenario: str | None,
    list_them: bool,
    no_pictures: bool,
    draws: int | None,
    seed: int | None,
    what_if: str | None,
    when: date | None,
    terms: Terms,
) -> None:
    """When a regrade is due, to which grade, and how sure that is.

    SCENARIO is the name of a shipped scenario, the path of a TOML file or the folder of a record, whose work and
    readings count. Writes a report (report.html), pictures, tables and data into a folder, forecast-NAME unless --out
    says otherwise."""
    if list_them:
        terms.say(_scenario_list(terms.as_json))
        return
    if scenario is None:
        raise refusal("no scenario was named. Needed: a scenario. Mend: driftmodel forecast first-winter")
    case = case_named(scenario, what_if, when)
    chosen = case.scenario
    folder = terms.folder("forecast", chosen.name)
    from driftmodel.outlook.drift import forecast as run
    from driftmodel.report.ensemble import forecast_json
    from driftmodel.report.words import terminal_summary

    result = run(chosen, draws, seed, unknowns=case.learned(draws), progress=terms.progress)
    if not terms.as_json:
        terms.answer(lambda: terminal_summary(result, chosen, terms.units), dict)
    from driftmodel.report.document import write_report

    terms.progress("report: figures, tables, data")
    write_report(result, chosen, folder, terms.units, not no_pictures)
    terms.answer(
        lambda: f"\nReport: {folder / 'report.html'}", lambda: forecast_json(result, chosen) | {"folder": str(folder)}
    )


def _scenario_list(as_json: bool) -> str:
    from driftmodel.base.scenarios import load_scenario, shipped

    known = [load_scenario(name) for name in shipped()]
    rows = [{"name": one.name, "title": one.title, "summary": one.summary} for one in known]
    return listed(rows, as_json, "All invented; the weather in them is real where it names a weather file.")


def read_with(case: Case, readings: Path | None, when: date | None) -> Case:
    """The case with a readings file taken in: after a record's own readings; as of a day, the last reading's where
    there is no record and no day told."""
    if readings is None:
        return case
    from dataclasses import replace

    from driftmodel.calibration.readings import read_readings

    book = case.book.with_more(read_readings(readings, case.scenario, when))
    own = book.carried_by(case.scenario, case.scenario.today or when)
    return replace(case, scenario=own, book=book)


@click.command()
@click.argument("scenario")
@click.option("--readings", type=PLACE, help="The bench's readings, a CSV file; a record has its own.")
@click.option("--next-reading", is_flag=True, help="Also say which reading, taken when, would tell most.")
@click.option("--forecast", "and_forecast", is_flag=True, help="Also write the forecast as narrowed by the readings.")
@date_option("Day the years ahead count from; the last reading's, of a record today.")
@click.option(
    "--home", "homes", multiple=True, metavar="PLACE", help="Where it may have lived; several are weighed, any is all."
)
@shared_options
def calibrate(
    scenario: str,
    readings: Path | None,
    homes: tuple[str, ...],
    next_reading: bool,
    and_forecast: bool,
    when: date | None,
    terms: Terms,
) -> None:
    """Learn one instrument from its bench readings.

    Writes what was learned (text, data, picture) into a folder, calibration-NAME unless --out says otherwise. Places
    and days that are not known are weighed by the readings; --forecast is then of all, as likely as they make each."""
    from driftmodel.calibration.alternatives import lives_of, weigh_lives
    from driftmodel.calibration.diagnosis import diagnose
    from driftmodel.outlook.air_levers import homes_named
    from driftmodel.report import calibration_words as words

    case = read_with(case_named(scenario, None, when), readings, when)
    chosen, book = case.scenario, case.book
    if not book.readings:
        mend = f'driftmodel record add {scenario} "action 2.4 mm"' if case.folder else "--readings bench.csv"
        raise refusal(f"no reading to learn from. Needed: a readings file, or a record with readings. Mend: {mend}")
    folder = terms.place("calibration", chosen.name)
    report = folder / "forecast"
    if and_forecast:
        from driftmodel.report.folder import check_folder

        check_folder(report)
    lives = weigh_lives(lives_of(chosen, homes_named(homes), book), book, progress=terms.progress)
    posterior, found = lives.likeliest, lives.calibration()
    told = diagnose(posterior, found.fitted)
    written = list(words.write_calibration(found, told, folder, terms.units))
    if and_forecast:
        from driftmodel.outlook.drift import forecast as run
        from driftmodel.report.document import write_report

        ahead, draws, weathers = lives.ahead()
        written += write_report(run(ahead, unknowns=draws, weathers=weathers), ahead, report, terms.units)[:1]
    from driftmodel.calibration.shown import worth_reading
    from driftmodel.report.texts import wrapped

    terms.answer(
        lambda: wrapped(
            words.calibration_summary(found, told, terms.units, worth_reading(chosen, found) if next_reading else ())
        ),
        lambda: words.calibration_json(found, told),
    )
    terms.written(*written)


@click.command()
@click.argument("scenarios", nargs=-1, required=True, metavar="SCENARIO...")
@click.option(
    "--reading", "given", multiple=True, metavar="WORDS", help='Such as "action 2.9 mm at 38 % 21 C after 2 h".'
)
@date_option("Day of the reading, such as 2027-03-01; today if not given.")
@click.option("--readings", type=PLACE, help="Earlier readings, a CSV file.")
@click.option(
    "--years", type=click.IntRange(1, 40), default=5, show_default=True, help="Years the grade is to stay right."
)
@click.option("--home", "homes", multiple=True, metavar="PLACE", help="Where it may go; several make a mix of homes.")
@shared_options
def grade(
    scenarios: tuple[str, ...],
    given: tuple[str, ...],
    when: date | None,
    readings: Path | None,
    years: int,
    homes: tuple[str, ...],
    terms: Terms,
) -> None:
    """Which spacer stays right; what a reading calls for.

    The spacer that stays right where the instrument goes; with --reading, what today's reading calls for.

    Several scenarios make a shipment: a line for each."""
    from dataclasses import asdict

    from driftmodel.report.calibration_words import plain_json
    from driftmodel.report.grade_words import place_summary, shipment_summary

    cases = [case_named(name, None, when if len(scenarios) == 1 else None) for name in scenarios]
    if (given or readings) and len(cases) > 1:
        raise BadInput(
            "a reading and several scenarios", "one scenario for a reading", mend=f"driftmodel grade {scenarios[0]}"
        )
    if (given or readings) and homes:
        raise refusal(
            "a reading and --home. Needed: a reading, judged where the instrument lives, or where it may go, with the "
            f"readings of its record. Mend: driftmodel grade {scenarios[0]} --home {homes[0]}"
        )
    if given or readings or (len(cases) == 1 and cases[0].book.readings and not homes):
        text, data = _decided(cases[0], given, when, readings, terms.units)
    else:
        from driftmodel.base.scenarios import climate_named
        from driftmodel.outlook.place import grade_for_place

        places = [climate_named(home) for home in homes]
        tables = [grade_for_place(each.scenario, each.learned(), years, homes=places) for each in cases]
        text = place_summary(tables[0], terms.units) if len(tables) == 1 else shipment_summary(tables)
        data = [plain_json(asdict(table)) for table in tables]
    terms.answer(lambda: text, lambda: data, "grade")


def _decided(
    case: Case, given: tuple[str, ...], when: date | None, readings: Path | None, units: str
) -> tuple[str, Any]:
    """Weather or drift: the decision about today's reading, or about where earlier ones left it."""
    from driftmodel.report.grade_words import decision_json, decision_summary

    decision, taken = decided(case, given, when, readings)
    text = decision_summary(decision, units)
    return text + (f"\nTaken: {'; '.join(taken)}." if taken else ""), decision_json(decision)


def decided(
    case: Case, given: tuple[str, ...], when: date | None, readings: Path | None = None
) -> tuple[Decision, tuple[str, ...]]:
    """The decision about what the bench says of today, with the action's path, and what was taken where nothing was
    said. Raises BadInput."""
    from driftmodel.calibration.bench import make_bench
    from driftmodel.calibration.decide import decide_unread, weather_or_drift
    from driftmodel.calibration.readings import read_readings
    from driftmodel.calibration.said import reading_said
    from driftmodel.calibration.shown import calibrate as fit
    from driftmodel.outlook.calendar import fitted_spacer

    scenario, book = case.scenario, case.book
    day = when or date.today()
    if readings is not None:
        book = book.with_more(read_readings(readings, scenario, day))
    if not given and not book.readings:
        raise refusal('no reading of today was given. Needed: a reading. Mend: --reading "action=2.9 mm"')
    scenario = book.carried_by(scenario, day)
    if not given:
        return decide_unread(scenario, book, day, drawn=True), ()
    said = [reading_said(words, scenario, day, fitted_spacer(scenario)) for words in given]
    bench = make_bench(scenario, day, book)
    known = fit(scenario, book, bench=bench) if book.readings else None
    taken = tuple(dict.fromkeys(words for _, each in said for words in each))
    return weather_or_drift(scenario, tuple(row for row, _ in said), known, bench=bench, drawn=True), taken


@click.command()
@click.argument("scenario")
@ensemble_options
@shared_options
def advise(
    scenario: str, draws: int | None, seed: int | None, what_if: str | None, when: date | None, terms: Terms
) -> None:
    """What humidity care is worth for this guitar in this place.

    SCENARIO is the name of a shipped scenario or the path of a TOML file. Writes a report and the owner's sheet
    (sheet.html, one page to print) into a folder, advice-NAME unless --out says otherwise."""
    case = case_named(scenario, what_if, when)
    chosen = case.scenario
    folder = terms.folder("advice", chosen.name)
    from dataclasses import asdict

    from driftmodel.advice.care import advise as run
    from driftmodel.report.advice_report import write_advice
    from driftmodel.report.advice_words import advice_terminal

    advice = run(chosen, draws, seed, unknowns=case.learned(draws), progress=terms.progress)
    written = write_advice(advice, chosen, folder, terms.units, case.tag)
    where = f"Report: {folder / 'report.html'}\nFor the owner: {folder / 'sheet.html'}"
    terms.answer(
        lambda: f"{advice_terminal(advice, terms.units)}\n\n{where}",
        lambda: asdict(advice) | {"files": [str(path) for path in written]},
    )
