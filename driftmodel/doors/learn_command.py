"""The command learn: numbers that many instruments of one workshop teach."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import click

from driftmodel.base.errors import BadInput
from driftmodel.doors.shared import Terms, shared_options

if TYPE_CHECKING:
    from driftmodel.calibration.workshop import Known


@click.command()
@click.argument("folder", type=click.Path(path_type=Path))
@click.option("--workers", type=click.IntRange(1, 256), default=1, show_default=True, help="Processes on this machine.")
@shared_options
def learn(folder: Path, workers: int, terms: Terms) -> None:
    """Learn from many instruments what one cannot tell.

    FOLDER holds records, or NAME.toml (a scenario) and NAME.csv (its readings) for each instrument. Writes
    learned.toml, text, data and a picture into a folder, learned-NAME unless --out says otherwise. A scenario takes
    the numbers over with one line: learned = "learned-NAME/learned.toml".
    """
    from driftmodel.calibration.workshop import learn_from
    from driftmodel.report import learning_words as words

    cases = instruments_in(folder)
    pooled = learn_from(cases, workers, terms.progress)
    place = terms.out or Path(f"learned-{folder.resolve().name}")
    written = words.write_learning(pooled, place, f"What {len(cases)} instruments of {folder.resolve().name} taught")
    terms.answer(lambda: words.learning_summary(pooled), lambda: words.learning_json(pooled))
    terms.written(*written)
    if not terms.as_json:
        terms.say(f'In a scenario: learned = "{written[0]}"')


def instruments_in(folder: Path) -> tuple[Known, ...]:
    """The instruments of a folder: its records, and each NAME.csv of readings with its scenario NAME.toml beside it.

    Raises BadInput where the folder has none, a file of the pair is missing, or one is at fault.
    """
    from driftmodel.base.record_file import is_record
    from driftmodel.base.scenarios import load_scenario
    from driftmodel.calibration.readings import read_readings
    from driftmodel.calibration.workshop import Known
    from driftmodel.record.case import open_case

    if not folder.is_dir():
        raise BadInput("no such folder", "a folder of instruments", file=folder, mend="driftmodel learn my-workshop")
    found = []
    for place in sorted(folder.iterdir()):
        if place.is_dir() and is_record(place):
            case = open_case(place)
            found.append(Known(place.name, case.scenario, case.book))
        elif place.suffix == ".csv" and not place.name.startswith("."):
            told = place.with_suffix(".toml")
            if not told.is_file():
                raise BadInput(
                    f"readings without their instrument: there is no {told.name}",
                    "the instrument's scenario beside its readings",
                    file=place,
                    mend=f"cp my-guitar.toml {told}",
                )
            scenario = load_scenario(told)
            found.append(Known(place.stem, scenario, read_readings(place, scenario)))
    if not found:
        raise BadInput(
            "no instrument in the folder",
            "records, or for each instrument NAME.toml (its scenario) and NAME.csv (its readings)",
            file=folder,
            mend="driftmodel record new --help",
        )
    return tuple(found)
