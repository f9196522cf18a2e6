"""Whole folders: every photo measured once, results kept as they come, findings over all of them."""

from __future__ import annotations

import os
import tempfile
from array import array
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from concurrent.futures import BrokenExecutor, Executor
from contextlib import closing, contextmanager
from dataclasses import asdict, dataclass, replace
from datetime import UTC, datetime
from functools import cache, partial
from itertools import chain
from pathlib import Path
from typing import BinaryIO

import clawvision
from clawvision import store
from clawvision.errors import ClawvisionError, OutputError, UsageError
from clawvision.findings import Profile, assess_feet, load_profiles, load_rules
from clawvision.findings.book import RuleBook
from clawvision.manifest import Collected, collect
from clawvision.outline.engine import engine_told
from clawvision.output.atomic import atomic_file, scratch_file
from clawvision.output.feet_record import animal_record, foot_record
from clawvision.output.models import AnimalRecord, AssessmentRecord, FootRecord, PhotoRecord, ProfileSource, RunInfo
from clawvision.output.record import assessment_parts, joined, load_assessment, photo_facts
from clawvision.output.table import MeasuresTable
from clawvision.photo_task import DoPhoto, Finished, PhotoTask, Worker, lost_record, measure_photo
from clawvision.plain import did_you_mean, listed, plain
from clawvision.pool import Crashed, run_tasks
from clawvision.types import PhotoRequest, Settings

ASSESSMENT = "assessment.json"
MEASURES = "measures.csv"
_CHUNK = 1 << 16


@dataclass(frozen=True, slots=True)
class PhotoDone:
    """Told to ``progress`` after each photo. ``kept`` is True where an earlier run had finished it."""

    done: int
    total: int
    name: str
    kept: bool
    slot: store.Slot
    mark: int

    @property
    def record(self) -> PhotoRecord:
        """Return the photo's record, read from where it is kept."""
        return store.read(self.slot, self.mark)


Progress = Callable[[PhotoDone], None]
Told = Callable[[PhotoRecord | FootRecord | AnimalRecord], None]


@dataclass(frozen=True, slots=True)
class _Photos:
    """The photos of a run: what is asked of each, and what it takes to find what is kept of it.

    What is held of a photo here is all that a run holds of it from beginning to end, whatever their number.
    """

    requests: Sequence[PhotoRequest]
    out: Path
    digits: bytes
    marks: array[int]
    """A mark for each finished photo, 0 for the others."""

    def slot(self, index: int) -> store.Slot:
        return store.slot(self.requests[index].name, self.digits[index], self.out)

    def record(self, index: int) -> PhotoRecord:
        return store.read(self.slot(index), self.marks[index])

    def finished(self) -> int:
        return len(self.marks) - self.marks.count(0)


def assess_folder(
    photos: Path | Sequence[Path],
    out: Path,
    *,
    manifest: Path | None = None,
    settings: Settings | None = None,
    jobs: int = 1,
    profile: str | None = None,
    profile_dirs: Sequence[Path] = (),
    rules: Path | None = None,
    csv_delimiter: str = ",",
    csv_decimal: str = ".",
    command: Sequence[str] = ("assess_folder",),
    progress: Progress | None = None,
    worker: Worker = measure_photo,
    executor: Executor | None = None,
) -> AssessmentRecord:
    """Measure and assess photos, and write ``assessment.json``, ``measures.csv`` and the annotated pictures.

    Each finished photo is kept in ``out`` at once. A later run with the same photos, manifest and settings takes
    it from there, so that an interrupted run can simply be started again. The files are the same whatever ``jobs``.

    Parameters
    ----------
    photos
        Folders and files, see `clawvision.manifest.collect`.
    out
        Folder for the results; made if it is not there.
    manifest
        The manifest, where it is not ``photos.csv`` in the photos' folder.
    settings
        What a run may vary; the usual values if left out.
    jobs
        Number of processes to work in.
    profile
        Name of the reference profile for photos whose manifest row names none.
    profile_dirs
        Folders with a herd's own profiles.
    rules
        A herd's own rows for the table of rules, see `load_rules`.
    csv_delimiter, csv_decimal
        How ``measures.csv`` is written.
    command
        What is written into the assessment as the command.
    progress
        Called after each photo.
    worker
        What measures a photo, for tests and other measuring chains. Must be importable by name.
    executor
        Where the photos are worked on, ``jobs`` at a time: any executor of the interface of `concurrent.futures`; by
        default ``jobs`` processes. It is left open.

    Returns
    -------
    AssessmentRecord
        What ``assessment.json`` holds, read back whole. Of very many photos that takes much memory; ``measures.csv``
        can be read row by row.

    Raises
    ------
    UsageError
        If photos, manifest, profiles or settings cannot be used, when nothing was measured yet; or if a folder of
        photos can no longer be read.
    OutputError
        If ``out`` cannot be written. Finished photos are kept.
    ClawvisionError
        If the processes cannot be started. Finished photos are kept.
    """
    collected = collect([photos] if isinstance(photos, Path) else list(photos), manifest)
    written = assess_collected(
        collected,
        out,
        settings=settings,
        jobs=jobs,
        profile=profile,
        profile_dirs=profile_dirs,
        rules=rules,
        csv_delimiter=csv_delimiter,
        csv_decimal=csv_decimal,
        command=command,
        progress=progress,
        worker=worker,
        executor=executor,
    )
    return load_assessment(written.read_bytes())


