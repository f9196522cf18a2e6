"""``clawvision compare``: before and after of a trim, from assessments on file."""

from __future__ import annotations

import hashlib
import re
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import click
import numpy as np

from clawvision.apart import bare_apart, read_apart
from clawvision.cli.options import profiles_option, repeats_option, rules_option
from clawvision.compare.comparison import compared
from clawvision.compare.given import given_of
from clawvision.compare.models import ChangeRecord, ComparedFootRecord, ComparisonRecord, PairRecord
from clawvision.compare.picture import Shown, picture_bytes
from clawvision.compare.table import compare_csv
from clawvision.compare.wording import balance_word, change_text, horn_text
from clawvision.errors import OutputError, PhotoRefused
from clawvision.findings.book import load_rules
from clawvision.findings.profiles import load_profiles
from clawvision.output.atomic import write_atomic
from clawvision.output.blur import blurred_around, kept_area
from clawvision.output.models import PhotoRecord
from clawvision.output.read import read_assessment
from clawvision.output.record import dumps
from clawvision.output.wording import measure_word
from clawvision.photo.kept import photo_file
from clawvision.plain import listed, plain, wrapped
from clawvision.regular import read_regular
from clawvision.repeatability.smallest import NONE_KNOWN, read_smallest
from clawvision.types import ByteArray, Photo, Settings

ALL_COMPARED = 0
SOME_NOT = 3
NONE_COMPARED = 4

_TOLD = ("toe_length", "toe_angle", "heel_height", "sole_length", "sole_width", "length_difference", "width_difference")


@click.command("compare", short_help="Compare photos from before and after a trim.")
@click.argument("assessments", nargs=-1, required=True, type=click.Path(path_type=Path))
@click.option(
    "--to",
    required=True,
    type=click.Path(path_type=Path),
    metavar="DIR",
    help="Folder for compare.json, compare.csv and the pictures; made if missing.",
)
@click.option(
    "--photos",
    type=click.Path(path_type=Path, exists=True, file_okay=False),
    metavar="FOLDER",
    help="The assessed photos, to show both beside each drawing. Nothing but their pixels is taken over; what was"
    " assessed with --blur-background is blurred here too.",
)
@profiles_option()
@rules_option
@repeats_option
def compare(
    assessments: tuple[Path, ...],
    to: Path,
    photos: Path | None,
    profile_dirs: tuple[Path, ...],
    rules: Path | None,
    repeatability: Path | None,
) -> int:
    """Tell what a trim took off, and what it came to.

    ASSESSMENTS are files assessment.json, or folders that clawvision assess wrote. Photos of the stages before and
    after that show the same claw of the same foot in the same view, on the same day or at most 7 days apart, are
    compared; of several the surest. Both outlines are laid over one another, in millimetres, by what a trim does not
    touch: the hairline from the coronet point to the bulb in a side view, the borders of the rear half in a sole view.

    For each pair come the changes of all measures and the horn that came off, each with an uncertainty that knows which
    errors two photos share; for each foot, whether a toe is now too short, a heel lowered, the claws still unequal or
    twisted, the angle usual, and the outer toe matched to the inner one. Where the photos do not decide, it says so.
    Nothing here is a line or a length to cut to.

    \b
    Examples:
      clawvision compare result/ --to trimmed/ --photos photos/
      clawvision compare morning/ evening/ --to trimmed/ --profiles profiles/

    \b
    Exit status:
      0  every photo from before or after a trim was compared, and every pair laid over one another
      2  wrong usage, or an assessment that cannot be read; nothing is written
      3  some photos have no partner, need a person's look, or do not fit on one another
      4  no two photos could be compared; nothing is written
      5  the output cannot be written
    """
    records = [read_assessment(path) for path in assessments]
    given = [given_of(record) for record in records]
    smallest = NONE_KNOWN if repeatability is None else read_smallest(repeatability)
    comparison = compared(given, load_profiles(profile_dirs), load_rules(rules), smallest)
    if not comparison.feet:
        click.echo(f"No two photos could be compared.\n{_unpaired(comparison)}".rstrip(), err=True)
        return NONE_COMPARED
    known = {photo.photo: photo for record in records for photo in record.photos}
    blurred = {
        photo.photo for record in records if record.run.parameters.get("blur_background") for photo in record.photos
    }
    notes = []
    pictures = []
    feet = []
    for foot in comparison.feet:
        pairs = []
        for pair in foot.pairs:
            if pair.claw is None or pair.view not in ("side", "sole"):
                pairs.append(pair)
                continue
            shown = []
            for word, name in (("before", pair.before), ("after", pair.after)):
                photo, note = _photo(photos, known[name], blur=name in blurred)
                notes += [note] if note else []
                day = (known[name].taken or "")[:10]
                shown.append(Shown(photo, known[name].claws[pair.claw], f"{word}, {day}"))
            file = _file_name(foot, pair)
            pictures.append((file, picture_bytes(foot, pair, (shown[0], shown[1]))))
            pairs.append(pair.model_copy(update={"picture": file}))
        feet.append(foot.model_copy(update={"pairs": tuple(pairs)}))
    comparison = comparison.model_copy(update={"feet": tuple(feet)})
    _check_target(to)
    for file, data in pictures:
        write_atomic(to / file, data)
    write_atomic(to / "compare.csv", compare_csv(comparison))
    write_atomic(to / "compare.json", dumps(comparison))
    click.echo("\n\n".join(_summary(comparison)))
    for note in dict.fromkeys(notes):
        click.echo(plain(note), err=True)
    if alone := _unpaired(comparison):
        click.echo(alone, err=True)
    click.echo(f"{plain(to / 'compare.json')} written, compare.csv and {len(pictures)} pictures beside it.", err=True)
    return exit_status(comparison)


