"""``clawvision calibrate``: a lens calibration from photos of a printed target."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import replace
from datetime import date
from pathlib import Path

import click

from clawvision.apart import each_read_apart
from clawvision.output.atomic import write_atomic
from clawvision.plain import plain
from clawvision.scale.calibrate import calibrate as calibrate_lens
from clawvision.scale.calibration import LensCalibration
from clawvision.scale.target import TARGETS, TargetKind
from clawvision.types import Photo, Reason, Settings


@click.command("calibrate", short_help="Make a lens calibration from photos of a printed target.")
@click.argument("photos", nargs=-1, required=True, type=click.Path(exists=True, path_type=Path))
@click.option(
    "--out",
    type=click.Path(path_type=Path, file_okay=False),
    default=Path("calibration"),
    show_default=True,
    help="Folder for the calibration file.",
)
@click.option(
    "--target",
    "kind",
    type=click.Choice(["charuco", "chessboard"]),
    default="charuco",
    show_default=True,
    help="The printed target, as written by: clawvision card --target.",
)
@click.option(
    "--square-mm",
    type=click.FloatRange(5, 500),
    help="What one square of the print measures, mm.  [default: 35 for charuco, 25 for chessboard]",
)
def calibrate(photos: tuple[Path, ...], out: Path, kind: TargetKind, square_mm: float | None) -> None:
    """Make a lens calibration from PHOTOS (files, or folders of them) of a printed target.

    Without a calibration the focal length comes from the photo's EXIF data, which is true to some percent, and
    the lens is taken to draw straight lines straight. A calibration knows both better, which narrows the
    uncertainty of every measure, most where the claw lies behind the card.

    Print a target (clawvision card --target charuco), glue it flat on a board or on glass, and take 10 to 20
    photos with the camera that photographs the claws: no zoom, the same distance as for claws, the target large in the
    picture; some square on, the others tilted 20 to 40 degrees to the left, right, above and below; now and then
    with the target in the corners. Use the photos as the camera stored them: their EXIF data tell which camera
    the calibration is for, and photos by the same camera and zoom find it by themselves.

    The report tells how far the target's corners are from where the found lens would draw them (reprojection
    error), for each photo and in all. Photos that cannot be used are named with the reason.

    \b
    Examples:
      clawvision calibrate target-photos/
      clawvision calibrate IMG_01*.jpg --target chessboard --square-mm 24.8

    \b
    Exit status:
      0  the calibration was written
      2  wrong usage, or photos from which no calibration can be made; the message says what to do
      5  the file cannot be written
    """
    target = TARGETS[kind] if square_mm is None else replace(TARGETS[kind], square_mm=square_mm)
    refused: list[str] = []
    result = calibrate_lens(_read(list(_files(photos)), refused), target, date=date.today().isoformat())
    path = out / result.file_name
    write_atomic(path, result.to_json())
    click.echo("\n".join(_report(result, refused)))
    click.echo(f"{path} written.", err=True)


def _files(paths: Iterable[Path]) -> Iterator[Path]:
    for path in paths:
        if path.is_dir():
            yield from sorted(child for child in path.iterdir() if child.is_file() and not child.name.startswith("."))
        else:
            yield path


def _read(paths: list[Path], refused: list[str]) -> Iterator[Photo]:
    """Read one photo after another, so that only one is held at a time."""
    found = each_read_apart([(path, plain(path.name)) for path in paths], Settings())
    for number, (path, photo) in enumerate(found, 1):
        name = plain(path.name)
        click.echo(f"{number} of {len(paths)}: {name}", err=True)
        if isinstance(photo, Reason):
            refused.append(f"{name}: {photo.message}")
            click.echo(f"  not used: {photo.message} {photo.advice}", err=True)
            continue
        yield photo[0]


def _report(result: LensCalibration, refused: list[str]) -> list[str]:
    camera = " ".join(part for part in (result.make, result.model) if part)
    lines = [f"Lens of {camera}, {result.width} × {result.height} pixels", "", "Reprojection error by photo:"]
    lines += [
        f"  {view.photo}: {view.rms_px:.2f} px ({view.corners} corners, tilted {view.tilt_deg:.0f}°)"
        for view in result.photos
    ]
    unused = [f"{photo.photo}: {photo.reason}" for photo in result.dropped] + refused
    if unused:
        lines += ["", "Not used:", *(f"  {text}" for text in unused)]
    lines += [
        "",
        f"Over all {len(result.photos)} photos: {result.rms_px:.2f} px",
        f"Focal length: {(result.fx + result.fy) / 2:.1f} px, standard uncertainty {result.u_focal_rel:.1%} in use",
        *result.remarks,
    ]
    return lines
