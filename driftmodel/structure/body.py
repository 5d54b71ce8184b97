"""The elastic response of a body to moisture in its parts and to string pull, from the design's records."""

from __future__ import annotations

from itertools import pairwise
from math import degrees

import numpy as np

from driftmodel.base import library
from driftmodel.base.build import Block, Body, Brace, Plate
from driftmodel.base.errors import BadInput, Spot
from driftmodel.base.schema import Array, Frozen
from driftmodel.structure import box as boxes
from driftmodel.structure.box_movement import solve_with_shares
from driftmodel.structure.mesh import inside, smooth_outline
from driftmodel.structure.plate import board, timber
from driftmodel.structure.records import LOADS, BodyResponse

#: how far the end of a brace may reach past the outline (it is cut at the lining)
OVERHANG_MM = 15.0
#: how near the lining a brace's end is let into it (common practice, no source)
LET_IN_MM = 8.0
#: size of the triangles; docs/structure.md shows how the answers settle as it falls
SIZE_MM = 26.0


def respond(body: Body, over_top_at_join_mm: float | None = None, size_mm: float = SIZE_MM) -> BodyResponse:
    """Response of a body, one number for each load of records.LOADS, in mm and degrees. over_top_at_join_mm: height of
    the strings over the top's face at the body join, as usual where it is None.

    Heights and turns are those of the neck block as seen from the tail block; together they give the saddle over the
    fret plane, bridge_height + tan(block_rotation) x distance, which no frame changes. Bridge and bridge plate take
    the moisture of the top's braces. Raises BadInput where the parts do not fit one another."""
    answers, shares = solve_with_shares(box(body, over_top_at_join_mm), size_mm, LOADS)
    heights = {name: answer.bridge[1] - answer.block[1] for name, answer in answers.items()}
    return BodyResponse(
        bridge_height_mm=Frozen(heights),
        bridge_tilt_deg=Frozen({name: -degrees(answer.bridge_tilt) for name, answer in answers.items()}),
        block_rotation_deg=Frozen({name: degrees(answer.block_turn) for name, answer in answers.items()}),
        body_width_mm=Frozen({name: answer.width for name, answer in answers.items()}),
        string_shares=Frozen(
            {
                name: Frozen({key: size * value for key, value in shares[reading].items()})
                for name, reading, size in (
                    ("top_sinkage", "sinkage", 1.0),
                    ("neck_rotation", "turn", degrees(1.0)),
                    ("bridge_tilt", "tilt", degrees(1.0)),
                )
            }
        ),
    )


def box(body: Body, over_top_at_join_mm: float | None = None) -> boxes.Box:
    """The body's records, and the strings' height over the top at the join, as a structure with its woods' numbers.
    Raises BadInput where the parts do not fit."""
    outline = smooth_outline(body.outline_mm)
    bridge, sides = body.bridge, body.sides
    let_in, span, lining = sides.lining_width_mm + LET_IN_MM, (bridge.front_mm, bridge.back_mm), sides.lining_wood
    high_mm = library.value("strings_over_top_at_join") if over_top_at_join_mm is None else over_top_at_join_mm
    _check(body, outline)
    return boxes.Box(
        outline=outline,
        top=_sheet(body.top, span, outline, let_in),
        back=_sheet(body.back, span, outline, let_in),
        side=board(sides.wood),
        side_thickness_mm=sides.thickness_mm,
        depth_neck_mm=sides.depth_neck_mm,
        depth_tail_mm=sides.depth_tail_mm,
        lining=boxes.Lining(
            board(lining), sides.lining_width_mm, sides.lining_height_mm, board(lining, 90.0).movement_across
        ),
        neck_block=_block(body.neck_block),
        tail_block=_block(body.tail_block),
        bridge=boxes.Patch(board(bridge.wood), bridge.thickness_mm, *span, bridge.half_length_mm),
        bridge_plate=boxes.Patch(
            board(bridge.plate_wood), bridge.plate_thickness_mm, *span, bridge.plate_half_length_mm
        ),
        strings=boxes.Strings(
            bridge.saddle_mm,
            library.value("saddle_over_bridge"),
            library.value("saddle_string_spread") / 2.0,
            high_mm,
            _anchor(body),
        ),
    )


def _anchor(body: Body) -> tuple[float, float]:
    """How far behind the saddle the strings end, and how high over the bridge's top: pins hold them under the plate."""
    bridge = body.bridge
    usual = min(library.value("anchor_behind_saddle"), 0.8 * (bridge.back_mm - bridge.saddle_mm))
    behind = usual if bridge.anchor_mm is None else bridge.anchor_mm - bridge.saddle_mm
    through = bridge.thickness_mm + body.top.thickness_mm + bridge.plate_thickness_mm
    return behind, -through if bridge.anchor == "pins" else 0.0


def _block(block: Block) -> boxes.Block:
    return boxes.Block(timber(block.wood, block.grain), block.length_mm, block.half_width_mm)


def _sheet(plate: Plate, bridge_mm: tuple[float, float], outline: Array, let_in_mm: float) -> boxes.Sheet:
    hole = None
    if plate.hole_centre_mm is not None and plate.hole_diameter_mm:
        hole = (*plate.hole_centre_mm, plate.hole_diameter_mm)
    return boxes.Sheet(
        board(plate.wood, plate.ring_angle_deg),
        plate.thickness_mm,
        plate.dome_radius_mm,
        tuple(
            boxes.shaved(
                _bar(brace, outline, let_in_mm), plate.braces_before_bridge, plate.braces_behind_bridge, *bridge_mm
            )
            for brace in plate.braces
        ),
        hole,
    )


