"""Numbers that many instruments taught, as a small TOML file that a scenario names: `learned = "my-workshop.toml"`."""

from __future__ import annotations

from pathlib import Path

from driftmodel.base.file_models import FileModel, key
from driftmodel.base.records import LearnedPrior
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
