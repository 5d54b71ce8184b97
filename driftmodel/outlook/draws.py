"""What is not known about one instrument: each unknown drawn once, with its plain name and the source of its spread."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from driftmodel.base import library
from driftmodel.base.build import Plate
from driftmodel.base.errors import Spot, near_match, whole_number
from driftmodel.base.materials import Z_80, Datum, note
from driftmodel.base.records import Climate, Instrument, Room, Scenario
from driftmodel.base.schema import Array, Flags, Frozen, Record
from driftmodel.climate.room_fit import fitted

#: no draw lies further out than this many standard deviations: beyond it the small linear laws do not hold
WIDEST_SD = 3.0


@dataclass(frozen=True)
class Unknown:
    """One unknown multiplier: median, standard deviation of its logarithm, and its name in plain words."""

    words: str
    median: float
    log_sd: float


@dataclass(frozen=True, repr=False, eq=False)
class Draws(Record):
    """Ensemble of unknowns: name -> (draws,) multipliers; set_up_error_mm (draws,) is added to the action read."""

    values: Mapping[str, Array]
    set_up_error_mm: Array
    member: NDArray[np.intp]

    def __eq__(self, other: object) -> bool:
        if not isinstance(other, Draws):
            return NotImplemented
        mine, its = ({**of.values, "": of.set_up_error_mm, " ": of.member} for of in (self, other))
        return mine.keys() == its.keys() and all(np.array_equal(mine[name], its[name]) for name in mine)

    def __hash__(self) -> int:
        return hash((frozenset(self.values), self.set_up_error_mm.tobytes()))

    @property
    def count(self) -> int:
        return int(self.set_up_error_mm.size)

    def rows(self, member: int) -> slice:
        """Where a member's draws stand: members are dealt in blocks. Raises ValueError when they are not."""
        found = np.flatnonzero(self.member == member)
        if found.size == 0 or found[-1] - found[0] + 1 != found.size:
            raise ValueError(f"the draws of weather member {member} do not stand together")
        return slice(int(found[0]), int(found[-1]) + 1)

    def first(self, count: int) -> Draws:
        """The first `count` draws."""
        return self.chosen(slice(0, count))

    def of_member(self, member: int) -> Draws:
        """The draws that live in one weather member."""
        return self.chosen(self.member == member)

    def chosen(self, chosen: slice | Flags | NDArray[np.intp]) -> Draws:
        """Some of the draws."""
        values = Frozen({name: value[chosen] for name, value in self.values.items()})
        return Draws(values, self.set_up_error_mm[chosen], self.member[chosen])


ROOM_WORDS = {
    "excess_cold": "how much moisture the house holds when it is cold outside",
    "excess_warm": "how much moisture the house holds when it is warm outside",
    "summer_warmth": "how much the house warms up in summer",
    "heating_set_point": "how warm the house is heated",
}


def is_held(climate: Climate) -> bool:
    """True where the air is no question: measured, outdoor air itself, or held from both sides by its keeper."""
    room = climate.room
    return (
        room is None
        or climate.outdoor is None
        or (room.dehumidified_to_pct is not None and climate.humidifier is not None)
    )


#: between the name of a room's unknown and the number of a home that was left again
EARLIER = "_home_"


def own_name(name: str) -> str:
    """The name of an unknown without the home it is of."""
    return name.split(EARLIER)[0]


def _homes(scenario: Scenario) -> list[Climate]:
    """One climate of each home whose air is in question, in the order they were last lived in. A home is its room in
    its place: a case or a humidifier more leaves its doubt what it is."""
    open_to = [
        stay.climate for stay in sorted(scenario.stays, key=lambda stay: stay.start) if not is_held(stay.climate)
    ]
    known = {(climate.outdoor, climate.room): climate for climate in reversed(open_to)}
    return list(known.values())[::-1]


