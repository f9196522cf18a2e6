"""Plane geometry of closed outlines: resampling, chains, hulls, cross-sections.

All points are float64 (N, 2). Nothing here knows of pixels, millimetres or claws.
"""

from __future__ import annotations

import numpy as np

from clawvision.types import FloatArray


def following(values: FloatArray) -> FloatArray:
    """Return each element's successor on a closed outline: the array moved up by one."""
    return np.concatenate((values[1:], values[:1]))


def arc_positions(points: FloatArray, *, closed: bool) -> FloatArray:
    """Return each point's distance along the line, (N,), or (N + 1,) with the total last where ``closed``."""
    line = np.vstack((points, points[:1])) if closed else points
    steps = np.hypot(*np.diff(line, axis=0).T)
    return np.concatenate(([0.0], np.cumsum(steps)))


def resample_closed(points: FloatArray, count: int) -> FloatArray:
    """Return ``count`` points evenly spaced along a closed outline, starting at its first point."""
    along = arc_positions(points, closed=True)
    line = np.vstack((points, points[:1]))
    where = np.linspace(0.0, along[-1], count, endpoint=False)
    return np.column_stack([np.interp(where, along, line[:, axis]) for axis in (0, 1)])


def resample_open(points: FloatArray, count: int) -> FloatArray:
    """Return ``count`` points evenly spaced along an open line, both ends included."""
    along = arc_positions(points, closed=False)
    where = np.linspace(0.0, along[-1], count)
    return np.column_stack([np.interp(where, along, points[:, axis]) for axis in (0, 1)])


def smooth_closed(points: FloatArray, window: int) -> FloatArray:
    """Return a closed outline's moving average over ``window`` (odd) points."""
    if window <= 1:
        return points
    half = window // 2
    padded = np.vstack((points[-half:], points, points[:half]))
    summed = np.vstack((np.zeros((1, 2)), np.cumsum(padded, axis=0)))
    averaged: FloatArray = (summed[window:] - summed[:-window]) / window
    return averaged


def signed_area(points: FloatArray) -> float:
    """Return the area by the shoelace formula, positive where the points turn from +x to +y."""
    x, y = points.T
    return float(0.5 * np.sum(x * following(y) - following(x) * y))


def centroid(points: FloatArray) -> FloatArray:
    """Return the centroid of the enclosed area, (2,)."""
    x, y = points.T
    next_x, next_y = following(x), following(y)
    cross = x * next_y - next_x * y
    moments = np.array([np.sum((x + next_x) * cross), np.sum((y + next_y) * cross)])
    middle: FloatArray = moments / (3.0 * np.sum(cross))
    return middle


def second_moments(points: FloatArray) -> FloatArray:
    """Return the central second moments of the enclosed area divided by the area, (2, 2).

    Green's theorem on the polygon; agrees with the moments of the filled region.
    """
    x, y = (points - centroid(points)).T
    next_x, next_y = following(x), following(y)
    cross = x * next_y - next_x * y
    area = np.sum(cross) / 2.0
    xx = np.sum((x * x + x * next_x + next_x * next_x) * cross) / 12.0
    yy = np.sum((y * y + y * next_y + next_y * next_y) * cross) / 12.0
    xy = np.sum((x * next_y + 2 * x * y + 2 * next_x * next_y + next_x * y) * cross) / 24.0
    moments: FloatArray = np.array([[xx, xy], [xy, yy]]) / area
    return moments


def outward_normals(points: FloatArray, reach: int = 1) -> FloatArray:
    """Return unit outward normals of a closed outline, from the chord between neighbours ``reach`` away."""
    around = np.concatenate((points[-reach:], points, points[:reach]))
    chord = around[2 * reach :] - around[: -2 * reach]
    normals = np.column_stack((chord[:, 1], -chord[:, 0]))
    if signed_area(points) < 0:
        normals = -normals
    lengths = np.hypot(*normals.T)
    unit: FloatArray = normals / np.where(lengths > 0, lengths, 1.0)[:, None]
    return unit


def clip_halfplane(points: FloatArray, normal: FloatArray, limit: float) -> FloatArray:
    """Return the part of a closed outline where ``points @ normal <= limit`` (Sutherland–Hodgman)."""
    side = points @ normal - limit
    next_side = following(side)
    crosses = (side <= 0) != (next_side <= 0)
    inside = side <= 0
    share = np.where(crosses, side / np.where(crosses, side - next_side, 1.0), 0.0)
    meeting = points + share[:, None] * (following(points) - points)
    kept = np.empty((2 * len(points), 2))
    kept[0::2], kept[1::2] = points, meeting
    mask = np.empty(2 * len(points), dtype=bool)
    mask[0::2], mask[1::2] = inside, crosses
    result: FloatArray = kept[mask]
    return result


def straight_line(points: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Return the total least-squares line through points: a point on it and its unit direction, first to last point."""
    middle = points.mean(axis=0)
    (xx, xy), (_, yy) = (points - middle).T @ (points - middle)
    angle = 0.5 * np.arctan2(2.0 * xy, xx - yy)
    direction = np.array([np.cos(angle), np.sin(angle)])
    return middle, direction if direction @ (points[-1] - points[0]) >= 0 else -direction


def slope_of(x: FloatArray, y: FloatArray) -> tuple[float, float]:
    """Return slope and intercept of the least-squares line y over x."""
    centred = x - x.mean()
    slope = float((centred @ y) / (centred @ centred))
    return slope, float(y.mean() - slope * x.mean())


def chain(points: FloatArray, start: int, stop: int) -> FloatArray:
    """Return a closed outline's points from index ``start`` forward to ``stop``, both included."""
    count = len(points)
    length = (stop - start) % count
    result: FloatArray = points[(start + np.arange(length + 1)) % count]
    return result
