"""A plain card of ISO/IEC 7810 ID-1 size, found by its rectangle.

Straight segments are joined to corners, corners that face each other to quadrilaterals. One is taken for a
card only where its sides have the right ratio under perspective, all four edges show straight and at full size,
its corners are rounded, and its surface is mostly of one colour. Rather no reference than a wrong one.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np

from clawvision.reasons import reason
from clawvision.scale.edges import edge_positions, fit_line, intersect, sample_profiles, straight_segments, to_light
from clawvision.scale.geometry import CARD_HEIGHT, CARD_WIDTH, CORNER_RADIUS, card_corners
from clawvision.types import ByteArray, Camera, FloatArray, Reference, frozen_array

ASPECT = CARD_WIDTH / CARD_HEIGHT
U_ID1_REL = 0.001
"""Manufacturing tolerance, relative standard uncertainty: 85.47 to 85.72 mm are allowed (from memory)."""

_MIN_SEGMENT = 10.0  # pixels of the reduced picture
_MAX_CORNERS = 300
_MAX_CANDIDATES = 24
_PROFILES = 40
_SAMPLES = 33
_REACHES_MM = (3.6, 3.0)
"""How far to either side of a side its edge is looked for, first and last, mm of the card."""
_ROUGH_REACHES_MM = (9.0, 5.0, 3.6, 3.0)
"""The same where the card is known from a rough outline alone, which is off by 14 to 25 px where it is right at all
(status J, as all limits here that name no source: looked at on 47 rendered photos of plain cards and rulers)."""
# Part of a side that must show: a finger and its shadow may hide up to half of one, not of all.
_MIN_SUPPORT = 0.5
_MIN_MEAN_SUPPORT = 0.75
_MIN_CONTRAST = 14.0
_U_CORNER_PX = 0.3
_MOST_RATIO_DOUBT = 0.08
"""Beyond this the ratio of the sides tells no card from a tile."""


@dataclass(frozen=True, slots=True, eq=False)
class _Found:
    quad: FloatArray  # (4, 2) px, clockwise from the top left, long side first
    score: float
    sigma_px: float


def _corners(segments: FloatArray) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Return where two segments meet at their ends: vertices (N, 2) and the two rays from each, (N, 2) unit.

    The second ray lies clockwise (as seen, y down) of the first.
    """
    start, end = segments[:, :2], segments[:, 2:]
    length = np.linalg.norm(end - start, axis=1)
    unit = (end - start) / length[:, None]
    cross = unit[:, None, 0] * unit[None, :, 1] - unit[:, None, 1] * unit[None, :, 0]
    first, second = np.nonzero(np.triu(np.abs(cross) > 0.5, 1))
    apart = start[second] - start[first]
    turn = cross[first, second]
    along_first = (apart[:, 0] * unit[second, 1] - apart[:, 1] * unit[second, 0]) / turn
    along_second = (apart[:, 0] * unit[first, 1] - apart[:, 1] * unit[first, 0]) / turn

    def gap(along: FloatArray, size: FloatArray) -> tuple[FloatArray, FloatArray]:
        at_start = along < size / 2
        return np.where(at_start, -along, along - size), np.where(at_start, 1.0, -1.0)

    gap_first, sign_first = gap(along_first, length[first])
    gap_second, sign_second = gap(along_second, length[second])
    shorter = np.minimum(length[first], length[second])
    # The rounded corner and blur end a segment early; running past the other one is no corner.
    allowed = np.maximum(7.0, 0.25 * shorter)
    meets = (gap_first < allowed) & (gap_second < allowed) & (gap_first > -3.0) & (gap_second > -3.0)
    first, second = first[meets], second[meets]
    vertex = start[first] + along_first[meets, None] * unit[first]
    ray_a = unit[first] * sign_first[meets, None]
    ray_b = unit[second] * sign_second[meets, None]
    swap = (ray_a[:, 0] * ray_b[:, 1] - ray_a[:, 1] * ray_b[:, 0]) < 0
    ray_a, ray_b = np.where(swap[:, None], ray_b, ray_a), np.where(swap[:, None], ray_a, ray_b)
    order = np.argsort(-(length[first] + length[second]), kind="stable")[:_MAX_CORNERS]
    return vertex[order], ray_a[order], ray_b[order]


