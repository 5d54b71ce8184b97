"""Do the fast tests bite? One-line changes of the laws, each against the tests that walk through the changed line.

    python tests/mutate.py --count 400 --seed 1 --survivors survivors.txt [--rooms wood,outlook]
                           [--modules slips,unsure] [--tests test_calibration_law]

A change turns an operator, a comparison, a number, a sign, an and or a min. It lives in the memory of one child alone;
no file is touched. A first walk notes which test, shared fixture and kept thing calls which function; then each change
is put into the loaded modules of a forked child, which runs the tests that call its function, quickest first, for at
most MOST_SECONDS, and stops at the first that falls (of a test that also falls in a child without a change nothing is
believed). What the walk made and kept a child makes anew where its making called the changed function.
What stands at the end is written with its line to --survivors. tests/mutants_argued.txt says of those that may stand
why they may.
"""

from __future__ import annotations

import argparse
import ast
import contextlib
import gc
import importlib
import inspect
import io
import os
import random
import resource
import signal
import sys
import tempfile
import time
from collections import Counter
from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass
from fnmatch import fnmatch
from pathlib import Path
from types import CodeType, FrameType, FunctionType, ModuleType
from typing import Any

import pytest

ROOT = Path(__file__).parents[1]
PACKAGE = ROOT / "driftmodel"
ARGUED = Path(__file__).with_name("mutants_argued.txt")
ROOMS = {
    "wood": ["*"],
    "structure": ["*"],
    "outlook": ["*"],
    "calibration": ["forward", "moments", "bench", "work", "sampler", "fit", "shown", "diagnosis", "decide",
                    "outcomes", "slips", "unsure", "layout", "steps", "pooled", "options", "drives", "caution"],
    "fleet": ["claims", "delay", "money", "stock", "cell_demand", "built_together", "passage", "scores", "cohorts",
              "planner_tables", "reporting", "correction", "exposure", "future", "demand", "run",
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
#: of the processor, as the walk sees it: for one test with what it shares with others, else it is left out; and for all
#: the tests of one change, which is killed when it makes them run twice as long
SECONDS, MOST_SECONDS = 8.0, 16.0


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

    def _site(self, node: Any, words: str, name: str, value: Any, holder: Any = None) -> None:
        if self.wanted is None:
            self.found.append((node.lineno, self.count, words, ".".join(self.inside)))
        elif self.wanted == self.count:
            setattr(holder or node, name, value)
        self.count += 1

    def _turned(self, node: Any, turned: Any, name: str = "op", value: Any = None) -> None:
        if turned:
            self._site(node, f"{ast.unparse(node)[:60]} -> {turned.__name__}", name, value or turned())

    def _within(self, node: Any, parts: Iterable[Any]) -> None:
        self.inside.append(node.name)
        for part in parts:
            if part is not None and not (isinstance(part, ast.Expr) and isinstance(part.value, ast.Constant)):
                self.visit(part)
        self.inside.pop()

    def visit_FunctionDef(self, node: ast.FunctionDef) -> None:
        self._within(node, (*node.args.defaults, *node.args.kw_defaults, *node.body))

    def visit_ClassDef(self, node: ast.ClassDef) -> None:
        self._within(node, node.body)

    def visit_AnnAssign(self, node: ast.AnnAssign) -> None:
        if node.value is not None:
            self.visit(node.value)

    def visit_Raise(self, node: ast.Raise) -> None:
        return

    def visit_JoinedStr(self, node: ast.JoinedStr) -> None:
        return

    def visit_If(self, node: ast.If) -> None:
        if ast.unparse(node.test) != "TYPE_CHECKING":
            self.generic_visit(node)

    def visit_Subscript(self, node: ast.Subscript) -> None:
        self.visit(node.value)
        if not isinstance(node.slice, ast.Constant | ast.Tuple | ast.Slice):
            self.visit(node.slice)

    def visit_Call(self, node: ast.Call) -> None:
        kind = "id" if isinstance(node.func, ast.Name) else "attr"
        name = getattr(node.func, kind, "")
        if name in _UNSEEN:
            return
        if name in _NAMES:
            self._site(node, f"{ast.unparse(node.func)} -> {_NAMES[name]}", kind, _NAMES[name], node.func)
        for part in (node.func, *node.args, *(word.value for word in node.keywords)):
            if name != "reshape" or ast.unparse(part) != "-1":  # where any number below nought says the same
                self.visit(part)

    def visit_BinOp(self, node: ast.BinOp) -> None:
        if not isinstance(node.left, ast.JoinedStr) and "ArrayLike" not in ast.unparse(node):
            self._turned(node, _OPERATORS.get(type(node.op)))
        self.generic_visit(node)

    def visit_AugAssign(self, node: ast.AugAssign) -> None:
        self._turned(node, _OPERATORS.get(type(node.op)))
        self.generic_visit(node)

    def visit_Compare(self, node: ast.Compare) -> None:
        for at, op in enumerate(node.ops):
            if turned := _COMPARISONS.get(type(op)):
                self._turned(node, turned, "ops", [*node.ops[:at], turned(), *node.ops[at + 1 :]])
        self.generic_visit(node)

    def visit_BoolOp(self, node: ast.BoolOp) -> None:
        self._turned(node, ast.Or if isinstance(node.op, ast.And) else ast.And)
        self.generic_visit(node)

    def visit_UnaryOp(self, node: ast.UnaryOp) -> None:
        was = ast.unparse(node)[:60]
        if isinstance(node.op, ast.USub) and not isinstance(node.operand, ast.Constant):
            self._site(node, f"{was} -> plus", "op", ast.UAdd())
        if isinstance(node.op, ast.Not):
            self._site(node, f"{was} -> without not", "operand", ast.UnaryOp(ast.Not(), node.operand))
        self.generic_visit(node)

    def visit_Constant(self, node: ast.Constant) -> None:
        if isinstance(node.value, int | float) and not isinstance(node.value, bool):
            value = node.value + 1 if isinstance(node.value, int) else node.value * 1.5 if node.value else 0.5
            self._site(node, f"{node.value} -> {value}", "value", value)


def mutants_of(path: Path) -> list[Mutant]:
    walker = _Changer()
    walker.visit(ast.parse(path.read_text(encoding="utf-8")))
    file = path.relative_to(PACKAGE).as_posix()
    return [Mutant(file, line, place, words, function) for line, place, words, function in walker.found]


def changed(mutant: Mutant) -> ast.Module:
    tree = ast.parse((PACKAGE / mutant.file).read_text(encoding="utf-8"))
    _Changer(mutant.place).visit(tree)
    return ast.fix_missing_locations(tree)


# ---- a change put into the running package -----------------------------------------------------------------------


def _code_in(code: CodeType, old: CodeType) -> CodeType | None:
    """The function of the same name and line in changed code."""
    for part in code.co_consts:
        if isinstance(part, CodeType):
            if (part.co_qualname, part.co_firstlineno) == (old.co_qualname, old.co_firstlineno):
                return part
            if found := _code_in(part, old):
                return found
    return None


def _bare(thing: Any) -> Any:
    """The function below what wraps it."""
    for name in ("fget", "func", "__func__", "__wrapped__"):
        thing = getattr(thing, name, None) or thing
    return thing


def _plain(value: Any) -> bool:
    return isinstance(value, int | float | str | None) or (isinstance(value, tuple) and all(map(_plain, value)))


def _graft_numbers(old: Any, new: Any) -> bool:
    """Defaults and numbers of a class or function that are others now; True when there are any."""
    if isinstance(old, type) and isinstance(new, type):
        found = [_graft_numbers(vars(old).get(name), value) for name, value in vars(new).items()]
        for name, value in vars(new).items():
            if _plain(value) and not name.startswith("__") and vars(old).get(name) != value:
                setattr(old, name, value)
                found.append(True)
        return any(found)
    old, new = _bare(old), _bare(new)
    if not (isinstance(old, FunctionType) and isinstance(new, FunctionType)):
        return False
    was = (old.__defaults__, old.__kwdefaults__)

    def taken(one: Any, other: Any) -> Any:
        return other if _plain(one) and _plain(other) and one != other else one

    if old.__defaults__:
        old.__defaults__ = tuple(map(taken, old.__defaults__, new.__defaults__ or ()))
    if old.__kwdefaults__:
        old.__kwdefaults__ = {name: taken(one, (new.__kwdefaults__ or {}).get(name, one))
                              for name, one in old.__kwdefaults__.items()}  # fmt: skip
    return was != (old.__defaults__, old.__kwdefaults__)


def _everywhere(name: str, old: Any, new: Any) -> None:
    """Another value under a name of a module, wherever it was taken over."""
    for module in list(sys.modules.values()):
        if str(getattr(module, "__file__", "")).startswith(f"{ROOT}/"):
            for key, value in list(vars(module).items()):
                if value is old and (key == name or not isinstance(old, int | str | None)):
                    setattr(module, key, new)


def graft(mutant: Mutant) -> str:
    """Put a change into the modules as they are loaded, so that every record, class and function stays the one it is.

    "lost" where no place for it is found, "killed" where the module cannot even be loaded."""
    module = importlib.import_module(_module(mutant.file))
    tree = changed(mutant)
    code = compile(tree, str(PACKAGE / mutant.file), "exec")
    thing: Any = module
    for part in mutant.function.split(".") if mutant.function else ():
        if isinstance(thing, ModuleType | type):
            thing = vars(thing)[part]
    function = _bare(thing)
    if isinstance(function, FunctionType):
        new = _code_in(code, function.__code__)
        if new != function.__code__:
            function.__code__ = new or function.__code__
            return "" if new else "lost"
    fresh = {"__name__": module.__name__, "__file__": module.__file__}
    try:
        exec(code, fresh)
    except Exception:
        return "killed"
    found = [_graft_numbers(value, fresh.get(name)) for name, value in list(vars(module).items())]
    names: set[str] = set()
    for part in tree.body:
        mentioned = {node.id for node in ast.walk(part) if isinstance(node, ast.Name)}
        if isinstance(part, ast.Assign | ast.AnnAssign) and (_holds(part, mutant) or mentioned & names):
            was = dict(vars(module))
            exec(compile(ast.Module([part], []), str(PACKAGE / mutant.file), "exec"), vars(module))
            for name, value in list(vars(module).items()):
                if value is not was.get(name):
                    _everywhere(name, was.get(name), value)
                    names.add(name)
    return "" if names or any(found) else "lost"


def _holds(part: Any, mutant: Mutant) -> bool:
    return bool(part.lineno <= mutant.line <= (part.end_lineno or part.lineno))


def _module(file: str) -> str:
    return "driftmodel." + file.removesuffix(".py").replace("/", ".")


def _reads(mutant: Mutant) -> Callable[[CodeType], bool]:
    """Whether code is the changed function, or may read the changed constant."""
    path = str(PACKAGE / mutant.file)
    function = mutant.function

    def called(code: CodeType) -> bool:
        name = code.co_qualname.replace(".<locals>", "")
        return code.co_filename == path and (name == function or name.startswith(f"{function}."))

    if function:
        thing = getattr(importlib.import_module(_module(mutant.file)), function.split(".")[0], None)
        if not (isinstance(thing, type) and "." not in function):
            return called
    names = {function}
    for part in ast.parse(Path(path).read_text(encoding="utf-8")).body:
        outer = part.args if isinstance(part, ast.FunctionDef) else part
        named = [node for node in ast.walk(outer) if isinstance(node, ast.Name)]
        if _holds(part, mutant) or not names.isdisjoint(node.id for node in named):
            names |= {node.id for node in named if isinstance(node.ctx, ast.Store)} | {getattr(part, "name", function)}
    return lambda code: called(code) or not names.isdisjoint((*code.co_names, *code.co_freevars))


def _forget_calls() -> None:
    """What functools.cache holds outside the files of numbers, which no change is in."""
    for name, module in list(sys.modules.items()):
        if name.startswith("driftmodel.") and not name.startswith("driftmodel.base."):
            for value in list(vars(module).values()):
                if hasattr(value, "cache_clear"):
                    value.cache_clear()


def _say(words: str) -> None:
    print(words, file=sys.__stdout__, flush=True)


def _slow(*_: Any) -> None:
    raise TimeoutError("slower than any test that shall kill changes")


# ---- what walks through what -------------------------------------------------------------------------------------


class Span:
    """A test, a shared fixture or a kept thing in the making: the functions called, the time, and what it took over."""

    def __init__(self) -> None:
        self.codes: set[CodeType] = set()
        self.parts: set[Span] = set()
        self.seconds = 0.0


class Walk:
    """The pytest plugin: walks the tests once, then judges each change in a forked child.

    What the walk made for many tests, by fixtures of a module or kept by the package, a child takes over unless its
    making walked through the changed function; then the child makes it anew."""

    def __init__(self, mutants: list[Mutant], told: Callable[[Mutant, str], None]) -> None:
        self.mutants, self.told = mutants, told
        self.tests: dict[Any, Span] = {}
        self.spans: dict[Any, Span] = {}
        self.made: dict[Any, Any] = {}
        self.stack = [Span()]
        self.since = time.process_time()
        self.fell: list[str] = []
        self.sound: dict[Any, bool] = {}
        self.touched: Callable[[Span], bool] | None = None  # in a child
        self._keep()

    # while anything is made

    def _turn(self) -> None:
        now = time.process_time()
        self.stack[-1].seconds += now - self.since
        self.since = now

    @contextlib.contextmanager
    def _within(self, span: Span) -> Iterator[None]:
        self.stack[-1].parts.add(span)
        self._turn()
        self.stack.append(span)
        try:
            yield
        finally:
            self._turn()
            self.stack.pop()

    def _seen(self, frame: FrameType, event: str, _: Any) -> None:
        self.stack[-1].codes.add(frame.f_code)

    def _keep(self) -> None:
        """Note what the package keeps, in memory and on disk."""
        from driftmodel.base.keeping import Memory, Shelf

        remade: set[Any] = set()
        in_memory, on_disk = Memory.of, Shelf.of

        def of_memory(memory: Any, key: str, make: Any) -> Any:
            span = self.spans.setdefault((make.__code__, key), Span())
            self.stack[-1].parts.add(span)
            if self._anew(span) and (memory, make.__code__, key) not in remade:
                remade.add((memory, make.__code__, key))
                memory._known.pop(key, None)
            return in_memory(memory, key, self._noted(span, make))

        def of_disk(shelf: Any, key: str, make: Any, *rest: Any) -> Any:
            span = self.spans.setdefault((make.__code__, key), Span())
            self.stack[-1].parts.add(span)
            if self._anew(span):
                return make()
            return on_disk(shelf, key, self._noted(span, make), *rest)

        Memory.of, Shelf.of = of_memory, of_disk  # type: ignore[method-assign]

    def _anew(self, span: Span) -> bool:
        """In a child: whether the making of a kept thing calls the changed function, or is itself what is changed."""
        return self.touched is not None and (not span.codes or self.touched(span))

    def _noted(self, span: Span, make: Callable[[], Any]) -> Callable[[], Any]:
        def making() -> Any:
            with self._within(span):
                return make()

        return making

    # pytest's own steps

    def pytest_runtest_logreport(self, report: Any) -> None:
        if report.failed:
            self.fell.append(report.nodeid)

    @pytest.hookimpl(wrapper=True, tryfirst=True)
    def pytest_fixture_setup(self, fixturedef: Any, request: Any) -> Any:
        if fixturedef.scope == "function":
            return (yield)
        span, key = self.spans.setdefault(fixturedef, Span()), (fixturedef, fixturedef.cache_key(request))
        function = fixturedef.func
        if key in self.made:
            fixturedef.func = lambda **_: self.made[key]
        try:
            with self._within(span):
                value = yield
        finally:
            fixturedef.func = function
        if not inspect.isgeneratorfunction(function):
            self.made[key] = value
        return value

    def pytest_runtestloop(self, session: Any) -> bool:
        from driftmodel.base.scenarios import find_instrument, shipped
        from driftmodel.structure.response import design_response

        if session.testsfailed:
            sys.exit(f"{session.testsfailed} test files cannot be read")
        signal.signal(signal.SIGPROF, _slow)
        sys.settrace(self._seen)
        for name in shipped("instruments"):  # many tests ask for the shipped bodies, which take long
            design_response(find_instrument(name))
        sys.settrace(None)
        for item, following in zip(session.items, [*session.items[1:], None], strict=True):
            self._walk(item, following)
            if following is None or following.path != item.path:
                seconds = sum(span.seconds for span in (*self.tests.values(), *self.spans.values()))
                _say(f"  walked {item.path.name}, {seconds:.0f} s")
        fallen = set(self.fell)
        for name in sorted(fallen):
            _say(f"left out, it falls or is slow without a change: {name}")
        self.tests = {item: span for item, span in self.tests.items() if item.nodeid not in fallen}
        _say(f"{len(self.tests)} tests walked in {time.process_time():.0f} s")
        self.codes = {code for span in (*self.tests.values(), *self.spans.values()) for code in span.codes}
        own = (str(PACKAGE), str(ROOT / "tests"))  # a test may read a changed constant itself
        self.codes = {code for code in self.codes if code.co_filename.startswith(own)}
        gc.collect()
        gc.freeze()
        for mutant in self.mutants:
            self.told(mutant, self.judge(mutant))
        return True

    def _walk(self, item: Any, following: Any) -> None:
        from driftmodel.base.keeping import _memories

        known = {memory: dict(memory._known) for memory in _memories}
        for memory in known:
            memory.hold(60)
        span = self.tests[item] = Span()
        _forget_calls()
        signal.setitimer(signal.ITIMER_PROF, SECONDS)
        sys.settrace(self._seen)
        try:
            with self._within(span):
                item.ihook.pytest_runtest_protocol(item=item, nextitem=following)
        finally:
            sys.settrace(None)
            signal.setitimer(signal.ITIMER_PROF, 0)
        fixtures = [one for many in item._fixtureinfo.name2fixturedefs.values() for one in many]
        span.parts |= {self.spans[one] for one in fixtures if one in self.spans}
        for memory, things in known.items():  # a test may forget all that is kept
            for key, thing in things.items():
                memory._known.setdefault(key, thing)

    # judging

    def judge(self, mutant: Mutant) -> str:
        """'killed', 'stands', 'not reached' where no fast test calls it, 'lost' where it cannot be put in."""
        reads = _reads(mutant)
        wanted = {code for code in self.codes if reads(code)}
        known: dict[Span, bool] = {}

        def touched(span: Span) -> bool:
            if span not in known:
                known[span] = not span.codes.isdisjoint(wanted)
                known[span] = known[span] or any([touched(part) for part in span.parts])
            return known[span]

        def to_make(span: Span) -> set[Span]:
            return {span}.union(*(to_make(part) for part in span.parts if touched(part)))

        costs = {item: to_make(span) for item, span in self.tests.items() if touched(span)}
        ordered = sorted(costs, key=lambda item: sum(span.seconds for span in costs[item]))
        while True:
            chosen, spent = [], set[Span]()
            for item in ordered:
                spent |= costs[item]
                if sum(span.seconds for span in spent) > MOST_SECONDS:
                    break
                chosen.append(item)
            if not chosen:
                return "not reached"
            found = self._child(chosen, mutant, touched)
            if not found.isdigit():
                return found
            killer = chosen[int(found)]
            if killer not in self.sound:
                self.sound[killer] = self._child([killer], None, touched) == "stands"
            if self.sound[killer]:
                return "killed"
            _say(f"left out, it falls in a child without a change: {killer.nodeid}")
            del self.tests[killer]
            ordered.remove(killer)

    def _child(self, chosen: list[Any], mutant: Mutant | None, touched: Callable[[Span], bool]) -> str:
        """The number of the test that falls, or 'stands', 'lost'; 'killed' when it ends by itself or never."""
        read, write = os.pipe()
        child = os.fork()
        if child == 0:
            os.close(read)
            said = "lost"
            try:
                resource.setrlimit(resource.RLIMIT_CPU, (int(2 * MOST_SECONDS), int(2 * MOST_SECONDS) + 2))
                signal.alarm(int(40 * MOST_SECONDS))  # a change may also wait for ever
                nothing = os.open(os.devnull, os.O_WRONLY)
                os.dup2(nothing, 1)
                os.dup2(nothing, 2)
                said = self._tried(chosen, mutant, touched)
            finally:
                os.write(write, said.encode())
                os._exit(0)
        os.close(write)
        with os.fdopen(read) as told:
            text = told.read()
        os.waitpid(child, 0)
        return text or "killed"

    def _tried(self, chosen: list[Any], mutant: Mutant | None, touched: Callable[[Span], bool]) -> str:
        from driftmodel.base.keeping import Shelf

        Shelf._write = lambda *_: None  # type: ignore[method-assign]
        self.touched, self.fell = touched, []
        if mutant and (said := graft(mutant)):
            return said
        _forget_calls()
        for key in [key for key in self.made if touched(self.spans[key[0]])]:
            del self.made[key]
        for at, item in enumerate(chosen):
            item.ihook.pytest_runtest_protocol(item=item, nextitem=None)
            if self.fell:
                return str(at)
        return "stands"


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


def main() -> None:
    words = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    words.add_argument("--count", type=int, default=400)
    words.add_argument("--seed", type=int, default=1)
    words.add_argument("--rooms", default=",".join(ROOMS))
    words.add_argument("--survivors", type=Path, default=Path("survivors.txt"))
    words.add_argument("--modules", help="only these modules of the rooms")
    words.add_argument("--tests", help="only these test files")
    given = words.parse_args()
    survivors = given.survivors.absolute()
    os.chdir(ROOT)
    os.environ.setdefault("OMP_NUM_THREADS", "1")
    sys.dont_write_bytecode = True
    sys.path[:0] = [str(ROOT), str(ROOT / "tests")]
    for heavy in ("scipy.stats", "scipy.optimize", "xarray", "pandas", "skfem", "h5netcdf", "matplotlib.pyplot"):
        importlib.import_module(heavy)
    rooms = given.rooms.split(",")
    patterns = given.tests.split(",") if given.tests else [*EVERY_ROOM, *(one for room in rooms for one in TESTS[room])]
    files = sorted(str(path) for path in (ROOT / "tests").glob("test_*.py")
                   if any(fnmatch(path.stem, pattern) for pattern in patterns))  # fmt: skip
    chosen = sample(rooms, given.count, given.seed, given.modules and given.modules.split(","))
    may_stand = argued()
    told: dict[str, Counter[str]] = {}
    with survivors.open("w", encoding="utf-8") as out, tempfile.TemporaryDirectory() as at:

        def tell(mutant: Mutant, found: str) -> None:
            if found != "killed" and mutant.key in may_stand:
                found = "argued"
            room = told.setdefault(mutant.file.split("/")[0], Counter())
            room[found] += 1
            if found not in ("killed", "argued"):
                out.write(f"{found:<11} line {mutant.line:<4} {mutant.key}\n")
                out.flush()
            _say(f"{sum(map(Counter.total, told.values()))} of {len(chosen)} {found}: {mutant.key}")

        os.environ["DRIFTMODEL_CACHE"] = f"{at}/kept"
        options = ["-q", "-s", "-p", "no:cacheprovider", "-m", "not slow", "--basetemp", f"{at}/tests",
                   "-o", "tmp_path_retention_policy=failed"]  # fmt: skip
        walk = Walk(chosen, tell)
        with contextlib.redirect_stdout(io.StringIO()), contextlib.redirect_stderr(io.StringIO()):
            pytest.main([*options, *files], plugins=[walk])
    for room, counts in told.items():
        _say(f"{room}: " + ", ".join(f"{count} {words}" for words, count in counts.items()))


if __name__ == "__main__":
    main()
