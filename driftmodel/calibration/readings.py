"""The bench's readings file: a CSV anybody can keep, read strictly, with one clear message for what cannot be used.

    date;what;value;tool;temperature_degc;relative_humidity_pct;hours_at_bench;spacer;strings;work
    2027-02-10;action bass;2.55 mm;feeler gauge;21;45;24;J;on;
    2027-02-10;action treble;0.079 in;feeler gauge;21;45;24;J;on;saddle -0.3 mm

Commas, semicolons or tabs between columns; decimal point or comma; a unit with the value or in the column's name.
"""

from __future__ import annotations

import csv
import re
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, replace
from datetime import date
from pathlib import Path

from driftmodel.base import library
from driftmodel.base.errors import BadInput, near_match
from driftmodel.base.records import Scenario
from driftmodel.base.units import MM_PER_INCH, fahrenheit_to_celsius
from driftmodel.calibration.records import QUANTITIES, BenchBook, ReadingRow, WorkDone
from driftmodel.climate.history import scenario_end

#: words a bench may use for a quantity, beside the names of records.QUANTITIES
WHAT_WORDS: dict[str, str] = {
    "action": "action", "action at the 12th fret": "action", "action 12th": "action",
    "action treble": "action_treble", "treble action": "action_treble",
    "action at the 12th fret, treble": "action_treble",
    "action bass": "action_bass", "bass action": "action_bass", "action at the 12th fret, bass": "action_bass",
    "projection": "projection", "projection at the bridge": "projection", "neck projection": "projection",
    "relief": "relief", "neck relief": "relief",
    "top sinkage": "top_sinkage", "sinkage": "top_sinkage",
    "saddle height": "saddle_height", "weight": "weight",
}  # fmt: skip
UNITS: dict[str, tuple[str, float]] = {
    "mm": ("mm", 1.0), "in": ("mm", MM_PER_INCH), "inch": ("mm", MM_PER_INCH), '"': ("mm", MM_PER_INCH),
    "g": ("g", 1.0), "kg": ("g", 1000.0),
}  # fmt: skip
COLUMNS = (
    "date",
    "what",
    "value",
    "unit",
    "tool",
    "uncertainty",
    "temperature",
    "relative_humidity",
    "hours_at_bench",
    "spacer",
    "strings",
    "work",
    "note",
)
_SUFFIXES = {"mm": "mm", "in": "in", "g": "g", "kg": "kg", "degc": "degc", "degf": "degf", "pct": "pct"}
_NUMBER = re.compile(r"^([+-]?\d+(?:[.,]\d+)?|[+-]?[.,]\d+)\s*([a-z\"]*)$", re.IGNORECASE)
_EXAMPLE = "2027-02-10;action bass;2.55 mm;feeler gauge"


@dataclass(frozen=True)
class _Line:
    """One line of the file: cells by column name, the unit a column's name gives, and how to complain about it."""

    cells: Mapping[str, str]
    units: Mapping[str, str]
    file: str
    row: int

    def has(self, column: str) -> bool:
        return bool(self.cells.get(column, ""))

    def fault(self, column: str, came: str, needed: str, mend: str) -> BadInput:
        return BadInput(came, needed, file=self.file, place=f"row {self.row}, column {column}", mend=mend)


def tool_names() -> tuple[str, ...]:
    """Tools whose uncertainty the library knows, in words."""
    return tuple(name[5:].replace("_", " ") for name in library.general_names() if name.startswith("tool_"))


def tool_sd(tool: str) -> tuple[float, str]:
    """Standard deviation of one reading with a tool, and its unit. Raises BadInput for a tool that is not known."""
    plain = tool.strip().lower().replace("_", " ")
    if plain not in tool_names():
        raise BadInput(
            f'no tool is called "{tool}".{near_match(plain, tool_names())}',
            "one of " + ", ".join(tool_names()) + ", or an uncertainty of your own",
            mend="tool = feeler gauge",
        )
    datum = library.general("tool_" + plain.replace(" ", "_"))
    return datum.value, datum.unit


