"""The bench's tools: how far off one reading with each of them may be."""

from __future__ import annotations

from driftmodel.base import library
from driftmodel.base.errors import BadInput, near_match

#: what a bench calls some of them
ALIASES = {
    "ruler": "rule", "steel rule": "rule", "steel ruler": "rule", "feeler": "feeler gauge", "feelers": "feeler gauge",
    "feeler gauges": "feeler gauge", "string action gauge": "action gauge", "string gauge": "action gauge",
    "action card": "action gauge", "dial": "dial gauge", "dial indicator": "dial gauge",
    "straight edge": "straightedge", "scales": "scale",
}  # fmt: skip


def tool_names() -> tuple[str, ...]:
    """Tools whose uncertainty the library knows, in words."""
    return tuple(name[5:].replace("_", " ") for name in library.general_names() if name.startswith("tool_"))


def tool_sd(tool: str) -> tuple[float, str]:
    """Standard deviation of one reading with a tool, and its unit. Raises BadInput for a tool that is not known."""
    plain = tool.strip().lower().replace("_", " ")
    plain = ALIASES.get(plain, plain)
    if plain not in tool_names():
        raise BadInput(
            f'no tool is called "{tool}".{near_match(plain, tool_names())}',
            "one of " + ", ".join(tool_names()) + ", or an uncertainty of your own",
            mend="tool = feeler gauge",
        )
    datum = library.general("tool_" + plain.replace(" ", "_"))
    return datum.value, datum.unit