def home_unknowns(scenario: Scenario, climate: Climate) -> dict[str, Unknown]:
    """The unknowns of the room of one climate in a scenario: each home has its own. Those of the last home go by their
    plain names, those of homes left again by a number too."""
    homes = _homes(scenario)
    number = [(home.outdoor, home.room) for home in homes].index((climate.outdoor, climate.room)) + 1
    known = room_unknowns(fitted(climate).room)
    if len(homes) == 1:
        return known
    ending = "" if number == len(homes) else f"{EARLIER}{number}"
    return {
        name + ending: Unknown(f"{one.words}, home {number} ({climate.name})", one.median, one.log_sd)
        for name, one in known.items()
    }


def room_unknowns(room: Room | None) -> dict[str, Unknown]:
    """The unknowns of a room by name: multipliers of its own numbers; none for no room."""
    if room is None:
        return {}
    spreads = dict(room.log_sd)
    if room.heating_setpoint_c is None:
        spreads.pop("heating_set_point", None)
    return {name: Unknown(words, 1.0, spreads[name]) for name, words in ROOM_WORDS.items() if name in spreads}


def unknowns_of(scenario: Scenario) -> dict[str, Unknown]:
    """The unknowns of a scenario by name: its instrument's, and those of the rooms it lives in; what the scenario has
    learned from many instruments takes the place of the library's. Raises BadInput for a learned number of no
    unknown."""
    known = unknowns_of_instrument(scenario.instrument)
    for home in _homes(scenario):
        known |= home_unknowns(scenario, home)
    for one in scenario.learned:
        if one.name not in known:
            raise Spot(scenario.file or None, "learned").refusal(
                f'a learned number of no unknown, "{one.name}".{near_match(one.name, known)} Needed: one of '
                f"{', '.join(known)}. Mend: driftmodel learn my-workshop writes it anew"
            )
        known[one.name] = Unknown(known[one.name].words, one.median, one.log_sd)
        spread = float(np.exp(Z_80 * one.log_sd))
        note(f"learned, {one.name}", Datum(one.median, "1", spread, "factor", one.source, "learned from readings"))
    return known


def unknowns_of_instrument(instrument: Instrument) -> dict[str, Unknown]:
    """The unknowns of an instrument by name; medians and spreads come from species_data.

    Movement of each part multiplies its response (see `part_movement`); plates move across the grain, braces and neck
    along it. The lasting drift has one spread for its product, the residual gain, beside what shapes it. The
    spread of the structure is what remains of the plate model's coefficient of variation after the movement of the
    top, whose share of the variance it already holds, is taken out."""

    def general(words: str, key: str) -> Unknown:
        datum = library.general(key)
        return Unknown(words, datum.value, datum.log_sd)

    def relative(words: str, key: str) -> Unknown:
        return Unknown(words, 1.0, library.general(key).log_sd)

    def plate(words: str, of: Plate) -> Unknown:
        key = "coefficient_radial" if of.ring_angle_deg < 45 else "coefficient_tangential"
        return Unknown(words, 1.0, library.number(library.wood(of.wood), key).log_sd)

    body = instrument.body
    along = library.general("movement_along_own").log_sd
    whole = library.general("structural_gain")
    free_strain_share = library.value("structural_variance_from_movement")
    return {
        "moisture_level": relative("how much moisture this wood holds", "emc_scale"),
        "diffusion": relative("how fast moisture moves in the wood", "diffusion_coefficient_20c"),
        "surface": relative("how fast a bare face takes it up", "surface_emission_20c"),
        "film": relative("how tight the finish is", "film_permeance_factor"),
        "movement_top": plate("how much the top's wood moves", body.top),
        "movement_back": plate("how much the back's wood moves", body.back),
        "movement_along": general("how much wood moves along the grain", "movement_along"),
        "movement_top_braces": Unknown("how much the top braces move against other wood along the grain", 1.0, along),
        "movement_back_braces": Unknown("how much the back braces move against other wood along the grain", 1.0, along),
        "movement_neck": Unknown("how much the neck moves against other wood along the grain", 1.0, along),
        "movement_fingerboard": Unknown(
            "how much the fingerboard moves against other wood along the grain", 1.0, along
        ),
        "structure": Unknown(
            "how the body turns moisture into sinkage", 1.0, whole.log_sd * (1 - free_strain_share) ** 0.5
        ),
        "block": relative("how the body turns moisture into neck rotation", "block_rotation"),
        "string_response": relative("how the body gives under string pull", "string_response"),
        "moisture_creep": general("how much the range of humidity adds to creep", "moisture_creep"),
        "joint_creep": general("how much clamp force the neck's bolts lose with the years", "joint_creep"),
        "bow_creep": general("how much the neck goes on bowing under the strings", "bow_creep"),
        "residual_gain": general("residual gain: how far a guitar settles beyond what its wood says", "residual_gain"),
    }


