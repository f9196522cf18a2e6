"""The toe's tip: followed outwards from a contour that rays from the middle cut short.

A long toe narrows to a wedge that few rays reach. Its two borders are followed from behind the contour's tip
outwards, section by section: each section must have an edge on both sides and horn of the same look between.
"""

from __future__ import annotations

import cv2
import numpy as np
import shapely

from clawvision.outline.fine import FinePicture
from clawvision.types import FloatArray

_BEHIND_MM = 14.0
_BEYOND_MM = 60.0
_STEP_MM = 2.0
_SWAY_MM = 1.0  # grid of the sections' middles
_SWAYS = 16
_HALVES = np.arange(1.0, 15.0, 1.0)  # half widths of the sections, mm
_WORTH = 0.43  # gain that a section must have to be worth adding
_END_HALF_MM = 5.0  # half width that the last section may have
_BLUNT = 0.03  # cost of a section that is no narrower than the one before
_UNLIKE = 22.0  # colour distance from the horn at which a section loses all


def grow(picture: FinePicture, points: FloatArray, direction: FloatArray) -> tuple[FloatArray, float]:
    """Return a contour with its toe grown to where it ends, and by how much it grew.

    Parameters
    ----------
    picture
        The finer picture around the claw.
    points : float64 (N, 2)
        The contour, millimetres of the field.
    direction : float64 (2,)
        Unit direction from heel to toe.

    Returns
    -------
    float64 (M, 2), float
        The contour with the grown part joined; mm, 0 where it did not grow.
    """
    along = points @ direction
    tip = points[int(along.argmax())]
    near = points[along > along.max() - 30.0]
    # The wedge's own direction: from its middle 22 to 30 mm behind to that at 8 to 14 mm behind.
    depth = along.max() - near @ direction
    back, front = near[(depth > 20.0)], near[(depth > 5.0) & (depth < 13.0)]
    if len(back) < 2 or len(front) < 2:
        return points, 0.0
    way = _middle(front, direction) - _middle(back, direction)
    if np.hypot(*way) < 3.0 or way @ direction / np.hypot(*way) < 0.8:
        return points, 0.0
    way = way / np.hypot(*way)
    side = np.array([-way[1], way[0]])
    start = _middle(front, direction)
    first = float((tip - start) @ way) - _BEHIND_MM
    steps = first + np.arange(0.0, _BEHIND_MM + _BEYOND_MM, _STEP_MM)
    sway = (np.arange(2 * _SWAYS + 1) - _SWAYS) * _SWAY_MM
    gain = _gains(
        picture, start, way, side, np.asarray(steps, dtype=np.float64), np.asarray(sway, dtype=np.float64), points
    )
    path = _best_path(gain, int(_BEHIND_MM / _STEP_MM))
    if not path:
        return points, 0.0
    ahead = [(steps[k], sway[i], _HALVES[j]) for k, i, j in path]
    upper = [start + s * way + (y + h) * side for s, y, h in ahead]
    lower = [start + s * way + (y - h) * side for s, y, h in ahead]
    s, y, _ = ahead[-1]
    wedge = shapely.Polygon([*upper, start + (s + _STEP_MM) * way + y * side, *lower[::-1]]).buffer(0)
    joined = shapely.unary_union([shapely.Polygon(points).buffer(0), wedge])
    grown = float((steps[path[-1][0]] + _STEP_MM) - (tip - start) @ way)
    if joined.geom_type != "Polygon" or grown < _STEP_MM:
        return points, 0.0
    return np.asarray(joined.exterior.coords)[:-1], grown


def _middle(points: FloatArray, direction: FloatArray) -> FloatArray:
    side = np.array([-direction[1], direction[0]])
    across = points @ side
    out: FloatArray = 0.5 * (points[across.argmin()] + points[across.argmax()])
    return out


def _gains(
    picture: FinePicture,
    start: FloatArray,
    way: FloatArray,
    side: FloatArray,
    steps: FloatArray,
    sway: FloatArray,
    points: FloatArray,
) -> FloatArray:
    """Return what each section (steps, sways, halves) is worth."""
    reach = _SWAYS * _SWAY_MM + _HALVES[-1] + 3.0
    offsets = np.arange(-reach, reach + 0.5, 1.0)
    grid = start + steps[:, None, None] * way + offsets[None, :, None] * side
    at = picture.place(picture.field.to_photo(grid))
    lab = cv2.remap(picture.lab, at[..., 0], at[..., 1], cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
    lab = cv2.GaussianBlur(lab, (1, 5), 0.8).astype(np.float64)  # a little along the toe
    step = np.linalg.norm(np.roll(lab, -1, axis=1) - np.roll(lab, 1, axis=1), axis=2) / 2.0
    edge = step / (step + 3.0)
    inside = shapely.contains_xy(shapely.Polygon(points).buffer(-1.0), grid[..., 0], grid[..., 1])
    horn = np.median(lab[inside], axis=0) if inside.sum() > 10 else lab.mean(axis=(0, 1))
    unlike = np.minimum(np.linalg.norm(lab - horn, axis=2) / _UNLIKE, 1.5)
    total = np.concatenate((np.zeros((len(steps), 1)), np.cumsum(unlike, axis=1)), axis=1)
    centre = np.rint(sway + reach).astype(int)
    half = _HALVES.astype(int)
    low, high = centre[:, None] - half, centre[:, None] + half
    mean_unlike = (total[:, high] - total[:, low + 1]) / np.maximum(2 * half - 1, 1)
    both = np.minimum(edge[:, low], edge[:, high]) * 0.6 + 0.2 * (edge[:, low] + edge[:, high])
    out: FloatArray = both - 0.5 * mean_unlike
    return out


def _best_path(gain: FloatArray, behind: int) -> list[tuple[int, int, int]]:
    """Return the best run of sections (step, sway, half) from the first step on; it must reach beyond the old tip."""
    count, sways, halves = gain.shape
    total = gain - _WORTH
    back = np.zeros((count, sways, halves), np.int8)
    moves = [(dy, dh) for dh in (0, 1, 2) for dy in (0, -1, 1)]  # the section before lay dy aside and was dh wider
    best = total[0]
    every = [best]
    for k in range(1, count):
        options = np.full((len(moves), sways, halves), -1e6)
        for m, (dy, dh) in enumerate(moves):
            source = best[max(dy, 0) : sways + min(dy, 0), dh:]
            options[m, max(-dy, 0) : sways + min(-dy, 0), : halves - dh] = (
                source - 0.02 * abs(dy) - (_BLUNT if dh == 0 else 0.0)
            )
        back[k] = options.argmax(axis=0)
        best = options.max(axis=0) + total[k]
        every.append(best)
    narrow = int(np.searchsorted(_HALVES, _END_HALF_MM, side="right"))
    ends = np.array([each[:, :narrow].max() for each in every])
    # A toe ends narrow: a run that ends wide has followed something else, or is cut short itself.
    last = int(ends.argmax())
    if last < behind or ends[last] <= 0:
        return []
    i, j = (int(v) for v in np.unravel_index(int(every[last][:, :narrow].argmax()), (sways, narrow)))
    path = []
    for k in range(last, -1, -1):
        path.append((k, i, j))
        dy, dh = moves[int(back[k, i, j])]
        if k:
            i, j = i + dy, j + dh
    return path[::-1]
