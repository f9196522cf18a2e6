"""Runs killed at 100 random points, parent or child, each compared byte for byte with an undisturbed run.

Run with ``python -m tests.benchmarks.killed [KILLS] [SEED]``. The measuring is a stand-in that takes 30 ms a photo;
what goes around it is the program as it is. Whenever a run has ended by itself, its folder is compared and another
begun.
"""

from __future__ import annotations

import sys
import tempfile
import time
from collections import Counter
from pathlib import Path

from tests.batch.kills import kill_at_random

KILLS, PHOTOS, SECONDS = 100, 80, 0.03


def main() -> None:
    """Print how often was killed, and how far the runs were then; ends with an error where anything differs."""
    kills = int(sys.argv[1]) if len(sys.argv) > 1 else KILLS
    seed = int(sys.argv[2]) if len(sys.argv) > 2 else 1
    begun = time.monotonic()
    with tempfile.TemporaryDirectory() as folder:
        told = kill_at_random(Path(folder), kills, photos=PHOTOS, seconds=SECONDS, seed=seed)
    tenths = Counter(10 * count // (PHOTOS + 1) for count in told.finished_at_kill)
    print(f"{told.kills} kills: {told.parents} of the run, {told.children} of a process of it")
    print(f"{told.outs} folders were worked on to the end; each has the bytes of the undisturbed one")
    print(f"tenths of the photos finished when the run was killed: {dict(sorted(tenths.items()))}")
    print(f"{time.monotonic() - begun:.0f} s")


if __name__ == "__main__":
    main()
