"""What a bench says in one breath, as the cells of a readings file: 'action 7/64 in at 38 % 21 C after 2 h with rule',
'spacer -2', 'saddle -0.5 mm', 'truss rod'."""

from __future__ import annotations

import re
from dataclasses import dataclass, replace
from datetime import date

from driftmodel.base.errors import BadInput, near_match, near_matches, refusal
from driftmodel.base.records import Scenario
from driftmodel.calibration.readings_cells import WHAT_WORDS, Line, plain_words, reading_in
from driftmodel.calibration.records import ALIASES, ReadingRow, tool_names
from driftmodel.calibration.work import Asked, pieces_of, understood

#: how long a guitar has lain in the air that was read beside it, where nothing is said, hours; and that air's heat
#: (common practice, no source)
LAIN_HOURS, BENCH_C = 24, 21
TOOL = "feeler gauge"
EXAMPLE = "action 2.8 mm at 38 % 21 C after 2 h"

_N = r"(\d+(?:[.,]\d+)?)"
_PIECES = {
    "relative_humidity": re.compile(
        rf"(?:\b(?:at|in)\s+)?(?:\b(?:rh|humidity)\s*(?:at|of)?\s*)?{_N}\s*(?:%|percent\b|pct\b)"
        rf"(?:\s*(?:rh|relative humidity|humidity)\b)?|(?:\bat\s+)?\b(?:rh|humidity)\s*(?:at|of)?\s*{_N}"
        rf"|(?:\b(?:at|in)\s+)?{_N}\s*(?:rh|relative humidity|humidity)\b", re.I),
    "temperature": re.compile(
        rf"(?:\bat\s+|\band\s+|,\s*)?(?:\btemp(?:erature)?\s*(?:of\s*)?)?(-?\d+(?:[.,]\d+)?\s*(?:°|deg|degrees)?\s*[cf])\b"
        rf"|(?:\bat\s+|\band\s+|,\s*)?{_N}\s*(?:°|degrees\b|deg\b)|\btemp(?:erature)?\s*(?:of\s*)?{_N}", re.I),
    "hours": re.compile(
        r"(?:\bafter\s+|\bfor\s+)?\b(\d+(?:[.,]\d+)?(?=\s*[hdnw])|(?:an?|one|two|three|four|five|six)(?=\s))\s*"
        r"(h|hrs?|hours?|d|days?|nights?|weeks?)\b(?!\s*ago)|\b(?:after a night|overnight)\b", re.I),
    "uncertainty": re.compile(r"(?:±|\+/-|\+-)\s*(\d+(?:[.,]\d+)?\s*(?:mm|in|thou|g)?)", re.I),
}  # fmt: skip
_COUNTS = {"a": 1, "an": 1, "one": 1, "two": 2, "three": 3, "four": 4, "five": 5, "six": 6}
_POUNDS = re.compile(r"(\d+)\s*lbs?\s*(\d+(?:\.\d+)?)\s*oz\b", re.I)
#: a temperature without a letter from here on is taken to be in degrees Fahrenheit
FAHRENHEIT_FROM = 45.0
#: what a bench says for the quantities, and what it says besides
_SPOKEN = (
    (r"\b(?:the\s+)?string(?:s'?)? height\b", "action"),
    (r"\b(?:bass|low e|6th)(?: side| string)?(?: action)?\b", "action bass"),
    (r"\b(?:treble|high e|1st)(?: side| string)?(?: action)?\b", "action treble"),
    (r"\baction (action \w+)", r"\1"),
    (r"\b(?:at|over|on)?\s*(?:the\s+)?12th(?: fret)?\b", " "),
    (r"\b(?:measured|measures|measuring|reads?|reading|checked|checks|now|was|is|found|stands at|comes to|of)\b", " "),
)


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
    text = whole = words.replace("=", " ").strip()
    text = _POUNDS.sub(lambda found: f"{453.592 * float(found[1]) + 28.3495 * float(found[2]):.0f} g", text)
    cells: dict[str, str] = {}
    taken = []
    for column, pattern in _PIECES.items():
        found = pattern.search(text)
        if not found:
            continue
        text = (text[: found.start()] + " " + text[found.end() :]).strip()
        number = next((part for part in found.groups() if part), "")
        if column == "hours":
            hours = float(_COUNTS.get(number.lower(), 0) or number.replace(",", ".") or 12)
            unit = (found[2] or "h")[0].lower()
            cells["hours_at_bench"] = f"{hours * {'h': 1, 'd': 24, 'n': 12, 'w': 168}[unit]:g}"
        else:
            cells[column] = number.strip()
    if cells.get("temperature", "c")[-1:].isdigit():
        letter = "F" if float(cells["temperature"].replace(",", ".")) >= FAHRENHEIT_FROM else "C"
        cells["temperature"] += f" {letter}"
        taken.append(f"the temperature in °{letter}")
    text, tool = _tool(text)
    text = re.sub(r"(?:\s|^)(?:at|with|by|using|after|,)+\s*$", "", " ".join(text.split())).strip(" ,;")
    what, rest = _spoken(text)
    if (
        not what
        or (what.startswith(("action", "saddle")) and re.match(r"^[+−–-]\s*\d", rest))
        or not re.search(r"\d", rest)
    ):
        return _work(words, whole if whole.lower().startswith(("note", "anew")) else text, whole, scenario, fitted)
    cells |= {"what": what, "value": rest}
    quantity = WHAT_WORDS.get(plain_words(what), plain_words(what).replace(" ", "_"))
    if tool:
        cells["tool"] = tool
    elif "uncertainty" not in cells:
        cells["tool"] = "scale" if quantity == "weight" else "straightedge" if quantity == "projection" else TOOL
        taken.append(f"read with a {cells['tool']} (say 'with rule' and the like)")
    if "relative_humidity" in cells or "hours_at_bench" in cells:
        if "relative_humidity" not in cells:
            came = f'how long it lay at the bench, but not in what air ("{EXAMPLE}")'
            raise _fault(words, came, f"{what} {rest}")
        if "temperature" not in cells:
            cells["temperature"] = f"{BENCH_C} C"
            taken.append(f"{BENCH_C} °C beside it")
        if "hours_at_bench" not in cells:
            cells["hours_at_bench"] = str(LAIN_HOURS)
            taken.append(f"it had lain in that air for {LAIN_HOURS} hours (say 'after 2 h' if less)")
    try:
        reading_in(Line(cells, {}, "", 0), scenario.setup.setup, "", True)
    except BadInput as fault:
        column = str(fault.place)
        mended = _said_again({**cells, column: fault.mend} if column in cells else cells)
        raise refusal(f'"{words}": {fault.came}. Needed: {fault.needed}. Mend: "{mended}"') from None
    return Saying(cells, tuple(taken))


