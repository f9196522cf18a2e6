"""The printed scale card, in mm: origin at its top left corner, x right, y down."""

from __future__ import annotations

import numpy as np

from clawvision.types import FloatArray

CARD_WIDTH = 85.60
"""ISO/IEC 7810, ID-1."""
CARD_HEIGHT = 53.98
"""ISO/IEC 7810, ID-1."""
CORNER_RADIUS = 3.18
"""ISO/IEC 7810 allows 2.88 to 3.48."""
MARKER_SIZE = 18.00
"""Side of a marker's black square, its border included."""
MARKER_DICTIONARY = "DICT_4X4_50"
MARKER_ORIGINS: dict[int, tuple[float, float]] = {
    0: (4.00, 4.00),
    1: (63.60, 4.00),
    2: (63.60, 31.98),
    3: (4.00, 31.98),
}
"""Top left corner of each marker, by its id."""
CHECK_RULER_X = (17.8, 67.8)
CHECK_RULER_Y = 27.0


def marker_corners(marker_id: int) -> FloatArray:
    """Return a marker's corners, (4, 2) mm, in ArUco's order: top left, top right, bottom right, bottom left."""
    x, y = MARKER_ORIGINS[marker_id]
    s = MARKER_SIZE
    return np.array([(x, y), (x + s, y), (x + s, y + s), (x, y + s)])


def card_corners() -> FloatArray:
    """Return the corners of the card's bounding rectangle, (4, 2) mm, clockwise from the top left."""
    return np.array([(0.0, 0.0), (CARD_WIDTH, 0.0), (CARD_WIDTH, CARD_HEIGHT), (0.0, CARD_HEIGHT)])