def read_readings(path: str | Path, scenario: Scenario, today: date | None = None) -> BenchBook:
    """Readings and work of one instrument from its CSV, in order of date. `today` stands for the present day.

    Raises BadInput naming file, row and column: no or unknown unit, unknown quantity or tool, a date in the future, a
    date before set-up, a value that cannot be true. A step of 5 mm is kept and marked doubtful, and said in `remarks`.
    """
    file = Path(path)
    today = today or date.today()
    readings: list[ReadingRow] = []
    work: list[WorkDone] = []
    for line in _lines(file):
        when = _date(line, scenario, today)
        spacer, strings_on = _spacer(line, scenario), _strings(line)
        if line.has("work"):
            work.extend(_work(line, when, scenario))
        if line.has("what") or line.has("value"):
            readings.append(_reading(line, when, spacer, strings_on))
        elif not line.has("work"):
            raise line.fault("what", "neither a reading nor work done", "a quantity and its value, or work", _EXAMPLE)
    if not readings:
        raise BadInput("no reading in the file", "at least one reading", file=file, mend=_EXAMPLE)
    readings.sort(key=lambda one: one.date)
    work.sort(key=lambda one: one.date)
    work = _swaps(readings, work, scenario)
    marked, remarks = _doubtful(readings, work, scenario)
    return BenchBook(tuple(marked), tuple(work), tuple(remarks), str(file))


def reading_of(text: str, scenario: Scenario, when: date, tool: str = "feeler gauge") -> ReadingRow:
    """One reading from words on the command line: 'action=2.9 mm'. Raises BadInput for what cannot be used.

    Weight is taken as read on a scale, whatever the tool named."""
    what, equals, value = text.partition("=")
    if not equals:
        raise BadInput(f'"{text}" is not a reading', "what=value with a unit", mend='--reading "action=2.9 mm"')
    quantity = WHAT_WORDS.get(_plain(what), _plain(what).replace(" ", "_"))
    cells = {"what": what.strip(), "value": value.strip(), "tool": "scale" if quantity == "weight" else tool}
    row = _reading(_Line(cells, {}, "--reading", 0), when, scenario.setup.spacer, True)
    if when < scenario.setup.setup:
        raise BadInput(
            f"{when} is before set-up ({scenario.setup.setup})", "a day since set-up", mend="--on 2027-02-10"
        )
    return row


# ---- the file ------------------------------------------------------------------------------------------------------


def _lines(file: Path) -> Iterable[_Line]:
    try:
        text = file.read_text(encoding="utf-8-sig")
    except FileNotFoundError as fault:
        raise BadInput("no such file", "a readings file", file=file, mend="check the path") from fault
    except UnicodeDecodeError as fault:
        raise BadInput("not text in UTF-8", "a CSV file", file=file, mend='save it as "CSV UTF-8"') from fault
    rows = text.splitlines()
    head = next((number for number, row in enumerate(rows) if row.strip() and not row.lstrip().startswith("#")), None)
    if head is None:
        raise BadInput("the file is empty", "a header and readings", file=file, mend="date;what;value;tool")
    delimiter = max(";\t,", key=rows[head].count)
    names, units = _header(next(csv.reader([rows[head]], delimiter=delimiter)), file, head + 1)
    for number, row in enumerate(rows[head + 1 :], start=head + 2):
        if not row.strip(delimiter + " ") or row.lstrip().startswith("#"):
            continue
        cells = [cell.strip() for cell in next(csv.reader([row], delimiter=delimiter))]
        if len(cells) > len(names):
            hint = (
                ' (a decimal comma? then put ";" between columns or quotes round the number)'
                if delimiter == ","
                else ""
            )
            raise BadInput(
                f"{len(cells)} cells under {len(names)} columns{hint}",
                "one cell for each column",
                file=file,
                place=f"row {number}",
                mend=_EXAMPLE,
            )
        yield _Line(dict(zip(names, cells, strict=False)), units, str(file), number)


