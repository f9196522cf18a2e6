"""What photos of 12 and 48 MP cost: each stage, as a multiple of their own full JPEG decode, memory, photos a second.

Run with ``python -m tests.benchmarks.speed``; ``--blocks`` adds what the same job costs when it is put together from
OpenCV's own building blocks at full size (minutes). Sample photos are enlarged and given a sensor's noise (standard
deviation 3 levels), without which they would be smoother, and quicker to decode, than a camera's own photos of that
size. Times are processor time of one core, each the least of several runs in a process of its own for each photo, so
that other work on the machine counts little; the forward passes of the network are told apart. Photos a second are told
for each engine that is installed.
"""

from __future__ import annotations

import argparse
import io
import resource
import tempfile
import time
from collections.abc import Callable, Iterable, Sequence
from concurrent.futures import ProcessPoolExecutor
from contextlib import suppress
from dataclasses import dataclass, field, replace
from functools import partial
from itertools import product
from multiprocessing import get_context
from pathlib import Path
from typing import get_args

import cv2
import numpy as np
from PIL import Image, ImageOps

from clawvision.errors import MissingExtraError
from clawvision.measure.claws import measure_claws
from clawvision.outline.engine import engine_told
from clawvision.outline.find import default_segmenter, find_outlines, rough_references
from clawvision.outline.learned.contract import Outputs
from clawvision.outline.learned.crop import Crop
from clawvision.outline.learned.network import Network, packaged_network
from clawvision.outline.learned.segmenter import LearnedSegmenter
from clawvision.outline.segmenter import Segmenter
from clawvision.output.picture import picture_bytes
from clawvision.output.record import dumps, photo_record
from clawvision.photo.quality import judge_quality
from clawvision.photo.read import read_photo
from clawvision.pipeline import SERVES_PX, run_photo
from clawvision.scale.find import find_scale, with_offset
from clawvision.scale.geometry import MARKER_DICTIONARY
from clawvision.types import Engine, PhotoRequest, PhotoResult, Settings
from tests.truth import TruePhoto, true_photos

SIZES = {12: (4000, 3000), 48: (8000, 6000)}
RUNS = 5
ROUNDS = 4
NOISE_LEVELS = 3.0
JPEG_QUALITY = 95
CHOSEN = ("100_side.jpg", "100_sole.jpg", "102_side.jpg", "102_sole.jpg", "107_side.jpg")
"""Card on plain and on busy ground, a ruler, and a photo that shows no reference and is refused."""
STAGES = ("read", "scale", "outline", "quality", "measure", "picture", "record")
SETTINGS = Settings()


@dataclass(slots=True)
class Clocked:
    """The network, with the processor time, s, and the number of its forward passes."""

    inner: Network
    spent: float = 0.0
    passes: int = 0

    def run(self, crop: Crop) -> Outputs:
        """See `Network.run`."""
        start = time.process_time()
        outputs = self.inner.run(crop)
        self.spent += time.process_time() - start
        self.passes += 1
        return outputs


@dataclass(slots=True)
class Cost:
    """What one photo costs, ms of processor time; ``rest`` is everything but the network."""

    rest: float
    network: float
    passes: int
    stages: dict[str, float] = field(default_factory=dict)


def least(work: Callable[[], object], runs: int = RUNS) -> float:
    """Return the least processor time of several runs, ms."""
    times = []
    for _ in range(runs):
        start = time.process_time()
        work()
        times.append(time.process_time() - start)
    return 1000 * min(times)


def enlarged(photo: TruePhoto, folder: Path, size: tuple[int, int]) -> PhotoRequest:
    """Write a photo enlarged to a size and return its request."""
    with Image.open(photo.folder / photo.name) as stored:
        exif = stored.getexif()
        for tag in (0xA002, 0xA003):  # the size the camera wrote: it no longer holds
            exif.get_ifd(0x8769).pop(tag, None)
        exif[0x0112] = 1
        upright = ImageOps.exif_transpose(stored)
        turned = size if upright.width > upright.height else size[::-1]
        large = np.asarray(upright.convert("RGB").resize(turned, Image.Resampling.BICUBIC), dtype=np.int16)
    noise = np.random.default_rng(1).normal(0.0, NOISE_LEVELS, large.shape).round().astype(np.int16)
    noisy = Image.fromarray((large + noise).clip(0, 255).astype(np.uint8))
    path = folder / f"{size[0]}_{photo.name}"
    noisy.save(path, quality=JPEG_QUALITY, exif=exif)
    return replace(photo.request(), path=path)


