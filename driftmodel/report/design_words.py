"""A design in words and tables: how it moves, what its spacers do, what each input does to that; and what is known of a
wood, in a maker's words: the list of woods, and one wood with all its numbers."""

from __future__ import annotations

from dataclasses import asdict
from typing import TYPE_CHECKING, Any

from driftmodel.base import library
from driftmodel.base.materials import Datum, Wood
from driftmodel.base.schema import DAYS_PER_YEAR
from driftmodel.base.units import length_unit
from driftmodel.report.texts import comma_text, fixed, plain_text, table, worded

if TYPE_CHECKING:  # its solvers take half a second to import
    from driftmodel.base.records import Instrument
    from driftmodel.structure.design import Behaviour, Sensitivity

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


SADDLE_OVER_BRIDGE_MM = 3.0  # common practice, no source; moves the cents only


def behaviour_words(instrument: Instrument, found: Behaviour, units: str) -> str:
    """How a design moves, for the terminal: the coefficients, where the give under the strings comes from, how the neck
    is held, and what each spacer does against the straight one."""
    from driftmodel.structure import joint as turned
    from driftmodel.structure import neck

    per, unit = length_unit(units)
    strings, joint, moment = instrument.strings, instrument.joint, neck.string_moment_nm(instrument)
    distance = turned.fret_to_saddle_mm(strings.scale_mm, instrument.body_fret)
    changes = {f"1 % less moisture in the {words}": {part: -1.0} for part, words in worded("parts").items()}
    changes["1 % less in all of them"] = dict.fromkeys(worded("parts"), -1.0)
    changes["the strings brought to pitch"] = {"strings": 1.0}
    lengths, angles = (found.bridge_rise_mm, found.saddle_rise_mm), (found.neck_turn_deg, found.bridge_tilt_deg)
    kinds = [*((each, per) for each in lengths), *((each, 1.0) for each in angles)]
    return plain_text(
        "design.txt",
        title=instrument.title,
        unit=unit,
        bracketed=f"({unit})",
        digits=4 if units == "inch" else 3,
        fine=4 if units == "inch" else 2,
        pull=turned.string_pull_n(strings),
        saddle=instrument.body.bridge.saddle_mm / per,
        moved=[
            (words, *(sum(share * kind[load] for load, share in shares.items()) / size for kind, size in kinds))
            for words, shares in changes.items()
        ],
        give=_give(found, per),
        joint=joint,
        moment=moment,
        root=neck.root_length_mm(instrument) / per,
        kept=300.0 * moment / neck.holding_moment_nm(instrument),
        lost=[100.0 * float(neck.clamp_lost(years * DAYS_PER_YEAR)) for years in (1, 20)],
        slack=float(turned.saddle_change_mm(neck.slack_turn_deg(instrument), distance)) / per,
        spacers=_spacers(instrument, per, distance),
    )


def whole_rise_mm(found: Behaviour) -> float:
    """Saddle over the fret plane for 1 % more moisture in all parts, mm."""
    return sum(found.saddle_rise_mm[part] for part in worded("parts"))


def _give(found: Behaviour, per: float) -> list[tuple[str, list[float], float]]:
    """Where the rise of the saddle under the strings comes from: a row a group of boards, a column a way of giving."""
    from driftmodel.structure.plate import COMPONENTS

    give = {key: value / per for key, value in found.string_give_mm.items()}
    rows = []
    for group, words in (worded("groups") | {"all": "all of it"}).items():
        own = {key: value for key, value in give.items() if group in (key[0], "all")}
        if own:
            cells = [sum(value for (_, name), value in own.items() if name == way) for way in COMPONENTS]
            rows.append((words, cells, sum(own.values())))
    return rows


def _spacers(instrument: Instrument, per: float, distance_mm: float) -> list[tuple[str | float, ...]]:
    """Of each spacer: taper, turn, saddle, action at the 12th fret, the tongue's spacer, and cents."""
    from driftmodel.structure import joint as turned

    spacers, strings = instrument.spacers, instrument.strings
    turns = turned.grade_rotations_deg(spacers)
    saddle = turned.saddle_change_mm(turns, distance_mm)
    action, tongue = turned.action_change_mm(saddle), turned.tongue_thickness_mm(spacers.tapers_mm, spacers) + 0.0
    height = instrument.body.bridge.thickness_mm + SADDLE_OVER_BRIDGE_MM
    rows = zip(spacers.labels, spacers.tapers_mm, turns.tolist(), saddle, action, tongue, strict=True)
    return [
        (label, taper / per, turn, rise / per, lift / per, thick / per,  # and no sign before nought
         turned.intonation_shift_cents(strings.scale_mm, instrument.body_fret, turn, height) + 0.0)
        for label, taper, turn, rise, lift, thick in rows
    ]  # fmt: skip


def sensitivity_table(found: list[Sensitivity]) -> str:
    """Comma-separated: percent change of each behaviour for 10 % more of each input."""
    return comma_text(table("sensitivities", map(vars, found)))


def what_if_table(found: dict[str, list[tuple[float, Behaviour]]]) -> str:
    """Comma-separated, metric: the saddle for 3 % drying, the saddle and the bridge's tilt by strings, by factor."""
    rows = [
        {"input": name, "factor": factor, "dry": -3.0 * whole_rise_mm(each), "of": each}
        for name, tried in found.items()
        for factor, each in tried
    ]
    return comma_text(table("what_ifs", rows))
