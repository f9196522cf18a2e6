"""One photo through the whole chain: photo → scale → outline → landmarks → measures.

The stages are pure; this module only hands each one's result to the next and decides the status.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, field, replace
from functools import lru_cache
from pathlib import Path

import numpy as np

from clawvision.errors import PhotoRefused
from clawvision.measure.claws import Measured, measure_claws
from clawvision.outline.find import default_segmenter, find_outlines, rough_references
from clawvision.outline.segmenter import ReferenceTeller, Segmenter
from clawvision.outline.sidecar import Sidecar, read_sidecar
from clawvision.photo.frame import camera_in_photo, claw_in_file, lines_in_file, scale_in_file
from clawvision.photo.quality import judge_quality, too_dark_to_see
from clawvision.photo.read import read_photo
from clawvision.scale.calibration import LensCalibration, load_calibrations, match_calibration
from clawvision.scale.find import find_scale, unconfirmed, with_offset
from clawvision.scale.plane import mm_per_px
from clawvision.types import (
    WHOLE,
    Camera,
    FloatArray,
    Outlines,
    Photo,
    PhotoRequest,
    PhotoResult,
    Reason,
    Scale,
    Settings,
    Status,
    frozen_mapping,
)

SERVES_PX = 1920
"""A photo is read no smaller than this along its longer side: a fifth more than the sample photos, on which everything
that is known of the accuracy was found."""

ScaleFinder = Callable[[Photo, PhotoRequest, Settings, Camera | None, Callable[[], Sequence[FloatArray]]], Scale]
"""What `find_scale` is."""


@dataclass(slots=True)
class _Known:
    """What is known of a photo so far; kept when a later stage refuses it."""

    request: PhotoRequest
    photo: Photo | None = None
    scale: Scale | None = None
    outlines: Outlines | None = None
    measured: Measured | None = None
    reasons: list[Reason] = field(default_factory=list)


def run_photo(
    request: PhotoRequest, settings: Settings, *, segmenter: Segmenter | None = None
) -> tuple[PhotoResult, Photo | None]:
    """Read and measure one photo.

    Parameters
    ----------
    request
        The photo and what is known of it.
    settings
        What a run may vary.
    segmenter
        What finds the outlines that nobody drew; the package's own by default.

    Returns
    -------
    result : PhotoResult
        Status ``refused`` with the reason where the photo cannot be measured.
    photo : Photo or None
        The decoded photo, as small as serves; None where it could not be read.

    Raises
    ------
    UsageError
        If a calibration file, or two given points, cannot be used.
    MissingExtraError
        If the engine that is to run the network is not installed.
    """
    known = _Known(request)
    try:
        known.photo, notes = read_photo(request.path, name=request.name, settings=settings, long_side=SERVES_PX)
        known.reasons += notes
        sidecar = read_sidecar(request.path)
    except PhotoRefused as refusal:
        known.reasons.append(refusal.reason)
        return _result(known), known.photo
    return run_drawn(known.photo, notes, request, settings, sidecar, segmenter=segmenter), known.photo


def run_drawn(
    photo: Photo,
    notes: tuple[Reason, ...],
    request: PhotoRequest,
    settings: Settings,
    sidecar: Sidecar | None,
    *,
    segmenter: Segmenter | None = None,
    scale_finder: ScaleFinder = find_scale,
) -> PhotoResult:
    """Measure a photo that was read before, with what a person drew on it.

    Parameters
    ----------
    photo, notes
        What `read_photo` returned. `run_photo` reads with a longer side of `SERVES_PX`.
    request
        The photo and what is known of it.
    settings
        What a run may vary.
    sidecar
        What a person drew, or None.
    segmenter
        What finds the outlines that nobody drew; the package's own by default.
    scale_finder
        `find_scale`, or what remembers its answers: the scale stays as it is while a person draws.

    Returns
    -------
    PhotoResult
        The result that `run_photo` has with this sidecar beside the photo.

    Raises
    ------
    UsageError, MissingExtraError
        As from `run_photo`.
    """
    known = _Known(_completed(request, sidecar), photo)
    known.reasons += notes
    try:
        calibrations = _calibrations(settings.calibration_dirs)
        _measure(known, settings, sidecar, calibrations, segmenter or default_segmenter(settings.engine), scale_finder)
    except PhotoRefused as refusal:
        known.reasons.append(refusal.reason)
    return _result(known)


def _completed(request: PhotoRequest, sidecar: Sidecar | None) -> PhotoRequest:
    """Return the request with the foot and the points of known distance that only the sidecar tells."""
    if sidecar is None:
        return request
    return replace(request, foot=request.foot or sidecar.foot, points=request.points or sidecar.points)


def _measure(
    known: _Known,
    settings: Settings,
    sidecar: Sidecar | None,
    calibrations: tuple[LensCalibration, ...],
    segmenter: Segmenter,
    scale_finder: ScaleFinder,
) -> None:
    """Run the stages after reading, noting each one's result in ``known``."""
    photo, request = known.photo, known.request
    assert photo is not None
    dark = too_dark_to_see(photo)
    try:
        scale = scale_finder(
            photo, request, settings, _camera(photo, calibrations), lambda: rough_references(photo, segmenter)
        )
    except PhotoRefused:
        if dark is not None:
            known.reasons.append(dark)
        raise
    known.scale = scale
    outlines = find_outlines(photo, scale, request, settings, sidecar, segmenter=segmenter)
    scale = with_offset(scale, outlines.view, request)
    known.scale, known.outlines = scale, outlines
    known.reasons += [*scale.reasons, *outlines.reasons]
    if isinstance(segmenter, ReferenceTeller):
        known.reasons += unconfirmed(scale.reference, rough_references(photo, segmenter))
    known.reasons += judge_quality(photo, outlines, scale)
    if any(found.effect == "refused" for found in known.reasons):
        return
    known.measured = measure_claws(outlines, scale)
    known.reasons += known.measured.reasons


