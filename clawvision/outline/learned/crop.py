"""Parts of the photo as the network is given them: resampled once, from the photo itself, and the way back."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np

from clawvision.outline.learned.contract import COARSE_SIZE, FILL, FINE_SIZE, HORN_SHARE
from clawvision.types import ByteArray, FloatArray

_MOST_REDUCED = 0.6  # a single linear resampling reduces to no less than this; halving does the rest


@dataclass(frozen=True, slots=True, eq=False)
class Crop:
    """A resampled part of the photo.

    ``picture`` is uint8 (h, w, 3). ``matrix`` (2, 3) takes pixels of the photo to its own; it is a similarity: it
    turns, scales, moves and may mirror.
    """

    picture: ByteArray
    matrix: FloatArray

    @property
    def scale(self) -> float:
        """Return pixels of the picture per pixel of the photo."""
        return float(np.hypot(*self.matrix[:, 0]))

    @property
    def size(self) -> tuple[int, int]:
        """Return width and height."""
        return int(self.picture.shape[1]), int(self.picture.shape[0])

    def from_photo(self, points: FloatArray) -> FloatArray:
        """Return pixels of the picture for pixels (..., 2) of the photo."""
        out: FloatArray = points @ self.matrix[:, :2].T + self.matrix[:, 2]
        return out

    def to_photo(self, points: FloatArray) -> FloatArray:
        """Return pixels of the photo for pixels (..., 2) of the picture."""
        out: FloatArray = (points - self.matrix[:, 2]) @ np.linalg.inv(self.matrix[:, :2]).T
        return out

    def direction_to_photo(self, vector: FloatArray) -> FloatArray:
        """Return a direction (2,) of the picture as a unit vector in the photo."""
        turned: FloatArray = np.linalg.inv(self.matrix[:, :2]) @ vector
        return turned / max(float(np.hypot(*turned)), 1e-12)


class Pyramid:
    """A photo and its halvings, each made when it is first needed."""

    def __init__(self, pixels: ByteArray) -> None:
        self._levels = [pixels]

    @property
    def size(self) -> tuple[int, int]:
        """Return width and height of the photo."""
        return int(self._levels[0].shape[1]), int(self._levels[0].shape[0])

    def level(self, halvings: int) -> ByteArray:
        """Return the photo halved so many times; pixel p of it is (p + 0.5) 2ⁿ - 0.5 of the photo."""
        while len(self._levels) <= halvings:
            last = self._levels[-1]
            even = last[: last.shape[0] // 2 * 2, : last.shape[1] // 2 * 2]
            half = (even.shape[1] // 2, even.shape[0] // 2)
            self._levels.append(np.asarray(cv2.resize(even, half, interpolation=cv2.INTER_AREA), dtype=np.uint8))
        return self._levels[halvings]

    def halvings_for(self, scale: float) -> int:
        """Return how often to halve before a resampling by ``scale`` in all."""
        deepest = int(np.log2(max(min(self.size) / 32, 1)))
        return int(np.clip(np.ceil(np.log2(_MOST_REDUCED / max(scale, 1e-6))), 0, deepest))

    def crop(self, matrix: FloatArray, size: tuple[int, int]) -> Crop:
        """Return the part of the photo that a similarity (2, 3) takes to a picture of a size, grey beyond the photo."""
        halvings = self.halvings_for(float(np.hypot(*matrix[:, 0])))
        factor = 2.0**halvings
        # p = (q + 0.5) factor - 0.5 for pixel q of the level
        at_level = np.column_stack(
            (matrix[:, :2] * factor, matrix[:, 2] + matrix[:, :2] @ np.full(2, (factor - 1) / 2))
        )
        picture = cv2.warpAffine(
            self.level(halvings),
            at_level,
            size,
            flags=cv2.INTER_LINEAR,
            borderMode=cv2.BORDER_CONSTANT,
            borderValue=(FILL, FILL, FILL),
        )
        return Crop(np.asarray(picture, dtype=np.uint8), matrix)


def letterbox(pyramid: Pyramid) -> Crop:
    """Return the whole photo fitted into the coarse picture, in its middle."""
    width, height = pyramid.size
    return window(pyramid, np.array([0.0, 0.0]), np.array([width - 1.0, height - 1.0]))


def window(pyramid: Pyramid, low: FloatArray, high: FloatArray) -> Crop:
    """Return an upright part of the photo, from pixel ``low`` to ``high`` (2,), fitted into the coarse picture."""
    size = np.array(COARSE_SIZE, dtype=np.float64)
    scale = float((size / (high - low + 1.0)).min())
    shift = (size - 1.0) / 2.0 - scale * (low + high) / 2.0
    return pyramid.crop(np.array([[scale, 0.0, shift[0]], [0.0, scale, shift[1]]]), COARSE_SIZE)


@dataclass(frozen=True, slots=True, eq=False)
class Pose:
    """How the foot lies in the photo.

    ``toe`` (2,) is the unit direction from heels to toes; ``down`` (2,) that from coronet to bearing surface in a
    side view, None in a sole view.
    """

    toe: FloatArray
    down: FloatArray | None = None

    @property
    def axes(self) -> FloatArray:
        """Return the usual pose's x and y as unit rows (2, 2) in the photo: toes to the left, in a side view sole down.

        A side view may be mirrored, so that this is always possible; a sole view never is.
        """
        x = -self.toe / np.hypot(*self.toe)
        y = np.array([-x[1], x[0]])
        if self.down is not None and y @ self.down < 0:
            y = -y
        return np.stack((x, y))


@dataclass(frozen=True, slots=True)
class Change:
    """A small change of a fine picture: a turn, a factor of size, a move in shares of its width and height."""

    turn_deg: float = 0.0
    stretch: float = 1.0
    shift: tuple[float, float] = (0.0, 0.0)


AS_IT_IS = Change()


def canonical(pyramid: Pyramid, pose: Pose, horn_px: FloatArray, change: Change = AS_IT_IS) -> Crop:
    """Return the horn in its usual pose, filling the usual share of the fine picture.

    Parameters
    ----------
    pyramid
        The photo.
    pose
        How the foot lies in it.
    horn_px : float64 (N, 2)
        Points of the horn's outline, pixels of the photo.
    change
        By how much the picture departs from that.
    """
    angle = np.radians(change.turn_deg)
    turn = np.array([[np.cos(angle), -np.sin(angle)], [np.sin(angle), np.cos(angle)]])
    axes = turn @ pose.axes
    size = np.array(FINE_SIZE, dtype=np.float64)
    placed = horn_px @ axes.T
    low, high = placed.min(axis=0), placed.max(axis=0)
    scale = change.stretch * HORN_SHARE * float((size / np.maximum(high - low, 1e-3)).min())
    middle = (size - 1.0) / 2.0 + np.array(change.shift) * size
    return pyramid.crop(np.column_stack((scale * axes, middle - scale * (low + high) / 2.0)), FINE_SIZE)
