"""The shape of a card's quadrilateral under perspective."""

from __future__ import annotations

from collections.abc import Iterable

import numpy as np
from numpy.typing import NDArray

from clawvision.scale.geometry import CARD_HEIGHT, CARD_WIDTH
from clawvision.types import Camera, FloatArray

ASPECT = CARD_WIDTH / CARD_HEIGHT
_U_CORNER_PX = 0.3


def shapes(quads: FloatArray, camera: Camera) -> tuple[FloatArray, FloatArray]:
    """Return side ratio and skew of the flat parallelograms that quadrilaterals show.

    Parameters
    ----------
    quads : float64 (N, 4, 2)
        Corners in pixels, in order.
    camera
        Camera of the picture; its lens distortion is not regarded.

    Returns
    -------
    ratio : float64 (N,)
        Length of the first side divided by that of the second; NaN where three corners lie on one line.
    skew : float64 (N,)
        Cosine of the angle between them; 0 for a rectangle.
    """
    ray = np.concatenate(
        (
            (quads - np.array([camera.cx, camera.cy])) / np.array([camera.fx, camera.fy]),
            np.ones((*quads.shape[:2], 1)),
        ),
        axis=2,
    )
    # Of a parallelogram p0 - p1 + p2 - p3 = 0; the rays' depths that make it so are their determinants, by Cramer.
    depth = np.stack([np.linalg.det(np.delete(ray, corner, axis=1)) for corner in range(4)], axis=1)
    place = depth[..., None] * ray
    across, down = place[:, 1] - place[:, 0], place[:, 3] - place[:, 0]
    long, short = np.linalg.norm(across, axis=1), np.linalg.norm(down, axis=1)
    with np.errstate(divide="ignore", invalid="ignore"):
        return long / short, (across * down).sum(axis=1) / (long * short)


def inside(quads: FloatArray, shape: tuple[int, int]) -> NDArray[np.bool_]:
    """Tell which quadrilaterals (N, 4, 2) lie in a picture of that height and width, with a little room around."""
    height, width = shape
    with np.errstate(invalid="ignore"):
        within = (quads >= 2.0) & (quads <= np.array([width, height]) - 3.0)
    return np.asarray(within.all(axis=(1, 2)))


def rectangle_shape(quad: FloatArray, camera: Camera) -> tuple[float, float]:
    """Return side ratio and skew of the flat parallelogram that one quadrilateral (4, 2) shows; see `shapes`."""
    ratio, skew = shapes(quad[None], camera)
    return float(ratio[0]), float(skew[0])


def ratio_doubt(quad: FloatArray, camera: Camera) -> float:
    """Return the standard uncertainty of the logarithm of a quadrilateral's side ratio, from that of its corners."""
    steps = _U_CORNER_PX * np.eye(8).reshape(8, 4, 2)
    moved = shapes(quad + steps, camera)[0] / shapes(quad - steps, camera)[0]
    return float(np.linalg.norm(0.5 * np.log(moved)))


def clockwise(quad: FloatArray) -> FloatArray:
    """Return a quadrilateral's corners (4, 2) clockwise as seen, y down."""
    x, y = quad.T
    return quad if float(x @ np.roll(y, -1) - y @ np.roll(x, -1)) > 0 else quad[::-1]


def long_side_first(quads: FloatArray) -> FloatArray:
    """Roll corners (..., 4, 2) so that the first side is a long one, the card as upright as can be."""
    sides = np.linalg.norm(np.roll(quads, -1, axis=-2) - quads, axis=-1)
    wide = sides[..., 0] + sides[..., 2] >= sides[..., 1] + sides[..., 3]
    quads = np.where(wide[..., None, None], quads, np.roll(quads, -1, axis=-2))
    return upright(quads)


def upright(quads: FloatArray) -> FloatArray:
    """Turn corners (..., 4, 2) by half a turn where the first side runs backwards: which end is which, no card shows.

    It runs to the right; that of a card on end downwards.
    """
    along = quads[..., 1, :] - quads[..., 0, :]
    across, down = along[..., 0], along[..., 1]
    backwards = np.where(np.abs(across) > np.abs(down), across < 0, down < 0)
    return np.where(backwards[..., None, None], np.roll(quads, -2, axis=-2), quads)


def distinct(quads: Iterable[FloatArray], most: int, within: float) -> list[FloatArray]:
    """Return the first so many of some quadrilaterals (4, 2), no two of which are nearly the same.

    Two are whose corners all lie ``within`` a share of the long side of each other.
    """
    kept: list[FloatArray] = []
    for quad in quads:
        if len(kept) == most:
            break
        near = within * float(np.linalg.norm(quad[1] - quad[0]))
        if all(float(np.abs(quad - other).max()) > near for other in kept):
            kept.append(quad)
    return kept
