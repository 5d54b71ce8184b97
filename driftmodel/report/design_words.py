"""A design in words and tables: how it moves, what its spacers do, what each input does to that."""

from __future__ import annotations

from driftmodel.base.records import Instrument
from driftmodel.base.schema import DAYS_PER_YEAR
from driftmodel.base.units import length_unit
from driftmodel.report.texts import comma_text, plain_text, table, worded
from driftmodel.structure.design import Behaviour, Sensitivity
from driftmodel.structure.joint import (
    action_change_mm,
    grade_rotations_deg,
    intonation_shift_cents,
    pivot_to_saddle_mm,
    saddle_change_mm,
    string_pull_n,
    tongue_thickness_mm,
)
from driftmodel.structure.neck import clamp_lost, holding_moment_nm, root_length_mm, slack_turn_deg, string_moment_nm
from driftmodel.structure.plate import COMPONENTS

SADDLE_OVER_BRIDGE_MM = 3.0  # common practice, no source; moves the cents only


def behaviour_words(instrument: Instrument, found: Behaviour, units: str) -> str:
    """How a design moves, for the terminal: the coefficients, where the give under the strings comes from, how the neck
    is held, and what each spacer does against the straight one."""
    per, unit = length_unit(units)
    strings, joint, moment = instrument.strings, instrument.joint, string_moment_nm(instrument)
    distance = pivot_to_saddle_mm(strings.scale_mm, instrument.body_fret)
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
        pull=string_pull_n(strings),
        saddle=instrument.body.bridge.saddle_mm / per,
        moved=[
            (words, *(sum(share * kind[load] for load, share in shares.items()) / size for kind, size in kinds))
            for words, shares in changes.items()
        ],
        give=_give(found, per),
        joint=joint,
        moment=moment,
        root=root_length_mm(instrument) / per,
        kept=300.0 * moment / holding_moment_nm(instrument),
        lost=[100.0 * float(clamp_lost(years * DAYS_PER_YEAR)) for years in (1, 20)],
        slack=float(saddle_change_mm(slack_turn_deg(instrument), distance)) / per,
        spacers=_spacers(instrument, per, distance),
    )


def whole_rise_mm(found: Behaviour) -> float:
    """Saddle over the fret plane for 1 % more moisture in all parts, mm."""
    return sum(found.saddle_rise_mm[part] for part in worded("parts"))


def _give(found: Behaviour, per: float) -> list[tuple[str, list[float], float]]:
    """Where the rise of the saddle under the strings comes from: a row a group of boards, a column a way of giving."""
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
    spacers, strings = instrument.spacers, instrument.strings
    turns = grade_rotations_deg(spacers)
    saddle = saddle_change_mm(turns, distance_mm)
    action, tongue = action_change_mm(saddle), tongue_thickness_mm(spacers.tapers_mm, spacers) + 0.0
    height = instrument.body.bridge.thickness_mm + SADDLE_OVER_BRIDGE_MM
    rows = zip(spacers.labels, spacers.tapers_mm, turns.tolist(), saddle, action, tongue, strict=True)
    return [
        (label, taper / per, turn, rise / per, lift / per, thick / per,
         intonation_shift_cents(strings.scale_mm, instrument.body_fret, turn, height) + 0.0)  # no sign before nought
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
