"""Two points of known distance, given by a person."""

from __future__ import annotations

import math

import numpy as np

from clawvision.errors import UsageError
from clawvision.types import Reference, frozen_array

SIGMA_CLICK_PX = 1.5
"""Standard error of a point set by hand, one coordinate, pixels (common practice: one to two pixels)."""
U_DISTANCE_REL = 0.005
"""Standard uncertainty of a distance told by a person, relative (half a millimetre in 100)."""
MIN_APART_PX = 10.0
"""Nearer points tell no scale: two clicks alone leave a fifth of it open (status J)."""


def reference_from_points(points: tuple[float, float, float, float, float]) -> Reference:
    """Return the reference made by two points.

    Parameters
    ----------
    points
        x1, y1, x2, y2 in pixels, then their distance in mm.

    Raises
    ------
    UsageError
        If the points lie too near to one another, a value is not finite or the distance is not positive.
    """
    x1, y1, x2, y2, distance = points
    if not all(math.isfinite(v) for v in points) or distance <= 0:
        raise UsageError("The two points of known distance hold a value that cannot be.", "Give x1, y1, x2, y2, mm.")
    if math.hypot(x2 - x1, y2 - y1) < MIN_APART_PX:
        raise UsageError(
            f"The two points of known distance lie less than {MIN_APART_PX:.0f} pixels apart.",
            "Choose points farther apart.",
        )
    pixels = np.array([(x1, y1), (x2, y2)])
    return Reference(
        kind="points",
        points_px=frozen_array(pixels),
        points_mm=frozen_array([(0.0, 0.0), (distance, 0.0)]),
        sigma_px=SIGMA_CLICK_PX,
        outline_px=frozen_array(pixels),
        u_size_rel=U_DISTANCE_REL,
    )
