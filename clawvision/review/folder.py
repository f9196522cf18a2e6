"""The photos of an assessment that a person may put right, and the files they lie in."""

from __future__ import annotations

import hashlib
from collections.abc import Sequence
from dataclasses import dataclass, fields, replace
from pathlib import Path
from typing import Any, get_args

from clawvision.errors import PhotoRefused, UsageError
from clawvision.manifest import kind_of
from clawvision.outline.sidecar import read_sidecar
from clawvision.output.models import AssessmentRecord, PhotoRecord
from clawvision.output.record import request_again
from clawvision.photo.kept import PHOTOS, photo_file
from clawvision.plain import plain
from clawvision.types import Engine, PhotoRequest, Settings

OUTLINE_REASONS = frozenset(
    {"no_claw", "sidecar_invalid", "outline_beyond_plane", "outline_doubtful", "claws_not_separated", "one_claw_only"}
)
"""What a drawn outline settles."""
SCALE_REASONS = frozenset({"no_reference"})
"""What two points of known distance settle."""


@dataclass(frozen=True, slots=True)
class ReviewPhoto:
    """A photo of the assessment: its record, where it lies now, and what the manifest asked of it."""

    record: PhotoRecord
    request: PhotoRequest

    @property
    def path(self) -> Path:
        """Return the photo's file."""
        return self.request.path

    @property
    def is_as_measured(self) -> bool:
        """Return whether the file is the one that the assessment's run has decoded."""
        if self.record.width is None or self.record.sha256 is None:
            return False
        try:
            with self.path.open("rb") as stream:
                return hashlib.file_digest(stream, "sha256").hexdigest() == self.record.sha256
        except OSError:
            return False

    @property
    def rank(self) -> int:
        """Return 0 where a drawing would settle it, 1 where a person must look, 2 for other refusals, 3 else."""
        codes = {reason.code for reason in self.record.reasons if reason.effect != "note"}
        if codes & OUTLINE_REASONS:
            return 0
        if self.record.status == "review" or codes & SCALE_REASONS:
            return 1
        return 2 if self.record.status == "refused" else 3


def review_photos(record: AssessmentRecord, folder: Path) -> tuple[ReviewPhoto, ...]:
    """Return an assessment's photos that lie in a folder, or the copies that were measured, a person's first.

    Raises
    ------
    UsageError
        If none is there. A name that leads out of the folder counts as not there.
    """
    root = folder.resolve()
    found = []
    for photo in record.photos:
        path = photo_file(folder, photo.photo, photo.sha256)
        if path.resolve().is_relative_to(root) and kind_of(path) == "file":
            request = request_again(
                path, photo.asked, name=photo.photo, animal=photo.animal, foot=photo.asked.foot, stage=photo.stage
            )
            found.append(ReviewPhoto(photo, _from_manifest(request)))
    if not found:
        raise UsageError(
            f"None of the assessment's photos lies in {plain(folder)}.", "Name their folder with --photos FOLDER."
        )
    return tuple(sorted(found, key=lambda photo: photo.rank))


def _from_manifest(request: PhotoRequest) -> PhotoRequest:
    """Return the request without what only the outline file told: that may be drawn anew."""
    try:
        sidecar = read_sidecar(request.path)
    except PhotoRefused:
        return request
    if sidecar is None:
        return request
    return replace(
        request,
        foot=None if request.foot == sidecar.foot else request.foot,
        points=None if request.points == sidecar.points else request.points,
    )


def photo_folder(record: AssessmentRecord, out: Path, given: Path | None) -> Path:
    """Return the folder of the photos: the given one, else one of those that the assessment's command named.

    Raises
    ------
    UsageError
        If no folder is given and none of these holds a photo of the assessment.
    """
    if given is not None:
        return given
    base = out if kind_of(out) == "folder" else out.parent
    for folder in (*(Path(word) for word in record.run.command[1:]), Path(), base, base.parent, base / PHOTOS):
        if kind_of(folder) == "folder" and any(
            photo_file(folder, each.photo, each.sha256).is_file() for each in record.photos
        ):
            return folder
    raise UsageError("The assessment's photos were not found.", "Name their folder with --photos FOLDER.")


def settings_again(record: AssessmentRecord) -> Settings:
    """Return the settings that an assessment was made with, less calibration folders that are no longer there."""
    values: dict[str, Any] = {
        field.name: record.run.parameters[field.name]
        for field in fields(Settings)
        if field.name != "calibration_dirs" and isinstance(record.run.parameters.get(field.name), int | float)
    }
    engine = record.run.parameters.get("engine")
    if engine in get_args(Engine):
        values["engine"] = engine
    named = record.run.parameters.get("calibration_dirs")
    folders = _texts(named) if isinstance(named, list) else ()
    return Settings(**values, calibration_dirs=tuple(folder for folder in folders if kind_of(Path(folder)) == "folder"))


def _texts(values: Sequence[Any]) -> tuple[str, ...]:
    return tuple(value for value in values if isinstance(value, str))
