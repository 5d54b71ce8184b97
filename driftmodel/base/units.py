"""Units at the doors: everything inside is mm, degC, %, N, days; inch and Fahrenheit exist only here."""

from __future__ import annotations

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
