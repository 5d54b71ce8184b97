"""Do the fast tests bite? One-line changes of the laws, each against the tests that walk through the changed line.

    python tests/mutate.py --count 400 --seed 1 --survivors survivors.txt [--rooms wood,outlook] [--map map.json]
                           [--modules slips,unsure] [--tests test_calibration_law]

A change turns an operator, a comparison, a number, a sign, an and or a min. It lives in the memory of one child alone;
no file is touched. A first pass notes which test calls which function (kept in --map for a second run); then each
change runs the tests that call its function, quickest first, for at most SECONDS, and stops at the first that falls.
What stands at the end is written with its line to --survivors. tests/mutants_argued.txt says of those that may stand
why they may.
"""

from __future__ import annotations

import argparse
import ast
import contextlib
import importlib.abc
import importlib.util
import io
import json
import os
import random
import resource
import shutil
import signal
import sys
import tempfile
import time
from collections.abc import Iterator
from dataclasses import dataclass
from fnmatch import fnmatch
from pathlib import Path
from types import CodeType, FrameType, ModuleType
from typing import Any

ROOT = Path(__file__).parents[1]
PACKAGE = ROOT / "driftmodel"
ARGUED = Path(__file__).with_name("mutants_argued.txt")
ROOMS = {
    "wood": ["*"],
    "structure": ["*"],
    "outlook": ["*"],
    "calibration": ["forward", "moments", "bench", "weight", "work", "sampler", "fit", "diagnosis", "decide",
                    "outcomes", "slips", "unsure", "layout", "steps", "pooled", "options", "room_moments", "caution"],
    "fleet": ["claims", "delay", "money", "stock", "cell_demand", "built_together", "passage", "scores", "cohorts",
              "report_habits", "planner_tables", "reporting", "correction", "exposure", "future", "demand",
              "backtest"],
}  # fmt: skip
TESTS = {
    "wood": ("test_wood_*", "test_outlook_lasting*"),
    "structure": ("test_structure_*",),
    "outlook": ("test_outlook_*", "test_compare*", "test_place*", "test_lived*", "test_origin*", "test_relations*"),
    "calibration": ("test_calibration_*",),
    "fleet": ("test_fleet_*",),
}
EVERY_ROOM = ("test_laws*", "test_reference*", "test_verdicts*", "test_levers_bite*")
#: of the processor, for the tests of one change; a change that makes them run four times as long is killed
SECONDS = 8.0


@dataclass(frozen=True)
class Mutant:
    """One change: file under the package, line, what is changed into what, and the function it is in ("" for none)."""

    file: str
    line: int
    place: int
    words: str
    function: str

    @property
    def key(self) -> str:
        return f"{self.file}:{self.function or 'module'}: {self.words}"


# ---- changes -----------------------------------------------------------------------------------------------------

_OPERATORS = {ast.Add: ast.Sub, ast.Sub: ast.Add, ast.Mult: ast.Div, ast.Div: ast.Mult, ast.Pow: ast.Mult,
              ast.FloorDiv: ast.Mult, ast.Mod: ast.Mult}  # fmt: skip
_COMPARISONS = {ast.Lt: ast.GtE, ast.LtE: ast.Lt, ast.Gt: ast.LtE, ast.GtE: ast.Gt, ast.Eq: ast.NotEq,
                ast.NotEq: ast.Eq, ast.Is: ast.IsNot, ast.IsNot: ast.Is}  # fmt: skip
_NAMES = {"min": "max", "max": "min", "minimum": "maximum", "maximum": "minimum", "argmin": "argmax",
          "argmax": "argmin", "any": "all", "all": "any", "floor": "ceil", "ceil": "floor", "cumsum": "array",
          "mean": "max"}  # fmt: skip
_UNSEEN = ("BadInput", "f", "TypeVar", "dataclass", "cache", "lru_cache", "replace_words")


