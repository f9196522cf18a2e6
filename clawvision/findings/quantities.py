"""What the rules compare: measures, profile values, and the few quantities that follow from them.

Each quantity carries its own trace, so that a number in a text leads back to a photo or a profile.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from types import MappingProxyType
from typing import Any

from clawvision.findings.evidence import PARTNER, FootEvidence, Observed
from clawvision.findings.profiles import LIMBS, Limb, Profile, ProfileValue
from clawvision.types import ClawName

DAYS_PER_MONTH = 365.25 / 12
_JOINED_FORMULA = "mean of the side and the sole photo's value, weighted by their uncertainties"


@dataclass(frozen=True, slots=True)
class Quantity:
    """A value to compare or to print, ``uncertainty`` expanded (k = 2), with the rows of its trace."""

    value: float
    uncertainty: float
    unit: str
    doubtful: bool
    trace: tuple[Mapping[str, Any], ...]


def chain_row(
    measure: str | None,
    value: float | None,
    uncertainty: float | None,
    unit: str,
    *,
    limit: float | None = None,
    source: str = "",
    status: str = "",
    photo: str | None = None,
    **more: Any,
) -> Mapping[str, Any]:
    """Return one row of a finding's chain, every key present."""
    row = {"measure": measure, "value": value, "uncertainty": uncertainty, "unit": unit, "limit": limit}
    return MappingProxyType({**row, "source": source, "status": status, "photo": photo, **more})


def profile_row(value: ProfileValue, profile: Profile, limb: Limb) -> Mapping[str, Any]:
    """Return the chain row of a profile value."""
    return chain_row(
        None,
        None,
        None,
        value.unit,
        limit=value.value,
        source=value.source,
        status=value.status,
        limit_name=value.name,
        profile=profile.name,
        limb=limb,
    )


@dataclass(frozen=True, slots=True)
class Context:
    """Evidence of one foot seen through one profile and limb."""

    evidence: FootEvidence
    profile: Profile
    limb: Limb

    def measured(self, claw: ClawName | None, name: str) -> Quantity | None:
        """Return a measure of ``claw``, or of the foot where ``claw`` is None; None where there is none."""
        source = self.evidence.foot_measures if claw is None else self.evidence.claws.get(claw, {})
        seen: Observed | None = source.get(name)
        if seen is None:
            return None
        label = name if claw is None else f"{claw} {name}"
        rows = tuple(chain_row(label, each.value, each.uncertainty, each.unit, photo=each.photo) for each in seen.parts)
        if rows:
            made = chain_row(
                label, seen.value, seen.uncertainty, seen.unit, source="computed", status="C", formula=_JOINED_FORMULA
            )
            return Quantity(seen.value, seen.uncertainty, seen.unit, seen.doubtful, (made, *rows))
        row = chain_row(label, seen.value, seen.uncertainty, seen.unit, photo=seen.photo)
        return Quantity(seen.value, seen.uncertainty, seen.unit, seen.doubtful, (row,))

    def limit(self, name: str) -> ProfileValue | None:
        """Return a value of the profile, or None where it does not know it."""
        return self.profile.value(self.limb, name)

    def quantity(self, claw: ClawName | None, name: str) -> Quantity | None:
        """Return a derived quantity or a measure by name. A claw's rule may ask for a measure of the foot."""
        if name in DERIVED:
            return DERIVED[name].compute(self, claw)
        return self.measured(claw, name) or self.measured(None, name)


def limbs_of(evidence: FootEvidence) -> tuple[Limb, ...]:
    """Return the limb of a foot; both where the foot is not known."""
    if evidence.foot is None:
        return LIMBS
    return ("hind",) if evidence.hind else ("fore",)


@dataclass(frozen=True, slots=True)
class Derived:
    """A quantity made of others; ``formula`` is what the documentation and the chain say about it."""

    name: str
    formula: str
    compute: Callable[[Context, ClawName | None], Quantity | None]


def _made(
    name: str,
    value: float,
    uncertainty: float,
    unit: str,
    *parts: Quantity,
    limits: tuple[Mapping[str, Any], ...] = (),
) -> Quantity:
    rows = [row for part in parts for row in part.trace]
    own = chain_row(name, value, uncertainty, unit, source="computed", status="C", formula=DERIVED[name].formula)
    return Quantity(value, uncertainty, unit, any(part.doubtful for part in parts), (own, *rows, *limits))


def _limit_row(context: Context, value: ProfileValue) -> Mapping[str, Any]:
    return profile_row(value, context.profile, context.limb)


def _outer_excess(context: Context, claw: ClawName | None) -> Quantity | None:
    return _excess(context, "outer_excess", "outer_longer_high", 1.0)


