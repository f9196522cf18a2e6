"""Whole folders: every photo measured once, results kept as they come, findings over all of them."""

from __future__ import annotations

import os
import tempfile
from collections.abc import Callable, Mapping, Sequence
from concurrent.futures import Executor
from contextlib import closing
from dataclasses import asdict, dataclass, replace
from datetime import UTC, datetime
from pathlib import Path

import clawvision
from clawvision import store
from clawvision.errors import OutputError, UsageError
from clawvision.findings import Profile, assess_feet, load_profiles, load_rules
from clawvision.manifest import Collected, collect
from clawvision.output.atomic import write_atomic
from clawvision.output.models import AssessmentRecord, PhotoRecord, ProfileSource, RunInfo
from clawvision.output.record import assessment_record, dumps, load_photo, photo_facts
from clawvision.output.table import measures_csv
from clawvision.photo_task import DoPhoto, PhotoTask, Worker, lost_record, measure_photo
from clawvision.plain import did_you_mean, listed, plain
from clawvision.pool import Crashed, run_tasks
from clawvision.types import PhotoRequest, Settings

ASSESSMENT = "assessment.json"
MEASURES = "measures.csv"


@dataclass(frozen=True, slots=True)
class PhotoDone:
    """Told to ``progress`` after each photo. ``kept`` is True where an earlier run had finished it."""

    done: int
    total: int
    record: PhotoRecord
    kept: bool


Progress = Callable[[PhotoDone], None]


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
        What ``assessment.json`` holds.

    Raises
    ------
    UsageError
        If photos, manifest, profiles or settings cannot be used. Nothing was measured then.
    OutputError
        If ``out`` cannot be written.
    """
    collected = collect([photos] if isinstance(photos, Path) else list(photos), manifest)
    return assess_collected(
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
) -> AssessmentRecord:
    """Do what `assess_folder` does with photos that were collected before. Same parameters and errors."""
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
    run = RunInfo(
        version=clawvision.__version__,
        started=started,
        finished=started,
        command=tuple(command),
        parameters=parameters,
        model_sha256=store.model_sha256(),
    )
    # A table without rows, made now, so that a wrong delimiter is told before the first photo.
    measures_csv(assessment_record(run, (), (), ()), delimiter=csv_delimiter, decimal=csv_decimal)
    _check_out(out, collected)
    try:
        photos = _measure(collected.requests, out, settings, jobs, worker, progress, executor)
    finally:
        store.sweep(out, (ASSESSMENT, MEASURES))
    facts = [photo_facts(record) for record in photos]
    if profile is not None:
        facts = [
            replace(fact, request=replace(fact.request, profile=fact.request.profile or profile)) for fact in facts
        ]
    feet, animals = assess_feet(facts, profiles, book)
    used = sorted({foot.profile for foot in feet})
    run = run.model_copy(
        update={
            "finished": _now(),
            "reference_profiles": tuple(_source(profiles[name]) for name in used if name in profiles),
        }
    )
    assessment = assessment_record(run, photos, feet, animals)
    write_atomic(out / MEASURES, measures_csv(assessment, delimiter=csv_delimiter, decimal=csv_decimal))
    write_atomic(out / ASSESSMENT, dumps(assessment))
    return assessment


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
    requests: Sequence[PhotoRequest],
    out: Path,
    settings: Settings,
    jobs: int,
    worker: Worker,
    progress: Progress | None,
    executor: Executor | None,
) -> list[PhotoRecord]:
    tasks = [PhotoTask(*pair) for pair in zip(requests, store.slots(requests, out), strict=True)]
    records: dict[int, PhotoRecord] = {}
    do_photo = DoPhoto(worker, settings, store.settings_key(settings, worker))
    results = run_tasks(do_photo, tasks, jobs, executor=executor)
    with closing(results):
        for index, result in results:
            if isinstance(result, Crashed):
                record, kept = lost_record(requests[index], result), False
                store.save(tasks[index].slot, store.NEVER, record, None)
            else:
                record, kept = load_photo(result[0]), result[1]
            records[index] = record
            if progress is not None:
                progress(PhotoDone(len(records), len(tasks), record, kept))
    return [records[index] for index in range(len(tasks))]


def _check_out(out: Path, collected: Collected) -> None:
    """Find out before the first photo whether the results can be written, and will not destroy what is read."""
    inputs = [request.path for request in collected.requests]
    written = {os.path.realpath(out / name) for name in (ASSESSMENT, MEASURES)}
    folders = tuple(os.path.realpath(out / name) + os.sep for name in (store.RECORDS, store.ANNOTATED))
    for path in (*inputs, *collected.manifests):
        real = os.path.realpath(path)
        if real in written or real.startswith(folders):
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
