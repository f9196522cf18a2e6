"""What stands out among repeats. It is only told: nothing is left out for it."""

from __future__ import annotations

import math

import numpy as np
from scipy.stats import f as f_distribution
from scipy.stats import t as t_distribution

from clawvision.repeatability.models import Outlying, Sets
from clawvision.repeatability.variance import within

STRAGGLER, OUTLIER = 0.05, 0.01
"""Below the first a value is a straggler, below the second an outlier (the levels of ISO 5725-2)."""


def largest_spread(sets: Sets) -> Outlying | None:
    """Return the set that spreads most beyond the others, by Cochran's test; None where there is nothing to compare.

    The variance of each set is compared with that of all others together, by F; the smallest probability is multiplied
    by the number of sets. With sets of one size this is Cochran's test: the statistic is then a function of his.
    """
    spreads = [(index, within([values])) for index, values in enumerate(sets) if len(values) >= 2]
    squares = sum(each.variance * each.dof for _, each in spreads)
    dof = sum(each.dof for _, each in spreads)
    if len(spreads) < 2 or squares <= 0.0:
        return None
    best: Outlying | None = None
    for index, each in spreads:
        rest = squares - each.variance * each.dof
        ratio = math.inf if rest <= 1e-12 * squares else each.variance * (dof - each.dof) / rest
        p = min(1.0, len(spreads) * float(f_distribution.sf(ratio, each.dof, dof - each.dof)))
        if best is None or p < best.p:
            best = Outlying(index, each.variance * each.dof / squares, p)
    return best


def farthest_value(sets: Sets) -> tuple[Outlying, int] | None:
    """Return the set and the place in it of the value farthest from its set's mean, by Grubbs's test.

    The deviation is divided by its own standard deviation, ``s √(1 − 1/n)``, and judged by t with one degree of freedom
    less than the spread within sets has, both sides, times the number of values. With a single set this is Grubbs's
    test. Of a pair both values are equally far: the first is returned.
    """
    inner = within(sets)
    count = sum(len(values) for values in sets if len(values) >= 2)
    if inner.variance <= 0.0 or inner.dof < 2:
        return None
    best: tuple[float, int, int] | None = None
    for index, values in enumerate(sets):
        if len(values) < 2:
            continue
        sizes = np.abs(values - values.mean()) / math.sqrt(inner.variance * (1.0 - 1.0 / len(values)))
        place = int(np.argmax(sizes))
        if best is None or sizes[place] > best[0]:
            best = (float(sizes[place]), index, place)
    assert best is not None
    size, index, place = best
    left = inner.dof - size**2
    t = math.inf if left <= 1e-12 * inner.dof else size * math.sqrt((inner.dof - 1) / left)
    p = min(1.0, 2.0 * count * float(t_distribution.sf(t, inner.dof - 1)))
    return Outlying(index, size, p), place