def _header(cells: list[str], file: Path, row: int) -> tuple[list[str], dict[str, str]]:
    names, units = [], {}
    for cell in cells:
        plain = _plain(cell).replace(" ", "_")
        stem, _, last = plain.rpartition("_")
        name, unit = (stem, _SUFFIXES[last]) if stem and last in _SUFFIXES else (plain, "")
        if name not in COLUMNS:
            raise BadInput(
                f'unknown column "{cell}".{near_match(name, COLUMNS)}',
                "columns " + ", ".join(COLUMNS),
                file=file,
                place=f"row {row}",
                mend="date;what;value_mm;tool",
            )
        if name in names:
            raise BadInput(
                f'two columns "{name}"', "each column once", file=file, place=f"row {row}", mend="remove one"
            )
        names.append(name)
        units[name] = unit
    for name in ("date", "what", "value"):
        if name not in names:
            raise BadInput(
                f'no column "{name}"',
                "date, what and value at least",
                file=file,
                place=f"row {row}",
                mend="date;what;value;tool",
            )
    return names, units


def _plain(words: str) -> str:
    return " ".join(words.strip().lower().replace("_", " ").split())


def _number(line: _Line, column: str) -> tuple[float, str]:
    """The number in a cell and the unit written after it ('' if none); a decimal comma is a decimal point."""
    found = _NUMBER.match(line.cells[column].replace("°", "").replace("%", "").strip())
    if not found:
        raise line.fault(column, f'"{line.cells[column]}" is not one number', "a number, with its unit", "2.55 mm")
    return float(found[1].replace(",", ".")), found[2].lower()


def _date(line: _Line, scenario: Scenario, today: date) -> date:
    text = line.cells.get("date", "")
    german = re.fullmatch(r"(\d{1,2})\.(\d{1,2})\.(\d{4})", text)
    try:
        when = date(int(german[3]), int(german[2]), int(german[1])) if german else date.fromisoformat(text)
    except ValueError:
        raise line.fault("date", f'"{text}" is not a date', "year-month-day", "2027-02-10") from None
    if when > today:
        raise line.fault("date", f"{when} is in the future (today is {today})", "a day up to today", str(today))
    if when < scenario.setup.setup:
        built = " and before it was strung" if when < scenario.setup.strung else ""
        raise line.fault(
            "date",
            f"{when} is before the set-up of {scenario.setup.setup}{built}",
            "readings from set-up on: drift counts from there",
            f"{scenario.setup.setup}",
        )
    if when >= scenario_end(scenario):
        raise line.fault(
            "date",
            f"{when} is past the scenario's horizon",
            f"a day before {scenario_end(scenario)}",
            f"horizon_years = {scenario.horizon_years + 10} in the scenario",
        )
    return when


def _spacer(line: _Line, scenario: Scenario) -> str:
    label = line.cells.get("spacer", "")
    labels = scenario.instrument.spacers.labels
    if label and label not in labels:
        raise line.fault(
            "spacer",
            f'no spacer "{label}" in the set.{near_match(label, labels)}',
            "one of " + ", ".join(labels),
            scenario.setup.spacer,
        )
    return label


def _strings(line: _Line) -> bool:
    text = line.cells.get("strings", "").lower()
    if text not in ("", "on", "off"):
        raise line.fault("strings", f'"{text}"', "on or off", "on")
    return text != "off"


def _reading(line: _Line, when: date, spacer: str, strings_on: bool) -> ReadingRow:
    what = _what(line)
    quantity = QUANTITIES[what]
    if not line.has("value"):
        raise line.fault("value", "no value", "a number with its unit", "2.55 mm")
    value, factor = _in_unit(line, "value", quantity.unit)
    if not quantity.low <= value <= quantity.high:
        number, _ = _number(line, "value")
        inches = quantity.unit == "mm" and factor == 1.0 and quantity.low <= number * MM_PER_INCH <= quantity.high
        raise line.fault(
            "value",
            f"{quantity.words} of {value:g} {quantity.unit}",
            f"between {quantity.low:g} and {quantity.high:g} {quantity.unit}",
            f"{number:g} in, if it was read in inches" if inches else "check the number and its unit",
        )
    if what.startswith("action") and not strings_on:
        raise line.fault("strings", "action read with the strings off", "strings on, or another quantity", "on")
    temperature, humidity, hours = _bench_air(line)
    tool = line.cells.get("tool", "")
    return ReadingRow(
        when,
        what,
        value,
        _sd(line, tool, quantity.unit),
        tool,
        temperature,
        humidity,
        hours,
        spacer,
        strings_on,
        line.row,
    )


