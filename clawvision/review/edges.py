"""A dragged stretch of an outline moved to the horn's edge near it."""

from __future__ import annotations

import numpy as np

from clawvision.measure.curve import arc_positions
from clawvision.outline.learned.crop import Pyramid
from clawvision.outline.learned.snap import SIGMA_CELLS, snap
from clawvision.types import FloatArray

_SIGMA_SHARE = 0.4
"""Standard error of a hand's line as a share of the reach, beyond which it is rarely off."""


def snapped(pyramid: Pyramid, outline: FloatArray, first: int, last: int, reach_px: float) -> FloatArray:
    """Return an outline (N, 2) of which the points from ``first`` to ``last`` lie on the edge near them.

    The edge is told by the code that does so for the program's own outlines. The rest stays where it is, and the
    moves fade to nothing towards both ends of the stretch.

    Parameters
    ----------
    pyramid
        The photo.
    outline
        Simple closed outline, pixels.
    first, last
        The stretch, in the outline's order; it may run across the outline's beginning.
    reach_px
        How far the edge may lie from the outline, pixels.
    """
    cell = max(reach_px, 1.0) * _SIGMA_SHARE / SIGMA_CELLS
    moved = snap(pyramid, [outline], cell, lambda places: np.zeros(len(places)))[0]
    return outline + _weights(outline, first, last)[:, None] * (moved - outline)


def _weights(outline: FloatArray, first: int, last: int) -> FloatArray:
    """Return 1 within the stretch, falling to 0 over its outer quarters, 0 outside."""
    count = len(outline)
    inside = (first + np.arange((last - first) % count + 1)) % count
    along = arc_positions(outline[inside], closed=False)
    total = max(float(along[-1]), 1e-9)
    share = np.minimum(along, total - along) / total
    weights = np.zeros(count)
    weights[inside] = np.clip(share / 0.25, 0.0, 1.0) if len(inside) < count else 1.0
    return weights
