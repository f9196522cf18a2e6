"""A ruler where one seems to lie, by its rows of ticks as a whole."""

from __future__ import annotations

import cv2
import numpy as np

from clawvision.scale.along import body_px
from clawvision.scale.combs import Combs, find_combs
from clawvision.scale.ruler import SIGMA_TICK_PX, U_RULER_REL
from clawvision.types import ByteArray, FloatArray, Reference, frozen_array

_MOST_PX = 1400.0
"""Around a longer outline the picture is made smaller: 300 mm keep two pixels to the millimetre."""


def find_ruler_near(grey: ByteArray, tick_mm: float, rough_px: FloatArray) -> Reference | None:
    """Find a ruler at a rough outline, down to two pixels to the millimetre.

    Parameters
    ----------
    grey : uint8 (H, W)
        The upright photo.
    tick_mm
        Spacing of its finest ticks, mm; every fifth and tenth is longer.
    rough_px : float64 (N, 2)
        A rough outline of what may be a ruler, pixels. It may miss half of it.

    Returns
    -------
    Reference or None
        Kind ``ruler``: one tick for each stretch of 20 that could be read, at y = 0 and x = whole multiples of
        ``tick_mm``. None where ticks of one, five and ten do not all show, in step with each other.
    """
    picture, outline, reduction = grey, rough_px, 1.0
    while max(cv2.minAreaRect(outline.astype(np.float32))[1]) > _MOST_PX:
        size = (picture.shape[1] // 2, picture.shape[0] // 2)
        even = picture[: 2 * size[1], : 2 * size[0]]
        picture = np.asarray(cv2.resize(even, size, interpolation=cv2.INTER_AREA), dtype=np.uint8)
        outline, reduction = (outline + 0.5) / 2.0 - 0.5, 2.0 * reduction
    combs = find_combs(picture, outline)
    if combs is None:
        return None
    numbers, places = _ticks(combs)
    pixels = combs.line.at(places, combs.depth)
    x = (numbers - numbers.min()) * tick_mm
    period = combs.tens.px(0.5 * combs.line.length) / 10.0
    body = body_px(picture, combs.line, float(places.min()), float(places.max()), period)
    return Reference(
        kind="ruler",
        points_px=frozen_array((pixels + 0.5) * reduction - 0.5),
        points_mm=frozen_array(np.column_stack((x, np.zeros(len(x))))),
        sigma_px=max(SIGMA_TICK_PX, combs.rms) * reduction,
        outline_px=frozen_array((body + 0.5) * reduction - 0.5),
        u_size_rel=U_RULER_REL,
    )


def _ticks(combs: Combs) -> tuple[FloatArray, FloatArray]:
    """Return the tick nearest to the middle of each part that was read: its number and its place, px along."""
    told = combs.tens.at(combs.blocks.places)
    numbers = np.round(10.0 * told)
    # What a part is off holds for the tick beside its middle as well.
    return numbers, combs.tens.place(numbers / 10.0 - combs.blocks.off)
