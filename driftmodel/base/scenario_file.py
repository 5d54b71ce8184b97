"""The shape of a scenario file: where an instrument lives from when on, how it left the bench, when to regrade; of an
instrument's record, record.toml in a folder of its own, short because what is usual need not be said (readings and work
stand beside it in bench.csv); and of the numbers that many instruments taught: `learned = "my-workshop.toml"`."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date, timedelta
from itertools import pairwise
from pathlib import Path
from typing import Annotated, Any

from driftmodel.base import library
from driftmodel.base.file_models import INVENTED, SEED, TITLE, YEARS_AHEAD, Faults, FileModel, Noun, day, key
from driftmodel.base.schema import MOST_SEED
from driftmodel.base.tomlfile import toml_text, validated


@dataclass(frozen=True)
class StayFile(Noun):
    start: Annotated[date, day("2026-09-01", "the day it begins", alias="from")]
    climate: Annotated[str, key('"cold_city_heated"', "where it lives from then on: a shipped name, or a file")]
    home: Annotated[str | None, key('"heated flat"', "a kind of home of which nothing else is known")] = None
    within_days: Annotated[int, key("30", "days its beginning may be off by; calibrate weighs which", ge=0, le=730)] = 0


@dataclass(frozen=True)
class StringEvent(Noun):
    start: Annotated[date, day("2030-06-01", "the day it begins", alias="from")]
    strings_on: Annotated[bool, key("false", "whether the strings are on from that day")]


@dataclass(frozen=True, kw_only=True)
class Setup(Noun):
    """How the instrument left the bench. built_*: the air the body was closed in; strung: strings first at pitch.
    workshop_humidity_pct: where it was closed, set up and kept in one air, that."""

    workshop_humidity_pct: Annotated[
        float | None, key("45.0", "humidity it was closed and set up in and kept at until it left", gt=1, le=95)
    ] = None
    strung: Annotated[date, day("2026-08-15", "day the strings first came to pitch")]
    setup: Annotated[date, day("2026-10-01", "day of the set-up all changes are counted from")]
    built_relative_humidity_pct: Annotated[
        float, key("45.0", "humidity the body was closed in; where workshop_humidity_pct stands, that", gt=1, le=95)
    ]
    action_12th_mm: Annotated[float, key("2.2", "action read at set-up: string over the 12th fret", gt=0.3, le=8)]
    action_reading_sd_mm: Annotated[
        float, key("0.05", "how well it was read, one sd; 0.4 where nobody did", ge=0, le=1)
    ]
    saddle_room_mm: Annotated[float, key("2.0", "how far the saddle could still be lowered", ge=0, le=15)]
    spacer: Annotated[str, key('"E"', "label of the spacer fitted at set-up")]
    built_temperature_c: Annotated[
        float, key("21.0", "temperature there", ge=0, le=40, alias="built_temperature_degc")
    ] = 21.0
    setup_within_days: Annotated[
        int, key("30", "days the day of set-up may be off by; calibrate weighs which", ge=0, le=730)
    ] = 0


@dataclass(frozen=True)
class Rule(Noun):
    """When a regrade is due: action at the 12th fret outside these, or saddle room below, for this many days."""

    action_low_mm: Annotated[float, key("1.7", "a regrade is due when the action stays below", gt=0, le=8)]
    action_high_mm: Annotated[float, key("2.7", "a regrade is due when the action stays above", gt=0, le=10)]
    saddle_room_least_mm: Annotated[float, key("0.5", "a regrade is due when less saddle is left", ge=0, le=10)]
    projection_tolerance_mm: Annotated[
        float, key("1.5", "how far the fret plane may be off at the saddle", gt=0, le=10)
    ]
    days_outside: Annotated[int, key("60", "days in a row outside before a regrade is due", ge=1, le=3650)]

    def faults(self) -> Faults:
        if self.action_low_mm >= self.action_high_mm:
            yield (
                "action_low_mm",
                f"action_low_mm {self.action_low_mm:g} and action_high_mm {self.action_high_mm:g}. Needed: "
                f"action_low_mm below action_high_mm. Mend: action_low_mm = {0.75 * self.action_high_mm:.2f}",
            )


@dataclass(frozen=True, kw_only=True, repr=False)
class ScenarioTable(Noun):
    """What a scenario's file and its record both say."""

    title: Annotated[str, key('"First winter"', TITLE)]
    summary: Annotated[str, key('"A new guitar goes to a heated house."', "one sentence that tells the story")]
    invented: Annotated[bool, key("false", INVENTED)]
    horizon_years: Annotated[int, key("20", YEARS_AHEAD, ge=1, le=60)]
    draws: Annotated[int, key("200", "runs of the same years, each with the unknowns drawn anew", ge=10, le=20000)] = (
        200
    )
    seed: Annotated[int, key("1", SEED, ge=0, le=MOST_SEED)]
    hysteresis: Annotated[bool, key("true", "whether wood remembers if it was wetter or drier before")] = True
    weather_members: Annotated[int, key("4", "different weathers the draws are shared out to", ge=1, le=50)] = 4
    setup: Setup
    rule: Rule


