"""Whether a photo is good enough where it matters: at the claws and at the reference.

Every limit is the project's own judgement, set on rendered photos with known flaws and on good ones made
worse by known amounts; between limit and good photos there is a margin on both sides.
"""

from __future__ import annotations

from typing import Any, Literal

import cv2
import numpy as np
import shapely

from clawvision.photo.sharpness import edge_blur
from clawvision.reasons import reason
from clawvision.types import FloatArray, Outlines, Photo, Reason, Scale

BLUR_LIMIT_PX = 1.1
"""Equivalent Gaussian blur, px of a picture with a diagonal of 2000 px. Sharp photos: up to 0.9 at the claw and
at the card; with a further blur of 1.5 px or a shake of 7 px: from 1.3 up."""
BLUR_LIMIT_BESIDE_SHARP_PRINT_PX = 1.6
"""The same of a claw beside a reference that is sharp: 95 % of sharp rendered photos of our own stay below 1.3, where a
claw is of one colour."""
DARK_PICTURE = 95.0
"""Grey level under which 95 % of a picture lie when it is about 2.5 stops too dark. Good photos: from 122 up."""
DARK_CLAW = 60.0
"""Grey level under which 90 % of the claw and of what is around it lie when no edge can be told."""
DARK_CARD = 120.0
"""Grey level of the scale card's matt white in a photo 2.5 stops too dark. Good photos: from 210 up. Where what is
around the claw is lighter than this, only the card lies in shade."""
BRIGHT_MEDIAN = 225.0
"""Median grey level of a burnt out claw. Good photos: up to 182."""
CLIPPED_LEVEL = 252
CLIPPED_SHARE = 0.15
"""Share of the claw with a channel at its end. Good photos: up to 0.04; wet horn in the sun reaches 0.2."""
CLIPPED_PICTURE_SHARE, CLIPPED_TOO = 0.25, 0.02
"""The same for the whole picture (good photos: up to 0.19), and the claw's share that must go with it."""
NOTHING_SEEN = 40.0
"""Grey level under which 99 % of a picture lie when nothing can be found in it."""
MIN_CLAW_PX = 150.0
MIN_REFERENCE_PX = 120.0
HIDDEN_SHARE = 0.02
"""Share of a claw's area that the reference may cover, or of its outline that may run along the reference."""
NOTCH_SHARE = 0.11
"""Depth of a hollow in a claw's outline, as a share of its length, that no whole claw has. True outlines of the
sample photos: up to 0.07, where a long toe makes the dorsal wall hollow."""
SOLE_NOTCH_SHARE = 0.09
"""The same from below, where a block between the claws bites into the axial border. True outlines of sample soles: up
to 0.023; of 476 claws found in two held-out sets and the samples 99 in 100 have up to 0.064."""
OBLIQUE_DEG, TOO_OBLIQUE_DEG = 30.0, 55.0
SURE_OUTLINE = 0.985
"""Confidence of every outline from which dim light and glare are a note and no reason to look. Of 24 good photos of two
held-out sets with such a reason and outlines as sure as this none was off by more than 10 mm or 8° in any measure, of
those without a reason 34 of 722; of 29 spoilt ones with such a reason one would pass. What hides a part of a claw stays
a reason: a sure outline ends at a block between the claws, and no border behind it is known."""

Light = Literal["too_dark", "too_bright"]
_SEEN_YET: dict[Light, str] = {"too_dark": "dark", "too_bright": "glare"}
_WORDS = {"card": "scale card", "id1": "plain card", "ruler": "ruler", "points": "pair of points"}
EDGE_SHARE = 0.0015  # of the picture's longer side: an outline nearer to the frame than this touches it
_LEVELS_SIDE_PX = 300  # exposure is judged on a thinned out picture of about this size