class _Changer(ast.NodeVisitor):
    """Walks a tree; at the wanted place makes the change. Without a place, lists what there is."""

    def __init__(self, wanted: int | None = None) -> None:
        self.wanted, self.count, self.found = wanted, 0, []  # type: ignore[var-annotated]
        self.inside: list[str] = []

    def _site(self, node: Any, words: str, change: Any) -> None:
        if self.wanted is None:
            self.found.append((node.lineno, self.count, words, ".".join(self.inside)))
        elif self.wanted == self.count:
            change()
        self.count += 1

    def visit_FunctionDef(self, node: ast.FunctionDef) -> None:
        self.inside.append(node.name)
        for part in (*node.args.defaults, *node.args.kw_defaults, *node.body):
            if part is not None and not (isinstance(part, ast.Expr) and isinstance(part.value, ast.Constant)):
                self.visit(part)
        self.inside.pop()

    def visit_ClassDef(self, node: ast.ClassDef) -> None:
        self.inside.append(node.name)
        for part in node.body:
            self.visit(part)
        self.inside.pop()

    def visit_AnnAssign(self, node: ast.AnnAssign) -> None:
        if node.value is not None:
            self.visit(node.value)

    def visit_Raise(self, node: ast.Raise) -> None:
        return

    def visit_JoinedStr(self, node: ast.JoinedStr) -> None:
        return

    def visit_If(self, node: ast.If) -> None:
        if not (isinstance(node.test, ast.Name) and node.test.id == "TYPE_CHECKING"):
            self.generic_visit(node)

    def visit_Subscript(self, node: ast.Subscript) -> None:
        self.visit(node.value)
        if not isinstance(node.slice, ast.Constant | ast.Tuple | ast.Slice):
            self.visit(node.slice)

    def visit_Call(self, node: ast.Call) -> None:
        name = node.func.id if isinstance(node.func, ast.Name) else getattr(node.func, "attr", "")
        if name in _UNSEEN:
            return
        if name in _NAMES:

            def change() -> None:
                if isinstance(node.func, ast.Name):
                    node.func.id = _NAMES[name]
                else:
                    node.func.attr = _NAMES[name]  # type: ignore[attr-defined]

            self._site(node, f"{ast.unparse(node.func)} -> {_NAMES[name]}", change)  # fmt: skip
        self.generic_visit(node)

    def visit_BinOp(self, node: ast.BinOp) -> None:
        turned = _OPERATORS.get(type(node.op))
        if turned and not isinstance(node.left, ast.JoinedStr) and "ArrayLike" not in ast.unparse(node):
            was = ast.unparse(node)
            self._site(node, f"{was[:60]} -> {turned.__name__}", lambda: setattr(node, "op", turned()))
        self.generic_visit(node)

    def visit_AugAssign(self, node: ast.AugAssign) -> None:
        turned = _OPERATORS.get(type(node.op))
        if turned:
            self._site(node, f"{ast.unparse(node)[:60]} -> {turned.__name__}", lambda: setattr(node, "op", turned()))
        self.generic_visit(node)

    def visit_Compare(self, node: ast.Compare) -> None:
        for at, op in enumerate(node.ops):
            turned = _COMPARISONS.get(type(op))
            if turned:

                def change(at: int = at, turned: Any = turned) -> None:
                    node.ops[at] = turned()

                self._site(node, f"{ast.unparse(node)[:60]} -> {turned.__name__}", change)  # fmt: skip
        self.generic_visit(node)

    def visit_BoolOp(self, node: ast.BoolOp) -> None:
        turned = ast.Or if isinstance(node.op, ast.And) else ast.And
        self._site(node, f"{ast.unparse(node)[:60]} -> {turned.__name__}", lambda: setattr(node, "op", turned()))
        self.generic_visit(node)

    def visit_UnaryOp(self, node: ast.UnaryOp) -> None:
        if isinstance(node.op, ast.USub) and not isinstance(node.operand, ast.Constant):
            self._site(node, f"{ast.unparse(node)[:60]} -> plus", lambda: setattr(node, "op", ast.UAdd()))
        if isinstance(node.op, ast.Not):

            def change() -> None:
                node.op, node.operand = ast.Not(), ast.UnaryOp(ast.Not(), node.operand)

            self._site(node, f"{ast.unparse(node)[:60]} -> without not", change)  # fmt: skip
        self.generic_visit(node)

    def visit_Constant(self, node: ast.Constant) -> None:
        if isinstance(node.value, bool) or not isinstance(node.value, int | float):
            return
        value = node.value + 1 if isinstance(node.value, int) else node.value * 1.5 if node.value else 0.5
        self._site(node, f"{node.value} -> {value}", lambda: setattr(node, "value", value))


