"""Where the four sides of a card may run, near a rough outline of it.

Across each side of a rough quadrilateral many lines are scanned for steps of colour. Steps that lie on one straight
line speak for a side there, however much the ground behind changes from scan to scan, and whether it is lighter or
darker than the card. Which of the lines are the card's sides and which are print, joints or shadows, the shape of the
quadrilaterals tells that they make.
"""

from __future__ import annotations

from itertools import product

import cv2
import numpy as np
import shapely

from clawvision.scale.edges import sample_profiles
from clawvision.scale.geometry import CARD_HEIGHT, CARD_WIDTH
from clawvision.scale.id1_shape import ASPECT, clockwise, distinct, inside, long_side_first, shapes
from clawvision.types import ByteArray, Camera, FloatArray

_SCANS = 48
_REACH = 0.48
"""How far to either side of a rough side its line is looked for, as a share of the rough rectangle's shorter side
(status J, as all limits here: looked at on rendered photos of plain cards)."""
_OVERHANG = 0.06
"""So much longer than the rough side is what is scanned at both its ends, as a share of the side."""
_STEP_MM = 0.5
_SLOPES = np.tan(np.radians(np.arange(-18.0, 18.1, 1.5)))
_LEAST_STEP = 10.0
"""Grey values in one channel, within a millimetre or so."""
_LINES = 8
_LEAST_SEEN = 0.35
"""Part of the scans that must show a step on a line."""
_MOST_OFF_RATIO, _MOST_SKEW = 0.14, 0.14
"""Of lines that are off by a millimetre, under perspective: the proof is made when they are fitted at full size."""
_EVEN_MM = (1.0, 2.0)
"""So far inside of an edge a card is even."""
_MOST_LOOKED_AT, _MOST_QUADS = 300, 12
_INSIDE, _OUTSIDE = 0.07, -0.06
"""So far from the border to the middle the colour is looked at that a card has, and that it must not have."""
_BORDER_POINTS = 14
_NO_QUADS = np.zeros((0, 4, 2)), np.zeros(0)
_SAME = 0.025
"""Quadrilaterals whose corners all lie within this share of the long side settle on the same edges."""
_ALIKE = 0.05
"""Rectangles whose corners all lie within this share of the long side are searched as one."""
_THIN = 0.16
"""What is thinner than this, as a share of the root of the outline's area, is no part of a card."""


def quads_near(rgb: ByteArray, outline: FloatArray, camera: Camera) -> list[FloatArray]:
    """Return quadrilaterals (4, 2) of the card's shape near a rough outline, those with the clearest sides first.

    Parameters
    ----------
    rgb : uint8 (H, W, 3)
        Picture at full size.
    outline : float64 (N, 2)
        The rough outline, pixels.
    camera
        Camera of the picture.
    """
    found = [_quads_about(rgb, rectangle, camera) for rectangle in _rectangles(outline)]
    quads, score = np.concatenate([each[0] for each in found]), np.concatenate([each[1] for each in found])
    if not len(quads):
        return []
    score = score + _standing_out(rgb, quads)
    return distinct(quads[np.argsort(-score, kind="stable")], _MOST_QUADS, _SAME)


def _rectangles(outline: FloatArray) -> list[FloatArray]:
    """Return the smallest rectangles (4, 2) about an outline: without what sticks out of it, then with that."""
    shape = shapely.Polygon(outline).buffer(0.0) if len(outline) > 3 else shapely.Polygon()
    radius = _THIN * float(np.sqrt(shape.area))
    parts = shapely.get_parts(shape.buffer(-radius).buffer(radius))
    whole = _rectangle(outline)
    if len(parts) == 0:
        return [whole]
    thick = _rectangle(np.asarray(max(parts, key=lambda part: part.area).exterior.coords))
    alike = float(np.abs(thick - whole).max()) < _ALIKE * float(np.linalg.norm(whole[1] - whole[0]))
    return [thick] if alike else [thick, whole]


def _rectangle(points: FloatArray) -> FloatArray:
    corners = cv2.boxPoints(cv2.minAreaRect(points.astype(np.float32)))
    return long_side_first(clockwise(np.asarray(corners, dtype=np.float64)))