def _bar(brace: Brace, outline: Array, let_in_mm: float) -> boxes.Bar:
    """An end no further than let_in_mm from the outline is let into the lining: it goes on to the outline."""
    path = np.asarray(brace.path_mm, dtype=float)
    length = float(np.hypot(*np.diff(path, axis=0).T).sum())
    more = [0.0, 0.0]
    for end, (last, before) in enumerate(((path[0], path[1]), (path[-1], path[-2]))):
        on = (last - before) / np.hypot(*(last - before))
        ahead = np.arange(0.0, let_in_mm, 0.25)
        outside = ~inside(last + ahead[:, None] * on, outline)
        if outside.any() and not outside[0]:
            more[end] = float(ahead[outside.argmax()])
            path[-end] = last + more[end] * on

    def height(reach: Array) -> Array:
        reach = np.clip(reach - more[0], 0.0, length)
        from_end = np.minimum(reach, length - reach)
        share = np.clip(from_end / brace.end_taper_mm, 0.0, 1.0) if brace.end_taper_mm > 0.0 else 1.0
        return np.asarray(brace.end_height_mm + (brace.height_mm - brace.end_height_mm) * share)

    return boxes.Bar(path, brace.width_mm, height, board(brace.wood))


def _check(body: Body, outline: Array) -> None:
    """What no mesh can follow is said here in the words of the design."""
    bridge, length = body.bridge, float(outline[:, 0].max())
    if not bridge.front_mm < bridge.saddle_mm < bridge.back_mm:
        raise Spot(place="body.bridge.saddle_mm").refusal(
            f"the saddle is at {bridge.saddle_mm} mm, the bridge from {bridge.front_mm} to {bridge.back_mm} mm. "
            "Needed: a saddle between the bridge's front and back edges. "
            f"Mend: saddle_mm = {(bridge.front_mm + bridge.back_mm) / 2:g}"
        )
    if bridge.anchor_mm is not None and not bridge.saddle_mm < bridge.anchor_mm < bridge.back_mm:
        raise Spot(place="body.bridge.anchor_mm").refusal(
            f"the strings end at {bridge.anchor_mm:g} mm, the saddle is at {bridge.saddle_mm:g}, the bridge's back at "
            f"{bridge.back_mm:g} mm. Needed: an anchor between the saddle and the bridge's back edge. "
            f"Mend: anchor_mm = {(bridge.saddle_mm + bridge.back_mm) / 2:g}"
        )
    corners = [
        (x, sign * half)
        for x in (bridge.front_mm, bridge.back_mm)
        for half in (bridge.half_length_mm, bridge.plate_half_length_mm)
        for sign in (-1.0, 1.0)
    ]
    if not inside(np.array(corners), outline).all():
        raise BadInput("the bridge reaches over the outline", "bridge and bridge plate inside the outline",
                       place="body.bridge", mend="half_length_mm = 75")  # fmt: skip
    if body.neck_block.length_mm + body.tail_block.length_mm >= length:
        raise BadInput("the blocks are as long as the body", "blocks that leave room between them",
                       place="body.neck_block.length_mm", mend="length_mm = 55")  # fmt: skip
    for name, block, x in (("neck_block", body.neck_block, 0.0), ("tail_block", body.tail_block, length)):
        rim = outline[np.abs(outline[:, 0] - x) < 1e-6]
        half = float(np.abs(rim[:, 1]).max())
        if block.half_width_mm > half:
            raise BadInput(f"the block is {block.half_width_mm} mm to each side, the outline there {half:g} mm",
                           "a block no wider than the end of the outline", place=f"body.{name}.half_width_mm",
                           mend=f"half_width_mm = {half:g}")  # fmt: skip
    for plate_name, plate in (("top", body.top), ("back", body.back)):
        for number, brace in enumerate(plate.braces, start=1):
            _check_brace(brace, plate, outline, f"body.{plate_name}.braces, number {number}")


def _check_brace(brace: Brace, plate: Plate, outline: Array, place: str) -> None:
    """A brace lies inside the outline, but for its ends, which may run under the lining, and beside the sound hole."""
    path = np.asarray(brace.path_mm, dtype=float)
    share = np.linspace(0.0, 1.0, 101)[:, None]
    spots = np.concatenate([start + share * (end - start) for start, end in pairwise(path)])
    body = spots[np.hypot(*(spots[:, None] - path[[0, -1]]).transpose(2, 0, 1)).min(axis=1) > OVERHANG_MM]
    body = body if len(body) else path.mean(axis=0)[None]  # a cleat is all ends
    out = body[~inside(body, outline)]
    if len(out):
        kept = spots[inside(spots, outline)]
        ends = [kept[0], kept[-1]] if len(kept) > 1 else [np.array([75.0, -60.0]), np.array([75.0, 60.0])]
        raise BadInput(f'"{brace.name}" lies outside the outline at x = {out[0, 0]:.0f}, y = {out[0, 1]:.0f} mm',
                       f"braces inside the outline, their ends at most {OVERHANG_MM:g} mm past it", place=place,
                       mend=f"path_mm = {_said(ends)}")  # fmt: skip
    if plate.hole_centre_mm is not None:
        reach = np.hypot(*(spots - plate.hole_centre_mm).T)
        if reach.min() < plate.hole_diameter_mm / 2.0 - brace.width_mm / 2.0:
            clear = plate.hole_centre_mm[0] - plate.hole_diameter_mm / 2.0 - brace.width_mm
            ends = [np.array([clear, spots[0, 1]]), np.array([clear, spots[-1, 1]])]
            raise BadInput(f'"{brace.name}" runs across the sound hole', "braces beside the hole", place=place,
                           mend=f"path_mm = {_said(ends)}")  # fmt: skip


def _said(points: list[Array]) -> str:
    return "[" + ", ".join(f"[{x:.0f}, {y:.0f}]" for x, y in points) + "]"
