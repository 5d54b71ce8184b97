"""The house stands as drawn: imports point upstream only, packages listed are the packages there are.

The plan of DEVELOPERS.md is the reference.
"""

from __future__ import annotations

import ast
import os
import subprocess
import sys
import tomllib
from functools import cache
from pathlib import Path
from types import FrameType

import pytest

ROOT = Path(__file__).parents[1]
CODE = ROOT / "driftmodel"
FLOORS = {
    "base": 0,
    "climate": 1,
    "wood": 2,
    "structure": 3,
    "outlook": 4,
    "calibration": 5,
    "fleet": 5,
    "maps": 5,
    "advice": 5,
    "report": 6,
    "record": 7,
    "doors": 8,
}


@cache
def tree_of(file: Path) -> ast.Module:
    return ast.parse(file.read_text(encoding="utf-8"))


def imports_of(file: Path) -> set[str]:
    names = set()
    for node in ast.walk(tree_of(file)):
        if isinstance(node, ast.Import):
            names |= {alias.name for alias in node.names}
        elif isinstance(node, ast.ImportFrom) and node.module:
            names |= {f"{node.module}.{alias.name}" for alias in node.names} | {node.module}
    return names


def room_of(module: str) -> str | None:
    steps = module.split(".")
    return steps[1] if steps[0] == "driftmodel" and len(steps) > 1 and steps[1] in FLOORS else None


def breaches(file: Path, room: str) -> list[str]:
    found = []
    for module in sorted(imports_of(file)):
        other = room_of(module)
        if other and other != room and FLOORS[other] >= FLOORS[room]:
            found.append(f"{file.relative_to(CODE)} imports {module}")
    return found


def test_imports_point_upstream_only() -> None:
    found = [
        breach for room in FLOORS for file in sorted((CODE / room).glob("*.py")) for breach in breaches(file, room)
    ]
    assert not found, "\n".join(found)


