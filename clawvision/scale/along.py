"""Lines along the long sides of what may be a ruler, and the picture beside them as straight rows."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.lib.stride_tricks import sliding_window_view
from numpy.typing import NDArray

from clawvision.scale.edges import sample_profiles
from clawvision.types import ByteArray, FloatArray

STEP = 0.5
"""Pixels between samples along a line: lines of two pixels each are not to be lost between them."""
_BLOCK = 20
"""Samples whose median is one of the five that make up the level."""
_LASTING = 15
_CLIP = 4.0
"""Values farther off, in standard deviations of their row, are dirt and fingers."""
_FAN = np.radians(np.arange(-4.0, 4.01, 0.5))
_FINE_FAN = np.radians((-0.25, 0.25))
"""Turns from a rough outline's axis at which a ruler's side is looked for, and smaller ones at the best of them."""
_EVERY_PX = 2.0
_BEYOND_PX = 8.0


@dataclass(frozen=True, slots=True, eq=False)
class Line:
    """A straight line in a picture: unit vectors ``along`` it and ``across``, into the ruler; ``length`` in px."""

    origin: FloatArray
    along: FloatArray
    across: FloatArray
    length: float

    def at(self, places: FloatArray, depth: float) -> FloatArray:
        """Return the pixels (N, 2) at places (N,) along the line, ``depth`` px beside it."""
        return np.asarray(self.origin + places[:, None] * self.along + depth * self.across)

    def part(self, low: float, high: float) -> Line:
        """Return the line from ``low`` to ``high``, px along."""
        return Line(self.origin + low * self.along, self.along, self.across, high - low)

    def inside(self, picture: ByteArray, depth: float) -> tuple[float, float]:
        """Return from where to where, px along, a parallel stays inside a picture."""
        start = self.origin + depth * self.across
        low, high = -1e9, 1e9
        for axis, limit in ((0, picture.shape[1] - 1.0), (1, picture.shape[0] - 1.0)):
            step = float(self.along[axis])
            if abs(step) < 1e-9:
                continue
            ends = sorted(((1.0 - float(start[axis])) / step, (limit - 1.0 - float(start[axis])) / step))
            low, high = max(low, ends[0]), min(high, ends[1])
        return low, max(high, low + 1.0)


def rows_beside(grey: ByteArray, line: Line, depths: FloatArray) -> FloatArray:
    """Return what varies quickly along parallels of a line, without outliers: float64 (depths, samples).

    Parameters
    ----------
    grey : uint8 (H, W)
        Picture.
    line
        Sampled every ``STEP`` px from its origin on.
    depths : float64 (D,)
        Distances of the parallels, px.
    """
    places = np.arange(round(line.length / STEP) + 1) * STEP
    points = line.origin + places[None, :, None] * line.along + depths[:, None, None] * line.across
    height, width = grey.shape
    low = np.clip(np.floor(points.min(axis=(0, 1))).astype(int) - 5, 0, (width - 1, height - 1))
    high = np.clip(np.ceil(points.max(axis=(0, 1))).astype(int) + 6, low + 1, (width, height))
    part = grey[low[1] : high[1], low[0] : high[0]].astype(np.float32)
    x, y = (points - low).astype(np.float32).transpose(2, 0, 1)
    # Lines at the limit of the pixels: anything softer than this would wipe them out between pixels.
    taken = cv2.remap(part, x, y, cv2.INTER_LANCZOS4, borderMode=cv2.BORDER_REPLICATE)
    values = np.asarray(taken, dtype=np.float32)
    values = values - _level(values)
    limit = _CLIP * (1.4826 * np.median(np.abs(values), axis=1, keepdims=True) + 0.3)
    # What is off for longer than any tick is wide is no tick: a finger, a lump of mud.
    lasting = cv2.morphologyEx(
        (np.abs(values) > limit).astype(np.uint8), cv2.MORPH_OPEN, np.ones((1, _LASTING), np.uint8)
    )
    values[cv2.dilate(lasting, np.ones((1, _LASTING), np.uint8)) > 0] = 0.0
    return np.asarray(np.clip(values, -limit, limit), dtype=np.float64)


def _level(values: NDArray[np.float32]) -> NDArray[np.float32]:
    """Return the level about which rows vary: it follows a step, and no tick."""
    samples = values.shape[1]
    count = max(samples // _BLOCK, 1)
    edges = np.linspace(0, samples, count + 1).astype(int)
    size = int(np.diff(edges).min())
    blocks = np.partition(values[:, edges[:-1, None] + np.arange(size)], size // 2, axis=2)[..., size // 2]
    padded = np.pad(blocks, ((0, 0), (2, 2)), mode="edge")
    level = np.partition(sliding_window_view(padded, 5, axis=1), 2, axis=2)[..., 2]
    at = np.arange(samples, dtype=np.float64)
    middles = 0.5 * (edges[:-1] + edges[1:])
    left = np.clip(np.searchsorted(middles, at) - 1, 0, max(count - 2, 0))
    right = np.minimum(left + 1, count - 1)
    share = np.clip((at - middles[left]) / np.maximum(middles[right] - middles[left], 1e-9), 0.0, 1.0)
    return np.asarray(level[:, left] * (1.0 - share) + level[:, right] * share, dtype=np.float32)


def body_px(grey: ByteArray, line: Line, low: float, high: float, period: float) -> FloatArray:
    """Return a ruler's body as four corners (4, 2): from its edge to where its level ends.

    Parameters
    ----------
    grey : uint8 (H, W)
        Picture.
    line
        Its edge.
    low, high
        Where the first and the last tick lie, px along.
    period
        Distance of its ticks, px.
    """
    low, high = low - 5.0 * period, high + 5.0 * period
    stations = np.linspace(low + 6 * period, high - 6 * period, 25)
    base = line.at(stations, 0.0)
    reach = 45.0 * period
    level = np.median(sample_profiles(grey, base, base + reach * line.across, round(reach) + 1), axis=0)
    # The far edge of the body is the strongest step beyond the ticks.
    first = round(9 * period)
    steps = np.abs(level[first + 4 :] - level[first:-4])
    width = first + 2.0 + float(np.argmax(steps)) if len(steps) and float(steps.max()) > 4.0 else 17.0 * period
    corners = [(low, 0.0), (high, 0.0), (high, width), (low, width)]
    return np.array([line.origin + a * line.along + d * line.across for a, d in corners])


def _steps(grey: NDArray[np.float32], middle: FloatArray, axis: FloatArray, half: tuple[float, float]) -> FloatArray:
    """Return how much the brightness steps from one parallel of an axis to the next, as a mean along it."""
    across = np.array([-axis[1], axis[0]])
    places = np.arange(-half[0], half[0] + 0.1, _EVERY_PX)
    depths = np.arange(-half[1], half[1] + 0.1)
    points = (middle + places[None, :, None] * axis + depths[:, None, None] * across).astype(np.float32)
    values = cv2.remap(grey, points[..., 0], points[..., 1], cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
    level = values.mean(axis=1)
    return np.asarray(np.abs(level[2:] - level[:-2]))


def sides_of(grey: ByteArray, outline_px: FloatArray) -> list[Line]:
    """Return the two long sides of a ruler by where the mean brightness steps, near those of a rough outline.

    They show even where the ground is as bright as the ruler and breaks its edge into short segments.
    """
    corners = np.asarray(cv2.boxPoints(cv2.minAreaRect(outline_px.astype(np.float32))), dtype=np.float64)
    moments = cv2.moments(outline_px.astype(np.float32))
    if moments["m00"] <= 0.0:
        return []
    middle = np.array([moments["m10"], moments["m01"]]) / moments["m00"]
    turn = 0.5 * np.arctan2(2.0 * moments["mu11"], moments["mu20"] - moments["mu02"])
    lengths = np.linalg.norm(corners[1:3] - corners[:2], axis=1)
    half = (0.5 * float(lengths.max()), 0.5 * float(lengths.min()) + _BEYOND_PX)
    reach = np.hypot(*half) + 6.0
    low = np.clip((middle - reach).astype(int), 0, np.array(grey.shape[::-1]) - 2)
    high = np.clip((middle + reach).astype(int), low + 2, grey.shape[::-1])
    part = grey[low[1] : high[1], low[0] : high[0]].astype(np.float32)

    def look(angle: float) -> FloatArray:
        return _steps(part, middle - low, np.array([np.cos(angle), np.sin(angle)]), half)

    fan = {float(turn + step): look(float(turn + step)) for step in _FAN}
    lines = []
    for side in (-1.0, 1.0):
        count = len(next(iter(fan.values())))
        own = np.arange(count) < count // 2 if side < 0 else np.arange(count) > count // 2
        best = max(fan, key=lambda angle: float((fan[angle] * own).max()))
        finer = {best: fan[best]} | {float(best + step): look(float(best + step)) for step in _FINE_FAN}
        angle = max(finer, key=lambda each: float((finer[each] * own).max()))
        depth = float(np.argmax(finer[angle] * own)) + 1.0 - half[1]
        along = np.array([np.cos(angle), np.sin(angle)])
        across = np.array([-along[1], along[0]])
        lines.append(Line(middle + depth * across - half[0] * along, along, -side * across, 2.0 * half[0]))
    return lines
