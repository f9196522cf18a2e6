"""A real cluster: a scheduler and two workers in processes of their own, some of which are killed."""

from __future__ import annotations

import os
import signal
import socket
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from click.testing import CliRunner

from clawvision.batch import PhotoDone, assess_folder
from clawvision.cli import main
from clawvision.errors import MissingExtraError, UsageError
from clawvision.executors import Crashed, Limits, TookTooLong
from clawvision.executors import cluster as cluster_module
from clawvision.executors.cluster import ClusterExecutor, cluster_executor
from clawvision.pool import run_tasks
from tests.batch import functions
from tests.batch.fakes import Logging
from tests.batch.test_batch_run import files, herd

ROOT = Path(__file__).parents[2]
"""The workers see the tests by the path that they are started with."""


def need_distributed() -> None:
    pytest.importorskip("distributed", reason="needs the extra cluster")


def free_port() -> int:
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        return int(probe.getsockname()[1])


class Cluster:
    """A scheduler and workers, each with a nanny that starts it anew where that is asked for."""

    def __init__(self, folder: Path) -> None:
        self.address = f"tcp://127.0.0.1:{free_port()}"
        self._folder = folder
        self._processes: list[subprocess.Popen[bytes]] = []
        self._start("dask_scheduler", "--host", "127.0.0.1", "--port", self.address.rsplit(":", 1)[1])

    def work(self, *options: str) -> None:
        self._start("dask_worker", self.address, "--nthreads", "1", "--host", "127.0.0.1", *options)

    def _start(self, program: str, *options: str) -> None:
        environment = {**os.environ, "PYTHONPATH": str(ROOT), "DASK_DISTRIBUTED__SCHEDULER__ALLOWED_FAILURES": "1"}
        log = (self._folder / f"{program}-{len(self._processes)}.log").open("wb")
        with log:
            self._processes.append(
                subprocess.Popen(
                    [sys.executable, "-m", f"distributed.cli.{program}", *options, "--no-dashboard"],
                    cwd=self._folder,
                    env=environment,
                    stdout=log,
                    stderr=log,
                )
            )

    def end(self) -> None:
        for process in self._processes:  # a worker whose nanny is gone ends by itself
            process.kill()
            process.wait()


@pytest.fixture(scope="module")
def cluster(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Cluster]:
    need_distributed()
    made = Cluster(tmp_path_factory.mktemp("cluster"))
    try:
        for _ in range(2):
            made.work("--nanny")
        yield made
    finally:
        made.end()


@pytest.fixture
def executor(cluster: Cluster) -> Iterator[ClusterExecutor]:
    with cluster_executor(cluster.address, Limits(seconds=20.0)) as made:
        made._client.wait_for_workers(2, timeout=30)
        yield made


def pids(executor: ClusterExecutor) -> dict[str, int]:
    found: dict[str, int] = executor._client.run(os.getpid)
    return found


def test_a_worker_killed_midway_costs_nothing(executor: ClusterExecutor, tmp_path: Path) -> None:
    contents = {f"{n:02}.jpg": b"doubt %d" % n if n % 5 == 0 else b"fine %d" % n for n in range(24)}
    photos = herd(tmp_path / "photos", contents)
    worker = Logging(tmp_path / "log", 0.1)
    assess_folder(photos, tmp_path / "plain", jobs=2, worker=worker)
    victim = min(pids(executor).values())
    done: list[PhotoDone] = []

    def progress(one: PhotoDone) -> None:
        done.append(one)
        if len(done) == 6:
            os.kill(victim, signal.SIGKILL)

    executor.check([photos / "00.jpg"], tmp_path / "cluster")
    assess_folder(photos, tmp_path / "cluster", jobs=8, worker=worker, executor=executor, progress=progress)
    assert victim not in pids(executor).values()
    assert len(done) == 24
    assert files(tmp_path / "cluster") == files(tmp_path / "plain")


