"""Straight edges at sub-pixel accuracy: where a bright and a dark area meet along the side of a quadrilateral."""

from __future__ import annotations

import cv2
import numpy as np

from clawvision.types import ByteArray, FloatArray

_SEGMENT_SIDE = 640
_MAX_SEGMENTS = 300
_PROFILES = 28
_SAMPLES = 33
_MIN_CONTRAST = 12.0
GAMMA = 2.2
"""Exponent from a photo's grey values to light (IEC 61966-2-1 within a few per cent)."""


def halvings(picture: ByteArray, smallest: int, largest: int) -> list[tuple[ByteArray, float]]:
    """Return a picture halved again and again, smallest first, each with the factor to the full picture.

    Halving is much quicker than any other reduction.

    Parameters
    ----------
    picture : uint8 (H, W) or (H, W, C)
        Picture.
    smallest, largest
        The first size returned has its long side at most ``smallest`` pixels, the last one at most ``largest``.
        A picture that is small enough is returned itself.
    """
    sizes = [(picture, 1.0)]
    while max(sizes[-1][0].shape[:2]) > smallest:
        current, factor = sizes[-1]
        rows, columns = current.shape[0] // 2, current.shape[1] // 2
        half = cv2.resize(current[: 2 * rows, : 2 * columns], (columns, rows), interpolation=cv2.INTER_AREA)
        sizes.append((np.asarray(half, dtype=np.uint8), 2.0 * factor))
    return [item for item in reversed(sizes) if max(item[0].shape[:2]) <= largest]


