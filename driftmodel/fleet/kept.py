"""Files read once for many cells of a fleet, and again when they have changed on disk."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import TypeVar

from driftmodel.base.opened import is_there
from driftmodel.base.records import Climate, Instrument, Scenario
from driftmodel.base.scenarios import load_climate, load_scenario
from driftmodel.structure.records import Coefficients
from driftmodel.structure.response import design_response

Read = TypeVar("Read")
Stamps = tuple[tuple[str, int, int], ...]

_scenarios: dict[str, tuple[Stamps, Scenario]] = {}
_climates: dict[str, tuple[Stamps, Climate]] = {}
_responses: dict[str, Coefficients] = {}


def stamps(climate: Climate) -> Stamps:
    """Name, time of change and size of every file a climate rests on."""
    folder = Path(climate.file).parent
    weather = climate.outdoor.weather_file if climate.outdoor else None
    beside = [str(folder / name) for name in (weather, climate.logger_file) if name]
    return _stamps([climate.file, *beside])


def _stamps(files: list[str]) -> Stamps:
    found = []
    for file in files:
        if file and is_there(file):
            stat = Path(file).stat()
            found.append((file, stat.st_mtime_ns, stat.st_size))
    return tuple(found)


def _of_scenario(scenario: Scenario) -> Stamps:
    files = _stamps([scenario.file, scenario.instrument.file])
    return files + tuple(stamp for stay in scenario.stays for stamp in stamps(stay.climate))


def _kept(
    known: dict[str, tuple[Stamps, Read]], name: str, load: Callable[[], Read], files: Callable[[Read], Stamps]
) -> Read:
    if name in known:
        stamp, read = known[name]
        if files(read) == stamp:
            return read
    read = load()
    known[name] = (files(read), read)
    return read


def kept_scenario(name: str) -> Scenario:
    """base.scenarios.load_scenario, read anew only when one of its files has changed. Raises BadInput as that does."""
    return _kept(_scenarios, name, lambda: load_scenario(name), _of_scenario)


def kept_climate(path: Path) -> Climate:
    """base.scenarios.load_climate, read anew only when one of its files has changed. Raises BadInput as that does."""
    return _kept(_climates, str(path), lambda: load_climate(path), stamps)


def kept_response(instrument: Instrument) -> Coefficients:
    """structure.response.design_response of an instrument, kept in memory."""
    key = repr(instrument)
    if key not in _responses:
        _responses[key] = design_response(instrument)
    return _responses[key]
