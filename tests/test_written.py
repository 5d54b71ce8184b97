"""Outputs under faults: a run killed at each of its steps, two runs at once, a full disk, folders of every kind.

A kill is real: a forked child ends itself with SIGKILL just before the n-th step it asks of the file system. No outside
values."""

from __future__ import annotations

import multiprocessing
import os
import resource
import signal
import sys
import time
from collections.abc import Callable
from functools import partial
from pathlib import Path
from typing import Any

import pytest

from driftmodel.base import written
from driftmodel.base.errors import BadInput
from driftmodel.report import folder

NAMES = ("a.csv", "b.png", "report.html")
STEPS = ("open", "os.", "shutil.", "ctypes.dlsym", "tempfile.")
#: steps that change nothing: who is killed before one leaves what one killed before the next step leaves
LOOKS = ("os.kill", "os.listdir", "os.scandir", "os.walk")
pytestmark = pytest.mark.skipif(not hasattr(os, "fork"), reason="kills are made by fork")


def filled(text: str) -> Callable[[Path], None]:
    """A filler that writes one text into each of three files, the page marked as ours."""

    def fill(at: Path) -> None:
        for name in NAMES:
            (at / name).write_text(f"{folder.GENERATOR}{text}", encoding="utf-8")

    return fill


def read(target: Path) -> set[str]:
    """The texts found in the files written; one text means whole."""
    return {(target / name).read_text(encoding="utf-8").removeprefix(folder.GENERATOR) for name in NAMES}


def killed_before(step: int, work: Callable[[], Any]) -> bool:
    """Runs `work` in a child killed before its `step`-th call to the file system; False when it ended before that."""
    child = os.fork()
    if child == 0:
        count = 0

        def watch(event: str, _: object) -> None:
            nonlocal count
            if event.startswith(STEPS) and event not in LOOKS:
                count += 1
                if count > step:
                    os.kill(os.getpid(), signal.SIGKILL)

        try:
            sys.addaudithook(watch)
            work()
        finally:
            os._exit(0)
    _, status = os.waitpid(child, 0)
    return os.WIFSIGNALED(status)


def hidden(at: Path) -> list[str]:
    return sorted(path.name for path in at.rglob(".*"))


def _no_exchange(*_: Path) -> bool:
    return False