def _inner_excess(context: Context, claw: ClawName | None) -> Quantity | None:
    return _excess(context, "inner_excess", "outer_longer_low", -1.0)


def _excess(context: Context, name: str, expectation: str, sign: float) -> Quantity | None:
    """Return how far the closed difference goes beyond the healthy one, to one side.

    The two uncertainties are added, not combined in squares, since both come from the one photo.
    """
    difference = context.measured(None, "length_difference")
    inner = context.measured("inner", "sole_length")
    expected = context.limit(expectation)
    if difference is None or inner is None or expected is None:
        return None
    share = expected.value / 100.0
    value = sign * (difference.value - share * inner.value)
    uncertainty = difference.uncertainty + abs(share) * inner.uncertainty
    return _made(name, value, uncertainty, "mm", difference, inner, limits=(_limit_row(context, expected),))


def _apparent_only(context: Context, claw: ClawName | None) -> Quantity | None:
    apparent = context.measured(None, "apparent_length_difference")
    closed = context.measured(None, "length_difference")
    if apparent is None or closed is None:
        return None
    value = abs(apparent.value) - abs(closed.value)
    return _made("apparent_only", value, apparent.uncertainty + closed.uncertainty, "mm", apparent, closed)


def _overgrowth(context: Context, claw: ClawName | None) -> Quantity | None:
    length = context.measured(claw, "toe_length")
    usual = context.limit("toe_length_usual_high")
    if length is None or usual is None:
        return None
    value = length.value - usual.value
    return _made("overgrowth", value, length.uncertainty, "mm", length, limits=(_limit_row(context, usual),))


def _months_least(context: Context, claw: ClawName | None) -> Quantity | None:
    return _months(context, claw, "overgrowth_months_least", "growth_high")


def _months_most(context: Context, claw: ClawName | None) -> Quantity | None:
    return _months(context, claw, "overgrowth_months_most", "growth_low")


def _months(context: Context, claw: ClawName | None, name: str, growth: str) -> Quantity | None:
    over, rate = _overgrowth(context, claw), context.limit(growth)
    if over is None or rate is None:
        return None
    # The end of the range that the uncertainty of the length allows.
    edge = over.value + (over.uncertainty if name.endswith("most") else -over.uncertainty)
    return _made(name, max(edge, 0.0) / rate.value, 0.0, "months", over, limits=(_limit_row(context, rate),))


def _months_since_trim(context: Context, claw: ClawName | None) -> Quantity | None:
    taken, trimmed = context.evidence.taken, context.evidence.trimmed
    if taken is None or trimmed is None or trimmed > taken:
        return None
    months = (taken - trimmed).days / DAYS_PER_MONTH
    return _made("months_since_trim", months, 0.0, "months")


def _unexplained_growth(context: Context, claw: ClawName | None) -> Quantity | None:
    length = context.measured(claw, "toe_length")
    months = _months_since_trim(context, claw)
    left, rate = context.limit("toe_length_after_trim"), context.limit("growth_high")
    if length is None or months is None or left is None or rate is None:
        return None
    value = length.value - left.value - months.value * rate.value
    limits = (_limit_row(context, left), _limit_row(context, rate))
    return _made("unexplained_growth", value, length.uncertainty, "mm", length, months, limits=limits)


def _twist_over_partner(context: Context, claw: ClawName | None) -> Quantity | None:
    if claw is None:
        return None
    own, partner = context.measured(claw, "axial_twist"), context.measured(PARTNER[claw], "axial_twist")
    if own is None or partner is None:
        return None
    value = own.value - partner.value
    return _made("twist_over_partner", value, own.uncertainty + partner.uncertainty, "deg", own, partner)


_DERIVED = (
    Derived("outer_excess", "length_difference − outer_longer_high % of the inner sole_length", _outer_excess),
    Derived("inner_excess", "outer_longer_low % of the inner sole_length − length_difference", _inner_excess),
    Derived("apparent_only", "size of apparent_length_difference − size of length_difference", _apparent_only),
    Derived("overgrowth", "toe_length − toe_length_usual_high", _overgrowth),
    Derived("overgrowth_months_least", "(overgrowth − its uncertainty, at least 0) ÷ growth_high", _months_least),
    Derived("overgrowth_months_most", "(overgrowth + its uncertainty, at least 0) ÷ growth_low", _months_most),
    Derived("months_since_trim", "days from the last trim to the photo, in months", _months_since_trim),
    Derived(
        "unexplained_growth",
        "toe_length − toe_length_after_trim − months_since_trim × growth_high",
        _unexplained_growth,
    ),
    Derived("twist_over_partner", "axial_twist − axial_twist of the other claw", _twist_over_partner),
)

DERIVED: dict[str, Derived] = {each.name: each for each in _DERIVED}
