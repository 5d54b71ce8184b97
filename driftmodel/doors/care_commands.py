"""The commands advise, compare and page."""

from __future__ import annotations

import json
from pathlib import Path

import click

from driftmodel.base.errors import BadInput
from driftmodel.doors.shared import (
    as_of_option,
    case_named,
    clear_progress,
    ensemble_options,
    folder_named,
    say,
    shared_options,
    show_progress,
    shows_progress,
    silent,
)


@click.command()
@click.argument("scenario")
@ensemble_options
@shared_options
def advise(
    scenario: str,
    draws: int | None,
    seed: int | None,
    what_if: str | None,
    when: str | None,
    out: Path | None,
    units: str,
    quiet: bool,
    as_json: bool,
) -> None:
    """What humidity care is worth for this guitar in this place.

    SCENARIO is the name of a shipped scenario or the path of a TOML file. Writes a report and the owner's sheet
    (sheet.html, one page to print) into a folder, advice-NAME unless --out says otherwise.
    """
    from driftmodel.report.folder import check_folder

    case = case_named(scenario, what_if, when)
    chosen = case.scenario
    folder = out or folder_named("advice", chosen.name)
    check_folder(folder)
    from driftmodel.advice.care import advise as run
    from driftmodel.report.advice_report import write_advice
    from driftmodel.report.advice_words import advice_json, advice_terminal

    show = shows_progress(quiet, as_json)
    told = show_progress if show else silent
    advice = run(chosen, draws, seed, unknowns=case.learned(draws), progress=told)
    written = write_advice(advice, chosen, folder, units, case.tag)
    clear_progress(show)
    if as_json:
        say(json.dumps(advice_json(advice) | {"files": [str(path) for path in written]}, indent=2), quiet)
        return
    say(advice_terminal(advice, units), quiet)
    say(f"\nReport: {folder / 'report.html'}\nFor the owner: {folder / 'sheet.html'}", quiet)


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
    out: Path | None,
    units: str,
    quiet: bool,
    as_json: bool,
) -> None:
    """What-ifs side by side, on common random numbers.

    Every SCENARIO, and the first with each --what-if, against the first. Several levers on one what-if are joined by
    commas: --what-if "place=damp_coast, humidifier=45". Writes a report into compare-NAME unless --out says otherwise.
    """
    from driftmodel.outlook.levers import lever_lines, parse_what_if

    if list_them:
        say(lever_lines(), quiet)
        return
    if not scenarios:
        raise BadInput(
            "no scenario was named",
            "two scenarios, or one and a --what-if",
            mend='driftmodel compare first-winter --what-if "humidifier=45"',
        )
    from driftmodel.report.folder import check_folder

    cases = [case_named(name, None, when) for name in scenarios]
    chosen = [case.scenario for case in cases]
    chosen += [parse_what_if(chosen[0], words) for words in what_ifs]
    folder = out or folder_named("compare", chosen[0].name)
    check_folder(folder)
    from driftmodel.outlook.compare import compare as run
    from driftmodel.report.compare_report import write_comparison
    from driftmodel.report.compare_words import comparison_json, comparison_terminal

    show = shows_progress(quiet, as_json)
    told = show_progress if show else silent
    unknowns = cases[0].learned(draws) if all(case.folder == cases[0].folder for case in cases) else None
    table = run(chosen, draws, seed, told, unknowns)
    written = write_comparison(table, chosen, folder, units)
    clear_progress(show)
    if as_json:
        say(json.dumps(comparison_json(table) | {"files": [str(path) for path in written]}, indent=2), quiet)
        return
    say(comparison_terminal(table, units), quiet)
    say(f"\nReport: {folder / 'report.html'}", quiet)


@click.command()
@click.argument("folder", required=False, type=click.Path(path_type=Path, exists=True, file_okay=False))
@click.option("--port", type=click.IntRange(1024, 65535), default=8765, show_default=True, help="Port to answer on.")
@click.option("--open/--no-open", "open_browser", default=False, help="Open the browser too.")
@click.option("--quiet", is_flag=True, help="Print nothing but faults.")
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
        ready=lambda: say(f"Open http://{HOST}:{port}/ in a browser; Ctrl+C stops it.", quiet),
        folder=folder,
    )
