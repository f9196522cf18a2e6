"""Runs a function on many tasks with an executor, a bounded number at a time."""

from __future__ import annotations

import sys
from collections.abc import Callable, Generator, Iterable
from concurrent.futures import FIRST_COMPLETED, Executor, Future, wait
from itertools import islice
from typing import TypeVar

from clawvision.executors import Crashed, OutOfMemory, ProcessExecutor

__all__ = ["Crashed", "run_tasks"]

T = TypeVar("T")
R = TypeVar("R")

_IN_FLIGHT = 4
"""Tasks that are taken from the iterable for each job, so that none has to wait for the next."""


def run_tasks(
    function: Callable[[T], R], tasks: Iterable[T], jobs: int, *, executor: Executor | None = None
) -> Generator[tuple[int, R | Crashed], None, None]:
    """Run ``function`` on each task; yield index and result as each is done.

    Tasks are taken as they are needed, never more than a few for each job ahead of what was yielded. One whose
    process dies or runs out of memory is tried once more when all others are done, alone, since it may have failed
    for want of memory only. One that takes too long is not: it would again.

    Parameters
    ----------
    function
        Importable by name in a fresh process, as `pickle` asks; so are tasks and results.
    tasks
        Worked on in this order, which is not the order of the results.
    jobs
        How many are worked on at the same time, at least 1.
    executor
        Any executor of the interface of `concurrent.futures`, which is left open; by default ``jobs`` processes.

    Raises
    ------
    RuntimeError
        If a process cannot even be started.
    Exception
        Whatever the function raises ends the run. What waits is cancelled and own processes are stopped on every
        way out.
    """
    own = None if executor is not None else ProcessExecutor(jobs)
    again: list[tuple[int, T]] = []
    try:
        work = executor or own
        assert work is not None
        for index, task, result in _results(work, function, enumerate(tasks), jobs * _IN_FLIGHT):
            if isinstance(result, Crashed) and result.again:
                again.append((index, task))
            else:
                yield index, result
        for index, _, result in _results(work, function, sorted(again, key=lambda each: each[0]), 1):
            yield index, result
    finally:
        if own is not None:
            own.terminate_workers()


def _results(
    executor: Executor, function: Callable[[T], R], tasks: Iterable[tuple[int, T]], in_flight: int
) -> Generator[tuple[int, T, R | Crashed], None, None]:
    waiting = iter(tasks)
    running: dict[Future[R], tuple[int, T]] = {}
    try:
        while True:
            for index, task in islice(waiting, in_flight - len(running)):
                running[executor.submit(function, task)] = (index, task)
            if not running:
                return
            # In short waits, because a long one cannot be interrupted on every system.
            for future in wait(running, timeout=0.5, return_when=FIRST_COMPLETED).done:
                index, task = running.pop(future)
                result = _result(future)
                yield index, task, result
    finally:
        for future in running:
            future.cancel()


def _result(future: Future[R]) -> R | Crashed:
    try:
        return future.result()
    except Crashed as crashed:
        return crashed
    except MemoryError:
        return OutOfMemory("it ran out of memory")
    except Exception as error:
        if _is_of_killed_worker(error):
            return Crashed("every worker of the cluster that took it on was lost")
        raise


def _is_of_killed_worker(error: Exception) -> bool:
    """Tell what Dask raises for a task whose workers died; without Dask nothing can be that."""
    distributed = sys.modules.get("distributed")
    return distributed is not None and isinstance(error, distributed.KilledWorker)
