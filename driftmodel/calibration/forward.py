"""From unknowns to what the bench would read: the forecast's own laws at the moments of the readings."""

from __future__ import annotations

from collections.abc import Collection, Mapping
from dataclasses import dataclass, fields, replace
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from driftmodel.base.records import Scenario
from driftmodel.base.schema import Array
from driftmodel.calibration.bench import Bench
from driftmodel.calibration.layout import ANEW, TRUSS_ROD, Layout, by_work
from driftmodel.calibration.moments import HELD, ROWS, TRANSPORT, AtMoments, CreepAtMoments, on_nodes, room_factor
from driftmodel.calibration.records import QUANTITIES, BenchBook, ReadingRow, once
from driftmodel.calibration.work import known_step, moment_of, stands_anew, truss_rod_turns
from driftmodel.outlook.draws import part_movement
from driftmodel.outlook.lasting import BOW, LASTING, PARTS_MET, RISING, Give, lasting_pull_n, put_together
from driftmodel.structure.joint import pivot_of, saddle_rise_mm, string_pull_n
from driftmodel.structure.records import Coefficients

#: what only readings of their kind add to the unknowns
UNREAD = {name: np.zeros(1) for name in ("lean", *(f"level_{what}" for what in QUANTITIES))} | {"wood_mass": np.ones(1)}
#: particles times readings worked on at once: more leave the processor's own memory
AT_ONCE = 100_000


@dataclass(frozen=True)
class Moved:
    """Movement since set-up, (n, moments): mm, degrees, g; strings on. Empty where it was not asked for."""

    top_sinkage: Array
    neck_rotation: Array
    bow_action: Array
    relief: Array
    weight: Array


MOVED = tuple(field.name for field in fields(Moved))


@dataclass(frozen=True)
class Particles:
    """Guitars that this one may be: the unknowns of a layout on a bench as standard normal values (n, unknowns)."""

    bench: Bench
    layout: Layout
    normals: Array

    @cached_property
    def values(self) -> Mapping[str, Array]:
        """Their unknowns as multipliers and offsets, (n,) each; a level that was never read is 0."""
        values = self.layout.values(self.normals)
        return values | {name: at for name, at in UNREAD.items() if name not in values}

    @property
    def transport(self) -> Array:
        """The standard normal values of the unknowns of moisture transport, (n, 3)."""
        return self.normals[:, [self.layout.names.index(name) for name in TRANSPORT]]

    @property
    def on(self) -> Array:
        """How much of each shape of the table's weights they have, for moisture level 1, (n, shapes)."""
        return self.bench.table.on(self.transport)

    def first(self, count: int) -> Particles:
        """The first of them."""
        return replace(self, normals=self.normals[:count])


