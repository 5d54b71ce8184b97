"""The pages made from the code are current, and the tutorial runs. The house's own rule; no outside source."""

from __future__ import annotations

import ast
import importlib.util
import re
import runpy
from pathlib import Path

import pytest
from invented_fleets import ToyDrift

from driftmodel.base.scenarios import find_instrument
from driftmodel.structure import body
from driftmodel.structure.response import body_response

HERE = Path(__file__).parent
DOCS = HERE.parent / "docs"
spec = importlib.util.spec_from_file_location("make", DOCS / "make.py")
assert spec and spec.loader
make = importlib.util.module_from_spec(spec)
spec.loader.exec_module(make)


@pytest.mark.parametrize("name", make.PAGES)
def test_pages_made_from_the_code_are_current(name: str) -> None:
    assert (DOCS / name).read_text(encoding="utf-8") == make.PAGES[name](), "python docs/make.py"


def test_every_test_file_says_what_it_stands_on() -> None:
    """A published source with its year, a reference worked elsewhere, or that there is none from outside."""
    told = re.compile(
        r"outside|own (rule|calculation)|convention|[Ss]ources? |by hand|psychrolib|DEVELOPERS|scipy|\b(1[89]|20)\d\d\b"
    )
    heads = {path.name: ast.get_docstring(ast.parse(path.read_text("utf-8"))) for path in HERE.glob("test_*.py")}
    assert len(heads) > 80 and not [name for name, head in heads.items() if not told.search(head or "")]


def test_every_key_has_its_meaning() -> None:
    rows = [row for row in make.keys_page().splitlines() if row.startswith("| `")]
    assert len(rows) > 150 and not [row for row in rows if row.endswith("|  |")]


def test_the_tutorial_runs(
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
    few_particles: None,
    short: None,
) -> None:
    """The fleet by a toy law: tests/test_demand_command.py takes it through the physics. The body with a wood of one's
    own is not solved anew: tests/test_front_door.py has it heard."""
    known = body_response(find_instrument("large_x_braced"))
    monkeypatch.setattr(body, "respond", lambda *_: known)
    monkeypatch.setenv("DRIFTMODEL_CACHE", str(tmp_path / "kept"))
    monkeypatch.setattr("driftmodel.fleet.physics.physics_of", lambda fleet: ToyDrift(grades=13))
    monkeypatch.setattr("sys.argv", ["tutorial.py", str(tmp_path / "made")])
    monkeypatch.setenv("DRIFTMODEL_WOODS", "")  # the tutorial names its own folder; put back after it
    runpy.run_path(str(DOCS / "tutorial.py"), run_name="__main__")
    told = capsys.readouterr().out
    for words in ("8760 hours", "The reading calls for: ", "stays right in this flat: ", "four times in", "0.0011"):
        assert words in told
    assert (tmp_path / "made" / "action.png").stat().st_size > 10_000
