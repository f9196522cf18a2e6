"""Whether a quadrilateral is a card: its four edges at full size, its shape, its colour, its rounded corners."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np

from clawvision.scale.edges import edge_positions, fit_line, intersect, sample_profiles, to_light
from clawvision.scale.geometry import CARD_HEIGHT, CARD_WIDTH, CORNER_RADIUS
from clawvision.scale.id1_shape import ASPECT, ratio_doubt, rectangle_shape, upright
from clawvision.types import ByteArray, Camera, FloatArray

_REACHES_MM = (3.6, 3.0)
"""How far to either side of a side its edge is looked for, first and last, mm of the card."""

_PROFILES = 48
_SAMPLES = 33
_OFF_LINE = 0.08
"""Points of an edge farther off its line, as a share of the reach, are another thing's."""
_RAMP_MM, _RAMP_PX, _RAMP_BY_BLUR = 1.2, 4.5, 3.0
"""Within the larger of these an edge is over, until its blur is known; then within so many of that: what lies beyond is
another thing's (status J)."""
_MIN_SUPPORT, _MIN_MEAN_SUPPORT, _MIN_EACH_SUPPORT = 0.5, 0.84, 0.65
"""Part of a side that must show: a finger and its shadow may hide up to half of one where the others are clear, or
a pattern behind make a third of any hard to see (status J)."""
_MIN_CONTRAST = 14.0
_ABOUT_EVEN, _ABOUT_SHAPED = 0.4, 0.13
"""What is farther from a card than this at first sight is not looked at again."""
_MOST_RATIO_DOUBT = 0.04
"""Beyond this the ratio of the sides tells no card from a tile."""
_RATIO_SD, _SKEW_SD = 0.015, 0.02
"""So far a card's shape is off where its edges are found right, of things that are nearly alike."""
_ROUND_MM = 1.36
"""So far inside of the meeting point of the sides a quarter circle of 3.18 mm ends, on the way to the middle."""
_ROUND_BY_BLUR, _SHARP_BY_BLUR = 0.18, 0.8
"""Half the light shows farther inside where edges are blurred by a Gaussian of some mm: by so much of its square, of a
sharp corner by so much of it (found by blurring drawn corners, good to 0.05 mm up to 2 mm)."""
_LEAST_APART_MM = 0.45
"""Where the two lie nearer together a rounded corner is not told from a sharp one."""
_ROUND_FROM, _ROUND_TO = 0.55, 2.0
"""From a sharp corner, 0, to a rounded one, 1."""
_BEYOND_MM, _BEYOND_POINTS, _ON_LINE_MM, _LASTS = (2.0, 8.0), 16, 0.5, 0.8
"""Where beyond a corner a side is looked for that goes on, how near to its line, and at what part of the places."""


@dataclass(frozen=True, slots=True, eq=False)
class Proven:
    """A card's corners (4, 2) px, clockwise from the top left, long side first, and how well they are seen."""

    quad: FloatArray
    score: float
    sigma_px: float


@dataclass(frozen=True, slots=True, eq=False)
class _Side:
    line: tuple[FloatArray, FloatArray]
    support: float
    contrast: float
    inside: FloatArray  # (3,) colour
    rms: float
    blur_px: float

    def fitness(self, px_per_mm: float) -> float:
        """Return how well points lie on the line: the more of them and the nearer, the better."""
        return self.support - self.rms / px_per_mm


def verify(rgb: ByteArray, quad: FloatArray, camera: Camera) -> Proven | None:
    """Fit the four sides at full size, ever nearer, and decide whether this is a card.

    Parameters
    ----------
    rgb : uint8 (H, W, 3)
        Picture at full size.
    quad : float64 (4, 2)
        Where the card may be, pixels, clockwise, a long side first.
    camera
        Camera of the picture.
    """
    if _uniform_part(rgb, quad) < _ABOUT_EVEN:
        return None
    settled = _settled(rgb, quad, camera)
    if settled is None:
        return None
    quad, sides = settled
    px_per_mm = _px_per_mm(quad)
    if not (_is_shaped(quad, camera) and _is_even(rgb, quad, sides) and _is_rounded(rgb, quad, sides, px_per_mm)):
        return None
    if _goes_on(rgb, quad, px_per_mm):
        return None
    score = float(np.mean([side.support for side in sides])) * min(side.contrast for side in sides)
    ratio, skew = rectangle_shape(quad, camera)
    score /= 1.0 + (np.log(ratio / ASPECT) / _RATIO_SD) ** 2 + (skew / _SKEW_SD) ** 2
    sigma = max(0.3, 0.1 * px_per_mm, max(side.rms for side in sides))
    return Proven(upright(quad), score, sigma)