def _quads(vertex: FloatArray, ray_a: FloatArray, ray_b: FloatArray) -> FloatArray:
    """Return quadrilaterals from corners that face each other, (N, 4, 2), clockwise as seen."""
    # Sides keep within some 25 degrees of parallel at the tilts and distances that a card is seen from.
    facing = (ray_a @ ray_a.T < -0.9) & (ray_b @ ray_b.T < -0.9)
    first, second = np.nonzero(np.triu(facing, 1))
    v, a, b = vertex[first], ray_a[first], ray_b[first]
    w, c, d = vertex[second], ray_a[second], ray_b[second]
    diagonal = w - v

    def cross(p: FloatArray, q: FloatArray) -> FloatArray:
        return np.asarray(p[:, 0] * q[:, 1] - p[:, 1] * q[:, 0])

    with np.errstate(divide="ignore", invalid="ignore"):
        along_a = cross(diagonal, d) / cross(a, d)  # v + s a meets w + t d
        along_d = cross(diagonal, a) / cross(a, d)
        along_b = cross(diagonal, c) / cross(b, c)
        along_c = cross(diagonal, b) / cross(b, c)
    lengths = np.stack((along_a, along_d, along_b, along_c), axis=1)
    good = np.all(np.isfinite(lengths), axis=1)
    good &= np.min(np.where(np.isfinite(lengths), lengths, -1.0), axis=1) > 18.0
    good &= np.max(np.where(np.isfinite(lengths), lengths, np.inf), axis=1) > 40.0
    v, a, b, w = v[good], a[good], b[good], w[good]
    p = v + along_a[good, None] * a
    q = v + along_b[good, None] * b
    return np.stack((v, p, w, q), axis=1)


def rectangle_shape(quad: FloatArray, camera: Camera) -> tuple[float, float]:
    """Return side ratio and skew of the flat parallelogram that a quadrilateral shows.

    Parameters
    ----------
    quad : float64 (4, 2)
        Corners in pixels, in order.
    camera
        Camera of the picture; its lens distortion is not regarded.

    Returns
    -------
    ratio : float
        Length of the first side divided by that of the second.
    skew : float
        Cosine of the angle between them; 0 for a rectangle.
    """
    normalised = (quad - np.array([camera.cx, camera.cy])) / np.array([camera.fx, camera.fy])
    square = np.array([(0.0, 0.0), (1.0, 0.0), (1.0, 1.0), (0.0, 1.0)], dtype=np.float32)
    matrix = np.asarray(cv2.getPerspectiveTransform(square, normalised.astype(np.float32)), dtype=np.float64)
    across, down = matrix[:, 0], matrix[:, 1]
    long, short = float(np.linalg.norm(across)), float(np.linalg.norm(down))
    return long / short, float(across @ down) / (long * short)


def _ratio_doubt(quad: FloatArray, camera: Camera) -> float:
    """Return the standard uncertainty of the logarithm of a quadrilateral's side ratio, from that of its corners."""
    steps = _U_CORNER_PX * np.eye(8).reshape(8, 4, 2)
    moved = np.array(
        [rectangle_shape(quad + step, camera)[0] / rectangle_shape(quad - step, camera)[0] for step in steps]
    )
    return float(np.linalg.norm(0.5 * np.log(moved)))


def _long_side_first(quad: FloatArray) -> FloatArray:
    """Roll the corners so that the first side is a long one, the card as upright as can be."""
    sides = np.linalg.norm(np.roll(quad, -1, axis=0) - quad, axis=1)
    if sides[0] + sides[2] < sides[1] + sides[3]:
        quad = np.roll(quad, -1, axis=0)
    along = quad[1] - quad[0]
    # Upright: x to the right; for a card on end x downwards.
    backwards = along[0] < 0 if abs(along[0]) > abs(along[1]) else along[1] < 0
    return np.roll(quad, -2, axis=0) if backwards else quad


