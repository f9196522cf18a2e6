"""Runs that are killed at random, parent or child, and started again until they end by themselves."""

from __future__ import annotations

import os
import random
import re
import signal
import subprocess
import sys
import time
from contextlib import suppress
from dataclasses import dataclass, field
from pathlib import Path

ROOT = Path(__file__).parents[2]
JOBS = 2
FEET = ("LF", "RF", "LH", "RH")

_SCRIPT = """
import sys
from pathlib import Path
from clawvision import store
from clawvision.batch import assess_collected
from clawvision.manifest import collect
from tests.batch.fakes import logging_elsewhere
store._program = lambda: ("this version",)
assess_collected(collect([Path(sys.argv[1])]), Path(sys.argv[2]), worker=logging_elsewhere, jobs=2)
"""


@dataclass
class Told:
    """What the kills came to."""

    parents: int = 0
    children: int = 0
    outs: int = 0
    """Folders that were worked on to the end."""
    finished_at_kill: list[int] = field(default_factory=list)

    @property
    def kills(self) -> int:
        return self.parents + self.children


def herd(folder: Path, photos: int) -> Path:
    """Write photos that the quick worker can tell apart, a broken one and a doubtful one in ten, with a manifest."""
    folder.mkdir()
    rows = ["photo,animal,foot"]
    for number in range(photos):
        kind = {3: "broken", 7: "doubt"}.get(number % 10, "fine")
        (folder / f"{number:03}.jpg").write_text(f"{kind} {number}")
        rows.append(f"{number:03}.jpg,cow {number // 4},{FEET[number % 4]}")
    (folder / "photos.csv").write_text("\n".join(rows))
    return folder


def written(out: Path) -> dict[str, bytes]:
    """Return everything below a folder, with the times of the run taken out."""
    return {
        path.relative_to(out).as_posix(): re.sub(rb'"(started|finished)": "[^"]*"', b"", path.read_bytes())
        for path in sorted(out.rglob("*"))
        if path.is_file()
    }


def start(photos: Path, out: Path, log: Path, seconds: float) -> subprocess.Popen[bytes]:
    environment = {**os.environ, "FAKE_LOG": str(log), "FAKE_SECONDS": str(seconds)}
    words = [sys.executable, "-c", _SCRIPT, str(photos), str(out)]
    return subprocess.Popen(words, cwd=ROOT, env=environment, stderr=subprocess.DEVNULL)


def children(process: int) -> list[int]:
    """Return the processes that a process has started, by any of its threads; none if it is gone."""
    found: list[int] = []
    for path in Path(f"/proc/{process}/task").glob("*/children"):
        with suppress(OSError):  # a thread may end meanwhile
            found += map(int, path.read_text().split())
    return found


def kill_at_random(folder: Path, kills: int, *, photos: int, seconds: float, seed: int) -> Told:
    """Kill runs again and again; whenever one has ended by itself, compare what it wrote with an undisturbed run.

    Raises
    ------
    AssertionError
        If a file differs by a byte, is missing or is left over, or if more than the photos in hand were done again.
    """
    draw = random.Random(seed)
    here = herd(folder / "photos", photos)
    begun = time.monotonic()
    undisturbed = start(here, folder / "undisturbed", folder / "log", seconds)
    assert undisturbed.wait() == 0
    usual = time.monotonic() - begun
    expected = written(folder / "undisturbed")
    told = Told()
    while told.kills < kills:
        out, log = folder / f"out{told.outs}", folder / f"log{told.outs}"
        before = told.kills
        while not _survived(start(here, out, log, seconds), out, photos, draw, usual, kills, told):
            pass
        assert start(here, out, log, 0.0).wait() == 0  # a photo whose child was killed twice is tried once more
        assert written(out) == expected
        measured = log.read_text().split()
        assert len(set(measured)) == photos
        assert len(measured) <= photos + JOBS * (told.kills - before), "more was done again than was in hand"
        told.outs += 1
    return told


def _survived(
    process: subprocess.Popen[bytes],
    out: Path,
    photos: int,
    draw: random.Random,
    usual: float,
    kills: int,
    told: Told,
) -> bool:
    """Kill a run or its children at random points; return whether it ended by itself, and well."""
    harmed = False
    while told.kills < kills:
        _wait(process, out, photos, draw, usual)
        if process.poll() is not None:
            break
        own = children(process.pid)
        if own and draw.random() < 0.5:
            with suppress(ProcessLookupError):
                os.kill(draw.choice(own), signal.SIGKILL)
                harmed = True
                told.children += 1
        else:
            process.kill()
            process.wait()
            told.parents += 1
            told.finished_at_kill.append(_finished(out))
            return False
    # A child that is killed before it can work, and once more, ends the run with a message; nothing else may.
    assert process.wait() == 0 or harmed
    return process.returncode == 0


def _wait(process: subprocess.Popen[bytes], out: Path, photos: int, draw: random.Random, usual: float) -> None:
    """Wait for a random time, or until a random part of the photos still open is finished; no longer than it runs."""
    if draw.random() < 0.5:
        wanted = draw.randint(_finished(out), photos)
        while process.poll() is None and _finished(out) < wanted:
            time.sleep(0.01)
        usual = 0.1
    with suppress(subprocess.TimeoutExpired):
        process.wait(draw.uniform(0.0, usual))


def _finished(out: Path) -> int:
    return len(list(out.glob("records/*.json")))
