"""What is known of a wood, in a maker's words: the list of woods, and one wood with all its numbers."""

from __future__ import annotations

from dataclasses import asdict
from typing import Any

from driftmodel.base import library
from driftmodel.base.materials import Datum, Wood
from driftmodel.report.texts import fixed, plain_text, worded

#: what a forecast asks of every wood; a wood without one of these gets a stand-in
_ASKED = (
    "coefficient_radial", "coefficient_tangential", "modulus_of_elasticity_12", "specific_gravity_12",
    "elastic_ratio_radial", "elastic_ratio_tangential", "shear_ratio_lr", "shear_ratio_lt", "poisson_lr",
)  # fmt: skip


def _shown(key: str) -> tuple[str, float, str, int]:
    """What a maker calls this number, factor to the shown unit, that unit, decimals; its key in plain words where it
    has no name of its own."""
    words, factor, unit, decimals = fixed()["wood_numbers"].get(key, (key.replace("_", " "), 1.0, "", 3))
    return words, factor, unit, decimals


def _value_words(key: str, value: float) -> str:
    _, factor, unit, decimals = _shown(key)
    return f"{value * factor:.{decimals}f} {unit}".strip()


def _spread_words(key: str, datum: Datum) -> str:
    """How far the true number may lie from the printed one, in words."""
    if datum.spread_kind == "cv_pct":
        return f"± {datum.spread:.0f} % (one standard deviation)"
    if datum.spread_kind == "sd":
        unit = _shown(key)[2] if key in fixed()["wood_numbers"] else datum.unit
        return f"± {datum.spread:g} {unit} (one standard deviation)"
    return f"÷ or × {datum.spread:.2f} (80 % band)"


_USES_ORDER = ("top", "back", "neck", "fingerboard", "bridge", "lining", "spacer")


def _standing(one: Wood) -> str:
    """The weakest standing among the wood's movement and stiffness numbers, in a word or two."""
    statuses = [one.numbers[key].status for key in _ASKED[:3] if key in one.numbers]
    if not statuses:
        return "none"
    standing = worded("standing")
    ranks = list(standing)
    worst = max(max((ranks.index(word) for word in ranks if word in status), default=0) for status in statuses)
    return standing[ranks[worst]]


def _row(one: Wood) -> str:
    def movement(key: str) -> str:
        return f"{one.numbers[key].value * 100:.3f}" if key in one.numbers else "-"

    modulus = one.numbers.get("modulus_of_elasticity_12")
    stiff = f"{modulus.value / 1000:.1f}" if modulus else "-"
    mark = "*" if one.disagreements else " "
    return (
        f"{one.name:<29}{one.scientific:<28}{'/'.join(one.uses):<22}{movement('coefficient_radial'):>5}"
        f"{movement('coefficient_tangential'):>6}{stiff:>5} {mark} {_standing(one)}"
    )


def list_woods() -> str:
    """A table of all woods, those of instruments first; no line is longer than 110 columns."""
    woods = [library.wood(name) for name in library.wood_names()]

    def by_use(one: Wood) -> tuple[int, str]:
        return (_USES_ORDER.index(one.uses[0]) if one.uses[0] in _USES_ORDER else len(_USES_ORDER), one.name)

    first = sorted((one for one in woods if one.uses), key=by_use)
    rest = [one for one in woods if not one.uses]
    return plain_text("woods.txt", first=first, rest=rest, row=_row) + "\n"


def _stand_ins(one: Wood) -> dict[str, Datum]:
    return {key: library.number(one, key) for key in _ASKED if key not in one.numbers}


def one_wood(name: str) -> str:
    """All that is known of one wood: numbers, spread, standing, disagreements, stand-ins, sources in full.

    Raises BadInput for an unknown wood."""
    one = library.wood(name)
    order = list(fixed()["wood_numbers"])
    cited: dict[str, int] = {}
    told = plain_text(
        "wood.txt",
        one=one,
        title=one.name + (f" ({one.scientific})" if one.scientific else ""),
        known=sorted(one.numbers, key=lambda key: order.index(key) if key in order else len(order)),
        lent=_stand_ins(one),
        cited=cited,
        mark=lambda source: cited.setdefault(source, len(cited) + 1),
        sources=library.sources(),
        shown=_shown,
        value=_value_words,
        spread=_spread_words,
    )
    return told + "\n"


def wood_record(name: str) -> dict[str, Any]:
    """One wood as plain tables for JSON: numbers, stand-ins, disagreements and the sources they name."""
    one = library.wood(name)
    lent = _stand_ins(one)
    named = {datum.source for datum in (*one.numbers.values(), *lent.values())}
    named |= {item.source for item in one.disagreements}
    return {name: getattr(one, name) for name in ("name", "scientific", "kind")} | {
        "aliases": list(one.aliases),
        "uses": list(one.uses),
        "note": one.note,
        "numbers": {key: asdict(datum) for key, datum in one.numbers.items()},
        "stand_ins": {key: asdict(datum) for key, datum in lent.items()},
        "disagreements": [asdict(item) for item in one.disagreements],
        "sources": {key: library.sources()[key] for key in sorted(named)},
    }
