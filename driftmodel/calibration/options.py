"""What could be done today, each with its amount, and in how many draws it is still right in a year.

In the order a bench goes by: leave it, better air, truss rod, saddle, spacer, other work. A draw asks for the first of
them that keeps it inside the rule for the year to come, so that the chances add up to one.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from driftmodel.base import library
from driftmodel.base.records import Rule, Scenario
from driftmodel.calibration.outcomes import Answers, quantiles
from driftmodel.outlook.regrade import outside_rule
from driftmodel.outlook.work import grade_lifts_mm

Array = NDArray[np.float64]
Mask = NDArray[np.bool_]

#: a regrade that falls due within this time is right to do now (common practice, no source)
SOON_YEARS = 1.0
ORDER = ("leave", "air", "truss rod", "saddle", "spacer", "other work")


@dataclass(frozen=True)
class Standing:
    """What the options rest on, for each draw: the answers, with what work added to the saddle's room, and what a
    reading of the relief would give back at the truss rod (mm of action; 0 where none was read)."""

    found: Answers
    scenario: Scenario
    room_mm: float
    fitted_lift_mm: float
    truss_action_mm: float = 0.0

    def turned(self, by_mm: float, gains: Mapping[str, float]) -> Standing:
        """The same guitar had today's action read higher by so much: every answer moves by its gain on it."""
        found = self.found
        moved = {name: getattr(found, name) + gain * by_mm for name, gain in gains.items()}
        own = replace(found, **moved, regrade_years=np.full_like(found.regrade_years, np.inf))
        return replace(self, found=own)


def gains_of(before: Answers) -> dict[str, float]:
    """How much each answer moves with the action of the day, by what was known before it was read."""
    now = before.action_now_mm - before.action_now_mm.mean()
    spread = float(np.mean(now**2)) + 1e-12
    names = [name for name in vars(before) if name not in ("regrade_years", "action_end_mm")]
    return {name: float(np.mean(getattr(before, name) * now)) / spread for name in names}


@dataclass(frozen=True)
class Option:
    """key: of ORDER. saddle_mm: + higher; spacer: a label; action_mm: what it does to the action. right_in_a_year: the
    share of all draws it keeps inside the rule, at the reference state, from now to a year on. left_mm: saddle then
    left to lower. dry_mm, damp_mm: 10, 50 and 90 % points of the action over the next dry and damp season with it;
    dry_inside, damp_inside: share of the draws whose action is then inside the rule."""

    key: str
    right_in_a_year: float
    action_mm: float = 0.0
    saddle_mm: float = 0.0
    spacer: str = ""
    left_mm: float = 0.0
    dry_mm: tuple[float, float, float] = (0.0, 0.0, 0.0)
    damp_mm: tuple[float, float, float] = (0.0, 0.0, 0.0)
    dry_inside: float = 0.0
    damp_inside: float = 0.0


@dataclass(frozen=True)
class Weighed:
    """options by key, those that make sense; needed: for each draw the place in ORDER of the first that it asks for."""

    options: dict[str, Option]
    needed: NDArray[np.intp]

    def chances(self) -> dict[str, float]:
        """Share of the draws that ask for each, by key."""
        return {key: float(np.mean(self.needed == place)) for place, key in enumerate(ORDER)}


def weigh(standing: Standing) -> Weighed:
    """Every option that makes sense, and what each draw asks for."""
    found, scenario = standing.found, standing.scenario
    rule = scenario.rule
    stays = _stays(standing)
    due = ~stays
    now_out = (found.action_now_mm < rule.action_low_mm) | (found.action_now_mm > rule.action_high_mm)
    steady = _inside(found.action_steady_mm, found.saddle_rise_steady_mm, standing.room_mm, rule)
    helped = (found.action_steady_now_mm >= rule.action_low_mm) & (found.action_steady_now_mm <= rule.action_high_mm)
    trussed = _stays(standing, action_mm=standing.truss_action_mm) if standing.truss_action_mm else np.zeros_like(due)
    any_need = bool((due & ~steady & ~trussed).any())
    cut, cut_keeps = _saddle(standing, any_need)
    label, lift, grade_keeps = _spacer(standing, any_need)
    small = abs(cut) <= library.general("bench_saddle_step").value
    by_saddle = cut_keeps & (small | ~grade_keeps)
    needed = np.full(due.size, ORDER.index("other work"), dtype=np.intp)
    for key, mask in (
        ("spacer", grade_keeps),
        ("saddle", by_saddle),
        ("truss rod", trussed),
        ("air", steady),
        ("leave", stays & ~(now_out & helped)),  # what better air would not bring inside comes back by itself
    ):
        needed[mask] = ORDER.index(key)
    needed[stays & now_out & helped] = ORDER.index("air")
    left = standing.room_mm - float(np.median(found.saddle_rise_next_mm))
    air = (found.action_steady_mm, found.action_steady_mm)
    brought = _middle(found.action_steady_mm - found.action_next_mm)
    options = {
        "leave": _option(standing, "leave", stays, 0.0, left_mm=left),
        "air": _option(standing, "air", steady, brought, air, left_mm=left),
    }
    if standing.truss_action_mm:
        options["truss rod"] = _option(standing, "truss rod", trussed, standing.truss_action_mm, left_mm=left)
    if cut:
        options["saddle"] = _option(standing, "saddle", cut_keeps, cut / 2.0, saddle_mm=cut, left_mm=left + cut)
    if label:
        options["spacer"] = _option(standing, "spacer", grade_keeps, lift / 2.0, spacer=label, left_mm=left - lift)
    return Weighed(options, needed)


