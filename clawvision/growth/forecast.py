"""When a claw reaches a length, if it goes on as it did. Not a date to cut by, and no length to cut to."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from datetime import date, timedelta

import numpy as np

from clawvision.errors import UsageError
from clawvision.findings.profiles import Profile
from clawvision.findings.quantities import DAYS_PER_MONTH
from clawvision.growth.herd import HerdClaw
from clawvision.growth.rate import ClawRate, Estimate, Z
from clawvision.growth.series import ClawKey, limb_of
from clawvision.types import FloatArray, State

HORIZON_MONTHS = 60.0
NEVER = "not within five years"
_NEVER_MONTHS = 1e9


@dataclass(frozen=True, slots=True)
class Forecast:
    """When a claw reaches a length.

    Attributes
    ----------
    last
        Day of the last reading, from which it is counted.
    level_mm, u_level_mm
        Length on that day as the segment's readings and the rate tell it.
    beyond
        Whether it is at or beyond the limit on that day: ``shown`` and ``not shown`` only beyond the uncertainty.
    early, expected, late
        The dates at which the length is at or beyond the limit with a probability of 2.5, 50 and 97.5 %. None is
        "not within five years". None of them is before ``last``; all are ``last`` where it is already beyond.
    surplus_mm
        How far it is beyond the limit at least (lower end of the interval), for putting in order.
    reason
        Why nothing can be said; then there are no dates.
    """

    key: ClawKey
    limit_mm: float | None
    last: date | None
    level_mm: float | None
    u_level_mm: float | None
    rate: Estimate | None
    beyond: State
    early: date | None
    expected: date | None
    late: date | None
    surplus_mm: float | None
    reason: str | None = None

    @property
    def text(self) -> str:
        """Return the forecast in a few words."""
        if self.beyond == "shown":
            return f"already {self.limit_mm:g} mm or more"
        if self.reason is not None:
            return f"may already be {self.limit_mm:g} mm; {self.reason}" if self.early else self.reason
        if self.early is None:
            return NEVER
        start = "may already be there" if self.early == self.last else f"from {self.early}"
        if self.expected is None:
            return f"{start}, most likely {NEVER}"
        latest = f"at the latest {self.late}" if self.late else f"perhaps {NEVER}"
        return f"{start}, most likely {self.expected}, {latest}"


def profile_limit(key: ClawKey, profile: Profile, name: str = "toe_length_watch") -> float | None:
    """Return the length ``name`` of the profile for a claw, None where the profile does not know it."""
    found = profile.value(limb_of(key[1]), name)
    return found.value if found else None


def forecasts(claws: Iterable[HerdClaw | ClawRate], limits_mm: float | Sequence[float | None]) -> tuple[Forecast, ...]:
    """Forecast for many claws when each reaches its limit.

    The last segment's mean length and the rate are uncorrelated normal values: weighted least squares makes them so,
    and what the herd adds to a rate comes from rates alone. With mean length a ± s at time 0 and rate r ± u, the
    length at time τ is normal with mean a + r τ and variance s² + τ² u². It is beyond the limit L with the probability
    1 − α/2, or α/2, where (a + r τ − L)² = z² (s² + τ² u²), which is Fieller's interval for (L − a)/r. Where the rate
    may be 0 or less the late end lies nowhere.

    ``s`` is not let below the uncertainty of the surest reading: errors that the photos of one claw share, such as the
    hair at its coronet, do not average out.

    Parameters
    ----------
    claws
        Claws as the herd tells their rates, or by themselves.
    limits_mm
        One limit for all, or one for each; None where there is no limit.

    Raises
    ------
    UsageError
        If a limit is no positive length, or their number is another than that of the claws.
    """
    given = tuple(claws)
    limits = [limits_mm] * len(given) if isinstance(limits_mm, int | float) else list(limits_mm)
    if len(limits) != len(given):
        raise UsageError(f"{len(limits)} limits for {len(given)} claws.", "Give one limit for each claw.")
    for limit in limits:
        if limit is not None and not (math.isfinite(limit) and limit > 0):
            raise UsageError(f"A limit of {limit} mm is no length.", "Give a length in mm, more than 0.")
    made: list[Forecast | None] = [None] * len(given)
    told: list[int] = []
    rows: list[tuple[float, float, float, float, float, float]] = []
    for place, (claw, limit) in enumerate(zip(given, limits, strict=True)):
        own, rate = _own(claw), claw.estimate
        if limit is None or not own.levels or own.ended is not None:
            reason = "The profile knows no such limit." if limit is None else own.ended or "No toe length is on file."
            made[place] = _unknown(own, rate, limit, reason)
            continue
        rows.append((*_line(claw), limit))
        told.append(place)
    if rows:
        mean, s, ahead, value, u, limit_row = np.array(rows).T
        early, expected, late = crossing_months(mean, s, ahead, value, u, limit_row)
        now = mean + value * ahead
        u_now = np.hypot(s, ahead * u)
        columns = zip(told, *(each.tolist() for each in (now, u_now, early, expected, late)), strict=True)
        for place, *numbers in columns:
            made[place] = _told(given[place], limits[place] or 0.0, *numbers)
    return tuple(each for each in made if each is not None)


def forecast(claw: HerdClaw | ClawRate, limit_mm: float | None) -> Forecast:
    """Forecast when one claw reaches a limit; see `forecasts`."""
    return forecasts([claw], [limit_mm])[0]


def lengths_ahead(claw: HerdClaw | ClawRate, months: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Return a claw's length and its standard uncertainty at ``months`` after its last reading, as `forecasts` has it.

    Raises
    ------
    UsageError
        If the claw has no rate, or no reading that tells its length.
    """
    if claw.estimate is None or not _own(claw).levels or _own(claw).ended is not None:
        raise UsageError("Of this claw nothing is foretold.", "Look at its reason.")
    mean, s, ahead, rate, u = _line(claw)
    time = ahead + np.asarray(months, dtype=np.float64)
    return mean + rate * time, np.hypot(s, time * u)


