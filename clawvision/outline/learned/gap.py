"""The black gap between a claw and the ground it stands on, which looks like a part of the claw but is none.

Under the bearing edge of a standing claw there is often a gap that no light reaches. The network, which goes by the
forms and colours of many surfaces, may take it for dark horn. It is blacker than any lit surface, and it ends at the
horn with a sharp edge: where both hold, the outline is moved there.
"""

from __future__ import annotations

from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from clawvision.measure.curve import outward_normals, resample_closed
from clawvision.outline.learned.contract import Float32Array
from clawvision.outline.learned.crop import Crop
from clawvision.types import FloatArray

_POINTS = 400
_DOWNWARD = 0.4
"""Least share of the outward normal that points down, where an edge may stand on the ground."""
_REACH = 14.0
"""Pixels of the fine picture, about 5 mm on a claw that fills it: what is deeper may be a shadow on dark horn."""
_REACH_BESIDE = 24.0
_BESIDE = 30
"""So many points beside a sure gap it may be deeper: its middle, where the ground lies lower."""
_START = 3.0
"""The outline may lie so many pixels outside the gap, where the ground's edge is blurred."""
_STEP = 0.5
_BLACK, _BLACK_SHARE = 10.0, 0.36
"""Lightness, CIE L*, below which nothing that light reaches lies, by itself and as a share of the horn's own: lit mud
and black horn are lighter (status J)."""
_SHARP, _REACHED = 4.0, 0.75
"""Pixels within which this share of the horn's own lightness is reached: horn in its own shade darkens slower."""
_RUN = 25
"""Points along the outline over which a sure gap shows at least half of the time."""
_LED = 25
"""Within so many points beside a sure gap the cut fades, or meets the next one, so that it makes no step."""
_SMOOTH = 9
"""Points over which the depth's median is taken."""


def without_gap(outline_px: FloatArray, crop: Crop) -> FloatArray:
    """Return the outline of a claw in a side view without the black gap under it.

    Parameters
    ----------
    outline_px : float64 (N, 2)
        Simple closed outline, pixels of the photo.
    crop
        The fine picture: sole down.

    Returns
    -------
    float64 (M, 2)
        The same outline where there is no gap.
    """
    line = resample_closed(crop.from_photo(outline_px), _POINTS)
    normals = outward_normals(line, 3)
    inwards = np.arange(0.0, _REACH_BESIDE + 4.0 * _SHARP, _STEP)
    places = (line[:, None, :] - inwards[None, :, None] * normals[:, None, :]).astype(np.float32)
    lab = cv2.cvtColor(crop.picture.astype(np.float32) / np.float32(255.0), cv2.COLOR_RGB2LAB)
    light = np.asarray(
        cv2.remap(lab[:, :, 0], places[..., 0], places[..., 1], cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE),
        dtype=np.float32,
    )
    wide = np.where(normals[:, 1] > _DOWNWARD, _gap_depth(light), 0.0)
    depth = np.where(wide > _REACH, 0.0, wide)
    sure = np.median(_around(depth > 0.0, _RUN // 2), axis=1) > 0
    beside = _around(sure, _BESIDE).any(axis=1)
    depth = np.median(_around(np.where(beside, wide, 0.0), _SMOOTH // 2), axis=1)
    if not depth.any():
        return outline_px
    depth = _spread(depth, normals[:, 1] > _DOWNWARD)
    return crop.to_photo(line - depth[:, None] * normals)


def _around(values: NDArray[Any], reach: int) -> NDArray[Any]:
    """Return each value of a closed line (N,) with so many on either side of it, (N, 2 reach + 1)."""
    return np.lib.stride_tricks.sliding_window_view(np.pad(values, reach, mode="wrap"), 2 * reach + 1)


def _spread(depth: FloatArray, below: NDArray[np.bool_]) -> FloatArray:
    """Return the depth (N,) led on between near places where a gap shows, and faded out beyond the last ones."""
    count = len(depth)
    order = (np.arange(count) + int(np.argmin(below))) % count  # begins outside the lower edge
    values, under = np.append(depth[order], 0.0), np.append(below[order], False)  # and ends there again
    known = np.flatnonzero((values > 0.0) | ~under)
    at = np.arange(count)
    before = known[np.searchsorted(known, at, side="right") - 1]
    after = known[np.searchsorted(known, at)]
    faded = [values[end] * np.clip(1.0 - np.abs(at - end) / _LED, 0.0, 1.0) for end in (before, after)]
    between = (values[before] > 0.0) & (values[after] > 0.0) & (after - before <= 2 * _LED)
    led = np.where(between, np.interp(at, known, values[known]), np.maximum(*faded))
    out = np.empty(count)
    out[order] = np.where(under & (values <= 0.0), np.append(led, 0.0), values)[:count]
    return out


def _gap_depth(light: Float32Array) -> FloatArray:
    """Return how far inwards a black gap reaches in each row of lightness (N, K), pixels (N,); 0 where none is."""
    start, most, sharp = (round(part / _STEP) for part in (_START, _REACH_BESIDE, _SHARP))
    black = light < _BLACK
    column = np.arange(light.shape[1])
    first = black.argmax(axis=1)
    beyond = ~black & (column > first[:, None])
    last = beyond.argmax(axis=1) - 1
    found = black[:, : start + 1].any(axis=1) & beyond.any(axis=1) & (last <= most)
    last = np.where(found, last, 0)

    def after(low: int, high: int) -> Float32Array:
        return np.take_along_axis(light, last[:, None] + np.arange(low, high)[None, :], axis=1)

    horn = np.median(after(sharp, 3 * sharp), axis=1)
    darkest = np.where(black & (column >= first[:, None]) & (column <= last[:, None]), light, np.inf).min(axis=1)
    rising = after(0, sharp + 1)
    found &= (darkest < _BLACK_SHARE * horn) & (rising[:, -1] > _REACHED * horn)
    # The edge lies where the lightness is halfway between the two.
    halfway = (rising > 0.5 * (darkest + horn)[:, None]).argmax(axis=1)
    out: FloatArray = np.where(found, (last + halfway) * _STEP, 0.0)
    return out