@lru_cache(maxsize=8)
def _calibrations(dirs: tuple[str, ...]) -> tuple[LensCalibration, ...]:
    return load_calibrations([Path(folder) for folder in dirs])


def _camera(photo: Photo, calibrations: tuple[LensCalibration, ...]) -> Camera | None:
    found = match_calibration(calibrations, photo.exif, *photo.file_size)
    if found is None:
        return None
    return camera_in_photo(found.camera(*photo.file_size, photo.exif.orientation), photo)


def _status(reasons: Iterable[Reason], measured: Measured | None) -> Status:
    effects = {found.effect for found in reasons}
    if "refused" in effects or measured is None:
        return "refused"
    return "review" if "review" in effects else "measured"


def _result(known: _Known) -> PhotoResult:
    """Return what is known, in pixels of the file."""
    photo, outlines, measured = known.photo, known.outlines, known.measured
    reduction = photo.reduction if photo is not None else WHOLE
    scale = scale_in_file(known.scale, photo) if known.scale is not None and photo is not None else None
    # Two stages may see the same thing, the frame's edge for one.
    reasons = tuple(dict.fromkeys(known.reasons))
    status = _status(reasons, measured)
    size = None
    if scale is not None and outlines is not None and outlines.claws:
        drawn = [claw.outline_px for claw in outlines.claws if claw.outline_px is not None]
        given = [np.array(list(claw.given.values())) for claw in outlines.claws if claw.given]
        size = mm_per_px(scale, reduction.to_file(np.vstack([*drawn, *given]).mean(axis=0)))
    claws = measured.claws if measured is not None else {}
    return PhotoResult(
        request=known.request,
        sha256=photo.sha256 if photo is not None else None,
        size=photo.file_size if photo is not None else None,
        exif=photo.exif if photo is not None else None,
        view=outlines.view if outlines is not None else known.request.view,
        view_inferred=outlines.view_inferred if outlines is not None else False,
        taken=known.request.taken or (photo.exif.taken if photo is not None else None),
        status=status,
        reasons=reasons,
        scale=scale,
        mm_per_px=size,
        claws=frozen_mapping({name: claw_in_file(claw, reduction) for name, claw in claws.items()}),
        foot_measures=frozen_mapping(measured.foot_measures if measured is not None else {}),
        foot_guides_px=lines_in_file(frozen_mapping(measured.foot_guides_px if measured else {}), reduction),
    )