def crossing_months(
    mean: FloatArray, s: FloatArray, ahead: FloatArray, rate: FloatArray, u: FloatArray, limit: FloatArray
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Return the months from the last reading until the length is at the limit: early, expected, late.

    Parameters
    ----------
    mean, s
        Mean length of the segment with its standard uncertainty.
    ahead
        Months from the segment's mean day to the last reading, 0 or more.
    rate, u
        The rate with its standard uncertainty.
    limit
        The length.

    Returns
    -------
    tuple of arrays
        0 where it is so already on the last day, infinity where it is never so.
    """
    mean, s, ahead, rate, u, limit = (np.asarray(each, dtype=np.float64) for each in (mean, s, ahead, rate, u, limit))
    early, expected, late = (
        _first_time(mean - limit, s, ahead, rate, u, side * Z) - ahead for side in (1.0, 0.0, -1.0)
    )
    return early, expected, late


def _first_time(
    gap: FloatArray, s: FloatArray, ahead: FloatArray, rate: FloatArray, u: FloatArray, z: float
) -> FloatArray:
    """Return the first time from ``ahead`` on at which gap + rate τ + z √(s² + τ² u²) is 0 or more."""

    def reached(time: FloatArray) -> FloatArray:
        bound: FloatArray = gap + rate * time + z * np.hypot(s, time * u)
        return bound

    a = rate**2 - (z * u) ** 2
    b = rate * gap
    c = gap**2 - (z * s) ** 2
    with np.errstate(divide="ignore", invalid="ignore", over="ignore"):
        # b² − a c, written so that nothing cancels where z is 0.
        discriminant = z**2 * ((rate * s) ** 2 + (gap * u) ** 2 - (z * s * u) ** 2)
        root = np.sqrt(np.maximum(discriminant, 0.0))
        # The form without cancellation; where a is 0 the one root is c / q.
        q = -(b + np.where(b >= 0, 1.0, -1.0) * root)
        candidates = np.stack([q / a, c / q])
    candidates = np.where(discriminant >= 0, candidates, np.inf)
    best = np.full_like(gap, np.inf)
    for time in candidates:
        # A rate of almost nothing has times near the largest number there is.
        usable = (time > ahead) & (time < _NEVER_MONTHS)
        there = np.where(usable, time, 0.0)
        # Squaring brought in the roots of the other sign of z.
        right = usable & ((gap + rate * there) * np.sign(z) <= 0 if z else usable)
        # It has to rise there: with a falling rate it may leave the limit instead.
        slope = rate + z * there * u**2 / np.hypot(s, there * u)
        best = np.where(right & (slope >= 0), np.minimum(best, there), best)
    result: FloatArray = np.where(reached(ahead) >= 0, ahead, best)
    return result


def _line(claw: HerdClaw | ClawRate) -> tuple[float, float, float, float, float]:
    """Return mean length ± s of the last segment, the months from its mean day to its last one, and the rate ± u."""
    own, rate = _own(claw), claw.estimate
    level = own.levels[-1]
    birge = claw.birge if isinstance(claw, HerdClaw) else own.birge
    s = max(level.u_mm, level.u_best_mm) * birge
    value, u = (rate.value, rate.u_normal) if rate else (0.0, 0.0)
    return level.length_mm, s, level.months_to_last, value, u


def _own(claw: HerdClaw | ClawRate) -> ClawRate:
    return claw.own if isinstance(claw, HerdClaw) else claw


def _unknown(own: ClawRate, rate: Estimate | None, limit: float | None, reason: str) -> Forecast:
    last = own.levels[-1].last if own.levels else None
    return Forecast(own.key, limit, last, None, None, rate, "cannot tell", None, None, None, None, reason)


def _told(
    claw: HerdClaw | ClawRate, limit: float, now: float, u_now: float, early: float, expected: float, late: float
) -> Forecast:
    own = _own(claw)
    rate, last = claw.estimate, own.levels[-1].last
    surplus = now - limit - Z * u_now
    beyond: State = "shown" if surplus >= 0 else "not shown" if now - limit + Z * u_now < 0 else "cannot tell"
    # Whole days, outwards, so that the interval holds what it says.
    first = _day(last, early, math.floor)
    middle = _day(last, expected, round)
    end = _day(last, late, math.ceil)
    reason = None
    if rate is None and beyond != "shown":
        first, middle, end = (last if beyond == "cannot tell" else None), None, None
        reason = claw.reason or "The claw has no rate."
    return Forecast(own.key, limit, last, now, u_now, rate, beyond, first, middle, end, surplus, reason)


def _day(last: date, months: float, rounding: Callable[[float], int]) -> date | None:
    if months > HORIZON_MONTHS:
        return None
    return last + timedelta(days=rounding(months * DAYS_PER_MONTH)) if months > 0 else last
