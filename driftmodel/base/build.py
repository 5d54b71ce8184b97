"""What an instrument is built of: the records every room shares, each at once the table of an instrument's file."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from itertools import pairwise
from typing import Annotated, Literal

from pydantic import field_validator

from driftmodel.base.file_models import INVENTED, TITLE, Faults, Noun, Point, key, length

WOOD = "trade name of the wood"


@dataclass(frozen=True, repr=False)
class Brace(Noun):
    """A glued bar on a plate. path_mm: (x, y) corner points; heights fall to end_height_mm over end_taper_mm."""

    name: Annotated[str, key('"x brace, bass to treble"', "which brace it is")]
    wood: Annotated[str, key('"sitka spruce"', WOOD)]
    path_mm: Annotated[
        tuple[Point, ...],
        key("[[85, -140], [430, 165]]", "corner points from end to end: from the join, from the middle", min_length=2),
    ]
    width_mm: Annotated[float, length("8.0", "width", 60)]
    height_mm: Annotated[float, length("15.0", "height in the middle", 60)]
    end_height_mm: Annotated[float, length("3.0", "height at the ends", 60)]
    end_taper_mm: Annotated[float, key("60.0", "length over which it falls to that", ge=0, le=300)]

    def faults(self) -> Faults:
        if self.end_height_mm > self.height_mm:
            yield (
                "end_height_mm",
                f"end_height_mm {self.end_height_mm:g} over height_mm {self.height_mm:g}. Needed: an end no higher "
                f"than the brace. Mend: end_height_mm = {self.height_mm:g}",
            )


@dataclass(frozen=True, repr=False)
class Plate(Noun):
    """Top or back. ring_angle_deg: 0 quarter-sawn, 90 flat-sawn. dome_radius_mm: 0 means flat. braces_*_bridge: height
    of the braces before the bridge's front and behind its back edge, as a share of what is drawn."""

    wood: Annotated[str, key('"sitka spruce"', WOOD)]
    thickness_mm: Annotated[float, key("2.8", "thickness", gt=0.5, le=10)]
    dome_radius_mm: Annotated[float, key("8500.0", "radius of the dome; 0 for flat", ge=0)]
    ring_angle_deg: Annotated[float, key("0.0", "0 quarter-sawn, 90 flat-sawn", ge=0, le=90)]
    finish_outside: Annotated[str, key('"nitrocellulose lacquer"', "finish of the outer face")]
    finish_inside: Annotated[str, key('"bare"', "finish of the inner face")]
    braces: Annotated[tuple[Brace, ...], key("[]  # or [[body.top.braces]] tables", "")]
    hole_centre_mm: Annotated[Point | None, key("[155, 0]", "middle of the sound hole")] = None
    hole_diameter_mm: Annotated[float, key("100.0", "its diameter; 0 for none", ge=0, le=200)] = 0.0
    braces_before_bridge: Annotated[
        float, key("0.9", "height of the braces before the bridge, as a share of what is drawn", gt=0.2, le=2)
    ] = 1.0
    braces_behind_bridge: Annotated[float, key("0.9", "and behind it", gt=0.2, le=2)] = 1.0

    @field_validator("dome_radius_mm")
    @classmethod
    def _domed_or_flat(cls, radius: float) -> float:
        if 0 < radius < 1000:
            raise ValueError("0 (flat), or a dome radius of at least 1000 mm")
        return radius

    def faults(self) -> Faults:
        if (self.hole_centre_mm is None) != (self.hole_diameter_mm == 0):
            there = "hole_diameter_mm" if self.hole_centre_mm is None else "hole_centre_mm"
            missing = "hole_centre_mm = [155, 0]" if self.hole_centre_mm is None else "hole_diameter_mm = 100.0"
            yield (
                there,
                f"{there} alone. Needed: hole_centre_mm and hole_diameter_mm together, or neither. Mend: {missing}",
            )


