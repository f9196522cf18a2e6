"""Very many photos: memory and pace from the first thousand to the last, killed three times on the way.

Run with ``python -m tests.benchmarks.many_photos [PHOTOS] [JOBS] [FOLDER]``, by default with 50,000 photos and 2 jobs.
The photos are small JPEGs that the program makes itself, each with its number in a comment; they are decoded by the
program's own reader, and "measured" by reading that number, so that what comes out of each is known beforehand. What
goes around the measuring is the program as it is. The run is killed (SIGKILL) when a quarter, a half and three quarters
are done, and started again each time.

It prints the memory of parent and children and the parent's work a photo along the way, and whether each photo came
out once, with its own number.
"""

from __future__ import annotations

import csv
import json
import os
import resource
import signal
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from io import BytesIO
from pathlib import Path

import numpy as np
from PIL import Image

from clawvision.batch import ASSESSMENT, MEASURES, PhotoDone, assess_collected
from clawvision.executors import processes
from clawvision.manifest import collect
from clawvision.output.models import AnimalRecord, FootRecord, PhotoRecord
from clawvision.output.record import photo_record
from clawvision.photo.read import read_photo
from clawvision.types import ClawResult, Measure, PhotoRequest, PhotoResult, Settings, frozen_mapping
from tests.batch.kills import children