def decoding(path: Path) -> float:
    """Return the time of a full decode, ms. Run in a process of its own."""
    return least(lambda: decode(path))


def decode(path: Path) -> None:
    """Decode a JPEG fully with Pillow."""
    with Image.open(io.BytesIO(path.read_bytes())) as picture:
        picture.load()


def whole(request: PhotoRequest, segmenter: Segmenter | None = None, settings: Settings = SETTINGS) -> PhotoResult:
    """Do all that the program does for one photo, but for writing the files."""
    result, photo = run_photo(request, settings, segmenter=segmenter)
    dumps(photo_record(result))
    picture_bytes(photo, result)
    return result


def cost_of(request: PhotoRequest) -> Cost:
    """Return what a photo costs."""
    cv2.setNumThreads(1)
    network = packaged_network()
    assert network is not None
    clock = Clocked(network)
    segmenter = LearnedSegmenter(clock)
    result = whole(request, segmenter)
    found: Cost | None = None
    for _ in range(RUNS):
        clock.spent, clock.passes = 0.0, 0
        start = time.process_time()
        whole(request, segmenter)
        took = time.process_time() - start
        rest = 1000 * (took - clock.spent)
        if found is None or rest < found.rest:
            found = Cost(rest, 1000 * clock.spent, clock.passes)
    assert found is not None
    rounds = [stages(request, result, segmenter, clock) for _ in range(RUNS)]
    found.stages = {name: min(each[name] for each in rounds) for name in rounds[0]}
    return found


def stages(request: PhotoRequest, result: PhotoResult, segmenter: Segmenter, clock: Clocked) -> dict[str, float]:
    """Return the time of each stage but for the network's passes, ms."""
    found: dict[str, float] = {}
    marked = [time.process_time(), clock.spent]

    def mark(name: str) -> None:
        now = time.process_time()
        found[name] = 1000 * (now - marked[0] - (clock.spent - marked[1]))
        marked[:] = [time.process_time(), clock.spent]

    photo, _ = read_photo(request.path, name=request.name, settings=SETTINGS, long_side=SERVES_PX)
    mark("read")
    if result.scale is not None:
        scale = find_scale(photo, request, SETTINGS, None, lambda: rough_references(photo, segmenter))
        mark("scale")
        outlines = find_outlines(photo, scale, request, SETTINGS, segmenter=segmenter)
        mark("outline")
        scale = with_offset(scale, outlines.view, request)
        judge_quality(photo, outlines, scale)
        mark("quality")
        measure_claws(outlines, scale)
        mark("measure")
    picture_bytes(photo, result)
    mark("picture")
    dumps(photo_record(result))
    mark("record")
    return found


def peak_mb(request: PhotoRequest) -> float:
    """Return the peak memory of a process that does one photo, MB. Run in a process of its own."""
    whole(request)
    status = Path("/proc/self/status")
    if status.exists():  # what getrusage tells may be the parent's
        line = next(line for line in status.read_text().splitlines() if line.startswith("VmHWM"))
        return float(line.split()[1]) / 1024
    return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024


def _ready(engine: Engine) -> None:
    cv2.setNumThreads(1)
    default_segmenter(engine)


def _worked(request: PhotoRequest, engine: Engine) -> float:
    start = time.process_time()
    whole(request, settings=replace(SETTINGS, engine=engine))
    return time.process_time() - start


def throughput(requests: Sequence[PhotoRequest], processes: int, engine: Engine) -> tuple[float, float]:
    """Return photos a second by the clock on the wall, and the mean processor time of one, ms."""
    work = partial(_worked, engine=engine)
    spawn = get_context("spawn")
    with ProcessPoolExecutor(processes, mp_context=spawn, initializer=_ready, initargs=(engine,)) as pool:
        list(pool.map(work, requests))  # everything loaded, and each process has worked
        start = time.perf_counter()
        spent = list(pool.map(work, list(requests) * ROUNDS))
        return len(spent) / (time.perf_counter() - start), 1000 * float(np.mean(spent))


def installed() -> list[Engine]:
    """Return the engines that can run the network here."""
    found = []
    for engine in get_args(Engine):
        with suppress(MissingExtraError):
            engine_told(engine)
            found.append(engine)
    return found