def _what(line: _Line) -> str:
    plain = _plain(line.cells.get("what", ""))
    name = WHAT_WORDS.get(plain, plain.replace(" ", "_"))
    if name not in QUANTITIES:
        known = [*WHAT_WORDS, *QUANTITIES]
        came = f'unknown quantity "{line.cells["what"]}".{near_match(plain, known)}' if plain else "no quantity named"
        needed = "one of " + ", ".join(key.replace("_", " ") for key in QUANTITIES)
        raise line.fault("what", came, needed, "action bass")
    return name


def _in_unit(line: _Line, column: str, unit: str) -> tuple[float, float]:
    """A cell's value in mm or g, and the factor that brought it there."""
    number, written = _number(line, column)
    named = written or line.units.get(column, "") or (line.cells.get("unit", "").lower() if column == "value" else "")
    if not named and column == "uncertainty":
        named = _number(line, "value")[1] or line.units.get("value", "") or line.cells.get("unit", "").lower()
    if not named:
        raise line.fault(
            column,
            f'"{line.cells[column]}" has no unit',
            "mm or in (g or kg for weight), with the value, in a unit column or in the column's name",
            f"{line.cells[column]} {unit}",
        )
    kind, factor = UNITS.get(named, ("", 0.0))
    if kind != unit:
        raise line.fault(column, f'unit "{named}"', "mm or in" if unit == "mm" else "g or kg", f"{number:g} {unit}")
    return number * factor, factor


def _sd(line: _Line, tool: str, unit: str) -> float:
    if line.has("uncertainty"):
        sd, _ = _in_unit(line, "uncertainty", unit)
        if sd <= 0:
            raise line.fault("uncertainty", f"{sd:g}", "above 0: one standard deviation", f"0.05 {unit}")
        return sd
    if not tool:
        raise line.fault(
            "tool", "neither a tool nor an uncertainty", "one of " + ", ".join(tool_names()), "feeler gauge"
        )
    try:
        sd, of = tool_sd(tool)
    except BadInput as fault:
        raise line.fault("tool", fault.came, fault.needed, fault.mend) from None
    if of != unit:
        right = "scale" if unit == "g" else "feeler gauge"
        raise line.fault("tool", f'"{tool}" reads {of}, this is in {unit}', "a tool for the quantity", right)
    return sd


def _bench_air(line: _Line) -> tuple[float | None, float | None, float]:
    temperature = humidity = None
    hours = 0.0
    if line.has("temperature"):
        temperature, written = _number(line, "temperature")
        unit = {"f": "degf", "c": "degc"}.get(written, written or line.units["temperature"])
        if unit not in ("degc", "degf"):
            raise line.fault("temperature", f'"{line.cells["temperature"]}" has no unit', "degC or degF", "21 degC")
        temperature = fahrenheit_to_celsius(temperature) if unit == "degf" else temperature
        if not -10.0 <= temperature <= 50.0:
            raise line.fault("temperature", f"{temperature:g} degC at the bench", "-10 to 50 degC", "21 degC")
    if line.has("relative_humidity"):
        humidity, _ = _number(line, "relative_humidity")
        if not 1.0 < humidity <= 100.0:
            raise line.fault("relative_humidity", f"{humidity:g} %", "percent, above 1 and up to 100", "45")
    if line.has("hours_at_bench"):
        hours, _ = _number(line, "hours_at_bench")
        if not 0.0 <= hours <= 2000.0:
            raise line.fault("hours_at_bench", f"{hours:g} hours", "0 to 2000 hours", "24")
        if hours > 0.0 and (temperature is None or humidity is None):
            missing = "relative_humidity" if humidity is None else "temperature"
            raise line.fault(
                missing,
                "it lay at the bench, but the bench's air is not given",
                "temperature and relative humidity at the bench, or 0 hours",
                "21 degC and 45 %",
            )
    return temperature, humidity, hours


