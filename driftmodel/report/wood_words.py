"""What is known of a wood, in a maker's words: the list of woods, and one wood with all its numbers."""

from __future__ import annotations

import textwrap
from typing import Any

from driftmodel.base import library
from driftmodel.base.materials import Datum, Wood

WIDTH = 108

#: number -> (what a maker calls it, factor from the stored unit to the shown unit, shown unit, decimals)
_SHOWN: dict[str, tuple[str, float, str, int]] = {
    "coefficient_radial": ("movement across, quarter-sawn (radial)", 100.0, "% of width per 1 % MC", 3),
    "coefficient_tangential": ("movement across, flat-sawn (tangential)", 100.0, "% of width per 1 % MC", 3),
    "shrinkage_radial": ("shrinkage green to ovendry, radial", 1.0, "%", 1),
    "shrinkage_tangential": ("shrinkage green to ovendry, tangential", 1.0, "%", 1),
    "shrinkage_volumetric": ("shrinkage green to ovendry, volume", 1.0, "%", 1),
    "fibre_saturation": ("moisture content where shrinking begins", 1.0, "% MC", 0),
    "intersection_moisture": ("moisture content where strength starts to rise", 1.0, "% MC", 0),
    "modulus_of_elasticity_12": ("stiffness along the grain, 12 % MC (bending)", 0.001, "GPa", 1),
    "modulus_of_elasticity_green": ("stiffness along the grain, green (bending)", 0.001, "GPa", 1),
    "modulus_of_rupture_12": ("bending strength, 12 % MC", 0.001, "MPa", 0),
    "modulus_of_rupture_green": ("bending strength, green", 0.001, "MPa", 0),
    "specific_gravity_12": ("specific gravity, volume at 12 % MC", 1.0, "", 2),
    "specific_gravity_basic": ("specific gravity, green volume", 1.0, "", 2),
    "elastic_ratio_radial": ("stiffness across (radial) over along", 1.0, "", 3),
    "elastic_ratio_tangential": ("stiffness across (tangential) over along", 1.0, "", 3),
    "shear_ratio_lr": ("shear stiffness, face of a quarter-sawn board, over along", 1.0, "", 3),
    "shear_ratio_lt": ("shear stiffness, face of a flat-sawn board, over along", 1.0, "", 3),
    "shear_ratio_rt": ("shear stiffness across the grain (rolling), over along", 1.0, "", 3),
    "poisson_lr": ("Poisson's ratio, along to radial", 1.0, "", 2),
    "compression_parallel_12": ("crushing strength along the grain, 12 % MC", 0.001, "MPa", 1),
    "compression_perpendicular_12": ("crushing strength across the grain, 12 % MC", 0.001, "MPa", 1),
    "shear_parallel_12": ("shear strength along the grain, 12 % MC", 0.001, "MPa", 1),
    "tension_perpendicular_12": ("splitting strength across the grain, 12 % MC", 0.001, "MPa", 1),
    "compression_parallel_green": ("crushing strength along the grain, green", 0.001, "MPa", 1),
    "compression_perpendicular_green": ("crushing strength across the grain, green", 0.001, "MPa", 1),
    "shear_parallel_green": ("shear strength along the grain, green", 0.001, "MPa", 1),
    "tension_perpendicular_green": ("splitting strength across the grain, green", 0.001, "MPa", 1),
}

#: what a forecast asks of every wood; a wood without one of these gets a stand-in
_ASKED = (
    "coefficient_radial",
    "coefficient_tangential",
    "modulus_of_elasticity_12",
    "specific_gravity_12",
    "elastic_ratio_radial",
    "elastic_ratio_tangential",
    "shear_ratio_lr",
    "shear_ratio_lt",
    "poisson_lr",
)


def label(key: str) -> str:
    """What a maker calls this number; its key in plain words when it has no label of its own."""
    return _SHOWN[key][0] if key in _SHOWN else key.replace("_", " ")


def _value_words(key: str, value: float) -> str:
    _, factor, unit, decimals = _SHOWN.get(key, (key, 1.0, "", 3))
    return f"{value * factor:.{decimals}f} {unit}".strip()


def spread_words(datum: Datum, unit: str | None = None) -> str:
    """How far the true number may lie from the printed one, in words; `unit` is shown instead of the datum's own."""
    if datum.spread_kind == "cv_pct":
        return f"± {datum.spread:.0f} % (one standard deviation)"
    if datum.spread_kind == "sd":
        return f"± {datum.spread:g} {datum.unit if unit is None else unit} (one standard deviation)"
    return f"÷ or × {datum.spread:.2f} (80 % band)"


#: how a number's status is shortened in the list, best first
_STANDING = {
    "checked": "checked",
    "partly checked": "partly",
    "read once": "read once",
    "computed": "computed",
    "not in the handbook": "other page",
    "from memory": "from memory",
}
_USES_ORDER = ("top", "back", "neck", "fingerboard", "bridge", "lining", "spacer")


