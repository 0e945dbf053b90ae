"""Work over several processes, each with rigs of its own; results as they come."""

from __future__ import annotations

import multiprocessing
import os
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import ProcessPoolExecutor, as_completed
from typing import TypeVar

Task = TypeVar("Task")
Outcome = TypeVar("Outcome")


def in_processes(
    work: Callable[[Task], Outcome], tasks: Sequence[Task], processes: int | None = None
) -> Iterator[tuple[Task, Outcome]]:
    """Each task with its outcome, as they are done; with one process here, in their order.

    Without a number as many processes as there are CPUs.
    `work` and what it takes and gives must be fit to be pickled. New processes are started clean:
    a physics engine does not survive a fork.
    """
    if processes is None:
        processes = _cpus()
    if processes == 1:
        for task in tasks:
            yield task, work(task)
        return
    context = multiprocessing.get_context("spawn")
    with ProcessPoolExecutor(processes, mp_context=context) as pool:
        futures = {pool.submit(work, task): task for task in tasks}
        try:
            for done in as_completed(futures):
                yield futures[done], done.result()
        finally:
            pool.shutdown(wait=True, cancel_futures=True)


def _cpus() -> int:
    if hasattr(os, "sched_getaffinity"):
        return len(os.sched_getaffinity(0))
    return os.cpu_count() or 1
