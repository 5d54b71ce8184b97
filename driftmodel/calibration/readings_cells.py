"""The readings file as a table, a header of known columns and lines of cells that know their file and row; and what
cells may say: a day, a spacer, a quantity with its unit and uncertainty, the bench's air."""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, replace
from datetime import date
from pathlib import Path

from driftmodel.base.errors import BadInput, Spot, near_match
from driftmodel.base.file_models import READINGS
from driftmodel.base.opened import cells_of, delimiter_of, rows_of, text_of
from driftmodel.base.records import Scenario
from driftmodel.base.units import Said, fahrenheit_to_celsius, likely_units, said_number
from driftmodel.calibration.records import QUANTITIES, Quantity, ReadingRow, tool_names, tool_sd

COLUMNS = tuple(READINGS)
EXAMPLE = "2027-02-10;action bass;2.55 mm;feeler gauge"
_UNITS = ("mm", "in", "thou", "g", "kg", "degc", "degf", "pct")


@dataclass(frozen=True)
class Line:
    """One line of the file: cells by column name, the unit a column's name gives, and how to complain about it."""

    cells: Mapping[str, str]
    units: Mapping[str, str]
    file: str
    row: int

    def has(self, column: str) -> bool:
        return bool(self.cells.get(column, ""))

    def fault(self, column: str, came: str, needed: str, mend: str) -> BadInput:
        place = f"row {self.row}, column {column}" if self.row else column  # a reading given as an option has no row
        return BadInput(came, needed, file=self.file, place=place, mend=mend)


def lines_of(file: Path) -> Iterable[Line]:
    """The lines of a readings file, empty ones and comments left out. Raises BadInput naming the row."""
    text = text_of(file, "a readings file", mend="check the path")
    rows = text.splitlines()
    head = next((number for number, row in enumerate(rows) if row.strip() and not row.lstrip().startswith("#")), None)
    if head is None:
        raise Spot(file).refusal("the file is empty. Needed: a header and readings. Mend: date,what,value,tool")
    delimiter = delimiter_of(rows[head])
    names, units = _header(cells_of(rows[head], delimiter, file, head + 1), file, head + 1)
    for number, cells in rows_of(rows[head + 1 :], delimiter, file, head + 2, comment="#"):
        if len(cells) > len(names):
            hint = (
                ' (a decimal comma? then put ";" between columns or quotes round the number)'
                if delimiter == ","
                else ""
            )
            raise Spot(file, f"row {number}").refusal(
                f"{len(cells)} cells under {len(names)} columns{hint}. Needed: one cell for each column. "
                f"Mend: {EXAMPLE}"
            )
        yield Line(dict(zip(names, cells, strict=False)), units, str(file), number)


def _header(cells: list[str], file: Path, row: int) -> tuple[list[str], dict[str, str]]:
    names, units = [], {}
    for cell in cells:
        name, unit = column_of(cell)
        if name not in COLUMNS:
            raise Spot(file, f"row {row}").refusal(
                f'unknown column "{cell}".{near_match(name, COLUMNS)} Needed: columns '
                f"{', '.join(COLUMNS)}. Mend: date,what,value,tool"
            )
        if name in names:
            raise Spot(file, f"row {row}").refusal(f'two columns "{name}". Needed: each column once. Mend: remove one')
        names.append(name)
        units[name] = unit
    for name in ("date", "what", "value"):
        if name not in names:
            raise Spot(file, f"row {row}").refusal(
                f'no column "{name}". Needed: date, what and value at least. Mend: date,what,value,tool'
            )
    return names, units


def column_of(cell: str) -> tuple[str, str]:
    """The column that a cell of the header names, and its unit, '' where it gives none: "Value mm" is value, in mm."""
    plain = plain_words(cell).replace(" ", "_")
    stem, _, last = plain.rpartition("_")
    return (stem, last) if stem and last in _UNITS else (plain, "")


def plain_words(words: str) -> str:
    """Small letters, single spaces, no underscores."""
    return " ".join(words.strip().lower().replace("_", " ").split())


def number_in(line: Line, column: str) -> Said:
    """The number in a cell and the unit written after it; a decimal comma is a decimal point. Raises BadInput."""
    found = said_number(line.cells[column].replace("°", "").replace("%", "").strip())
    if found is None:
        raise line.fault(column, f'"{line.cells[column]}" is not one number', "a number, with its unit", "2.55 mm")
    return found


# ---- what cells may say ----------------------------------------------------------------------------------------------

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
WEIGHTS: dict[str, float] = {"g": 1.0, "kg": 1000.0, "lb": 453.592, "lbs": 453.592, "oz": 28.3495}


def date_in(line: Line, scenario: Scenario, today: date) -> date:
    """The day of a line: from set-up on, not in the future. Raises BadInput."""
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
    return when


def spacer_in(line: Line, scenario: Scenario) -> str:
    """The spacer's label, of the set, or '' where none is named. Raises BadInput."""
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


def strings_on_in(line: Line) -> bool:
    """Whether the strings were on; they were where nothing is said. Raises BadInput."""
    text = line.cells.get("strings", "").lower()
    if text not in ("", "on", "off"):
        raise line.fault("strings", f'"{text}"', "on or off", "on")
    return text != "off"


