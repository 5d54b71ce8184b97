"""What the page's controls stand for: a shipped scenario with levers moved, in the words of `--what-if`."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from functools import cache

from driftmodel.base.errors import BadInput
from driftmodel.base.opened import scenarios_dir
from driftmodel.base.scenarios import load_climate, load_scenario, scenario_names

START = "first-winter"
NOTHING_CHANGED = "unchanged"


@dataclass(frozen=True)
class Slider:
    """A range control; at `neutral` the lever is left alone and `left` is said in the place of a number."""

    name: str
    lever: str
    label: str
    low: float
    high: float
    step: float
    neutral: float
    left: str
    unit: str
    help: str


SLIDERS = (
    Slider("humidifier", "humidifier", "Winter humidifier", 25, 60, 1, 25, "as it is", "%",
           "in the room, October to April"),
    Slider("heating", "winter heating", "Winter heating", 13, 25, 0.5, 13, "as it is", "°C", "set point of the room"),
    Slider("draught", "air changes", "Draught of the house", 0, 2, 0.1, 0, "as it is", "air changes an hour",
           "tight 0.3, draughty 1.5"),
    Slider("build", "build humidity", "Built at", 29, 70, 1, 29, "as built", "%", "humidity the body was closed at"),
    Slider("strings", "string tension", "String pull", 70, 120, 1, 100, "its own set", "%", "of the set's own pull"),
    Slider("warming", "warming", "Warmer outdoors", 0, 3, 0.5, 0, "as today", "K", "humidity falls a little with it"),
)  # fmt: skip


@dataclass(frozen=True)
class Choice:
    """A list control: (value, words) options; lever '' for one that moves none."""

    name: str
    lever: str
    label: str
    options: tuple[tuple[str, str], ...]


Own = tuple[tuple[str, str], ...]


def choices(own: Own = ()) -> tuple[Choice, ...]:
    """The lists; own: the user's guitars, (value, words), before the shipped stories."""
    guitars, *rest = _shipped()
    return replace(guitars, options=(*own, *guitars.options)), *rest


@cache
def _shipped() -> tuple[Choice, ...]:
    """The lists of what is shipped, read once: it does not change under a running server."""
    stories = tuple((name, load_scenario(name).title) for name in scenario_names())
    folder = scenarios_dir() / "climates"
    places = tuple((path.stem, load_climate(path).title.split(" (")[0]) for path in sorted(folder.glob("*.toml")))
    against = (
        ("", "nothing"),
        (NOTHING_CHANGED, "itself, nothing changed"),
        *((f"place:{name}", f"it in: {words}") for name, words in places),
        *((f"scenario:{name}", words) for name, words in stories),
    )
    finishes = (("", "as designed"), ("bare", "bare"), ("nitrocellulose lacquer", "nitrocellulose lacquer"))
    cases = (
        ("", "as the story says"),
        ("no", "none"),
        ("yes", "closed case"),
        ("45", "case with a humidifier at 45 %"),
    )
    return (
        Choice("scenario", "", "Guitar and its story", stories),
        Choice("place", "place", "Where it lives last", (("", "as the story says"), *places)),
        Choice("case", "case", "Its case", cases),
        Choice("inside", "finish inside", "Finish inside the body", finishes),
        Choice("units", "", "Units", (("metric", "millimetres"), ("inch", "inches"))),
        Choice("against", "", "Compare with", against),
    )


def read_state(given: Mapping[str, str], own: Own = ()) -> dict[str, str]:
    """The page's state from an address, every key present. Raises BadInput for a value no control could have sent."""
    state = {choice.name: choice.options[0][0] for choice in choices()} | {"scenario": own[0][0] if own else START}
    state |= {slider.name: f"{slider.neutral:g}" for slider in SLIDERS}
    state |= {key: given[key] for key in state if given.get(key)}
    for slider in SLIDERS:
        try:
            value = float(state[slider.name])
        except ValueError:
            value = float("nan")
        if not slider.low <= value <= slider.high:
            raise BadInput(
                f'{slider.label}: "{state[slider.name]}"',
                f"a number from {slider.low:g} to {slider.high:g}",
                mend=f"{slider.name}={slider.high:g}",
            )
        state[slider.name] = f"{value:g}"
    for choice in choices(own):
        if state[choice.name] not in dict(choice.options):
            raise BadInput(
                f'{choice.label}: "{state[choice.name]}"',
                "one of the list",
                mend=f"{choice.name}={choice.options[-1][0]}",
            )
    return state


def what_if(state: Mapping[str, str]) -> str:
    """The levers moved, as `--what-if` takes them; '' for none. The place is first: the others move what is there."""
    moved = [f"{choice.lever}={state[choice.name]}" for choice in choices() if choice.lever and state[choice.name]]
    moved += [
        f"{slider.lever}={state[slider.name]}" for slider in SLIDERS if float(state[slider.name]) != slider.neutral
    ]
    return ", ".join(moved)


def rival_state(state: Mapping[str, str], own: Own = ()) -> dict[str, str] | None:
    """The state compared with, or None."""
    against = state["against"]
    if not against:
        return None
    if against == NOTHING_CHANGED:
        return read_state({"scenario": state["scenario"], "units": state["units"]}, own)
    kind, name = against.split(":", 1)
    changed = {"place": name} if kind == "place" else {"scenario": name, "place": ""}
    return {**state, **changed, "against": ""}


def command_line(state: Mapping[str, str], seed: int | None, typed: str = "") -> str:
    """The command that gives the same numbers; seed: where it is not the scenario's own; typed: what names a guitar of
    one's own."""
    words = what_if(state)
    said = f' --what-if "{words}"' if words else ""
    return f"driftmodel forecast {typed or state['scenario']}{said}" + ("" if seed is None else f" --seed {seed}")