def too_dark_to_see(photo: Photo) -> Reason | None:
    """Return a refusal if the picture is so dark that nothing can be found in it, else None."""
    step = max(1, max(photo.width, photo.height) // _LEVELS_SIDE_PX)
    grey = cv2.cvtColor(np.ascontiguousarray(photo.pixels[::step, ::step]), cv2.COLOR_RGB2GRAY)
    return reason("too_dark_to_see") if np.quantile(grey, 0.99) < NOTHING_SEEN else None


def judge_quality(photo: Photo, outlines: Outlines, scale: Scale) -> tuple[Reason, ...]:
    """Judge sharpness, exposure, framing and the camera's obliqueness.

    Parameters
    ----------
    photo
        The upright photo. Where it was decoded smaller, sizes are judged, and told, in pixels of the file.
    outlines
        Its claws. A claw without an outline is judged by the hull of the landmarks placed in it.
    scale
        Reference and pose.

    Returns
    -------
    tuple of Reason
        Of ``blurred``, ``too_dark``, ``too_bright``, ``claw_cut``, ``claw_small``, ``claw_hidden``,
        ``reference_small``, ``reference_oblique``, ``reference_too_oblique``, each at most once (``claw_cut`` and
        ``claw_hidden`` once a claw). Where the program found every outline and is sure of it, the notes
        ``dark`` and ``glare`` take the place of ``too_dark`` and ``too_bright``.
    """
    regions = {claw.name: region for claw in outlines.claws if (region := _region(claw.outline_px, claw.given))}
    polygons = [polygon for region in regions.values() for polygon in region]
    reduced = photo.reduction.by
    sure = bool(outlines.claws) and all(
        claw.source == "automatic" and claw.confidence >= SURE_OUTLINE for claw in outlines.claws
    )
    reasons = _framing(photo, outlines, polygons, reduced) + _hidden(outlines, scale)
    if polygons:
        light = _exposure(photo, polygons, scale)
        if light is not None:
            reasons.append(reason(_SEEN_YET[light] if sure else light))
        if _blurred(photo, polygons, scale, dark=light == "too_dark"):
            reasons.append(reason("blurred"))
    return tuple(reasons + _reference(scale, reduced))


def _region(outline: FloatArray | None, given: Any) -> list[FloatArray]:
    if outline is not None and len(outline) >= 3:
        return [outline]
    if len(given) >= 3:
        hull = cv2.convexHull(np.array(list(given.values()), dtype=np.float32))
        return [np.reshape(hull, (-1, 2)).astype(np.float64)]
    return []


def _framing(photo: Photo, outlines: Outlines, polygons: list[FloatArray], reduced: float) -> list[Reason]:
    found = []
    margin = max(1.0, EDGE_SHARE * max(photo.width, photo.height))
    for claw in outlines.claws:
        if claw.outline_px is None or not len(claw.outline_px):
            continue
        low, high = claw.outline_px.min(axis=0), claw.outline_px.max(axis=0)
        if min(low) <= margin or high[0] >= photo.width - 1 - margin or high[1] >= photo.height - 1 - margin:
            found.append(reason("claw_cut", claw=claw.name))
    # Of two claws one may truly be short; the longer one tells how near the camera was.
    length = max((reduced * _length(polygon) for polygon in polygons), default=MIN_CLAW_PX)
    if length < MIN_CLAW_PX:
        found.append(reason("claw_small", size_px=length))
    return found


def _hidden(outlines: Outlines, scale: Scale) -> list[Reason]:
    """Tell claws that something covers: the reference itself, or whatever bites a deep notch into the outline."""
    cover = shapely.Polygon(scale.reference.outline_px) if len(scale.reference.outline_px) >= 3 else shapely.Polygon()
    found = []
    for claw in outlines.claws:
        if claw.outline_px is None or len(claw.outline_px) < 8:
            continue
        shape = shapely.Polygon(claw.outline_px).buffer(0)
        if shape.is_empty:
            continue
        touching = shape.exterior if shape.geom_type == "Polygon" else shape.boundary
        near = cover.buffer(0.01 * np.sqrt(shape.area))
        covered = touching.intersection(near).length > HIDDEN_SHARE * touching.length
        deepest = _deepest_notch(claw.outline_px) / max(_length(claw.outline_px), 1e-9)
        if covered or deepest > (SOLE_NOTCH_SHARE if outlines.view == "sole" else NOTCH_SHARE):
            found.append(reason("claw_hidden", claw=claw.name))
    return found


def _deepest_notch(outline: FloatArray) -> float:
    """Return how far the outline lies inside its convex hull at the most, px."""
    hull = shapely.convex_hull(shapely.MultiPoint(outline)).boundary
    return float(shapely.distance(hull, shapely.points(outline)).max())


def _length(points: FloatArray) -> float:
    """Return the longer side of the smallest rectangle around points, px."""
    _, sides, _ = cv2.minAreaRect(np.ascontiguousarray(points, dtype=np.float32))
    return float(max(sides))


def _blurred(photo: Photo, polygons: list[FloatArray], scale: Scale, *, dark: bool) -> bool:
    at_claw = edge_blur(photo.pixels, polygons)
    if at_claw is None:
        return not dark  # in a picture with enough light, no edge at all is blur
    border = scale.reference.outline_px
    if scale.reference.kind == "points" or len(border) < 3:
        return at_claw > BLUR_LIMIT_PX
    # Edges of print are the surest witnesses of blur, and they lie near the claw's plane; on smooth horn the steepest
    # slopes are those of its colours, not of edges.
    at_reference = edge_blur(photo.pixels, [border])
    if at_reference is None:
        return at_claw > BLUR_LIMIT_PX
    return at_reference > BLUR_LIMIT_PX or at_claw > BLUR_LIMIT_BESIDE_SHARP_PRINT_PX


def _exposure(photo: Photo, polygons: list[FloatArray], scale: Scale) -> Light | None:
    """Return what is wrong with the light at the claws, None where nothing is."""
    step = max(1, max(photo.width, photo.height) // _LEVELS_SIDE_PX)
    thinned = np.ascontiguousarray(photo.pixels[::step, ::step])
    grey = cv2.cvtColor(thinned, cv2.COLOR_RGB2GRAY)
    claw = _filled(grey.shape, polygons, step)
    if not claw.any():
        return None
    around = cv2.dilate(claw, np.ones((9, 9), np.uint8)) > 0
    inside = claw > 0
    lit = float(np.quantile(grey[around], 0.9))
    dark = lit < DARK_CLAW or np.quantile(grey, 0.95) < DARK_PICTURE
    if scale.reference.kind == "card" and lit < DARK_CARD:  # else the card alone lies in shade
        card = grey[_filled(grey.shape, [scale.reference.outline_px], step) > 0]
        dark = dark or (card.size > 0 and np.quantile(card, 0.9) < DARK_CARD)
    if dark:
        return "too_dark"
    clipped = thinned.max(axis=2) >= CLIPPED_LEVEL
    at_claw = np.mean(clipped[inside])
    # White ground may be clipped round a well lit claw; together with clipped horn it means too much light.
    burnt_out = at_claw > CLIPPED_SHARE or (at_claw > CLIPPED_TOO and np.mean(clipped) > CLIPPED_PICTURE_SHARE)
    if burnt_out or np.median(grey[inside]) > BRIGHT_MEDIAN:
        return "too_bright"
    return None


def _filled(shape: tuple[int, ...], polygons: list[FloatArray], step: int) -> Any:
    mask = np.zeros(shape, np.uint8)
    for polygon in polygons:
        if len(polygon) >= 3:
            cv2.fillPoly(mask, [np.round(polygon / step).astype(np.int32)], 255)
    return mask


def _reference(scale: Scale, reduced: float) -> list[Reason]:
    reference = scale.reference
    points = reference.outline_px if len(reference.outline_px) >= 3 else reference.points_px
    word = _WORDS[reference.kind]
    found = []
    size = reduced * _length(points)
    if size < MIN_REFERENCE_PX:
        found.append(reason("reference_small", reference=word, size_px=size))
    if scale.tilt_deg > TOO_OBLIQUE_DEG:
        found.append(reason("reference_too_oblique", reference=word, tilt=scale.tilt_deg))
    elif scale.tilt_deg > OBLIQUE_DEG:
        found.append(reason("reference_oblique", reference=word, tilt=scale.tilt_deg))
    return found
