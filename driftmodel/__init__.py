"""When will this guitar need another neck spacer, which one, and how sure is that: from humidity to drift.

>>> import driftmodel
>>> scenario = driftmodel.load_scenario("first-winter")
>>> outlook = driftmodel.forecast(scenario, draws=20)
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from driftmodel.base.version import __version__

__all__ = ["BadInput", "__version__", "advise", "compare", "forecast", "load_scenario", "with_lever", "write_report"]

if TYPE_CHECKING:
    from driftmodel.advice.care import advise
    from driftmodel.base.errors import BadInput
    from driftmodel.outlook.compare import compare
    from driftmodel.outlook.drift import forecast
    from driftmodel.outlook.levers import with_lever
    from driftmodel.record.case import load_scenario
    from driftmodel.report.document import write_report

_HOMES = {
    "BadInput": "driftmodel.base.errors",
    "load_scenario": "driftmodel.record.case",
    "advise": "driftmodel.advice.care",
    "compare": "driftmodel.outlook.compare",
    "forecast": "driftmodel.outlook.drift",
    "with_lever": "driftmodel.outlook.levers",
    "write_report": "driftmodel.report.document",
}


def __getattr__(name: str) -> Any:
    """The verbs, imported when first asked for, so that `driftmodel --help` waits for none of them."""
    if name not in _HOMES:
        raise AttributeError(f"module 'driftmodel' has no attribute {name!r}")
    from importlib import import_module

    return getattr(import_module(_HOMES[name]), name)
