"""``clawvision triage``: here with a quick chain, in a process of its own where it is killed, and the real chain."""

from __future__ import annotations

import json
import os
import shutil
import signal
import subprocess
import sys
import time
from collections import Counter
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest
from click.testing import CliRunner, Result

import clawvision.cli.triage as command
from clawvision import batch, store
from clawvision.cli import main
from tests.batch.fakes import run_here
from tests.triage.fakes import Noting, picture

ROOT = Path(__file__).parents[2]
SAMPLES = ROOT / "sample_images"


@pytest.fixture
def quick(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.chdir(tmp_path)
    monkeypatch.setattr(batch, "run_tasks", run_here)
    monkeypatch.setattr(store, "_program", lambda: ("this version",))
    monkeypatch.setattr(command, "WORKER", Noting(tmp_path / "log"))
    (tmp_path / "inbox" / "anna").mkdir(parents=True)
    return tmp_path


def call(*words: object) -> Result:
    return CliRunner().invoke(main, ["triage", "inbox", "--out", "duty", *(str(word) for word in words)])


def test_once(quick: Path) -> None:
    (quick / "inbox/anna/1.jpg").write_bytes(picture(1))
    result = call("--settle", 0.1)
    assert result.exit_code == 0, result.output
    assert result.stdout == ""
    assert result.stderr == "anna: 1 new.\nThe list of work: duty/worklist.txt\n"
    assert (quick / "duty/answers/anna.txt").is_file()
    result = call("--settle", 0)
    assert (result.exit_code, result.stderr) == (0, "The list of work: duty/worklist.txt\n")
    assert (quick / "log").read_text() == "anna 1.jpg\n"


def test_what_is_still_arriving_is_told_by_the_status(quick: Path) -> None:
    (quick / "inbox/anna/1.jpg").write_bytes(picture(1)[:500])
    assert call("--settle", 0, "--quiet").exit_code == 3
    assert call("--settle", 0, "--give-up", 0).exit_code == 0
    assert "cut short" in (quick / "duty/answers/anna.txt").read_text()


def test_wrong_usage(quick: Path) -> None:
    assert call("--profile", "no-such-breed").exit_code == 2
    result = CliRunner().invoke(main, ["triage", "inbox", "--out", "inbox/out"])
    assert result.exit_code == 2
    result = CliRunner().invoke(main, ["triage", "gone", "--out", "duty"])
    assert result.exit_code == 2
    assert "gone is not a folder" in result.stderr


class Running:
    """The command in a process of its own, with the quick chain."""

    def __init__(self, folder: Path) -> None:
        self.folder, self.log = folder, folder / "log"
        self.processes: list[subprocess.Popen[str]] = []
        (folder / "inbox").mkdir()

    def start(self, *words: object, seconds: float = 0.0) -> subprocess.Popen[str]:
        program = [sys.executable, "-m", "tests.triage.run_fake", str(self.log), str(seconds)]
        arguments = ["triage", "inbox", "--out", "duty", "--jobs", "1", *(str(word) for word in words)]
        path = os.pathsep.join([str(ROOT), *filter(None, [os.environ.get("PYTHONPATH")])])
        process = subprocess.Popen(
            [*program, *arguments],
            cwd=self.folder,
            env={**os.environ, "PYTHONPATH": path},
            stderr=subprocess.PIPE,
            text=True,
        )
        self.processes.append(process)
        return process

    def put(self, place: str, data: bytes) -> Path:
        path = self.folder / "inbox" / place
        path.parent.mkdir(exist_ok=True)
        path.write_bytes(data)
        return path

    @property
    def done(self) -> Counter[str]:
        return Counter(self.log.read_text().splitlines() if self.log.exists() else [])

    @property
    def worklist(self) -> Any:
        return json.loads((self.folder / "duty" / "worklist.json").read_bytes())


@pytest.fixture
def running(tmp_path: Path) -> Iterator[Running]:
    run = Running(tmp_path)
    yield run
    for process in run.processes:
        process.kill()
        process.communicate()


def until(true: Callable[[], bool], seconds: float = 60.0) -> None:
    end = time.monotonic() + seconds
    while not true():
        assert time.monotonic() < end, "it did not come about"
        time.sleep(0.05)


def test_watching_while_a_photo_is_copied_in_pieces(running: Running) -> None:
    process = running.start("--watch", "--every", 0.1, "--settle", 0.5)
    running.put("bert/1.jpg", picture(1))
    until(lambda: running.done["bert 1.jpg"] == 1)
    whole = picture(2)
    path = running.put("anna/1.jpg", b"")
    step = len(whole) // 5 + 1
    for start in range(0, len(whole), step):
        with path.open("ab") as stream:
            stream.write(whole[start : start + step])
        time.sleep(0.7)  # longer than a file has to settle: only decoding tells that it is not whole
    until(lambda: (running.folder / "duty/answers/anna.txt").exists())
    process.send_signal(signal.SIGTERM)
    _, said = process.communicate(timeout=30)
    assert process.returncode == 0, said
    assert running.done == {"bert 1.jpg": 1, "anna 1.jpg": 1}
    assert [each["to_look_at"] for each in running.worklist["animals"]] == [[], []]
    assert running.worklist["arriving"] == []


def test_killed_in_the_middle_and_started_again(running: Running) -> None:
    for number in range(4):
        running.put(f"anna/{number}.jpg", picture(number))
    process = running.start("--settle", 0.1, seconds=0.7)
    until(lambda: running.done["anna 1.jpg"] == 1)
    process.kill()
    process.wait()
    again = running.start("--settle", 0.1, seconds=0.7)  # another chain would do all anew
    _, said = again.communicate(timeout=60)
    assert again.returncode == 0, said
    done = running.done
    assert set(done) == {f"anna {number}.jpg" for number in range(4)}
    assert done["anna 0.jpg"] == 1  # finished before
    assert max(done.values()) <= 2  # the photo in hand was begun again, no other
    assert sum(done.values()) <= 5
    answer = (running.folder / "duty/answers/anna.txt").read_text()
    assert "photos received: 4. Measured: 4" in answer
    assert not list((running.folder / "duty").rglob("*.part"))


def test_an_interrupt_ends_after_the_photo_in_hand(running: Running) -> None:
    for number in range(4):
        running.put(f"anna/{number}.jpg", picture(number))
    process = running.start("--settle", 0.1, seconds=0.5)
    until(lambda: running.done["anna 0.jpg"] == 1)
    process.send_signal(signal.SIGINT)
    _, said = process.communicate(timeout=30)
    assert process.returncode == 130, said
    assert len(running.done) < 4
    records = list((running.folder / "duty/senders/anna/records").glob("*.json"))
    assert [path.name.startswith("0-") for path in records].count(True) == 1
    process = running.start("--settle", 0.1, seconds=0.5)
    process.communicate(timeout=60)
    assert running.done["anna 0.jpg"] == 1
    assert len(running.done) == 4


def test_the_real_chain(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(tmp_path)
    for sender, name in (("meadow", "106_sole.jpg"), ("hill", "107_side.jpg")):
        (tmp_path / "inbox" / sender).mkdir(parents=True)
        shutil.copy(SAMPLES / name, tmp_path / "inbox" / sender)
    result = call("--settle", 0.1, "--jobs", 1)
    assert result.exit_code == 0, result.output
    lines = json.loads((tmp_path / "duty/worklist.json").read_bytes())["animals"]
    assert {each["sender"]: each["level"] for each in lines}["hill"] == "unknown"
    (seen,) = next(each for each in lines if each["sender"] == "hill")["to_look_at"]
    assert (tmp_path / "duty" / seen["picture"]).is_file()
    assessment = json.loads((tmp_path / "duty/senders/meadow/assessment.json").read_bytes())
    assert [photo["status"] for photo in assessment["photos"]] == ["measured"]
    assert "No scale card" in (tmp_path / "duty/answers/hill.txt").read_text()
