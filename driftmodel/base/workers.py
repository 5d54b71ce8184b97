"""Work in pieces that know nothing of each other: on one process, on workers of this machine, or on a scheduler
anywhere; the numbers a worker read are noted here."""

from __future__ import annotations

import os
from collections import deque
from collections.abc import Callable, Hashable, Iterator, Sequence
from dataclasses import dataclass
from importlib import import_module
from itertools import pairwise
from pathlib import Path
from typing import Any

from driftmodel.base.errors import Spot, refusal
from driftmodel.base.materials import Numbers, note_all, recording

Progress = Callable[[int, int], None]
MOST_ENDED = 3  # processes of a run that the system may end


@dataclass(frozen=True)
class Crew:
    """Who does the work. workers: processes of this machine, 1 for this one alone. scheduler: address of a running
    dask scheduler, in place of own workers. folder: where finished cells are kept, None to keep none."""

    workers: int = 1
    scheduler: str | None = None
    folder: Path | None = None


def each(work: Callable[[list[Any]], list[Any]], groups: list[tuple[int, list[Any]]], crew: Crew) -> Iterator[Any]:
    """(number, result) of every job as it is done, by a crew. groups: number of the first job, and jobs that one worker
    does together; neighbours are best done by one worker too. work: a function of the module level, from jobs to
    their results.

    Raises BadInput when the scheduler does not answer or dask is not installed, or worker after worker ends."""
    if crew.scheduler is None and crew.workers == 1:
        for first, jobs in groups:
            for place, job in enumerate(jobs):
                yield first + place, work([job])[0]
        return
    apart = _by_processes(work, groups, crew.workers) if crew.scheduler is None else _by_dask(work, groups, crew)
    for first, (results, numbers) in apart:
        note_all(numbers)
        yield from enumerate(results, start=first)


Apart = Iterator[tuple[int, tuple[list[Any], Numbers]]]


def _by_processes(work: Callable[[list[Any]], list[Any]], groups: list[tuple[int, list[Any]]], workers: int) -> Apart:
    """Each process goes on from where it is, so that neighbours stay together, and then from the middle of the longest
    stretch that none has begun. A process that the system ends is started anew."""
    from concurrent.futures import FIRST_COMPLETED, Future, ProcessPoolExecutor, wait
    from concurrent.futures.process import BrokenProcessPool
    from multiprocessing import get_context

    left, ended = list(range(len(groups))), 0
    crew: list[ProcessPoolExecutor | None] = [None] * min(workers, len(groups))
    at: dict[Future[Any], tuple[int, int]] = {}  # who is at which group

    def begin(who: int, group: int) -> None:
        own = crew[who] = crew[who] or ProcessPoolExecutor(1, get_context("spawn"), initializer=_alone)
        try:
            at[own.submit(_noted, work, groups[group][1])] = (who, group)
        except BrokenProcessPool:  # ended while it waited
            crew[who] = None
            begin(who, group)

    try:
        for who in range(len(crew)):
            begin(who, _next(left, -1 if not who else None))
        while at:
            for future in wait(at, return_when=FIRST_COMPLETED).done:
                who, group = at.pop(future)
                try:
                    found = future.result()
                except BrokenProcessPool:
                    ended, crew[who] = ended + 1, None
                    if ended > MOST_ENDED:
                        raise Spot(place="workers").refusal(
                            f"{ended} worker processes ended before their work was done. Needed: memory for all; in a "
                            'script of your own, the call below if __name__ == "__main__":. '
                            "Mend: leave out workers, or ask for fewer"
                        ) from None
                    begin(who, group)
                    continue
                if left:
                    begin(who, _next(left, group))
                yield groups[group][0], found
    finally:
        for pool in crew:
            if pool is not None:
                pool.shutdown(cancel_futures=True)


def _next(left: list[int], after: int | None) -> int:
    """Takes out of the groups left the one after, or the middle of the longest stretch."""
    if after is not None and after + 1 in left:
        at = left.index(after + 1)
    else:
        cuts = [0, *(place for place in range(1, len(left)) if left[place] != left[place - 1] + 1), len(left)]
        begin, end = max(pairwise(cuts), key=lambda stretch: stretch[1] - stretch[0])
        at = (begin + end) // 2
    return left.pop(at)


def _alone() -> None:
    """A worker has one core."""
    os.environ["OMP_NUM_THREADS"] = "1"


def _by_dask(work: Callable[[list[Any]], list[Any]], groups: list[tuple[int, list[Any]]], crew: Crew) -> Apart:
    with _client(crew) as client:
        as_completed: Any = import_module("distributed").as_completed
        futures = {client.submit(_noted, work, jobs, pure=False, retries=3): first for first, jobs in groups}
        for future in as_completed(list(futures), loop=client.loop):
            yield futures.pop(future), future.result()
            future.release()


def _noted(work: Callable[[list[Any]], list[Any]], jobs: list[Any]) -> tuple[list[Any], Numbers]:
    """The results of a worker's jobs, and the numbers it read for them."""
    with recording() as numbers:
        return work(jobs), numbers


def _client(crew: Crew) -> Any:
    try:
        distributed: Any = import_module("distributed")
    except ImportError:
        raise refusal(
            "a scheduler is named, and dask is not installed. Needed: the optional part `scale`. "
            'Mend: pip install "driftmodel[scale]", or use --workers in place of --scheduler'
        ) from None
    try:
        return distributed.Client(crew.scheduler, timeout=10, set_as_default=False)
    except (OSError, TimeoutError, ValueError) as fault:
        raise Spot(place="--scheduler").refusal(
            f"no scheduler answers at {crew.scheduler} ({type(fault).__name__}). Needed: the address of a running "
            "dask scheduler. "
            "Mend: start one with `dask scheduler` and give the address it prints, such as tcp://127.0.0.1:8786"
        ) from None


def in_order(results: Iterator[tuple[int, Any]], places: Sequence[Hashable]) -> Iterator[tuple[int, Any]]:
    """The same results, those of a place (of each index) by rising index, each as soon as those before it are there."""
    turns: dict[Hashable, deque[int]] = {}
    for index, place in enumerate(places):
        turns.setdefault(place, deque()).append(index)
    waiting: dict[int, Any] = {}
    for index, found in results:
        waiting[index] = found
        turn = turns[places[index]]
        while turn and turn[0] in waiting:
            yield turn[0], waiting.pop(turn.popleft())