def _said_again(cells: dict[str, str]) -> str:
    """A reading's cells as a bench would say them."""
    value = re.sub(r",.*", "", cells["value"])
    words = f"{cells['what']} {value}"
    if "relative_humidity" in cells:
        words += f" at {cells['relative_humidity']} % {cells['temperature']} after {cells['hours_at_bench']} h"
    return words + (f" with {cells['tool']}" if cells.get("tool", TOOL) not in (TOOL, "scale", "straightedge") else "")


def _spoken(text: str) -> tuple[str, str]:
    """The quantity and what is left, said in the file's words or in a bench's: '12th fret action now 2.8 mm'."""
    what, rest = _quantity(text)
    if what and re.match(r"^[+−–-]?\s*[\d.,]", rest) and not re.search(r"12th|\bis\b|\bnow\b", rest):
        return what, rest
    plain = text
    for said, meant in _SPOKEN:
        plain = re.sub(said, meant, plain, flags=re.IGNORECASE)
    plain = " ".join(plain.split()).strip(" ,:")
    number = re.match(r"^([\d.,/ ]+(?:mm\b|in\b|thou\b|inch(?:es)?\b|\")?)\s*(?:on (?:the )?)?(.*)$", plain)
    if number and (_quantity(number[2])[0] or "12th" in text):
        plain = f"{number[2] or 'action'} {number[1]}"
    told = _quantity(plain)
    return told if told[0] and re.match(r"^[\d.,]", told[1]) else (what, rest)


