"""Agreement of two methods on the same claws: limits of agreement and concordance."""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np
from scipy.stats import chi2, norm
from scipy.stats import t as t_distribution

from clawvision.repeatability.models import Estimate, Limits, Sets, Spread, unknown
from clawvision.repeatability.variance import LEAST_SETS, LEVEL, within
from clawvision.types import FloatArray

_TAIL = (1.0 - LEVEL) / 2.0
MULTIPLE = 1.96
LEAST_CONCORDANT = 4
"""The variance of the concordance is divided by n − 2, and of three pairs it says nothing: status J."""


def limits_of_agreement(first: Sets, second: Sets, multiple: float = MULTIPLE) -> Limits:
    """Return the limits of agreement for single values, first minus second.

    Parameters
    ----------
    first, second
        The values of each claw by the two methods, in one order; one value or more each. What is measured stays the
        same between repeats.
    multiple
        How many standard deviations the limits lie from the mean difference.

    Notes
    -----
    One value each: mean ± multiple · SD of the differences (Bland & Altman 1986, Lancet i:307). Repeats: the
    differences of the claws' means vary less than differences of single values, so the variance within each method is
    added ``1 − mean(1/m)`` times, m being its number of repeats (Bland & Altman 1999, Stat Methods Med Res 8:135).
    Intervals: the mean by t; the SD from the χ² intervals of its parts, and the limits from those of mean and SD, each
    pair of distances added in quadrature. A single part makes the SD's interval exact.
    """
    count = len(first)
    if count < LEAST_SETS:
        nothing = unknown(f"Hand measures are needed of {LEAST_SETS} claws; there are {count}.")
        return Limits(nothing, nothing, nothing, nothing)
    differences = np.array([x.mean() - y.mean() for x, y in zip(first, second, strict=True)])
    parts = [(1.0, Spread(float(np.var(differences, ddof=1)), count - 1))]
    for method in (first, second):
        share = 1.0 - sum(1.0 / len(values) for values in method) / count
        if share > 0.0:
            parts.append((share, within(method)))
    mean = float(differences.mean())
    reach = float(t_distribution.ppf(1.0 - _TAIL, count - 1)) * math.sqrt(parts[0][1].variance / count)
    sd = _root_of_sum(parts)
    assert sd.value is not None and sd.low is not None and sd.high is not None
    below, above = multiple * (sd.value - sd.low), multiple * (sd.high - sd.value)
    lower, upper = mean - multiple * sd.value, mean + multiple * sd.value
    return Limits(
        Estimate(mean, mean - reach, mean + reach),
        sd,
        Estimate(lower, lower - math.hypot(reach, above), lower + math.hypot(reach, below)),
        Estimate(upper, upper - math.hypot(reach, below), upper + math.hypot(reach, above)),
    )


def _root_of_sum(parts: Sequence[tuple[float, Spread]]) -> Estimate:
    """Return the root of a sum of variances, each times its share, with its interval."""
    total = sum(share * part.variance for share, part in parts)
    down = up = 0.0
    for share, part in parts:
        low, high = (part.dof / float(chi2.ppf(p, part.dof)) for p in (1.0 - _TAIL, _TAIL))
        down += (share * part.variance * (1.0 - low)) ** 2
        up += (share * part.variance * (high - 1.0)) ** 2
    return Estimate(math.sqrt(total), math.sqrt(max(total - math.sqrt(down), 0.0)), math.sqrt(total + math.sqrt(up)))


def concordance(first: FloatArray, second: FloatArray) -> Estimate:
    """Return Lin's concordance correlation coefficient (Biometrics 1989, 45:255) with its interval by Fisher's z.

    It is ``2 s_xy / (s_x² + s_y² + (x̄ − ȳ)²)`` with sums divided by n; the variance of z as corrected
    in Biometrics 2000, 56:324.
    """
    n = len(first)
    if n < LEAST_CONCORDANT:
        return unknown(f"Hand measures are needed of {LEAST_CONCORDANT} claws; there are {n}.")
    sx, sy = float(np.std(first)), float(np.std(second))
    if sx == 0.0 or sy == 0.0:
        return unknown("One of the methods gave the same value for all claws.")
    covariance = float(np.mean((first - first.mean()) * (second - second.mean())))
    shift = float(first.mean() - second.mean())
    value = 2.0 * covariance / (sx**2 + sy**2 + shift**2)
    correlation = covariance / (sx * sy)
    if correlation == 0.0 or abs(value) >= 1.0 - 1e-12:
        return Estimate(value, reason="No interval: the methods agree wholly, or not at all.")
    u2, rest = shift**2 / (sx * sy), 1.0 - value**2
    variance = (
        (1.0 - correlation**2) * value**2 / (rest * correlation**2)
        + 2.0 * value**3 * (1.0 - value) * u2 / (correlation * rest**2)
        - value**4 * u2**2 / (2.0 * correlation**2 * rest**2)
    ) / (n - 2)
    reach = float(norm.ppf(1.0 - _TAIL)) * math.sqrt(max(variance, 0.0))
    z = math.atanh(value)
    return Estimate(value, math.tanh(z - reach), math.tanh(z + reach))
