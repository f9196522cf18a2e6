"""Elliptic Fourier descriptors of closed outlines.

After Kuhl & Giardina 1982, Computer Graphics and Image Processing 18:236. Formulas: docs/shape.md.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np
from scipy.spatial import cKDTree

from clawvision.errors import UsageError
from clawvision.measure.curve import arc_positions, following, resample_closed
from clawvision.types import FloatArray, frozen_array

_CHECK_POINTS = 2000
"""Points along outline and reconstruction where their distance is taken: some 0.15 mm apart on a claw."""
_ROUND = 1e-6
"""A first ellipse whose axes differ by a smaller share has no major axis to start from."""


@dataclass(frozen=True, slots=True, eq=False)
class Descriptors:
    """Fourier coefficients of an outline.

    ``coefficients`` (M, 4): a, b, c, d of harmonics 1 to M; x(t) = ``centre``[0] + Σ a cos nt + b sin nt, y(t) with c
    and d. ``centre`` (2,) is the mean place along the outline.
    """

    coefficients: FloatArray
    centre: FloatArray

    @property
    def order(self) -> int:
        """Return the number of harmonics."""
        return len(self.coefficients)

    @property
    def power(self) -> FloatArray:
        """Return each harmonic's power, (a² + b² + c² + d²) / 2, in squared units of the outline."""
        power: FloatArray = (self.coefficients**2).sum(axis=1) / 2.0
        return power


def elliptic_fourier(outline: FloatArray, order: int, *, pace: Literal["arc", "step"] = "arc") -> Descriptors:
    """Return the elliptic Fourier descriptors of a closed outline.

    Parameters
    ----------
    outline : float64 (N, 2)
        Closed, first point not repeated.
    order : int
        Number of harmonics, at most N / 2.
    pace : {"arc", "step"}
        How the parameter t runs: with the distance along the outline, as published, or alike over every step from point
        to point, for outlines that were sampled evenly in a parameter of their own.

    Returns
    -------
    Descriptors
    """
    if not 1 <= order <= len(outline) // 2:
        raise UsageError(
            f"{order} harmonics do not come from {len(outline)} points.",
            "Ask for 1 to half as many as there are points.",
        )
    steps = following(outline) - outline
    along = arc_positions(outline, closed=True)
    if along[-1] == 0:
        raise UsageError("The outline has no length.", "Give the points of a closed outline.")
    t = along if pace == "arc" else np.arange(len(outline) + 1.0)
    width = np.diff(t)
    moves = width > 0  # two equal points are one point
    speed = np.divide(steps, width[:, None], out=np.zeros_like(steps), where=moves[:, None])
    harmonics = np.arange(1, order + 1)
    phase = 2.0 * np.pi * harmonics[:, None] * (t / t[-1])
    scale = t[-1] / (2.0 * harmonics**2 * np.pi**2)
    cosine = scale[:, None] * (np.diff(np.cos(phase), axis=1) @ speed)
    sine = scale[:, None] * (np.diff(np.sin(phase), axis=1) @ speed)
    coefficients = np.column_stack((cosine[:, 0], sine[:, 0], cosine[:, 1], sine[:, 1]))
    # the mean of a polygon over t: each edge counts by its share, at its middle
    centre = (width[:, None] * (outline + steps / 2.0)).sum(axis=0) / t[-1]
    return Descriptors(frozen_array(coefficients), frozen_array(centre))


def reconstruct(descriptors: Descriptors, count: int = 400, order: int | None = None) -> FloatArray:
    """Return ``count`` points of the outline that the first ``order`` harmonics (all, unless told) describe."""
    kept = descriptors.coefficients[:order]
    harmonics = np.arange(1, len(kept) + 1)
    phase = 2.0 * np.pi * np.arange(count)[:, None] / count * harmonics
    cosine, sine = np.cos(phase), np.sin(phase)
    x = cosine @ kept[:, 0] + sine @ kept[:, 1]
    y = cosine @ kept[:, 2] + sine @ kept[:, 3]
    return np.column_stack((x, y)) + descriptors.centre