@dataclass(frozen=True, repr=False)
class Sides(Noun):
    wood: Annotated[str, key('"honduran mahogany"', WOOD)]
    thickness_mm: Annotated[float, key("2.3", "thickness", gt=0.5, le=10)]
    depth_neck_mm: Annotated[float, length("100.0", "depth of the sides at the neck", 300)]
    depth_tail_mm: Annotated[float, length("120.0", "and at the tail", 300)]
    lining_width_mm: Annotated[float, length("6.0", "width of the linings", 30)]
    lining_height_mm: Annotated[float, length("14.0", "height of the linings", 40)]
    lining_wood: Annotated[str, key('"basswood"', "wood of the linings")]


@dataclass(frozen=True, repr=False)
class Block(Noun):
    """grain: 'upright' from back to top, 'across' the body or 'along' it."""

    wood: Annotated[str, key('"honduran mahogany"', WOOD)]
    length_mm: Annotated[float, length("55.0", "length along the body", 150)]
    half_width_mm: Annotated[float, length("38.0", "half its width across the body", 120)]
    grain: Annotated[
        Literal["upright", "across", "along"],
        key('"upright"  # or "across" the body, or "along" it', "which way its grain runs"),
    ] = "upright"


@dataclass(frozen=True, repr=False)
class Bridge(Noun):
    """The bridge and the plate under it: its front edge, back edge and saddle are measured from the body join. anchor:
    the strings end in 'pins' through the top or at a 'tie block'; anchor_mm: where, from the join; None: as usual."""

    wood: Annotated[str, key('"east indian rosewood"', WOOD)]
    front_mm: Annotated[float, length("277.0", "front edge of the bridge, from the join")]
    back_mm: Annotated[float, length("307.0", "its back edge")]
    half_length_mm: Annotated[float, length("76.0", "half its length across the top", 200)]
    thickness_mm: Annotated[float, length("8.5", "thickness", 30)]
    saddle_mm: Annotated[float, length("287.3", "saddle, from the join")]
    plate_wood: Annotated[str, key('"sugar maple"', "wood of the plate under it")]
    plate_thickness_mm: Annotated[float, length("2.5", "thickness of that plate", 10)]
    plate_half_length_mm: Annotated[float, length("80.0", "half its length across the top", 200)]
    anchor: Annotated[Literal["pins", "tie block"], key('"pins"  # or "tie block"', "where the strings end")] = "pins"
    anchor_mm: Annotated[float | None, key("296.0", "how far that is from the join", gt=0, le=2000)] = None

    def faults(self) -> Faults:
        if not self.front_mm <= self.saddle_mm <= self.back_mm:
            turned = self.front_mm > self.back_mm
            mend = self.front_mm + 30.0 if turned else (self.front_mm + self.back_mm) / 2.0
            key = "back_mm" if turned else "saddle_mm"
            yield (
                key,
                f"front_mm {self.front_mm:g}, saddle_mm {self.saddle_mm:g}, back_mm {self.back_mm:g}. Needed: "
                f"front_mm <= saddle_mm <= back_mm, all measured from the body join. Mend: {key} = {mend:g}",
            )


@dataclass(frozen=True, repr=False)
class Body(Noun):
    """x runs from the body join to the tail, y across; outline_mm: (x, half width) points from join to tail."""

    outline_mm: Annotated[
        tuple[Point, ...],
        key("[[0, 60], [250, 140], [500, 55]]", "points of the outline: distance from the join, half width",
            min_length=4),
    ]  # fmt: skip
    top: Plate
    back: Plate
    sides: Sides
    neck_block: Block
    tail_block: Block
    bridge: Bridge

    @field_validator("outline_mm")
    @classmethod
    def _runs_to_tail(cls, points: tuple[Point, ...]) -> tuple[Point, ...]:
        if any(later[0] <= earlier[0] for earlier, later in pairwise(points)):
            raise ValueError("outline points whose x grows from the body join to the tail")
        if points[0][0] != 0 or any(half <= 0 for _, half in points):
            raise ValueError("an outline that starts at x = 0 with half widths above 0")
        return points

    def faults(self) -> Faults:
        if self.bridge.back_mm >= self.outline_mm[-1][0]:
            yield (
                "bridge.back_mm",
                f"the bridge's back at {self.bridge.back_mm:g} mm. Needed: a bridge in front of the tail (x below "
                f"{self.outline_mm[-1][0]:g} mm). Mend: back_mm = 307.0",
            )


