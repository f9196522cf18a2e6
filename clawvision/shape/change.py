"""How a claw's shape changes over time, and whether by more than repeated photos differ."""

from __future__ import annotations

from collections.abc import Hashable, Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np
from scipy import special

from clawvision.errors import UsageError
from clawvision.shape.components import Components, scores_of
from clawvision.shape.frame import StandardShape, semilandmarks
from clawvision.shape.procrustes import compare
from clawvision.types import FloatArray, frozen_array

Verdict = Literal["beyond repeats", "within repeats", "cannot tell"]


@dataclass(frozen=True, slots=True, eq=False)
class Repeatability:
    """How repeated photos of one claw on one day scatter: covariance (k, k) of the first k scores.

    ``degrees`` are the covariance's degrees of freedom, None where it is taken as known.
    """

    covariance: FloatArray
    degrees: int | None = None

    def __post_init__(self) -> None:
        matrix = np.asarray(self.covariance, dtype=np.float64)
        square = matrix.ndim == 2 and matrix.shape[0] == matrix.shape[1] and matrix.size > 0
        if not square or not np.isfinite(matrix).all() or not np.allclose(matrix, matrix.T):
            raise UsageError("The repeatability is no covariance matrix.", "Give a symmetric matrix, k by k.")
        if np.linalg.eigvalsh(matrix)[0] <= 0:
            raise UsageError(
                "The repeatability leaves a direction without any scatter.", "Use fewer components, or more repeats."
            )
        object.__setattr__(self, "covariance", frozen_array(matrix))


@dataclass(frozen=True, slots=True, eq=False)
class ShapePath:
    """One claw's shapes over time, in the order of days.

    ``scores`` (m, k); ``distance`` (m,) from the first shape in the components' kind (radians of shape space, or mm per
    point for form); ``verdicts`` has one word for each shape after the first, ``p`` (m − 1,) the probability of a
    difference at least so large between repeats, or None with the ``reason``.
    """

    name: str
    days: FloatArray
    scores: FloatArray
    distance: FloatArray
    verdicts: tuple[Verdict, ...]
    p: FloatArray | None
    reason: str | None


def repeatability_of(scores: FloatArray, groups: Sequence[Hashable]) -> Repeatability:
    """Return the pooled covariance within groups; a group is one claw on one day, photographed anew each time.

    Parameters
    ----------
    scores : float64 (n, k)
        As many components as shall be compared.
    groups : sequence
        To which group each row belongs. Groups of one add nothing.
    """
    if len(groups) != len(scores):
        raise UsageError("There are not as many groups as scores.", "Name the group of every row.")
    names = list(dict.fromkeys(groups))
    degrees = len(scores) - len(names)
    if degrees < scores.shape[1]:
        raise UsageError(
            f"{degrees} degrees of freedom do not give a covariance of {scores.shape[1]} components.",
            "Repeat more photos, or compare fewer components.",
        )
    index = np.array([names.index(group) for group in groups])
    within = np.vstack([scores[index == i] - scores[index == i].mean(axis=0) for i in range(len(names))])
    return Repeatability(within.T @ within / degrees, degrees)


def repeatability_from_sd(within_sd: Sequence[float], degrees: int | None = None) -> Repeatability:
    """Return a repeatability from the standard deviation of each score within repeats, taken as uncorrelated."""
    return Repeatability(np.diag(np.square(np.asarray(within_sd, dtype=np.float64))), degrees)


def shape_paths(
    shapes: Sequence[StandardShape],
    found: Components,
    repeatability: Repeatability | None = None,
    *,
    level: float = 0.05,
) -> tuple[ShapePath, ...]:
    """Return the path of each animal's claw through the components, one for each claw with two or more shapes.

    The difference d of two photos has twice the covariance S of one: d' (2 S)⁻¹ d follows χ² with k degrees of freedom
    where S is known, Hotelling's T² where it was estimated. ``level`` is shared out over the comparisons of a path.
    """
    claws: dict[tuple[str, str | None, str, str], list[StandardShape]] = {}
    for shape in shapes:
        if shape.source.day is None:
            raise UsageError(f"{shape.source.name}: the day is missing.", "Give the day of every shape.")
        source = shape.source
        claws.setdefault((source.animal, source.foot, source.claw, source.view), []).append(shape)
    return tuple(
        _path(sorted(group, key=_day), found, repeatability, level) for group in claws.values() if len(group) > 1
    )


def _day(shape: StandardShape) -> float:
    return float(shape.source.day or 0.0)


def _path(
    shapes: Sequence[StandardShape], found: Components, repeatability: Repeatability | None, level: float
) -> ShapePath:
    places = [semilandmarks(shape) for shape in shapes]
    scores = np.array([scores_of(points, found) for points in places])
    apart = [compare(places[0], points) for points in places]
    distance = [pair.angle if found.kind == "shape" else pair.per_point_mm for pair in apart]
    p, reason = _chances(scores, repeatability)
    later = len(shapes) - 1
    chances = [None] * later if p is None else [float(each) for each in p]
    return ShapePath(
        name=shapes[0].source.name,
        days=frozen_array([_day(shape) for shape in shapes]),
        scores=frozen_array(scores),
        distance=frozen_array(distance),
        verdicts=tuple(_verdict(chance, level / later) for chance in chances),
        p=None if p is None else frozen_array(p),
        reason=reason,
    )


def _verdict(p: float | None, level: float) -> Verdict:
    if p is None:
        return "cannot tell"
    return "beyond repeats" if p < level else "within repeats"


def _chances(scores: FloatArray, repeatability: Repeatability | None) -> tuple[FloatArray | None, str | None]:
    """Return for each later shape how likely repeats differ as much from the first one, or why that is not known."""
    if repeatability is None:
        return None, "Cannot tell: how much repeated photos of an unchanged claw differ is not given."
    compared, degrees = len(repeatability.covariance), repeatability.degrees
    if compared > scores.shape[1]:
        raise UsageError(
            f"The repeatability is of {compared} components, the shapes have {scores.shape[1]}.",
            "Give fewer components.",
        )
    if degrees is not None and degrees < compared:
        return None, "Cannot tell: there are too few repeats for so many components."
    away = (scores[1:] - scores[0])[:, :compared]
    squared = np.einsum("mi,mi->m", away, np.linalg.solve(2.0 * repeatability.covariance, away.T).T)
    if degrees is None:
        return np.asarray(special.chdtrc(compared, squared), dtype=np.float64), None
    ratio = squared * (degrees - compared + 1) / (compared * degrees)
    return np.asarray(special.fdtrc(compared, degrees - compared + 1, ratio), dtype=np.float64), None
