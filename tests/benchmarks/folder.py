"""A folder of 200 photos with 20 broken ones among them: results, refusals, exit status, and killed and rerun.

Run with ``python -m tests.benchmarks.folder [JOBS]``. The sample photos that have a reference are repeated, with
their true outlines given so that the count does not depend on the seeing; twenty copies are cut short. The command
is run once through, and once more into another folder where it is killed (SIGKILL) several times and started again.
"""

from __future__ import annotations

import json
import signal
import subprocess
import sys
import tempfile
import time
from collections import Counter
from pathlib import Path
from typing import Any

import numpy as np

from tests.truth import true_photos

PHOTOS, BROKEN = 200, 20
KILL_AFTER_S = (6.0, 9.0, 12.0)


def make_herd(folder: Path) -> None:
    """Write 200 photos, 20 of them cut short, with outline files and a manifest."""
    usable = [photo for photo in true_photos() if not photo.shown["must_refuse"]]
    rows = ["photo,animal,foot,view,claw,offset_mm"]
    for number in range(PHOTOS):
        photo = usable[number % len(usable)]
        data = (photo.folder / photo.name).read_bytes()
        if number % (PHOTOS // BROKEN) == 3:
            data = data[: len(data) // 2]
        name = f"photo{number:03d}.jpg"
        (folder / name).write_bytes(data)
        claws = {claw: {"outline_px": np.asarray(photo.outline(claw).outline_px).tolist()} for claw in photo.claws}
        (folder / f"photo{number:03d}.outline.json").write_text(json.dumps({"claws": claws}))
        asked = photo.request()
        rows.append(f"{name},cow-{number // 8},{asked.foot},{asked.view},{asked.claw or ''},{asked.offset_mm}")
    (folder / "photos.csv").write_text("\n".join(rows) + "\n")


def command(herd: Path, out: Path, jobs: str) -> list[str]:
    return [sys.executable, "-m", "clawvision", "assess", str(herd), "--out", str(out), "--jobs", jobs, "--quiet"]


def comparable(out: Path) -> dict[str, Any]:
    """Return everything written, less the times of the run."""
    assessment = json.loads((out / "assessment.json").read_text())
    for part in ("started", "finished"):
        assessment["run"].pop(part)
    files = {str(file.relative_to(out)): file.read_bytes() for file in out.rglob("*") if file.is_file()}
    files.pop("assessment.json")
    return {"assessment": assessment, **files}


def main() -> None:
    """Print the counts, the times and whether both runs wrote the same."""
    jobs = sys.argv[1] if len(sys.argv) > 1 else "2"
    with tempfile.TemporaryDirectory() as temporary:
        herd, plain, killed = (Path(temporary) / name for name in ("herd", "plain", "killed"))
        herd.mkdir()
        make_herd(herd)
        start = time.perf_counter()
        status = subprocess.run(command(herd, plain, jobs), check=False).returncode
        print(f"one run: {time.perf_counter() - start:.0f} s with {jobs} jobs, exit status {status}")
        counts = Counter(photo["status"] for photo in json.loads((plain / "assessment.json").read_text())["photos"])
        print("statuses:", dict(counts))
        for wait in KILL_AFTER_S:
            process = subprocess.Popen(command(herd, killed, jobs))
            time.sleep(wait)
            process.send_signal(signal.SIGKILL)
            process.wait()
            kept = {file: file.stat().st_mtime_ns for file in (killed / "records").glob("*.json")}
            print(f"killed after {wait:g} s: {len(kept)} photos finished")
        start = time.perf_counter()
        status = subprocess.run(command(herd, killed, jobs), check=False).returncode
        redone = sum(file.stat().st_mtime_ns != when for file, when in kept.items())
        print(
            f"last run: {time.perf_counter() - start:.0f} s, exit status {status}; of the finished {redone} were redone"
        )
        print("the same output:", comparable(plain) == comparable(killed))


if __name__ == "__main__":
    main()
