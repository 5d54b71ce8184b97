"""What no door reaches goes: every function, class and constant of the package is walked to from the commands, the page
and the door for Python. The house's own rule; no outside source."""

from __future__ import annotations

import ast
import re
from collections.abc import Iterator
from pathlib import Path

from test_layers import tree_of

import driftmodel

ROOT = Path(__file__).parents[1]
CODE = ROOT / "driftmodel"
#: what others build on, told in DEVELOPERS.md, though no door of ours does
OPEN = {
    "driftmodel.wood.sorption.dimension_change",
    "driftmodel.wood.sorption.equilibrium_moisture_content",
    "driftmodel.climate.room.indoor_air",
    "driftmodel.climate.enclosure.case_air",
    "driftmodel.base.keeping.forget",  # a process that lives long empties its memories; tests do
}

Names = dict[str, str]


def module_of(file: Path) -> str:
    return ".".join(file.relative_to(ROOT).with_suffix("").parts).removesuffix(".__init__")


def defined(statement: ast.stmt) -> list[str]:
    """Names a statement of a module's own level makes."""
    if isinstance(statement, ast.FunctionDef | ast.ClassDef):
        return [statement.name]
    targets = statement.targets if isinstance(statement, ast.Assign) else []
    if isinstance(statement, ast.AnnAssign):
        targets = [statement.target]
    return [name.id for target in targets for name in ast.walk(target) if isinstance(name, ast.Name)]


def imported(tree: ast.AST, modules: set[str]) -> Names:
    """What each imported name stands for: 'driftmodel.room.module.name', or a module."""
    found = {}
    for node in ast.walk(tree):
        if isinstance(node, ast.ImportFrom) and node.module and node.module.startswith("driftmodel"):
            found |= {alias.asname or alias.name: f"{node.module}.{alias.name}" for alias in node.names}
        elif isinstance(node, ast.Import):
            found |= {alias.asname: alias.name for alias in node.names if alias.asname and alias.name in modules}
    return found


def used(statement: ast.AST, module: str, own: set[str], names: Names, modules: set[str]) -> Iterator[str]:
    """Full names a statement speaks of: its module's own, imported ones, and those of an imported module."""
    for node in ast.walk(statement):
        if isinstance(node, ast.Name):
            if node.id in names:
                yield names[node.id]
            elif node.id in own:
                yield f"{module}.{node.id}"
        elif isinstance(node, ast.Attribute) and names.get(getattr(node.value, "id", "")) in modules:
            yield f"{names[ast.unparse(node.value)]}.{node.attr}"


def walked(files: dict[str, ast.Module], roots: set[str]) -> tuple[dict[str, int], set[str]]:
    """Every name the modules define with the lines it takes, and those reached from the roots; a module's loose
    statements run when anything of it is reached."""
    modules, lines = set(files), {}
    speaks: dict[str, set[str]] = {module: set() for module in modules}
    for module, tree in files.items():
        own = {name for statement in tree.body for name in defined(statement)}
        names = imported(tree, modules)
        for statement in tree.body:
            said = set(used(statement, module, own, names, modules))
            here = defined(statement)
            for name in here:
                lines[f"{module}.{name}"] = (statement.end_lineno or 0) - statement.lineno + 1
                speaks.setdefault(f"{module}.{name}", {module}).update(said)
            hung_on = getattr(statement, "decorator_list", [])  # a command of a group is one of the group's
            if any(set(used(each, module, own, {}, modules)) for each in hung_on):
                speaks[module] |= {f"{module}.{name}" for name in here}
            if not here and not isinstance(statement, ast.Import | ast.ImportFrom | ast.If):
                speaks[module] |= said
    reached, todo = set(), set(roots)
    while todo:
        name = todo.pop()
        reached.add(name)
        todo |= speaks.get(name, set()) - reached
    return lines, reached


def unreached(files: dict[str, ast.Module], roots: set[str]) -> dict[str, int]:
    lines, reached = walked(files, roots)
    hidden = ("__all__", "__getattr__", "__dir__", "._HOMES")
    return {name: size for name, size in lines.items() if name not in reached and not name.endswith(hidden)}


def house() -> tuple[dict[str, ast.Module], set[str]]:
    """The package's modules, and what its doors start from."""
    files = {module_of(file): tree_of(file) for file in sorted(CODE.rglob("*.py"))}
    homes = {f"driftmodel.{room}.{name}" for room, name in driftmodel._HOMES.values()}
    verbs = {f"driftmodel.doors.verbs.{name}" for name in driftmodel.__all__ if name not in driftmodel._HOMES}
    return files, {"driftmodel.doors.cli.main", *homes, *verbs, *OPEN}


def test_every_name_is_reached_from_a_door() -> None:
    found = unreached(*house())
    assert not found, "\n".join(f"{name}: {size} lines" for name, size in found.items())


def test_what_is_not_reached_would_be_seen() -> None:
    files = {
        "a": ast.parse("from b import one\nimport b as other\ndef door(): return one() + other.two\ndef dead(): pass"),
        "b": ast.parse("def one(): return inner()\ndef inner(): pass\ntwo = 2\ndef lost(): return inner()"),
    }
    files = {f"driftmodel.{name}": tree for name, tree in files.items()}
    for tree in files.values():
        for node in ast.walk(tree):
            if isinstance(node, ast.ImportFrom):
                node.module = f"driftmodel.{node.module}"
            elif isinstance(node, ast.Import):
                node.names[0].name = "driftmodel.b"
    assert set(unreached(files, {"driftmodel.a.door"})) == {"driftmodel.a.dead", "driftmodel.b.lost"}


def test_every_method_is_called_somewhere() -> None:
    """By its name after a dot, in the package or in a template of its pages, drawings and plain texts."""
    told = [file for ending in ("py", "html", "svg", "txt") for file in sorted(CODE.rglob(f"*.{ending}"))]
    texts = "\n".join(file.read_text(encoding="utf-8") for file in told)
    called = set(re.findall(r"\.(\w+)|getattr\(\w+, \"(\w+)\"", texts))
    called = {name for pair in called for name in pair}
    found = []
    for file in sorted(CODE.rglob("*.py")):
        for statement in tree_of(file).body:
            for inner in statement.body if isinstance(statement, ast.ClassDef) else ():
                if isinstance(inner, ast.FunctionDef) and inner.name not in called and not inner.name.startswith("_"):
                    decorators = " ".join(ast.unparse(each) for each in inner.decorator_list)
                    if "validator" not in decorators and "Group" not in map(ast.unparse, statement.bases):
                        found.append(f"{file.relative_to(CODE)}: {statement.name}.{inner.name}")
    assert not found, "\n".join(found)
