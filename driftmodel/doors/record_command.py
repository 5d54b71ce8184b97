"""The commands record new, add, show, label and list; and learn: what many instruments of one workshop teach."""

from __future__ import annotations

import sys
from datetime import date
from pathlib import Path
from typing import TYPE_CHECKING

import click

from driftmodel.base.errors import BadInput, Spot, refusal
from driftmodel.doors.shared import (
    PLACE,
    Suggesting,
    Terms,
    date_option,
    quiet_option,
    shared_options,
    units_option,
    workers_option,
)

if TYPE_CHECKING:
    from driftmodel.calibration.claimed import Claim
    from driftmodel.calibration.pooled import Known


as_of_this_day = date_option("As of this day; today if not given.")


@click.group(cls=Suggesting)
def record() -> None:
    """One instrument's record: readings, work, moves.

    A record is a folder of two plain files, record.toml and bench.csv. Every other command takes it in the place of a
    scenario, with all work in it, as of today."""


@record.command()
@click.argument("folder", type=PLACE)
@click.option("--design", help="A shipped design or an instrument file.")
@click.option("--home", help="A shipped place or a climate file.")
@click.option("--set-up", "set_up", metavar="DATE", help="Day of the set-up.")
@click.option("--action", metavar="LENGTH", help='Action at the 12th fret then, such as "2.3 mm" or 5/64.')
@click.option("--spacer", help="Label of the spacer fitted then.")
@click.option("--humidity", metavar="PCT", help="Humidity it was closed and set up in; usual if not told.")
@click.option("--saddle-room", "saddle_room", metavar="LENGTH", help="What could be taken off the saddle then.")
@click.option("--serial", help="Serial number.")
@click.option("--owner", help="A label for the owner.")
@click.option("--title", help="What to call it; the folder's name if not told.")
@click.option("--workshop", help="The workshop's name, for label and sheet.")
@units_option
@quiet_option
def new(folder: Path, units: str, quiet: bool, **told: str | None) -> None:
    """Start a record; asks for what is not told.

    Also draws the instrument into FOLDER (drawing.png), to see that it is the right one."""
    from driftmodel.record.add import QUESTIONS, create
    from driftmodel.record.case import open_record
    from driftmodel.record.words import show as shown

    answers = {name: value for name, value in told.items() if value}
    if sys.stdin.isatty() and not quiet:
        for name, asked in QUESTIONS.items():
            if name not in answers:
                given = click.prompt(f"{asked.words} (such as {asked.example})", default="", show_default=False).strip()
                answers |= {name: given} if given else {}
    create(folder, answers)
    case = open_record(folder)
    from driftmodel.report.design_figures import drawing
    from driftmodel.report.folder import write_files
    from driftmodel.report.pictures import png

    (picture,) = write_files(folder, {"drawing.png": png(lambda: drawing(case.scenario.instrument, units))})
    terms = Terms(None, units, quiet, False)
    terms.say(f"{shown(case, units)}\n\nWritten: {folder / 'record.toml'}, {folder / 'bench.csv'}, {picture}")


@record.command(context_settings={"ignore_unknown_options": True})
@click.argument("folder", type=PLACE)
@click.argument("sayings", nargs=-1, required=False, metavar="WORDS...")
@date_option("Day it was read or done; today if not given.")
@click.option("--note", default="", help="A note kept with it.")
@units_option
@quiet_option
def add(folder: Path, sayings: tuple[str, ...], when: date | None, note: str, units: str, quiet: bool) -> None:
    """Add a reading, work or a move, as the bench says it.

    \b
    driftmodel record add ada "action 7/64 in at 38 % 21 C after 2 h"
    driftmodel record add ada "spacer K" "saddle -0.5 mm" "action 2.4 mm with rule"
    driftmodel record add ada "truss rod" --date 2027-03-01 --note "a quarter turn"
    driftmodel record add ada "moved to damp_coast"

    Several are written in the order said: a reading before work, then one after it. All of it or nothing."""
    from driftmodel.record.add import add as put
    from driftmodel.record.case import folder_of

    own = folder_of(folder)
    if not sayings and not note:
        raise refusal(
            f'nothing to add. Needed: a reading, work or a move. Mend: driftmodel record add {folder} "action 2.4 mm"'
        )
    added = put(own, sayings, when or date.today(), note)
    lines = [f"Written  {line}" for line in added.lines]
    lines += [f"Taken: {'; '.join(added.taken)}."] if added.taken else []
    Terms(None, units, quiet, False).say("\n".join([*lines, *(f"Noticed: {one}" for one in added.case.book.remarks)]))


@record.command()
@click.argument("folder", type=PLACE)
@as_of_this_day
@shared_options
def show(folder: Path, when: date | None, terms: Terms) -> None:
    """What a record holds, as of a day."""
    from driftmodel.record.case import folder_of, open_record
    from driftmodel.record.words import record_json
    from driftmodel.record.words import show as shown

    case = open_record(folder_of(folder), when)
    terms.answer(lambda: shown(case, terms.units), lambda: record_json(case), "record")


