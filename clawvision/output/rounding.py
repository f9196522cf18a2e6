"""How numbers are rounded on their way into a record, so that a stored record equals a fresh one."""

from __future__ import annotations

import math

_NOTHING = 1e-9
"""Below this a value is the rounding of the arithmetic, and differs from machine to machine."""


def rounded(value: float | None) -> float | None:
    """Return ``value`` with three decimals, or with four significant digits where that is more.

    Finer than any uncertainty of this work by a factor of a hundred. NaN and infinity pass unchanged, for
    the record to refuse.
    """
    if value is None:
        return None
    value = float(value)
    if not math.isfinite(value):
        return value
    if abs(value) < _NOTHING:
        return 0.0
    return round(value, max(3, 3 - math.floor(math.log10(abs(value)))))