#: parts that move along the grain share the ignorance of it
ALONG_PARTS = ("top_braces", "back_braces", "neck", "fingerboard")


def part_movement(values: Mapping[str, Array], part: str) -> Array:
    """How much a part's wood moves, as a multiple of its response, (draws,)."""
    own = values[f"movement_{part}"]
    return own * values["movement_along"] if part in ALONG_PARTS else own


def draw_unknowns(scenario: Scenario, count: int, seed: int) -> Draws:
    """`count` draws by Latin hypercube, the same for the same seed; the weather members share them out
    in equal blocks.

    Each unknown has its own stream, named after it, so that adding one leaves the others' draws as they were."""
    whole_number("draws", count, 1, 200)
    whole_number("seed", seed, 0, 1)
    unknowns = unknowns_of(scenario)
    values = {
        name: unknown.median * np.exp(unknown.log_sd * normal_stratified(count, seed, name))
        for name, unknown in unknowns.items()
    }
    error = scenario.setup.action_reading_sd_mm * normal_stratified(count, seed, "set_up_error")
    member = members_of(scenario.weather_members, count)
    return Draws(Frozen(values), error, member)


def members_of(members: int, count: int) -> NDArray[np.intp]:
    """The weather member of each of `count` draws, in equal blocks. Where there are several, each has days of its own,
    from member 1 on; a single one is the air as read, member 0, whose year comes again and again."""
    if members < 2:
        return np.zeros(count, dtype=np.intp)
    return 1 + np.arange(count, dtype=np.intp) * min(members, count) // count


def normal_stratified(count: int, seed: int, stream: str) -> Array:
    """Standard normal values, one from each of `count` equal slices of probability, in random order."""
    from scipy.special import ndtri

    random = np.random.default_rng([seed, *stream.encode()])
    probability = (random.permutation(count) + random.random(count)) / count
    return np.asarray(np.clip(ndtri(probability), -WIDEST_SD, WIDEST_SD), dtype=float)


def share_of_variance(draws: Draws, unknowns: Mapping[str, Unknown], outcome: Array) -> dict[str, float]:
    """Share of the outcome's variance that goes with each unknown, by its plain words, largest first.

    Squared correlation with the unknown's logarithm, (draws,) against (draws,): for independent draws and a nearly
    multiplicative outcome this is the first-order Sobol index. What is left goes by 'weather and all else together'."""
    safe: Callable[[Array], bool] = lambda values: bool(np.std(values) > 1e-12)  # noqa: E731
    shares = {
        unknowns[name].words: float(np.corrcoef(np.log(values), outcome)[0, 1] ** 2)
        if safe(values) and safe(outcome)
        else 0.0
        for name, values in draws.values.items()
        if name in unknowns
    }
    reading = draws.set_up_error_mm
    shares["how well the set-up was measured"] = (
        float(np.corrcoef(reading, outcome)[0, 1] ** 2) if safe(reading) and safe(outcome) else 0.0
    )
    rest = max(0.0, 1.0 - sum(shares.values()))
    return dict(sorted(shares.items(), key=lambda item: -item[1])) | {"weather and all else together": rest}
