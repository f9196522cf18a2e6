"""What the network is given and what it returns: the order of its channels and numbers. Training reads it from here.

Pictures are RGB in 0..255; the centre of the top left pixel is (0, 0). Cell (i, j) of an output with so many pixels a
cell, ``step``, has its centre at x = (j + 0.5) step - 0.5, y = (i + 0.5) step - 0.5.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

Float32Array = NDArray[np.float32]

COARSE_SIZE = (256, 192)
"""Width and height of the picture in which the whole photo is looked at."""
FINE_SIZE = (512, 384)
"""Width and height of the picture of the horn alone, turned to its usual pose."""
FILL = 114
"""Grey of what lies beyond the photo."""
HORN_SHARE = 0.68
"""The horn's box fills this share of the fine picture's width or height, whichever binds."""

MASKS = ("claw_a", "claw_b", "leg", "reference", "occluder")
MASK_STEP = 2
LANDMARKS = ("C", "T", "B", "H", "tip_a", "tip_b", "heel_a", "heel_b", "cleft")
SIDE_LANDMARKS, SOLE_LANDMARKS = LANDMARKS[:4], LANDMARKS[4:]
"""Those of a side view's near claw (``claw_a``), and those of a sole view."""
LANDMARK_STEP = 4
VIEWS: Final = ("side", "sole", "front", "rear", "none")

FACT_COUNT = 32
TWIST_UNIT_DEG = 30.0
FACT_VIEW = slice(0, 5)
FACT_TOE = slice(5, 7)
FACT_DOWN = slice(7, 9)
FACT_IOU = slice(9, 11)
FACT_LANDMARK_LOG_SIGMA = slice(11, 20)
FACT_TWIST = slice(20, 22)
FACT_TWIST_LOG_SIGMA = slice(22, 24)
FACT_USABLE = 24
FACT_HIDDEN_TIP = slice(25, 27)
LEAN_UNIT_DEG = 15.0
FACT_LEAN, FACT_LEAN_LOG_SIGMA = 27, 28


@dataclass(frozen=True, slots=True, eq=False)
class Outputs:
    """What the network says of one picture of height H and width W.

    ``masks`` float32 (5, H / 2, W / 2) logits of `MASKS`; ``landmarks`` float32 (9, H / 4, W / 4) logits, one softmax
    over the picture for each of `LANDMARKS`; ``facts`` float32 (32,), read by the properties.
    """

    masks: Float32Array
    landmarks: Float32Array
    facts: Float32Array

    @property
    def views(self) -> Float32Array:
        """Return the probability of each of `VIEWS`, (5,)."""
        odds = np.exp(self.facts[FACT_VIEW] - self.facts[FACT_VIEW].max())
        return np.asarray(odds / odds.sum(), dtype=np.float32)

    @property
    def view_logits(self) -> Float32Array:
        """Return the logits of `VIEWS`, (5,)."""
        return self.facts[FACT_VIEW]

    @property
    def toe(self) -> Float32Array:
        """Return the direction from heels to toes in the picture, (2,), of about unit length."""
        return self.facts[FACT_TOE]

    @property
    def down(self) -> Float32Array:
        """Return the direction from coronet to bearing surface, side view, (2,), of about unit length."""
        return self.facts[FACT_DOWN]

    @property
    def iou(self) -> Float32Array:
        """Return how well the network thinks that each claw's mask agrees with the claw, (2,), 0 to 1."""
        return _sigmoid(self.facts[FACT_IOU])

    @property
    def landmark_sigma(self) -> Float32Array:
        """Return the stated standard error of one coordinate of each landmark, (9,), pixels of the picture."""
        return np.exp(np.clip(self.facts[FACT_LANDMARK_LOG_SIGMA], -5.0, 6.0))

    @property
    def twist(self) -> tuple[Float32Array, Float32Array]:
        """Return each claw's helical twist and its stated standard error, (2,) each, degrees."""
        sigma = np.exp(np.clip(self.facts[FACT_TWIST_LOG_SIGMA], -5.0, 3.0))
        return self.facts[FACT_TWIST] * np.float32(TWIST_UNIT_DEG), sigma * np.float32(TWIST_UNIT_DEG)

    @property
    def lean(self) -> tuple[float, float]:
        """Return how far the near claw of a side view turns its toe away from the camera, and the stated standard
        error, degrees: the angle of its level heel-to-toe direction behind the plane across the ray to the claw."""
        sigma = float(np.exp(np.clip(self.facts[FACT_LEAN_LOG_SIGMA], -5.0, 3.0)))
        return float(self.facts[FACT_LEAN]) * LEAN_UNIT_DEG, sigma * LEAN_UNIT_DEG

    @property
    def usable(self) -> float:
        """Return the probability that the photo is good enough to be measured."""
        return float(_sigmoid(self.facts[FACT_USABLE : FACT_USABLE + 1])[0])

    @property
    def hidden_tip(self) -> Float32Array:
        """Return the probability that each claw's tip is hidden or cut off, (2,)."""
        return _sigmoid(self.facts[FACT_HIDDEN_TIP])


def _sigmoid(logits: Float32Array) -> Float32Array:
    return np.float32(1.0) / (np.float32(1.0) + np.exp(-np.clip(logits, -30.0, 30.0)))


def cell_to_picture(cells: NDArray[np.float64], step: int) -> NDArray[np.float64]:
    """Return pixels of the picture for positions in an output, float64 (..., 2) as x and y."""
    out: NDArray[np.float64] = (cells + 0.5) * step - 0.5
    return out