def mutants_of(path: Path) -> list[Mutant]:
    walker = _Changer()
    walker.visit(ast.parse(path.read_text(encoding="utf-8")))
    file = path.relative_to(PACKAGE).as_posix()
    return [Mutant(file, line, place, words, function) for line, place, words, function in walker.found]


def changed(mutant: Mutant) -> CodeType:
    path = PACKAGE / mutant.file
    tree = ast.parse(path.read_text(encoding="utf-8"))
    _Changer(mutant.place).visit(tree)
    return compile(ast.fix_missing_locations(tree), str(path), "exec")


# ---- running -----------------------------------------------------------------------------------------------------


class _Imports(importlib.abc.MetaPathFinder, importlib.abc.Loader):
    """Gives one module its changed code."""

    def __init__(self, name: str, code: CodeType) -> None:
        self.name, self.code = name, code

    def find_spec(self, name: str, path: Any = None, target: Any = None) -> Any:
        return importlib.util.spec_from_loader(name, self, origin=str(ROOT)) if name == self.name else None

    def exec_module(self, module: ModuleType) -> None:
        module.__file__ = self.code.co_filename
        exec(self.code, module.__dict__)


class _Watch:
    """Notes for each test the functions of the rooms it calls, its setup's among them, and how long it took."""

    def __init__(self) -> None:
        self.calls: dict[str, list[str]] = {}
        self.took: dict[str, float] = {}
        self.failed: list[str] = []
        self._shared: set[str] = set()
        self._codes: set[CodeType] = set()

    def _seen(self, frame: FrameType, event: str, _: Any) -> None:
        if event == "call":
            self._codes.add(frame.f_code)

    def pytest_runtest_logreport(self, report: Any) -> None:
        if report.failed:
            self.failed.append(report.nodeid)

    def pytest_runtest_protocol(self, item: Any, nextitem: Any) -> None:
        self._codes = set()
        self._begin = time.process_time()
        signal.setitimer(signal.ITIMER_PROF, SECONDS)
        sys.setprofile(self._seen)

    def pytest_runtest_call(self, item: Any) -> None:
        self._shared |= self._names()

    def pytest_runtest_logfinish(self, nodeid: str, location: Any) -> None:
        sys.setprofile(None)
        signal.setitimer(signal.ITIMER_PROF, 0)
        self.took[nodeid] = time.process_time() - self._begin
        self.calls[nodeid] = sorted(self._names())

    def _names(self) -> set[str]:
        inside = str(PACKAGE)
        return {
            f"{code.co_filename[len(inside) + 1 :]}:{code.co_qualname.replace('.<locals>', '')}"
            for code in list(self._codes)
            if code.co_filename.startswith(inside)
        }


def _child(work: Any, seconds: float) -> Any:
    """What `work` returns in a forked child; None when it uses more of the processor or ends by itself."""
    read, write = os.pipe()
    child = os.fork()
    if child == 0:
        os.close(read)
        try:
            resource.setrlimit(resource.RLIMIT_CPU, (int(seconds) + 1, int(seconds) + 2))
            signal.alarm(int(20 * seconds))  # a change may also wait for ever
            nothing = os.open(os.devnull, os.O_WRONLY)
            os.dup2(nothing, 1)
            os.dup2(nothing, 2)
            with os.fdopen(write, "w") as out:
                json.dump(work(), out)
        finally:
            os._exit(0)
    os.close(write)
    with os.fdopen(read) as told:
        text = told.read()
    os.waitpid(child, 0)
    return json.loads(text) if text else None


