"""``clawvision assess``: photos in, measured and assessed claws out."""

from __future__ import annotations

from collections.abc import Collection, Iterator
from concurrent.futures import Executor
from contextlib import contextmanager
from dataclasses import dataclass, field
from itertools import chain
from pathlib import Path

import click
from click.core import ParameterSource

from clawvision.batch import assess_collected
from clawvision.cli import report
from clawvision.cli.browse import open_page
from clawvision.cli.options import (
    LocalPath,
    PhotosPlace,
    measuring_options,
    picture_option,
    running_options,
    settings_of,
    table_options,
    usual_jobs,
    working_options,
)
from clawvision.errors import UsageError
from clawvision.executors import Limits, ProcessExecutor
from clawvision.findings.profiles import load_profiles
from clawvision.manifest import Collected, collect
from clawvision.output.read import read_assessment
from clawvision.plain import plain
from clawvision.remote import FetchingExecutor, Source, found, shown
from clawvision.report.html import need_html
from clawvision.report.write import PAGE, Wanted, write_page
from clawvision.types import Engine, Settings

ALL_MEASURED = 0
SOME_UNSURE = 3
NONE_MEASURED = 4

_NO_BEARING = ("out", "jobs", "quiet", "page", "show", "dry_run", "cluster", "max_seconds", "max_memory_gb")
_CLUSTER_JOBS = 256
"""Photos that a cluster is given at a time; how many of them are in work is for its workers to say."""


@dataclass(frozen=True, slots=True)
class Asked:
    """What the command line asks for, besides the photos."""

    settings: Settings = field(default_factory=Settings)
    jobs: int | None = None
    profile: str | None = None
    profile_dirs: tuple[Path, ...] = ()
    rules: Path | None = None
    csv_delimiter: str | None = None
    csv_decimal: str = "."
    quiet: bool = False
    page: bool = False
    show: bool = False
    limits: Limits = field(default_factory=Limits)
    cluster: str | None = None
    command: tuple[str, ...] = ("clawvision", "assess")


@click.command("assess", short_help="Measure and assess the claws in photos.")
@click.argument("photos", nargs=-1, required=True, type=PhotosPlace(path_type=Path))
@click.option("--out", type=LocalPath(path_type=Path), metavar="OUT", help="Folder for the results; made if missing.")
@click.option(
    "--manifest",
    type=click.Path(path_type=Path, exists=True, dir_okay=False),
    metavar="CSV",
    help="Table of what is known of the photos.  [default: photos.csv in the photos' folder]",
)
@measuring_options
@picture_option
@table_options
@running_options
@click.option("--report", "page", is_flag=True, help="Also write OUT/report.html, as clawvision report does.")
@click.option("--open", "show", is_flag=True, help="Write the report and open it in the browser.")
@working_options
@click.option(
    "--dry-run",
    is_flag=True,
    help="Only tell which files would be read with which context, and why others would not. Writes nothing.",
)
@click.pass_context
def assess(
    context: click.Context,
    photos: tuple[Path | str, ...],
    out: Path | None,
    manifest: Path | None,
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
    csv_delimiter: str | None,
    csv_decimal: str,
    jobs: int | None,
    quiet: bool,
    page: bool,
    show: bool,
    cluster: str | None,
    max_seconds: float,
    max_memory_gb: float,
    dry_run: bool,
) -> int:
    """Measure and assess the claws in PHOTOS, which are folders or files, and write the results to OUT.

    PHOTOS are JPEG, PNG or TIFF, and HEIC with an extra package. Each must show the scale card, a plain card of
    that size or a ruler beside the claw. A folder's own folders are not searched; name them as well.

    What is known of the photos stands in a table, photos.csv in their folder or named with --manifest: one row a
    photo, of which only the column photo is required. Others are animal, foot (LF RF LH RH), view (side sole
    front rear), claw (outer inner), stage (before after check), taken, profile, offset_mm, trimmed, locomotion (1
    to 5), signs (swelling heat wound smell pain), tick_mm, points (x1 y1 x2 y2 mm). Photos that the table does not
    name are left out, and told. Without a table each folder is taken as one animal.

    Instead of folders and files PHOTOS may be the URL of one folder in another place, such as s3://bucket/folder,
    with an extra package. Its photos are fetched one at a time, and nothing of them is left here.

    A file NAME.outline.json beside a photo, with an outline drawn by hand, counts more than what the program
    sees.

    OUT holds assessment.json (everything), measures.csv (one row a measure) and annotated/ (the photos with
    the measures drawn in; people in them stay visible without --blur-background). Finished photos are kept in
    OUT/records: after an interruption the same command goes on where it stopped, and a photo is done again only where
    it, its row, the settings or the program changed.

    Nothing is written to standard output, except by --dry-run. At the end standard error tells which photos and
    which feet need a person.

    \b
    Examples:
      clawvision assess photos/ --out result/
      clawvision assess photos/ --out result/ --open
      clawvision assess photos/ --out result/ --dry-run
      clawvision assess june/ july/ --out result/ --profile jersey
      clawvision assess IMG_0412.jpg --out result/ --print-scale 0.986
      clawvision assess photos/ --out result/ --csv-decimal , --quiet
      clawvision assess s3://bucket/june --out result/
      clawvision assess /share/photos --out /share/result --cluster tcp://scheduler:8786

    \b
    Exit status:
      0    everything was measured
      1    an error of the program itself
      2    wrong usage: an option, the manifest or a profile cannot be used
      3    some photos need a person's look or were refused
      4    no photo could be measured
      5    the output cannot be written
      6    an optional package is missing; the message says how to install it
      130  interrupted
    """
    if out is None and not dry_run:
        raise click.UsageError("Missing option '--out': the folder for the results.", context)
    asked = Asked(
        settings=settings_of(
            max_file_mb=max_file_mb,
            max_megapixels=max_megapixels,
            print_scale=print_scale,
            tick_mm=tick_mm,
            calibration_dirs=calibration_dirs,
            blur_background=blur_background,
            engine=engine,
        ),
        jobs=jobs,
        profile=profile,
        profile_dirs=profile_dirs,
        rules=rules,
        csv_delimiter=csv_delimiter,
        csv_decimal=csv_decimal,
        quiet=quiet,
        page=page,
        show=show,
        limits=Limits(max_seconds, round(max_memory_gb * 1e9)),
        cluster=cluster,
        command=("clawvision", *_command(context)),
    )
    if out is None or dry_run:
        with _found(photos, manifest) as (collected, _):
            report.tell(report.notes(collected), quiet=quiet)
            click.echo(report.dry_run(collected))
        return ALL_MEASURED
    return run(photos, out, manifest, asked)


