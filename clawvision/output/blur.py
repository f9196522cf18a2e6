"""All of a photo but the measured foot and the reference made unrecognisable, for pictures that are passed on."""

from __future__ import annotations

from collections.abc import Iterable

import cv2
import numpy as np
import shapely

from clawvision.types import ByteArray, FloatArray, PhotoResult, ReferenceKind

CELLS = 12
"""So many cells along the longer side are all that is left of what is blurred: a colour each, of a whole picture about
a hundred. A face no nearer to the camera than the claw is about as large as the claw, which fills a third to half of
the picture: it comes down to some five cells across, too few for eyes, nose and mouth (status J)."""
_AROUND_CLAW = 0.15
"""What stays sharp around the horn, as a share of its extent: hairline, and a bit of the leg above it (status J)."""
_AROUND_CARD = 0.05
_RIM = 0.04
"""Width of the rim of a plain card that stays sharp, as a share of its extent (status J)."""
_ALONG_POINTS = 0.04


def blurred_around(pixels: ByteArray, kept: shapely.Geometry) -> ByteArray:
    """Return a copy of a picture that is blurred but for one area.

    The picture is reduced to a few cells and drawn large again between their middles, so that nothing but the cells'
    mean colours is left: no sharpening brings back what is not there.

    Parameters
    ----------
    pixels : uint8 (H, W, 3)
        RGB.
    kept
        The area that stays as it is, in pixels.
    """
    height, width = pixels.shape[:2]
    cell = max(width, height) / CELLS
    few = (max(1, round(width / cell)), max(1, round(height / cell)))
    cells = cv2.resize(pixels, few, interpolation=cv2.INTER_AREA)
    result = np.asarray(cv2.resize(cells, (width, height), interpolation=cv2.INTER_LINEAR), dtype=np.uint8)
    mask = _mask(kept, (height, width))
    result[mask] = pixels[mask]
    return result


def kept_area(
    outlines: Iterable[FloatArray], reference: ReferenceKind | None, reference_px: FloatArray | None
) -> shapely.Geometry:
    """Return what stays sharp: the claws with a margin, and the reference.

    Parameters
    ----------
    outlines
        Each claw's outline (N, 2), or its landmarks where it has none.
    reference, reference_px
        What the scale was read from and its outline (M, 2). Of a plain card only the rim is kept, which is all that it
        is measured by: it may be somebody's bank or identity card.
    """
    parts = [_claw(points) for points in outlines if len(points) and np.isfinite(points).all()]
    if reference is not None and reference_px is not None and np.isfinite(reference_px).all() and len(reference_px) > 1:
        parts.append(_reference(reference, reference_px))
    return shapely.union_all(parts) if parts else shapely.Polygon()


def kept_of(result: PhotoResult) -> shapely.Geometry:
    """Return what stays sharp, in pixels of the file: nothing of a photo that was refused, where no claw is sure."""
    if result.status == "refused":
        return shapely.Polygon()
    points = [
        claw.outline_px if claw.outline_px is not None else np.array(list(claw.landmarks_px.values())).reshape(-1, 2)
        for claw in result.claws.values()
    ]
    reference = None if result.scale is None else result.scale.reference
    return kept_area(
        points, None if reference is None else reference.kind, None if reference is None else reference.outline_px
    )


def _claw(points: FloatArray) -> shapely.Geometry:
    shape = shapely.Polygon(points).buffer(0) if len(points) >= 3 else shapely.MultiPoint(points).convex_hull
    if shape.is_empty:
        shape = shapely.MultiPoint(points).convex_hull
    return shape.buffer(_AROUND_CLAW * float(np.ptp(points, axis=0).max()))


def _reference(kind: ReferenceKind, points: FloatArray) -> shapely.Geometry:
    extent = float(np.ptp(points, axis=0).max())
    if len(points) == 2:
        return shapely.LineString(points).buffer(_ALONG_POINTS * extent)
    shape = shapely.Polygon(points).buffer(0)
    around = shape.buffer(_AROUND_CARD * extent)
    return around.difference(shape.buffer(-_RIM * extent)) if kind == "id1" else around


def _mask(area: shapely.Geometry, shape: tuple[int, int]) -> np.ndarray:
    """Return the pixels (H, W) whose centres lie in an area, to a pixel."""
    mask = np.zeros(shape, dtype=np.uint8)
    for part in shapely.get_parts(area):
        if part.geom_type == "Polygon" and not part.is_empty:
            rings = [np.rint(np.clip(ring.coords, -30_000, 60_000)).astype(np.int32) for ring in _rings(part)]
            cv2.fillPoly(mask, rings, 1)
    return mask > 0


def _rings(part: shapely.Polygon) -> list[shapely.LinearRing]:
    return [part.exterior, *part.interiors]