def reading_in(line: Line, when: date, spacer: str, strings_on: bool) -> ReadingRow:
    """The reading of a line, in mm or g, with its uncertainty and the bench's air. Raises BadInput."""
    what = _what(line)
    quantity = QUANTITIES[what]
    if not line.has("value"):
        raise line.fault("value", "no value", "a number with its unit", "2.55 mm")
    value = _in_unit(line, "value", quantity)
    if not quantity.low <= value <= quantity.high:
        raise line.fault(
            "value",
            f"{quantity.words} of {value:g} {quantity.unit}",
            f"between {quantity.low:g} and {quantity.high:g} {quantity.unit}",
            _likely(number_in(line, "value").value, quantity),
        )
    if what.startswith("action") and not strings_on:
        raise line.fault("strings", "action read with the strings off", "strings on, or another quantity", "on")
    air, tool = _bench_air(line), line.cells.get("tool", "")
    sd = _sd(line, tool, quantity)
    return ReadingRow(when, what, value, sd, tool, *air, spacer, strings_on, line.row, hour=hour_in(line))


def _what(line: Line) -> str:
    plain = plain_words(line.cells.get("what", ""))
    name = WHAT_WORDS.get(plain, plain.replace(" ", "_"))
    if name not in QUANTITIES:
        known = [*WHAT_WORDS, *QUANTITIES]
        came = f'unknown quantity "{line.cells["what"]}".{near_match(plain, known)}' if plain else "no quantity named"
        needed = "one of " + ", ".join(key.replace("_", " ") for key in QUANTITIES)
        raise line.fault("what", came, needed, "action bass")
    return name


def _in_unit(line: Line, column: str, quantity: Quantity) -> float:
    """A cell's value in mm or g: its unit stands with it, in a unit column or in the column's name. Raises BadInput."""
    said = number_in(line, column)
    named = said.unit or line.units.get(column, "") or (line.cells.get("unit", "").lower() if column == "value" else "")
    if not named and column == "uncertainty" and line.has("value"):
        named = number_in(line, "value").unit or line.units.get("value", "") or line.cells.get("unit", "").lower()
    if quantity.unit == "g":
        if named in WEIGHTS:
            return said.value * WEIGHTS[named]
    else:
        length_mm = replace(said, unit=named).length_mm
        if length_mm is not None:
            return length_mm
    mend = _likely(said.value, quantity) if column == "value" else f"{said.value:g} {quantity.unit}"
    if named:
        needed = "mm, in or thou" if quantity.unit == "mm" else "g, kg, lb or oz"
        raise line.fault(column, f'unit "{named}"', needed, mend)
    needed = "mm, in or thou (g, kg, lb or oz for weight), with the value, in a unit column or in the column's name"
    raise line.fault(column, f'"{line.cells[column]}" has no unit', needed, mend)


def _likely(number: float, quantity: Quantity) -> str:
    """A number with the unit in which it can be true: '0.125 in', '90 thou'; an example where it can be in none."""
    if quantity.unit == "g":
        kilos = quantity.low <= 1000.0 * number <= quantity.high
        return f"{number:g} {'kg' if kilos else 'g'}" if kilos or quantity.low <= number <= quantity.high else "2.1 kg"
    units = likely_units(number, quantity.low, quantity.high)
    return f"{number:g} {units[0]}" if units else f"{max(quantity.low, 0.0) + 1.0:g} mm, after reading it again"


def _sd(line: Line, tool: str, quantity: Quantity) -> float:
    unit = quantity.unit
    if line.has("uncertainty"):
        sd = _in_unit(line, "uncertainty", quantity)
        if sd <= 0:
            raise line.fault("uncertainty", f"{sd:g}", "above 0: one standard deviation", f"0.05 {unit}")
        return sd
    if not tool:
        raise line.fault(
            "tool",
            "neither a tool nor an uncertainty",
            "a column tool with one of " + ", ".join(tool_names()),
            "feeler gauge",
        )
    try:
        sd, of = tool_sd(tool)
    except BadInput as fault:
        raise line.fault("tool", fault.came, fault.needed, fault.mend) from None
    if of != unit:
        right = "scale" if unit == "g" else "feeler gauge"
        raise line.fault("tool", f'"{tool}" reads {of}, this is in {unit}', "a tool for the quantity", right)
    return sd


def hour_in(line: Line) -> float | None:
    """The hour of the day, 0 to 24: 14, 14.5 or 14:30; None where it is not said. Raises BadInput."""
    text = line.cells.get("hour", "").strip().lower().removesuffix("h").strip()
    if not text:
        return None
    clock = re.fullmatch(r"(\d{1,2}):(\d{2})", text)
    plain = re.fullmatch(r"\d{1,2}([.,]\d+)?", text)
    hour = int(clock[1]) + int(clock[2]) / 60.0 if clock else float(text.replace(",", ".")) if plain else -1.0
    if not 0.0 <= hour <= 24.0 or (clock and int(clock[2]) > 59):
        raise line.fault("hour", f'"{line.cells["hour"]}"', "an hour of the day, 0 to 24", "14:30")
    return hour


def _bench_air(line: Line) -> tuple[float | None, float | None, float | None]:
    temperature = humidity = hours = None
    if line.has("temperature"):
        said = number_in(line, "temperature")
        temperature = said.value
        unit = {"f": "degf", "c": "degc"}.get(said.unit, said.unit or line.units.get("temperature", ""))
        if unit not in ("degc", "degf"):
            raise line.fault("temperature", f'"{line.cells["temperature"]}" has no unit', "degC or degF", "21 degC")
        temperature = fahrenheit_to_celsius(temperature) if unit == "degf" else temperature
        if not -10.0 <= temperature <= 50.0:
            raise line.fault("temperature", f"{temperature:g} degC at the bench", "-10 to 50 degC", "21 degC")
    if line.has("relative_humidity"):
        humidity = number_in(line, "relative_humidity").value
        if not 1.0 < humidity <= 100.0:
            raise line.fault("relative_humidity", f"{humidity:g} %", "percent, above 1 and up to 100", "45")
    if line.has("hours_at_bench"):
        hours = number_in(line, "hours_at_bench").value
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