@dataclass(frozen=True, kw_only=True, repr=False)
class ScenarioFile(ScenarioTable):
    instrument: Annotated[str, key('"large_x_braced"', "a design: a shipped name, or a file beside this one")]
    learned: Annotated[
        str | None, key('"my-workshop/learned.toml"', "file of numbers that instruments before it taught")
    ] = None
    stay: Annotated[tuple[StayFile, ...], key("[[stay]] with from = 2026-08-01 and climate = ...", "", min_length=1)]
    event: Annotated[tuple[StringEvent, ...], key("[[event]]", "")] = ()

    def faults(self) -> Faults:
        if self.setup.strung > self.setup.setup:
            yield (
                "setup.strung",
                f"strung on {self.setup.strung}, set up on {self.setup.setup}. Needed: strung on or before the day of "
                f"set-up. Mend: strung = {self.setup.setup}",
            )
        if self.stay[0].start > self.setup.strung and self.setup.workshop_humidity_pct is None:
            yield (
                "stay.0.from",
                f"the first stay starts on {self.stay[0].start}. Needed: a first stay that starts on or before the day "
                f"the strings went on ({self.setup.strung}). Mend: from = {self.setup.strung}",
            )
        for number, (earlier, later) in enumerate(pairwise(self.stay), start=1):
            if later.start <= earlier.start:
                yield (
                    f"stay.{number}.from",
                    f"the stay from {later.start} stands after the one from {earlier.start}. Needed: stays in order of "
                    f"their dates, each later than the one before. Mend: from = {earlier.start + timedelta(days=1)}",
                )
        low, high = self.rule.action_low_mm, self.rule.action_high_mm
        if not low <= self.setup.action_12th_mm <= high:
            yield (
                "setup.action_12th_mm",
                f"an action of {self.setup.action_12th_mm:g} mm at set-up. Needed: an action at set-up inside the "
                f"rule's tolerance, {low:g} to {high:g} mm. Mend: action_12th_mm = {(low + high) / 2.0:.2f}",
            )


def closed_where_set_up(tree: Mapping[str, Any]) -> dict[str, Any]:
    """A scenario's tables with the humidity of its workshop as that the body was closed in, where no other is said."""
    setup = tree.get("setup")
    if isinstance(setup, dict) and "workshop_humidity_pct" in setup:
        setup = {"built_relative_humidity_pct": setup["workshop_humidity_pct"], **setup}
    return dict(tree) if setup is None else {**tree, "setup": setup}


@dataclass(frozen=True)
class LearnedPrior:
    """What many instruments taught about one unknown: median and spread (of its logarithm) of the next one's, and from
    what."""

    name: str
    median: float
    log_sd: float
    source: str


class NumberFile(FileModel):
    name: str = key('"residual_gain"')
    median: float = key("1.0", gt=0, le=1000)
    log_sd: float = key("0.4", gt=0, le=3)
    words: str = key('"how far a guitar settles beyond what its wood says"', default="")


class LearnedFile(FileModel):
    title: str = key('"What 30 instruments taught"', default="")
    source: str = key('"learned from 30 instruments"', min_length=1)
    number: list[NumberFile] = key("[[number]] with name, median and log_sd", min_length=1)