def _plausible(quads: FloatArray, camera: Camera, shape: tuple[int, int]) -> list[FloatArray]:
    """Keep quadrilaterals inside the picture with roughly the card's shape, largest first, no near copies."""
    height, width = shape
    inside = (quads >= 2.0).all(axis=(1, 2)) & (quads <= np.array([width, height]) - 3.0).all(axis=(1, 2))
    quads = quads[inside]
    sides = np.linalg.norm(np.roll(quads, -1, axis=1) - quads, axis=2)
    ratio = (sides[:, 0] + sides[:, 2]) / np.maximum(sides[:, 1] + sides[:, 3], 1e-9)
    quads = quads[(np.maximum(ratio, 1 / ratio) > 0.95) & (np.maximum(ratio, 1 / ratio) < 2.6)]
    kept: list[tuple[float, FloatArray]] = []
    for quad in quads[:4000]:
        ordered = _long_side_first(quad)
        for turned in (ordered, np.roll(ordered, -1, axis=0)):
            seen, skew = rectangle_shape(turned, camera)
            if abs(np.log(seen / ASPECT)) < 0.12 and abs(skew) < 0.15:
                kept.append((abs(np.log(seen / ASPECT)) + abs(skew), turned))
                break
    kept.sort(key=lambda item: item[0])
    distinct: list[FloatArray] = []
    for _, quad in kept:
        size = float(np.linalg.norm(quad[1] - quad[0]))
        if all(
            float(np.abs(quad.mean(axis=0) - o.mean(axis=0)).max()) > 0.04 * size
            or abs(np.linalg.norm(o[1] - o[0]) / size - 1) > 0.06
            for o in distinct
        ):
            distinct.append(quad)
    return distinct[:_MAX_CANDIDATES]


def _rough_quads(outline: FloatArray) -> list[FloatArray]:
    """Return quadrilaterals about a rough outline: its smallest rectangle, and its hull with four corners left."""
    points = outline.astype(np.float32)
    found = [cv2.boxPoints(cv2.minAreaRect(points))]
    hull = cv2.convexHull(points)
    if len(hull) > 4:
        found.append(np.reshape(cv2.approxPolyN(hull, 4, ensure_convex=True), (4, 2)))
    quads = []
    for corners in found:
        quad = np.asarray(corners, dtype=np.float64)
        x, y = quad.T
        clockwise = float(x @ np.roll(y, -1) - y @ np.roll(x, -1)) > 0
        quads.append(_long_side_first(quad if clockwise else quad[::-1]))
    return quads


@dataclass(frozen=True, slots=True, eq=False)
class _Side:
    line: tuple[FloatArray, FloatArray]
    support: float
    contrast: float
    inside: FloatArray  # (3,) colour
    rms: float


def _crossings(profiles: FloatArray, inside: FloatArray, outside: FloatArray) -> FloatArray:
    """Return where each colour profile (N, M, 3) crosses half way, in light, from its inner colour (N, 3) to its outer
    one: brick and mesh are of several colours, and so is a card with a stripe.
    """
    step = to_light(outside) - to_light(inside)
    step = step / np.maximum(np.linalg.norm(step, axis=1, keepdims=True), 1e-9)
    positions, contrast = edge_positions((to_light(profiles) * step[:, None, :]).sum(axis=2), +1, 1.0)
    return np.where(contrast > 0, positions, np.nan)


