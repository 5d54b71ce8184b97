"""The small linear response of a design, computed once and kept in the user's cache by a hash of all it rests on."""

from __future__ import annotations

import hashlib
import json
import os
import sys
import tempfile
from collections.abc import Mapping
from dataclasses import asdict
from functools import cache
from pathlib import Path
from types import MappingProxyType

from driftmodel.base import library
from driftmodel.base.records import Instrument
from driftmodel.base.schema import PARTS
from driftmodel.structure import neck as neck_room
from driftmodel.structure.records import LOADS, BodyResponse, Coefficients, NeckResponse

#: raised whenever the structural model changes its answers
MODEL = 4

_FIELDS = ("bridge_height_mm", "bridge_tilt_deg", "block_rotation_deg", "body_width_mm")


def design_response(instrument: Instrument) -> Coefficients:
    """Response of a design per +1 % MC in each part and per N of string pull."""
    body = body_response(instrument)
    bow = neck_room.bow(instrument.neck, instrument.strings, instrument.body_fret)
    return coefficients(body, bow)


def coefficients(body: BodyResponse, bow: NeckResponse) -> Coefficients:
    """Body and neck in the words of the forecast. The sides have the back's moisture and move with it."""
    loads = (*PARTS, "top_gradient", "back_gradient", "strings")

    def of_body(values: Mapping[str, float], sign: float = 1.0) -> MappingProxyType[str, float]:
        own = {load: sign * values.get(load, 0.0) for load in loads}
        own["back"] += sign * values["sides"]
        return MappingProxyType(own)

    def of_bow(factor: float) -> MappingProxyType[str, float]:
        own = dict.fromkeys(loads, 0.0)
        own["neck"] = bow.curvature_per_pct_neck * factor
        own["fingerboard"] = bow.curvature_per_pct_fingerboard * factor
        own["strings"] = bow.curvature_per_newton * factor
        return MappingProxyType(own)

    return Coefficients(
        top_sinkage=of_body(body.bridge_height_mm, -1.0),
        neck_rotation=of_body(body.block_rotation_deg),
        bow_action=of_bow(bow.action_12th_mm_per_curvature),
        relief=of_bow(bow.relief_mm_per_curvature),
        bridge_tilt=of_body(body.bridge_tilt_deg),
        string_shares=body.string_shares,
    )


def body_response(instrument: Instrument) -> BodyResponse:
    """Response of the body, from the cache when the same design with the same numbers was met before."""
    key = _key(instrument)
    kept = _read(key)
    if kept is not None:
        return kept
    from driftmodel.structure.body import respond

    answer = respond(instrument.body)
    _write(key, answer)
    return answer


def cache_folder() -> Path:
    """DRIFTMODEL_CACHE, or the user's cache folder of this system."""
    if named := os.environ.get("DRIFTMODEL_CACHE"):
        return Path(named)
    if sys.platform == "win32":
        return Path(os.environ.get("LOCALAPPDATA", Path.home())) / "driftmodel"
    if sys.platform == "darwin":
        return Path.home() / "Library" / "Caches" / "driftmodel"
    return Path(os.environ.get("XDG_CACHE_HOME", Path.home() / ".cache")) / "driftmodel"


@cache
def _general_numbers() -> tuple[tuple[str, float], ...]:
    return tuple((name, library.general(name).value) for name in library.general_names())


def _key(instrument: Instrument) -> str:
    """Hash of the body, of every number of its woods, of the general numbers and of the model."""
    body = instrument.body
    plates = (body.top, body.back)
    names = {body.top.wood, body.back.wood, body.sides.wood, body.sides.lining_wood, body.neck_block.wood}
    names |= {body.tail_block.wood, body.bridge.wood, body.bridge.plate_wood}
    names |= {brace.wood for plate in plates for brace in plate.braces}
    numbers = {
        name: {key: datum.value for key, datum in sorted(library.wood(name).numbers.items())} for name in sorted(names)
    }
    whole = json.dumps([MODEL, asdict(body), numbers, _general_numbers()], sort_keys=True)
    return hashlib.sha256(whole.encode()).hexdigest()[:32]


def _read(key: str) -> BodyResponse | None:
    """What was kept, or None where there is nothing whole."""
    try:
        kept = json.loads((cache_folder() / f"{key}.json").read_text(encoding="utf-8"))
        return BodyResponse(
            **{name: MappingProxyType({load: float(kept[name][load]) for load in LOADS}) for name in _FIELDS},
            string_shares=MappingProxyType(
                {
                    name: MappingProxyType({(group, component): float(value) for group, component, value in split})
                    for name, split in kept["string_shares"].items()
                }
            ),
        )
    except (OSError, ValueError, KeyError, TypeError):
        return None


def _write(key: str, answer: BodyResponse) -> None:
    """Written whole or not at all; a folder that cannot be written only costs the time to compute again."""
    shares = {name: [[*key, value] for key, value in split.items()] for name, split in answer.string_shares.items()}
    text = json.dumps({name: dict(getattr(answer, name)) for name in _FIELDS} | {"string_shares": shares})
    try:
        folder = cache_folder()
        folder.mkdir(parents=True, exist_ok=True)
        with tempfile.NamedTemporaryFile("w", dir=folder, suffix=".part", delete=False, encoding="utf-8") as part:
            part.write(text)
        os.replace(part.name, folder / f"{key}.json")
    except OSError:
        return
