"""How much photos of one claw differ: the spread within claws and what follows from it."""

from __future__ import annotations

import math

import numpy as np
from scipy.stats import chi2

from clawvision.repeatability.models import Estimate, Sets, Spread, unknown

LEAST_SETS = 3
"""Fewer claws with repeats give no figure: status J. Any number of photos of two claws tells about two claws."""
LEVEL = 0.95
SDC_FACTOR = 1.96 * math.sqrt(2.0)
NO_SPREAD = "All repeats are equal to the last digit: they are copies, or too few to show an error."


def repeated(sets: Sets) -> list[int]:
    """Return which sets hold two values or more."""
    return [index for index, values in enumerate(sets) if len(values) >= 2]


def too_few(sets: Sets) -> str | None:
    """Return why these sets tell nothing of a spread, or None where they do."""
    count = len(repeated(sets))
    if count < LEAST_SETS:
        return f"Repeats (two photos or more on one day) are needed of {LEAST_SETS} claws; there are {count}."
    return NO_SPREAD if within(sets).variance == 0.0 else None


def within(sets: Sets) -> Spread:
    """Return the variance within sets, pooled by their degrees of freedom.

    ``Σ Σ (x − set's mean)² / Σ (n − 1)``; sets of one value add nothing.
    """
    squares = math.fsum(float(np.sum((values - values.mean()) ** 2)) for values in sets if len(values))
    dof = sum(len(values) - 1 for values in sets if len(values))
    # Of equal values the mean is off by the rounding of the arithmetic alone.
    largest = max((float(np.max(np.abs(values))) for values in sets if len(values)), default=0.0)
    if squares <= dof * (1e-12 * largest) ** 2:
        squares = 0.0
    return Spread(squares / dof if dof else 0.0, dof)


def standard_deviation(spread: Spread) -> Estimate:
    """Return a standard deviation with its interval by χ²: exact where the errors are normal."""
    if spread.dof < 1:
        return unknown("No value was repeated.")
    sd = math.sqrt(spread.variance)
    tail = (1.0 - LEVEL) / 2.0
    low, high = (sd * math.sqrt(spread.dof / float(chi2.ppf(p, spread.dof))) for p in (1.0 - tail, tail))
    return Estimate(sd, low, high)


def within_sd(sets: Sets) -> Estimate:
    """Return the within-claw standard deviation, which is also the technical error of measurement.

    For pairs it is ``√(Σ d² / 2n)``, d being the difference of a pair.
    """
    reason = too_few(sets)
    return unknown(reason) if reason else standard_deviation(within(sets))


def smallest_change(sets: Sets) -> Estimate:
    """Return the smallest detectable change, 1.96 · √2 · SEM, with the within-claw SD as the SEM."""
    return within_sd(sets).times(SDC_FACTOR)


def relative(figure: Estimate, mean: float) -> Estimate:
    """Return a figure as a percentage of a mean above 0."""
    if mean <= 0.0:
        return unknown("The mean is not above 0, so that a percentage of it says nothing.")
    return figure.times(100.0 / mean)