def test_a_breach_would_be_seen(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    file = tmp_path / "bad.py"
    file.write_text("from driftmodel.outlook.drift import forecast\nfrom driftmodel.base import library\n")
    monkeypatch.setattr(sys.modules[__name__], "CODE", tmp_path)
    assert breaches(file, "wood") == [f"bad.py imports driftmodel.outlook.drift{end}" for end in ("", ".forecast")]
    assert breaches(file, "report") == []


def modules_imported(file: Path, modules: set[str]) -> set[str]:
    """Modules of the package a file imports when it runs, inside functions too; not those for type checking alone."""
    tree = tree_of(file)
    typing = {
        id(inner)
        for node in ast.walk(tree)
        if isinstance(node, ast.If) and isinstance(node.test, ast.Name) and node.test.id == "TYPE_CHECKING"
        for inner in ast.walk(node)
    }
    found = set()
    for node in ast.walk(tree):
        if isinstance(node, ast.ImportFrom) and node.module and id(node) not in typing:
            names = [f"{node.module}.{alias.name}" for alias in node.names]
            found |= {name if name in modules else node.module for name in names}
    return found & modules


def circles(imports: dict[str, set[str]]) -> list[set[str]]:
    """Groups of modules that reach one another by what they import."""
    reach = {module: set(others) for module, others in imports.items()}
    changed = True
    while changed:
        changed = False
        for mine in reach.values():
            more = set().union(*(reach[other] for other in mine)) if mine else set()
            changed |= not more <= mine
            mine |= more
    inside = [
        {other for other in reach[module] if module in reach[other]} for module in reach if module in reach[module]
    ]
    return [group for at, group in enumerate(inside) if group not in inside[:at]]


def test_modules_do_not_go_round_in_circles() -> None:
    files = {".".join(file.relative_to(ROOT).with_suffix("").parts): file for file in CODE.rglob("*.py")}
    assert circles({module: modules_imported(file, set(files)) - {module} for module, file in files.items()}) == []


def test_a_circle_would_be_seen() -> None:
    assert circles({"a": {"b"}, "b": {"c"}, "c": {"b"}, "d": {"a"}}) == [{"b", "c"}]
    assert circles({"a": {"b"}, "b": {"c"}, "c": set()}) == []


def test_every_room_is_on_a_floor() -> None:
    rooms = {folder.name for folder in CODE.iterdir() if folder.is_dir() and (folder / "__init__.py").exists()}
    assert rooms <= set(FLOORS)


def test_packages_listed_are_those_in_the_tree() -> None:
    setup = tomllib.loads((ROOT / "pyproject.toml").read_text())["tool"]["setuptools"]
    folders = {folder for folder in CODE.rglob("__init__.py")}
    tree = {".".join(file.parent.relative_to(ROOT).parts) for file in folders}
    assert set(setup["packages"]) == tree | {"driftmodel.species_data", "driftmodel.scenarios"}


def test_help_imports_nothing_heavy_and_arrays_will_have_one_thread() -> None:
    code = (
        "import os, sys; sys.argv = ['driftmodel', '--help']\n"
        "from driftmodel.doors.cli import main\n"
        "try: main()\nexcept SystemExit: pass\nprint(os.environ['OMP_NUM_THREADS'], *sys.modules)"
    )
    free = {name: value for name, value in os.environ.items() if name != "OMP_NUM_THREADS"}
    for given, threads in ((free, "1"), (free | {"OMP_NUM_THREADS": "3"}, "3")):
        done = subprocess.run(
            [sys.executable, "-c", code], check=True, capture_output=True, cwd=ROOT, text=True, env=given
        )
        told, *seen = done.stdout.splitlines()[-1].split()
        assert told == threads
    seen = set(seen)
    assert "driftmodel.doors.cli" in seen
    assert not seen & {"numpy", "scipy", "xarray", "matplotlib", "pandas", "pydantic"}


def test_the_walk_of_a_history_never_climbs_back(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """From the weather file to the day a regrade is due, no module calls one of a later room, but base.keeping, which
    makes what it is handed to keep."""
    from dataclasses import replace

    from driftmodel.base.keeping import forget
    from driftmodel.base.records import Stay
    from driftmodel.base.scenarios import load_scenario
    from driftmodel.outlook.chain import run_chain
    from driftmodel.outlook.draws import draw_unknowns
    from driftmodel.structure import body
    from driftmodel.structure.response import body_response

    plain = load_scenario("first-winter")
    home = replace(plain.stays[-1].climate, room=None, humidifier=None, case=None)  # a room walks by the hour, watched
    stays = (Stay(plain.stays[0].start, home),)
    scenario = replace(plain, stays=stays, horizon_years=1, weather_members=1)
    known = body_response(scenario.instrument)
    monkeypatch.setattr(body, "respond", lambda *_: known)
    monkeypatch.setenv("DRIFTMODEL_CACHE", str(tmp_path))
    forget()  # so that all of it is walked
    steps: set[tuple[str, str]] = set()

    def seen(frame: FrameType, event: str, _: object) -> None:
        called, caller = frame.f_globals.get("__name__", ""), frame.f_back
        while caller is not None and not caller.f_globals.get("__name__", "").startswith("driftmodel."):
            caller = caller.f_back
        if event == "call" and caller is not None and called.startswith("driftmodel."):
            steps.add((caller.f_globals["__name__"], called))

    draws = draw_unknowns(scenario, 8, 1)
    run_chain(replace(scenario, seed=2), draws)  # what is imported on the way is there before the walk is watched
    forget()
    monkeypatch.setenv("DRIFTMODEL_CACHE", str(tmp_path / "empty"))
    sys.setprofile(seen)
    try:
        run_chain(scenario, draws)
    finally:
        sys.setprofile(None)
    rooms = {(room_of(caller), room_of(called)) for caller, called in steps if caller != "driftmodel.base.keeping"}
    assert {("outlook", "climate"), ("outlook", "wood"), ("climate", "base")} <= rooms
    assert all(FLOORS[caller] >= FLOORS[called] for caller, called in rooms), rooms