def normalised(descriptors: Descriptors, *, size: bool = True) -> Descriptors:
    """Return descriptors freed of place, of rotation and starting point, and of ``size`` where asked.

    The parameter starts where the first harmonic's ellipse meets its major axis, which is turned to +x; of the two ends
    that are possible, the one nearer in phase to the outline's own start, which is T in the standard frame. With
    ``size`` the ellipse's half axis becomes 1, so that a, b, c of the first harmonic are 1, 0, 0.

    Raises
    ------
    UsageError
        If the first ellipse is a circle, which has no major axis.
    """
    a, b, c, d = descriptors.coefficients[0]
    along, across = a * a - b * b + c * c - d * d, 2.0 * (a * b + c * d)
    if np.hypot(along, across) <= _ROUND * (a * a + b * b + c * c + d * d):
        raise UsageError("The first harmonic is a circle: no major axis to turn to.", "Use them without normalising.")
    start = 0.5 * np.arctan2(across, along)
    harmonics = np.arange(1, descriptors.order + 1)
    cosine, sine = np.cos(harmonics * start), np.sin(harmonics * start)
    shift = np.stack((np.stack((cosine, -sine), axis=1), np.stack((sine, cosine), axis=1)), axis=1)
    pairs = descriptors.coefficients.reshape(-1, 2, 2) @ shift
    half_axis = pairs[0, :, 0]
    length = float(np.hypot(*half_axis))
    cos, sin = half_axis / length
    turned = np.array([[cos, sin], [-sin, cos]]) @ pairs
    scaled = turned.reshape(-1, 4) / (length if size else 1.0)
    return Descriptors(frozen_array(scaled), frozen_array(np.zeros(2)))


def _from_line(points: FloatArray, line: FloatArray) -> FloatArray:
    """Return the distance (N,) of points from a closed line of finely spaced points.

    The nearest part of it ends at the nearest of its points, which a tree finds without trying all.
    """
    nearest = cKDTree(line).query(points)[1]
    best = np.full(len(points), np.inf)
    for neighbour in (nearest - 1, (nearest + 1) % len(line)):
        start, edge = line[nearest], line[neighbour] - line[nearest]
        square = (edge**2).sum(axis=1)
        share = np.clip(((points - start) * edge).sum(axis=1) / np.where(square > 0, square, 1.0), 0.0, 1.0)
        best = np.minimum(best, np.hypot(*(start + share[:, None] * edge - points).T))
    return best


def harmonic_errors(outline: FloatArray, order: int) -> tuple[FloatArray, FloatArray]:
    """Return how far an outline is from what 1, 2 … ``order`` harmonics make of it: the largest and the rms, (order,).

    The largest distance is taken both ways, so that neither a corner cut off nor a ripple beside the outline is missed;
    the root mean square is taken along the outline.
    """
    even = resample_closed(outline, _CHECK_POINTS)
    along = arc_positions(outline, closed=True)
    where = np.union1d(along[:-1], np.linspace(0.0, along[-1], _CHECK_POINTS, endpoint=False))
    closed = np.vstack((outline, outline[:1]))
    line = np.column_stack([np.interp(where, along, closed[:, axis]) for axis in (0, 1)])  # its corners too
    descriptors = elliptic_fourier(outline, order)
    largest, usual = np.empty(order), np.empty(order)
    for harmonics in range(1, order + 1):
        made = reconstruct(descriptors, _CHECK_POINTS, harmonics)
        largest[harmonics - 1] = max(_from_line(line, made).max(), _from_line(made, line).max())
        usual[harmonics - 1] = np.sqrt((_from_line(even, made) ** 2).mean())
    return largest, usual


def harmonics_needed(
    outline: FloatArray,
    tolerance_mm: float = 0.3,
    most: int = 60,
    *,
    by: Literal["largest", "root mean square"] = "largest",
) -> int | None:
    """Return from how many harmonics on (up to ``most``) the reconstruction keeps within ``tolerance_mm``.

    Corners decide by the ``largest`` distance: a corner needs many harmonics. None where ``most`` are not enough.
    """
    order = min(most, len(outline) // 2)
    errors = harmonic_errors(outline, order)[0 if by == "largest" else 1]
    beyond = np.flatnonzero(errors > tolerance_mm)
    needed = 1 if not len(beyond) else int(beyond[-1]) + 2
    return needed if needed <= order else None