def readings_of(particles: Particles, at_moments: AtMoments, plan: Plan) -> Array:
    """What the bench would read of particles at the moments, (n, readings)."""
    at_once, normals = max(AT_ONCE // max(len(plan.what), 1), 1), particles.normals
    if len(normals) > at_once:
        parts = (normals[first : first + at_once] for first in range(0, len(normals), at_once))
        return np.concatenate([readings_of(replace(particles, normals=part), at_moments, plan) for part in parts])
    only = {*RISING, *("bow_action" if kind == "action" else kind for kind in plan.kinds)}
    if "weight" not in only:
        at_moments = replace(at_moments, right=at_moments.right[:, : len(ROWS)])
    by_course, creep = _by_course(particles, at_moments), creep_of(particles, at_moments.creep)
    return expected_readings(particles, plan, moved(particles, by_course, creep, at_moments.courses, only))


def moisture_of(particles: Particles, at_moments: AtMoments) -> Array:
    """Change of moisture since set-up, % MC (n, rows, moments)."""
    return np.asarray(_by_course(particles, at_moments) @ at_moments.courses)


def _by_course(particles: Particles, at_moments: AtMoments) -> Array:
    on, count, rooms = particles.on, len(particles.normals), particles.bench.rooms
    if rooms is not None:
        own = rooms.rows.terms(particles.values, count)[:, :, None] * on[:, None, : at_moments.few]
        on = np.concatenate([on, own.reshape(count, -1)], axis=1)
    kept, rows, courses = at_moments.right.shape
    on = (on @ at_moments.left) * particles.values["moisture_level"][:, None]
    return np.asarray((on @ at_moments.right.reshape(kept, -1)).reshape(count, rows, courses))


def creep_of(particles: Particles, creep: CreepAtMoments) -> Array:
    """Lasting movement since set-up, mm or degrees, (quantity of LASTING, n, moments): the law of outlook.lasting."""
    values = particles.values
    on = on_nodes(particles.transport) @ creep.shapes * values["moisture_level"][:, None]
    apart = len(PARTS_MET) - np.array_equal(creep.met[-1], creep.met[-2])  # the bow's is the neck's, the rod unturned
    paths = on @ creep.met[:apart]
    if creep.rooms:
        paths *= room_factor(replace(creep, by_room=creep.by_room[:apart]), values)
    met = dict(zip(PARTS_MET, (*paths, paths[-1]), strict=False))
    gives = (
        Give(wood, joint, dict(zip(PARTS_MET, per_range, strict=True)), float(held), creep.clamp_lost, creep.opened)
        for wood, joint, per_range, held in zip(creep.by_wood, creep.by_joint, creep.per_range, creep.held, strict=True)
    )
    pulls = (lasting_pull_n(particles.bench.scenario, values, quantity)[:, None] for quantity in LASTING)
    return np.stack([pull * put_together(give, met, values) for pull, give in zip(pulls, gives, strict=True)])


def moved(
    particles: Particles,
    moisture: Array,
    creep: Array | None = None,
    courses: Array | None = None,
    only: Collection[str] = MOVED,
) -> Moved:
    """Movement from moisture change (n, rows, moments), as ROWS and, where weight is asked, HELD, and creep
    (quantity of LASTING, n, moments), None for none: the laws of outlook.movement. courses (j, moments): of moisture
    that is told by them, (n, rows, j). only: what is asked for."""
    bench, values = particles.bench, particles.values
    own_movement = {row: part_movement(values, row.removesuffix("_gradient")) for row in ROWS}
    gain = {"top_sinkage": values["structure"], "neck_rotation": values["block"]}
    acting, held = moisture[:, : len(ROWS)], moisture[:, len(ROWS) :]
    own = np.stack([own_movement[row] for row in ROWS], axis=1)
    responses = {name: getattr(bench.coefficients, name) for name in MOVED if name in only and name != "weight"}
    weights = np.array([[response[row] for row in ROWS] for response in responses.values()]) * own[:, None, :]
    seasonal = dict(zip(responses, np.moveaxis(weights @ acting, 1, 0), strict=True))
    for quantity, path in seasonal.items():
        path = path * gain[quantity][:, None] if quantity in gain else path
        seasonal[quantity] = path if courses is None else path @ courses
    if creep is not None:
        lasting = dict(zip(LASTING, creep, strict=True))
        lasting["relief"] = lasting[BOW] * bow_relief(bench.coefficients)
        for quantity, path in seasonal.items():
            path += lasting[quantity]
    found = dict.fromkeys(MOVED, np.empty((0, 0))) | seasonal
    if "weight" in only:
        held_now = dict(zip(ROWS, np.moveaxis(acting, 1, 0), strict=True))
        held_now |= dict(zip(HELD, np.moveaxis(held, 1, 0), strict=False))
        grams = (mass * held_now[row] for row, mass in bench.grams_per_pct.items())
        weight = sum(grams, start=np.zeros(moisture.shape[2]))
        found["weight"] = weight if courses is None else weight @ courses
    return Moved(**found)


def rise_of(bench: Bench, movement: Moved) -> Array:
    """Saddle over the fret plane since set-up, mm: the fall of the projection."""
    return np.asarray(saddle_rise_mm(vars(movement), pivot_of(bench.scenario.instrument)))


def seasonal_action(particles: Particles, moisture: Array) -> Array:
    """What moisture change (n, rows, moments) does to the action at the 12th fret, mm (n, moments)."""
    movement = moved(particles, moisture)
    return np.asarray(rise_of(particles.bench, movement) / 2.0 + movement.bow_action)


@dataclass(frozen=True)
class Plan:
    """Readings put ready to be expected: of what, what known work adds (readings,), on which side of the neck the
    action was read (+1 bass), whether the strings were off, and how many turns of the truss rod, and pieces of work
    that left the neck anew, came before."""

    what: tuple[str, ...]
    step: Array
    side: Array
    slack: Array
    turns: NDArray[np.intp]
    anew: NDArray[np.intp]

    @property
    def kinds(self) -> tuple[str, ...]:
        """What is read of each, on whichever side."""
        return tuple("action" if what.startswith("action") else what for what in self.what)

    def first(self, count: int) -> Plan:
        """The plan of the first readings."""
        own = slice(0, count)
        return Plan(self.what[own], self.step[own], self.side[own], self.slack[own], self.turns[own], self.anew[own])


def plan_of(scenario: Scenario, readings: tuple[ReadingRow, ...]) -> Plan:
    """The plan of readings of one instrument, whose work is the scenario's."""
    at = [moment_of(one) for one in readings]
    steps = {
        (what, when): known_step(what, when, scenario.work, scenario)
        for what, when in {(one.what, when) for one, when in zip(readings, at, strict=True)}
    }
    turns, anew = truss_rod_turns(scenario.work), stands_anew(scenario.work)
    return Plan(
        tuple(one.what for one in readings),
        np.array([steps[one.what, when] for one, when in zip(readings, at, strict=True)]),
        np.array([{"action_treble": -1.0, "action_bass": 1.0}.get(one.what, 0.0) for one in readings]),
        np.array([0.0 if one.strings_on else 1.0 for one in readings]),
        np.array([sum(each < when for each in turns) for when in at], dtype=np.intp),
        np.array([sum(each < when for each in anew) for when in at], dtype=np.intp),
    )


def expected_readings(particles: Particles, plan: Plan, movement: Moved) -> Array:
    """What the bench would read, (n, readings), work done counted as the event it is."""
    bench, values = particles.bench, particles.values
    rise = rise_of(bench, movement) + _by_count(ANEW, values, plan.anew)
    turned = _by_count(TRUSS_ROD, values, plan.turns)
    result = np.empty_like(rise)
    kinds = np.array(plan.kinds)
    for kind in np.unique(kinds):
        on = slice(None) if np.all(kinds == kind) else np.flatnonzero(kinds == kind)
        if kind == "action":
            level = bench.scenario.setup.action_12th_mm + values["set_up_error"][:, None]
            if plan.side[on].any():
                level = level + plan.side[on] * values["lean"][:, None]
            bow = movement.bow_action[:, on] + turned[:, on] * action_per_relief(bench.coefficients)
            result[:, on] = level + rise[:, on] / 2.0 + bow
        else:
            moved_by = (-rise if kind == "projection" else getattr(movement, str(kind)))[:, on]
            if kind == "relief":
                moved_by = moved_by + turned[:, on]
            if kind == "weight":
                moved_by = moved_by * values["wood_mass"][:, None]
            elif plan.slack[on].any():
                moved_by = moved_by + plan.slack[on] * _by_slack(particles, str(kind))[:, None]
            result[:, on] = values[f"level_{kind}"][:, None] + moved_by
    result += plan.step
    return result


def _by_count(stem: str, values: Mapping[str, Array], counts: NDArray[np.intp]) -> Array:
    """What work of unknown effect added before each reading, (n, readings), by how many pieces of it came before."""
    known, place = np.unique(counts, return_inverse=True)
    if not counts.size:
        return np.zeros((1, 0))
    return np.stack([by_work(stem, values, int(count)) for count in known])[place].T


def action_per_relief(coefficients: Coefficients) -> float:
    """How an even bow shows at the 12th fret for 1 mm of relief."""
    return coefficients.bow_action["neck"] / coefficients.relief["neck"] if coefficients.relief["neck"] else 0.0


def bow_relief(coefficients: Coefficients) -> float:
    """How much relief comes with 1 mm of action by the strings' bow, whose root is held."""
    return coefficients.relief["strings"] / coefficients.bow_action["strings"]


def _by_slack(particles: Particles, what: str) -> Array:
    """What taking the strings off adds at once: the elastic response turned round."""
    bench, values = particles.bench, particles.values
    coefficients = bench.coefficients
    pull = -string_pull_n(bench.scenario.instrument.strings)
    if what == "relief":
        return np.full(values["structure"].size, coefficients.relief["strings"] * pull)
    moved_by = {q: getattr(coefficients, q)["strings"] * pull * values["string_response"] for q in RISING}
    if what == "top_sinkage":
        return np.asarray(moved_by[what])
    return np.asarray(-saddle_rise_mm(moved_by, pivot_of(bench.scenario.instrument)))


def fitting(book: BenchBook) -> tuple[ReadingRow, ...]:
    """Readings that say something about the wood: all but the saddle's height, which only work changes; exact copies of
    one reading count once."""
    kept: dict[tuple[object, ...], ReadingRow] = {}
    for one in book.readings:
        if one.what != "saddle_height" and one.what in QUANTITIES:
            kept.setdefault(once(one), one)
    return tuple(kept.values())