def reading_said(words: str, scenario: Scenario, when: date, fitted: str) -> tuple[ReadingRow, tuple[str, ...]]:
    """One reading as said, and what was taken where nothing was said. Raises BadInput for work and all else."""
    try:
        saying = saying_of(words, scenario, fitted)
        if saying.is_work:
            raise _fault(words, "work; it is written down by `driftmodel record add`", EXAMPLE)
    except BadInput as fault:
        said = fault.mend if re.match(r'"(action|projection|relief|weight|saddle height|top)', fault.mend) else EXAMPLE
        raise BadInput(fault.came, fault.needed, place="--reading", mend=f'--reading "{said.strip(chr(34))}"') from None
    if when < scenario.setup.setup:
        first = scenario.setup.setup
        raise refusal(f"{when} is before set-up ({first}). Needed: a day since set-up. Mend: --date {first}")
    return reading_in(Line(saying.cells, {}, "--reading", 0), when, "", True), saying.taken


def _tool(text: str) -> tuple[str, str]:
    for name in sorted((*tool_names(), *ALIASES), key=len, reverse=True):
        found = re.search(rf"(?:\b(?:with|by|using)\s+(?:an?\s+|the\s+)?)?\b{name}\b", text, re.I)
        if found:
            return text[: found.start()] + " " + text[found.end() :], ALIASES.get(name, name)
    return text, ""


def _quantity(text: str) -> tuple[str, str]:
    """The quantity's words at the front and what is left; ('', text) where none stands there."""
    plain = text.lower().replace("_", " ")
    for known in sorted(WHAT_WORDS, key=len, reverse=True):
        if plain.startswith(known) and not plain[len(known) :][:1].isalpha():
            return known, text[len(known) :].strip(" :,")
    return "", text


def _work(words: str, text: str, whole: str, scenario: Scenario, fitted: str) -> Saying:
    """text: without air and tool; whole: with them, kept where it can be."""
    if re.fullmatch(r"\d{4}-\d\d-\d\d", whole):
        raise refusal(f'"{whole}" is a day. Needed: what was read or done, and its day beside it. Mend: --date {whole}')
    asked: Asked | None = None
    for said in dict.fromkeys((whole, text)):
        found = [understood(piece, scenario.instrument.spacers, fitted) for piece in pieces_of(said)]
        asked = next((one for one in found if isinstance(one, Asked)), None)
        if asked is None and found:
            return Saying({"work": said})
    if asked is None or (re.search(r"\d", text) and not _ABOUT.search(text)):
        bald = re.sub(r"[^a-z ]", "", text.lower()).strip()
        near, meant = near_match(bald, WHAT_WORDS), next(iter(near_matches(bald, WHAT_WORDS)), "")
        number = re.search(r"\d[^a-z]*(mm|in|thou|g|kg)?", text)
        bare = bool(re.fullmatch(r"[\d.,/ ]*\s*(mm|in|thou|inch|inches|\")?", text)) and bool(number)
        mend = f"{meant or 'action'} {number[0].strip()}" if number and (meant or bare) else f"note: {whole}"
        raise _fault(words, f"neither a reading nor work.{near}", mend)
    if asked.mend.startswith("note:"):
        asked = replace(asked, mend=f"note: {whole}")
    raise refusal(f'{asked.came}. Needed: {asked.needed}. Mend: "{asked.mend}"')


#: words of work that may hold a number
_ABOUT = re.compile(r"saddle|spacer|shim|action|string|\b(turns?|frets?|nut|glued|crack|neck)\b", re.I)


def _fault(words: str, came: str, mend: str) -> BadInput:
    return BadInput(
        f'"{words}": {came}', "a quantity, its value and, if known, the air and tool, or work done", mend=f'"{mend}"'
    )
