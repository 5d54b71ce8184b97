"""The shape of an instrument file: body with its plates and braces, neck, strings, joint and spacers."""

from __future__ import annotations

from itertools import pairwise
from typing import Literal

from pydantic import field_validator, model_validator

from driftmodel.base.file_models import FileModel, key, length, over_keys


def _points(points: list[list[float]], least: int) -> list[list[float]]:
    if len(points) < least or any(len(point) != 2 for point in points):
        raise ValueError(f"at least {least} points of the form [x, y]")
    return points


class BraceFile(FileModel):
    name: str = key('"x brace, bass to treble"')
    wood: str = key('"sitka spruce"')
    path_mm: list[list[float]] = key("[[85, -140], [430, 165]]")
    width_mm: float = length("8.0", 60)
    height_mm: float = length("15.0", 60)
    end_height_mm: float = length("3.0", 60)
    end_taper_mm: float = key("60.0", ge=0, le=300)

    _two = field_validator("path_mm")(lambda points: _points(points, 2))

    @model_validator(mode="after")
    def _ends_lower(self) -> BraceFile:
        if self.end_height_mm > self.height_mm:
            raise over_keys(
                f"end_height_mm {self.end_height_mm:g} over height_mm {self.height_mm:g}",
                "an end no higher than the brace",
                "end_height_mm",
                f"end_height_mm = {self.height_mm:g}",
            )
        return self


class PlateFile(FileModel):
    wood: str = key('"sitka spruce"')
    thickness_mm: float = key("2.8", gt=0.5, le=10)
    dome_radius_mm: float = key("8500.0  # 0 for a flat plate", ge=0)
    ring_angle_deg: float = key("0.0  # 0 quarter-sawn, 90 flat-sawn", ge=0, le=90)
    finish_outside: str = key('"nitrocellulose lacquer"')
    finish_inside: str = key('"bare"')
    braces: list[BraceFile] = key("[]  # or [[body.top.braces]] tables")
    hole_centre_mm: list[float] | None = key("[155, 0]", None, min_length=2, max_length=2)
    hole_diameter_mm: float = key("100.0", 0.0, ge=0, le=200)
    braces_before_bridge: float = key("0.9  # of the height drawn", 1.0, gt=0.2, le=2)
    braces_behind_bridge: float = key("0.9  # of the height drawn", 1.0, gt=0.2, le=2)

    @field_validator("dome_radius_mm")
    @classmethod
    def _domed_or_flat(cls, radius: float) -> float:
        if 0 < radius < 1000:
            raise ValueError("0 (flat), or a dome radius of at least 1000 mm")
        return radius

    @model_validator(mode="after")
    def _whole_hole(self) -> PlateFile:
        if (self.hole_centre_mm is None) != (self.hole_diameter_mm == 0):
            there = "hole_diameter_mm" if self.hole_centre_mm is None else "hole_centre_mm"
            missing = "hole_centre_mm = [155, 0]" if self.hole_centre_mm is None else "hole_diameter_mm = 100.0"
            raise over_keys(
                f"{there} alone", "hole_centre_mm and hole_diameter_mm together, or neither", there, missing
            )
        return self


class SidesFile(FileModel):
    wood: str = key('"honduran mahogany"')
    thickness_mm: float = key("2.3", gt=0.5, le=10)
    depth_neck_mm: float = length("100.0", 300)
    depth_tail_mm: float = length("120.0", 300)
    lining_width_mm: float = length("6.0", 30)
    lining_height_mm: float = length("14.0", 40)
    lining_wood: str = key('"basswood"')


class BlockFile(FileModel):
    wood: str = key('"honduran mahogany"')
    length_mm: float = length("55.0", 150)
    half_width_mm: float = length("38.0", 120)
    grain: Literal["upright", "across", "along"] = key('"upright"  # or "across" the body, or "along" it', "upright")


class BridgeFile(FileModel):
    wood: str = key('"east indian rosewood"')
    front_mm: float = length("277.0")
    back_mm: float = length("307.0")
    half_length_mm: float = length("76.0", 200)
    thickness_mm: float = length("8.5", 30)
    saddle_mm: float = length("287.3")
    plate_wood: str = key('"sugar maple"')
    plate_thickness_mm: float = length("2.5", 10)
    plate_half_length_mm: float = length("80.0", 200)
    anchor: Literal["pins", "tie block"] = key('"pins"  # or "tie block"', "pins")
    anchor_mm: float | None = key("296.0  # where the strings end, from the body join", None, gt=0, le=2000)

    @model_validator(mode="after")
    def _in_order(self) -> BridgeFile:
        if not self.front_mm <= self.saddle_mm <= self.back_mm:
            raise over_keys(
                f"front_mm {self.front_mm:g}, saddle_mm {self.saddle_mm:g}, back_mm {self.back_mm:g}",
                "front_mm <= saddle_mm <= back_mm, all measured from the body join",
                "saddle_mm" if self.front_mm <= self.back_mm else "back_mm",
                f"saddle_mm = {(self.front_mm + self.back_mm) / 2.0:g}"
                if self.front_mm <= self.back_mm
                else f"back_mm = {self.front_mm + 30.0:g}",
            )
        return self


