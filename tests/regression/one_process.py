"""Measures photos in this process: ``python -m tests.regression.one_process FOLDER OUT NAME…``.

The program's own processes use one thread each; here a library may use as many as the environment lets it.
"""

from __future__ import annotations

import os
import sys
from pathlib import Path

import cv2

from clawvision import store
from clawvision.manifest import collect
from clawvision.photo_task import DoPhoto, PhotoTask, measure_photo
from clawvision.types import Settings


def main() -> None:
    """Measure the named photos of a folder in the order given, and keep them in OUT as a run does."""
    folder, out, *names = sys.argv[1:]
    cv2.setNumThreads(int(os.environ["OMP_NUM_THREADS"]))
    requests = collect([Path(folder)]).requests
    slots = {request.name: slot for request, slot in zip(requests, store.slots(requests, Path(out)), strict=True)}
    known = {request.name: request for request in requests}
    do = DoPhoto(measure_photo, Settings(), store.settings_key(Settings(), measure_photo))
    for name in names:
        do(PhotoTask(known[name], slots[name]))


if __name__ == "__main__":
    main()
