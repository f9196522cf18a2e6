"""The outline moved to the horn's edge in the photo itself, where the photo shows one.

The network tells the edge to a fraction of its cells; the photo is finer. Along each normal the place is looked for
that best parts what the horn looks like there, a little farther in, from what lies a little farther out, judged by
the colours of the neighbourhood on either side. The network's own place, with its standard error, counts as a first
opinion: where in and out look alike (under hair, at the bulb's skin, in mud) it stays.
"""

from __future__ import annotations

from collections.abc import Callable

import cv2
import numpy as np

from clawvision.measure.curve import arc_positions, outward_normals, resample_closed
from clawvision.outline.learned.crop import Pyramid
from clawvision.outline.rays import best_ring
from clawvision.types import FloatArray

POINTS = 192
"""Places along an outline at which the edge is looked for."""
OFFSETS = 12
"""Steps to each side of the network's edge."""
STEP_CELLS = 0.1
SIGMA_CELLS = 0.3
"""Standard error of the network's edge that the search assumes, in its cells. Where the network is off by more, the
search still gains; with more freedom it loses where the network is right, to growth rings, shadows and hair."""
_BAND = 10
"""Steps beyond the search, on each side, that tell how inside and outside look."""
_WINDOW = 9.0
"""Points along the outline, standard deviation, over which inside and outside are judged."""
_LEAST_NOISE = 3.0
"""Spread that colours of one surface have at least, units of CIE L*, a*, b*."""
_WEIGHT = 0.1
"""What one step's log likelihood counts: neighbouring steps and points are not independent of each other."""
_STIFF = 0.35
_SMOOTH = 1.5
_SOFT_CELLS = 2.0
"""So many cells outside the outline it is asked whether there is hair or skin."""


def snap(
    pyramid: Pyramid, outlines_px: list[FloatArray], cell_px: float, soft: Callable[[FloatArray], FloatArray]
) -> list[FloatArray]:
    """Return outlines moved to the edge.

    Parameters
    ----------
    pyramid
        The photo.
    outlines_px : list of float64 (N, 2)
        Simple closed outlines, pixels of the photo.
    cell_px
        Size of a cell of the network's masks, pixels of the photo.
    soft
        Tells of places (M, 2) of the photo how likely hair or skin lies there, 0 to 1, (M,). The horn's edge against
        those is the network's to tell: hair hides it, and hair's own tips are the clearest edge there.

    Returns
    -------
    list of float64 (N, 2)
    """
    if not outlines_px:
        return []
    lines = [resample_closed(outline, POINTS) for outline in outlines_px]
    normals = [outward_normals(line, 2) for line in lines]
    step = STEP_CELLS * cell_px
    count = OFFSETS + _BAND
    offsets = np.arange(-count, count + 1, dtype=np.float32)
    stay = np.float32(0.5) * (offsets[_BAND:-_BAND] * np.float32(STEP_CELLS / SIGMA_CELLS)) ** 2
    gains = []
    for line, normal in zip(lines, normals, strict=True):
        places = line[:, None, :] + step * offsets[None, :, None] * normal[:, None, :]
        firm = 1.0 - _along(soft(line + _SOFT_CELLS * cell_px * normal)[:, None], 2.0)
        gains.append(_gain(_colours(pyramid, places, step)) * firm.astype(np.float32) - stay)
    rings = best_ring(np.stack(gains), np.float32(_STIFF))
    moved = [_along(step * _between(gain, ring)[:, None], _SMOOTH) for gain, ring in zip(gains, rings, strict=True)]
    return [
        outline + _spread(by * normal, outline) for outline, by, normal in zip(outlines_px, moved, normals, strict=True)
    ]


def _spread(moves: FloatArray, outline: FloatArray) -> FloatArray:
    """Return evenly spaced moves (`POINTS`, 2) of an outline (N, 2) for its own points, so that no tip is cut."""
    along = arc_positions(outline, closed=True)
    at = along[:-1] / along[-1] * len(moves)
    places = np.arange(len(moves))
    return np.column_stack([np.interp(at, places, moves[:, axis], period=len(moves)) for axis in (0, 1)])


