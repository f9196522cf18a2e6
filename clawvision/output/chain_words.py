"""The chain of a finding in words: what was measured, what follows from it, and what it was compared with.

Only what a chain's rows hold is said. They come from a file, so a row may hold anything: what is not as expected is
left out of the sentence, never guessed.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping, Sequence
from typing import Any

from clawvision.findings.values import PROFILE_VALUES, STATUSES
from clawvision.types import Status

Row = Mapping[str, Any]

_UNITS = {"mm": " mm", "deg": "°", "percent": " %", "months": " months", "mm/month": " mm a month", "mm2": " mm²"}
_SIDES = {"above": "above it", "below": "below it", "at_most": "at or below it"}
_DOUBTS: Mapping[Status, str] = {"review": "which a person has to look at first", "refused": "which was refused"}
_STATUSES: Mapping[str, str] = {str(status): words for status, words in STATUSES.items()}
_LARGE = 1e6


def number(value: float, decimals: int) -> str:
    """Return a number with so many decimals and a true minus sign; a very large one with four digits."""
    text = f"{value:.4g}" if abs(value) >= _LARGE else f"{value + 0.0:.{decimals}f}"
    return (text if any(digit in text for digit in "123456789") else text.lstrip("-")).replace("-", "−")


def amount(value: float, unit: str) -> str:
    """Return an exact value, such as a limit, with its unit."""
    text = f"{value:.4g}" if abs(value) >= _LARGE else f"{round(value, 3) + 0.0:g}"
    return text.replace("-", "−") + _unit(unit)


def estimate(value: float, uncertainty: float | None, unit: str) -> str:
    """Return ``value ± uncertainty`` with its unit, finer than findings say it, so that a comparison can be followed.

    The uncertainty is rounded up. It is left out where it is 0 or not known.
    """
    if not uncertainty:
        return number(value, 1) + _unit(unit)
    decimals = 2 if uncertainty < 1.0 else 1
    widened = uncertainty if uncertainty >= _LARGE else math.ceil(uncertainty * 10**decimals - 1e-6) / 10**decimals
    return f"{number(value, decimals)} ± {number(widened, decimals)}{_unit(unit)}"


def chain_words(rows: Sequence[Row], photos: Mapping[str, Status]) -> tuple[str, ...]:
    """Return a chain in words, one sentence a row.

    Parameters
    ----------
    rows
        The rows as the record holds them.
    photos
        What became of each photo of the run.

    Returns
    -------
    tuple of str
        First what was measured, then the values of the profile and published figures that went in, then what was
        computed, with its formula, then each comparison with its limit.
    """
    compared = [row for row in rows if _text(row, "condition")]
    named = {_limit_key(row) for row in compared}
    values: list[str] = []
    given: list[str] = []
    computed: list[str] = []
    for row in rows:
        if _text(row, "condition"):
            continue
        if _text(row, "formula"):
            computed.append(_computed(row))
        elif _number(row, "value") is not None:
            values.append(_measured(row, photos))
        elif _number(row, "limit") is not None and _limit_key(row) not in named:
            # A value that a comparison names, with its source, is not told a second time.
            given.append(_given(row))
    return tuple(dict.fromkeys([*values, *given, *computed, *(_compared(row) for row in compared)]))


def conditions(rows: Sequence[Row], rule: str) -> Iterator[str]:
    """Return what a rule asks of the measures, by the rows in which it compared them."""
    for row in rows:
        condition, limit = _text(row, "condition"), _text(row, "limit_name")
        if condition and _text(row, "rule") == rule:
            yield f"{_text(row, 'measure')} {condition.replace('_', ' ')} {limit}"


def _limit_key(row: Row) -> tuple[str, str, str, float | None]:
    return _text(row, "limit_name"), _text(row, "profile"), _text(row, "limb"), _number(row, "limit")


def _measured(row: Row, photos: Mapping[str, Status]) -> str:
    photo = _text(row, "photo")
    doubt = _DOUBTS.get(photos.get(photo, "measured"), "")
    where = f" (photo {photo}{', ' + doubt if doubt else ''})" if photo else ""
    return f"{_what(row)} = {_estimate(row)}{where}"


def _given(row: Row) -> str:
    return f"{_limit(row)} ({_origin(row)})"


def _computed(row: Row) -> str:
    return f"{_what(row)} = {_estimate(row)}, computed: {_text(row, 'formula')}"


def _compared(row: Row) -> str:
    side = _SIDES.get(_text(row, "condition"), _text(row, "condition"))
    return (
        f"{_what(row)} = {_estimate(row)}, compared with {_limit(row)} ({_origin(row)}): the whole interval is {side}"
    )


def _what(row: Row) -> str:
    return _text(row, "measure") or "a value"


def _estimate(row: Row) -> str:
    value = _number(row, "value")
    return "not given" if value is None else estimate(value, _number(row, "uncertainty"), _text(row, "unit"))


def _limit(row: Row) -> str:
    name, value = _text(row, "limit_name") or _text(row, "fact") or "a limit", _number(row, "limit")
    return name if value is None else f"{name} = {amount(value, _text(row, 'unit'))}"


def _origin(row: Row) -> str:
    """Return what a value means, whose it is and what it stands on."""
    kind = PROFILE_VALUES.get(_text(row, "limit_name"))
    profile, limb = _text(row, "profile"), _text(row, "limb")
    whose = f"profile {profile}" + (f", {limb} feet" if limb else "") if profile else ""
    source, status = _text(row, "source"), _text(row, "status")
    parts = [
        kind.meaning if kind else "",
        whose,
        f"source: {source}" if source else "no source given",
        f"status: {_STATUSES.get(status, status)}" if status else "",
    ]
    return "; ".join(part for part in parts if part)


def _unit(unit: str) -> str:
    return _UNITS.get(unit, f" {unit}" if unit else "")


def _text(row: Row, name: str) -> str:
    value = row.get(name)
    return value if isinstance(value, str) else ""


def _number(row: Row, name: str) -> float | None:
    value = row.get(name)
    if isinstance(value, bool) or not isinstance(value, (int, float)) or abs(value) > 1e300:
        return None
    return float(value)
