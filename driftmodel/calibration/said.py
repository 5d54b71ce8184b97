"""What a bench says in one breath, as the cells of a readings file: 'action 7/64 in at 38 % 21 C after 2 h with rule',
'spacer -2', 'saddle -0.5 mm', 'truss rod'."""

from __future__ import annotations

import re
from dataclasses import dataclass
from datetime import date

from driftmodel.base.errors import BadInput, near_match
from driftmodel.base.records import Scenario
from driftmodel.calibration.readings_cells import WHAT_WORDS, reading_in
from driftmodel.calibration.readings_table import Line, plain_words
from driftmodel.calibration.records import ReadingRow
from driftmodel.calibration.tools import tool_names
from driftmodel.calibration.work_words import Asked, understood

#: how long a guitar has lain in the air that was read beside it, where nothing is said, hours; and that air's heat
#: (common practice, no source)
LAIN_HOURS, BENCH_C = 24, 21
TOOL = "feeler gauge"
EXAMPLE = "action 2.8 mm at 38 % 21 C after 2 h"

_PIECES = {
    "relative_humidity": re.compile(r"(?:\bat\s+|\bin\s+)?(\d+(?:[.,]\d+)?)\s*(?:%|percent\b|pct\b)(?:\s*rh\b)?", re.I),
    "temperature": re.compile(r"(?:\bat\s+|\band\s+|,\s*)?(-?\d+(?:[.,]\d+)?\s*(?:°|deg|degrees)?\s*[cf])\b", re.I),
    "hours": re.compile(r"(?:\bafter\s+|\bfor\s+)?(\d+(?:[.,]\d+)?)\s*(h|hrs?|hours?|d|days?)\b", re.I),
    "uncertainty": re.compile(r"(?:±|\+/-|\+-)\s*(\d+(?:[.,]\d+)?\s*(?:mm|in|thou|g)?)", re.I),
}  # fmt: skip


@dataclass(frozen=True)
class Saying:
    """cells: by the readings file's columns. taken: what was not said and what was taken for it, in words."""

    cells: dict[str, str]
    taken: tuple[str, ...] = ()

    @property
    def is_work(self) -> bool:
        return "work" in self.cells


def saying_of(words: str, scenario: Scenario, fitted: str) -> Saying:
    """The cells of a line as the bench says it. Raises BadInput with what would be understood."""
    text = words.replace("=", " ").strip()
    cells: dict[str, str] = {}
    for column, pattern in _PIECES.items():
        found = pattern.search(text)
        if not found:
            continue
        text = (text[: found.start()] + " " + text[found.end() :]).strip()
        if column == "hours":
            days = found[2].lower().startswith("d")
            cells["hours_at_bench"] = f"{float(found[1].replace(',', '.')) * (24 if days else 1):g}"
        else:
            cells[column] = found[1].strip()
    text, tool = _tool(text)
    text = re.sub(r"(?:\s|^)(?:at|with|by|using|after|,)+\s*$", "", " ".join(text.split())).strip(" ,;")
    what, rest = _quantity(text)
    if (
        not what
        or (what.startswith(("action", "saddle")) and re.match(r"^[+−–-]\s*\d", rest))
        or not re.search(r"\d", rest)
    ):
        return _work(words, text, scenario, fitted)
    cells |= {"what": what, "value": rest}
    quantity = WHAT_WORDS.get(plain_words(what), plain_words(what).replace(" ", "_"))
    taken = []
    if tool:
        cells["tool"] = tool
    elif "uncertainty" not in cells:
        cells["tool"] = "scale" if quantity == "weight" else "straightedge" if quantity == "projection" else TOOL
        taken.append(f"read with a {cells['tool']} (say 'with rule' and the like)")
    if "relative_humidity" in cells or "hours_at_bench" in cells:
        if "relative_humidity" not in cells:
            raise _fault(words, "how long it lay at the bench, but not in what air", EXAMPLE)
        if "temperature" not in cells:
            cells["temperature"] = f"{BENCH_C} C"
            taken.append(f"{BENCH_C} °C beside it")
        if "hours_at_bench" not in cells:
            cells["hours_at_bench"] = str(LAIN_HOURS)
            taken.append(f"it had lain in that air for {LAIN_HOURS} hours (say 'after 2 h' if less)")
    return Saying(cells, tuple(taken))


def reading_said(words: str, scenario: Scenario, when: date, fitted: str) -> tuple[ReadingRow, tuple[str, ...]]:
    """One reading as said, and what was taken where nothing was said. Raises BadInput for work and all else."""
    saying = saying_of(words, scenario, fitted)
    if saying.is_work:
        raise _fault(words, "a reading", EXAMPLE)
    if when < scenario.setup.setup:
        first = scenario.setup.setup
        raise BadInput(f"{when} is before set-up ({first})", "a day since set-up", mend=f"--date {first}")
    try:
        return reading_in(Line(saying.cells, {}, "--reading", 0), when, "", True), saying.taken
    except BadInput as fault:
        mend = f'--reading "{saying.cells["what"]} {fault.mend}"' if fault.place == "value" else fault.mend
        raise BadInput(fault.came, fault.needed, place=f"--reading, {fault.place}", mend=mend) from None


def _tool(text: str) -> tuple[str, str]:
    for name in sorted(tool_names(), key=len, reverse=True):
        found = re.search(rf"(?:\b(?:with|by|using)\s+(?:an?\s+|the\s+)?)?\b{name}\b", text, re.I)
        if found:
            return text[: found.start()] + " " + text[found.end() :], name
    return text, ""


def _quantity(text: str) -> tuple[str, str]:
    """The quantity's words at the front and what is left; ('', text) where none stands there."""
    plain = text.lower().replace("_", " ")
    for known in sorted(WHAT_WORDS, key=len, reverse=True):
        if plain.startswith(known) and not plain[len(known) :][:1].isalpha():
            return known, text[len(known) :].strip(" :,")
    return "", text


def _work(words: str, text: str, scenario: Scenario, fitted: str) -> Saying:
    found = understood(text, scenario.instrument.spacers, fitted)
    if not isinstance(found, Asked):
        return Saying({"work": text})
    if re.search(r"\d", text) and not re.search(r"saddle|spacer|shim|action", text, re.I):
        near = near_match(re.sub(r"[^a-z ]", "", text.lower()).strip(), WHAT_WORDS)
        number = re.search(r"\d.*$", text)
        meant = near.removeprefix(' Did you mean "').removesuffix('"?') or "action"
        raise _fault(words, f"neither a reading nor work.{near}", f"{meant} {number[0] if number else '2.8 mm'}")
    raise _asked(words, found)


def _asked(words: str, found: Asked) -> BadInput:
    return BadInput(found.came, found.needed, mend=f'"{found.mend}"')


def _fault(words: str, came: str, mend: str) -> BadInput:
    return BadInput(
        f'"{words}": {came}', "a quantity, its value and, if known, the air and tool, or work done", mend=f'"{mend}"'
    )