def _pytest(words: list[str], plugin: Any = None) -> int:
    import pytest

    with contextlib.redirect_stdout(io.StringIO()), contextlib.redirect_stderr(io.StringIO()):
        return int(
            pytest.main(
                ["-q", "-x", "-p", "no:cacheprovider", "-m", "not slow", *words], plugins=[plugin] if plugin else []
            )
        )


def _look(file: Path) -> dict[str, Any]:
    def slow(*_: Any) -> None:
        raise TimeoutError("slower than any test that shall kill changes")

    signal.signal(signal.SIGPROF, slow)
    watch = _Watch()
    _pytest([str(file), "--maxfail=1000"], watch)
    shared = sorted(watch._shared)
    return {"took": watch.took, "calls": watch.calls, "shared": shared, "failed": watch.failed}


def walk_tests(files: list[Path]) -> dict[str, Any]:
    """By test: seconds and functions called; tests that fall without a change are left out and named."""
    took: dict[str, float] = {}
    calls: dict[str, list[str]] = {}
    for file in files:
        found = _child(lambda file=file: _look(file), 900.0)
        if found is None:
            print(f"left out, it did not end: {file.name}", flush=True)
            continue
        for test, names in found["calls"].items():
            if test in found["failed"]:
                print(f"left out, it falls or is slow without a change: {test}", flush=True)
                continue
            took[test] = found["took"][test]
            calls[test] = sorted({*names, *found["shared"]})
        print(f"  {file.name}: {len(found['calls'])} tests, {sum(found['took'].values()):.0f} s", flush=True)
    return {"took": took, "calls": calls}


def tests_for(mutant: Mutant, known: dict[str, Any]) -> list[str]:
    """Tests that call the changed function (of a change outside functions: anything of its file), quickest first."""
    named = f"{mutant.file}:{mutant.function}"
    inside = f"{mutant.file}:"
    touching = [
        test
        for test, names in known["calls"].items()
        if any(name.startswith(named if mutant.function else inside) for name in names)
    ]
    return sorted(touching, key=lambda test: known["took"][test])


def _judge(mutant: Mutant, chosen: list[str], cache: Path | None) -> str:
    with tempfile.TemporaryDirectory() as at:
        if cache is not None:
            shutil.copytree(cache, at, dirs_exist_ok=True)
        os.environ["DRIFTMODEL_CACHE"] = at
        name = "driftmodel." + mutant.file.removesuffix(".py").replace("/", ".")
        for known in [known for known in sys.modules if known.split(".")[0] == "driftmodel"]:
            del sys.modules[known]
        sys.meta_path.insert(0, _Imports(name, changed(mutant)))
        return "stands" if _pytest(chosen) == 0 else "killed"


def judge(mutant: Mutant, known: dict[str, Any], cache: Path) -> str:
    """'killed', 'stands', or 'not reached' where no fast test calls it."""
    chosen, total = [], 0.0
    for test in tests_for(mutant, known):
        total += known["took"][test]
        if chosen and total > SECONDS:
            break
        chosen.append(test)
    if not chosen:
        return "not reached"
    own = None if mutant.file.startswith(("structure", "wood")) else cache  # what is kept hangs on these
    return str(_child(lambda: _judge(mutant, chosen, own), 4 * SECONDS) or "killed")


def _warm(cache: Path) -> bool:
    """The responses of the shipped designs, so that changes elsewhere need not wait for them."""
    os.environ["DRIFTMODEL_CACHE"] = str(cache)
    from driftmodel.base.scenarios import find_instrument, instrument_names
    from driftmodel.structure.response import design_response

    for name in instrument_names():
        design_response(find_instrument(name))
    return True


