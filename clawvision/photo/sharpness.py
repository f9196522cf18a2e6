"""How blurred a region of a picture is, from its own edges.

An edge that a lens, a hand's shake or a wrong focus has smeared to a width σ loses little of its slope when it is
smeared once more by a known amount; a sharp one loses much. The two slopes give σ, whatever the edge's
contrast (Zhuo & Sim's principle of re-blurring, from memory).
"""

from __future__ import annotations

from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from clawvision.types import ByteArray, FloatArray

NORMAL_DIAGONAL_PX = 2000.0
"""Larger pictures are judged at this diagonal: blur counts by its share of the picture, not in sensor pixels."""

_FINE, _COARSE = 0.7, 2.0  # the two smearings, px; the fine one keeps sensor noise out
_DIFFERENCE_VARIANCE = 1.0 / 3.0  # px²: a difference over two pixels smears like a box of that width
_SLOPE_FLOOR = 2.0  # grey levels per px; weaker slopes are noise
_STEEPEST = 0.20  # share of each direction's slopes that are looked at
_MIN_RIDGE_PX = 15
_MIN_RIDGE_SHARE = 0.02
_MAX_BLUR_PX = 5.0
_BAND_PX = 4
_MARGIN_PX = 12
_MAX_CANDIDATES = 30_000  # more edge pixels than these are thinned out evenly, for speed
# Neighbour (dy, dx) across an edge, by the direction of its slope in steps of 45°.
_ACROSS = ((0, 1), (1, 1), (1, 0), (1, -1))


def edge_blur(pixels: ByteArray, polygons: list[FloatArray]) -> float | None:
    """Return the blur of the edges in and around polygons, in the direction in which it is worst.

    Parameters
    ----------
    pixels : uint8 (H, W, 3)
        The picture, RGB.
    polygons : list of float64 (N, 2)
        Regions in pixels; a band around their borders is looked at too.

    Returns
    -------
    float or None
        Standard deviation of the equivalent Gaussian blur in pixels of a picture with a diagonal of
        2000 px (of the picture itself where it is smaller): the median over the steepest edges of one of four
        directions, the largest of the four, so that a shake in one direction counts. At most 5. None
        where there are too few edges to tell.
    """
    grey, region = _cut_out(pixels, polygons)
    if grey is None:
        return None
    along_x, along_y, slope = _slopes(grey, _FINE)
    coarse_x, coarse_y, _ = _slopes(grey, _COARSE)
    rows, columns, direction = _ridge(slope, along_x, along_y, region)
    if not rows.size:
        return None
    here = slope[rows, columns]
    after = (coarse_x[rows, columns] * along_x[rows, columns] + coarse_y[rows, columns] * along_y[rows, columns]) / here
    squared_ratio = (here / np.maximum(np.abs(after), 1e-3)) ** 2
    variance = (_COARSE**2 - squared_ratio * _FINE**2) / np.maximum(squared_ratio - 1.0, 1e-3)
    blur = np.sqrt(np.clip(variance - _DIFFERENCE_VARIANCE, 0.0, _MAX_BLUR_PX**2))
    enough = max(_MIN_RIDGE_PX, _MIN_RIDGE_SHARE * blur.size)
    medians = [float(np.median(blur[direction == d])) for d in range(4) if np.sum(direction == d) >= enough]
    return max(medians, default=None)


def _cut_out(pixels: ByteArray, polygons: list[FloatArray]) -> tuple[Any, NDArray[np.bool_]]:
    """Return the region's grey picture at the normal size, and which of its pixels belong to the region."""
    height, width = pixels.shape[:2]
    shrink = min(1.0, NORMAL_DIAGONAL_PX / float(np.hypot(width, height)))
    margin = _MARGIN_PX / shrink
    points = np.vstack(polygons)
    left, top = np.maximum(np.floor(points.min(axis=0) - margin), 0).astype(int)
    right, bottom = np.minimum(np.ceil(points.max(axis=0) + margin + 1), (width, height)).astype(int)
    if right - left < 8 or bottom - top < 8:
        return None, np.zeros((0, 0), bool)
    grey = cv2.cvtColor(pixels[top:bottom, left:right], cv2.COLOR_RGB2GRAY)
    size = max(8, round((right - left) * shrink)), max(8, round((bottom - top) * shrink))
    while grey.shape[1] >= 2 * size[0] and grey.shape[0] >= 2 * size[1]:  # exact halving is the fast averaging
        grey = cv2.resize(grey, (grey.shape[1] // 2, grey.shape[0] // 2), interpolation=cv2.INTER_AREA)
    if grey.shape[1::-1] != size:
        grey = cv2.resize(grey, size, interpolation=cv2.INTER_LINEAR)
    region = np.zeros(grey.shape, np.uint8)
    scale = np.array([grey.shape[1] / (right - left), grey.shape[0] / (bottom - top)])
    for polygon in polygons:
        corners = np.round((polygon - (left, top) + 0.5) * scale - 0.5).astype(np.int32)
        cv2.fillPoly(region, [corners], 255)
        cv2.polylines(region, [corners], True, 255, 2 * _BAND_PX + 1)
    region[[0, -1], :] = 0
    region[:, [0, -1]] = 0
    return grey, region > 0


def _slopes(grey: ByteArray, sigma: float) -> tuple[Any, Any, Any]:
    smooth = cv2.GaussianBlur(grey.astype(np.float32), (0, 0), sigma)
    along_x = cv2.Sobel(smooth, cv2.CV_32F, 1, 0, scale=1 / 8)
    along_y = cv2.Sobel(smooth, cv2.CV_32F, 0, 1, scale=1 / 8)
    return along_x, along_y, cv2.magnitude(along_x, along_y)


def _ridge(
    slope: NDArray[np.float32], along_x: NDArray[np.float32], along_y: NDArray[np.float32], region: NDArray[np.bool_]
) -> tuple[Any, Any, Any]:
    """Return rows, columns and directions of the steepest edge pixels, the same share of every direction."""
    rows, columns = np.nonzero(region & (slope > _SLOPE_FLOOR))
    step = 1 + rows.size // _MAX_CANDIDATES
    rows, columns = rows[::step], columns[::step]
    here, x, y = slope[rows, columns], along_x[rows, columns], along_y[rows, columns]
    steep = np.abs(y) > np.tan(np.pi / 8) * np.abs(x)
    flat = np.abs(x) > np.tan(np.pi / 8) * np.abs(y)
    direction = np.where(steep & flat, np.where(x * y > 0, 1, 3), np.where(steep, 2, 0))
    kept = []
    for d, (down, right) in enumerate(_ACROSS):
        index = np.flatnonzero(direction == d)
        r, c, s = rows[index], columns[index], here[index]
        index = index[(s >= slope[r + down, c + right]) & (s >= slope[r - down, c - right])]
        if index.size >= 25:
            kept.append(index[here[index] >= np.quantile(here[index], 1.0 - _STEEPEST)])
    chosen = np.concatenate(kept) if kept else np.zeros(0, int)
    return rows[chosen], columns[chosen], direction[chosen]
