"""The shape of an instrument's record: record.toml in a folder of its own, short because what is usual need not be
said, readings and work beside it in bench.csv; and the small file of numbers that many instruments taught, which a
scenario names: `learned = "my-workshop.toml"`."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Annotated, Any

from driftmodel.base import library
from driftmodel.base.file_models import INVENTED, SEED, YEARS_AHEAD, FileModel, key
from driftmodel.base.records import LearnedPrior
from driftmodel.base.scenario_file import ScenarioFile, closed_where_set_up
from driftmodel.base.schema import MOST_SEED
from driftmodel.base.tomlfile import toml_text, validated


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
                value = library.general(number).value
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
            usual[f"rule.{name}"] = rule[name] = round(action + sign * library.general(number).value, 3)
    return closed_where_set_up({"title": folder, **tree, "setup": setup, "rule": rule}), usual
