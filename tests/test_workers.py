"""Workers of this machine: what they are given, what comes back, and what is done when one of them is ended.

No outside reference values: cubes of numbers are what a worker makes.
"""

from __future__ import annotations

import os
import signal
from pathlib import Path

import pytest

from driftmodel.base import workers
from driftmodel.base.errors import BadInput
from driftmodel.base.workers import Crew, _next, each, in_order


def cubes_but(jobs: list[float]) -> list[float]:
    """Cubes of numbers; a worker that meets one below 0 for the first time is ended, and 13 is bad input."""
    for job in jobs:
        flag = Path(os.environ["FIRST_TIME"])
        if job < 0.0 and not flag.exists():
            flag.touch()
            os.kill(os.getpid(), signal.SIGKILL)
        if job == 13.0:
            raise BadInput("13", "another number", file="a", place="b", mend="12")
    return [job**3 for job in jobs]


def test_a_worker_that_is_ended_is_started_anew_and_bad_input_comes_through(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("FIRST_TIME", str(tmp_path / "once"))
    groups: list[tuple[int, list[float]]] = [(0, [1.0, 2.0]), (2, [-3.0]), (3, [4.0, 5.0]), (5, [6.0])]
    assert sorted(each(cubes_but, groups, Crew(2))) == list(enumerate([1.0, 8.0, -27.0, 64.0, 125.0, 216.0]))
    assert (tmp_path / "once").exists()
    with pytest.raises(BadInput) as told:
        list(each(cubes_but, [(0, [13.0])], Crew(2)))
    assert str(told.value) == str(BadInput("13", "another number", file="a", place="b", mend="12"))
    monkeypatch.setattr(workers, "MOST_ENDED", 0)
    (tmp_path / "once").unlink()
    with pytest.raises(BadInput, match="1 worker processes ended before their work was done"):
        list(each(cubes_but, [(0, [-3.0])], Crew(2)))


def test_neighbours_go_to_one_worker() -> None:
    """The first begins at the front, the next in the middle of what is left; who has none next to its own goes to the
    middle of the longest stretch."""
    left = list(range(10))
    assert [_next(left, after) for after in (-1, None, 0, 5, 6, 7, 8, 9, 1)] == [0, 5, 1, 6, 7, 8, 9, 3, 2]
    assert left == [4]


def test_results_of_a_place_come_in_order() -> None:
    came = [(3, "d"), (1, "b"), (0, "a"), (4, "e"), (2, "c")]
    assert [index for index, _ in in_order(iter(came), ["x", "y", "x", "y", "x"])] == [1, 3, 0, 2, 4]
