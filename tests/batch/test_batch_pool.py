"""Processes that may die without taking the run with them."""

from __future__ import annotations

import errno
import subprocess
import sys
import threading
import time
from collections.abc import Callable, Iterator
from concurrent.futures import Executor, ThreadPoolExecutor
from itertools import count
from pathlib import Path

import pytest

from clawvision.executors import Limits, OutOfMemory, ProcessExecutor, TookTooLong, processes
from clawvision.pool import Crashed, run_tasks
from tests.batch import functions


def test_results_come_with_their_index() -> None:
    assert dict(run_tasks(functions.square, range(20), 2)) == {n: n * n for n in range(20)}


def test_no_tasks_need_no_process() -> None:
    assert list(run_tasks(functions.square, [], 4)) == []


def test_a_dying_process_costs_its_task_alone() -> None:
    results = dict(run_tasks(functions.dies_at_three, range(6), 1))
    assert results == {0: 0, 1: 1, 2: 2, 3: Crashed("its process ended with status 7"), 4: 4, 5: 5}


def test_an_exception_ends_the_run() -> None:
    with pytest.raises(KeyError, match="three"):
        list(run_tasks(functions.raises_at_three, range(6), 1))


def test_processes_that_do_not_start_are_not_the_tasks_fault(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(processes, "_BOOTSTRAP", "raise SystemExit(4)")
    with pytest.raises(RuntimeError, match="could not be started: its process ended with status 4"):
        list(run_tasks(functions.square, range(6), 2))


def test_a_system_that_has_no_room_for_a_process_is_asked_once_more(monkeypatch: pytest.MonkeyPatch) -> None:
    real, refused = subprocess.Popen, iter([True, False, True, True])

    def popen(*args: object, **keywords: object) -> subprocess.Popen[bytes]:
        if next(refused):
            raise BlockingIOError(errno.EAGAIN, "too many processes")
        return real(*args, **keywords)  # type: ignore[call-overload, no-any-return]

    monkeypatch.setattr(processes.subprocess, "Popen", popen)
    assert dict(run_tasks(functions.square, range(3), 1)) == {0: 0, 1: 1, 2: 4}
    with pytest.raises(RuntimeError, match="could not be started: too many processes"):
        list(run_tasks(functions.square, range(3), 1))


def test_a_process_killed_as_it_begins_is_started_once_more(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    mark = tmp_path / "begun"
    first = f"import os, pathlib, sys; mark = pathlib.Path({str(mark)!r})"
    dies = "mark.exists() or (mark.touch(), os._exit(4))"
    monkeypatch.setattr(processes, "_BOOTSTRAP", f"{first}; {dies}; {processes._BOOTSTRAP}")
    assert dict(run_tasks(functions.square, range(3), 1)) == {0: 0, 1: 1, 2: 4}
    assert mark.exists()


def test_an_abandoned_run_leaves_no_process(monkeypatch: pytest.MonkeyPatch) -> None:
    started: list[subprocess.Popen[bytes]] = []
    real = subprocess.Popen

    def popen(*args: object, **keywords: object) -> subprocess.Popen[bytes]:
        started.append(real(*args, **keywords))  # type: ignore[call-overload]
        return started[-1]

    monkeypatch.setattr(processes.subprocess, "Popen", popen)
    results = run_tasks(functions.sleeps_after_one, range(4), 2)
    begun = time.monotonic()
    next(results)
    results.close()
    assert time.monotonic() - begun < 20
    assert len(started) == 2
    assert all(process.poll() is not None for process in started)


def test_processes_are_replaced(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(processes, "TASKS_PER_PROCESS", 2)
    assert len({pid for _, pid in run_tasks(functions.own_pid, range(4), 1)}) == 2


def test_each_process_uses_one_thread() -> None:
    assert dict(run_tasks(functions.opencv_threads, [0], 1)) == {0: 1}


def test_a_script_without_a_main_guard_may_use_it(tmp_path: Path) -> None:
    script = tmp_path / "script.py"
    script.write_text(
        "from clawvision.pool import run_tasks\nfrom tests.batch import functions\n"
        "print(sorted(run_tasks(functions.square, [1, 2], 2)))\n"
    )
    root = Path(__file__).parents[2]
    done = subprocess.run(
        [sys.executable, str(script)], capture_output=True, text=True, env={"PYTHONPATH": str(root)}, check=True
    )
    assert done.stdout == "[(0, 1), (1, 4)]\n"


def test_tasks_are_taken_as_they_are_needed() -> None:
    taken = []

    def endless() -> Iterator[int]:
        for number in count():
            taken.append(number)
            yield number

    results = run_tasks(functions.square, endless(), 2)
    for seen, (index, result) in enumerate(results, 1):
        assert result == index * index
        assert len(taken) <= seen + 4 * 2
        if seen == 50:
            break
    results.close()


def test_a_crash_among_many_does_not_hold_up_the_others() -> None:
    results = list(run_tasks(functions.dies_at_three, iter(range(30)), 2))
    assert results[-1] == (3, Crashed("its process ended with status 7"))
    assert sorted(index for index, _ in results) == list(range(30))


@pytest.mark.parametrize("executor", [ThreadPoolExecutor, ProcessExecutor])
def test_any_executor_will_do_and_is_left_open(executor: Callable[[int], Executor]) -> None:
    with executor(2) as given:
        for _ in range(2):
            assert dict(run_tasks(functions.square, range(9), 2, executor=given)) == {n: n * n for n in range(9)}


def test_what_waits_is_cancelled_when_the_run_is_abandoned() -> None:
    with ThreadPoolExecutor(1) as given:
        release = threading.Event()
        done: list[int] = []

        def work(number: int) -> None:
            if number:
                release.wait(10)
            done.append(number)

        results = run_tasks(work, range(5), 1, executor=given)
        next(results)
        results.close()
        release.set()
    assert done in ([0], [0, 1]), "the one in work may end, the others do not begin"


def test_one_that_takes_too_long_is_ended_alone_and_not_tried_again() -> None:
    begun = time.monotonic()
    with ProcessExecutor(2, Limits(seconds=4.0)) as given:
        results = dict(run_tasks(functions.sleeps_at_three, range(6), 2, executor=given))
    assert results == {0: 0, 1: 1, 2: 2, 3: TookTooLong("it took longer than 4 s"), 4: 4, 5: 5}
    assert time.monotonic() - begun < 20


@pytest.mark.skipif(sys.platform != "linux", reason="only Linux keeps a process to its memory")
def test_one_that_takes_too_much_memory_is_lost_alone() -> None:
    with ProcessExecutor(1, Limits(memory_bytes=10**9)) as given:
        results = dict(run_tasks(functions.takes_gigabytes, [0, 2, 0], 1, executor=given))
    assert results == {0: 0, 1: OutOfMemory("it ran out of memory"), 2: 0}


class TestExecutor:
    """What `concurrent.futures` promises of any executor."""

    def test_a_future_has_the_calls_result_or_exception(self) -> None:
        with ProcessExecutor(1) as executor:
            assert executor.submit(functions.square, 3).result(30) == 9
            assert executor.submit(functions.square, number=4).result(30) == 16
            with pytest.raises(KeyError, match="three"):
                executor.submit(functions.raises_at_three, 3).result(30)
            with pytest.raises(Crashed, match="status 7"):
                executor.submit(functions.dies_at_three, 3).result(30)
            with pytest.raises(RuntimeError, match="Local: odd"):
                executor.submit(functions.fails_oddly, 3).result(30)
            assert list(executor.map(functions.square, range(5))) == [0, 1, 4, 9, 16]
        with pytest.raises(RuntimeError, match="stopped"):
            executor.submit(functions.square, 3)

    def test_shutting_down_ends_what_was_given_unless_it_is_cancelled(self) -> None:
        executor = ProcessExecutor(1)
        futures = [executor.submit(functions.square, n) for n in range(3)]
        executor.shutdown()
        assert [future.result() for future in futures] == [0, 1, 4]
        executor = ProcessExecutor(1)
        futures = [executor.submit(functions.square, n) for n in range(5)]
        executor.shutdown(cancel_futures=True)
        assert all(future.done() for future in futures)
        assert futures[-1].cancelled()

    def test_processes_are_started_as_they_are_needed_and_end_when_idle(self) -> None:
        with ProcessExecutor(4, idle_s=0.2) as executor:
            first = executor.submit(functions.own_pid, 0).result(30)
            assert executor.submit(functions.own_pid, 0).result(30) == first
            deadline = time.monotonic() + 20
            while executor._children:
                assert time.monotonic() < deadline
                time.sleep(0.05)
            assert executor.submit(functions.own_pid, 0).result(30) != first
