"""What a cluster costs and brings: one and two Dask workers against plain processes, several rounds in turn.

Run with ``python -m tests.benchmarks.cluster [ROUNDS [TASKS [PHOTOS]]]``; it needs two idle cores and the extra
cluster. A task is a fixed amount of computing, about 0.3 s, so that the figures tell of handing out work and not of
disks. Then the sample photos, repeated, are assessed with plain processes and on the cluster, and both have to write
the same.

Times are compared within a round, since a machine that others use is not the same from one to the next; the median
of the ratios counts. Besides the time on the clock the time of the processor is told, which others disturb far less: of
this process, the scheduler, the workers and all of their children.
"""

from __future__ import annotations

import re
import shutil
import statistics
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable
from concurrent.futures import Executor
from dataclasses import dataclass
from pathlib import Path

import psutil  # Dask brings it

from clawvision.executors import ProcessExecutor
from clawvision.executors.cluster import ClusterExecutor, cluster_executor
from clawvision.pool import run_tasks
from tests.batch.functions import computes, square
from tests.batch.test_batch_cluster import Cluster

ROUNDS, TASKS, PHOTOS = 5, 40, 100
ROOT = Path(__file__).parents[2]


@dataclass(frozen=True, slots=True)
class Took:
    """Seconds on the clock and of the processor."""

    clock: float
    processor: float


def timed(executor: Executor, jobs: int, tasks: int) -> Took:
    """Return how long the tasks take. Two a job before them see to it that all processes are there."""
    list(run_tasks(computes, range(2 * jobs), jobs, executor=executor))
    start, used = time.perf_counter(), processor_s()
    results = dict(run_tasks(computes, range(tasks), jobs, executor=executor))
    took = Took(time.perf_counter() - start, processor_s() - used)
    assert len(results) == tasks
    return took


def processor_s() -> float:
    """Return the processor's time of this process and all that descend from it, those that have ended included."""
    me = psutil.Process()
    return sum(sum(process.cpu_times()[:4]) for process in (me, *me.children(recursive=True)))


def processes(jobs: int, tasks: int) -> Took:
    with ProcessExecutor(jobs) as executor:
        return timed(executor, jobs, tasks)


def on_workers(executor: ClusterExecutor, jobs: int, tasks: int) -> Took:
    """Time the tasks on so many of the two workers."""
    named = sorted(executor._client.nthreads())[:jobs]
    executor._inner = executor._client.get_executor(pure=False, workers=named)
    return timed(executor, jobs, tasks)


def handing_out(executor: ClusterExecutor, count: int = 300) -> None:
    """Print what tasks cost that are nothing but handed out, which is what there is to lose."""
    costs = []
    executor._inner = executor._client.get_executor(pure=False)
    with ProcessExecutor(2) as processes_:
        for name, way in (("processes", processes_), ("workers", executor)):
            list(run_tasks(square, range(8), 2, executor=way))
            used = processor_s()
            list(run_tasks(square, range(count), 2, executor=way))
            costs.append((processor_s() - used) / count)
            print(f"handing out one task to {name}: {1000 * costs[-1]:.2f} ms of the processor")
    print(f"of a task of 0.3 s the difference is {100 * (costs[1] - costs[0]) / 0.3:.1f} %", flush=True)


def rounds(executor: ClusterExecutor, count: int, tasks: int) -> None:
    ways: dict[str, Callable[[], Took]] = {
        "1 process": lambda: processes(1, tasks),
        "1 worker": lambda: on_workers(executor, 1, tasks),
        "2 processes": lambda: processes(2, tasks),
        "2 workers": lambda: on_workers(executor, 2, tasks),
    }
    start = time.process_time()
    computes(0)
    print(f"a task: {time.process_time() - start:.2f} s of the processor; {tasks} tasks a time")
    all_took: dict[str, list[Took]] = {name: [] for name in ways}
    for number in range(count):
        order = list(ways.items())
        for name, way in order if number % 2 == 0 else reversed(order):
            all_took[name].append(way())
        shown = (f"{name} {took[-1].clock:.1f} ({took[-1].processor:.1f})" for name, took in all_took.items())
        print(f"round {number + 1}, s on the clock (of the processor):", ", ".join(shown), flush=True)
    for one, two in (("1 worker", "2 workers"), ("1 process", "2 processes")):
        times = [a.clock / b.clock for a, b in zip(all_took[one], all_took[two], strict=True)]
        print(f"{two} against {one}: {statistics.median(times):.2f} times as fast ({told(times)})")
    for one, two in (("1 worker", "1 process"), ("2 workers", "2 processes")):
        for what in ("clock", "processor"):
            pairs = zip(all_took[one], all_took[two], strict=True)
            more = [100 * (getattr(a, what) / getattr(b, what) - 1) for a, b in pairs]
            print(f"{one} against {two}, {what}: {statistics.median(more):+.1f} % ({told(more)})")


def told(values: list[float]) -> str:
    return ", ".join(f"{value:.2f}" for value in values)


def photos(address: str, folder: Path, count: int) -> None:
    """Assess the sample photos, repeated, in both ways, and compare what is written."""
    herd = folder / "herd"
    herd.mkdir()
    samples = sorted((ROOT / "sample_images").glob("*.jpg"))
    for number in range(count):
        sample = samples[number % len(samples)]
        shutil.copy(sample, herd / f"{number:03}.jpg")
        drawn = sample.with_suffix(".outline.json")
        if drawn.exists():
            shutil.copy(drawn, herd / f"{number:03}.outline.json")
    for name, options in (("plain", ["--jobs", "2"]), ("cluster", ["--cluster", address])):
        start = time.perf_counter()
        command = [sys.executable, "-m", "clawvision", "assess", str(herd), "--out", str(folder / name), "--quiet"]
        status = subprocess.run([*command, *options], check=False).returncode
        print(f"{count} photos, {name}: {time.perf_counter() - start:.1f} s, exit status {status}", flush=True)
    print("the same output:", written(folder / "plain") == written(folder / "cluster"))


def written(out: Path) -> dict[str, bytes]:
    """Return everything written, less the times of the run."""
    return {
        str(path.relative_to(out)): re.sub(rb'"(started|finished)": "[^"]*"', b"", path.read_bytes())
        for path in out.rglob("*")
        if path.is_file()
    }


def main() -> None:
    """Print the figures."""
    given = [int(word) for word in sys.argv[1:]]
    count, tasks, number = (*given, *(ROUNDS, TASKS, PHOTOS)[len(given) :])
    with tempfile.TemporaryDirectory() as temporary:
        folder = Path(temporary)
        cluster = Cluster(folder)
        try:
            for _ in range(2):
                cluster.work("--no-nanny")
            with cluster_executor(cluster.address) as executor:
                executor._client.wait_for_workers(2, timeout=60)
                handing_out(executor)
                rounds(executor, count, tasks)
            photos(cluster.address, folder, number)
        finally:
            cluster.end()


if __name__ == "__main__":
    main()