def _work(line: _Line, when: date, scenario: Scenario) -> list[WorkDone]:
    """'saddle -0.4 mm', 'spacer K', 'truss rod', 'strings off'; several with + between; anything else is 'other'."""
    found = []
    for piece in re.split(r"\s*\+\s+", line.cells["work"]):
        words = piece.strip()
        if match := re.fullmatch(r"saddle\s*([+-]?\s*[\d.,]+)\s*(mm|in)", words, re.IGNORECASE):
            amount = float(match[1].replace(" ", "").replace(",", ".")) * UNITS[match[2].lower()][1]
            found.append(WorkDone(when, "saddle", amount, "", line.row))
        elif words.lower().startswith("saddle"):
            raise line.fault("work", f'"{words}"', "the change with sign and unit, + higher", "saddle -0.4 mm")
        elif match := re.fullmatch(r"spacer\s+(\S+)", words, re.IGNORECASE):
            labels = scenario.instrument.spacers.labels
            if match[1] not in labels:
                raise line.fault(
                    "work",
                    f'no spacer "{match[1]}" in the set.{near_match(match[1], labels)}',
                    "one of " + ", ".join(labels),
                    f"spacer {scenario.setup.spacer}",
                )
            found.append(WorkDone(when, "spacer", 0.0, match[1], line.row))
        elif re.fullmatch(r"truss\s*rod.*", words, re.IGNORECASE):
            found.append(WorkDone(when, "truss rod", 0.0, "", line.row))
        elif match := re.fullmatch(r"strings\s+(on|off)", words, re.IGNORECASE):
            found.append(WorkDone(when, "strings", 0.0, match[1].lower(), line.row))
        else:
            found.append(WorkDone(when, "other", 0.0, words, line.row))
    return found


# ---- what is noticed -------------------------------------------------------------------------------------------------


def _swaps(readings: list[ReadingRow], work: list[WorkDone], scenario: Scenario) -> list[WorkDone]:
    """Swaps that only the spacer column tells: another spacer than was fitted, so it was swapped before that day.

    The day before the reading stands for the day of the swap: only which readings lie on either side of it matters."""
    from datetime import timedelta

    found = list(work)
    for reading in readings:
        fitted = spacer_on(reading.date, tuple(found), scenario)
        if reading.spacer and reading.spacer != fitted:
            day = max(reading.date - timedelta(days=1), scenario.setup.setup)
            found.append(WorkDone(day, "spacer", 0.0, reading.spacer, reading.row))
            found.sort(key=lambda one: one.date)
    return found


def spacer_on(day: date, work: tuple[WorkDone, ...], scenario: Scenario) -> str:
    """The spacer fitted when the instrument is read on a day: that of the last swap on an earlier day."""
    swaps = [one.label for one in work if one.kind == "spacer" and one.date < day]
    return swaps[-1] if swaps else scenario.setup.spacer


def _doubtful(
    readings: list[ReadingRow], work: list[WorkDone], scenario: Scenario
) -> tuple[list[ReadingRow], list[str]]:
    """Readings a step away from the one before, known work taken out, are marked; so is a first action off set-up."""
    from driftmodel.calibration.work import known_step

    marked, remarks = [], []
    last: dict[str, ReadingRow] = {}
    for reading in readings:
        quantity = QUANTITIES[reading.what]
        before = last.get(reading.what)
        came_from = (before.value, before.date) if before else None
        if came_from is None and reading.what.startswith("action"):
            came_from = (scenario.setup.action_12th_mm, scenario.setup.setup)
        if came_from is not None:
            own = known_step(reading.what, reading.date, tuple(work), scenario)
            earlier = known_step(reading.what, came_from[1], tuple(work), scenario)
            step = reading.value - came_from[0] - (own - earlier)
            if abs(step) >= quantity.doubtful_step:
                doubt = f"a step of {step:+.1f} {quantity.unit} since {came_from[1]}"
                reading = replace(reading, doubt=doubt)
                remarks.append(
                    f"row {reading.row}: {quantity.words} {reading.value:g} {quantity.unit} is {doubt}; "
                    "kept, but trusted little. Check the number and its unit, or write the work done."
                )
        if not reading.doubt:
            last[reading.what] = reading
        marked.append(reading)
    return marked, remarks