@pytest.mark.parametrize("way", ["exchanged", "set aside", "in place"])
def test_a_kill_at_any_step_loses_nothing(way: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A user's note, folder and link in an output folder survive every kill, and the next run is whole and clean."""
    if way == "set aside":
        monkeypatch.setattr(written, "_exchange", _no_exchange)
    if way == "in place":
        monkeypatch.setattr(written, "_stays", lambda target: target.is_dir())
    out = tmp_path / "out"
    written.write_folder(out, filled("old"), "report.html")
    (out / "notes.txt").write_text("mine")
    (out / "kept" / "deep").mkdir(parents=True)
    (out / "kept" / "deep" / "photo").write_bytes(b"\xff")
    (out / "link").symlink_to("notes.txt")
    kills, last = 0, "old"
    for tidy in (True, False):  # at each step of a clean run, then with the leftovers of many kills at once
        steps = iter(range(10_000))
        while killed_before(next(steps), partial(written.write_folder, out, filled(f"new {kills}"), "report.html")):
            missing = not out.exists()
            assert not missing or way == "set aside"
            if missing:
                written.clear_leftovers(out)
            assert (out / "notes.txt").read_text() == (out / "link").read_text() == "mine"
            assert (out / "kept" / "deep" / "photo").read_bytes() == b"\xff"
            if way != "in place":
                assert read(out) <= {last, f"new {kills}"} and len(read(out)) == 1
                last = next(iter(read(out)))
            kills += 1
            if tidy or kills % 7 == 0:
                last = f"clean {kills}"
                written.write_folder(out, filled(last), "report.html")
                assert read(out) == {last} and hidden(tmp_path) == []
        assert read(out) == {f"new {kills}"} and hidden(tmp_path) == []
        last = f"new {kills}"
    assert kills > 30, "the child was not killed at its steps"
    assert sorted(path.name for path in out.iterdir()) == ["a.csv", "b.png", "kept", "link", "notes.txt", "report.html"]


def test_a_kill_at_any_step_leaves_a_file_whole(tmp_path: Path) -> None:
    path = tmp_path / "grade.txt"
    path.write_text("old" * 10_000)
    step = 0
    while killed_before(step, lambda: written.write_file(path, b"new" * 10_000)):
        assert path.read_text() in ("old" * 10_000, "new" * 10_000)
        step += 1
    assert step > 4 and hidden(tmp_path) == [] and path.read_text() == "new" * 10_000


def test_a_kill_at_any_time(tmp_path: Path) -> None:
    """Kills at times a clock chooses, of a child that writes without end."""
    out = tmp_path / "out"
    for turn in range(15):
        child = os.fork()
        if child == 0:
            while True:
                written.write_folder(out, filled(str(time.monotonic_ns())), "report.html")
        time.sleep(0.004 + 0.0022 * turn)
        os.kill(child, signal.SIGKILL)
        os.waitpid(child, 0)
        if out.exists():
            assert len(read(out)) == 1
            (out / "notes.txt").write_text("mine")
    written.write_folder(out, filled("last"), "report.html")
    assert read(out) == {"last"} and hidden(tmp_path) == [] and (out / "notes.txt").read_text() == "mine"


def _writes(out: Path, name: str) -> None:
    for turn in range(25):
        written.write_folder(out, filled(f"{name} {turn}"), "report.html")
        written.write_file(out / "note of both", name.encode())


@pytest.mark.parametrize("exchange", [True, False])
def test_runs_at_once(exchange: bool, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    if not exchange:
        monkeypatch.setattr(written, "_exchange", _no_exchange)
    out = tmp_path / "out"
    own = multiprocessing.get_context("fork")
    runs = [own.Process(target=_writes, args=(out, name)) for name in ("one", "two", "three")]
    for run in runs:
        run.start()
    for run in runs:
        run.join()
    assert [run.exitcode for run in runs] == [0, 0, 0]
    assert len(read(out)) == 1 and hidden(tmp_path) == []


def test_a_folder_away_for_a_moment(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Another run sets it aside between mkdir(2), which finds it there, and the look whether it is a folder; and puts
    its own there when this one, done, does not see it."""
    out = tmp_path / "out"
    written.write_folder(out, filled("old"), "report.html")
    looks = iter([False])
    with monkeypatch.context() as patch:
        patch.setattr(Path, "is_dir", lambda path: next(looks, True) if path == out else path.exists())
        written.write_file(out / "note", b"of both")
    assert next(looks, None) is None and (out / "note").read_bytes() == b"of both"
    monkeypatch.setattr(written, "_exchange", _no_exchange)
    there = Path.exists
    gone: list[Path] = []

    def not_seen(path: Path) -> bool:
        if path == out and read(out) == {"new"}:
            gone.append(path)
        return there(path) and path not in gone

    monkeypatch.setattr(Path, "exists", not_seen)
    written.write_folder(out, filled("new"), "report.html")
    assert gone and read(out) == {"new"} and hidden(tmp_path) == []


def test_a_living_run_is_not_cleared(tmp_path: Path) -> None:
    out = tmp_path / "out"

    def fill(at: Path) -> None:
        filled("slow")(at)
        written.write_folder(out, filled("quick"), "report.html")
        assert at.exists() and read(out) == {"quick"}

    written.write_folder(out, fill, "report.html")
    assert read(out) == {"slow"} and hidden(tmp_path) == []


def test_hidden_things_of_the_user_stay(tmp_path: Path) -> None:
    for name in (".out-archive", ".out-abcdefgh", ".outer-driftmodel-x"):
        (tmp_path / name).mkdir()
        (tmp_path / name / "old").write_text("mine")
    (tmp_path / ".out-driftmodel-linked").symlink_to(tmp_path / ".out-archive")
    (tmp_path / ".out-driftmodel-of-mine").mkdir()
    (tmp_path / ".out-driftmodel-of-mine" / "x").write_text("mine")
    there = sorted(tmp_path.rglob("*"))
    written.write_folder(tmp_path / "out", filled("x"), "report.html")
    assert [path for path in there if not path.exists()] == []


def test_what_the_user_adds_meanwhile_stays(tmp_path: Path) -> None:
    out = tmp_path / "out"
    written.write_folder(out, filled("old"), "report.html", {"rejects.csv"})
    (out / "rejects.csv").write_text("of the old run")

    def fill(at: Path) -> None:
        filled("new")(at)
        (out / "added.txt").write_text("mine")

    written.write_folder(out, fill, "report.html", {"rejects.csv"})
    assert (out / "added.txt").read_text() == "mine" and not (out / "rejects.csv").exists()


def test_a_full_disk_changes_nothing(tmp_path: Path) -> None:
    """A limit on the size of files stands for the full disk: the same failing write(2)."""
    out = tmp_path / "out"
    folder.write_whole(out, filled("old"))
    (out / "notes.txt").write_text("mine")
    before = resource.getrlimit(resource.RLIMIT_FSIZE)
    resource.setrlimit(resource.RLIMIT_FSIZE, (5000, before[1]))
    try:
        with pytest.raises(BadInput, match=r"cannot be written .*Mend: --out my-report"):
            folder.write_whole(out, filled("x" * 9000))
        with pytest.raises(BadInput, match="cannot be written"):
            folder.write_whole(tmp_path / "fresh", filled("x" * 9000))
        with pytest.raises(BadInput, match="cannot be written"):
            folder.write_files(out, {"notes.txt": b"x" * 9000})
    finally:
        resource.setrlimit(resource.RLIMIT_FSIZE, before)
    assert read(out) == {"old"} and (out / "notes.txt").read_text() == "mine"
    assert hidden(tmp_path) == [] and not (tmp_path / "fresh").exists()


def test_an_error_in_the_filler_changes_nothing(tmp_path: Path) -> None:
    def fails(at: Path) -> None:
        filled("half")(at)
        raise KeyboardInterrupt

    folder.write_whole(tmp_path / "out", filled("old"))
    with pytest.raises(KeyboardInterrupt):
        folder.write_whole(tmp_path / "out", fails)
    assert read(tmp_path / "out") == {"old"} and hidden(tmp_path) == []


def test_a_mount_point_is_written_into(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A folder that cannot be renamed keeps its inode; its page comes last."""
    out = tmp_path / "out"
    (out / "lost+found").mkdir(parents=True)
    monkeypatch.setattr(os.path, "ismount", lambda path: Path(path) == out)
    inode = out.stat().st_ino
    folder.write_whole(out, filled("one"))
    (out / "notes.txt").write_text("mine")
    folder.write_whole(out, filled("two"))
    assert out.stat().st_ino == inode and read(out) == {"two"} and hidden(tmp_path) == []
    assert (out / "notes.txt").read_text() == "mine"
    monkeypatch.setattr(os.path, "ismount", lambda path: Path(path) == out / "kept")
    (out / "kept").mkdir()
    folder.write_whole(out, filled("three"))
    assert out.stat().st_ino == inode and read(out) == {"three"}


@pytest.mark.parametrize("name", ["x" * 300, "a\0b"])
def test_names_no_file_system_takes(name: str, tmp_path: Path) -> None:
    for write in (
        lambda out: folder.write_whole(out, filled("x")),
        lambda out: folder.write_files(out, {"a.txt": "x"}),
    ):
        with pytest.raises(BadInput, match="cannot be written"):
            write(tmp_path / name)


def test_long_names_that_it_takes(tmp_path: Path) -> None:
    out = tmp_path / ("é" * 120)
    folder.write_whole(out, filled("x"))
    folder.write_whole(out, filled("y"))
    folder.write_files(out, {"ü" * 120: "x"})
    assert read(out) == {"y"} and hidden(tmp_path) == []


def test_modes_are_those_of_plain_files(tmp_path: Path) -> None:
    out, plain = tmp_path / "out", tmp_path / "plain"
    plain.mkdir()
    (plain / "file").write_text("x")
    folder.write_whole(out, filled("x"))
    folder.write_files(tmp_path, {"single.txt": "x"})
    assert out.stat().st_mode == plain.stat().st_mode
    assert (tmp_path / "single.txt").stat().st_mode == (plain / "file").stat().st_mode
    out.chmod(0o2775)
    folder.write_whole(out, filled("y"))
    assert out.stat().st_mode & 0o7777 == 0o2775


def test_a_write_that_fails_leaves_nothing(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def full(*_: Any) -> None:
        raise OSError("no space")

    written.write_file(tmp_path / "a", b"old")
    monkeypatch.setattr(os, "replace", full)
    with pytest.raises(OSError):
        written.write_file(tmp_path / "a", b"new")
    assert [file.name for file in tmp_path.iterdir()] == ["a"] and (tmp_path / "a").read_bytes() == b"old"


def test_half_written_files_of_a_cache_are_cleared(tmp_path: Path) -> None:
    """Those of killed runs, anywhere below; not one that is being written, nor a file that only looks alike."""
    room = tmp_path / "room"
    room.mkdir()
    for step in range(12):
        killed_before(step, lambda: written.write_file(room / "a.npz", b"x" * 9000, lasting=False))
    assert hidden(tmp_path), "no kill left anything"
    handle, part = written._hidden_file(room / "b.npz")
    (room / ".b-driftmodel-longer-than-ours").write_bytes(b"")
    written.clear_parts(tmp_path)
    assert hidden(tmp_path) == sorted([Path(part).name, ".b-driftmodel-longer-than-ours"])
    os.close(handle)
    written.clear_parts(tmp_path)
    assert hidden(tmp_path) == [".b-driftmodel-longer-than-ours"]
