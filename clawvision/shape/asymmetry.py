"""Asymmetry of shape between the claws of a foot, or between left and right feet.

The standard frame has mirrored one of each pair already. A Procrustes analysis of variance over pairs parts what both
of a pair share (individual), what all pairs have alike between sides (directional), and what is each pair's own
(fluctuating), which only repeated photos tell from the error of measuring.

Klingenberg & McIntyre 1998, Evolution 52:1363 (from memory). The permutation tests are this project's judgement.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from types import MappingProxyType
from typing import Literal

import numpy as np

from clawvision.errors import UsageError
from clawvision.shape.frame import StandardShape, semilandmarks
from clawvision.shape.procrustes import Alignment, Kind, align
from clawvision.types import FloatArray, frozen_array

_AT_ONCE = 1000
"""Permutations that are held in memory together."""

Sides = Literal["outer and inner", "left and right feet"]


@dataclass(frozen=True, slots=True, eq=False)
class ShapePair:
    """Two sides of one individual: configurations in the standard frame, several where photos were repeated."""

    individual: str
    one: tuple[FloatArray, ...]
    other: tuple[FloatArray, ...]


@dataclass(frozen=True, slots=True, eq=False)
class ShapePairs:
    """Pairs, and the names of those that have no partner."""

    pairs: tuple[ShapePair, ...]
    alone: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class VarianceRow:
    """One source of variation: sum and mean of squares, degrees of freedom, F where a row is there to compare."""

    squares: float
    degrees: int
    mean: float
    f: float | None


@dataclass(frozen=True, slots=True, eq=False)
class Asymmetry:
    """Directional and fluctuating asymmetry of pairs.

    Attributes
    ----------
    distances : float64 (n,)
        Between the two sides of each pair, each side the mean of its repeats, in the alignment's unit.
    difference : float64 (P, 2)
        One side minus the other on average: the directional part. ``directional`` is its length.
    fluctuating : float64 (n,)
        How far each pair's difference is from the average one. Without repeats it holds the error of measuring too.
    directional_p, fluctuating_p : float or None
        From permutations; None where ``reasons`` says why under ``directional`` or ``fluctuating``.
    rows : mapping of VarianceRow
        ``individual``, ``side``, ``individual x side`` and, with repeats, ``error``.
    mm : float
        One unit in mm at the mean size.
    """

    individuals: tuple[str, ...]
    kind: Kind
    distances: FloatArray
    difference: FloatArray
    directional: float
    fluctuating: FloatArray
    directional_p: float | None
    fluctuating_p: float | None
    rows: Mapping[str, VarianceRow]
    reasons: Mapping[str, str]
    mm: float


def pair_up(shapes: Sequence[StandardShape], sides: Sides) -> ShapePairs:
    """Sort claws into pairs: outer and inner of each foot, or left and right foot for each claw, fore and hind.

    Several shapes of the same claw are taken as repeated photos, so they must be of one day.
    """
    if len({shape.source.view for shape in shapes}) > 1:
        raise UsageError("Side and sole views have no points in common.", "Pair up one view at a time.")
    cells: dict[str, tuple[list[StandardShape], list[StandardShape]]] = {}
    for shape in shapes:
        claw, foot = shape.source.claw, shape.source.foot
        if foot is None or claw not in ("outer", "inner"):
            raise UsageError(
                f"{shape.source.name}: which claw of which foot it is is not known.", "Name the foot and claw."
            )
        if sides == "outer and inner":
            name, second = f"{shape.source.animal} {foot}", claw == "inner"
        else:
            name, second = f"{shape.source.animal} {'fore' if foot[1] == 'F' else 'hind'} {claw}", foot[0] == "R"
        cells.setdefault(name.strip(), ([], []))[second].append(shape)
    pairs, alone = [], []
    for name, (one, other) in sorted(cells.items()):
        if len({shape.source.day for shape in (*one, *other)}) > 1:
            raise UsageError(f"{name}: photos of several days are no repeats.", "Give one day of each animal.")
        if not one or not other:
            alone.append(name)
            continue
        pairs.append(ShapePair(name, tuple(map(semilandmarks, one)), tuple(map(semilandmarks, other))))
    return ShapePairs(tuple(pairs), tuple(alone))


def asymmetry(
    pairs: Sequence[ShapePair], kind: Kind = "shape", *, permutations: int = 9999, seed: int = 0
) -> Asymmetry:
    """Part the asymmetry of pairs into a directional and a fluctuating component.

    Directional: were there none, either side of a pair could as well be the other, so the signs of the pairs'
    differences are flipped (all ways of flipping where they are no more than ``permutations``, else at random).
    Fluctuating: were there none, the photos of one individual would differ by repeating alone once the sides' average
    difference is taken out, so these residuals are dealt out anew within each individual.

    Parameters
    ----------
    pairs : sequence of ShapePair
        All with the same number of repeats on each side.
    kind : {"shape", "form"}
        Without size, or with it.
    permutations, seed : int
        How many, and the seed of their random numbers.
    """
    repeats = {len(side) for pair in pairs for side in (pair.one, pair.other)}
    if len(repeats) != 1 or 0 in repeats:
        raise UsageError("The pairs have unlike numbers of repeated photos.", "Give the same number on every side.")
    names = [pair.individual for pair in pairs]
    if len(set(names)) < len(names):
        raise UsageError("An individual comes twice.", "Put its repeated photos into one pair.")
    (repeat,) = repeats
    count = len(pairs)
    aligned = align([points for pair in pairs for points in (*pair.one, *pair.other)], kind)
    values = aligned.points.reshape(count, 2, repeat, -1)
    sides = values.mean(axis=2)
    differences = sides[:, 0] - sides[:, 1]
    directional = differences.mean(axis=0)
    reasons: dict[str, str] = {}
    rng = np.random.default_rng(seed)
    return Asymmetry(
        individuals=tuple(names),
        kind=kind,
        distances=frozen_array(np.linalg.norm(differences, axis=1)),
        difference=frozen_array(directional.reshape(-1, 2)),
        directional=float(np.linalg.norm(directional)),
        fluctuating=frozen_array(np.linalg.norm(differences - directional, axis=1)),
        directional_p=_directional_p(differences, permutations, rng, reasons),
        fluctuating_p=_fluctuating_p(values, permutations, rng, reasons),
        rows=MappingProxyType(_rows(values, aligned)),
        reasons=MappingProxyType(reasons),
        mm=aligned.mm,
    )


def _squares(values: FloatArray) -> tuple[float, float, float, float]:
    """Return the sums of squares of individual, side, individual × side and error of (n, 2, r, coordinates)."""
    count, _, repeat, _ = values.shape
    grand = values.mean(axis=(0, 1, 2))
    own = values.mean(axis=(1, 2)) - grand
    side = values.mean(axis=(0, 2)) - grand
    cells = values.mean(axis=2)
    rest = cells - grand - own[:, None] - side[None, :]
    error = values - cells[:, :, None]
    return (
        2 * repeat * float((own**2).sum()),
        count * repeat * float((side**2).sum()),
        repeat * float((rest**2).sum()),
        float((error**2).sum()),
    )


def _rows(values: FloatArray, aligned: Alignment) -> dict[str, VarianceRow]:
    count, _, repeat, coordinates = values.shape
    free = coordinates - (4 if aligned.kind == "shape" else 3)
    names = ("individual", "side", "individual x side", "error")
    degrees = ((count - 1) * free, free, (count - 1) * free, 2 * count * (repeat - 1) * free)
    squares = _squares(values)
    means = [total / number if number else np.nan for total, number in zip(squares, degrees, strict=True)]
    against = (2, 2, 3, None)
    rows = {}
    for index, name in enumerate(names):
        if not degrees[index]:
            continue
        below = against[index]
        ratio = None if below is None or not means[below] > 0 else means[index] / means[below]
        rows[name] = VarianceRow(squares[index], degrees[index], means[index], ratio)
    return rows


def _directional_p(
    differences: FloatArray, permutations: int, rng: np.random.Generator, reasons: dict[str, str]
) -> float | None:
    count = len(differences)
    if count < 2:
        reasons["directional"] = "One pair does not tell what all pairs have in common."
        return None
    ways = 2 ** min(count, 62)
    least = 2 / ways if ways <= permutations else 1 / (permutations + 1)
    if least > 0.05:
        reasons["directional"] = f"With {count} pairs p cannot come below {least:.2g}, however unlike the sides are."
    gram = differences @ differences.T
    observed = float(gram.sum())
    if ways <= permutations:
        signs = 1.0 - 2.0 * ((np.arange(ways)[:, None] >> np.arange(count)) & 1)
    else:
        signs = rng.choice([-1.0, 1.0], size=(permutations, count))
    reached = np.einsum("bi,ij,bj->b", signs, gram, signs, optimize=True) >= observed * (1.0 - 1e-9)
    # all ways hold the observed one; random ones do not, and it is counted in
    return float(reached.mean()) if ways <= permutations else float((reached.sum() + 1) / (permutations + 1))


def _fluctuating_p(
    values: FloatArray, permutations: int, rng: np.random.Generator, reasons: dict[str, str]
) -> float | None:
    count, _, repeat, coordinates = values.shape
    if repeat < 2:
        reasons["fluctuating"] = "Cannot tell: without repeated photos it is not told from the error of measuring."
        return None
    if count < 2:
        reasons["fluctuating"] = "Cannot tell: one pair has no difference of its own apart from the common one."
        return None
    if _squares(values)[3] == 0:
        reasons["fluctuating"] = "Cannot tell: the repeats do not differ at all, so they are copies."
        return None
    own = values.mean(axis=(1, 2), keepdims=True)
    side = values.mean(axis=(0, 2), keepdims=True)
    left = (values - own - side + values.mean(axis=(0, 1, 2), keepdims=True)).reshape(count, 2 * repeat, coordinates)
    grams = np.einsum("nik,mjk->nimj", left, left, optimize=True)
    as_taken = np.tile(np.repeat([1.0, -1.0], repeat), (1, count, 1))
    observed = float(_interaction(grams, as_taken)[0])
    reached, remaining = 0, permutations
    while remaining > 0:
        dealt = rng.permuted(np.tile(as_taken, (min(remaining, _AT_ONCE), 1, 1)), axis=2)
        reached += int((_interaction(grams, dealt) >= observed * (1.0 - 1e-9)).sum())
        remaining -= len(dealt)
    return float((reached + 1) / (permutations + 1))


def _interaction(grams: FloatArray, signs: FloatArray) -> FloatArray:
    """Return the sum of squares of individual × side, but for a constant factor, for each way of dealing photos out.

    ``grams`` (n, 2 r, n, 2 r) has the products of all photos' residuals: dealing out changes only their ``signs``
    (b, n, 2 r), +1 on one side and -1 on the other.
    """
    count = signs.shape[1]
    own = grams[np.arange(count), :, np.arange(count)]
    each = np.einsum("bni,nij,bnj->b", signs, own, signs, optimize=True)
    flat = signs.reshape(len(signs), -1)
    common = ((flat @ grams.reshape(flat.shape[1], -1)) * flat).sum(axis=1)
    total: FloatArray = each - common / count
    return total
