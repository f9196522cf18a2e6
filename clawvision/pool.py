"""Runs a function on many tasks in processes of their own, so that one that crashes costs only its task.

The standard library's pool gives up all of its tasks when one process dies, and starts the caller's script anew in
each process, which a notebook or an unguarded script does not survive. Here each process is a plain child
that reads its tasks from a pipe.
"""

from __future__ import annotations

import os
import pickle
import queue
import subprocess
import sys
import threading
from collections.abc import Callable, Generator, Iterable
from contextlib import suppress
from dataclasses import dataclass
from typing import Any, Generic, TypeVar

T = TypeVar("T")
R = TypeVar("R")

TASKS_PER_PROCESS = 200
"""After so many tasks a process is replaced, which bounds what a leak can take."""

_BOOTSTRAP = "import sys; sys.path[:] = sys.argv[1:]; from clawvision.pool_child import main; main()"
_ONE_THREAD = {
    name: "1" for name in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS", "OPENCV_FOR_THREADS_NUM")
}


@dataclass(frozen=True, slots=True)
class Crashed:
    """What became of a task whose process died, both times that it was tried."""

    detail: str


def run_tasks(
    function: Callable[[T], R], tasks: Iterable[T], jobs: int
) -> Generator[tuple[int, R | Crashed], None, None]:
    """Run ``function`` on each task in ``jobs`` processes; yield index and result as each is done.

    A task whose process dies or runs out of memory is tried once more when all others are done, alone, since
    it may have failed for want of memory only.

    Parameters
    ----------
    function
        Importable by name in a fresh process, as `pickle` asks; so are tasks and results.
    tasks
        Worked on in this order, which is not the order of the results. Each is taken when a process is free for it.
    jobs
        Number of processes, at least 1. Each uses one thread.

    Raises
    ------
    RuntimeError
        If a process cannot even be started.
    Exception
        Whatever the function raises ends the run. The processes are stopped on every way out.
    """
    again: list[tuple[int, T]] = []
    for index, task, result in _Pool[T, R](function, enumerate(tasks), jobs).results():
        if isinstance(result, Crashed):
            again.append((index, task))
        else:
            yield index, result
    again.sort(key=lambda pair: pair[0])
    for index, _, result in _Pool[T, R](function, again, 1).results():
        yield index, result


class _Pool(Generic[T, R]):
    def __init__(self, function: Callable[[T], R], tasks: Iterable[tuple[int, T]], jobs: int) -> None:
        self._function = pickle.dumps(function)
        self._tasks = iter(tasks)
        self._taking = threading.Lock()
        self._done: queue.SimpleQueue[tuple[int, T, R | Crashed] | BaseException | None] = queue.SimpleQueue()
        self._stopping = threading.Event()
        self._lock = threading.Lock()
        self._children: set[_Child] = set()
        self._threads = [threading.Thread(target=self._serve, daemon=True) for _ in range(jobs)]

    def results(self) -> Generator[tuple[int, T, R | Crashed], None, None]:
        for thread in self._threads:
            thread.start()
        serving = len(self._threads)
        try:
            while serving:
                done = self._next()
                if isinstance(done, BaseException):
                    raise done
                if done is None:
                    serving -= 1
                else:
                    yield done
        finally:
            self._stop()

    def _next(self) -> tuple[int, T, R | Crashed] | BaseException | None:
        while True:  # in short waits, because a long one cannot be interrupted on every system
            try:
                return self._done.get(timeout=0.5)
            except queue.Empty:
                continue

    def _stop(self) -> None:
        self._stopping.set()
        with self._lock:
            for child in self._children:
                child.kill()
        for thread in self._threads:
            thread.join()

    def _serve(self) -> None:
        """Feed one process at a time until no task is left."""
        child: _Child | None = None
        try:
            while not self._stopping.is_set():
                with self._taking:
                    pair = next(self._tasks, None)
                if pair is None:
                    break
                index, task = pair
                if child is None:
                    child = self._start()
                result = child.work(task)
                if isinstance(result, BaseException):
                    raise result
                if isinstance(result, Crashed) or child.worked >= TASKS_PER_PROCESS:
                    self._end(child)
                    child = None
                self._done.put((index, task, result))
            self._done.put(None)
        except BaseException as error:
            self._done.put(error)
        finally:
            if child is not None:
                self._end(child)

    def _start(self) -> _Child:
        child = _Child(self._function)
        with self._lock:
            self._children.add(child)
            if self._stopping.is_set():
                child.kill()
        return child

    def _end(self, child: _Child) -> None:
        child.end()
        with self._lock:
            self._children.discard(child)


class _Child:
    """One process: takes a task at a time and answers it."""

    def __init__(self, function: bytes) -> None:
        paths = [os.path.abspath(path) for path in sys.path]  # noqa: PTH100 - also for the empty path, the folder here
        self._process = subprocess.Popen(
            [sys.executable, "-P", "-c", _BOOTSTRAP, *paths],
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            env={**os.environ, **_ONE_THREAD},
        )
        self.worked = 0
        try:
            self._talk(function)
        except (OSError, EOFError, pickle.UnpicklingError):
            why = self._why()
            self.end()
            raise RuntimeError(f"a process for the photos could not be started: {why}") from None

    def work(self, task: Any) -> Any:
        """Return the function's result or the exception it raised, or ``Crashed``."""
        self.worked += 1
        try:
            return self._talk(pickle.dumps(task))
        except (OSError, EOFError, pickle.UnpicklingError):
            return Crashed(self._why())

    def _talk(self, message: bytes) -> Any:
        assert self._process.stdin is not None
        assert self._process.stdout is not None
        self._process.stdin.write(message)
        self._process.stdin.flush()
        return pickle.load(self._process.stdout)

    def kill(self) -> None:
        self._process.terminate()

    def end(self) -> None:
        """Let the process run out of tasks, and wait for it."""
        assert self._process.stdin is not None
        assert self._process.stdout is not None
        with suppress(OSError):  # what it had not read yet is lost with it
            self._process.stdin.close()
        self._process.stdout.close()
        self._process.wait()

    def _why(self) -> str:
        self._process.kill()  # it may still run, having closed or garbled its pipe
        status = self._process.wait()
        if status >= 0:
            return f"its process ended with status {status}"
        return f"its process ended with signal {-status}"
