"""ArUco markers as black and white rectangles, from the bits of OpenCV's dictionaries."""

from __future__ import annotations

from itertools import combinations, product

import cv2
import numpy as np
from numpy.typing import NDArray

from clawvision.printing.drawing import WHITE, Element, Rect


def marker_bits(dictionary: str, marker_id: int) -> NDArray[np.bool_]:
    """Return a marker's inner cells, bool (n, n), True where white.

    Parameters
    ----------
    dictionary
        Name of a predefined dictionary of ``cv2.aruco``, e.g. ``DICT_4X4_50``.
    marker_id
        Number of the marker in it.
    """
    known = cv2.aruco.getPredefinedDictionary(getattr(cv2.aruco, dictionary))
    row = np.ascontiguousarray(known.bytesList[marker_id : marker_id + 1])
    bits = cv2.aruco.Dictionary.getBitsFromByteList(row, known.markerSize)
    return np.asarray(bits).reshape(known.markerSize, known.markerSize) > 0


def marker(dictionary: str, marker_id: int, x: float, y: float, size: float) -> tuple[Element, ...]:
    """Return the marker as rectangles, its black square first, top left corner at (x, y), ``size`` mm wide.

    The black border is one cell wide. The white part is drawn as its largest rectangles, which overlap: edge to
    edge single cells would show grey seams in viewers that smooth each edge by itself.
    """
    bits = marker_bits(dictionary, marker_id)
    cell = size / (len(bits) + 2)
    white = (
        Rect(
            x + (left + 1) * cell,
            y + (top + 1) * cell,
            (right - left) * cell,
            (bottom - top) * cell,
            WHITE,
        )
        for top, bottom, left, right in _largest_rectangles(bits)
    )
    return (Rect(x, y, size, size), *white)


def _largest_rectangles(grid: NDArray[np.bool_]) -> list[tuple[int, int, int, int]]:
    """Return top, bottom, left, right (ends excluded) of each all-True rectangle that lies in no larger one."""
    rows, columns = (list(combinations(range(n + 1), 2)) for n in grid.shape)
    whole = [(*row, *column) for row, column in product(rows, columns) if grid[slice(*row), slice(*column)].all()]
    return [r for r in whole if not any(r != other and _contains(other, r) for other in whole)]


def _contains(outer: tuple[int, int, int, int], inner: tuple[int, int, int, int]) -> bool:
    return outer[0] <= inner[0] and outer[1] >= inner[1] and outer[2] <= inner[2] and outer[3] >= inner[3]