def _option(
    standing: Standing,
    key: str,
    keeps: Mask,
    action_mm: float,
    seasons: tuple[Array, Array] | None = None,
    **told: object,
) -> Option:
    """seasons: the action over the next dry and damp season, where it is not as it is left moved by action_mm."""
    found, rule = standing.found, standing.scenario.rule
    dry, damp = seasons or (found.action_dry_mm + action_mm, found.action_damp_mm + action_mm)
    dry_in, damp_in = (
        float(np.mean((path >= rule.action_low_mm) & (path <= rule.action_high_mm))) for path in (dry, damp)
    )
    return Option(
        key, float(np.mean(keeps)), action_mm, dry_mm=quantiles(dry), damp_mm=quantiles(damp), dry_inside=dry_in,
        damp_inside=damp_in, **told,  # type: ignore[arg-type]
    )  # fmt: skip


def _middle(values: Array) -> float:
    return float(np.median(values))


def _inside(action: Array, rise: Array, room_mm: float, rule: Rule) -> Mask:
    return np.asarray(~outside_rule(rise, action, room_mm, rule))


def _stays(standing: Standing, action_mm: float = 0.0, rise_mm: float = 0.0, saddle_mm: float = 0.0) -> Mask:
    """Draws that are inside the rule at the reference state now and in a year, with something done now."""
    found, rule, room = standing.found, standing.scenario.rule, standing.room_mm + saddle_mm
    now = _inside(found.action_reference_mm + action_mm, found.saddle_rise_reference_mm + rise_mm, room, rule)
    then = _inside(found.action_next_mm + action_mm, found.saddle_rise_next_mm + rise_mm, room, rule)
    left = action_mm == 0.0 and rise_mm == 0.0 and saddle_mm == 0.0
    return np.asarray(now & then & (found.regrade_years > SOON_YEARS) if left else now & then)


def _saddle(standing: Standing, any_need: bool) -> tuple[float, Mask]:
    """The change of the saddle, in tenths of a millimetre, that brings the middle of the draws back to the action of
    set-up a year on, as far as the saddle goes; 0 where there is nothing to do or no room."""
    found, scenario = standing.found, standing.scenario
    none = np.zeros(found.action_next_mm.size, dtype=bool)
    wanted = 2.0 * (scenario.setup.action_12th_mm - float(np.median(found.action_next_mm)))
    room = standing.room_mm - float(np.median(found.saddle_rise_next_mm)) - scenario.rule.saddle_room_least_mm
    most_up = library.general("bench_saddle_raise").value
    change = float(np.round(np.clip(wanted, -max(room, 0.0), most_up), 1)) + 0.0
    if not any_need or abs(change) < 0.1:
        return 0.0, none
    return change, _stays(standing, action_mm=change / 2.0, saddle_mm=change)


def _spacer(standing: Standing, any_need: bool) -> tuple[str, float, Mask]:
    """The spacer that keeps most draws inside for a year; between equals the one nearest to the action of set-up.
    ('', 0, none) where no other than the one fitted keeps any."""
    found, scenario = standing.found, standing.scenario
    best: tuple[float, float, str, float, Mask] | None = None
    none = np.zeros(found.action_next_mm.size, dtype=bool)
    for label, whole in zip(scenario.instrument.spacers.labels, grade_lifts_mm(scenario).tolist(), strict=True):
        lift = whole - standing.fitted_lift_mm
        if not any_need or abs(lift) < 1e-9:
            continue
        keeps = _stays(standing, action_mm=lift / 2.0, rise_mm=lift)
        away = abs(float(np.median(found.action_next_mm)) + lift / 2.0 - scenario.setup.action_12th_mm)
        rank = (round(float(np.mean(keeps)), 2), -away)
        if best is None or rank > best[:2]:
            best = (*rank, label, lift, keeps)
    if best is None or best[0] == 0.0:
        return "", 0.0, none
    return best[2], best[3], best[4]
