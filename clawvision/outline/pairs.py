"""Two soles side by side: which two contours belong together, and where their toes point."""

from __future__ import annotations

import numpy as np

from clawvision.outline.candidates import Candidates
from clawvision.outline.rays import shape_of
from clawvision.types import FloatArray

PAIR = ("weaker", "stronger", "unlike_looks", "angle", "gap", "gap2", "shift", "length_ratio", "toes_agree")
_CONSIDERED = 16
IntPairs = np.ndarray[tuple[int, int], np.dtype[np.intp]]


def pair_traits(candidates: Candidates, scores: FloatArray) -> tuple[IntPairs, FloatArray]:
    """Return possible pairs (n, 2) of the best-scored candidates that do not overlap much, and their traits (n, t)."""
    best = np.argsort(-scores, kind="stable")[:_CONSIDERED]
    first, second = np.triu_indices(len(best), k=1)
    pairs = np.stack((best[first], best[second]), axis=-1)
    points = candidates.contours.points
    _, centre, axis, length, width = shape_of(points)
    a, b = pairs[:, 0], pairs[:, 1]
    cosine = (axis[a] * axis[b]).sum(axis=1)
    middle = axis[a] + np.where(cosine >= 0, 1.0, -1.0)[:, None] * axis[b]
    middle /= np.maximum(np.linalg.norm(middle, axis=1, keepdims=True), 1e-9)
    between = centre[b] - centre[a]
    shift = np.abs((between * middle).sum(axis=1))
    across = np.abs(between[:, 0] * middle[:, 1] - between[:, 1] * middle[:, 0])
    gap = across / np.maximum(0.5 * (width[a] + width[b]), 1.0)
    own = np.sqrt(candidates.contours.own)
    found = np.stack(
        (
            np.minimum(scores[a], scores[b]),
            np.maximum(scores[a], scores[b]),
            1.0 - (own[a] * own[b]).sum(axis=1),
            np.degrees(np.arccos(np.clip(np.abs(cosine), 0.0, 1.0))) / 10.0,
            gap,
            (gap - 1.15) ** 2,
            shift / 50.0,
            np.abs(np.log(length[a] / length[b])),
            (candidates.fitted.toe[a] * candidates.fitted.toe[b]).sum(axis=1),
        ),
        axis=-1,
    )
    apart = (gap > 0.7) & (gap < 2.6) & (np.abs(cosine) > 0.7) & (shift < 90.0)
    return pairs[apart], found[apart]
