"""Work in pieces that know nothing of each other: on one process, on workers of this machine, or on a scheduler
anywhere; the numbers a worker read are noted here."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass
from importlib import import_module
from pathlib import Path
from typing import Any

from driftmodel.base.errors import BadInput
from driftmodel.base.materials import Numbers, note_all, recording

Progress = Callable[[int, int], None]


@dataclass(frozen=True)
class Crew:
    """Who does the work. workers: processes of this machine, 1 for this one alone. scheduler: address of a running
    dask scheduler, in place of own workers. folder: where finished cells are kept, None to keep none."""

    workers: int = 1
    scheduler: str | None = None
    folder: Path | None = None


def each(work: Callable[[list[Any]], list[Any]], groups: list[tuple[int, list[Any]]], crew: Crew) -> Iterator[Any]:
    """(number, result) of every job as it is done, by a crew. groups: number of the first job, and jobs that one worker
    does together; work: a function of the module level, from jobs to their results.

    Raises BadInput when the scheduler does not answer, or workers are asked for and dask is not installed.
    """
    if crew.workers == 1 and crew.scheduler is None:
        for first, jobs in groups:
            for place, job in enumerate(jobs):
                yield first + place, work([job])[0]
        return
    with _client(crew) as client:
        as_completed: Any = import_module("distributed").as_completed
        futures = {client.submit(_noted, work, jobs, pure=False, retries=3): first for first, jobs in groups}
        for future in as_completed(list(futures), loop=client.loop):
            first = futures.pop(future)
            results, numbers = future.result()
            note_all(numbers)
            for place, found in enumerate(results):
                yield first + place, found
            future.release()


def _noted(work: Callable[[list[Any]], list[Any]], jobs: list[Any]) -> tuple[list[Any], Numbers]:
    """The results of a worker's jobs, and the numbers it read for them."""
    with recording() as numbers:
        return work(jobs), numbers


def _client(crew: Crew) -> Any:
    try:
        distributed: Any = import_module("distributed")
    except ImportError:
        raise BadInput(
            "workers are asked for, and dask is not installed",
            "the optional part `scale`",
            mend='pip install "driftmodel[scale]", or leave out --workers and --scheduler',
        ) from None
    if crew.scheduler is None:
        return distributed.Client(
            n_workers=crew.workers,
            threads_per_worker=1,
            processes=True,
            dashboard_address=":0",
            set_as_default=False,
        )
    try:
        return distributed.Client(crew.scheduler, timeout=10, set_as_default=False)
    except (OSError, TimeoutError, ValueError) as fault:
        raise BadInput(
            f"no scheduler answers at {crew.scheduler} ({type(fault).__name__})",
            "the address of a running dask scheduler",
            place="--scheduler",
            mend="start one with `dask scheduler` and give the address it prints, such as tcp://127.0.0.1:8786",
        ) from None


def in_order(results: Iterator[tuple[int, Any]]) -> Iterator[tuple[int, Any]]:
    """The same results by rising index, each as soon as those before it are there."""
    waiting: dict[int, Any] = {}
    turn = 0
    for index, found in results:
        waiting[index] = found
        while turn in waiting:
            yield turn, waiting.pop(turn)
            turn += 1