def straight_segments(rgb: ByteArray, side: int = _SEGMENT_SIDE) -> tuple[FloatArray, float]:
    """Return the longest straight segments of lightness and of the livelier colour channel.

    Parameters
    ----------
    rgb : uint8 (H, W, 3)
        Picture at full size; it is reduced for the search.
    side
        To so many pixels along its longer side.

    Returns
    -------
    segments : float64 (N, 4)
        x1, y1, x2, y2 in pixels of the reduced picture, longest first.
    factor : float
        From the reduced to the full picture.
    """
    halved, halving = halvings(rgb, 2 * side - 1, 2 * side - 1)[0]
    shrink = max(max(halved.shape[:2]) / side, 1.0)
    size = (round(halved.shape[1] / shrink), round(halved.shape[0] / shrink))
    small = np.asarray(cv2.resize(halved, size, interpolation=cv2.INTER_AREA), dtype=np.uint8)
    lab = np.asarray(cv2.cvtColor(small, cv2.COLOR_RGB2LAB), dtype=np.uint8)
    spread = np.reshape(cv2.meanStdDev(lab)[1], -1)
    chroma = 1 if spread[1] > spread[2] else 2
    detector = cv2.createLineSegmentDetector(cv2.LSD_REFINE_NONE, 1.0)
    # Colour is blurred more than lightness by every camera's compression: half the size shows as much.
    coarse = cv2.resize(lab[..., chroma], (max(size[0] // 2, 1), max(size[1] // 2, 1)), interpolation=cv2.INTER_AREA)
    found = [np.zeros((0, 4))]
    for channel, factor in ((np.ascontiguousarray(lab[..., 0]), 1.0), (np.asarray(coarse, dtype=np.uint8), 2.0)):
        lines = detector.detect(channel)[0]
        if lines is not None:
            found.append((np.reshape(lines, (-1, 4)).astype(np.float64) + 0.5) * factor - 0.5)
    every = np.concatenate(found)
    length = np.hypot(every[:, 2] - every[:, 0], every[:, 3] - every[:, 1])
    return every[np.argsort(-length, kind="stable")[:_MAX_SEGMENTS]], halving * halved.shape[1] / size[0]


def sample_profiles(grey: ByteArray, starts: FloatArray, ends: FloatArray, samples: int) -> FloatArray:
    """Return grey values along straight profiles by bilinear interpolation.

    Parameters
    ----------
    grey : uint8 (H, W) or (H, W, C)
        Picture.
    starts, ends : float64 (N, 2)
        Ends of each profile, pixels.
    samples
        Number of values along each, both ends included.

    Returns
    -------
    float64 (N, samples) or (N, samples, C)
        Outside the picture its border's value goes on.
    """
    steps = np.linspace(0.0, 1.0, samples)
    x = starts[:, :1] + steps * (ends[:, :1] - starts[:, :1])
    y = starts[:, 1:] + steps * (ends[:, 1:] - starts[:, 1:])
    # cv2.remap takes at most 32767 columns and rows, and only a crop keeps float32 exact to a thousandth.
    left, top = max(int(np.floor(x.min())) - 2, 0), max(int(np.floor(y.min())) - 2, 0)
    right = min(int(np.ceil(x.max())) + 3, grey.shape[1])
    below = min(int(np.ceil(y.max())) + 3, grey.shape[0])
    if right <= left or below <= top:
        return np.zeros(x.shape + grey.shape[2:])
    crop = grey[top:below, left:right]
    values = cv2.remap(
        crop.astype(np.float32),
        (x - left).astype(np.float32),
        (y - top).astype(np.float32),
        cv2.INTER_LINEAR,
        borderMode=cv2.BORDER_REPLICATE,
    )
    return np.asarray(values, dtype=np.float64)


def to_light(values: FloatArray) -> FloatArray:
    """Return grey values, 0 to 255, as light on the same range."""
    return np.asarray(255.0 * (np.maximum(values, 0.0) / 255.0) ** GAMMA)


def edge_positions(profiles: FloatArray, sign: int, gamma: float = GAMMA) -> tuple[FloatArray, FloatArray]:
    """Return where each profile crosses half way, in light, between its two ends' levels, and its contrast.

    Blur mixes light, not grey values: half the light is a grey value well above the middle, and the crossing of
    the middle grey would lie too far on the dark side (white seems to spread over black).

    Parameters
    ----------
    profiles : float64 (N, M)
        From inside to outside, 0 to 255.
    sign
        +1 where the outside is brighter, -1 where it is darker.
    gamma
        Exponent from grey values to light; 1 where the profiles are in light already.

    Returns
    -------
    positions : float64 (N,)
        In samples; NaN where there is no edge of that sign.
    contrast : float64 (N,)
        Difference of the levels, positive where the edge has the sign asked for.
    """
    count, samples = profiles.shape
    third = max(samples // 3, 1)
    # Medians of the outer thirds: a step in the middle leaves them alone, and so does noise.
    inside = np.median(profiles[:, :third], axis=1)
    outside = np.median(profiles[:, -third:], axis=1)
    contrast = (outside - inside) * sign
    level = (0.5 * (inside**gamma + outside**gamma)) ** (1.0 / gamma)
    values = (profiles - level[:, None]) * sign
    rising = (values[:, :-1] < 0) & (values[:, 1:] >= 0)
    # Of several crossings the one nearest the middle.
    distance = np.where(rising, np.abs(np.arange(samples - 1) - (samples - 2) / 2.0), np.inf)
    nearest = np.argmin(distance, axis=1)
    rows = np.arange(count)
    before, after = values[rows, nearest], values[rows, nearest + 1]
    with np.errstate(divide="ignore", invalid="ignore"):
        part = -before / (after - before)
    return np.where(np.isfinite(distance[rows, nearest]), nearest + part, np.nan), contrast


def fit_line(points: FloatArray, limit: float) -> tuple[FloatArray, FloatArray, FloatArray] | None:
    """Fit a straight line to points of which some are wrong.

    Parameters
    ----------
    points : float64 (N, 2)
        Points, pixels.
    limit
        Points farther off are left out, pixels.

    Returns
    -------
    middle, direction : float64 (2,)
        A point of the line and its unit direction.
    kept : bool (N,)
        Which points the line was fitted to.
    None
        If fewer than four points agree.
    """
    kept = np.ones(len(points), dtype=bool)
    # Start from the pair of points with most others beside its line.
    if len(points) >= 8:
        half, step = len(points) // 2, max(len(points) // 12, 1)
        starts, ends = points[0:half:step], points[: half - 1 : -step]
        along = (ends[None, :, :] - starts[:, None, :]).reshape(-1, 2)
        origin = np.repeat(starts, len(ends), axis=0)
        length = np.maximum(np.hypot(along[:, 0], along[:, 1]), 1e-9)[:, None]
        normal = np.column_stack((-along[:, 1], along[:, 0])) / length
        off = np.abs(normal @ points.T - (normal * origin).sum(axis=1)[:, None])
        near = off < 1.5 * limit
        kept = near[int(np.argmax(near.sum(axis=1)))]
    for _ in range(4):
        if int(kept.sum()) < 4:
            return None
        middle = points[kept].mean(axis=0)
        x, y = (points[kept] - middle).T
        turn = 0.5 * np.arctan2(2.0 * float(x @ y), float(x @ x - y @ y))
        direction = np.array([np.cos(turn), np.sin(turn)])
        off = np.abs((points - middle) @ np.array([-direction[1], direction[0]]))
        again = off < max(limit, 0.05)
        if np.array_equal(again, kept):
            break
        kept = again
    if int(kept.sum()) < 4:
        return None
    return middle, direction, np.asarray(kept)


def intersect(first: tuple[FloatArray, FloatArray], second: tuple[FloatArray, FloatArray]) -> FloatArray | None:
    """Return where two lines (point, direction) meet, (2,), or None if they are nearly parallel."""
    (p, u), (q, v) = first, second
    cross = u[0] * v[1] - u[1] * v[0]
    if abs(cross) < 0.1:
        return None
    step = ((q - p)[0] * v[1] - (q - p)[1] * v[0]) / cross
    return np.asarray(p + step * u)


def refine_quad(
    grey: ByteArray,
    quad: FloatArray,
    reach: float,
    *,
    sign: int,
    rms_limit: float,
    margin: float = 0.1,
    min_part: float = 0.4,
) -> FloatArray | None:
    """Move a quadrilateral's corners to where lines fitted to its four edges meet.

    Parameters
    ----------
    grey : uint8 (H, W)
        Picture at full size.
    quad : float64 (4, 2)
        Corners, clockwise in the picture.
    reach
        How far to look to either side of each edge, pixels.
    sign
        +1 for a dark quadrilateral on a bright ground, -1 for a bright one on dark.
    rms_limit
        Edge points farther from their line are left out, pixels.
    margin
        Part of each side left out at both ends (rounded or blurred corners).
    min_part
        Part of each side's profiles that must show the edge.

    Returns
    -------
    float64 (4, 2) or None
        None where a side has no straight edge of that sign.
    """
    reach = max(reach, 1.5)
    following = np.roll(quad, -1, axis=0)
    along = following - quad
    lengths = np.linalg.norm(along, axis=1, keepdims=True)
    if float(lengths.min()) < 4.0:
        return None
    # For a clockwise quadrilateral (y down) the outside lies to the left of each side.
    outward = np.column_stack((along[:, 1], -along[:, 0])) / lengths
    part = np.linspace(margin, 1.0 - margin, _PROFILES)
    base = (quad[:, None, :] + part[None, :, None] * along[:, None, :]).reshape(-1, 2)
    normal = np.repeat(outward, _PROFILES, axis=0)
    profiles = sample_profiles(grey, base - reach * normal, base + reach * normal, _SAMPLES)
    positions, contrast = edge_positions(profiles, sign)
    positions = np.where(contrast >= _MIN_CONTRAST, positions, np.nan)
    shift = (positions / (_SAMPLES - 1) * 2.0 - 1.0) * reach
    points = base + shift[:, None] * normal
    lines = []
    for side in range(4):
        own = points[side * _PROFILES : (side + 1) * _PROFILES]
        own = own[np.isfinite(own[:, 0])]
        if len(own) < min_part * _PROFILES:
            return None
        line = fit_line(own, rms_limit)
        if line is None or int(line[2].sum()) < min_part * _PROFILES:
            return None
        lines.append((line[0], line[1]))
    corners = [intersect(lines[side - 1], lines[side]) for side in range(4)]
    if any(corner is None for corner in corners):
        return None
    return np.array(corners)
