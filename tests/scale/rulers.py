"""Rulers from above, for tests that hold them before a camera."""

from __future__ import annotations

from collections.abc import Callable
from functools import cache

import numpy as np

from clawvision.types import FloatArray

from .scenes import PIXELS_PER_MM

WIDTH, FIRST = 26.0, 7.0
"""Millimetres across, and from its end to the first tick."""
Tall = Callable[[int], float]


def _metric(n: int) -> float:
    return 6.6 if n % 10 == 0 else 5.0 if n % 5 == 0 else 3.4


@cache
def sheet(
    length: int = 190, tall: Tall = _metric, ink: float = 45.0, body: float = 205.0, step_mm: float = 1.0, by: int = 10
) -> FloatArray:
    """A ruler from above with ticks ``step_mm`` apart, as tall as ``tall`` tells, some strokes at every ``by``-th."""
    k = PIXELS_PER_MM
    face = np.full((round(WIDTH * k), round(length * k)), body)
    for n in range(int((length - 2 * FIRST) / step_mm) + 1):
        left = round((FIRST + n * step_mm - 0.1) * k)
        face[round(0.4 * k) : round((0.4 + tall(n)) * k), left : left + round(0.2 * k)] = ink
        if n % by == 0:
            for stroke in range(1 + n // by % 3):
                x = left + round((stroke - 0.6) * 1.1 * k)
                face[round(8.4 * k) : round(11.0 * k), x : x + round(0.4 * k)] = ink
    return face
