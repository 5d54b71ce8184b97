"""Writes docs/keys.md and docs/api.md from the file models and the docstrings:  python docs/make.py"""

from __future__ import annotations

import inspect
import re
from pathlib import Path

import driftmodel
from driftmodel.base.file_models import KINDS, keys_of_file

DOCS = Path(__file__).parent


def keys_page() -> str:
    """Every key of every file a user writes, a table for each kind."""
    lines = ["# Keys of the files you write", "", "`driftmodel keys` says the same; made by `python docs/make.py`.", ""]
    for kind in KINDS:
        lines += [f"## {kind}", "", "| key | unit | left out | limits | meaning |", "|---|---|---|---|---|"]
        for key in keys_of_file(kind):
            told = (f"`{key.place}`", key.unit, key.default, key.limits, key.meaning)
            lines.append("| " + " | ".join(cell.replace("|", "\\|") for cell in told) + " |")
        lines.append("")
    return "\n".join(lines)


def api_page() -> str:
    """Every name of the door for Python: how it is called, and what it says of itself."""
    head = "Made from the docstrings by `python docs/make.py`. A tutorial that runs: [tutorial.py](tutorial.py)."
    lines = ["# The door for Python", "", head, ""]
    for name in driftmodel.__all__:
        found = getattr(driftmodel, name)
        if not callable(found):
            continue
        how = "" if isinstance(found, type) else re.sub(r" = <function .*?>|'", "", str(inspect.signature(found)))
        lines += [f"## {name}", "", f"    {name}{how}", "", _told(inspect.getdoc(found) or ""), ""]
    return "\n".join(lines)


def _told(docstring: str) -> str:
    """A docstring as Markdown: its examples are code."""
    return "\n".join(f"    {line}" if line.startswith(">>> ") else line for line in docstring.splitlines())


PAGES = {"keys.md": keys_page, "api.md": api_page}

if __name__ == "__main__":
    for name, page in PAGES.items():
        (DOCS / name).write_text(page(), encoding="utf-8")