@dataclass(frozen=True, repr=False)
class Neck(Noun):
    """Depths without fingerboard; the fingerboard is flat-bottomed, of even thickness. rod_length_mm: how far from the
    nut the truss rod reaches; None where it was not measured."""

    wood: Annotated[str, key('"honduran mahogany"', WOOD)]
    fingerboard_wood: Annotated[str, key('"east indian rosewood"', "wood of the fingerboard")]
    width_nut_mm: Annotated[float, length("44.0", "neck's width at the nut", 100)]
    width_body_mm: Annotated[float, length("56.0", "and at the body", 120)]
    depth_nut_mm: Annotated[float, length("14.5", "neck's depth at the nut, without fingerboard", 60)]
    depth_body_mm: Annotated[float, length("17.5", "and at the body", 60)]
    fingerboard_thickness_mm: Annotated[float, length("6.0", "thickness of the fingerboard", 15)]
    ring_angle_deg: Annotated[float, key("20.0", "0 quarter-sawn, 90 flat-sawn", ge=0, le=90)]
    finish: Annotated[str, key('"nitrocellulose lacquer"', "finish of the neck")]
    fingerboard_finish: Annotated[str, key('"bare"', "finish of the fingerboard")]
    rod_length_mm: Annotated[float | None, key("330.0", "from the nut to where the truss rod ends", gt=50, le=900)] = (
        None
    )


@dataclass(frozen=True, repr=False)
class Strings(Noun):
    """Either the total pull in N is stated, or gauges, windings and pitches say what it must be. over_top_at_join_mm:
    height of the strings over the top's face at the body join; None where it was not measured."""

    scale_mm: Annotated[float, key("645.0", "open string, nut to saddle", ge=300, le=1200)]
    tension_n: Annotated[
        float | None, key("750.0", "pull of all strings together, where it is known", gt=50, le=3000)
    ] = None
    gauges_in: Annotated[
        tuple[float, ...],
        key("[0.012, 0.016, 0.024, 0.032, 0.042, 0.053]", "gauge of each string, in place of the pull"),
    ] = ()
    wound: Annotated[tuple[bool, ...], key("[false, false, true, true, true, true]", "which of them are wound")] = ()
    pitches: Annotated[tuple[str, ...], key('["E4", "B3", "G3", "D3", "A2", "E2"]', "the note each is tuned to")] = ()
    over_top_at_join_mm: Annotated[
        float | None, key("10.0", "strings over the top's face at the body join", gt=0, le=40)
    ] = None

    def faults(self) -> Faults:
        sets = {"gauges_in": self.gauges_in, "wound": self.wound, "pitches": self.pitches}
        if self.tension_n is not None and not any(sets.values()):
            return
        if self.tension_n is None and self.gauges_in and self.wound and self.pitches:
            if not len(self.gauges_in) == len(self.wound) == len(self.pitches):
                yield (
                    "gauges_in",
                    f"{len(self.gauges_in)} gauges, {len(self.wound)} wound, {len(self.pitches)} pitches. Needed: "
                    "gauges_in, wound and pitches of one length, a value for each string. "
                    "Mend: tension_n = 750.0  in place of the three, or a value for each string in each",
                )
            if any(not 0.005 <= gauge <= 0.2 for gauge in self.gauges_in):
                shown = ", ".join(f"{gauge / 1000 if gauge > 1 else gauge:g}" for gauge in self.gauges_in)
                yield (
                    "gauges_in",
                    f"gauges_in of {', '.join(f'{gauge:g}' for gauge in self.gauges_in)}. Needed: inches between "
                    f"0.005 and 0.2 (0.012, not 12). Mend: gauges_in = [{shown}]",
                )
            return
        given = [*(["tension_n"] if self.tension_n is not None else []), *(name for name, one in sets.items() if one)]
        yield (
            given[0] if given else "tension_n",
            f"{' and '.join(given) + ' given' if given else 'no pull of the strings'}. Needed: either tension_n, or "
            "all three of gauges_in, wound and pitches. Mend: tension_n = 750.0, and none of the others",
        )