def run(photos: tuple[Path | str, ...], out: Path, manifest: Path | None, asked: Asked) -> int:
    """Assess the photos, tell of it on standard error, and return the exit status."""
    if asked.page or asked.show:
        need_html()  # before hours of work
    with _found(photos, manifest) as (collected, source):
        report.tell(report.notes(collected), quiet=asked.quiet)
        return _run(collected, source, out, asked)


def _run(collected: Collected, source: Source | None, out: Path, asked: Asked) -> int:
    closing = report.Closing()
    try:
        with (
            _executor(asked, collected, source, out) as (executor, jobs),
            report.telling(len(collected.requests), quiet=asked.quiet) as teller,
        ):
            assess_collected(
                collected,
                out,
                settings=asked.settings,
                jobs=jobs,
                profile=asked.profile,
                profile_dirs=asked.profile_dirs,
                rules=asked.rules,
                csv_delimiter=asked.csv_delimiter or (";" if asked.csv_decimal == "," else ","),
                csv_decimal=asked.csv_decimal,
                command=asked.command,
                progress=teller,
                executor=executor,
                told=closing,
            )
    except KeyboardInterrupt:
        report.tell("Finished photos are kept: the same command goes on with the others.", quiet=asked.quiet)
        raise
    report.tell(closing.words(out, teller.kept), quiet=asked.quiet)
    if asked.page or asked.show:
        file = out / PAGE
        write_page(read_assessment(out), out, file, Wanted(profiles=load_profiles(asked.profile_dirs)))
        report.tell(f"{plain(file)} written.", quiet=asked.quiet)
        if asked.show:
            open_page(file)
    return exit_status(closing.statuses)


@contextmanager
def _found(photos: tuple[Path | str, ...], manifest: Path | None) -> Iterator[tuple[Collected, Source | None]]:
    """Give the photos, and where they have to be fetched from if that is not this computer."""
    urls = [place for place in photos if isinstance(place, str)]
    if not urls:
        yield collect([place for place in photos if isinstance(place, Path)], manifest), None
        return
    if len(photos) > 1:
        raise UsageError(
            f"{plain(shown(urls[0]))} was named together with others.",
            "A URL is a run of its own: give the command once for each, with the same --out if you like.",
        )
    with found(urls[0], manifest) as source:
        yield source.collected, source


@contextmanager
def _executor(asked: Asked, collected: Collected, source: Source | None, out: Path) -> Iterator[tuple[Executor, int]]:
    """Give where the photos are worked on, and how many at a time."""
    with _workers(asked, collected if source is None else None, out) as (workers, jobs):
        yield workers if source is None else FetchingExecutor(workers, source, asked.settings.max_file_bytes), jobs


@contextmanager
def _workers(asked: Asked, collected: Collected | None, out: Path) -> Iterator[tuple[Executor, int]]:
    """Give processes or a cluster, and how many photos each has at a time; ``collected`` are photos it must see."""
    if asked.cluster is None:
        jobs = asked.jobs or usual_jobs()
        with ProcessExecutor(jobs, asked.limits) as processes:
            yield processes, jobs
        return
    from clawvision.executors.cluster import cluster_executor  # with an extra that most runs do without

    photos = () if collected is None else (request.path for request in collected.requests)
    calibrations = [path for folder in asked.settings.calibration_dirs for path in sorted(Path(folder).iterdir())]
    with cluster_executor(asked.cluster, asked.limits) as cluster:
        cluster.check(chain(photos, calibrations), out)
        yield cluster, asked.jobs or _CLUSTER_JOBS


def exit_status(statuses: Collection[str]) -> int:
    """Return 0 if every photo was measured, 4 if none was, 3 otherwise. Findings do not count."""
    if set(statuses) <= {"measured"}:
        return ALL_MEASURED
    return NONE_MEASURED if set(statuses) == {"refused"} else SOME_UNSURE


def _command(context: click.Context) -> list[str]:
    """Return the command as given, less what does not bear on the results, so that equal runs write equal files."""
    words = [context.command.name or ""]
    for parameter in context.command.params:
        name = parameter.name or ""
        if name in _NO_BEARING or context.get_parameter_source(name) is not ParameterSource.COMMANDLINE:
            continue
        value = context.params[name]
        values = value if isinstance(value, tuple) else (value,)
        if isinstance(parameter, click.Argument):
            words += [shown(each) if isinstance(each, str) else str(each) for each in values]
        elif isinstance(parameter, click.Option) and parameter.is_flag:
            words.append(parameter.opts[0])
        else:
            words += [word for each in values for word in (parameter.opts[0], str(each))]
    return words