def _side(rgb: ByteArray, start: FloatArray, end: FloatArray, reach: float) -> _Side | None:
    """Fit one side of a card: colour inside against colour outside."""
    along = end - start
    length = float(np.linalg.norm(along))
    normal = np.array([along[1], -along[0]]) / length
    # Leave out the rounded corners.
    margin = min(1.3 * CORNER_RADIUS / CARD_HEIGHT, 0.1)
    base = start + np.linspace(margin, 1.0 - margin, _PROFILES)[:, None] * along
    profiles = sample_profiles(rgb, base - reach * normal, base + reach * normal, _SAMPLES)
    third = _SAMPLES // 3
    inside = profiles[:, :third].mean(axis=1)
    outside = profiles[:, -third:].mean(axis=1)
    contrast = np.linalg.norm(outside - inside, axis=1)
    positions = _crossings(profiles, inside, outside)
    good = np.isfinite(positions) & (contrast > max(_MIN_CONTRAST, 0.4 * float(np.median(contrast))))
    if int(good.sum()) < _MIN_SUPPORT * _PROFILES:
        return None
    points = base[good] + ((positions[good] / (_SAMPLES - 1) * 2.0 - 1.0) * reach)[:, None] * normal
    limit = max(0.8, 0.12 * reach)
    line = fit_line(points, limit)
    if line is None:
        return None
    middle, direction, kept = line
    off = (points[kept] - middle) @ np.array([-direction[1], direction[0]])
    return _Side(
        line=(middle, direction),
        support=float(kept.sum()) / _PROFILES,
        contrast=float(np.median(contrast[good])),
        inside=np.median(inside, axis=0),
        rms=float(np.sqrt((off**2).mean())),
    )


def _uniform_part(rgb: ByteArray, quad: FloatArray) -> float:
    """Return the part of the card's surface that is of its main colour, 0 to 1."""
    size = (43, 27)
    target = np.array([(0, 0), (size[0] - 1, 0), (size[0] - 1, size[1] - 1), (0, size[1] - 1)], dtype=np.float32)
    matrix = cv2.getPerspectiveTransform(quad.astype(np.float32), target)
    seen = np.asarray(cv2.warpPerspective(rgb, matrix, size), dtype=np.float64).reshape(-1, 3)
    main = np.median(seen, axis=0)
    # Shading changes the brightness more than the hue.
    return float((np.linalg.norm(seen - main, axis=1) < 12.0 + 0.12 * float(np.linalg.norm(main))).mean())


def _roundings_mm(rgb: ByteArray, quad: FloatArray, sides: list[_Side], px_per_mm: float) -> FloatArray:
    """Return how far inside their meeting points the corners end, mm, of those that can be seen."""
    depths = []
    for corner in range(4):
        inward = quad[(corner + 2) % 4] - quad[corner]
        inward = inward / float(np.linalg.norm(inward))
        reach = 6.0 * px_per_mm
        vertex = quad[corner][None, :]
        profile = sample_profiles(rgb, vertex + reach * inward, vertex - reach * inward, 49)
        colour = sides[corner].inside
        outside = profile[0, -16:].mean(axis=0)
        step = outside - colour
        contrast = float(np.linalg.norm(step))
        if contrast < _MIN_CONTRAST or float(np.linalg.norm(profile[0, :16].mean(axis=0) - colour)) > 0.4 * contrast:
            continue
        position = float(_crossings(profile, colour[None, :], outside[None, :])[0])
        if np.isfinite(position):
            depths.append(6.0 - 12.0 * position / 48.0)
    return np.array(depths)