@dataclass(frozen=True, kw_only=True, repr=False)
class Joint(Noun):
    """How the neck is held: heel 'bolted' or 'glued', tongue 'glued', 'bolted' or 'free'; bolts, and the clamp force of
    each when fresh (None where it was not measured)."""

    heel: Annotated[
        Literal["bolted", "glued"], key('"bolted"  # or "glued" (dovetail, tenon or butt)', "how the heel is held")
    ] = "bolted"
    tongue: Annotated[
        Literal["bolted", "glued", "free"],
        key('"bolted"  # or "glued", or "free"', "how the fingerboard over the top is held"),
    ] = "bolted"
    bolts: Annotated[int, key("2", "how many bolts hold the heel", ge=1, le=6)] = 2
    bolt_preload_n: Annotated[float | None, key("1500.0", "clamp force of each bolt", gt=0, le=20000)] = None


@dataclass(frozen=True, kw_only=True, repr=False)
class JointTable(Joint):
    """The table [joint] of an instrument's file: the joint, where it stands and its spacers."""

    body_fret: Annotated[int, key("14", "fret at the body join", ge=8, le=24)]
    spacer_length_mm: Annotated[float, length("75.0", "length of the joint a spacer's taper runs over", 200)]
    tongue_length_mm: Annotated[float, length("110.0", "fingerboard past the join", 200)]
    spacer_tapers_mm: Annotated[
        Mapping[str, float],
        key("{ D = -0.05, E = 0.0, F = 0.05 }  # or spacer_tapers_thou",
            "label and taper of every spacer: heel less far edge; larger turns the nut end up"),
    ]  # fmt: skip

    def faults(self) -> Faults:
        tapers, named = self.spacer_tapers_mm, "spacer_tapers_mm"
        if 0.0 not in tapers.values():
            yield (
                named,
                f"a spacer set of tapers {', '.join(f'{taper:g}' for taper in tapers.values())}. Needed: one spacer "
                "of taper 0, the straight one. Mend: add the line  0 = 0.0",
            )
        twice = [label for label in tapers if list(tapers.values()).count(tapers[label]) > 1]
        if twice:
            yield (
                f"{named}.{twice[-1]}",
                f"{' and '.join(twice)} have one taper. Needed: spacers whose tapers all differ. "
                f"Mend: {twice[-1]} = {max(tapers.values()) + 0.05:g}",
            )
        wide = [label for label, taper in tapers.items() if abs(taper) > 3]
        if wide:
            yield (
                f"{named}.{wide[0]}",
                f"{wide[0]} tapers by {tapers[wide[0]]:g} mm. Needed: tapers between -3 and 3 mm (in thousandths of an "
                f"inch: [joint.spacer_tapers_thou]). Mend: {wide[0]} = {tapers[wide[0]] * 0.0254:.3f}",
            )


@dataclass(frozen=True, kw_only=True, repr=False)
class InstrumentTable(Noun):
    """What an instrument's file and its record both say."""

    title: Annotated[str, key('"Large flat-top, bench no. 7"', TITLE)]
    invented: Annotated[bool, key("false", INVENTED)]
    strings: Strings
    body: Body
    neck: Neck


@dataclass(frozen=True, kw_only=True, repr=False)
class InstrumentFile(InstrumentTable):
    """A file may be `like` another design and tell only what differs; that is put together before it comes here."""

    joint: JointTable