def _px_per_mm(quad: FloatArray) -> float:
    around = float(np.linalg.norm(quad - np.roll(quad, -1, axis=0), axis=1).sum())
    return around / (2 * (CARD_WIDTH + CARD_HEIGHT))


def _settled(rgb: ByteArray, quad: FloatArray, camera: Camera) -> tuple[FloatArray, list[_Side]] | None:
    """Return the corners where lines fitted to the four edges meet, and the sides; None where one does not show."""
    sides: list[_Side] = []
    ramp_px = _RAMP_PX
    for attempt, reach_mm in enumerate(_REACHES_MM):
        px_per_mm = _px_per_mm(quad)
        last = attempt == len(_REACHES_MM) - 1
        most_rms = max(0.6, (0.15 if last else 0.3) * px_per_mm)
        seen = _sides(rgb, quad, reach_mm * px_per_mm, px_per_mm, max(ramp_px, _RAMP_MM * px_per_mm))
        if seen is None or any(side.support < _MIN_SUPPORT or side.rms > most_rms for side in seen):
            return None
        sides = seen
        ramp_px = min(_RAMP_BY_BLUR * _blur_px(sides), _RAMP_PX)
        corners = [intersect(sides[i - 1].line, sides[i].line) for i in range(4)]
        if any(corner is None for corner in corners):
            return None
        quad = np.array(corners)
        ratio, skew = rectangle_shape(quad, camera)
        if abs(np.log(ratio / ASPECT)) > _ABOUT_SHAPED or abs(skew) > _ABOUT_SHAPED:
            return None
    return (quad, sides) if _show(sides) else None


def _show(sides: list[_Side]) -> bool:
    """Tell whether enough of the sides shows: one may be half hidden, or all be hard to see in places."""
    support = [side.support for side in sides]
    return float(np.mean(support)) >= _MIN_MEAN_SUPPORT or min(support) >= _MIN_EACH_SUPPORT


def _sides(rgb: ByteArray, quad: FloatArray, reach: float, px_per_mm: float, ramp_px: float) -> list[_Side] | None:
    """Fit the four sides of a card, each where its colour inside ends; None where one of them does not show."""
    along = np.roll(quad, -1, axis=0) - quad
    normal = np.column_stack((along[:, 1], -along[:, 0])) / np.linalg.norm(along, axis=1, keepdims=True)
    # Leave out the rounded corners.
    margin = min(1.3 * CORNER_RADIUS / CARD_HEIGHT, 0.1)
    part = np.linspace(margin, 1.0 - margin, _PROFILES)
    base = (quad[:, None] + part[:, None] * along[:, None]).reshape(-1, 2)
    outward = np.repeat(normal, _PROFILES, axis=0)
    profiles = sample_profiles(rgb, base - reach * outward, base + reach * outward, _SAMPLES)
    third = _SAMPLES // 3
    inside, outside = profiles[:, :third].mean(axis=1), profiles[:, -third:].mean(axis=1)
    sample_px = 2.0 * reach / (_SAMPLES - 1)
    ends, contrast, blur = _ends(profiles, inside, ramp_px / sample_px)
    # Over even ground the one way is the surer, before a pattern the other: as the points lie on a line.
    ways = (
        (_crossings(profiles, inside, outside), np.linalg.norm(outside - inside, axis=1)),
        (ends, contrast),
    )
    limit = max(0.6, _OFF_LINE * reach)
    sides = []
    for own in np.arange(4 * _PROFILES).reshape(4, _PROFILES):
        best: _Side | None = None
        blur_px = float(np.median(blur[own])) * sample_px
        for positions, steps in ways:
            good = own[np.isfinite(positions[own]) & (steps[own] > _MIN_CONTRAST)]
            points = base[good] + (positions[good] * sample_px - reach)[:, None] * outward[good]
            side = _fitted(points, steps[good], inside[own], blur_px, limit)
            if side is not None and (best is None or side.fitness(px_per_mm) > best.fitness(px_per_mm)):
                best = side
        if best is None:
            return None
        sides.append(best)
    return sides


