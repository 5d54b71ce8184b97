"""driftmodel learn: a folder of instruments in, numbers that a scenario takes over out.

No outside values: invented readings; what is written is what is taken over.
"""

from __future__ import annotations

import json
import shutil
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from click.testing import CliRunner

from driftmodel.base.errors import BadInput
from driftmodel.base.opened import scenarios_dir
from driftmodel.base.scenario_file import LearnedPrior
from driftmodel.base.scenarios import load_scenario
from driftmodel.doors.cli import commands
from driftmodel.outlook.draws import draw_unknowns, unknowns_of

pytestmark = pytest.mark.usefixtures("undrawn", "few_particles", "short")


def workshop(folder: Path, count: int) -> Path:
    """`count` guitars of the shipped scenario and readings."""
    shipped = scenarios_dir()
    folder.mkdir()
    for number in range(count):
        shutil.copy(shipped / "two-winters.toml", folder / f"guitar-{number}.toml")
        shutil.copy(shipped / "readings" / "two-winters.csv", folder / f"guitar-{number}.csv")
    return folder


def test_a_workshop_is_learned_from_and_its_numbers_are_taken_over(tmp_path: Path) -> None:
    folder = workshop(tmp_path / "shop", 2)
    out = tmp_path / "learned"
    run = CliRunner().invoke(commands, ["learn", str(folder), "--out", str(out), "--json"], catch_exceptions=False)
    told = json.loads(run.output)
    assert told["instruments"] == 2 and {path.name for path in out.iterdir()} == {
        "learned.toml", "learning.txt", "learning.json", "learning.png",
    }  # fmt: skip
    text = (folder / "guitar-0.toml").read_text().replace("seed = 11", f'seed = 11\nlearned = "{out}/learned.toml"')
    (folder / "guitar-0.toml").write_text(text)
    scenario = load_scenario(folder / "guitar-0.toml")
    gain = next(one for one in scenario.learned if one.name == "residual_gain")
    assert gain.source == "learned from 2 instruments"
    assert unknowns_of(scenario)["residual_gain"].median == pytest.approx(gain.median)
    drawn = np.log(draw_unknowns(scenario, 400, 1).values["residual_gain"])
    assert np.median(drawn) == pytest.approx(np.log(gain.median), abs=0.02)
    assert drawn.std() == pytest.approx(gain.log_sd, rel=0.05)


def test_what_cannot_be_learned_from_is_told(tmp_path: Path) -> None:
    folder = workshop(tmp_path / "shop", 1)
    (folder / "guitar-0.toml").unlink()
    for place, words in ((folder, "there is no guitar-0.toml"), (tmp_path / "none", "no such folder")):
        with pytest.raises(BadInput, match=words):
            CliRunner().invoke(commands, ["learn", str(place)], catch_exceptions=False)
    scenario = replace(load_scenario("two-winters"), learned=(LearnedPrior("residual_gian", 1.0, 0.3, "x"),))
    with pytest.raises(BadInput, match="residual_gain"):
        unknowns_of(scenario)
