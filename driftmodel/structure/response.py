"""The small linear response of a design, computed once and kept: in memory, and the body's in the user's cache."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from driftmodel.base.arrays import eight_digits
from driftmodel.base.keeping import Memory, Shelf, Written, cache_folder, fingerprint
from driftmodel.base.records import Instrument
from driftmodel.base.schema import PARTS, Frozen
from driftmodel.structure import neck as neck_room
from driftmodel.structure.joint import over_top_at_join_mm
from driftmodel.structure.neck import neck_turns_deg_per_n, root_length_mm
from driftmodel.structure.records import LOADS, BodyResponse, Coefficients, NeckResponse

_FIELDS = ("bridge_height_mm", "bridge_tilt_deg", "block_rotation_deg", "body_width_mm")


_designs: Memory[Coefficients] = Memory(64)


def design_response(instrument: Instrument) -> Coefficients:
    """Response of a design per +1 % MC in each part and per N of string pull."""
    key = fingerprint(instrument.body, instrument.neck, instrument.strings, instrument.body_fret, instrument.joint,
                      instrument.spacers.joint_length_mm)  # fmt: skip

    def make() -> Coefficients:
        bow = neck_room.bow(instrument.neck, instrument.strings, instrument.body_fret, root_length_mm(instrument))
        return coefficients(body_response(instrument), bow, neck_turns_deg_per_n(instrument))

    return _designs.of(key, make)


def coefficients(body: BodyResponse, bow: NeckResponse, turns: Mapping[tuple[str, str], float]) -> Coefficients:
    """Body and neck in the words of the forecast. The sides have the back's moisture and move with it; joint and root
    of the neck turn it by `turns` (degrees per N of string pull)."""
    loads = (*PARTS, "top_gradient", "back_gradient", "strings")

    def of_body(values: Mapping[str, float], sign: float = 1.0) -> Frozen[str, float]:
        own = {load: sign * values.get(load, 0.0) for load in loads}
        own["back"] += sign * values["sides"]
        return Frozen(own)

    def of_bow(factor: float) -> Frozen[str, float]:
        own = dict.fromkeys(loads, 0.0)
        own["neck"] = bow.curvature_per_pct_neck * factor
        own["fingerboard"] = bow.curvature_per_pct_fingerboard * factor
        own["strings"] = bow.curvature_per_newton * factor
        return Frozen(own)

    rotation, action = of_body(body.block_rotation_deg), of_bow(bow.action_12th_mm_per_curvature)
    shares = dict(body.string_shares)
    shares["neck_rotation"] = Frozen({**shares["neck_rotation"], **turns})
    action = Frozen({**action, "strings": bow.curvature_per_newton * bow.string_action_12th_mm_per_curvature})
    return Coefficients(
        top_sinkage=of_body(body.bridge_height_mm, -1.0),
        neck_rotation=Frozen({**rotation, "strings": rotation["strings"] + sum(turns.values())}),
        bow_action=action,
        relief=of_bow(bow.relief_mm_per_curvature),
        bridge_tilt=of_body(body.bridge_tilt_deg),
        string_shares=Frozen(shares),
    )


def body_response(instrument: Instrument) -> BodyResponse:
    """Response of the body, kept in the user's cache under all it rests on."""
    shelf = Shelf(cache_folder() / "bodies")
    height_mm = over_top_at_join_mm(instrument.strings)
    key = fingerprint("body", instrument.body, height_mm)

    def make() -> BodyResponse:
        from driftmodel.structure.body import respond  # its solvers take half a second to import

        return _from_written(*_to_written(respond(instrument.body, height_mm)))

    return shelf.of(key, make, _to_written, _from_written)


def _to_written(answer: BodyResponse) -> Written:
    """What is kept of it, to eight digits: what lies beyond hangs on how many threads the solver was given."""
    shares = {
        name: [[*key, eight_digits(value)] for key, value in split.items()]
        for name, split in answer.string_shares.items()
    }
    told = {name: {load: eight_digits(value) for load, value in getattr(answer, name).items()} for name in _FIELDS}
    return told | {"string_shares": shares}, {}


def _from_written(facts: Any, _: Mapping[str, Any]) -> BodyResponse:
    return BodyResponse(
        **{name: Frozen({load: float(facts[name][load]) for load in LOADS}) for name in _FIELDS},
        string_shares=Frozen(
            {
                name: Frozen({(group, component): float(value) for group, component, value in split})
                for name, split in facts["string_shares"].items()
            }
        ),
    )