def _fitted(points: FloatArray, contrast: FloatArray, inside: FloatArray, blur_px: float, limit: float) -> _Side | None:
    """Return the side on which points (N, 2) of an edge lie; None where too few agree."""
    if len(points) < _MIN_SUPPORT * _PROFILES:
        return None
    line = fit_line(points, limit)
    if line is None:
        return None
    middle, direction, kept = line
    off = (points[kept] - middle) @ np.array([-direction[1], direction[0]])
    return _Side(
        line=(middle, direction),
        support=float(kept.sum()) / _PROFILES,
        contrast=float(np.median(contrast)),
        inside=np.median(inside, axis=0),
        rms=float(np.sqrt((off**2).mean())),
        blur_px=blur_px,
    )


def _blur_px(sides: list[_Side]) -> float:
    return float(np.median([side.blur_px for side in sides]))


def _ends(profiles: FloatArray, inside: FloatArray, ramp: float) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Return where colour profiles (N, M, 3), from inside to outside, leave their inner colours (N, 3).

    Brick, mesh and cobbles are of several colours within a few millimetres: only what is next to the edge counts.

    Returns
    -------
    positions : float64 (N,)
        Half way, in light, to the colour within a ``ramp`` of samples from where it begins to change; NaN where it does
        not.
    contrast : float64 (N,)
        By how much.
    blur : float64 (N,)
        Standard deviation, samples, of a Gaussian that makes an edge so slow.
    """
    count, samples = profiles.shape[:2]
    rows, places = np.arange(count), np.arange(samples)
    away = np.linalg.norm(profiles - inside[:, None, :], axis=2)
    leaves = away > _MIN_CONTRAST
    leaves[:, : samples // 6] = False
    first = np.argmax(leaves, axis=1)
    near = (places >= first[:, None]) & (places <= first[:, None] + ramp)
    farthest = np.argmax(np.where(near, away, -1.0), axis=1)
    outside = profiles[rows, farthest]
    step = to_light(outside) - to_light(inside)
    size = np.maximum((step**2).sum(axis=1), 1e-9)
    part = ((to_light(profiles) - to_light(inside)[:, None, :]) * step[:, None, :]).sum(axis=2) / size[:, None] - 0.5
    crosses = (part[:, :-1] < 0.0) & (part[:, 1:] >= 0.0) & (places[:-1] < farthest[:, None])
    last = samples - 2 - np.argmax(crosses[:, ::-1], axis=1)
    before, after = part[rows, last], part[rows, last + 1]
    with np.errstate(divide="ignore", invalid="ignore"):
        positions = last + before / (before - after)
        blur = 1.0 / (np.sqrt(2.0 * np.pi) * (after - before))
    found = leaves.any(axis=1) & crosses.any(axis=1)
    return np.where(found, positions, np.nan), away[rows, farthest], np.where(found, blur, np.inf)


def _is_shaped(quad: FloatArray, camera: Camera) -> bool:
    """Tell whether a card under perspective shows so.

    A card is cut to 0.2 %; edge fits leave 1 %, a wrong focal length at 30 degrees of tilt 2 %; of a small card far
    away the perspective, and with it the ratio, is told by parts of a pixel.
    """
    ratio, skew = rectangle_shape(quad, camera)
    most = max(0.03, min(3.0 * ratio_doubt(quad, camera), _MOST_RATIO_DOUBT))
    return bool(abs(np.log(ratio / ASPECT)) <= most and abs(skew) <= 0.05)


def _is_even(rgb: ByteArray, quad: FloatArray, sides: list[_Side]) -> bool:
    """Tell whether a surface is mostly of one colour, and so are three of its sides."""
    colours = np.array([side.inside for side in sides])
    differences = np.linalg.norm(colours - np.median(colours, axis=0), axis=1)
    return float(np.sort(differences)[2]) <= 30.0 and _uniform_part(rgb, quad) >= 0.5


def _uniform_part(rgb: ByteArray, quad: FloatArray) -> float:
    """Return the part of the card's surface that is of its main colour, 0 to 1."""
    size = (43, 27)
    target = np.array([(0, 0), (size[0] - 1, 0), (size[0] - 1, size[1] - 1), (0, size[1] - 1)], dtype=np.float32)
    matrix = cv2.getPerspectiveTransform(quad.astype(np.float32), target)
    seen = np.asarray(cv2.warpPerspective(rgb, matrix, size), dtype=np.float64).reshape(-1, 3)
    main = np.median(seen, axis=0)
    # Shading changes the brightness more than the hue.
    return float((np.linalg.norm(seen - main, axis=1) < 12.0 + 0.12 * float(np.linalg.norm(main))).mean())


