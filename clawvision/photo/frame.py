"""Between the pixels of a file's picture and those of a photo that was decoded smaller.

What a person gives and what is told are in pixels of the file; every stage works in pixels of the photo.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import replace

import numpy as np

from clawvision.types import (
    WHOLE,
    Camera,
    ClawResult,
    FloatArray,
    Photo,
    Reduction,
    Reference,
    Scale,
    frozen_array,
    frozen_mapping,
)

_Points = Mapping[str, tuple[float, float]]


def camera_in_photo(camera: Camera, photo: Photo) -> Camera:
    """Return the camera of the file's picture as the camera of the photo."""
    reduction = photo.reduction
    if reduction == WHOLE:
        return camera
    centre = reduction.to_photo(np.array((camera.cx, camera.cy)))
    return replace(
        camera,
        width=photo.width,
        height=photo.height,
        fx=camera.fx / reduction.by,
        fy=camera.fy / reduction.by,
        cx=float(centre[0]),
        cy=float(centre[1]),
    )


def reference_in_photo(reference: Reference, reduction: Reduction) -> Reference:
    """Return a reference in pixels of the file's picture in those of the photo."""
    if reduction == WHOLE:
        return reference
    return replace(
        reference,
        points_px=frozen_array(reduction.to_photo(reference.points_px)),
        outline_px=frozen_array(reduction.to_photo(reference.outline_px)),
        sigma_px=reference.sigma_px / reduction.by,
    )


def points_in_photo(points: _Points, reduction: Reduction) -> _Points:
    """Return named pixels of the file's picture in those of the photo."""
    return _named(points, reduction.to_photo) if reduction != WHOLE else points


def scale_in_file(scale: Scale, photo: Photo) -> Scale:
    """Return a scale in pixels of the photo in those of the file's picture. What is in mm stays."""
    reduction = photo.reduction
    if reduction == WHOLE:
        return scale
    by, reference, camera = reduction.by, scale.reference, scale.camera
    centre = reduction.to_file(np.array((camera.cx, camera.cy)))
    return replace(
        scale,
        reference=replace(
            reference,
            points_px=frozen_array(reduction.to_file(reference.points_px)),
            outline_px=frozen_array(reduction.to_file(reference.outline_px)),
            sigma_px=reference.sigma_px * by,
        ),
        camera=replace(
            camera,
            width=photo.file_size[0],
            height=photo.file_size[1],
            fx=camera.fx * by,
            fy=camera.fy * by,
            cx=float(centre[0]),
            cy=float(centre[1]),
        ),
        reprojection_px=scale.reprojection_px * by,
    )


def claw_in_file(claw: ClawResult, reduction: Reduction) -> ClawResult:
    """Return a measured claw in pixels of the photo in those of the file's picture."""
    if reduction == WHOLE:
        return claw
    return replace(
        claw,
        outline_px=None if claw.outline_px is None else frozen_array(reduction.to_file(claw.outline_px)),
        landmarks_px=_named(claw.landmarks_px, reduction.to_file),
        guides_px=lines_in_file(claw.guides_px, reduction),
    )


def lines_in_file(lines: Mapping[str, FloatArray], reduction: Reduction) -> Mapping[str, FloatArray]:
    """Return named lines (N, 2) in pixels of the photo in those of the file's picture."""
    if reduction == WHOLE:
        return lines
    return frozen_mapping({name: frozen_array(reduction.to_file(np.asarray(line))) for name, line in lines.items()})


def _named(points: _Points, move: Callable[[FloatArray], FloatArray]) -> _Points:
    moved = {name: move(np.array(point, dtype=np.float64)) for name, point in points.items()}
    return frozen_mapping({name: (float(point[0]), float(point[1])) for name, point in moved.items()})