def exit_status(comparison: ComparisonRecord) -> int:
    """Return 0 if everything was compared, 3 where photos are left over, doubtful or do not fit.

    Verdicts do not count, nor photos of the stage check, which were not taken for a trim.
    """
    unsure = any(
        pair.look_first or (pair.fit is not None and not pair.fit.overlaid)
        for foot in comparison.feet
        for pair in foot.pairs
    )
    left = any("stage check" not in each.why for each in comparison.unpaired)
    return SOME_NOT if unsure or left else ALL_COMPARED


def _photo(folder: Path | None, record: PhotoRecord, *, blur: bool) -> tuple[Photo | None, str]:
    """Return a photo's pixels where its file is there and the one that was measured, and else a note why not."""
    if folder is None:
        return None, ""
    path = photo_file(folder, record.photo, record.sha256)
    try:
        if not path.resolve().is_relative_to(folder.resolve()):
            return None, f"{record.photo} leads out of the folder of photos and is not shown."
        if not path.is_file():
            return None, f"{record.photo} is not in {folder} and is not shown."
        photo, _ = read_apart(path, name=record.photo, settings=Settings())
    except PhotoRefused as error:
        return None, f"{record.photo} cannot be shown: {error.reason.message}"
    except (OSError, ValueError) as error:
        return None, f"{record.photo} cannot be shown: {error}"
    if photo.sha256 != record.sha256 and not _copied(path, record):
        return None, f"{record.photo} in {folder} is not the file that was measured and is not shown."
    return (replace(photo, pixels=_blurred(photo, record)) if blur else photo), ""


def _copied(path: Path, record: PhotoRecord) -> bool:
    """Return whether what was measured is the bare copy of a file, as ``clawvision triage`` makes it."""
    try:
        data = read_regular(path, Settings().max_file_bytes)
        made = bare_apart(data, suffix=path.suffix.casefold(), settings=Settings())
    except (OSError, PhotoRefused):
        return False
    return hashlib.sha256(made.data).hexdigest() == record.sha256


def _blurred(photo: Photo, record: PhotoRecord) -> ByteArray:
    """Return a photo's pixels as its annotated picture shows them where that was asked to blur the background."""
    outlines = [np.array(claw.outline_px or list(claw.landmarks_px.values())) for claw in record.claws.values()]
    scale = record.scale
    reference = (None, None) if scale is None else (scale.reference, np.array(scale.outline_px))
    kept = kept_area(outlines, *reference)
    return blurred_around(photo.pixels, kept)


def _file_name(foot: ComparedFootRecord, pair: PairRecord) -> str:
    """Return the name of a pair's picture: letters that every system takes, and different for different pairs."""
    animal = re.sub(r"[^A-Za-z0-9]+", "-", foot.animal).strip("-")[:40] or "animal"
    return f"{animal}_{foot.foot}_{foot.after}_{pair.claw}_{pair.view}.png"


def _check_target(to: Path) -> None:
    if to.exists() and not to.is_dir():
        raise OutputError(f"{to} is there already and is no folder.", "Name another folder with --to.")


# --- words


def _summary(comparison: ComparisonRecord) -> Iterator[str]:
    for foot in comparison.feet:
        yield "\n".join(_foot(foot))
    cautions = list(dict.fromkeys(caution for foot in comparison.feet for caution in foot.cautions))
    yield "\n".join(["Before anybody cuts:", *(wrapped(each, "  - ", "    ") for each in cautions)])


def _foot(foot: ComparedFootRecord) -> Iterator[str]:
    days = foot.before if foot.before == foot.after else f"{foot.before} to {foot.after}"
    yield wrapped(f"{foot.animal} {foot.foot}, {days}:")
    for pair in foot.pairs:
        changes = [each for each in pair.changes if each.measure in _TOLD]
        whose = f"{pair.claw} claw" if pair.claw else "outer against inner"
        words = [f"{measure_word(each.measure)} {_told(each)}" for each in changes]
        if words:
            yield wrapped(f"{whose}, {pair.view}: {'; '.join(words)}", "  ", "    ")
        if pair.fit is not None and not pair.fit.overlaid:
            yield wrapped(f"not laid over one another: {pair.fit.reason}", "    ", "      ")
        elif text := horn_text(pair):
            yield wrapped(text, "    ", "      ")
        if pair.look_first:
            yield wrapped(f"look at the photo first: {', '.join(pair.look_first)}", "    ", "      ")
    for change in foot.balance:
        yield wrapped(f"{balance_word(change)}: {_told(change)}", "  ", "    ")
    for verdict in foot.verdicts:
        doubt = " (look at the photo first)" if verdict.look_first else ""
        yield wrapped(f"{verdict.text}{doubt}", "  - ", "    ")
    told = foot.after_trim
    if told is not None:
        for words_of, texts in (("Better", told.achieved), ("Open", told.open), ("Harm", told.harm)):
            for text in texts:
                yield wrapped(f"{words_of}: {text}", "  ", "    ")
        for text in told.expectation:
            yield wrapped(text, "  ", "    ")
    for text in foot.trim:
        yield wrapped(text, "  ", "    ")


def _told(change: ChangeRecord) -> str:
    before, after, difference = change_text(change)
    return f"{before} → {after}, {difference}"


def _unpaired(comparison: ComparisonRecord) -> str:
    """Return the photos that were compared with none, by the reason."""
    groups: dict[str, list[str]] = {}
    for each in comparison.unpaired:
        groups.setdefault(each.why, []).append(plain(each.photo))
    if not groups:
        return ""
    lines = [f"{plain(why)}:\n{listed(names, 10)}" for why, names in groups.items()]
    return "Not compared:\n" + "\n".join(lines)