def _quads_about(rgb: ByteArray, rough: FloatArray, camera: Camera) -> tuple[FloatArray, FloatArray]:
    """Return quadrilaterals (N, 4, 2) of a card's shape whose sides show near those of a rough one, and scores."""
    sides = np.roll(rough, -1, axis=0) - rough
    lengths = np.hypot(*sides.T)
    reach = _REACH * float(lengths.min())
    if reach < 4.0:
        return _NO_QUADS
    lines = [_lines(rgb, rough[i], rough[(i + 1) % 4], reach, float(lengths.sum())) for i in range(4)]
    if min(len(each[1]) for each in lines) == 0:
        return _NO_QUADS
    which = np.array(list(product(*(range(len(each[1])) for each in lines))))
    ends = np.stack([lines[i][0][which[:, i]] for i in range(4)], axis=1)  # (N, 4, 2, 2)
    seen = np.stack([lines[i][1][which[:, i]] for i in range(4)], axis=1)
    quads = _corners(ends)
    kept = inside(quads, rgb.shape[:2])
    quads, seen = quads[kept], seen[kept]
    found, scores = [], []
    for turn in (0, 1):  # a rough outline of which much is missing may be longer the wrong way
        turned = np.roll(quads, -turn, axis=1)
        ratio, skew = shapes(turned, camera)
        off = np.abs(np.log(ratio / ASPECT))
        fits = np.nonzero((off < _MOST_OFF_RATIO) & (np.abs(skew) < _MOST_SKEW))[0]
        score = seen[fits].mean(axis=1) + 0.5 * seen[fits].min(axis=1) - off[fits] - np.abs(skew[fits])
        best = np.argsort(-score, kind="stable")[:_MOST_LOOKED_AT]
        found.append(turned[fits[best]])
        scores.append(score[best])
    return np.concatenate(found), np.concatenate(scores)


def _standing_out(rgb: ByteArray, quads: FloatArray) -> FloatArray:
    """Return how far quadrilaterals (N, 4, 2) are of one colour along their border and of another beyond: 0 to 2."""
    inner, outer = (_along_border(rgb, quads, share) for share in (_INSIDE, _OUTSIDE))
    main = np.median(inner, axis=1, keepdims=True)
    # Shading changes the brightness more than the hue.
    near = 12.0 + 0.12 * np.linalg.norm(main, axis=2)
    even = np.linalg.norm(inner - main, axis=2) < near
    other = np.linalg.norm(outer - main, axis=2) > near
    out: FloatArray = even.mean(axis=1) + other.mean(axis=1)
    return out


def _along_border(rgb: ByteArray, quads: FloatArray, share: float) -> FloatArray:
    """Return the colours (N, M, 3) along quadrilaterals that are moved inwards by a share of the way to the middle."""
    moved = quads + share * (quads.mean(axis=1, keepdims=True) - quads)
    part = np.linspace(0.06, 0.94, _BORDER_POINTS)[:, None]
    points = moved[:, :, None] + part * (np.roll(moved, -1, axis=1) - moved)[:, :, None]
    x, y = np.rint(points.reshape(len(quads), -1, 2)).astype(int).transpose(2, 0, 1)
    colours = rgb[np.clip(y, 0, rgb.shape[0] - 1), np.clip(x, 0, rgb.shape[1] - 1)]
    return np.asarray(colours, dtype=np.float64)


def _corners(ends: FloatArray) -> FloatArray:
    """Return where each line (N, 4, 2, 2), told by two points, meets the one before it: (N, 4, 2)."""
    start, along = ends[:, :, 0], ends[:, :, 1] - ends[:, :, 0]
    before, turned = np.roll(start, 1, axis=1), np.roll(along, 1, axis=1)
    cross = turned[..., 0] * along[..., 1] - turned[..., 1] * along[..., 0]
    apart = start - before
    with np.errstate(divide="ignore", invalid="ignore"):
        step = (apart[..., 0] * along[..., 1] - apart[..., 1] * along[..., 0]) / cross
    corners: FloatArray = before + step[..., None] * turned
    return corners


