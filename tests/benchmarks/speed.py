"""What a 12 MP photo costs, as a multiple of its own full JPEG decode, and how much memory.

Run with ``python -m tests.benchmarks.speed``. Sample photos are enlarged to 4000 × 3000 and given a sensor's noise
(standard deviation 3 levels), without which they would be smoother, and quicker to decode, than a camera's own photos
of that size; every figure is the least of several runs in one process on one core.
"""

from __future__ import annotations

import io
import resource
import tempfile
import time
from collections.abc import Callable
from concurrent.futures import ProcessPoolExecutor
from dataclasses import replace
from multiprocessing import get_context
from pathlib import Path

import cv2
import numpy as np
from PIL import Image, ImageOps

from clawvision.outline.find import find_outlines
from clawvision.output.picture import picture_bytes
from clawvision.output.record import dumps, photo_record
from clawvision.photo.quality import judge_quality
from clawvision.photo.read import read_photo
from clawvision.pipeline import run_photo
from clawvision.scale.find import find_scale
from clawvision.types import PhotoRequest, Settings
from tests.truth import TruePhoto, true_photos

SIZE = (4000, 3000)
RUNS = 3
NOISE_LEVELS = 3.0
JPEG_QUALITY = 95
CHOSEN = ("100_side.jpg", "100_sole.jpg", "102_side.jpg", "102_sole.jpg", "107_side.jpg")


def least(work: Callable[[], object]) -> float:
    """Return the least time of several runs, ms."""
    times = []
    for _ in range(RUNS):
        start = time.perf_counter()
        work()
        times.append(time.perf_counter() - start)
    return 1000 * min(times)


def enlarged(photo: TruePhoto, folder: Path) -> PhotoRequest:
    """Write a photo enlarged to 12 MP and return its request."""
    with Image.open(photo.folder / photo.name) as stored:
        exif = stored.getexif()
        for tag in (0xA002, 0xA003):  # the size the camera wrote: it no longer holds
            exif.get_ifd(0x8769).pop(tag, None)
        exif[0x0112] = 1
        upright = ImageOps.exif_transpose(stored)
        size = SIZE if upright.width > upright.height else SIZE[::-1]
        large = np.asarray(upright.convert("RGB").resize(size, Image.Resampling.BICUBIC), dtype=np.int16)
    noise = np.random.default_rng(1).normal(0.0, NOISE_LEVELS, large.shape).round().astype(np.int16)
    noisy = Image.fromarray((large + noise).clip(0, 255).astype(np.uint8))
    noisy.save(folder / photo.name, quality=JPEG_QUALITY, exif=exif)
    return replace(photo.request(), path=folder / photo.name)


def stages(request: PhotoRequest) -> dict[str, float]:
    """Return the time of each stage that can be run by itself, ms."""
    settings = Settings()
    photo, _ = read_photo(request.path, name=request.name, settings=settings)
    found = {"read": least(lambda: read_photo(request.path, name=request.name, settings=settings))}
    result, _ = run_photo(request, settings)
    if result.scale is not None:
        scale = find_scale(photo, request, settings)
        found["scale"] = least(lambda: find_scale(photo, request, settings))
        if result.claws:
            outlines = find_outlines(photo, scale, request, settings)
            found["outline"] = least(lambda: find_outlines(photo, scale, request, settings))
            found["quality"] = least(lambda: judge_quality(photo, outlines, scale))
    found["picture"] = least(lambda: picture_bytes(photo, result))
    found["record"] = least(lambda: dumps(photo_record(result)))
    return found


def decode(path: Path) -> None:
    """Decode a JPEG fully with Pillow."""
    with Image.open(io.BytesIO(path.read_bytes())) as picture:
        picture.load()


def whole(request: PhotoRequest) -> None:
    """Do all that the program does for one photo, but for writing the files."""
    result, photo = run_photo(request, Settings())
    dumps(photo_record(result))
    picture_bytes(photo, result)


def peak_mb(request: PhotoRequest) -> float:
    """Return the peak memory of a process that does one photo, MB. Run in a process of its own."""
    whole(request)
    return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024


def main() -> None:
    """Print one line a photo, with the peak memory of a process that does only that one."""
    cv2.setNumThreads(1)
    with tempfile.TemporaryDirectory() as folder:
        for photo in true_photos():
            if photo.name not in CHOSEN:
                continue
            # Making the photo takes more memory than measuring it, and a process's peak is inherited.
            with ProcessPoolExecutor(1, mp_context=get_context("spawn")) as maker:
                request = maker.submit(enlarged, photo, Path(folder)).result()
            plain = least(lambda request=request: decode(request.path))  # type: ignore[misc]
            total = least(lambda request=request: whole(request))  # type: ignore[misc]
            parts = " ".join(f"{name} {ms:.0f}" for name, ms in stages(request).items())
            ratio = f"decode {plain:.0f} ms, whole chain {total:.0f} ms = {total / plain:.1f} decodes"
            with ProcessPoolExecutor(1, mp_context=get_context("spawn")) as alone:
                memory = alone.submit(peak_mb, request).result()
            print(f"{photo.name:14} {request.path.stat().st_size / 1e6:.1f} MB {ratio}, {memory:.0f} MB ({parts})")


if __name__ == "__main__":
    main()
