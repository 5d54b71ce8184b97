"""When will this guitar need another neck spacer, which one, and how sure is that: from humidity to drift.

>>> import driftmodel
>>> scenario = driftmodel.load_scenario("first-winter")
>>> outlook = driftmodel.forecast(scenario, draws=20)
>>> outlook.attrs["verdict"]

Verbs: forecast, grade, calibrate, decide, learn, advise, compare, demand, map, air, design, woods. What they are asked
about comes from load_scenario, load_instrument, load_climate, read_air, read_readings and read_fleet; with_lever and
what_if change it; write_report tells it. help(driftmodel.forecast) tells each.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from driftmodel.base import __version__

if TYPE_CHECKING:
    from driftmodel.base.errors import BadInput
    from driftmodel.base.library import finish_names as finishes
    from driftmodel.base.scenarios import find_instrument as load_instrument
    from driftmodel.calibration.readings import read_readings
    from driftmodel.climate.history import read_air
    from driftmodel.doors.verbs import (
        advise,
        air,
        calibrate,
        compare,
        decide,
        demand,
        design,
        forecast,
        grade,
        learn,
        load_climate,
        map,
        read_fleet,
        woods,
    )
    from driftmodel.outlook.levers import parse_what_if as what_if
    from driftmodel.outlook.levers import with_lever
    from driftmodel.record.case import load_scenario
    from driftmodel.report.document import write_report

__all__ = [
    "BadInput", "__version__", "advise", "air", "calibrate", "compare", "decide", "demand", "design", "finishes",
    "forecast", "grade", "learn", "load_climate", "load_instrument", "load_scenario", "map", "read_air", "read_fleet",
    "read_readings", "what_if", "with_lever", "woods", "write_report",
]  # fmt: skip

#: where a name lives that is no verb of doors.verbs, and under which name
_HOMES = {
    "BadInput": ("base.errors", "BadInput"),
    "finishes": ("base.library", "finish_names"),
    "load_instrument": ("base.scenarios", "find_instrument"),
    "load_scenario": ("record.case", "load_scenario"),
    "read_air": ("climate.history", "read_air"),
    "read_readings": ("calibration.readings", "read_readings"),
    "what_if": ("outlook.levers", "parse_what_if"),
    "with_lever": ("outlook.levers", "with_lever"),
    "write_report": ("report.document", "write_report"),
}


def __getattr__(name: str) -> Any:
    """The verbs, imported when first asked for, so that `import driftmodel` and `driftmodel --help` wait for none."""
    if name not in __all__:
        raise AttributeError(f"module 'driftmodel' has no attribute {name!r}")
    from importlib import import_module

    room, found = _HOMES.get(name, ("doors.verbs", name))
    return getattr(import_module(f"driftmodel.{room}"), found)


def __dir__() -> list[str]:
    return sorted(__all__)