def building_blocks(request: PhotoRequest, box: tuple[int, int, int, int], iterations: int) -> dict[str, float]:
    """Return what OpenCV's markers and GrabCut cost on the full photo, ms; ``box`` (x, y, w, h) holds the claws."""
    found: dict[str, float] = {}
    start = time.process_time()

    def mark(name: str) -> None:
        nonlocal start
        found[name] = 1000 * (time.process_time() - start)
        start = time.process_time()

    pixels = cv2.imread(str(request.path))
    assert pixels is not None
    mark("decode")
    dictionary = cv2.aruco.getPredefinedDictionary(getattr(cv2.aruco, MARKER_DICTIONARY))
    cv2.aruco.ArucoDetector(dictionary).detectMarkers(cv2.cvtColor(pixels, cv2.COLOR_BGR2GRAY))
    mark("markers")
    mask = np.zeros(pixels.shape[:2], np.uint8)
    cv2.grabCut(pixels, mask, box, np.zeros((1, 65)), np.zeros((1, 65)), iterations, cv2.GC_INIT_WITH_RECT)
    mark("GrabCut")
    return found


def claws_box(result: PhotoResult) -> tuple[int, int, int, int]:
    """Return the box around the claws with a margin, as somebody would draw it by hand."""
    outlines = [np.asarray(claw.outline_px) for claw in result.claws.values() if claw.outline_px is not None]
    low, high = np.vstack(outlines).min(axis=0), np.vstack(outlines).max(axis=0)
    margin = 0.1 * (high - low)
    low, high = np.maximum(low - margin, 1.0), high + margin
    return int(low[0]), int(low[1]), int(high[0] - low[0]), int(high[1] - low[1])


def row(cells: Iterable[object]) -> str:
    """Return one row of a table."""
    return "| " + " | ".join(str(cell) for cell in cells) + " |"


def alone(work: Callable[..., object], *given: object) -> object:
    """Do work in a fresh process: making a photo takes more memory than measuring it."""
    with ProcessPoolExecutor(1, mp_context=get_context("spawn")) as process:
        return process.submit(work, *given).result()


def main() -> None:
    """Print the tables."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--blocks", action="store_true", help="also time OpenCV's building blocks at 12 MP")
    parser.add_argument("--iterations", type=int, default=5, help="GrabCut's iterations")
    asked = parser.parse_args()
    cv2.setNumThreads(1)
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        requests: dict[int, list[PhotoRequest]] = {}
        heads = ("photo", "decode", *STAGES, "all but network", "in decodes", "network (passes)", "peak MB")
        print(row(heads), row("---" for _ in heads), sep="\n")
        for megapixels, size in SIZES.items():
            chosen = [photo for photo in true_photos() if photo.name in CHOSEN]
            requests[megapixels] = [alone(enlarged, photo, folder, size) for photo in chosen]  # type: ignore[misc]
            for request in requests[megapixels]:
                # What a decode costs depends on the memory that its process holds already: a fresh one for each.
                plain = alone(decoding, request.path)
                cost, memory = alone(cost_of, request), alone(peak_mb, request)
                assert isinstance(cost, Cost) and isinstance(plain, float)
                parts = [f"{cost.stages[stage]:.0f}" if stage in cost.stages else "–" for stage in STAGES]
                passes = f"{cost.network:.0f} ({cost.passes})"
                ratio = f"{cost.rest / plain:.2f}"
                title = f"{megapixels} MP {request.name}, {request.path.stat().st_size / 1e6:.1f} MB"
                print(row((title, f"{plain:.0f}", *parts, f"{cost.rest:.0f}", ratio, passes, f"{memory:.0f}")))
        print()
        heads = ("photos", "engine", "processes", "photos a second", "processor time of one, ms")
        print(row(heads), row("---" for _ in heads), sep="\n")
        for megapixels, of_size in requests.items():
            for engine, processes in product(installed(), (1, 2)):
                rate, mean = throughput(of_size, processes, engine)
                print(row((f"{megapixels} MP", engine, processes, f"{rate:.1f}", f"{mean:.0f}")))
        if asked.blocks:
            print()
            print(row(("photo", "part", "ms")), row(("---",) * 3), sep="\n")
            for request in requests[12]:
                result = whole(request)
                if not result.claws:
                    continue
                for part, ms in building_blocks(request, claws_box(result), asked.iterations).items():
                    print(row((request.name, part, f"{ms:.0f}")))
                break


if __name__ == "__main__":
    main()