def assess_collected(
    collected: Collected,
    out: Path,
    *,
    settings: Settings | None = None,
    jobs: int = 1,
    profile: str | None = None,
    profile_dirs: Sequence[Path] = (),
    rules: Path | None = None,
    csv_delimiter: str = ",",
    csv_decimal: str = ".",
    command: Sequence[str] = ("assess_folder",),
    progress: Progress | None = None,
    worker: Worker = measure_photo,
    executor: Executor | None = None,
    told: Told | None = None,
) -> Path:
    """Do what `assess_folder` does with photos that were collected before, and return where the assessment is.

    Same parameters and errors. What is in memory does not grow with the results: finished photos stay on the disk,
    feet are judged one animal after the other, and the files are written as they are made.

    Parameters
    ----------
    told
        Called with each record of the assessment: for each animal its feet and then itself, thereafter all photos.
    """
    settings = settings or Settings()
    started = _now()
    if jobs < 1:
        raise UsageError(f"{jobs} jobs cannot do anything.", "Use 1 or more.")
    _check_calibrations(settings)
    profiles = load_profiles(profile_dirs)
    book = load_rules(rules)
    check_profiles(collected.requests, profile, profiles)
    parameters = {
        **asdict(settings),
        "profile": profile,
        "profile_dirs": [str(folder) for folder in profile_dirs],
        "rules": None if rules is None else str(rules),
        "csv_delimiter": csv_delimiter,
        "csv_decimal": csv_decimal,
    }
    model = store.model_sha256()
    run = RunInfo(
        version=clawvision.__version__,
        started=started,
        finished=started,
        command=tuple(command),
        parameters=parameters,
        model_sha256=model,
        engine=None if model is None else engine_told(settings.engine),
    )
    table = MeasuresTable(csv_delimiter, csv_decimal)
    _check_out(out, collected)
    total = len(collected.requests)
    photos = _Photos(collected.requests, out, store.digits_needed(collected.requests), array("Q", bytes(8 * total)))
    with store.alone(out), _telling_what_is_kept(photos):
        try:
            do_photo = DoPhoto(worker, settings, store.settings_key(settings, worker))
            _measure(photos, do_photo, jobs, progress, executor)
        except BrokenExecutor as error:
            raise ClawvisionError(
                f"The photos cannot be worked on: {plain(str(error)).rstrip('.')}.",
                "See that there is memory left, or use fewer jobs. Finished photos are kept: the same command goes on "
                "with the others.",
            ) from error
        finally:
            store.sweep(out, (ASSESSMENT, MEASURES))
        with scratch_file(out) as feet, scratch_file(out) as animals:
            used = _judge(photos, profile, profiles, book, told or _nobody, feet, animals)
            sources = tuple(_source(profiles[name]) for name in sorted(used) if name in profiles)
            run = run.model_copy(update={"finished": _now(), "reference_profiles": sources})
            _write(out, run, photos, table, told or _nobody, feet, animals)
    return out / ASSESSMENT


@contextmanager
def _telling_what_is_kept(photos: _Photos) -> Iterator[None]:
    """Add to an error of writing what is kept, and that the same command goes on."""
    try:
        yield
    except OutputError as error:
        kept, total = photos.finished(), len(photos.marks)
        of = f"All {total} photos" if kept == total else f"So far {kept} of {total} photos"
        said = f"{of} are finished and kept: once this is put right, the same command goes on from there."
        raise OutputError(f"{error.message} {said}", error.remedy) from error


def _nobody(record: PhotoRecord | FootRecord | AnimalRecord) -> None:
    """Listen to nothing."""


def _check_calibrations(settings: Settings) -> None:
    if settings.calibration_dirs:
        from clawvision.scale.calibration import load_calibrations  # it takes a while, and most runs have none

        load_calibrations([Path(folder) for folder in settings.calibration_dirs])


def check_profiles(requests: Sequence[PhotoRequest], profile: str | None, profiles: Mapping[str, Profile]) -> None:
    """Check that every profile asked for is there.

    Raises
    ------
    UsageError
        If one is not; names it with the photos that ask for it.
    """
    names = list(profiles)
    problems = []
    if profile is not None and profile not in profiles:
        problems.append(f'there is no profile "{plain(profile)}".{did_you_mean(profile, names)}')
    for request in requests:
        if request.profile is not None and request.profile not in profiles:
            problems.append(
                f'{plain(request.name)}: there is no profile "{plain(request.profile)}".'
                f"{did_you_mean(request.profile, names)}"
            )
    if problems:
        raise UsageError(f"Profiles:\n{listed(problems)}\n", f"Profiles are: {', '.join(names)}.")


