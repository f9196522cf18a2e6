"""Quadrilaterals of a card's shape among the straight segments of a picture.

Segments are joined to corners, corners that face each other to quadrilaterals.
"""

from __future__ import annotations

import numpy as np

from clawvision.scale.id1_shape import ASPECT, distinct, inside, long_side_first, shapes
from clawvision.types import Camera, FloatArray

_MIN_SEGMENT = 10.0  # pixels of the reduced picture
_MAX_CORNERS = 300
_MAX_QUADS = 4000
_MAX_CANDIDATES = 24
_ALIKE = 0.05
"""Quadrilaterals whose corners all lie within this share of the long side are tried as one (status J)."""


def quads_of_segments(segments: FloatArray, factor: float, camera: Camera, shape: tuple[int, int]) -> list[FloatArray]:
    """Return quadrilaterals (4, 2) px with roughly a card's shape, the likeliest first, no near copies.

    Parameters
    ----------
    segments, factor
        What `straight_segments` gave for the picture.
    camera
        Camera of the picture.
    shape
        Height and width of the picture.
    """
    segments = segments[np.hypot(segments[:, 2] - segments[:, 0], segments[:, 3] - segments[:, 1]) >= _MIN_SEGMENT]
    if len(segments) < 4:
        return []
    quads = (_quads(*_corners(segments)) + 0.5) * factor - 0.5
    return _plausible(quads, camera, shape)


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


def _plausible(quads: FloatArray, camera: Camera, shape: tuple[int, int]) -> list[FloatArray]:
    """Keep quadrilaterals inside the picture with roughly the card's shape, largest first, no near copies."""
    quads = quads[inside(quads, shape)]
    sides = np.linalg.norm(np.roll(quads, -1, axis=1) - quads, axis=2)
    ratio = (sides[:, 0] + sides[:, 2]) / np.maximum(sides[:, 1] + sides[:, 3], 1e-9)
    quads = quads[(np.maximum(ratio, 1 / ratio) > 0.95) & (np.maximum(ratio, 1 / ratio) < 2.6)]
    kept: list[tuple[float, FloatArray]] = []
    ordered = long_side_first(quads[:_MAX_QUADS])
    taken = np.zeros(len(ordered), dtype=bool)
    for turned in (ordered, np.roll(ordered, -1, axis=1)):
        seen, skew = shapes(turned, camera)
        off = np.abs(np.log(seen / ASPECT))
        fits = ~taken & (off < 0.12) & (np.abs(skew) < 0.15)
        kept += [(float(off[i] + abs(skew[i])), turned[i]) for i in np.nonzero(fits)[0]]
        taken |= fits
    kept.sort(key=lambda item: item[0])
    return distinct([quad for _, quad in kept], _MAX_CANDIDATES, _ALIKE)