def _standing(one: Wood) -> str:
    """The weakest standing among the wood's movement and stiffness numbers, in a word or two."""
    statuses = [one.numbers[key].status for key in _ASKED[:3] if key in one.numbers]
    if not statuses:
        return "none"
    ranks = list(_STANDING)
    worst = max(max((ranks.index(word) for word in ranks if word in status), default=0) for status in statuses)
    return _STANDING[ranks[worst]]


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
    head = f"{'wood':<29}{'scientific name':<28}{'use':<22}{'R':>5}{'T':>6}{'E':>5}   standing"
    lines = [
        "R, T: movement across a quarter-sawn and a flat-sawn board, % of its width for 1 % of moisture content.",
        "E: stiffness along the grain at 12 % moisture content, GPa. -: no figure; a forecast takes a stand-in.",
        "*: sources disagree. Standing is that of the weakest figure: checked; partly (checked); read once (in",
        "the table, not a second time); computed (from shrinkage); other page (not in the handbook); from memory.",
        "All of one wood: driftmodel woods NAME",
        "",
        head,
        "-" * WIDTH,
        *(_row(one) for one in first),
        "",
        f"Other woods ({len(rest)})",
        "-" * WIDTH,
        *(_row(one) for one in rest),
    ]
    return "\n".join(lines) + "\n"


def _number_lines(key: str, datum: Datum, cited: dict[str, int]) -> list[str]:
    mark = cited.setdefault(datum.source, len(cited) + 1)
    first = f"  {label(key):<58}{_value_words(key, datum.value):<30}[{mark}]"
    second = f"{datum.status}; {spread_words(datum, _SHOWN[key][2] if key in _SHOWN else None)}" + (
        f"; {datum.note}" if datum.note else ""
    )
    return [first, *textwrap.wrap(second, WIDTH, initial_indent=" " * 6, subsequent_indent=" " * 6)]


def _stand_ins(one: Wood) -> dict[str, Datum]:
    return {key: library.number(one, key) for key in _ASKED if key not in one.numbers}


def _disagreement_lines(one: Wood, cited: dict[str, int]) -> list[str]:
    lines: list[str] = []
    for item in one.disagreements:
        mark = cited.setdefault(item.source, len(cited) + 1)
        words = f"{label(item.number)}: {_value_words(item.number, item.value)} [{mark}], {item.words}"
        lines += textwrap.wrap(words, WIDTH, initial_indent="  ", subsequent_indent=" " * 6)
    return lines


def one_wood(name: str) -> str:
    """All that is known of one wood: numbers, spread, standing, disagreements, stand-ins, sources in full.

    Raises BadInput for an unknown wood.
    """
    one = library.wood(name)
    cited: dict[str, int] = {}
    title = one.name + (f" ({one.scientific})" if one.scientific else "")
    lines = [title, "=" * len(title), f"a {one.kind}" + (f"; used for {', '.join(one.uses)}" if one.uses else "")]
    if one.aliases:
        lines += textwrap.wrap("also called: " + "; ".join(one.aliases), WIDTH, subsequent_indent="  ")
    if one.note:
        lines += textwrap.wrap(one.note, WIDTH)
    lines += ["", "Numbers (MC: moisture content)"]
    for key in sorted(one.numbers, key=lambda key: list(_SHOWN).index(key) if key in _SHOWN else len(_SHOWN)):
        lines += _number_lines(key, one.numbers[key], cited)
    if one.disagreements:
        lines += ["", "Where sources disagree", *_disagreement_lines(one, cited)]
    lent = _stand_ins(one)
    if lent:
        lines += [
            "",
            "Stand-ins: this wood has no such number, so a forecast takes the mean of its kind, with a wide band",
        ]
        for key, datum in lent.items():
            lines += _number_lines(key, datum, cited)
    lines += ["", "Sources"]
    for source, mark in cited.items():
        entry = library.sources()[source]
        words = f"[{mark}] {entry['reference']} ({entry['kind']})"
        lines += textwrap.wrap(words, WIDTH, initial_indent="  ", subsequent_indent=" " * 6)
    return "\n".join(lines) + "\n"


def _datum_record(datum: Datum) -> dict[str, Any]:
    return {
        "value": datum.value,
        "unit": datum.unit,
        "spread": datum.spread,
        "spread_kind": datum.spread_kind,
        "source": datum.source,
        "status": datum.status,
        "note": datum.note,
    }


def wood_record(name: str) -> dict[str, Any]:
    """One wood as plain tables for JSON: numbers, stand-ins, disagreements and the sources they name."""
    one = library.wood(name)
    lent = _stand_ins(one)
    named = {datum.source for datum in (*one.numbers.values(), *lent.values())}
    named |= {item.source for item in one.disagreements}
    return {
        "name": one.name,
        "scientific": one.scientific,
        "kind": one.kind,
        "aliases": list(one.aliases),
        "uses": list(one.uses),
        "note": one.note,
        "numbers": {key: _datum_record(datum) for key, datum in one.numbers.items()},
        "stand_ins": {key: _datum_record(datum) for key, datum in lent.items()},
        "disagreements": [
            {"number": item.number, "value": item.value, "unit": item.unit, "source": item.source, "words": item.words}
            for item in one.disagreements
        ],
        "sources": {key: library.sources()[key] for key in sorted(named)},
    }