def _measure(
    photos: _Photos, function: DoPhoto, jobs: int, progress: Progress | None, executor: Executor | None
) -> None:
    """Measure what is not finished, and fill in the marks."""
    folders = {str(folder) for folder in {request.path.parent for request in photos.requests} if not store.gone(folder)}
    tasks = (
        PhotoTask(request, photos.slot(index), str(request.path.parent) in folders)
        for index, request in enumerate(photos.requests)
    )
    done, total = 0, len(photos.requests)
    results = run_tasks(function, tasks, jobs, executor=executor)
    with closing(results):
        for index, result in results:
            slot, request = photos.slot(index), photos.requests[index]
            if isinstance(result, Crashed):
                record = lost_record(request, result)
                result = Finished(store.save(slot, store.NEVER, record, None), False)
            if photos.marks[index]:
                raise RuntimeError(f"photo {index} came twice")
            photos.marks[index] = result.mark
            done += 1
            if progress is not None:
                progress(PhotoDone(done, total, request.name, result.earlier, slot, result.mark))
    if done != total:
        raise RuntimeError(f"only {done} of {total} photos came back")


def _judge(
    photos: _Photos,
    profile: str | None,
    profiles: Mapping[str, Profile],
    book: RuleBook,
    told: Told,
    feet: BinaryIO,
    animals: BinaryIO,
) -> set[str]:
    """Judge one animal after the other, write their records to the two files, and return the profiles used.

    Only what is known of one animal's photos is in memory at a time.
    """
    used: set[str] = set()
    for _, indices in sorted(_by_animal(photos.requests).items()):
        facts = [photo_facts(photos.record(index)) for index in indices]
        if profile is not None:
            facts = [
                replace(each, request=replace(each.request, profile=each.request.profile or profile)) for each in facts
            ]
        judged, together = assess_feet(facts, profiles, book)
        used.update(each.profile for each in judged)
        _add(feet, [foot_record(each) for each in judged], told)
        _add(animals, [animal_record(each) for each in together], told)
    return used


def _add(stream: BinaryIO, records: Sequence[FootRecord | AnimalRecord], told: Told) -> None:
    """Write records, at least one, behind those that are there, as they will stand in their list."""
    stream.write(b",\n" * (stream.tell() > 0) + b"".join(joined(records)))
    for record in records:
        told(record)


def _by_animal(requests: Iterable[PhotoRequest]) -> dict[str, array[int]]:
    """Return the photos of each animal by their places in the order."""
    found: dict[str, array[int]] = {}
    for index, request in enumerate(requests):
        found.setdefault(request.animal, array("L")).append(index)
    return found


def _write(
    out: Path,
    run: RunInfo,
    photos: _Photos,
    table: MeasuresTable,
    told: Told,
    feet: BinaryIO,
    animals: BinaryIO,
) -> None:
    """Write both files, reading each photo's record once, and put them in place together."""
    with atomic_file(out / MEASURES) as measures, atomic_file(out / ASSESSMENT) as assessment:
        measures.write(table.header())

        def listed_photos() -> Iterator[PhotoRecord]:
            for index in range(len(photos.requests)):
                record = photos.record(index)
                measures.write(table.rows(record))
                told(record)
                yield record

        parts = assessment_parts(run, photos=joined(listed_photos()), feet=_content(feet), animals=_content(animals))
        assessment.writelines(parts)


def _content(stream: BinaryIO) -> Iterator[bytes]:
    stream.seek(0)
    return iter(partial(stream.read, _CHUNK), b"")


def _check_out(out: Path, collected: Collected) -> None:
    """Find out before the first photo whether the results can be written, and will not destroy what is read."""
    real = cache(os.path.realpath)
    written = {os.path.realpath(out / name) for name in (ASSESSMENT, MEASURES)}
    folders = tuple(os.path.realpath(out / name) + os.sep for name in (store.RECORDS, store.ANNOTATED))
    for path in chain((request.path for request in collected.requests), collected.manifests):
        # Links are rare, and following every photo's whole path anew takes long on a share.
        link = os.path.islink(path)  # noqa: PTH114 - never raises
        place = os.path.realpath(path) if link else os.path.join(real(path.parent), path.name)  # noqa: PTH118
        if place in written or place.startswith(folders):
            raise OutputError(
                f"{plain(path)} lies where the results are written.", "Name another folder with --out, or other photos."
            )
    try:
        for folder in (out, out / store.RECORDS, out / store.ANNOTATED):
            folder.mkdir(parents=True, exist_ok=True)
            with tempfile.TemporaryFile(dir=folder):
                pass
    except OSError as error:
        raise OutputError(
            f"The output folder {plain(out)} cannot be written ({error.strerror}).",
            "Check its name and rights, or choose another with --out.",
        ) from None


def _source(profile: Profile) -> ProfileSource:
    values = [value for limb in profile.values.values() for value in limb.values()]
    return ProfileSource(
        name=profile.name,
        title=profile.title,
        sources=tuple(dict.fromkeys(f"{value.source} [{value.status}]" for value in values)),
    )


def _now() -> str:
    return datetime.now(UTC).isoformat(timespec="seconds")
