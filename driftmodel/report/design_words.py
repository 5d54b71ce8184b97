"""A design in words and tables: how it moves, what its spacers do, what each input does to that."""

from __future__ import annotations

from driftmodel.base.records import Instrument
from driftmodel.base.schema import DAYS_PER_YEAR
from driftmodel.base.units import length_unit
from driftmodel.report.texts import worded
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
    """The coefficients as a table for the terminal, with units and signs said."""
    per, unit = length_unit(units)
    digits = 4 if units == "inch" else 3
    lines = [
        instrument.title,
        f"string pull {string_pull_n(instrument.strings):.0f} N, "
        f"saddle {instrument.body.bridge.saddle_mm / per:.4g} {unit} from the body join",
        "",
        f"{'for':<48}{'bridge':>10}{'saddle over':>14}{'neck turn':>12}{'bridge tilt':>13}",
        f"{'':<48}{f'({unit})':>10}{f'frets ({unit})':>14}{'(degrees)':>12}{'(degrees)':>13}",
    ]
    changes = {f"1 % less moisture in the {words}": {part: -1.0} for part, words in worded("parts").items()}
    changes["1 % less in all of them"] = dict.fromkeys(worded("parts"), -1.0)
    changes["the strings brought to pitch"] = {"strings": 1.0}
    for words, shares in changes.items():
        bridge, saddle, turn, tilt = (
            sum(share * moved[load] for load, share in shares.items())
            for moved in (found.bridge_rise_mm, found.saddle_rise_mm, found.neck_turn_deg, found.bridge_tilt_deg)
        )
        lengths = f"{bridge / per:>+10.{digits}f}{saddle / per:>+14.{digits}f}"
        lines.append(f"{words:<48}{lengths}{turn:>+12.4f}{tilt:>+13.3f}")
    lines += [
        "",
        "+ bridge and saddle rise, the nut end of the neck comes up, the bridge leans to the nut.",
        "Half of 'saddle over frets' is the change of action at the 12th fret.",
    ]
    return "\n".join([*lines, "", give_words(found, units), "", joint_words(instrument, units), "",
                      spacer_words(instrument, units)])  # fmt: skip


def whole_rise_mm(found: Behaviour) -> float:
    """Saddle over the fret plane for 1 % more moisture in all parts, mm."""
    return sum(found.saddle_rise_mm[part] for part in worded("parts"))


def joint_words(instrument: Instrument, units: str) -> str:
    """How the neck is held, how far its bolts are from letting go, and what slack ones would do."""
    per, unit = length_unit(units)
    joint, moment = instrument.joint, string_moment_nm(instrument)
    lines = [
        f"Neck joint: {joint.heel} heel, {joint.tongue} tongue; the strings pull it open with {moment:.1f} N m.",
        f"Root of the neck, from the truss rod's end to the body: {root_length_mm(instrument) / per:.3g} {unit}.",
    ]
    if joint.heel == "bolted":
        kept = 100.0 * moment / holding_moment_nm(instrument)
        distance = pivot_to_saddle_mm(instrument.strings.scale_mm, instrument.body_fret)
        rise = f"{float(saddle_change_mm(slack_turn_deg(instrument), distance)) / per:.{2 if per == 1.0 else 3}f}"
        bolts = "1 bolt holds" if joint.bolts == 1 else f"{joint.bolts} bolts hold"
        lost = [100.0 * float(clamp_lost(years * DAYS_PER_YEAR)) for years in (1, 20)]
        lines += [
            f"{bolts} it shut while more than {3.0 * kept:.0f} % of the clamp force is left. The wood relaxes:",
            f"some {lost[0]:.0f} % is lost in a year, {lost[1]:.0f} % in twenty, twice that in the worst of ten.",
            f"Slack bolts lift the saddle over the frets by about {rise} {unit}: look there first.",
        ]
    return "\n".join(lines)