def _colours(pyramid: Pyramid, places: FloatArray, step: float) -> FloatArray:
    """Return CIE L*, a*, b* at places (..., 2) of the photo, averaged over about a step."""
    halvings = pyramid.halvings_for(min(1.0 / max(step, 1e-3), 1.0))
    factor = 2.0**halvings
    at = ((places + 0.5) / factor - 0.5).astype(np.float32)
    rgb = cv2.remap(pyramid.level(halvings), at[..., 0], at[..., 1], cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
    lab = cv2.cvtColor(rgb.astype(np.float32) / np.float32(255.0), cv2.COLOR_RGB2LAB)
    return np.asarray(lab, dtype=np.float64)


def _gain(profile: FloatArray) -> np.ndarray[tuple[int, int], np.dtype[np.float32]]:
    """Return how well each offset (N, 2 OFFSETS + 1) parts inside from outside, log likelihood.

    Colours are projected on the direction that best parts the two sides, around each point of the outline.
    """
    inner, outer = profile[:, :_BAND], profile[:, -_BAND:]
    means = [_along(side.mean(axis=1), _WINDOW) for side in (inner, outer)]
    squares = [_along((side**2).mean(axis=1), _WINDOW) for side in (inner, outer)]
    variances = [np.maximum(square - mean**2, 0.0) for square, mean in zip(squares, means, strict=True)]
    noise = variances[0] + variances[1] + _LEAST_NOISE**2
    axis = (means[1] - means[0]) / noise
    axis /= np.maximum(np.linalg.norm(axis, axis=1, keepdims=True), 1e-9)
    value = (profile * axis[:, None, :]).sum(axis=2)
    centre = [(mean * axis).sum(axis=1)[:, None] for mean in means]
    spread = [np.sqrt((variance * axis**2).sum(axis=1) + _LEAST_NOISE**2)[:, None] for variance in variances]
    ratio = (
        0.5 * ((value - centre[1]) / spread[1]) ** 2
        - 0.5 * ((value - centre[0]) / spread[0]) ** 2
        + np.log(spread[1] / spread[0])
    )
    # What lies within an offset ought to look like horn: each step within adds its log likelihood ratio.
    total = np.cumsum(np.clip(ratio, -3.0, 3.0), axis=1)[:, _BAND:-_BAND]
    # Where the sides look alike the ratio is noise; it counts as far as they differ.
    apart = (centre[1] - centre[0]) ** 2 / (spread[0] ** 2 + spread[1] ** 2)
    out: np.ndarray[tuple[int, int], np.dtype[np.float32]] = (_WEIGHT * total * apart / (1.0 + apart)).astype(
        np.float32
    )
    return out


def _between(
    gain: np.ndarray[tuple[int, int], np.dtype[np.float32]], ring: np.ndarray[tuple[int], np.dtype[np.int32]]
) -> FloatArray:
    """Return the best offsets in steps, between steps by a parabola."""
    rows = np.arange(len(ring))
    inner = np.clip(ring, 1, gain.shape[1] - 2)
    before, here, after = gain[rows, inner - 1], gain[rows, inner], gain[rows, inner + 1]
    bend = before - 2 * here + after
    part = np.where(bend < -1e-6, 0.5 * (before - after) / np.minimum(bend, -1e-6), 0.0)
    out: FloatArray = (inner - OFFSETS + np.clip(part, -0.5, 0.5)).astype(np.float64)
    return out


def _along(values: FloatArray, points: float) -> FloatArray:
    """Return values (N, k) smoothed along a closed outline by a Gaussian of so many points."""
    reach = int(3 * points + 1)
    kernel = np.exp(-0.5 * (np.arange(-reach, reach + 1) / points) ** 2)
    padded = np.concatenate((values[-reach:], values, values[:reach]))
    return np.stack(
        [np.convolve(padded[:, k], kernel / kernel.sum(), mode="valid") for k in range(values.shape[1])], axis=-1
    )