class BodyFile(FileModel):
    outline_mm: list[list[float]] = key("[[0, 60], [250, 140], [500, 55]]  # x from the join, half width")
    top: PlateFile
    back: PlateFile
    sides: SidesFile
    neck_block: BlockFile
    tail_block: BlockFile
    bridge: BridgeFile

    @field_validator("outline_mm")
    @classmethod
    def _runs_to_tail(cls, points: list[list[float]]) -> list[list[float]]:
        _points(points, 4)
        if any(later[0] <= earlier[0] for earlier, later in pairwise(points)):
            raise ValueError("outline points whose x grows from the body join to the tail")
        if points[0][0] != 0 or any(half <= 0 for _, half in points):
            raise ValueError("an outline that starts at x = 0 with half widths above 0")
        return points

    @model_validator(mode="after")
    def _bridge_on_top(self) -> BodyFile:
        if self.bridge.back_mm >= self.outline_mm[-1][0]:
            raise over_keys(
                f"the bridge's back at {self.bridge.back_mm:g} mm",
                f"a bridge in front of the tail (x below {self.outline_mm[-1][0]:g} mm)",
                "bridge.back_mm",
                "back_mm = 307.0",
            )
        return self


class NeckFile(FileModel):
    wood: str = key('"honduran mahogany"')
    fingerboard_wood: str = key('"east indian rosewood"')
    width_nut_mm: float = length("44.0", 100)
    width_body_mm: float = length("56.0", 120)
    depth_nut_mm: float = length("14.5", 60)
    depth_body_mm: float = length("17.5", 60)
    fingerboard_thickness_mm: float = length("6.0", 15)
    ring_angle_deg: float = key("20.0", ge=0, le=90)
    finish: str = key('"nitrocellulose lacquer"')
    fingerboard_finish: str = key('"bare"')
    rod_length_mm: float | None = key("330.0  # from the nut to where the truss rod ends", None, gt=50, le=900)


class StringsFile(FileModel):
    scale_mm: float = key("645.0", ge=300, le=1200)
    tension_n: float | None = key("750.0", None, gt=50, le=3000)
    gauges_in: list[float] | None = key("[0.012, 0.016, 0.024, 0.032, 0.042, 0.053]", None)
    wound: list[bool] | None = key("[false, false, true, true, true, true]", None)
    pitches: list[str] | None = key('["E4", "B3", "G3", "D3", "A2", "E2"]', None)
    over_top_at_join_mm: float | None = key("10.0  # strings over the top's face at the body join", None, gt=0, le=40)

    @model_validator(mode="after")
    def _pull_is_known(self) -> StringsFile:
        sets = [self.gauges_in, self.wound, self.pitches]
        if self.tension_n is not None and all(item is None for item in sets):
            return self
        if self.tension_n is None and self.gauges_in and self.wound and self.pitches:
            if not len(self.gauges_in) == len(self.wound) == len(self.pitches):
                raise over_keys(
                    f"{len(self.gauges_in)} gauges, {len(self.wound)} wound, {len(self.pitches)} pitches",
                    "gauges_in, wound and pitches of one length, a value for each string",
                    "gauges_in",
                    "tension_n = 750.0  in place of the three, or a value for each string in each",
                )
            if any(not 0.005 <= gauge <= 0.2 for gauge in self.gauges_in):
                shown = ", ".join(f"{gauge / 1000 if gauge > 1 else gauge:g}" for gauge in self.gauges_in)
                raise over_keys(
                    "gauges_in of " + ", ".join(f"{gauge:g}" for gauge in self.gauges_in),
                    "inches between 0.005 and 0.2 (0.012, not 12)",
                    "gauges_in",
                    f"gauges_in = [{shown}]",
                )
            return self
        given = [name for name in ("tension_n", "gauges_in", "wound", "pitches") if getattr(self, name) is not None]
        raise over_keys(
            " and ".join(given) + " given" if given else "no pull of the strings",
            "either tension_n, or all three of gauges_in, wound and pitches",
            given[0] if given else "tension_n",
            "tension_n = 750.0, and none of the others",
        )


class JointFile(FileModel):
    body_fret: int = key("14", ge=8, le=24)
    spacer_length_mm: float = length("75.0", 200)
    tongue_length_mm: float = length("110.0", 200)
    heel: Literal["bolted", "glued"] = key('"bolted"  # or "glued" (dovetail, tenon or butt)', "bolted")
    tongue: Literal["bolted", "glued", "free"] = key('"bolted"  # or "glued", or "free"', "bolted")
    bolts: int = key("2", 2, ge=1, le=6)
    bolt_preload_n: float | None = key("1500.0  # clamp force of each bolt", None, gt=0, le=20000)
    spacer_tapers_mm: dict[str, float] = key("{ D = -0.05, E = 0.0, F = 0.05 }  # or spacer_tapers_thou")

    @model_validator(mode="after")
    def _has_zero(self) -> JointFile:
        tapers = self.spacer_tapers_mm
        named = "spacer_tapers_mm"
        if 0.0 not in tapers.values():
            raise over_keys(
                "a spacer set of tapers " + ", ".join(f"{taper:g}" for taper in tapers.values()),
                "one spacer of taper 0, the straight one",
                named,
                "add the line  0 = 0.0",
            )
        twice = [label for label in tapers if list(tapers.values()).count(tapers[label]) > 1]
        if twice:
            raise over_keys(
                f"{' and '.join(twice)} have one taper",
                "spacers whose tapers all differ",
                f"{named}.{twice[-1]}",
                f"{twice[-1]} = {max(tapers.values()) + 0.05:g}",
            )
        wide = [label for label, taper in tapers.items() if abs(taper) > 3]
        if wide:
            raise over_keys(
                f"{wide[0]} tapers by {tapers[wide[0]]:g} mm",
                "tapers between -3 and 3 mm (in thousandths of an inch: [joint.spacer_tapers_thou])",
                f"{named}.{wide[0]}",
                f"{wide[0]} = {tapers[wide[0]] * 0.0254:.3f}",
            )
        return self


class InstrumentFile(FileModel):
    """A file may be `like` another design and tell only what differs; that is put together before it comes here."""

    title: str = key('"Large flat-top, bench no. 7"')
    invented: bool = key("false")
    strings: StringsFile
    joint: JointFile
    body: BodyFile
    neck: NeckFile
