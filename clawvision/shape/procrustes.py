"""Procrustes superimposition of configurations of points, without reflections.

Rotation by singular value decomposition; formulas and sources in docs/shape.md. A configuration is float64 (P, 2).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np

from clawvision.errors import UsageError
from clawvision.types import FloatArray, frozen_array

Kind = Literal["shape", "form"]
"""``shape``: place, rotation and size are taken out. ``form``: place and rotation only, so that size stays, in mm."""

_MOST_ROUNDS = 200
_SETTLED = 1e-12
"""Share of its size by which the mean may still move; rounding alone moves it by some 1e-16."""


@dataclass(frozen=True, slots=True)
class PairDistance:
    """How far two configurations are apart.

    ``angle`` is the Procrustes distance of shape space in radians; ``partial`` = 2 sin(angle / 2) and ``full`` =
    sin(angle) are the distances after superimposing at unit size, the latter with the best scale. ``form_mm`` is the
    root sum of squares with sizes kept, ``per_point_mm`` the root mean square over the points.
    """

    angle: float
    partial: float
    full: float
    form_mm: float
    per_point_mm: float


@dataclass(frozen=True, slots=True, eq=False)
class Alignment:
    """Configurations superimposed on their mean.

    ``points`` (n, P, 2) and ``mean`` (P, 2) are centred on (0, 0), at unit centroid size for ``shape``, in mm for
    ``form``. ``sizes`` (n,) are the centroid sizes in mm, ``distances`` (n,) those from the mean, in the unit of
    ``points``.
    """

    kind: Kind
    points: FloatArray
    mean: FloatArray
    sizes: FloatArray
    distances: FloatArray
    rounds: int
    settled: bool

    @property
    def mm(self) -> float:
        """Return how many mm one unit of ``points`` is at the mean size."""
        return float(self.sizes.mean()) if self.kind == "shape" else 1.0


def _checked(configurations: Sequence[FloatArray]) -> FloatArray:
    shapes = {np.shape(points) for points in configurations}
    if len(shapes) != 1:
        raise UsageError(
            "The configurations have unlike numbers of points.", "Use the same sections for all, one view."
        )
    (count, *rest) = next(iter(shapes))
    if rest != [2] or count < 3:
        raise UsageError("A configuration needs at least three points x, y.", "Use semilandmarks() or resample().")
    stack = np.asarray(configurations, dtype=np.float64)
    if not np.isfinite(stack).all():
        raise UsageError("A configuration holds a number that is not finite.", "Leave it out.")
    centred: FloatArray = stack - stack.mean(axis=1, keepdims=True)
    return centred


def centroid_size(points: FloatArray) -> float:
    """Return the root sum of squared distances of the points from their mean."""
    return float(np.linalg.norm(points - points.mean(axis=0)))


def rotation_onto(points: FloatArray, target: FloatArray) -> FloatArray:
    """Return the rotation R (2, 2), never a reflection, for which ``points @ R`` lies nearest to ``target``.

    Both are centred already.
    """
    left, _, right = np.linalg.svd(points.T @ target)
    sign = np.sign(np.linalg.det(left @ right))
    rotation: FloatArray = left @ np.diag([1.0, sign]) @ right
    return rotation


def compare(first: FloatArray, second: FloatArray) -> PairDistance:
    """Return the Procrustes distances of two configurations of the same points, in the same order, mm."""
    one, other = _checked((first, second))
    sizes = np.linalg.norm(one), np.linalg.norm(other)
    if min(sizes) == 0:
        raise UsageError("All points of a configuration are one point.", "Leave it out.")
    rotated = other @ rotation_onto(other, one)
    partial = float(np.linalg.norm(one / sizes[0] - rotated / sizes[1]))
    # from the chord, not from the cosine: near 0 a cosine has lost half of its digits
    angle = 2.0 * float(np.arcsin(min(1.0, partial / 2.0)))
    form = float(np.linalg.norm(one - rotated))
    return PairDistance(angle, partial, float(np.sin(min(angle, np.pi / 2.0))), form, form / float(np.sqrt(len(one))))


def align(configurations: Sequence[FloatArray], kind: Kind = "shape") -> Alignment:
    """Superimpose configurations on their mean (generalised Procrustes analysis).

    Each is centred, for ``shape`` brought to unit centroid size, and rotated onto the mean of all, which is taken anew
    until it stays. At the end all are turned together, so that the mean lies as the input does on the whole: input in
    the standard frame comes out upright.

    Parameters
    ----------
    configurations : sequence of float64 (P, 2)
        The same points in the same order, mm.
    kind : {"shape", "form"}
        Without size, or with it.

    Returns
    -------
    Alignment
    """
    if not len(configurations):
        raise UsageError("There are no configurations to align.", "Give at least one.")
    centred = _checked(configurations)
    sizes = np.linalg.norm(centred, axis=(1, 2))
    if sizes.min() == 0:
        raise UsageError("All points of a configuration are one point.", "Leave it out.")
    scaled = centred / sizes[:, None, None] if kind == "shape" else centred
    mean = scaled[0]
    points, rounds, settled = scaled, 0, False
    while not settled and rounds < _MOST_ROUNDS:
        points = np.stack([each @ rotation_onto(each, mean) for each in scaled])
        renewed = points.mean(axis=0)
        if kind == "shape":
            renewed = renewed / np.linalg.norm(renewed)
        settled = bool(np.linalg.norm(renewed - mean) <= _SETTLED * np.linalg.norm(renewed))
        mean, rounds = renewed, rounds + 1
    upright = rotation_onto(mean, scaled.mean(axis=0))
    points, mean = points @ upright, mean @ upright
    distances = np.linalg.norm(points - mean, axis=(1, 2))
    return Alignment(
        kind, frozen_array(points), frozen_array(mean), frozen_array(sizes), frozen_array(distances), rounds, settled
    )


def fitted(points: FloatArray, mean: FloatArray, kind: Kind) -> FloatArray:
    """Return one configuration superimposed on a mean that stays as it is."""
    (centred,) = _checked((points,))
    scaled = centred / np.linalg.norm(centred) if kind == "shape" else centred
    placed: FloatArray = scaled @ rotation_onto(scaled, mean - mean.mean(axis=0))
    return placed
