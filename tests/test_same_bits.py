"""Same seed, same bits: over processes, hash seeds, threads, zones, locales, folders and an empty cache.

No outside reference values: each run is compared with the first, file by file."""

from __future__ import annotations

import hashlib
import os
import subprocess
import sys
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[1]
WORLDS: dict[str, dict[str, str]] = {
    "plain": {"PYTHONHASHSEED": "0", "TZ": "UTC", "LC_ALL": "C", "OMP_NUM_THREADS": "1", "OPENBLAS_NUM_THREADS": "1"},
    "other hash seed, zone, locale, threads": {
        "PYTHONHASHSEED": "4242", "TZ": "Pacific/Auckland", "LC_ALL": "de_DE.UTF-8", "OMP_NUM_THREADS": "4",
        "OPENBLAS_NUM_THREADS": "4", "PYTHONUTF8": "1", "MPLBACKEND": "svg",
    },
    "random hash seed, half-hour zone, no UTF-8": {
        "PYTHONHASHSEED": "random", "TZ": "America/St_Johns", "LC_ALL": "POSIX", "PYTHONUTF8": "0", "LANGUAGE": "tr",
        "PYTHONCOERCECLOCALE": "0", "OMP_NUM_THREADS": "2", "OPENBLAS_NUM_THREADS": "2", "COLUMNS": "40",
    },
}  # fmt: skip
COMMANDS = (
    ("forecast", "winter.toml", "--draws", "16", "--json"),
    ("grade", "winter.toml", "--json"),
    ("design", "small_ladder_braced", "--json"),
)


def _run(world: str, at: Path) -> dict[str, str]:
    """What the commands print and write, one after the other in one process, by name, as hashes."""
    folder = at / f"run of {world[:6]}"
    folder.mkdir(parents=True)
    text = (ROOT / "scenarios" / "first-winter.toml").read_text(encoding="utf-8")
    assert "horizon_years = 20\n" in text  # four years in two weathers are enough to differ in
    text = text.replace("horizon_years = 20\n", "horizon_years = 4\nweather_members = 2\n")
    (folder / "winter.toml").write_text(text, encoding="utf-8")
    kept = {key: value for key, value in os.environ.items() if key in ("PATH", "HOME", "SYSTEMROOT", "VIRTUAL_ENV")}
    code = (
        f"import sys; sys.path.insert(0, {str(ROOT)!r}); from driftmodel.doors.cli import main\n"
        f"for words in {COMMANDS!r}:\n"
        "    sys.argv = ['driftmodel', *words, '--out', 'out of ' + words[0]]\n"
        "    try: main()\n"
        "    except SystemExit as stop: assert not stop.code, words\n"
    )
    ran = subprocess.run(
        [sys.executable, "-c", code], cwd=folder, capture_output=True, timeout=600, check=False,
        env=kept | WORLDS[world] | {"DRIFTMODEL_CACHE": str(folder / "cache")},  # empty: the design is solved anew
    )  # fmt: skip
    assert ran.returncode == 0, ran.stderr.decode(errors="replace")
    found = {"printed": hashlib.sha256(ran.stdout).hexdigest()}
    for path in sorted(folder.glob("out of */**/*")):
        if path.is_file():
            found[path.relative_to(folder).as_posix()] = hashlib.sha256(path.read_bytes()).hexdigest()
    return found


@pytest.mark.slow
def test_same_bits_in_every_world(tmp_path: Path) -> None:
    first, *others = (_run(world, tmp_path) for world in WORLDS)
    assert {name.split("/")[0] for name in first} >= {f"out of {words[0]}" for words in COMMANDS} - {"out of grade"}
    for found in others:
        assert found == first


def test_one_seed_in_one_process_and_another_seed() -> None:
    from dataclasses import replace

    import numpy as np

    from driftmodel.base.scenarios import load_scenario
    from driftmodel.outlook.draws import draw_unknowns

    scenario = replace(load_scenario("first-winter"), draws=50)
    one, again, other = (draw_unknowns(scenario, 50, seed) for seed in (7, 7, 8))
    for name in one.values:
        np.testing.assert_array_equal(one.values[name], again.values[name])
    assert any(not np.array_equal(one.values[name], other.values[name]) for name in one.values)
