"""Intraclass correlations after Shrout & Fleiss 1979 (Psychol Bull 86:420), with their intervals.

ICC(1,·) is for photos that are not crossed with raters, ICC(2,·) for raters that stand for all raters (agreement),
ICC(3,·) for these raters alone (consistency). The intervals are those of Shrout & Fleiss, in the form of McGraw & Wong
1996 (Psychol Methods 1:30).
"""

from __future__ import annotations

import math

import numpy as np
from scipy.stats import f as f_distribution

from clawvision.repeatability.models import Estimate, Icc, Sets, unknown
from clawvision.repeatability.variance import LEAST_SETS, LEVEL, repeated, too_few, within
from clawvision.types import FloatArray

_UPPER = 1.0 - (1.0 - LEVEL) / 2.0
NO_RATERS = "Photos are not crossed with raters: say with --by what stands for a rater."


def _quantile(numerator: float, denominator: float) -> float:
    return float(f_distribution.ppf(_UPPER, numerator, denominator))


def _single(ratio: float, k: float) -> float:
    """Return the correlation of single values from F, the ratio of the mean squares."""
    return (ratio - 1.0) / (ratio + k - 1.0)


def _stepped(single: float, k: float) -> float:
    """Return the correlation of means of k from that of single values (Spearman and Brown)."""
    return k * single / (1.0 + (k - 1.0) * single)


def _nowhere(reason: str) -> Icc:
    return Icc(unknown(reason), unknown(reason), None)


def _by_ratio(ratio: float, k: float, dof_between: int, dof_within: int) -> Icc:
    low, high = ratio / _quantile(dof_between, dof_within), ratio * _quantile(dof_within, dof_between)
    return Icc(
        Estimate(_single(ratio, k), _single(low, k), _single(high, k)),
        Estimate(1.0 - 1.0 / ratio, 1.0 - 1.0 / low, 1.0 - 1.0 / high),
        k,
    )


def one_way(sets: Sets) -> Icc:
    """Return ICC(1,1) and ICC(1,k) of sets of any size.

    Where sets differ in size, k is their harmonic mean and the mean square between sets is k times the variance of
    their plain means: for large correlations the means are then alike distributed, and F keeps its distribution
    nearly. With sets of one size this is Shrout & Fleiss's own.
    """
    if reason := too_few(sets):
        return _nowhere(reason)
    used = [sets[index] for index in repeated(sets)]
    k = len(used) / sum(1.0 / len(values) for values in used)
    between = k * float(np.var([values.mean() for values in used], ddof=1))
    inner = within(used)
    if between == 0.0:
        return _nowhere("All claws have the same mean.")
    return _by_ratio(between / inner.variance, k, len(used) - 1, inner.dof)


def two_way(table: FloatArray) -> tuple[Icc, Icc]:
    """Return ICC(2,·) and ICC(3,·) of a table (claws, raters) of one value each."""
    claws, raters = table.shape
    if claws < LEAST_SETS or raters < 2:
        none = _nowhere(
            f"{LEAST_SETS} claws are needed that all raters measured, and 2 raters; there are {claws} and {raters}."
        )
        return none, none
    grand = table.mean()
    rows, columns = table.mean(axis=1, keepdims=True), table.mean(axis=0, keepdims=True)
    b = raters * float(np.sum((rows - grand) ** 2)) / (claws - 1)
    j = claws * float(np.sum((columns - grand) ** 2)) / (raters - 1)
    dof = (claws - 1) * (raters - 1)
    e = float(np.sum((table - rows - columns + grand) ** 2)) / dof
    if e <= (1e-12 * float(np.max(np.abs(table)))) ** 2 or b == 0.0:
        none = _nowhere("But for a constant the raters do not differ at all, or the claws do not.")
        return none, none
    return _agreement(b, j, e, claws, raters), _by_ratio(b / e, raters, claws - 1, dof)


def _agreement(b: float, j: float, e: float, n: int, k: int) -> Icc:
    """Return ICC(2,·) from the mean squares of claws, raters and rest; its interval takes Satterthwaite's way."""
    single = (b - e) / (b + (k - 1) * e + k * (j - e) / n)
    ratio = j / e
    part = n * (1.0 + (k - 1) * single) - k * single
    dof = (n - 1) * (k - 1)
    v = dof * (k * single * ratio + part) ** 2 / ((n - 1) * (k * single * ratio) ** 2 + part**2)
    lower, upper = _quantile(n - 1, v), _quantile(v, n - 1)
    rest = k * j + (k * n - k - n) * e
    low = n * (b - lower * e) / (lower * rest + n * b)
    high = n * (upper * b - e) / (rest + n * upper * b)
    average = (b - e) / (b + (j - e) / n)
    if not (math.isfinite(low) and math.isfinite(high)):
        reason = "No interval: the raters differ too much for the claws to be told apart."
        return Icc(Estimate(single, reason=reason), Estimate(average, reason=reason), float(k))
    return Icc(Estimate(single, low, high), Estimate(average, _stepped(low, k), _stepped(high, k)), float(k))
