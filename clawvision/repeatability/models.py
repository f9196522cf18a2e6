"""The frozen values of a study of repeats."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from clawvision.types import FloatArray

Sets = Sequence[FloatArray]
"""Values of one measure, one array for each claw (or whatever was measured again and again)."""


@dataclass(frozen=True, slots=True)
class Estimate:
    """A figure with its 95 % interval. What is not known is None, and ``reason`` says why."""

    value: float | None
    low: float | None = None
    high: float | None = None
    reason: str | None = None

    def times(self, factor: float) -> Estimate:
        """Return the figure and its interval times a factor above 0."""
        value, low, high = (None if each is None else factor * each for each in (self.value, self.low, self.high))
        return Estimate(value, low, high, self.reason)


def unknown(reason: str) -> Estimate:
    """Return a figure that is not known, with the reason."""
    return Estimate(None, reason=reason)


@dataclass(frozen=True, slots=True)
class Spread:
    """A variance with its degrees of freedom."""

    variance: float
    dof: int


@dataclass(frozen=True, slots=True)
class Icc:
    """Intraclass correlations of one design: of a single photo, and of the mean of ``k`` photos."""

    single: Estimate
    average: Estimate
    k: float | None


@dataclass(frozen=True, slots=True)
class Limits:
    """Limits of agreement of two methods, first minus second: where 95 % of single differences lie."""

    difference: Estimate
    sd: Estimate
    lower: Estimate
    upper: Estimate


@dataclass(frozen=True, slots=True)
class Precision:
    """Repeatability and reproducibility by ISO 5725-2."""

    s_r: Estimate
    s_between: Estimate
    s_reproducibility: Estimate
    r: Estimate
    reproducibility: Estimate


@dataclass(frozen=True, slots=True)
class Outlying:
    """The most extreme of several, with the probability that chance alone gives one as extreme."""

    index: int
    statistic: float
    p: float