def test_a_photo_that_crashes_or_takes_too_long_costs_no_worker(executor: ClusterExecutor) -> None:
    before = pids(executor)
    executor._limits = Limits(seconds=4.0)
    results = dict(run_tasks(functions.dies_at_three, range(5), 8, executor=executor))
    assert results == {0: 0, 1: 1, 2: 2, 3: Crashed("its process ended with status 7"), 4: 4}
    results = dict(run_tasks(functions.sleeps_at_three, range(5), 8, executor=executor))
    assert results == {0: 0, 1: 1, 2: 2, 3: TookTooLong("it took longer than 4 s"), 4: 4}
    assert pids(executor) == before


def test_the_check_tells_what_a_worker_does_not_see(
    executor: ClusterExecutor, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    there, elsewhere = tmp_path / "there.jpg", tmp_path / "elsewhere" / "b.jpg"
    there.write_bytes(b"photo")
    real = cluster_module._samples
    monkeypatch.setattr(cluster_module, "_samples", lambda files: [*real(files), (str(elsewhere), 5)])
    with pytest.raises(UsageError, match=r"tcp://127.0.0.1:\d+: .*elsewhere/b.jpg is not there") as caught:
        executor.check([there], tmp_path / "out")
    assert "there.jpg is" not in caught.value.message
    assert list((tmp_path / "out").iterdir()) == []
    monkeypatch.setattr(cluster_module, "_samples", real)
    executor.check([there], tmp_path / "out")
    monkeypatch.setattr(cluster_module, "write_atomic", lambda path, content: None)
    with pytest.raises(UsageError, match="out is not the folder that it is here"):
        executor.check([there], tmp_path / "out")


def test_a_worker_with_another_program_is_told_and_does_no_photo(
    executor: ClusterExecutor, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(cluster_module, "_program", lambda: "another")
    with pytest.raises(UsageError, match="its program or the packages it uses are other versions"):
        executor.check([], tmp_path / "out")
    with pytest.raises(UsageError, match="runs another program"):
        list(run_tasks(functions.square, range(5), 8, executor=executor))


def test_a_cluster_without_workers(executor: ClusterExecutor, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(cluster_module, "CONNECT_S", 0.5)
    monkeypatch.setattr(executor._client, "nthreads", dict)
    with pytest.raises(UsageError, match="no workers"):
        executor.check([], tmp_path / "out")


def test_the_command_writes_the_same_on_a_cluster(cluster: Cluster, tmp_path: Path) -> None:
    photo = str(ROOT / "sample_images" / "100_sole.jpg")
    for out, options in (("plain", ["--jobs", "1"]), ("cluster", ["--cluster", cluster.address])):
        result = CliRunner().invoke(main, ["assess", photo, "--out", str(tmp_path / out), *options])
        assert result.exit_code == 0, result.output
    assert files(tmp_path / "cluster") == files(tmp_path / "plain")


def test_a_task_that_ends_every_worker_fails_alone(executor: ClusterExecutor) -> None:
    executor._client.run_on_scheduler(forgive_nothing)
    results = dict(run_tasks(functions.kills_its_worker_at_three, range(5), 8, executor=executor))
    assert results == {0: 0, 1: 1, 2: 2, 3: Crashed("every worker of the cluster that took it on was lost"), 4: 4}


def forgive_nothing(dask_scheduler: Any) -> None:
    """Let a task be taken from the workers when one of them died of it: two tries kill two workers, not eight."""
    dask_scheduler.allowed_failures = 0


def test_no_scheduler(monkeypatch: pytest.MonkeyPatch) -> None:
    need_distributed()
    monkeypatch.setattr(cluster_module, "CONNECT_S", 0.5)
    for address in (f"tcp://127.0.0.1:{free_port()}", "nonsense", "odd://x:1"):
        with pytest.raises(UsageError, match="No Dask scheduler answers at"), cluster_executor(address):
            pass


def test_without_the_extra_the_message_says_how_to_install_it(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    monkeypatch.setitem(sys.modules, "distributed", None)
    with pytest.raises(MissingExtraError, match=r"pip install 'clawvision\[cluster\]'"), cluster_executor("tcp://x:1"):
        pass
    (tmp_path / "a.jpg").write_bytes(b"fine")
    result = CliRunner().invoke(
        main, ["assess", str(tmp_path / "a.jpg"), "--out", str(tmp_path / "out"), "--cluster", "tcp://x:1"]
    )
    assert (result.exit_code, result.stdout) == (6, "")
    assert "clawvision[cluster]" in result.stderr
