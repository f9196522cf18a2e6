"""The same photo has the same result, to the last bit, whatever else is done beside it, before it, and by how many."""

from __future__ import annotations

import os
import random
import shutil
import subprocess
import sys
from pathlib import Path

import clawvision
from clawvision.manifest import collect
from tests.regression.table import FOLDERS

ROOT = Path(__file__).parents[2]
SAMPLES = FOLDERS["samples"]
NAMES = ("101_side.jpg", "102_side.jpg", "106_sole.jpg", "107_sole.jpg")
"""Outlined by the network, with card and with ruler, in both views; and one that is refused."""


def _folder(place: Path, order: list[str]) -> Path:
    """Return a folder of these photos whose manifest names them in this order."""
    place.mkdir()
    head, *rows = (SAMPLES / "photos.csv").read_text(encoding="utf-8").splitlines()
    known = {row.partition(",")[0]: row for row in rows}
    for name in order:
        shutil.copy(SAMPLES / name, place)
        sidecar = SAMPLES / f"{Path(name).stem}.outline.json"
        if sidecar.exists():
            shutil.copy(sidecar, place)
    (place / "photos.csv").write_text("\n".join((head, *(known[name] for name in order))) + "\n", encoding="utf-8")
    return place


def _written(out: Path) -> dict[str, bytes]:
    """Return every byte that is kept of each photo: its record and its picture."""
    files = [path for part in ("records", "annotated") for path in sorted((out / part).iterdir())]
    return {path.relative_to(out).as_posix(): path.read_bytes() for path in files}


def _in_one_process(folder: Path, out: Path, order: list[str], threads: int) -> None:
    variables = ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS", "OPENCV_FOR_THREADS_NUM")
    words = [sys.executable, "-m", "tests.regression.one_process", str(folder), str(out), *order]
    environment = {**os.environ, **{name: str(threads) for name in variables}}
    done = subprocess.run(words, cwd=ROOT, env=environment, capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stderr


def test_neither_processes_nor_order_nor_threads_nor_what_came_before_change_a_bit(tmp_path: Path) -> None:
    """One test, since all is held against what one process makes of the photos, one after another, in one thread."""
    folder = _folder(tmp_path / "photos", list(NAMES))
    clawvision.assess_folder(folder, tmp_path / "out", jobs=1)
    alone = _written(tmp_path / "out")
    assert len(alone) == 2 * len(NAMES)
    for jobs in (2, 3):
        order = list(NAMES)
        random.Random(jobs).shuffle(order)
        shuffled = _folder(tmp_path / f"photos-{jobs}", order)
        assert [request.name for request in collect([shuffled]).requests] == order != list(NAMES)
        clawvision.assess_folder(shuffled, tmp_path / f"out-{jobs}", jobs=jobs)
        assert _written(tmp_path / f"out-{jobs}") == alone, f"{jobs} processes"
    # In the reverse order, so that each photo comes after others than before.
    _in_one_process(folder, tmp_path / "out-threads", [*reversed(NAMES)], 4)
    assert _written(tmp_path / "out-threads") == alone, "4 threads"
