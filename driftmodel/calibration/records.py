"""What the bench reads and with which tools, what it hands over and what a calibration hands back: frozen records."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date
from math import inf

from driftmodel.base import library
from driftmodel.base.errors import near_match, refusal
from driftmodel.base.records import Scenario, WorkDone
from driftmodel.calibration.sampler import Sampled
from driftmodel.outlook.calendar import as_of
from driftmodel.outlook.draws import Draws


@dataclass(frozen=True)
class Quantity:
    """Something a bench reads: unit inside ('mm' or 'g'), what can be true, the step that asks for a second look, and
    whether its level at set-up is known from the scenario (action) or has to be learned from the readings."""

    words: str
    unit: str
    low: float
    high: float
    doubtful_step: float
    level_known: bool


#: what can be read. The ranges only catch slips of unit or column; a step is between two readings, known work taken out
QUANTITIES: dict[str, Quantity] = {
    "action": Quantity("action at the 12th fret, mean of treble and bass", "mm", 0.3, 10.0, 5.0, True),
    "action_treble": Quantity("action at the 12th fret, treble", "mm", 0.3, 10.0, 5.0, True),
    "action_bass": Quantity("action at the 12th fret, bass", "mm", 0.3, 10.0, 5.0, True),
    "projection": Quantity("projection of the fret plane at the bridge", "mm", -20.0, 30.0, 5.0, False),
    "relief": Quantity("relief", "mm", -1.0, 2.0, 1.0, False),
    "top_sinkage": Quantity("top sinkage by straightedge", "mm", -10.0, 15.0, 5.0, False),
    "saddle_height": Quantity("saddle height over the bridge", "mm", 0.3, 25.0, 5.0, False),
    "weight": Quantity("weight", "g", 300.0, 8000.0, 200.0, False),
}


#: what a bench calls some tools
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
        raise refusal(
            f'no tool is called "{tool}".{near_match(plain, tool_names())} Needed: one of '
            f"{', '.join(tool_names())}, or an uncertainty of your own. Mend: tool = feeler gauge"
        )
    datum = library.general("tool_" + plain.replace(" ", "_"))
    return datum.value, datum.unit


@dataclass(frozen=True)
class ReadingRow:
    """One reading as taken. value and sd in the quantity's unit; row is the line of the file (0: given by hand).

    hours_at_bench at temperature_c and relative_humidity_pct: how long it lay in the bench's air before it was read;
    0 hours means it was read as it came from where it lives, None that nobody wrote it down: then a stay is possible.
    hour: of the day, 0 to 24, by the clock of the air; None: not said, taken for noon with that doubt.
    doubt: why it is taken for doubtful, '' if it is not."""

    date: date
    what: str
    value: float
    sd: float
    tool: str
    temperature_c: float | None = None
    relative_humidity_pct: float | None = None
    hours_at_bench: float | None = None
    spacer: str = ""
    strings_on: bool = True
    row: int = 0
    doubt: str = ""
    hour: float | None = None


def once(reading: ReadingRow) -> tuple[object, ...]:
    """What two entries of the same reading have in common."""
    return (reading.date, reading.hour, reading.what, reading.value, reading.tool, reading.spacer, reading.strings_on)


@dataclass(frozen=True)
class BenchBook:
    """Readings and work in order of date; remarks say what was noticed in reading the file."""

    readings: tuple[ReadingRow, ...]
    work: tuple[WorkDone, ...] = ()
    remarks: tuple[str, ...] = ()
    file: str = ""

    def with_more(self, other: BenchBook) -> BenchBook:
        """This book and the readings of another one, whose work has this one's in it already, in order of date."""
        readings = tuple(sorted((*self.readings, *other.readings), key=lambda one: (one.date, one.row or inf)))
        return BenchBook(readings, other.work, (*self.remarks, *other.remarks), other.file)

    def carried_by(self, scenario: Scenario, today: date | None = None) -> Scenario:
        """The scenario as of a day, the last of the book where none is given, with the book's work done."""
        last = max((*(one.date for one in self.readings), *(one.day for one in self.work)), default=None)
        day = today or last or scenario.setup.setup
        return as_of(scenario, day, self.work)


@dataclass(frozen=True)
class Learned:
    """One unknown before and after the readings: 10, 50 and 90 % points (multipliers; mm for offsets).

    moved_sd: how far the median moved, in prior standard deviations. narrowed: posterior over prior spread.
    on_bound: more than a tenth of the draws lie within 0.3 sd of where the draws are cut off."""

    name: str
    words: str
    prior: tuple[float, float, float]
    posterior: tuple[float, float, float]
    moved_sd: float
    narrowed: float
    on_bound: bool


@dataclass(frozen=True)
class Fitted:
    """One reading against the calibrated instrument: expected value and its spread, residual (read less expected),
    its size in the reading's own uncertainty, and the probability that the reading is a slip."""

    reading: ReadingRow
    expected: float
    expected_sd: float
    residual: float
    size: float
    slip_probability: float


@dataclass(frozen=True)
class Band:
    """10, 50 and 90 % points of an outcome before and after the readings."""

    words: str
    unit: str
    prior: tuple[float, float, float]
    posterior: tuple[float, float, float]


@dataclass(frozen=True)
class Calibration:
    """What the readings say. draws feed forecast(unknowns=draws) unchanged: equal weights, weather members shared out.

    sampled: the draws as the standard normal values they came from, (draws, unknowns), unknown names in `names`, and
    how they were sampled."""

    scenario: str
    bench: BenchBook
    learned: tuple[Learned, ...]
    fitted: tuple[Fitted, ...]
    draws: Draws
    names: tuple[str, ...]
    sampled: Sampled
    past_weather: str
    bands: tuple[Band, ...] = ()
    homes: tuple[tuple[str, float], ...] = ()
    days: tuple[tuple[str, float], ...] = ()
