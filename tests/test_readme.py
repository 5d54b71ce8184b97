"""README is true: its commands exist, its Python runs, its pictures are there, CI calls its test command.

The house's own rule.
"""

from __future__ import annotations

import re
from collections.abc import Callable
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[1]
README = (ROOT / "README.md").read_text(encoding="utf-8")


def test_python_example_runs(short: None, capsys: pytest.CaptureFixture[str]) -> None:
    code = re.search(r"```python\n(.*?)```", README, re.S)
    assert code
    exec(compile(code.group(1), "README", "exec"), {})
    assert "year" in capsys.readouterr().out


def test_pictures_are_there() -> None:
    pictures = re.findall(r"!\[.*?\]\((.*?)\)", README)
    assert pictures and all((ROOT / picture).is_file() for picture in pictures)


def test_ci_runs_the_test_command() -> None:
    install, test = re.search(r'\.venv/bin/pip install "(\.\[dev.*?\])" && \.venv/bin/(pytest)', README).groups()
    script = (ROOT / ".ci" / "run").read_text()
    assert f'"{install}"' in script and f"\n{test}\n" in script


def test_commands_are_real(run: Callable[..., object]) -> None:
    words = set(re.findall(r"driftmodel (forecast|air|woods|\w+) (?:--list|first-winter|my-|\")", README))
    assert {"forecast", "air", "woods"} <= words
    for word in words:
        assert run(word, "--help").code == 0


def test_list_names_every_scenario(run: Callable[..., object]) -> None:
    listed = run("forecast", "--list").out
    names = {path.stem for path in (ROOT / "scenarios").glob("*.toml")}
    assert len(names) >= 6 and all(re.search(rf"^{name}\s", listed, re.M) for name in names)


def test_woods_are_listed(run: Callable[..., object]) -> None:
    assert "sitka spruce" in run("woods").out
    assert "0.263" in run("woods", "sitka spruce").out  # Wood Handbook (FPL-GTR-190, 2010) Table 13-5: C_T 0.00263
