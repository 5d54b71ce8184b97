"""Units at the doors: everything inside is mm, degC, %, N, days; inch and Fahrenheit exist only here; lengths as
a bench says them."""

from __future__ import annotations

import re
from dataclasses import dataclass

MM_PER_INCH = 25.4  # exact, international inch
NEWTON_PER_POUND_FORCE = 4.4482216152605  # exact, international pound and standard gravity


def fahrenheit_to_celsius(temperature_f: float) -> float:
    """Temperature in degC of one in degF."""
    return (temperature_f - 32.0) / 1.8


def celsius_to_fahrenheit(temperature_c: float) -> float:
    """Temperature in degF of one in degC."""
    return temperature_c * 1.8 + 32.0


def length_words(length_mm: float, units: str, digits: int = 2) -> str:
    """A length as a person reads it: '0.42 mm' or '0.017 in'; `units` is 'metric' or 'inch'."""
    if units == "inch":
        return f"{length_mm / MM_PER_INCH:.{digits + 1}f} in"
    return f"{length_mm:.{digits}f} mm"


def length_unit(units: str) -> tuple[float, str]:
    """Millimetres in one unit of length, and its name; `units` is 'metric' or 'inch'."""
    return (MM_PER_INCH, "in") if units == "inch" else (1.0, "mm")


def temperature_words(temperature_c: float, units: str) -> str:
    """A temperature as a person reads it: '21 °C' or '70 °F'; `units` is 'metric' or 'inch'."""
    if units == "inch":
        return f"{celsius_to_fahrenheit(temperature_c):.0f} °F"
    return f"{temperature_c:.0f} °C"


#: unit as written -> (its name, millimetres in one)
LENGTH_UNITS: dict[str, tuple[str, float]] = {
    "mm": ("mm", 1.0), "millimetre": ("mm", 1.0), "millimetres": ("mm", 1.0), "millimeter": ("mm", 1.0),
    "millimeters": ("mm", 1.0), "cm": ("cm", 10.0),
    "in": ("in", MM_PER_INCH), "in.": ("in", MM_PER_INCH), "inch": ("in", MM_PER_INCH), "inches": ("in", MM_PER_INCH),
    '"': ("in", MM_PER_INCH), "″": ("in", MM_PER_INCH), "''": ("in", MM_PER_INCH), "”": ("in", MM_PER_INCH),
    "thou": ("thou", MM_PER_INCH / 1000.0), "thousandths": ("thou", MM_PER_INCH / 1000.0),
    "thousandth": ("thou", MM_PER_INCH / 1000.0), "mil": ("thou", MM_PER_INCH / 1000.0),
    "mils": ("thou", MM_PER_INCH / 1000.0), "64ths": ("64ths", MM_PER_INCH / 64.0),
    "32nds": ("32nds", MM_PER_INCH / 32.0), "um": ("um", 0.001), "µm": ("um", 0.001),
}  # fmt: skip
#: denominators a rule or gauge in inches is cut in; a fraction of these is of an inch, whatever else is not said
INCH_DENOMINATORS = (2, 4, 8, 16, 32, 64, 128)
_NUMBER = r"[+−–-]?\s*(?:\d+\s+\d+\s*/\s*\d+|\d+\s*/\s*\d+|\d+(?:[.,]\d+)?|[.,]\d+)"
_UNIT = "|".join(sorted((re.escape(unit) for unit in LENGTH_UNITS), key=len, reverse=True))
NUMBER = re.compile(rf"^({_NUMBER})\s*(.*)$")
LENGTH = re.compile(rf"(?<![\w./])({_NUMBER})\s*({_UNIT})?(?![\w/])", re.IGNORECASE)


@dataclass(frozen=True)
class Said:
    """A number as said: its value, the unit written after it ('' if none), whether it was a fraction, whether a sign
    was put before it, and the words themselves."""

    value: float
    unit: str
    fraction: bool
    signed: bool
    words: str

    @property
    def length_mm(self) -> float | None:
        """In mm, None where no unit of length is said. A fraction of 2, 4 ... 128 without a unit is of an inch."""
        if self.unit:
            known = LENGTH_UNITS.get(self.unit)
            return None if known is None else self.value * known[1]
        return self.value * MM_PER_INCH if self.fraction else None


def said_number(text: str) -> Said | None:
    """The one number of a text with the unit after it, or None where the text is anything else."""
    found = NUMBER.match(text.strip())
    if not found:
        return None
    number = _number(found[1])
    if number is None:
        return None
    value, fraction = number
    return Said(value, found[2].strip().lower(), fraction, found[1][0] in "+-−–", text.strip())


def said_lengths(text: str) -> list[Said]:
    """Every number in a text that may be a length, with the unit after it ('' if none)."""
    found = []
    for match in LENGTH.finditer(text):
        number = _number(match[1])
        if number is not None:
            signed = match[1][0] in "+-−–"
            found.append(Said(number[0], (match[2] or "").lower(), number[1], signed, match[0].strip()))
    return found


def _number(text: str) -> tuple[float, bool] | None:
    plain = text.replace("−", "-").replace("–", "-").replace(",", ".")
    sign = -1.0 if plain.startswith("-") else 1.0
    plain = plain.lstrip("+-").strip()
    if "/" not in plain:
        return sign * float(plain), False
    whole, _, part = plain.rpartition(" ") if re.match(r"\d+\s+\d", plain) else ("", "", plain)
    above, below = (int(each) for each in part.replace(" ", "").split("/"))
    if below not in INCH_DENOMINATORS:
        return None
    return sign * (float(whole or 0) + above / below), True


def likely_units(number: float, low_mm: float, high_mm: float) -> list[str]:
    """Units in which a number without one could be true, lying between two limits in mm: of mm, in, thou."""
    return [unit for unit in ("mm", "in", "thou") if low_mm <= number * LENGTH_UNITS[unit][1] <= high_mm]
