"""A drawing's pictures, sensitivities and what-ifs: by their data, and against what must hold for any plate.

No outside values but where named.
"""

from __future__ import annotations

import json
import re
from collections.abc import Callable, Iterator
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from driftmodel.base.records import Instrument
from driftmodel.base.scenarios import find_instrument
from driftmodel.report.design_figures import drawing, movement_picture
from driftmodel.report.design_words import sensitivity_table
from driftmodel.report.texts import worded
from driftmodel.structure.body import box
from driftmodel.structure.box_movement import solve
from driftmodel.structure.design import WHAT_IFS, Behaviour, Sensitivity, behaviour, sensitivities, top_movement

#: size of the triangles here, mm: a tenth of the work; what is checked holds on any mesh
LARGE_MM = 80.0


@pytest.fixture(autouse=True, scope="module")
def _large_triangles() -> Iterator[None]:
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr("driftmodel.structure.design.SIZE_MM", LARGE_MM)
        yield


@pytest.fixture(scope="module")
def instrument() -> Instrument:
    return find_instrument("small_ladder_braced")


@pytest.fixture(scope="module")
def found(instrument: Instrument) -> Behaviour:
    return behaviour(instrument)


@pytest.fixture(scope="module")
def changes(instrument: Instrument) -> tuple[Sensitivity, ...]:
    """Of the top's thickness."""
    names = ("top thickness",)
    return tuple(sensitivities(instrument, names))


def test_behaviour_has_the_order_seen_at_the_bench(found: Behaviour) -> None:
    """About 3 % of moisture out, 50 to 30 % RH, drops the saddle by the order of 1 mm (common practice, no source)."""
    dry = -3.0 * sum(found.saddle_rise_mm[part] for part in worded("parts"))
    assert -2.0 < dry < -0.5
    assert 0.05 < found.saddle_rise_mm["strings"] < 0.6
    assert found.neck_turn_deg["strings"] > 0 and found.bridge_tilt_deg["strings"] > 0


def test_a_stiffer_top_gives_less_under_the_strings(changes: tuple[Sensitivity, ...]) -> None:
    thick = changes[-1]
    assert -40.0 < thick.bridge_tilt_pct < -2.0
    table = sensitivity_table([thick])
    assert table.splitlines()[1].startswith("top thickness,") and table.count("\n") == 2


def test_what_ifs_go_from_less_to_more_through_what_is_drawn() -> None:
    """The picture joins them by a line and marks the design as drawn."""
    for name, factors in WHAT_IFS.items():
        assert list(factors) == sorted(set(factors)) and 1.0 in factors, name


def test_the_picture_shows_what_the_coefficients_say(instrument: Instrument, found: Behaviour) -> None:
    shape = top_movement(instrument, 1.0)
    bridge = instrument.body.bridge
    near = np.hypot(shape.places[0] - bridge.saddle_mm, shape.places[1]) < 12.0
    expected = sum(found.bridge_rise_mm[part] for part in worded("parts"))
    # the picture leans on the blocks' outer edges, the coefficient on the neck block alone
    answers = solve(box(instrument.body), LARGE_MM, tuple(worded("parts")))
    lean = sum(answers[part].block[1] for part in worded("parts")) * bridge.saddle_mm / shape.places[0].max()
    assert shape.rise["all"][near].mean() == pytest.approx(expected + lean, rel=0.05)


def test_drawing_is_to_scale_and_complete(instrument: Instrument) -> None:
    figure = drawing(instrument)
    top, back, side = figure.axes
    braces = [patch for patch in top.patches if len(patch.get_path().vertices) == 5 and patch.get_facecolor()[0] == 1.0]
    assert len(braces) >= len(instrument.body.top.braces)
    assert all(axes.get_aspect() == 1.0 for axes in (top, back, side))
    assert "mm" in top.get_xlabel() and "in" in drawing(instrument, "inch").axes[0].get_xlabel()


def test_dry_and_wet_share_a_mirrored_scale(instrument: Instrument) -> None:
    figure = movement_picture(instrument)
    dry, wet = (axes.collections[0] for axes in figure.axes[:2])
    assert dry.get_clim() == wet.get_clim() and dry.get_clim()[0] == -dry.get_clim()[1]


def test_a_design_from_the_command_line(undrawn: None, run: Callable[..., object], world: Path) -> None:
    ran = run("design", "instruments/small_ladder_braced.toml", "--out", "drawn", "--json")
    assert ran.code == 0 and any("top_braces" in name for name in json.dumps(json.loads(ran.out)).split('"'))
    told = (world / "drawn" / "behaviour.txt").read_text(encoding="utf-8")
    assert "saddle over" in told
    assert re.search(r"(?m)^J (\s+\+0\.0+){6}$", told), "the straight spacer moves nothing, and no minus says so"
    written = {path.name for path in (world / "drawn").iterdir()}
    assert written == {"drawing.png", "movement.png", "give.png", "behaviour.txt"}
    wrong = run("design", "smal_ladder_braced")
    assert wrong.code == 2 and wrong.err.rstrip().endswith("Mend: driftmodel design small_ladder_braced")


def test_parts_that_do_not_fit_are_named(instrument: Instrument) -> None:
    from driftmodel.base.errors import BadInput

    long = replace(instrument.body, bridge=replace(instrument.body.bridge, half_length_mm=190.0))
    with pytest.raises(BadInput, match="outline"):
        behaviour(replace(instrument, body=long))


def test_braces_that_cannot_be_are_named(instrument: Instrument) -> None:
    """A brace over the outline or across the sound hole is refused with a path that is taken."""
    from driftmodel.base.errors import BadInput
    from driftmodel.structure.body import box

    top = instrument.body.top
    for path, words in ((((65.0, -150.0), (65.0, 150.0)), "outside"), (((140.0, -60.0), (140.0, 60.0)), "sound hole")):
        brace = replace(top.braces[0], path_mm=path)
        body = replace(instrument.body, top=replace(top, braces=(brace, *top.braces[1:])))
        with pytest.raises(BadInput, match=words) as caught:
            box(body)
        assert "braces, number 1" in str(caught.value)
        mended = eval(str(caught.value.mend).split("=")[1])
        fit = replace(brace, path_mm=tuple((float(x), float(y)) for x, y in mended))
        box(replace(body, top=replace(top, braces=(fit, *top.braces[1:]))))
