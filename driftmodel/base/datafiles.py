"""Where the data folders are: inside an installed package, or beside the package in a plain checkout."""

from __future__ import annotations

from functools import cache
from importlib.resources import files
from pathlib import Path


@cache
def _folder(name: str) -> Path:
    """The folder `name`: the subpackage driftmodel.<name> where one is installed, else the one beside the package."""
    try:
        installed = Path(str(files(f"driftmodel.{name}")))
        if (installed / "README.md").is_file() or any(installed.glob("*.toml")):
            return installed
    except (ModuleNotFoundError, TypeError):
        pass
    return Path(__file__).resolve().parents[2] / name


def species_data_dir() -> Path:
    """The folder of woods, finishes, general numbers and sources."""
    return _folder("species_data")


def scenarios_dir() -> Path:
    """The folder of scenarios, instruments and climates."""
    return _folder("scenarios")
