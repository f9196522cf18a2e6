"""One claw's rate by itself: weighted least squares with one rate and one level for each segment."""

from __future__ import annotations

import math
from dataclasses import dataclass
from datetime import date
from operator import mul

from scipy import special, stats

from clawvision.growth.series import Break, ClawKey, ToeSeries, months_between, split

COVERAGE = 0.95
Z = float(stats.norm.ppf(0.5 + COVERAGE / 2))
DOUBTFUL_P = 0.05
"""Residuals larger than one claw in twenty shows by chance speak against the stated uncertainty (status J)."""


@dataclass(frozen=True, slots=True)
class Estimate:
    """A rate, mm a month, its standard uncertainty and its interval of 95 %."""

    value: float
    u: float
    low: float
    high: float

    @property
    def u_normal(self) -> float:
        """Return the standard uncertainty of the normal distribution with this interval."""
        return (self.high - self.low) / (2 * Z)


@dataclass(frozen=True, slots=True)
class Level:
    """Where a segment stands: the weighted mean of its lengths, at the weighted mean of its days.

    Together with a rate it tells the length on any day of the segment. The two are uncorrelated.

    Attributes
    ----------
    first, last
        Days of the first and the last reading.
    months_to_last
        From the mean day to the last one.
    u_mm
        Of the mean, taking the readings' errors as independent.
    u_best_mm
        Of the surest reading: what the photos of a claw share, above all the hair, no average removes.
    """

    first: date
    last: date
    length_mm: float
    months_to_last: float
    u_mm: float
    u_best_mm: float
    readings: int


@dataclass(frozen=True, slots=True)
class ClawRate:
    """What one claw's own readings say.

    ``estimate`` is None with a ``reason`` where no segment has readings of two days. ``u_stated`` follows from the
    stated uncertainties alone; ``estimate.u`` is larger by ``birge`` where the residuals say that these are too small
    (``inflated``). ``ended`` says why the last level is not the claw's length any more.
    """

    key: ClawKey
    estimate: Estimate | None
    u_stated: float | None
    levels: tuple[Level, ...]
    breaks: tuple[Break, ...]
    chi_square: float
    degrees: int
    p_value: float | None
    birge: float
    inflated: bool
    notes: tuple[str, ...]
    reason: str | None
    ended: str | None


def claw_rate(series: ToeSeries, shortening_most: float | None = None) -> ClawRate:
    """Fit one rate and one level for each segment.

    With weights 1/u² and lengths and times counted from their weighted means in each segment, the rate is
    Σ w t y / Σ w t² and its variance 1 / Σ w t². The stated uncertainties count as known, so that the interval is
    normal, however few the readings. Where chi-square of the residuals has p < 0.05 they are taken to be too small by
    one factor, the Birge ratio √(χ²/degrees of freedom); that factor is estimated, so that the interval then is
    Student's. Uncertainties are never made smaller.

    Parameters
    ----------
    series
        Readings and known trims of one claw.
    shortening_most
        The profile's value, mm a month, beyond which a drop is taken for a trim that nobody noted.
    """
    pieces = split(series, shortening_most)
    levels = []
    moment, product, squares, count = 0.0, 0.0, 0.0, 0
    for part in pieces.parts:
        # A claw has few readings, for which plain numbers are faster than arrays; a herd has thousands of claws.
        weight = [each.u_mm**-2 for each in part]
        month = [months_between(part[-1].day, each.day) for each in part]
        total = math.fsum(weight)
        mean_month = sum(map(mul, weight, month)) / total
        mean_length = sum(w * each.length_mm for w, each in zip(weight, part, strict=True)) / total
        # Readings of one day do not tell a rate, and rounding must not make one of them.
        grows = part[0].day != part[-1].day
        for w, when, each in zip(weight, month, part, strict=True):
            time, centred = when - mean_month if grows else 0.0, each.length_mm - mean_length
            moment += w * time * time
            product += w * time * centred
            squares += w * centred * centred
        count += len(part)
        best = min(each.u_mm for each in part)
        levels.append(Level(part[0].day, part[-1].day, mean_length, -mean_month, total**-0.5, best, len(part)))
    notes = _notes(pieces.breaks, pieces.shortened)
    degrees = count - len(pieces.parts) - (moment > 0)
    chi_square = max(0.0, squares - product**2 / moment) if moment > 0 else squares
    p_value = float(special.chdtrc(degrees, chi_square)) if degrees > 0 else None
    inflated = p_value is not None and p_value < DOUBTFUL_P
    birge = math.sqrt(chi_square / degrees) if inflated else 1.0
    if inflated:
        notes.append(
            f"The lengths scatter more than their uncertainty allows (chi-square {chi_square:.1f}, degrees of freedom "
            f"{degrees}): it was enlarged by {birge:.2f}. Look at the photos: another claw, a wrong scale, or a trim "
            f"that was not noted?"
        )
    estimate, u_stated, reason = None, None, None
    if moment > 0:
        value, u_stated = product / moment, moment**-0.5
        u = u_stated * birge
        half = u * (float(stats.t.ppf(0.5 + COVERAGE / 2, degrees)) if inflated else Z)
        estimate = Estimate(value, u, value - half, value + half)
    elif not pieces.parts:
        reason = "No toe length of this claw is on file."
    else:
        reason = "No two days without a trim between them have a toe length of this claw."
    return ClawRate(
        key=series.key,
        estimate=estimate,
        u_stated=u_stated,
        levels=tuple(levels),
        breaks=pieces.breaks,
        chi_square=chi_square,
        degrees=degrees,
        p_value=p_value,
        birge=birge,
        inflated=inflated,
        notes=tuple(notes),
        reason=reason,
        ended=pieces.ended,
    )


def _notes(breaks: tuple[Break, ...], shortened: tuple[tuple[date, date], ...]) -> list[str]:
    notes = [
        f"Shorter on {each.next} than on {each.last}, faster than a claw wears: trim not noted?"
        for each in breaks
        if each.kind == "trim not noted?"
    ]
    notes += [
        f"Shorter on {two} than on {one} beyond the uncertainty: worn, or a trim that was not noted? "
        f"The rate takes it for wear."
        for one, two in shortened
    ]
    return notes
