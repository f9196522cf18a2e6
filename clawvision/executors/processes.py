"""Child processes behind the interface of `concurrent.futures`, so that one that crashes costs only its task.

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
from collections.abc import Callable
from concurrent.futures import BrokenExecutor, Executor, Future
from contextlib import suppress
from dataclasses import dataclass
from types import TracebackType
from typing import Any, ParamSpec, TypeVar

from clawvision.executors.lost import Crashed, TookTooLong

P = ParamSpec("P")
T = TypeVar("T")

TASKS_PER_PROCESS = 200
"""After so many tasks a process is replaced, which bounds what a leak can take."""

_BOOTSTRAP = "import sys; sys.path[:] = sys.argv[1:]; from clawvision.pool_child import main; main()"
_ONE_THREAD = {
    name: "1" for name in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS", "OPENCV_FOR_THREADS_NUM")
}


@dataclass(frozen=True, slots=True)
class Limits:
    """What one call may take before it is given up; None for no limit.

    A photo takes about a second, one of 120 million pixels 7 s and 1.4 GB of address space (measured on two slow
    cores), so that only what went wrong reaches these.
    """

    seconds: float | None = 120.0
    memory_bytes: int | None = 4_000_000_000
    """Address space of a process, which includes that of the libraries. Linux keeps to it, Windows and macOS do not."""


@dataclass(frozen=True, slots=True)
class _Work:
    future: Future[Any]
    call: bytes


class ProcessExecutor(Executor):
    """Works on calls in child processes of its own, each with one thread.

    A call whose process dies fails with `Crashed`, one that takes too long with `TookTooLong`, and one that runs out
    of memory with `MemoryError`; its process is replaced and the other calls go on. What is called, and what it
    returns or raises, must be importable by name in a fresh process, as `pickle` asks. A process that cannot even be
    started, twice, fails its call with `concurrent.futures.BrokenExecutor`.

    Parameters
    ----------
    max_workers
        Number of processes, at least 1. They are started as they are needed.
    limits
        What one call may take.
    idle_s
        After so long without a call a process is ended, to be started anew for the next; None to keep it.
    folder
        The folder that the processes work in; where this process does if None.
    """

    def __init__(
        self, max_workers: int, limits: Limits | None = None, *, idle_s: float | None = None, folder: str | None = None
    ) -> None:
        if max_workers < 1:
            raise ValueError(f"{max_workers} processes cannot do anything")
        self._max_workers = max_workers
        self._limits = limits or Limits()
        self._idle_s = idle_s
        self._folder = folder
        self._queue: queue.SimpleQueue[_Work | None] = queue.SimpleQueue()
        self._idle = threading.Semaphore(0)
        self._lock = threading.Lock()
        self._closed = False
        self._stopping = False
        self._children: set[_Child] = set()
        self._threads: list[threading.Thread] = []

    def submit(self, fn: Callable[P, T], /, *args: P.args, **kwargs: P.kwargs) -> Future[T]:
        """Have ``fn(*args, **kwargs)`` called in one of the processes. See `concurrent.futures.Executor.submit`."""
        work = _Work(Future(), pickle.dumps((fn, args, kwargs)))
        with self._lock:
            if self._closed:
                raise RuntimeError("the processes were stopped; nothing more can be given to them")
            self._queue.put(work)
            if not self._idle.acquire(blocking=False) and len(self._threads) < self._max_workers:
                thread = threading.Thread(target=self._serve, daemon=True)
                self._threads.append(thread)
                thread.start()
        return work.future

    def shutdown(self, wait: bool = True, *, cancel_futures: bool = False) -> None:
        """Take no more calls. See `concurrent.futures.Executor.shutdown`."""
        with self._lock:
            self._closed = True
            if cancel_futures:
                self._cancel()
            self._queue.put(None)
        if wait:
            for thread in self._threads:
                thread.join()

    def terminate_workers(self) -> None:
        """Stop at once: cancel what waits, end the processes in the midst of their work, and wait for them."""
        with self._lock:
            self._stopping = True
            for child in self._children:
                child.kill()
        self.shutdown(cancel_futures=True)

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        """End as `shutdown` does, or at once where an error leaves the block."""
        if kind is None:
            self.shutdown()
        else:
            self.terminate_workers()

    def _cancel(self) -> None:
        with suppress(queue.Empty):
            while True:
                work = self._queue.get_nowait()
                if work is not None:
                    work.future.cancel()

    def _serve(self) -> None:
        """Feed one process at a time until nothing is left to do."""
        child: _Child | None = None
        while True:
            try:
                work = self._queue.get(timeout=None if child is None else self._idle_s)
            except queue.Empty:
                assert child is not None
                self._end(child)
                child = None
                continue
            if work is None:
                break
            if work.future.set_running_or_notify_cancel():
                child = self._work(work, child)
            self._idle.release()
        self._queue.put(None)  # for the next thread
        if child is not None:
            self._end(child)

    def _work(self, work: _Work, child: _Child | None) -> _Child | None:
        """Answer one call, and return the process for the next if it can go on."""
        worn = True
        result: Any = None
        error: BaseException | None = None
        try:
            child = child or self._start()
            result = child.work(work.call, self._limits.seconds)
            worn = not child.alive or child.worked >= TASKS_PER_PROCESS
        except BaseException as raised:  # the call's own, most of all
            error = raised
            worn = child is not None and (not child.alive or isinstance(raised, MemoryError))
        if child is not None and worn:
            self._end(child)
            child = None
        if error is None:
            work.future.set_result(result)
        else:
            work.future.set_exception(error)
        return child

    def _start(self) -> _Child:
        try:
            child = _Child(self._limits.memory_bytes, self._folder)
        except BrokenExecutor:
            if self._stopping:
                raise
            # What ended it as it began, such as a want of memory, may be over.
            child = _Child(self._limits.memory_bytes, self._folder)
        with self._lock:
            self._children.add(child)
            if self._stopping:
                child.kill()
        return child

    def _end(self, child: _Child) -> None:
        child.end()
        with self._lock:
            self._children.discard(child)


class _Child:
    """One process: takes a call at a time and answers it."""

    def __init__(self, memory_bytes: int | None, folder: str | None) -> None:
        paths = [os.path.abspath(path) for path in sys.path]  # noqa: PTH100 - also for the empty path, the folder here
        try:
            self._process = subprocess.Popen(
                [sys.executable, "-P", "-c", _BOOTSTRAP, *paths],
                stdin=subprocess.PIPE,
                stdout=subprocess.PIPE,
                env={**os.environ, **_ONE_THREAD},
                cwd=folder,
            )
        except OSError as error:  # such as no memory for another, or too many
            raise _not_started(error.strerror or str(error)) from None
        self.worked = 0
        self.alive = True
        try:
            self._say(memory_bytes)
            self._hear()
        except (OSError, EOFError, pickle.UnpicklingError):
            why = self._why()
            self.end()
            raise _not_started(why) from None

    def work(self, call: bytes, seconds: float | None) -> Any:
        """Return what the call returns, or raise what it raises; ``Crashed`` if the process did not answer."""
        self.worked += 1
        alarm = _Alarm(self._process, seconds)
        try:
            self._say(call)
            answer = self._hear()
        except (OSError, EOFError, pickle.UnpicklingError):
            why = self._why()
            if alarm.off():
                raise TookTooLong(f"it took longer than {seconds:g} s") from None
            raise Crashed(why) from None
        if alarm.off():  # between the answer and now
            self.alive = False
        returned, value = pickle.loads(answer)
        if returned:
            return value
        raise value

    def _say(self, message: object) -> None:
        assert self._process.stdin is not None
        self._process.stdin.write(pickle.dumps(message))
        self._process.stdin.flush()

    def _hear(self) -> Any:
        assert self._process.stdout is not None
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
        self.alive = False
        self._process.kill()  # it may still run, having closed or garbled its pipe
        status = self._process.wait()
        if status >= 0:
            return f"its process ended with status {status}"
        return f"its process ended with signal {-status}"


def _not_started(why: str) -> BrokenExecutor:
    return BrokenExecutor(f"a process for the photos could not be started: {why}")


class _Alarm:
    """Ends a process when its time is over."""

    def __init__(self, process: subprocess.Popen[bytes], seconds: float | None) -> None:
        self._process = process
        self._lock = threading.Lock()
        self._rang = self._is_off = False
        self._timer = None if seconds is None else threading.Timer(seconds, self._ring)
        if self._timer is not None:
            self._timer.daemon = True
            self._timer.start()

    def _ring(self) -> None:
        with self._lock:
            if not self._is_off:
                self._rang = True
                self._process.kill()

    def off(self) -> bool:
        """Return whether it rang; from now on it will not."""
        with self._lock:
            self._is_off = True
        if self._timer is not None:
            self._timer.cancel()
        return self._rang
