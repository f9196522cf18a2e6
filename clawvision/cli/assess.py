"""``clawvision assess``: photos in, measured and assessed claws out."""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import dataclass, field
from pathlib import Path

import click
from click.core import ParameterSource

from clawvision.batch import assess_collected
from clawvision.cli import report
from clawvision.cli.options import CALIBRATION, measuring_options, running_options, table_options, usual_jobs
from clawvision.manifest import collect
from clawvision.types import Settings

ALL_MEASURED = 0
SOME_UNSURE = 3
NONE_MEASURED = 4

_NO_BEARING = ("out", "jobs", "quiet", "dry_run")


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
    command: tuple[str, ...] = ("clawvision", "assess")


@click.command("assess", short_help="Measure and assess the claws in photos.")
@click.argument("photos", nargs=-1, required=True, type=click.Path(path_type=Path))
@click.option("--out", type=click.Path(path_type=Path), metavar="OUT", help="Folder for the results; made if missing.")
@click.option(
    "--manifest",
    type=click.Path(path_type=Path, exists=True, dir_okay=False),
    metavar="CSV",
    help="Table of what is known of the photos.  [default: photos.csv in the photos' folder]",
)
@measuring_options
@table_options
@running_options
@click.option(
    "--dry-run",
    is_flag=True,
    help="Only tell which files would be read with which context, and why others would not. Writes nothing.",
)
@click.pass_context
def assess(
    context: click.Context,
    photos: tuple[Path, ...],
    out: Path | None,
    manifest: Path | None,
    profile: str | None,
    profile_dirs: tuple[Path, ...],
    rules: Path | None,
    calibration_dirs: tuple[Path, ...],
    print_scale: float,
    tick_mm: float,
    max_file_mb: float,
    max_megapixels: float,
    csv_delimiter: str | None,
    csv_decimal: str,
    jobs: int | None,
    quiet: bool,
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

    A file NAME.outline.json beside a photo, with an outline drawn by hand, counts more than what the program
    sees.

    OUT holds assessment.json (everything), measures.csv (one row a measure) and annotated/ (the photos with
    the measures drawn in). Finished photos are kept in OUT/records: after an interruption the same command goes
    on where it stopped, and a photo is done again only where it, its row, the settings or the program changed.

    Nothing is written to standard output, except by --dry-run. At the end standard error tells which photos and
    which feet need a person.

    \b
    Examples:
      clawvision assess photos/ --out result/
      clawvision assess photos/ --out result/ --dry-run
      clawvision assess june/ july/ --out result/ --profile jersey
      clawvision assess IMG_0412.jpg --out result/ --print-scale 0.986
      clawvision assess photos/ --out result/ --csv-decimal , --quiet

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
        settings=Settings(
            max_file_bytes=round(max_file_mb * 1e6),
            max_pixels=round(max_megapixels * 1e6),
            print_scale=print_scale,
            tick_mm=tick_mm,
            calibration_dirs=tuple(str(folder) for folder in calibration_dirs or usual_calibration()),
        ),
        jobs=jobs,
        profile=profile,
        profile_dirs=profile_dirs,
        rules=rules,
        csv_delimiter=csv_delimiter,
        csv_decimal=csv_decimal,
        quiet=quiet,
        command=("clawvision", *_command(context)),
    )
    if out is None or dry_run:
        collected = collect(photos, manifest)
        report.tell(report.notes(collected), quiet=quiet)
        click.echo(report.dry_run(collected))
        return ALL_MEASURED
    return run(photos, out, manifest, asked)


def run(photos: tuple[Path, ...], out: Path, manifest: Path | None, asked: Asked) -> int:
    """Assess the photos, tell of it on standard error, and return the exit status."""
    collected = collect(photos, manifest)
    report.tell(report.notes(collected), quiet=asked.quiet)
    closing = report.Closing()
    try:
        with report.telling(len(collected.requests), quiet=asked.quiet) as teller:
            assess_collected(
                collected,
                out,
                settings=asked.settings,
                jobs=asked.jobs or usual_jobs(),
                profile=asked.profile,
                profile_dirs=asked.profile_dirs,
                rules=asked.rules,
                csv_delimiter=asked.csv_delimiter or (";" if asked.csv_decimal == "," else ","),
                csv_decimal=asked.csv_decimal,
                command=asked.command,
                progress=teller,
                told=closing,
            )
    except KeyboardInterrupt:
        report.tell("Finished photos are kept: the same command goes on with the others.", quiet=asked.quiet)
        raise
    report.tell(closing.words(out, teller.kept), quiet=asked.quiet)
    return exit_status(closing.statuses)


def exit_status(statuses: Collection[str]) -> int:
    """Return 0 if every photo was measured, 4 if none was, 3 otherwise. Findings do not count."""
    if set(statuses) <= {"measured"}:
        return ALL_MEASURED
    return NONE_MEASURED if set(statuses) == {"refused"} else SOME_UNSURE


def usual_calibration() -> tuple[Path, ...]:
    """Return the calibration folder of the folder where the command is given, if there is one."""
    return (CALIBRATION,) if CALIBRATION.is_dir() else ()


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
            words += [str(each) for each in values]
        else:
            words += [word for each in values for word in (parameter.opts[0], str(each))]
    return words