def argued() -> dict[str, str]:
    """Changes that may stand, by key, and why."""
    lines = ARGUED.read_text(encoding="utf-8").splitlines() if ARGUED.exists() else []
    parts = [line.split(" | ", 1) for line in lines if " | " in line and not line.startswith("#")]
    return {key.strip(): why.strip() for key, why in parts}


def sample(rooms: list[str], count: int, seed: int, modules: list[str] | None = None) -> list[Mutant]:
    """So many changes of these rooms, or of these modules of theirs, the same for the same seed and code."""
    paths = [
        path
        for room in rooms
        for path in sorted((PACKAGE / room).glob("*.py"))
        if any(fnmatch(path.stem, pattern) for pattern in ROOMS[room]) and (not modules or path.stem in modules)
    ]
    every = [mutant for path in paths for mutant in mutants_of(path)]
    return sorted(random.Random(seed).sample(every, min(count, len(every))), key=lambda one: (one.file, one.line))


@contextlib.contextmanager
def _room(kept: Path | None) -> Iterator[Path]:
    with tempfile.TemporaryDirectory() as at:
        yield kept or Path(at)


def main() -> None:
    words = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    words.add_argument("--count", type=int, default=400)
    words.add_argument("--seed", type=int, default=1)
    words.add_argument("--rooms", default=",".join(ROOMS))
    words.add_argument("--survivors", type=Path, default=Path("survivors.txt"))
    words.add_argument("--modules", help="only these modules of the rooms")
    words.add_argument("--tests", help="only these test files")
    words.add_argument("--map", type=Path, help="where the first pass is kept and read again")
    given = words.parse_args()
    os.chdir(ROOT)
    os.environ.setdefault("OMP_NUM_THREADS", "1")
    sys.dont_write_bytecode = True
    sys.path[:0] = [str(ROOT), str(ROOT / "tests")]
    for heavy in ("numpy", "scipy.linalg", "scipy.sparse.linalg", "scipy.stats", "scipy.optimize", "xarray", "pandas",
                  "pydantic", "skfem", "click", "hypothesis", "h5netcdf"):  # fmt: skip
        with contextlib.suppress(ImportError):
            importlib.import_module(heavy)
    with tempfile.TemporaryDirectory() as at:
        cache = Path(at)
        _child(lambda: _warm(cache), 600.0)
        os.environ["DRIFTMODEL_CACHE"] = at
        if given.map and given.map.exists():
            known = json.loads(given.map.read_text())
        else:
            patterns = (*EVERY_ROOM, *(pattern for room in given.rooms.split(",") for pattern in TESTS[room]))
            patterns = tuple(given.tests.split(",")) if given.tests else patterns
            tests = sorted((ROOT / "tests").glob("test_*.py"))
            files = [path for path in tests if any(fnmatch(path.stem, pattern) for pattern in patterns)]
            known = walk_tests(files)
            if given.map:
                given.map.write_text(json.dumps(known))
        may_stand, told = argued(), {"killed": 0, "argued": 0, "stands": 0, "not reached": 0}
        chosen = sample(given.rooms.split(","), given.count, given.seed, given.modules and given.modules.split(","))
        with given.survivors.open("w", encoding="utf-8") as out:
            for number, mutant in enumerate(chosen, start=1):
                found = judge(mutant, known, cache)
                if found != "killed" and mutant.key in may_stand:
                    found = "argued"
                told[found] += 1
                if found in ("stands", "not reached"):
                    out.write(f"{found:<11} line {mutant.line:<4} {mutant.key}\n")
                    out.flush()
                print(f"{number} of {len(chosen)} {found}: {mutant.key}", flush=True)
    print(", ".join(f"{count} {words}" for words, count in told.items()))


if __name__ == "__main__":
    main()
