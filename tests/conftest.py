"""Shared by the tests: a command line run inside this process, and a world of files to spoil."""

from __future__ import annotations

import gc
import shutil
from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import pytest
from hypothesis import HealthCheck, settings

from driftmodel.base.keeping import Memory, fingerprint
from driftmodel.base.records import Climate, Scenario
from driftmodel.base.scenarios import load_scenario
from driftmodel.doors import cli

ROOT = Path(__file__).parents[1]
#: what an example is does not hang on the run, how long it may take not on the machine
QUIET = list(HealthCheck)
settings.register_profile("same", derandomize=True, database=None, deadline=None, suppress_health_check=QUIET)
settings.load_profile("same")
#: the air of weathers, which many tests live in: known, as in one LagCache, by all it rests on
AIRS: Memory[Any] = Memory(24)
#: the air of single stays, such as a workshop's before set-up, alike in most scenarios
STAYS: Memory[Any] = Memory(64)
#: small benches (`few_particles`), which many tests make alike
BENCHES: Memory[Any] = Memory(12)


@dataclass(frozen=True)
class Ran:
    code: int
    out: str
    err: str


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """First those that fork by the hundred, which costs five times as much from a process that has grown."""
    items.sort(key=lambda item: item.path.name != "test_written.py")


def pytest_collection_finish() -> None:
    """What was imported stays to the end: it need not be looked through for garbage again and again, which took a
    twelfth of the time."""
    gc.collect()
    gc.freeze()
    gc.set_threshold(50_000, 20, 50)


@pytest.fixture(scope="session", autouse=True)
def _cache(tmp_path_factory: pytest.TempPathFactory) -> None:
    """Structural responses are cached in a folder of the test run's own, unless one is named already."""
    import os

    os.environ.setdefault("DRIFTMODEL_CACHE", str(tmp_path_factory.mktemp("cache")))


@pytest.fixture(scope="session", autouse=True)
def _one_sky() -> Iterator[None]:
    """Runs of one process see the air that others have made of the same scenario, or of one of its stays."""
    from driftmodel.climate import history
    from driftmodel.outlook import chain

    begin, made = chain.LagCache.__init__, history.stated_air

    def seen(climate: Climate, start: Any, hours: int, member: int = 0, seed: int = 0) -> Any:
        key = fingerprint(climate, str(start), hours, member, seed)
        return STAYS.of(key, lambda: made(climate, start, hours, member, seed)).copy()

    def begun(self: chain.LagCache, kept: int = chain.KEPT, air_of: Any = chain.scenario_air) -> None:
        begin(self, kept, air_of)
        if air_of is chain.scenario_air:
            self._airs = AIRS

    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(chain.LagCache, "__init__", begun)
        patch.setattr(history, "stated_air", seen)
        yield


@pytest.fixture(scope="session")
def scenario() -> Scenario:
    """Three years of a shipped scenario in one weather."""
    return replace(load_scenario("first-winter"), horizon_years=3, weather_members=1)


@pytest.fixture(scope="session")
def fc(scenario: Scenario) -> Any:
    """Its forecast for twenty guitars: one for all who only read it."""
    import driftmodel

    return driftmodel.forecast(scenario, draws=20)


@pytest.fixture
def run(monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]) -> Callable[..., Ran]:
    """run('forecast', 'first-winter') -> exit code and what was printed."""

    def command(*words: str) -> Ran:
        monkeypatch.setattr("sys.argv", ["driftmodel", *words])
        code = 0
        try:
            cli.main()
        except SystemExit as stop:
            code = int(stop.code or 0)
        printed = capsys.readouterr()
        return Ran(code, printed.out, printed.err)

    return command


@pytest.fixture
def undrawn(monkeypatch: pytest.MonkeyPatch) -> None:
    """Figures are made of their data and written, but stay blank and small: where what a picture shows is no matter."""
    monkeypatch.setattr("matplotlib.figure.Figure.draw", lambda self, renderer: None)
    monkeypatch.setattr("driftmodel.report.pictures.PICTURE_DPI", 13)


@pytest.fixture
def coarse(tmp_path_factory: pytest.TempPathFactory, monkeypatch: pytest.MonkeyPatch) -> Iterator[None]:
    """Bodies are solved on large triangles, in a quarter of the time, once for all tests that ask for them: where a few
    percent of a response are no matter."""
    from driftmodel.base.keeping import forget
    from driftmodel.structure import body, design

    monkeypatch.setenv("DRIFTMODEL_CACHE", str(tmp_path_factory.getbasetemp() / "coarse"))
    monkeypatch.setattr(design, "SIZE_MM", 75.0)
    monkeypatch.setattr(body.respond, "__defaults__", (None, 75.0))
    forget()
    yield
    forget()


@pytest.fixture
def few_particles(monkeypatch: pytest.MonkeyPatch) -> None:
    """Calibrations and decisions by few particles in two weathers: where what they say is no matter."""
    from driftmodel.calibration import bench, decide, fit, shown

    monkeypatch.setattr(bench.make_bench, "__defaults__", (None, (1, 1)))
    monkeypatch.setattr(bench, "CREEP_WEATHERS", 1)
    monkeypatch.setattr(bench, "_benches", BENCHES)
    for function in (shown.calibrate, fit.learn, decide.weather_or_drift, shown.worth_reading):
        monkeypatch.setitem(function.__kwdefaults__, "particles", 40)


@pytest.fixture
def short(monkeypatch: pytest.MonkeyPatch) -> None:
    """Scenarios look two years ahead in one weather, not twenty in four, at sixty guitars, not two hundred: where the
    years ahead are no matter."""
    from driftmodel.base import scenarios
    from driftmodel.record import case as files

    whole = scenarios.scenario_of

    def shortened(*told: Any) -> Scenario:
        one = whole(*told)
        ahead, members = min(one.horizon_years, 2), min(one.weather_members, 1)
        return replace(one, horizon_years=ahead, weather_members=members, draws=min(one.draws, 60))

    for room in (scenarios, files):
        monkeypatch.setattr(room, "scenario_of", shortened)


@pytest.fixture(scope="session")
def chromium() -> str | None:
    """The browser of this machine, if it has one."""
    return shutil.which("chromium") or shutil.which("chromium-browser")


@pytest.fixture
def world(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A folder of the user's own with copies of the shipped files: mine.toml, instruments/, climates/, weather/."""
    shipped = ROOT / "scenarios"
    for folder in ("instruments", "climates", "weather"):
        shutil.copytree(shipped / folder, tmp_path / folder)
    shutil.copy(shipped / "first-winter.toml", tmp_path / "mine.toml")
    monkeypatch.chdir(tmp_path)
    return tmp_path