def _is_rounded(rgb: ByteArray, quad: FloatArray, sides: list[_Side], px_per_mm: float) -> bool:
    """Tell whether each side ends in a rounded corner, and no corner is sharp.

    Print, a joint or a shadow that is taken for a side meets the others in sharp corners.
    """
    roundness = _roundness(rgb, quad, sides, px_per_mm)
    # What is not seen is NaN, and neither; what lies far out is of a thing that lies on the corner.
    rounded = (roundness > _ROUND_FROM) & (roundness < _ROUND_TO)
    sharp = np.abs(roundness) <= _ROUND_FROM
    across = (rounded[0] and rounded[2]) or (rounded[1] and rounded[3])
    return bool(across) and not bool(sharp.any())


def _goes_on(rgb: ByteArray, quad: FloatArray, px_per_mm: float) -> bool:
    """Tell whether beyond one side the two next to it both go on: then it is print on something larger."""
    along = np.roll(quad, -1, axis=0) - quad
    along = px_per_mm * along / np.linalg.norm(along, axis=1, keepdims=True)
    beyond_mm = np.linspace(*_BEYOND_MM, _BEYOND_POINTS)[:, None]
    ends, normals = [], []
    for corner in range(4):
        # The side before a corner goes on there, and the side after it, backwards.
        for way in (along[corner - 1], -along[corner]):
            ends.append(quad[corner] + beyond_mm * way)
            normals.append(np.repeat(np.array([[way[1], -way[0]]]), _BEYOND_POINTS, axis=0))
    base, normal = np.concatenate(ends), 2.0 * np.concatenate(normals)
    profiles = sample_profiles(rgb, base - normal, base + normal, _SAMPLES)
    third = _SAMPLES // 3
    inside, outside = profiles[:, :third].mean(axis=1), profiles[:, -third:].mean(axis=1)
    off_mm = np.abs(_crossings(profiles, inside, outside) / (_SAMPLES - 1) - 0.5) * 4.0
    shows = (np.linalg.norm(outside - inside, axis=1) > _MIN_CONTRAST) & (off_mm < _ON_LINE_MM)
    lasts = shows.reshape(4, 2, _BEYOND_POINTS).mean(axis=2) >= _LASTS
    return bool((lasts[:, 0] & np.roll(lasts[:, 1], -1)).any())


def _roundness(rgb: ByteArray, quad: FloatArray, sides: list[_Side], px_per_mm: float) -> FloatArray:
    """Return how the corners end: 0 as sharp ones do that are so blurred, 1 as a card's; NaN where none is seen."""
    blur_mm = _blur_px(sides) / px_per_mm
    sharp_mm, round_mm = _SHARP_BY_BLUR * blur_mm, _ROUND_MM + _ROUND_BY_BLUR * blur_mm**2
    if not round_mm - sharp_mm > _LEAST_APART_MM:
        return np.full(4, np.nan)
    return (_corner_depths_mm(rgb, quad, sides, px_per_mm) - sharp_mm) / (round_mm - sharp_mm)


def _corner_depths_mm(rgb: ByteArray, quad: FloatArray, sides: list[_Side], px_per_mm: float) -> FloatArray:
    """Return how far inside of their meeting points the four corners end, mm; NaN of those that cannot be seen."""
    inward = np.roll(quad, 2, axis=0) - quad
    inward = 6.0 * px_per_mm * inward / np.linalg.norm(inward, axis=1, keepdims=True)
    profiles = sample_profiles(rgb, quad + inward, quad - inward, 49)
    inside = profiles[:, :16].mean(axis=1)
    ramp_mm = max(_RAMP_BY_BLUR * _blur_px(sides) / px_per_mm, _RAMP_MM)
    positions, contrast, _ = _ends(profiles, inside, 4.0 * ramp_mm)
    colours = np.array([side.inside for side in sides])
    shows = np.linalg.norm(inside - colours, axis=1) < 0.4 * contrast
    return np.where(shows, 6.0 - positions / 4.0, np.nan)


def _crossings(profiles: FloatArray, inside: FloatArray, outside: FloatArray) -> FloatArray:
    """Return where each colour profile (N, M, 3) crosses half way, in light, from its inner colour (N, 3) to its outer
    one: brick and mesh are of several colours, and so is a card with a stripe.
    """
    step = to_light(outside) - to_light(inside)
    step = step / np.maximum(np.linalg.norm(step, axis=1, keepdims=True), 1e-9)
    positions, contrast = edge_positions((to_light(profiles) * step[:, None, :]).sum(axis=2), +1, 1.0)
    return np.where(contrast > 0, positions, np.nan)
