"""Workers, schedulers, kills and restarts change no bit. What is compared are whole arrays, bit for bit.

No outside reference values: the answer of one plain process is the reference.
"""

from __future__ import annotations

import os
import signal
import socket
import subprocess
import sys
import time
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from invented_fleets import ToyDrift, invented_fleet, invented_settings

from driftmodel.base.errors import BadInput
from driftmodel.base.workers import Crew, each
from driftmodel.fleet import run
from driftmodel.fleet.demand import forecast_demand
from driftmodel.fleet.passage import Cell
from driftmodel.fleet.roster import Fleet

ROOT = Path(__file__).parents[1]
LAW = ToyDrift()


def fleet() -> Fleet:
    settings = invented_settings(2, 1, 1, samples=50, draws=64, members=4, horizon_months=6)
    return invented_fleet(settings, LAW, 1500, years=4, seed=3, every=2)[0]


def cube(crew: Crew | None = None, law: ToyDrift = LAW) -> np.ndarray:
    return np.asarray(forecast_demand(fleet(), law, crew=crew).cube["regrades"].values)


def test_a_kept_run_is_the_same_and_a_spoiled_checkpoint_is_made_anew(tmp_path: Path) -> None:
    plain = cube()
    assert np.array_equal(cube(Crew(folder=tmp_path)), plain)
    kept = sorted(tmp_path.glob("*.npz"))
    assert len(kept) == 12
    kept[0].write_bytes(kept[0].read_bytes()[:40])
    assert np.array_equal(cube(Crew(folder=tmp_path)), plain)


def test_a_checkpoint_of_another_law_is_not_used(tmp_path: Path) -> None:
    cube(Crew(folder=tmp_path))
    other = replace(LAW, reach=2.0)
    assert np.array_equal(cube(Crew(folder=tmp_path), other), cube(None, other))


@pytest.mark.slow
def test_killed_twenty_times_it_ends_with_the_same_bits(tmp_path: Path) -> None:
    """Kill -9 at random moments; each run goes on from what is kept, the last one is left to end."""
    code = (
        "import sys; from pathlib import Path; sys.path.insert(0, 'tests')\n"
        "import numpy as np; from test_fleet_run import cube, LAW; from dataclasses import replace\n"
        "from driftmodel.base.workers import Crew\n"
        "found = cube(Crew(folder=Path(sys.argv[1])), replace(LAW, pause_s=float(sys.argv[2])))\n"
        "np.save(sys.argv[3], found)\n"
    )
    law = replace(LAW, pause_s=0.02)
    plain = cube(None, law)
    random = np.random.default_rng(11)
    env = os.environ | {"PYTHONPATH": str(ROOT)}
    words = [sys.executable, "-c", code, str(tmp_path / "kept"), "0.02", str(tmp_path / "out.npy")]
    killed = 0
    for _ in range(20):
        run = subprocess.Popen(words, cwd=ROOT, env=env, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)
        time.sleep(float(random.uniform(0.3, 1.9)))
        if run.poll() is None:
            run.send_signal(signal.SIGKILL)
            killed += 1
        run.wait()
    assert killed > 0
    subprocess.run(words, cwd=ROOT, env=env, check=True)
    assert np.array_equal(np.load(tmp_path / "out.npy"), plain)


@pytest.fixture
def scheduler() -> Iterator[tuple[str, list[subprocess.Popen[bytes]]]]:
    """A dask scheduler and two workers, each a process of its own on loopback."""
    pytest.importorskip("distributed")
    with socket.socket() as free:
        free.bind(("127.0.0.1", 0))
        port = free.getsockname()[1]
    address = f"tcp://127.0.0.1:{port}"
    env = os.environ | {"PYTHONPATH": os.pathsep.join([str(ROOT), str(ROOT / "tests")])}

    def start(*words: str) -> subprocess.Popen[bytes]:
        return subprocess.Popen(
            [sys.executable, "-m", "distributed.cli." + words[0], *words[1:]],
            env=env,
            stdout=subprocess.DEVNULL,
            stderr=subprocess.DEVNULL,
        )

    running = [start("dask_scheduler", "--host", "127.0.0.1", "--port", str(port), "--no-dashboard")]
    running += [
        start("dask_worker", address, "--no-nanny", "--nthreads", "1", "--no-dashboard", "--host", "127.0.0.1")
        for _ in range(2)
    ]
    yield address, running
    for process in running:
        process.kill()
        process.wait()


@pytest.mark.slow
def test_a_scheduler_anywhere_and_a_worker_lost_change_no_bit(
    scheduler: tuple[str, list[subprocess.Popen[bytes]]],
) -> None:
    address, running = scheduler
    from distributed import Client

    law = replace(LAW, pause_s=0.1)
    with Client(address, timeout=30, set_as_default=False) as client:
        client.wait_for_workers(2, timeout=30)
    done: list[int] = []

    def progress(count: int, of: int) -> None:
        done.append(count)
        if count == 5:
            running[1].kill()

    found = forecast_demand(fleet(), law, crew=Crew(scheduler=address), progress=progress)
    assert done == list(range(1, 13))
    assert running[1].wait(10) != 0
    assert np.array_equal(found.cube["regrades"].values, cube(None, law))


def test_what_all_workers_ask_for_is_made_before_them(monkeypatch: pytest.MonkeyPatch) -> None:
    seen: list[int] = []

    class Prepared(ToyDrift):
        def prepare(self, cells: tuple[Cell, ...]) -> None:
            seen.append(len(cells))

    monkeypatch.setattr(run, "each", lambda work, groups, crew: each(work, groups, Crew()))
    assert np.array_equal(cube(Crew(2), Prepared()), cube(None, Prepared())) and seen == [12]


@pytest.mark.slow
def test_two_workers_of_this_machine_change_no_bit() -> None:
    assert np.array_equal(cube(Crew(workers=2)), cube())


@pytest.mark.slow
def test_no_scheduler_there() -> None:
    pytest.importorskip("distributed")
    with pytest.raises(BadInput, match="no scheduler answers"):
        cube(Crew(scheduler="tcp://127.0.0.1:9"))
