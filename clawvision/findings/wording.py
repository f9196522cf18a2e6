"""Puts numbers into the texts of the rules, and keeps track of where each one comes from."""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping
from string import Formatter
from typing import TYPE_CHECKING, Any

from clawvision.findings.quantities import Context, chain_row, profile_row
from clawvision.types import ClawName

if TYPE_CHECKING:
    from clawvision.findings.book import Fact

_UNITS = {"mm": " mm", "deg": "°", "percent": " %", "months": " months", "mm/month": " mm a month", "mm2": " mm²"}
_MISSING = "not known"
_COUNTED = {"months": "month", "days": "day"}


class Trace:
    """Collects the rows of a finding's chain, each once, in the order in which they are met."""

    def __init__(self) -> None:
        self._rows: list[Mapping[str, Any]] = []

    def add(self, row: Mapping[str, Any]) -> None:
        """Add a row unless it is there."""
        if row not in self._rows:
            self._rows.append(row)

    def extend(self, rows: Iterable[Mapping[str, Any]]) -> None:
        """Add rows unless they are there."""
        for row in rows:
            self.add(row)

    def rows(self) -> tuple[Mapping[str, Any], ...]:
        """Return the rows collected."""
        return tuple(self._rows)


def number(value: float, uncertainty: float = 0.0) -> str:
    """Return a number with as many digits as its uncertainty lets stand.

    Parameters
    ----------
    value
        The value.
    uncertainty
        Expanded uncertainty in the same unit; 0 for a value that is exact, such as a limit.

    Returns
    -------
    str
        One decimal where the uncertainty is under 1, none where it is more; an exact value as it is, to
        two decimals at most.
    """
    if uncertainty == 0.0:
        return f"{round(value, 2):g}".replace("-", "−")
    digits = 1 if uncertainty < 1.0 else 0
    # Adding 0.0 turns −0 into 0.
    return f"{round(value, digits) + 0.0:.{digits}f}".replace("-", "−")


def with_unit(value: float, uncertainty: float | None, unit: str) -> str:
    """Return ``value ± uncertainty unit``; the uncertainty is rounded up, never down."""
    if not uncertainty:
        if unit in _COUNTED:
            value = round(value) if value >= 2 else round(value, 1)
            return f"{number(value)} {_COUNTED[unit] if value == 1 else unit}"
        return f"{number(value)}{_UNITS[unit]}"
    step = 10.0 if uncertainty < 1.0 else 1.0
    widened = math.ceil(uncertainty * step - 1e-9) / step
    plus_minus = f"{number(value, uncertainty)} ± {number(widened)}"
    return f"{plus_minus}{_UNITS[unit]}"


def fill(
    template: str, context: Context, claw: ClawName | None, facts: Mapping[str, Fact], trace: Trace | None = None
) -> str:
    """Fill a rule's template.

    ``{claw}`` is the claw's name; ``{profile:name}`` a value of the profile; ``{fact:name}`` a published figure;
    any other field a measure or derived quantity, ``{name:bare}`` without unit and uncertainty. Each number's origin
    is added to ``trace``. What was not measured, or is not in the profile, reads "not known".
    """
    parts: list[str] = []
    for literal, name, spec, _ in Formatter().parse(template):
        parts.append(literal)
        if name is not None:
            parts.append(_field(name, spec or "", context, claw, facts, trace or Trace()))
    return "".join(parts)


def _field(
    name: str, spec: str, context: Context, claw: ClawName | None, facts: Mapping[str, Fact], trace: Trace
) -> str:
    if name == "claw":
        return str(claw)
    if name == "fact":
        fact = facts[spec]
        trace.add(
            chain_row(None, None, None, fact.unit, limit=fact.value, source=fact.source, status=fact.status, fact=spec)
        )
        return with_unit(fact.value, None, fact.unit)
    if name == "profile":
        limit = context.limit(spec)
        if limit is None:
            return _MISSING
        trace.add(profile_row(limit, context.profile, context.limb))
        return with_unit(limit.value, None, limit.unit)
    quantity = context.quantity(claw, name)
    if quantity is None:
        return _MISSING
    trace.extend(quantity.trace)
    if spec == "bare":
        return number(round(quantity.value)) if quantity.value >= 2 else number(round(quantity.value, 1))
    return with_unit(quantity.value, quantity.uncertainty, quantity.unit)
