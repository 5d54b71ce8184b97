"""The commands advise, compare and page."""

from __future__ import annotations

from pathlib import Path

import click

from driftmodel.base.errors import BadInput
from driftmodel.doors.shared import (
    Asked,
    Terms,
    as_of_option,
    case_named,
    ensemble_options,
    quiet_option,
    shared_options,
)


@click.command()
@click.argument("scenario")
@ensemble_options
@shared_options
def advise(scenario: str, asked: Asked, terms: Terms) -> None:
    """What humidity care is worth for this guitar in this place.

    SCENARIO is the name of a shipped scenario or the path of a TOML file. Writes a report and the owner's sheet
    (sheet.html, one page to print) into a folder, advice-NAME unless --out says otherwise.
    """
    case = case_named(scenario, asked.what_if, asked.when)
    chosen = case.scenario
    folder = terms.folder("advice", chosen.name)
    from dataclasses import asdict

    from driftmodel.advice.care import advise as run
    from driftmodel.report.advice_report import write_advice
    from driftmodel.report.advice_words import advice_terminal

    advice = run(chosen, asked.draws, asked.seed, unknowns=case.learned(asked.draws), progress=terms.progress)
    written = write_advice(advice, chosen, folder, terms.units, case.tag)
    where = f"Report: {folder / 'report.html'}\nFor the owner: {folder / 'sheet.html'}"
    terms.answer(
        lambda: f"{advice_terminal(advice, terms.units)}\n\n{where}",
        lambda: asdict(advice) | {"files": [str(path) for path in written]},
    )


@click.command()
@click.argument("scenarios", nargs=-1, metavar="SCENARIO...")
@click.option(
    "--what-if", "what_ifs", multiple=True, metavar="LEVER=VALUE", help="Also the first with a lever moved; repeatable."
)
@click.option("--levers", "list_them", is_flag=True, help="Show the levers, a line each.")
@click.option("--draws", type=click.IntRange(10, 20000), help="Number of draws; the first scenario's own if not given.")
@click.option("--seed", type=click.IntRange(0), help="Seed of the draws; the first scenario's own if not given.")
@as_of_option
@shared_options
def compare(
    scenarios: tuple[str, ...],
    what_ifs: tuple[str, ...],
    list_them: bool,
    draws: int | None,
    seed: int | None,
    when: str | None,
    terms: Terms,
) -> None:
    """What-ifs side by side, on common random numbers.

    Every SCENARIO, and the first with each --what-if, against the first. Several levers on one what-if are joined by
    commas: --what-if "place=damp_coast, humidifier=45". Writes a report into compare-NAME unless --out says otherwise.
    """
    from driftmodel.outlook.levers import lever_lines, parse_what_if

    if list_them:
        terms.say(lever_lines())
        return
    if not scenarios:
        raise BadInput(
            "no scenario was named",
            "two scenarios, or one and a --what-if",
            mend='driftmodel compare first-winter --what-if "humidifier=45"',
        )
    cases = [case_named(name, None, when) for name in scenarios]
    chosen = [case.scenario for case in cases]
    chosen += [parse_what_if(chosen[0], words) for words in what_ifs]
    folder = terms.folder("compare", chosen[0].name)
    from driftmodel.outlook.compare import compare as run
    from driftmodel.report.compare_report import write_comparison
    from driftmodel.report.compare_words import comparison_json, comparison_terminal

    unknowns = cases[0].learned(draws) if all(case.folder == cases[0].folder for case in cases) else None
    table = run(chosen, draws, seed, terms.progress, unknowns)
    written = write_comparison(table, chosen, folder, terms.units)
    terms.answer(
        lambda: f"{comparison_terminal(table, terms.units)}\n\nReport: {folder / 'report.html'}",
        lambda: comparison_json(table) | {"files": [str(path) for path in written]},
    )


@click.command()
@click.argument("folder", required=False, type=click.Path(path_type=Path, exists=True, file_okay=False))
@click.option("--port", type=click.IntRange(1024, 65535), default=8765, show_default=True, help="Port to answer on.")
@click.option("--open/--no-open", "open_browser", default=False, help="Open the browser too.")
@quiet_option
def page(folder: Path | None, port: int, open_browser: bool, quiet: bool) -> None:
    """What-ifs and the bench in the browser, on this machine only.

    Serves a page on the loopback address; nothing leaves the machine. FOLDER holds your own records and scenarios; the
    page opens them, answers today's reading and runs what-ifs on them.
    Ctrl+C stops it.
    """
    try:
        import flask  # noqa: F401
        import waitress  # type: ignore[import-untyped]  # noqa: F401
    except ImportError:
        raise BadInput(
            "the page needs Flask and waitress, which are not installed",
            "the extra parts of the page",
            mend='pip install "driftmodel[page]"',
        ) from None
    from driftmodel.doors.page import serve
    from driftmodel.doors.page_guard import HOST

    serve(
        port,
        open_browser,
        ready=lambda: None if quiet else click.echo(f"Open http://{HOST}:{port}/ in a browser; Ctrl+C stops it."),
        folder=folder,
    )