def read_learned(path: Path) -> tuple[LearnedPrior, ...]:
    """The learned numbers of a file. Raises BadInput naming line and key; names are checked where they are used."""
    data, _ = validated(LearnedFile, path)
    return tuple(LearnedPrior(one.name, one.median, one.log_sd, data.source) for one in data.number)


def learned_text(title: str, source: str, numbers: tuple[tuple[LearnedPrior, str], ...]) -> str:
    """The file of learned numbers, each with its words."""
    rows = [
        {"name": one.name, "median": float(f"{one.median:.6g}"), "log_sd": float(f"{one.log_sd:.6g}"), "words": words}
        for one, words in numbers
    ]
    return toml_text({"title": title, "source": source, "number": rows})


RECORD, BENCH = "record.toml", "bench.csv"


@dataclass(frozen=True, kw_only=True, repr=False)
class RecordFile(ScenarioFile):
    invented: Annotated[bool, key("false", INVENTED)] = False
    summary: Annotated[str, key('"Ring before the heating season."')] = ""
    horizon_years: Annotated[int, key("20", YEARS_AHEAD, ge=1, le=60)] = 20
    seed: Annotated[int, key("1", SEED, ge=0, le=MOST_SEED)] = 1
    serial: Annotated[str, key('"FH-0012"')] = ""
    owner: Annotated[str, key('"shelf 3, or a name you may keep"')] = ""
    workshop: Annotated[str, key('"Fernhollow (invented)"')] = ""


@dataclass(frozen=True)
class Tag:
    """What a record says beside the scenario: serial number, the owner's label, the workshop; and the keys that were
    not said, with the usual value taken for each."""

    serial: str
    owner: str
    workshop: str
    usual: Mapping[str, float]


#: key of [setup] -> the number taken where the record does not say it
USUAL_SETUP = {
    "workshop_humidity_pct": "bench_humidity",
    "built_temperature_degc": "bench_temperature",
    "action_reading_sd_mm": "bench_action_sd",
    "saddle_room_mm": "bench_saddle_room",
}
USUAL_RULE = {
    "saddle_room_least_mm": "bench_saddle_room_least",
    "projection_tolerance_mm": "bench_projection_tolerance",
    "days_outside": "bench_days_outside",
}


def is_record(path: Path) -> bool:
    """True for a folder with a record in it, and for the record's file itself."""
    return (path / RECORD).is_file() or (path.name == RECORD and path.is_file())


def filled(tree: dict[str, Any], folder: str) -> tuple[dict[str, Any], dict[str, float]]:
    """A record's tables with what is usual put where nothing is said, and what was put: 'rule.days_outside' -> 60."""
    setup, rule = tree.get("setup", {}), tree.get("rule", {})
    if not (isinstance(setup, dict) and isinstance(rule, dict)):
        return {"title": folder, **tree}, {}  # refused by name where the tables are read
    setup, rule = dict(setup), dict(rule)
    usual: dict[str, float] = {}
    if "built_relative_humidity_pct" in setup:
        usual_setup = {key: name for key, name in USUAL_SETUP.items() if key != "workshop_humidity_pct"}
    else:
        usual_setup = USUAL_SETUP
    for table, own, names in (("setup", setup, usual_setup), ("rule", rule, USUAL_RULE)):
        for name, number in names.items():
            if name not in own:
                value = library.value(number)
                own[name] = int(value) if name == "days_outside" else float(value)
                usual[f"{table}.{name}"] = own[name]
    if "strung" not in setup and "setup" in setup:
        setup["strung"] = setup["setup"]
    action = setup.get("action_12th_mm")
    for name, number, sign in (
        ("action_low_mm", "bench_action_below", -1),
        ("action_high_mm", "bench_action_above", 1),
    ):
        if name not in rule and isinstance(action, int | float) and abs(action) < 1e6:  # farther is refused by itself
            usual[f"rule.{name}"] = rule[name] = round(action + sign * library.value(number), 3)
    return closed_where_set_up({"title": folder, **tree, "setup": setup, "rule": rule}), usual
