"""Two soles side by side: which two contours belong together, and where their toes point."""

from __future__ import annotations

import numpy as np

from clawvision.outline.candidates import Candidates
from clawvision.outline.field import Field
from clawvision.outline.rays import shape_of
from clawvision.types import FloatArray

PAIR = ("weaker", "stronger", "unlike_looks", "angle", "gap", "gap2", "shift", "length_ratio", "toes_agree")
_CONSIDERED = 16
_BESIDE = (-0.6, -0.2, 0.2, 0.6)
_LEG_WEIGHT = 6.0  # of a leg that is seen clearly, against a shape that departs by a tenth less one way round
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


def toe_direction(field: Field, outlines: tuple[FloatArray, FloatArray], toes: FloatArray) -> tuple[FloatArray, float]:
    """Return where the toes of two soles point, and how sure that is.

    The leg joins the heels: what lies beyond them is unlike the ground beside the claws, while beyond the toes there is
    ground. The claws' own shapes speak as well.

    Parameters
    ----------
    field
        Where the claws lie.
    outlines : float64 (N, 2) and (M, 2)
        Both outlines, millimetres of the field.
    toes : float64 (2, 2)
        Direction of each claw's toe by its shape, the longer the surer.

    Returns
    -------
    float64 (2,), float
        Unit direction; sureness, 0 where both ways are as likely.
    """
    shapes = [shape_of(points[None]) for points in outlines]
    axes = [axis[0] for _, _, axis, _, _ in shapes]
    middle = axes[0] + (1.0 if axes[0] @ axes[1] >= 0 else -1.0) * axes[1]
    middle /= max(float(np.hypot(*middle)), 1e-9)
    side = np.array([-middle[1], middle[0]])
    centres = [centre[0] for _, centre, _, _, _ in shapes]
    ground: list[FloatArray] = []
    ends: tuple[list[FloatArray], list[FloatArray]] = ([], [])
    for k, points in enumerate(outlines):
        outward = side * (1.0 if (centres[k] - centres[1 - k]) @ side > 0 else -1.0)
        along, across = (points - centres[k]) @ middle, (points - centres[k]) @ outward
        for far in (10.0, 18.0, 28.0):
            ground += [centres[k] + share * along.max() * middle + (across.max() + far) * outward for share in _BESIDE]
            for end in (0, 1):
                tip = points[along.argmax() if end == 0 else along.argmin()]
                beyond = tip + (far if end == 0 else -far) * middle
                ends[end].extend(beyond - inward * outward for inward in (0.0, 12.0, 24.0))
    beside = np.sqrt(_spread(field, ground))
    unlike = [1.0 - float((np.sqrt(_spread(field, end)) * beside).sum()) for end in ends]
    evidence = _LEG_WEIGHT * (unlike[1] - unlike[0]) + float(toes[0] @ middle + toes[1] @ middle)
    return middle if evidence >= 0 else -middle, abs(evidence)


def _spread(field: Field, points: list[FloatArray]) -> FloatArray:
    at = np.array(points, dtype=np.float32)
    out: FloatArray = field.spread(field.look_at(at[:, 0], at[:, 1])[None])[0]
    return out