def give_words(found: Behaviour, units: str) -> str:
    """Where the rise of the saddle under the strings comes from: a row a group of boards, a column a way of giving."""
    per, unit = length_unit(units)
    digits = 5 if units == "inch" else 4
    give, groups = {key: value / per for key, value in found.string_give_mm.items()}, worded("groups")
    short = {"along": "along", "across": "across", "shear": "in plane", "through": "through", "rolling": "rolling"}
    lines = [
        f"Where the saddle's rise over the frets under the strings comes from ({unit}); each creeps in its own way",
        f"{'':<24}{'grain':>20}{'shear':>30}",
        f"{'':<24}" + "".join(f"{short[name]:>10}" for name in COMPONENTS) + f"{'sum':>10}",
    ]
    present = [group for group in groups if any(key[0] == group for key in give)]
    for group in [*present, "all"]:
        own = [
            sum(value for (of, name), value in give.items() if name == component and group in (of, "all"))
            for component in COMPONENTS
        ]
        whole = sum(value for (of, _), value in give.items() if group in (of, "all"))
        cells = "".join(f"{value:>+10.{digits}f}" if abs(value) > 0 else f"{'':>10}" for value in own)
        lines.append(f"{groups.get(group, 'all of it'):<24}{cells}{whole:>+10.{digits}f}")
    return "\n".join(lines)


def spacer_words(instrument: Instrument, units: str) -> str:
    """The spacer set: what each grade does against the straight one, and what the tongue's spacer must then be."""
    per, unit = length_unit(units)
    digits = 4 if units == "inch" else 2
    spacers, strings = instrument.spacers, instrument.strings
    turns = grade_rotations_deg(spacers)
    saddle = saddle_change_mm(turns, pivot_to_saddle_mm(strings.scale_mm, instrument.body_fret))
    action, tongue = action_change_mm(saddle), tongue_thickness_mm(spacers.tapers_mm, spacers)
    height = instrument.body.bridge.thickness_mm + SADDLE_OVER_BRIDGE_MM
    lines = [
        f"Spacers, against the straight one ({unit} and degrees; tongue: change at its far end that keeps the pivot)",
        f"{'spacer':<10}{'taper':>9}{'turn':>9}{'saddle':>9}{'action 12th':>13}{'tongue':>9}{'cents':>9}",
    ]
    for label, taper, turn, rise, lift, thick in zip(
        spacers.labels, spacers.tapers_mm, turns, saddle, action, tongue + 0.0, strict=True
    ):
        cents = (
            intonation_shift_cents(strings.scale_mm, instrument.body_fret, float(turn), height) + 0.0
        )  # no sign before nought
        lines.append(
            f"{label:<10}{taper / per:>+9.{digits}f}{turn:>+9.3f}{rise / per:>+9.{digits}f}{lift / per:>+13.{digits}f}"
            f"{thick / per:>+9.{digits}f}{cents:>+9.3f}"
        )
    return "\n".join(lines)


def sensitivity_table(found: list[Sensitivity]) -> str:
    """Comma-separated: percent change of each behaviour for 10 % more of each input."""
    head = (
        "input,saddle_by_top_moisture_pct,saddle_by_back_moisture_pct,saddle_by_strings_pct,bridge_tilt_by_strings_pct"
    )
    rows = [
        f"{each.input},{each.top_moisture_pct:.2f},{each.back_moisture_pct:.2f},"
        f"{each.strings_pct:.2f},{each.bridge_tilt_pct:.2f}"
        for each in found
    ]
    return "\n".join([head, *rows]) + "\n"


def what_if_table(found: dict[str, list[tuple[float, Behaviour]]]) -> str:
    """Comma-separated, metric: the saddle for 3 % drying, the saddle and the bridge's tilt by strings, by factor."""
    lines = ["input,factor,saddle_3_pct_drier_mm,saddle_by_strings_mm,bridge_tilt_by_strings_deg"]
    for name, tried in found.items():
        for factor, each in tried:
            dry = -3.0 * whole_rise_mm(each)
            lines.append(
                f"{name},{factor:g},{dry:.4f},{each.saddle_rise_mm['strings']:.4f},{each.bridge_tilt_deg['strings']:.4f}"
            )
    return "\n".join(lines) + "\n"
