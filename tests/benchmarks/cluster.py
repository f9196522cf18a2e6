"""What a cluster costs and brings: one and two Dask workers against plain processes, several rounds in turn.

Run with ``python -m tests.benchmarks.cluster [ROUNDS]``; it needs two idle cores and the extra cluster. A task is a
fixed amount of computing, about 0.3 s, so that the figures tell of handing out work and not of disks. Then the sample
photos, repeated to 100, are assessed with plain processes and on the cluster, and both have to write the same.

The times of rounds are compared within each round, since a machine that others use is not the same from one to the
next; the median of the ratios counts.
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
from pathlib import Path

from clawvision.executors import ProcessExecutor
from clawvision.executors.cluster import ClusterExecutor, cluster_executor
from clawvision.pool import run_tasks
from tests.batch.functions import computes
from tests.batch.test_batch_cluster import Cluster

ROUNDS = 5
TASKS = 60
PHOTOS = 100
ROOT = Path(__file__).parents[2]


def timed(executor: Executor, jobs: int) -> float:
    """Return how long the tasks take. Two a job before them see to it that all processes are there."""
    list(run_tasks(computes, range(2 * jobs), jobs, executor=executor))
    start = time.perf_counter()
    results = dict(run_tasks(computes, range(TASKS), jobs, executor=executor))
    took = time.perf_counter() - start
    assert len(results) == TASKS
    return took


def processes(jobs: int) -> float:
    with ProcessExecutor(jobs) as executor:
        return timed(executor, jobs)


def on_workers(executor: ClusterExecutor, jobs: int) -> float:
    """Time the tasks on so many of the two workers."""
    named = sorted(executor._client.nthreads())[:jobs]
    executor._inner = executor._client.get_executor(pure=False, workers=named)
    return timed(executor, jobs)


def rounds(executor: ClusterExecutor, count: int) -> None:
    ways: dict[str, Callable[[], float]] = {
        "1 process": lambda: processes(1),
        "1 worker": lambda: on_workers(executor, 1),
        "2 processes": lambda: processes(2),
        "2 workers": lambda: on_workers(executor, 2),
    }
    start = time.perf_counter()
    computes(0)
    print(f"a task: {time.perf_counter() - start:.2f} s; {TASKS} tasks a time")
    times: dict[str, list[float]] = {name: [] for name in ways}
    for number in range(count):
        order = list(ways.items())
        for name, way in order if number % 2 == 0 else reversed(order):
            times[name].append(way())
        print("round", number + 1, " ".join(f"{name} {taken[-1]:.1f} s" for name, taken in times.items()), flush=True)
    for over, under in (("1 worker", "2 workers"), ("1 process", "2 processes")):
        ratios = [one / two for one, two in zip(times[over], times[under], strict=True)]
        print(f"{under} are faster than {over} by {statistics.median(ratios):.2f} times ({told(ratios)})")
    for over, under in (("1 worker", "1 process"), ("2 workers", "2 processes")):
        ratios = [100 * (one / two - 1) for one, two in zip(times[over], times[under], strict=True)]
        print(f"{over} take {statistics.median(ratios):+.1f} % against {under} ({told(ratios)})")


def told(values: list[float]) -> str:
    return ", ".join(f"{value:.2f}" for value in values)


def photos(address: str, folder: Path) -> None:
    """Assess the sample photos, repeated, in both ways, and compare what is written."""
    herd = folder / "herd"
    herd.mkdir()
    samples = sorted((ROOT / "sample_images").glob("*.jpg"))
    for number in range(PHOTOS):
        sample = samples[number % len(samples)]
        shutil.copy(sample, herd / f"{number:03}.jpg")
        drawn = sample.with_suffix(".outline.json")
        if drawn.exists():
            shutil.copy(drawn, herd / f"{number:03}.outline.json")
    for name, options in (("plain", ["--jobs", "2"]), ("cluster", ["--cluster", address])):
        start = time.perf_counter()
        command = [sys.executable, "-m", "clawvision", "assess", str(herd), "--out", str(folder / name), "--quiet"]
        status = subprocess.run([*command, *options], check=False).returncode
        print(f"{PHOTOS} photos, {name}: {time.perf_counter() - start:.1f} s, exit status {status}", flush=True)
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
    count = int(sys.argv[1]) if len(sys.argv) > 1 else ROUNDS
    with tempfile.TemporaryDirectory() as temporary:
        folder = Path(temporary)
        cluster = Cluster(folder)
        try:
            for _ in range(2):
                cluster.work("--no-nanny")
            with cluster_executor(cluster.address) as executor:
                executor._client.wait_for_workers(2, timeout=60)
                rounds(executor, count)
            photos(cluster.address, folder)
        finally:
            cluster.end()


if __name__ == "__main__":
    main()
