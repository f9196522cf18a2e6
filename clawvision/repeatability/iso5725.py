"""Repeatability and reproducibility after ISO 5725-2, of photos grouped by camera, operator or day."""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np

from clawvision.repeatability.models import Estimate, Precision, Sets, unknown
from clawvision.repeatability.variance import LEAST_SETS, NO_SPREAD, repeated, standard_deviation, within

LIMIT_FACTOR = 2.8
"""1.96 · √2, as ISO 5725 rounds it."""


def limit(sd: Estimate) -> Estimate:
    """Return the limit that two values exceed in one case of twenty."""
    return sd.times(LIMIT_FACTOR)


def precision(claws: Sequence[Sets]) -> Precision:
    """Return s_r, s_R and their limits.

    Parameters
    ----------
    claws
        For each claw its groups, for each group its values. Groups may hold any number of values, and claws any of the
        groups; a claw with a single group tells of s_r only.

    Notes
    -----
    For one claw these are the formulas of ISO 5725-2 for one level: ``s_r² = Σ (n_i − 1) s_i² / Σ (n_i − 1)``,
    ``s_d² = Σ n_i (x̄_i − x̄)² / (p − 1)``, ``n̄ = (Σ n_i − Σ n_i² / Σ n_i) / (p − 1)``, ``s_L² = (s_d² − s_r²) / n̄`` and
    not below 0, ``s_R² = s_r² + s_L²``. Sums of squares, their degrees of freedom and those of n̄ are added over claws.
    """
    cells = [values for groups in claws for values in groups if len(values)]
    reason = _too_few(claws)
    if reason is not None:
        nothing = unknown(reason)
        return Precision(nothing, nothing, nothing, nothing, nothing)
    inner = within(cells)
    s_r = standard_deviation(inner)
    squares = dof = sizes = 0.0
    for groups in claws:
        counts = np.array([len(values) for values in groups if len(values)], dtype=np.float64)
        if len(counts) < 2:
            continue
        means = np.array([values.mean() for values in groups if len(values)])
        total = counts.sum()
        squares += float(np.sum(counts * (means - np.sum(counts * means) / total) ** 2))
        sizes += float(total - np.sum(counts**2) / total)
        dof += len(counts) - 1
    if dof < LEAST_SETS - 1:
        nothing = unknown("No claw, or too few, was measured in two groups or more.")
        return Precision(s_r, nothing, nothing, limit(s_r), nothing)
    between = max((squares / dof - inner.variance) / (sizes / dof), 0.0)
    without = "No interval is given: it would rest on the few groups that there are."
    s_reproducibility = Estimate(math.sqrt(inner.variance + between), reason=without)
    return Precision(
        s_r, Estimate(math.sqrt(between), reason=without), s_reproducibility, limit(s_r), limit(s_reproducibility)
    )


def _too_few(claws: Sequence[Sets]) -> str | None:
    """Return why nothing can be told: what counts are repeats within one group."""
    cells = [values for groups in claws for values in groups if len(values)]
    if (count := len(repeated(cells))) < LEAST_SETS:
        return (
            f"Repeats within one group (such as two photos of one claw by one camera) are needed {LEAST_SETS} times; "
            f"there are {count}."
        )
    return NO_SPREAD if within(cells).variance == 0.0 else None