def _verify(
    rgb: ByteArray, quad: FloatArray, camera: Camera, reaches_mm: tuple[float, ...] = _REACHES_MM
) -> _Found | None:
    """Fit the four sides at full size, ever nearer, and decide whether this is a card."""
    for attempt, reach_mm in enumerate(reaches_mm):
        px_per_mm = float(np.linalg.norm(quad - np.roll(quad, -1, axis=0), axis=1).sum()) / (
            2 * (CARD_WIDTH + CARD_HEIGHT)
        )
        reach = reach_mm * px_per_mm
        last = attempt == len(reaches_mm) - 1
        sides = []
        for i in range(4):
            side = _side(rgb, quad[i], quad[(i + 1) % 4], reach)
            if side is None or side.support < _MIN_SUPPORT or side.rms > max(0.6, (0.15 if last else 0.3) * px_per_mm):
                return None
            sides.append(side)
        corners = [intersect(sides[i - 1].line, sides[i].line) for i in range(4)]
        if any(corner is None for corner in corners):
            return None
        quad = np.array(corners)
    if float(np.mean([side.support for side in sides])) < _MIN_MEAN_SUPPORT:
        return None
    ratio, skew = rectangle_shape(quad, camera)
    # A card is cut to 0.2 %; edge fits leave 1 %, a wrong focal length at 30 degrees of tilt 2 %; of a small card far
    # away the perspective, and with it the ratio, is told by parts of a pixel.
    if (
        abs(np.log(ratio / ASPECT)) > max(0.03, min(3.0 * _ratio_doubt(quad, camera), _MOST_RATIO_DOUBT))
        or abs(skew) > 0.05
    ):
        return None
    colours = np.array([side.inside for side in sides])
    differences = np.linalg.norm(colours - np.median(colours, axis=0), axis=1)
    if float(np.sort(differences)[2]) > 30.0 or _uniform_part(rgb, quad) < 0.5:
        return None
    # A quarter circle of 3.18 mm ends 1.32 mm inside the meeting point; blur adds to it.
    depths = _roundings_mm(rgb, quad, sides, px_per_mm)
    if int(((depths > 0.5) & (depths < 3.5)).sum()) < max(2.0, 0.5 * len(depths)):
        return None
    score = float(np.mean([side.support for side in sides])) * min(side.contrast for side in sides)
    sigma = max(0.3, 0.1 * px_per_mm, max(side.rms for side in sides))
    return _Found(quad, score, sigma)


def find_id1(
    rgb: ByteArray,
    camera: Camera,
    found_segments: tuple[FloatArray, float] | None = None,
    rough_px: FloatArray | None = None,
) -> Reference | None:
    """Find a plain ID-1 card by its rectangle.

    Parameters
    ----------
    rgb : uint8 (H, W, 3)
        The upright photo.
    camera
        Its camera; the ratio of the sides is judged under perspective.
    found_segments
        What `straight_segments` gave for the photo, where it is at hand.
    rough_px : float64 (N, 2), optional
        A rough outline of what may be the card, pixels.

    Returns
    -------
    Reference or None
        Kind ``id1``, its four corners (where the straight sides would meet), with the reason ``plain_card``.
        None where no card is found or more than one thing could be it.
    """
    segments, factor = straight_segments(rgb) if found_segments is None else found_segments
    segments = segments[np.hypot(segments[:, 2] - segments[:, 0], segments[:, 3] - segments[:, 1]) >= _MIN_SEGMENT]
    quads = _quads(*_corners(segments)) if len(segments) >= 4 else np.zeros((0, 4, 2))
    quads = (quads + 0.5) * factor - 0.5
    candidates: list[tuple[FloatArray, tuple[float, ...]]] = [
        (quad, _REACHES_MM) for quad in _plausible(quads, camera, rgb.shape[:2])
    ]
    if rough_px is not None:
        candidates += [(quad, _ROUGH_REACHES_MM) for quad in _rough_quads(rough_px)]
    found = [
        verified for quad, reaches_mm in candidates if (verified := _verify(rgb, quad, camera, reaches_mm)) is not None
    ]
    if not found:
        return None
    best = max(found, key=lambda item: item.score)
    size_px = float(np.linalg.norm(best.quad[1] - best.quad[0]))
    rivals = [f for f in found if float(np.abs(f.quad - best.quad).max()) > 0.05 * size_px]
    if any(rival.score > 0.5 * best.score for rival in rivals):
        return None
    return Reference(
        kind="id1",
        points_px=frozen_array(best.quad),
        points_mm=frozen_array(card_corners()),
        sigma_px=best.sigma_px,
        outline_px=frozen_array(best.quad),
        u_size_rel=U_ID1_REL,
        reasons=(reason("plain_card"),),
    )
