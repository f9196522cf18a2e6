"""``clawvision triage``: photos arrive in a folder; a list of work and answers come out."""

from __future__ import annotations

import signal
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import click

from clawvision.cli import report
from clawvision.cli.options import measuring_options, picture_option, running_options, settings_of, usual_jobs
from clawvision.photo_task import Worker, measure_photo
from clawvision.plain import plain
from clawvision.triage import Told, Triage, TriageSettings
from clawvision.triage.rounds import alone
from clawvision.types import Engine

ALL_TAKEN, STILL_ARRIVING, INTERRUPTED = 0, 3, 130
WORKER: Worker = measure_photo


@click.command("triage", short_help="Work off photos that arrive, the most urgent first.")
@click.argument("inbox", type=click.Path(path_type=Path))
@click.option(
    "--out",
    required=True,
    type=click.Path(path_type=Path),
    metavar="OUT",
    help="Folder for the results; made if missing.",
)
@click.option("--watch", is_flag=True, help="Go on until interrupted, looking for new photos again and again.")
@click.option(
    "--every",
    type=click.FloatRange(0.1, 86_400),
    default=10.0,
    show_default=True,
    metavar="SECONDS",
    help="How long to wait between two looks with --watch.",
)
@click.option(
    "--settle",
    type=click.FloatRange(0, 3600),
    default=2.0,
    show_default=True,
    metavar="SECONDS",
    help="A file is taken once its size and time have stayed the same for so long.",
)
@click.option(
    "--give-up",
    type=click.FloatRange(0, 100_000),
    default=10.0,
    show_default=True,
    metavar="MINUTES",
    help="A file that is no whole picture is tried again for so long, and then reported.",
)
@measuring_options
@picture_option
@running_options
def triage(
    inbox: Path,
    out: Path,
    watch: bool,
    every: float,
    settle: float,
    give_up: float,
    profile: str | None,
    profile_dirs: tuple[Path, ...],
    rules: Path | None,
    calibration_dirs: tuple[Path, ...],
    print_scale: float,
    tick_mm: float,
    engine: Engine,
    max_file_mb: float,
    max_megapixels: float,
    blur_background: bool,
    jobs: int | None,
    quiet: bool,
) -> int:
    """Measure the photos that arrive in INBOX, and keep a list of work and an answer for each sender.

    INBOX holds a folder for each sender. Its name is taken for the animal's, unless a photos.csv in it, or one in INBOX
    itself, says more; the columns are those of clawvision assess. A photo that no table names is taken all the same.
    Links are not followed, hidden files and those that end in .part, .tmp or ~ are left alone.

    Each photo is taken once, told by its content, also after an interruption; a file that changed counts as new. A copy
    without place, names and serial numbers is measured and kept, so that INBOX may be emptied. OUT holds:

    \b
    Files:
      worklist.txt, .csv, .json  all animals: today first, then what has waited longest
      answers/SENDER.txt         how soon, how sure, what to do meanwhile, what to answer first
      senders/SENDER/            the sender's assessment, with annotated/ pictures
      triage.json                what has been taken

    Photos that cannot be measured stand in the list to be looked at. An answer never says that an animal is well.

    \b
    Examples:
      clawvision triage inbox/ --out duty/
      clawvision triage inbox/ --out duty/ --watch --every 30

    \b
    Exit status:
      0    everything that is there was taken; with --watch: it was ended
      2    wrong usage, or another one works with OUT
      3    some files are still arriving, or cannot be read yet
      5    the output cannot be written
      130  interrupted; the same command goes on where it stopped
    """
    asked = TriageSettings(
        settings=settings_of(
            max_file_mb=max_file_mb,
            max_megapixels=max_megapixels,
            print_scale=print_scale,
            tick_mm=tick_mm,
            calibration_dirs=calibration_dirs,
            blur_background=blur_background,
            engine=engine,
        ),
        jobs=jobs or usual_jobs(),
        profile=profile,
        profile_dirs=profile_dirs,
        rules=rules,
        settle_s=settle,
        give_up_s=60.0 * give_up,
        worker=WORKER,
    )
    with alone(out), _ending() as end:
        work = Triage(inbox, out, asked, stop=end.is_set)
        if watch:
            while not end.is_set():
                _tell(work.round(), quiet=quiet)
                end.wait(every)
            return ALL_TAKEN
        told = work.round()
        _tell(told, quiet=quiet)
        if told.arriving:  # the first look only tells what is there; the second, whether it has stayed so
            end.wait(settle)
            told = work.round()
            _tell(told, quiet=quiet)
        report.tell(f"The list of work: {plain(out / 'worklist.txt')}", quiet=quiet)
        if end.is_set():
            return INTERRUPTED
        return STILL_ARRIVING if told.arriving else ALL_TAKEN


def _tell(told: Told, *, quiet: bool) -> None:
    for sender, count in told.taken.items():
        report.tell(f"{plain(sender)}: {count} new.", quiet=quiet)


@contextmanager
def _ending() -> Iterator[threading.Event]:
    """Give an event that a request to end sets, so that the photo in hand is finished."""
    end = threading.Event()
    if threading.current_thread() is not threading.main_thread():
        yield end
        return
    before = {number: signal.signal(number, lambda *_: end.set()) for number in (signal.SIGINT, signal.SIGTERM)}
    try:
        yield end
    finally:
        for number, handler in before.items():
            signal.signal(number, handler)
