"""Principal components of aligned claws: along which lines shapes differ, and how far each lies along them."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from clawvision.errors import UsageError
from clawvision.shape.procrustes import Alignment, Kind, fitted
from clawvision.types import FloatArray, frozen_array

FEWEST_SHAPES = 3
"""Two shapes differ along one line whatever they are: nothing is learned from it."""
_NOTHING = 1e-20
"""Share of the size's square below which a variance is rounding."""


@dataclass(frozen=True, slots=True, eq=False)
class Components:
    """Principal components, k of them, at most one fewer than there are shapes.

    ``mean`` (P, 2) and ``directions`` (k, P, 2), each of unit length; ``scores`` (n, k) and ``variances`` (k,), with
    divisor n − 1, in the unit of the alignment. ``shares`` (k,) of the whole variance; ``chance`` (k,) is what a stick
    broken at random into k pieces gives the longest, second longest …; ``above`` counts the first components, as long
    as their share is larger. ``mm`` is one unit in mm at the mean size.
    """

    kind: Kind
    mean: FloatArray
    directions: FloatArray
    scores: FloatArray
    variances: FloatArray
    shares: FloatArray
    chance: FloatArray
    above: int
    mm: float


@dataclass(frozen=True, slots=True, eq=False)
class PossibleComponents:
    """Components, or None and the ``reason`` why there are none."""

    value: Components | None
    reason: str | None = None


def broken_stick(count: int) -> FloatArray:
    """Return the mean lengths of a stick of length 1 broken at random into ``count`` pieces, longest first."""
    inverse = 1.0 / np.arange(1, count + 1)
    lengths: FloatArray = np.cumsum(inverse[::-1])[::-1] / count
    return lengths


def components(alignment: Alignment) -> PossibleComponents:
    """Return the principal components of aligned shapes.

    The sign of a direction is chosen so that its largest coordinate is positive, which makes the result repeatable; it
    has no meaning.
    """
    count, points, _ = alignment.points.shape
    if count < FEWEST_SHAPES:
        return PossibleComponents(
            None, f"{count} shapes do not tell how shapes vary; it takes {FEWEST_SHAPES} or more."
        )
    flat = alignment.points.reshape(count, 2 * points)
    mean = flat.mean(axis=0)
    _, lengths, lines = np.linalg.svd(flat - mean, full_matrices=False)
    variances = lengths**2 / (count - 1)
    size = float((mean**2).sum())
    # place and rotation (for shape, size too) were taken out of the 2 P coordinates
    free = 2 * points - (4 if alignment.kind == "shape" else 3)
    kept = min(count - 1, free, int((variances > _NOTHING * size).sum()))
    if kept == 0:
        return PossibleComponents(None, "All shapes are the same.")
    lines, variances = lines[:kept], variances[:kept]
    largest = np.abs(lines).argmax(axis=1)
    lines = lines * np.sign(lines[np.arange(kept), largest])[:, None]
    shares = variances / variances.sum()
    chance = broken_stick(kept)
    # a single component holds all variance whatever the shapes are, and stands above nothing
    above = int(np.cumprod(shares > chance).sum())
    return PossibleComponents(
        Components(
            kind=alignment.kind,
            mean=frozen_array(mean.reshape(points, 2)),
            directions=frozen_array(lines.reshape(kept, points, 2)),
            scores=frozen_array((flat - mean) @ lines.T),
            variances=frozen_array(variances),
            shares=frozen_array(shares),
            chance=frozen_array(chance),
            above=above,
            # the mean of shapes of size 1 is a little smaller than 1
            mm=alignment.mm / float(np.sqrt(size)) if alignment.kind == "shape" else 1.0,
        )
    )


def scores_of(points: FloatArray, found: Components) -> FloatArray:
    """Return the scores (k,) of a configuration, whether it was among those that the components come from or not."""
    if np.shape(points) != found.mean.shape:
        raise UsageError(
            "The configuration has another number of points than the components.", "Use the same sections."
        )
    away = fitted(points, found.mean, found.kind) - found.mean
    scores: FloatArray = np.tensordot(found.directions, away, axes=2)
    return scores


def outline_at(found: Components, component: int, deviations: float) -> FloatArray:
    """Return the mean outline moved ``deviations`` standard deviations along a component (0 is the first), mm.

    Centred on the mean of its points; for ``shape`` at the mean centroid size.
    """
    if not 0 <= component < len(found.variances):
        raise UsageError(f"There is no component {component + 1}.", f"There are {len(found.variances)}.")
    step = deviations * np.sqrt(found.variances[component])
    moved: FloatArray = found.mm * (found.mean + step * found.directions[component])
    return moved
