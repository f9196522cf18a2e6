"""Whether photos of one claw differ as much as their stated uncertainty says."""

from __future__ import annotations

import math

import numpy as np
from scipy.stats import chi2

from clawvision.repeatability.models import Estimate, Sets, unknown
from clawvision.repeatability.variance import LEVEL, too_few

NO_UNCERTAINTY = 1e-6
_TAIL = (1.0 - LEVEL) / 2.0


def stated_ratio(values: Sets, expanded: Sets) -> Estimate:
    """Return the root mean square of z: how much repeats differ, divided by what their uncertainty would let them.

    Parameters
    ----------
    values, expanded
        The values of each claw, and the expanded uncertainty U (k = 2) of each, in one order.

    Notes
    -----
    ``z = (x − m) / (U / 2)``, m being the claw's mean weighted by 1 / U². Were the stated uncertainties independent and
    right, Σ z² would be χ² with Σ (n − 1) degrees of freedom; the interval follows from that.
    """
    if reason := too_few(values):
        return unknown(reason)
    if any(np.any(each <= NO_UNCERTAINTY) for each in expanded):
        return unknown("Some values state no uncertainty.")
    total = 0.0
    dof = 0
    for x, u in zip(values, expanded, strict=True):
        if len(x) < 2:
            continue
        weights = 4.0 / u**2
        mean = float(np.sum(weights * x) / np.sum(weights))
        total += float(np.sum(weights * (x - mean) ** 2))
        dof += len(x) - 1
    low, high = (math.sqrt(total / float(chi2.ppf(p, dof))) for p in (1.0 - _TAIL, _TAIL))
    return Estimate(math.sqrt(total / dof), low, high)


def verdict(ratio: Estimate) -> str | None:
    """Return in words what the ratio says of the stated uncertainty, or None where it is not known."""
    if ratio.low is None or ratio.high is None:
        return None
    if ratio.low > 1.0:
        return "too small: repeats differ more than it says"
    if ratio.high < 1.0:
        return "not contradicted: it also covers what all photos of one claw share, which repeats cannot show"
    return "not contradicted: repeats differ about as much as it says"