def _lines(
    rgb: ByteArray, start: FloatArray, end: FloatArray, reach: float, around: float
) -> tuple[FloatArray, FloatArray]:
    """Return the lines along which colours change near a side: two points of each (N, 2, 2), and how much is seen."""
    along = end - start
    length = float(np.hypot(*along))
    normal = np.array([along[1], -along[0]]) / length
    part = np.linspace(-_OVERHANG, 1.0 + _OVERHANG, _SCANS)
    base = start + part[:, None] * along
    step_px = _STEP_MM * around / (2.0 * (CARD_WIDTH + CARD_HEIGHT))
    count = 2 * int(np.ceil(reach / step_px)) + 1
    profiles = sample_profiles(rgb, base - reach * normal, base + reach * normal, count)
    seen = _line_votes(_steps(profiles), 2.0 * reach / (count - 1), length * (1.0 + 2.0 * _OVERHANG))
    slopes, offsets = _peaks(seen)
    ends = (start - _OVERHANG * along, end + _OVERHANG * along)
    half = length * (0.5 + _OVERHANG)
    middle = offsets / (count - 1) * 2.0 * reach - reach
    out = [
        ends[k][None, :] + (middle + sign * half * _SLOPES[slopes])[:, None] * normal
        for k, sign in ((0, -1.0), (1, 1.0))
    ]
    return np.stack(out, axis=1), seen[slopes, offsets]


def _steps(profiles: FloatArray) -> FloatArray:
    """Return where colour changes along each profile (N, M, 3): 0 to 1, at the steepest place of a step."""
    change = np.zeros(profiles.shape[:2])
    change[:, 1:-1] = np.abs(profiles[:, 2:] - profiles[:, :-2]).max(axis=2)
    steepest = np.zeros(change.shape, dtype=bool)
    steepest[:, 1:-1] = (change[:, 1:-1] >= change[:, :-2]) & (change[:, 1:-1] > change[:, 2:])
    clear = np.clip(1.5 - 2.0 * _change_within(change) / np.maximum(change, 1.0), 0.0, 1.0)
    strong = np.where(steepest, clear * np.clip(change / _LEAST_STEP - 0.5, 0.0, 1.0), 0.0)
    near = strong.copy()
    near[:, 1:] = np.maximum(near[:, 1:], 0.7 * strong[:, :-1])
    near[:, :-1] = np.maximum(near[:, :-1], 0.7 * strong[:, 1:])
    return near


def _change_within(change: FloatArray) -> FloatArray:
    """Return the mean change (N, M) a little inside of each place of profiles that run from inside to outside.

    A card is even inside of its edge, where the ground goes on to either side of its own edges as it is.
    """
    low, high = (round(mm / _STEP_MM) for mm in _EVEN_MM)
    count = change.shape[1]
    sums = np.cumsum(np.pad(change, ((0, 0), (high + 1, 0))), axis=1)
    return np.asarray((sums[:, high - low + 1 : high - low + 1 + count] - sums[:, :count]) / (high - low + 1))


def _line_votes(steps: FloatArray, sample_px: float, length: float) -> FloatArray:
    """Return the part of the scans that shows a step on each line: (slopes, samples), by its place in the middle."""
    scans, samples = steps.shape
    place = np.linspace(-0.5, 0.5, scans) * length / sample_px
    shift = np.rint(_SLOPES[:, None] * place).astype(int)
    pad = int(np.abs(shift).max())
    padded = np.pad(steps, ((0, 0), (pad, pad)))
    columns = np.arange(samples)[None, None, :] + pad + shift[:, :, None]
    votes: FloatArray = padded[np.arange(scans)[None, :, None], columns].mean(axis=1)
    return votes


def _peaks(votes: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Return slope and place of the lines seen best, no two of them nearly the same."""
    left = votes.copy()
    found: list[tuple[int, int]] = []
    while len(found) < _LINES:
        slope, place = np.unravel_index(int(np.argmax(left)), left.shape)
        if left[slope, place] < _LEAST_SEEN:
            break
        found.append((int(slope), int(place)))
        left[max(slope - 3, 0) : slope + 4, max(place - 2, 0) : place + 3] = 0.0
    taken = np.array(found, dtype=int).reshape(-1, 2)
    return taken[:, 0], taken[:, 1]