@record.command()
@click.argument("folder", type=PLACE)
@click.option("--paper", type=click.Choice(["a4", "letter"]), default="a4", show_default=True)
@click.option("--out", type=PLACE, metavar="DIR", help="Folder to write into; the record's own.")
@quiet_option
def label(folder: Path, paper: str, out: Path | None, quiet: bool) -> None:
    """The label for inside the instrument, to print and cut out.

    The owner's sheet with the same facts is written by driftmodel advise FOLDER."""
    from driftmodel.record.case import folder_of, open_record
    from driftmodel.report.advice_report import label_page
    from driftmodel.report.folder import write_files

    own = folder_of(folder)
    case = open_record(own)
    (written,) = write_files(out or own, {"label.html": label_page(case.scenario, case.tag, paper)})
    Terms(out, "metric", quiet, False).say(f"Written: {written}")


@record.command(name="list")
@click.argument("folder", type=PLACE, default=Path("."))
@as_of_this_day
@shared_options
def list_(folder: Path, when: date | None, terms: Terms) -> None:
    """The call list: who is due, whom to ring before the dry season, what to ask.

    FOLDER holds the records' folders; the folder you stand in if not given."""
    from driftmodel.record.words import call_list, calls_json, calls_words

    calls = call_list(folder, when or date.today(), terms.progress, terms.units)
    terms.answer(lambda: calls_words(calls, terms.units), lambda: calls_json(calls), "calls")


@click.command()
@click.argument("folder", type=PLACE)
@workers_option
@shared_options
def learn(folder: Path, workers: int, terms: Terms) -> None:
    """Learn from many instruments what one cannot tell.

    FOLDER holds records, or NAME.toml (a scenario) and NAME.csv (its readings) for each instrument; a
    claims.csv among them (scenario,sold,until,regraded,count) counts as evidence on the drift. Writes
    learned.toml, text, data and a picture into a folder, learned-NAME unless --out says otherwise. A scenario takes
    the numbers over with one line: learned = "learned-NAME/learned.toml"."""
    from driftmodel.base.workers import Crew
    from driftmodel.calibration.pooled import learn_from
    from driftmodel.report import learning_words as words

    cases = instruments_in(folder)
    pooled = learn_from(cases, Crew(workers), terms.progress, claims=claims_in(folder))
    name = folder.resolve().name
    place = terms.place("learned", name)
    written = words.write_learning(pooled, place, f"What {len(cases)} instruments of {name} taught")
    terms.answer(lambda: words.learning_summary(pooled), lambda: words.learning_json(pooled))
    terms.written(*written)
    if not terms.as_json:
        terms.say(f'In a scenario: learned = "{written[0]}"')


def claims_in(folder: Path) -> tuple[Claim, ...]:
    """The claims of a folder, none where it has no claims.csv. Raises BadInput for a fault in it."""
    from driftmodel.calibration.claimed import CLAIMS, read_claims

    return read_claims(folder / CLAIMS) if (folder / CLAIMS).is_file() else ()


def instruments_in(folder: Path) -> tuple[Known, ...]:
    """The instruments of a folder: its records, and each NAME.csv of readings with its scenario NAME.toml beside it.

    Raises BadInput where the folder has none, a file of the pair is missing, or one is at fault."""
    from driftmodel.base.scenario_file import is_record
    from driftmodel.base.scenarios import load_scenario
    from driftmodel.calibration.claimed import CLAIMS
    from driftmodel.calibration.pooled import Known
    from driftmodel.calibration.readings import read_readings
    from driftmodel.record.case import open_case

    if not folder.is_dir():
        raise BadInput("no such folder", "a folder of instruments", file=folder, mend="driftmodel learn my-workshop")
    found = []
    for place in sorted(folder.iterdir()):
        if place.is_dir() and is_record(place):
            case = open_case(place)
            found.append(Known(place.name, case.scenario, case.book))
        elif place.suffix == ".csv" and not place.name.startswith(".") and place.name != CLAIMS:
            told = place.with_suffix(".toml")
            if not told.is_file():
                raise Spot(place).refusal(
                    f"readings without their instrument: there is no {told.name}. Needed: the instrument's scenario "
                    f"beside its readings. Mend: cp my-guitar.toml {told}"
                )
            scenario = load_scenario(told)
            found.append(Known(place.stem, scenario, read_readings(place, scenario)))
    if not found:
        raise Spot(folder).refusal(
            "no instrument in the folder. Needed: records, or for each instrument NAME.toml (its scenario) and "
            "NAME.csv (its readings). Mend: driftmodel record new --help"
        )
    return tuple(found)