PHOTOS, JOBS = 50_000, 2
KILLED_AT = (0.25, 0.5, 0.75)
PHOTOS_A_FOOT = 10
FEET = ("LF", "RF", "LH", "RH")
EVERY = 250
PHOTOS_A_PROCESS = 2_000
"""After so many photos a process is replaced; starting one takes as long as some hundred of these photos."""
SEEN = {FootRecord: EVERY // PHOTOS_A_FOOT, PhotoRecord: EVERY}
_COMMENT = b"\xff\xfe"


# --- the photos


def make_photos(folder: Path, count: int) -> None:
    """Write so many small photos, no two alike, and their manifest."""
    stream = BytesIO()
    Image.fromarray(np.random.default_rng(1).integers(90, 110, (200, 240, 3), np.uint8)).save(
        stream, "JPEG", quality=40
    )
    start, rest = stream.getvalue()[:2], stream.getvalue()[2:]
    with (folder / "photos.csv").open("w", encoding="utf-8") as table:
        table.write("photo,animal,foot,view,taken\n")
        for number in range(count):
            text = b"%08d" % number
            (folder / f"{number:06}.jpg").write_bytes(start + _COMMENT + (len(text) + 2).to_bytes(2) + text + rest)
            foot = number // PHOTOS_A_FOOT
            table.write(f"{number:06}.jpg,cow {foot // 4},{FEET[foot % 4]},sole,2031-04-02\n")


def read_number(request: PhotoRequest, settings: Settings) -> tuple[PhotoRecord, bytes | None]:
    """Decode the photo and take its number for a length; note its name in a log. The ``Worker`` of this program."""
    photo, notes = read_photo(request.path, name=request.name, settings=settings)
    data = request.path.read_bytes()
    number = int(data[6:14])
    measure = Measure(float(number), 0.5, "mm", frozen_mapping({"reading": 0.25}))
    claw = ClawResult("outer", None, frozen_mapping(), 1.0, "automatic", frozen_mapping({"toe_length": measure}))
    record = photo_record(
        PhotoResult(
            request=request,
            sha256=photo.sha256,
            size=(photo.width, photo.height),
            exif=None,
            view=request.view,
            view_inferred=False,
            taken=request.taken,
            status="measured",
            reasons=notes,
            scale=None,
            mm_per_px=None,
            claws=frozen_mapping({"outer": claw}),
            foot_measures=frozen_mapping(),
        )
    )
    with open(os.environ["MANY_LOG"], "ab") as log:  # noqa: PTH123 - as little as possible beside the work
        log.write(f"{request.name}\n".encode())
    return record, data


# --- one run, in a process of its own


@dataclass(frozen=True, slots=True)
class Sample:
    """How a run stands: what it does, how far it is, seconds since it began, its memory and its own work."""

    what: str
    done: int
    seconds: float
    parent_mb: float
    children_mb: float
    parent_cpu: float


def run(photos: Path, out: Path, samples: Path, jobs: int) -> None:
    """Assess the photos, and note down along the way how it stands."""
    begun = time.monotonic()
    with samples.open("a") as stream:

        def note(what: str, done: int) -> None:
            own = resource.getrusage(resource.RUSAGE_SELF)
            memory = [resident_mb(process) for process in children(os.getpid())]
            values = (time.monotonic() - begun, resident_mb(os.getpid()), sum(memory), own.ru_utime + own.ru_stime)
            stream.write(json.dumps([what, done, *(round(value, 3) for value in values)]) + "\n")
            stream.flush()

        def progress(done: PhotoDone) -> None:
            if done.done % EVERY == 0:
                note("kept" if done.kept else "measured", done.done)

        written = {FootRecord: 0, PhotoRecord: 0, AnimalRecord: 0}

        def told(record: PhotoRecord | FootRecord | AnimalRecord) -> None:
            written[type(record)] += 1
            if not isinstance(record, AnimalRecord) and written[type(record)] % SEEN[type(record)] == 0:
                note(f"written {type(record).__name__}", written[type(record)])

        processes.TASKS_PER_PROCESS = PHOTOS_A_PROCESS
        collected = collect([photos])
        note("collected", len(collected.requests))
        assess_collected(collected, out, jobs=jobs, worker=read_number, progress=progress, told=told)
        note("ended", len(collected.requests))


def resident_mb(process: int) -> float:
    """Return the memory that a process holds."""
    try:
        return int(Path(f"/proc/{process}/statm").read_text().split()[1]) * resource.getpagesize() / 1e6
    except OSError:
        return 0.0


# --- what came of it


def killed_and_run(photos: Path, out: Path, work: Path, count: int, jobs: int) -> list[list[Sample]]:
    """Run until the end, killed on the way; return the samples of each run."""
    environment = {**os.environ, "MANY_LOG": str(work / "log")}
    runs = []
    for number, share in enumerate((*KILLED_AT, None)):
        samples = work / f"samples{number}.jsonl"
        samples.touch()
        words = [sys.executable, "-m", "tests.benchmarks.many_photos", "--run", str(photos), str(out), str(samples)]
        process = subprocess.Popen([*words, str(jobs)], env=environment)
        while process.poll() is None:
            time.sleep(0.2)
            so_far = [each for each in read(samples) if each.what in ("measured", "kept")]
            if share is not None and so_far and so_far[-1].done >= share * count:
                process.send_signal(signal.SIGKILL)
                print(f"killed at {so_far[-1].done} photos after {so_far[-1].seconds:.0f} s", flush=True)
                break
        status = process.wait()
        runs.append(read(samples))
        if share is None:
            print(f"the last run ended with status {status} after {runs[-1][-1].seconds:.0f} s", flush=True)
    return runs


def read(samples: Path) -> list[Sample]:
    """Return the samples that a run has written whole."""
    lines = samples.read_text().splitlines(keepends=True)
    return [Sample(*json.loads(line)) for line in lines if line.endswith("\n")]


def tell_memory(name: str, samples: Sequence[Sample], first: int = 1000) -> None:
    """Print the memory over the first thousand (photos, or what is given) and over the last."""
    if not samples:
        return
    begin = [each for each in samples if each.done <= first]
    end = [each for each in samples if each.done > samples[-1].done - first]
    for part in ("parent_mb", "all_mb"):
        early, late = (mean(memory(each, part) for each in some) for some in (begin, end))
        print(f"{name}, {part}: {early:.1f} MB at first, {late:.1f} MB at last ({late / early - 1:+.1%})")


def memory(sample: Sample, part: str) -> float:
    return sample.parent_mb + (sample.children_mb if part == "all_mb" else 0.0)


def mean(values: Iterable[float]) -> float:
    return float(np.mean(list(values)))


def tell_pace(name: str, samples: Sequence[Sample], first: int = 1000) -> None:
    """Print time and the parent's own work for each, over the first thousand and over the last."""
    early = [each for each in samples if each.done <= samples[0].done + first]
    late = [each for each in samples if each.done >= samples[-1].done - first]
    for label, some in (("at first", early), ("at last", late)) if len(samples) > 1 else ():
        photos = some[-1].done - some[0].done
        wall = (some[-1].seconds - some[0].seconds) / photos * 1000
        work = (some[-1].parent_cpu - some[0].parent_cpu) / photos * 1000
        print(f"{name}, {label}: {wall:.2f} ms each, of which the parent works {work:.2f} ms")


def tell_content(out: Path, log: Path, count: int, jobs: int) -> bool:
    """Print and return whether every photo came out once, with its own number, and little was done again."""
    with (out / MEASURES).open(newline="", encoding="utf-8") as stream:
        rows = [(row["photo"], float(row["value"])) for row in csv.DictReader(stream)]
    right = rows == [(f"{number:06}.jpg", float(number)) for number in range(count)]
    named = list(photo_names(out / ASSESSMENT))
    once = named == [f"{number:06}.jpg" for number in range(count)]
    measured = log.read_text().split()
    again = len(measured) - len(set(measured))
    files = {folder: sum(1 for _ in os.scandir(out / folder)) for folder in ("records", "annotated")}
    print(f"measures.csv has every photo once with its number: {right}; assessment.json: {once}; files: {files}")
    print(f"measured twice: {again} (at most {jobs * len(KILLED_AT)} were in hand when it was killed)")
    return right and once and set(measured) == set(named) and again <= jobs * len(KILLED_AT)


def photo_names(assessment: Path) -> Iterator[str]:
    """Give the names of the photos in an assessment, line by line: the file is too large to be read whole."""
    start = '      "photo": "'
    with assessment.open(encoding="utf-8") as stream:
        for line in stream:
            if line.startswith(start):
                yield line[len(start) :].rstrip('",\n')


@contextmanager
def working(folder: str | None) -> Iterator[Path]:
    if folder is not None:
        Path(folder).mkdir(parents=True)
        yield Path(folder)
        return
    with tempfile.TemporaryDirectory() as temporary:
        yield Path(temporary)


def main(words: Sequence[str]) -> int:
    """Make the photos, run, and print what came of it."""
    count = int(words[0]) if words else PHOTOS
    jobs = int(words[1]) if len(words) > 1 else JOBS
    with working(words[2] if len(words) > 2 else None) as work:
        photos, out = work / "photos", work / "out"
        photos.mkdir()
        begun = time.monotonic()
        make_photos(photos, count)
        print(f"{count} photos made in {time.monotonic() - begun:.0f} s", flush=True)
        runs = killed_and_run(photos, out, work, count, jobs)
        measured = [each for samples in runs for each in samples if each.what == "measured"]
        tell_memory("while measuring", measured)
        last = runs[-1]
        tell_memory("last run, all photos", [each for each in last if each.what in ("measured", "kept")])
        for what, first in (("FootRecord", 100), ("PhotoRecord", 1000)):
            tell_memory(f"writing, {what}", [each for each in last if each.what == f"written {what}"], first)
        tell_pace("first run, measured", [each for each in runs[0] if each.what == "measured"])
        tell_pace("last run, measured", [each for each in last if each.what == "measured"])
        tell_pace("last run, kept", [each for each in last if each.what == "kept"])
        for what, first in (("FootRecord", 100), ("PhotoRecord", 1000)):
            tell_pace(f"writing, {what}", [each for each in last if each.what == f"written {what}"], first)
        peak = max(memory(each, "all_mb") for samples in runs for each in samples)
        size = (out / ASSESSMENT).stat().st_size / 1e6
        print(f"most memory at any time, children with it: {peak:.0f} MB; assessment.json has {size:.0f} MB")
        return 0 if tell_content(out, work / "log", count, jobs) else 1


if __name__ == "__main__":
    if sys.argv[1:2] == ["--run"]:
        # As a module of its own name, so that the processes find what measures.
        from tests.benchmarks import many_photos

        many_photos.run(Path(sys.argv[2]), Path(sys.argv[3]), Path(sys.argv[4]), int(sys.argv[5]))
    else:
        sys.exit(main(sys.argv[1:]))
