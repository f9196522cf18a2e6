"""Lines on the picture, each with a dark edge so that it shows on white hair and on black horn alike."""

from __future__ import annotations

from functools import cache

import cv2
import numpy as np

from clawvision.output.style import DARK, PAPER, Colour
from clawvision.types import ByteArray, FloatArray

_SHIFT = 4
"""OpenCV draws at sixteenths of a pixel."""

SOLID: tuple[float, ...] = ()
LONG_DASH: tuple[float, ...] = (9.0, 3.5)
SHORT_DASH: tuple[float, ...] = (3.5, 3.0)
DASH_DOT: tuple[float, ...] = (8.0, 3.0, 1.5, 3.0)
DOTS: tuple[float, ...] = (1.2, 3.2)


class Canvas:
    """An RGB picture to draw lines on.

    Parameters
    ----------
    pixels : uint8 (H, W, 3)
        Drawn on in place.
    unit : float
        Width of a usual line, pixels; every other size follows from it.
    """

    def __init__(self, pixels: ByteArray, unit: float) -> None:
        self.pixels = pixels
        self.unit = unit

    @property
    def width(self) -> int:
        return int(self.pixels.shape[1])

    @property
    def height(self) -> int:
        return int(self.pixels.shape[0])

    def line(
        self,
        points: FloatArray,
        colour: Colour,
        *,
        strokes: tuple[float, ...] = SOLID,
        closed: bool = False,
        weight: float = 1.0,
    ) -> None:
        """Draw a line through ``points`` (N, 2); ``strokes`` are lengths of dash and gap in line widths."""
        points = np.asarray(points, dtype=np.float64).reshape(-1, 2)
        if len(points) < 2 or not np.isfinite(points).all():
            return
        if len(points) > 50:
            # An outline has a point a pixel of the full photo; drawing them all costs more and shows nothing more.
            points = cv2.approxPolyDP(points.astype(np.float32), 0.3, closed).reshape(-1, 2).astype(np.float64)
        if closed:
            points = np.vstack((points, points[:1]))
        points = _limit(points)
        parts = [points] if not strokes else _dashes(points, np.array(strokes) * self.unit * weight)
        thick = max(1, round(self.unit * weight))
        edge = thick + 2 * max(1, round(self.unit * 0.45))
        shifted = [np.rint(part * (1 << _SHIFT)).astype(np.int32) for part in parts]
        cv2.polylines(self.pixels, shifted, False, DARK, edge, cv2.LINE_AA, _SHIFT)
        cv2.polylines(self.pixels, shifted, False, colour, thick, cv2.LINE_AA, _SHIFT)

    def ends(self, a: FloatArray, b: FloatArray, colour: Colour) -> None:
        """Close the dimension line a–b with a short bar across each end."""
        along = np.asarray(b) - np.asarray(a)
        size = float(np.hypot(*along))
        if size < 1.0:
            return
        across = np.array([-along[1], along[0]]) / size * self.unit * 3.0
        for end in (np.asarray(a), np.asarray(b)):
            self.line(np.array([end - across, end + across]), colour)

    def disc(self, centre: FloatArray, radius: float, fill: Colour, edge: Colour) -> None:
        """Draw a filled disc with an edge."""
        x, y = (int(v) for v in np.round(np.asarray(centre) * (1 << _SHIFT)))
        if max(abs(x), abs(y)) > 1 << 20:
            return
        thick = max(1, round(self.unit * 0.5))
        cv2.circle(self.pixels, (x, y), round((radius + thick) * (1 << _SHIFT)), edge, -1, cv2.LINE_AA, _SHIFT)
        cv2.circle(self.pixels, (x, y), round(radius * (1 << _SHIFT)), fill, -1, cv2.LINE_AA, _SHIFT)

    def bar(self, left: float, middle: float, length: float, height: float) -> None:
        """Draw a scale bar of five parts, white and dark in turn within a white frame."""
        thick = max(1, round(self.unit * 0.5))
        above, below = round(middle - height / 2), round(middle + height / 2)
        edges = [round(left + length * part / 5) for part in range(6)]
        cv2.rectangle(self.pixels, (edges[0], above), (edges[5], below), PAPER, thick)
        for part in (0, 2, 4):
            cv2.rectangle(self.pixels, (edges[part], above), (edges[part + 1], below), PAPER, -1)

    def plate(self, box: tuple[int, int, int, int], stripe: Colour) -> None:
        """Darken the box (left, top, right, bottom) for a label, with a coloured stripe on its left."""
        left, top, right, bottom = box
        left, top = max(left, 0), max(top, 0)
        area = self.pixels[top:bottom, left:right]
        if area.size == 0:
            return
        area[:] = cv2.LUT(np.ascontiguousarray(area), _darkened())
        area[:, : max(2, round(self.unit * 1.4))] = stripe


@cache
def _darkened() -> ByteArray:
    """Return what becomes of each grey level of each channel under a label, uint8 (1, 256, 3)."""
    levels = np.repeat(np.arange(256, dtype=np.uint8)[None, :, None], 3, axis=2)
    return np.asarray(cv2.addWeighted(levels, 0.16, np.full_like(levels, DARK), 0.84, 0.0), dtype=np.uint8)


def arc(centre: FloatArray, start: FloatArray, end: FloatArray, radius: float) -> FloatArray:
    """Return the points of the arc about ``centre`` from direction ``start`` to ``end``, the shorter way, (N, 2)."""
    first = float(np.arctan2(start[1], start[0]))
    turn = float(np.arctan2(end[1], end[0])) - first
    turn = (turn + np.pi) % (2 * np.pi) - np.pi
    angles = first + turn * np.linspace(0.0, 1.0, max(2, int(abs(turn) * 24)))
    points: FloatArray = np.asarray(centre) + radius * np.column_stack((np.cos(angles), np.sin(angles)))
    return points


def _limit(points: FloatArray) -> FloatArray:
    # OpenCV's fixed point overflows far outside the picture; a point there only has to stay outside.
    limited: FloatArray = np.clip(points, -30_000.0, 60_000.0)
    return limited


def _dashes(points: FloatArray, pattern: FloatArray) -> list[FloatArray]:
    """Cut a line into its dashes: ``pattern`` is dash, gap, dash, gap … in pixels."""
    reach = np.concatenate(([0.0], np.cumsum(np.hypot(*np.diff(points, axis=0).T))))
    period = float(pattern.sum())
    if reach[-1] <= 0.0 or period <= 0.0:
        return [points]
    edges = np.concatenate(([0.0], np.cumsum(pattern)))
    bases = np.arange(0.0, min(float(reach[-1]), 4000 * period), period)[:, None]
    begins = (bases + edges[:-1:2]).ravel()
    ends = np.minimum((bases + edges[1::2]).ravel(), reach[-1])
    begins, ends = begins[begins < ends], ends[begins < ends]
    at = np.stack([begins, ends], axis=1)
    cut = np.stack([np.interp(at, reach, points[:, axis]) for axis in (0, 1)], axis=2)
    first, last = np.searchsorted(reach, begins, side="right"), np.searchsorted(reach, ends, side="left")
    return [
        np.concatenate((cut[index, :1], points[low:high], cut[index, 1:]))
        for index, (low, high) in enumerate(zip(first, last, strict=True))
    ]
