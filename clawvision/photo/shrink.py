"""Making pictures smaller, quickly."""

from __future__ import annotations

import cv2
import numpy as np

from clawvision.types import ByteArray

WHOLE = 8
"""Sides that are multiples of this can be halved three times without losing a row or a column."""


def shrink(picture: ByteArray, size: tuple[int, int]) -> ByteArray:
    """Return a picture made smaller by area averaging.

    Halving is many times quicker than any other reduction, so it goes as far as halving can.

    Parameters
    ----------
    picture : uint8 (H, W, 3)
        Sides that are multiples of ``WHOLE`` keep their frame to the pixel.
    size
        Width and height wanted.
    """
    width, height = size
    while (
        picture.shape[1] >= 2 * width
        and picture.shape[0] >= 2 * height
        and not (picture.shape[0] | picture.shape[1]) % 2
    ):
        half = (picture.shape[1] // 2, picture.shape[0] // 2)
        picture = np.asarray(cv2.resize(picture, half, interpolation=cv2.INTER_AREA), dtype=np.uint8)
    return np.asarray(cv2.resize(picture, size, interpolation=cv2.INTER_AREA), dtype=np.uint8)
