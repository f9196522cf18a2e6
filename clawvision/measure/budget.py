"""From values measured again under each cause to measures with uncertainty and budget."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np

from clawvision.types import Measure, frozen_mapping

COVERAGE_FACTOR = 2.0

Values = Mapping[str, float]

_SMALL = 0.02
"""Contributions below this share of the standard uncertainty are counted but not listed."""


def with_uncertainty(
    nominal: Values,
    moved: Sequence[tuple[str, Values]],
    units: Mapping[str, str],
    residual: Mapping[str, tuple[str, float]] | None = None,
    flags: Mapping[str, tuple[str, ...]] | None = None,
) -> dict[str, Measure]:
    """Return measures with expanded uncertainties (k = 2).

    Parameters
    ----------
    nominal
        Values by measure name.
    moved
        For each cause its name and the values with that cause moved by one standard uncertainty. A cause that
        could not be evaluated has NaN there, which makes the measures concerned unavailable.
    units
        Unit by measure name.
    residual
        What the model leaves, by measure name: the cause's name and a standard uncertainty.
    flags
        Flags by measure name.

    Returns
    -------
    dict of Measure
        The contributions of independent causes add in quadrature (JCGM 100:2008, eq. 10).
    """
    measures: dict[str, Measure] = {}
    for name, value in nominal.items():
        contributions = {cause: values.get(name, float("nan")) - value for cause, values in moved}
        if residual and name in residual:
            cause, size = residual[name]
            contributions[cause] = size
        total = float(np.sqrt(sum(part**2 for part in contributions.values())))
        unit: Any = units[name]
        if not (np.isfinite(value) and np.isfinite(total)):
            measures[name] = unavailable(unit, "the geometry does not determine it")
            continue
        listed = {cause: part for cause, part in contributions.items() if abs(part) >= _SMALL * total}
        measures[name] = Measure(
            value=float(value),
            uncertainty=COVERAGE_FACTOR * total,
            unit=unit,
            budget=frozen_mapping(listed),
            flags=(flags or {}).get(name, ()),
        )
    return measures


def unavailable(unit: Any, why: str) -> Measure:
    """Return a measure that could not be taken, with the reason."""
    return Measure(value=None, uncertainty=None, unit=unit, reason=why)
