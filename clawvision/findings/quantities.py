"""What the rules compare: measures, profile values, and the few quantities that follow from them.

Each quantity carries its own trace, so that a number in a text leads back to a photo or a profile.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass, field, replace
from types import MappingProxyType
from typing import Any

from clawvision.findings.evidence import PARTNER, FootEvidence, Observed
from clawvision.findings.profiles import LIMBS, Limb, Profile, ProfileValue
from clawvision.types import ClawName

DAYS_PER_MONTH = 365.25 / 12
_JOINED_FORMULA = "mean of the side and the sole photo's value, weighted by their uncertainties"
_LEAST_MONTHS_APART = 1.0
"""Two photos nearer in time than this say nothing of growth: their uncertainty is more than what grows (status J)."""


@dataclass(frozen=True, slots=True)
class Quantity:
    """A value to compare or to print, ``uncertainty`` expanded (k = 2), with the rows of its trace.

    ``doubtful`` is True where a person has to look at a photo first. ``photo`` and ``budget`` are those of a measure,
    for differences within one photo.
    """

    value: float
    uncertainty: float
    unit: str
    doubtful: bool
    trace: tuple[Mapping[str, Any], ...]
    photo: str | None = None
    budget: Mapping[str, float] = field(default_factory=lambda: MappingProxyType({}))


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
    _made: dict[tuple[ClawName | None, str], Quantity | None] = field(
        default_factory=dict, init=False, repr=False, compare=False
    )
    """Quantities already made: many rows ask for the same one."""

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
        return Quantity(seen.value, seen.uncertainty, seen.unit, seen.doubtful, (row,), seen.photo, seen.budget)

    def limit(self, name: str) -> ProfileValue | None:
        """Return a value of the profile, or None where it does not know it."""
        return self.profile.value(self.limb, name)

    def quantity(self, claw: ClawName | None, name: str) -> Quantity | None:
        """Return a derived quantity or a measure by name. A claw's rule may ask for a measure of the foot."""
        key = claw, name
        if key not in self._made:
            derived = DERIVED.get(name)
            plain = None if derived else self.measured(claw, name) or self.measured(None, name)
            self._made[key] = derived.compute(self, claw) if derived else plain
        return self._made[key]

    def alternatives(self) -> Iterator[tuple[Context, bool]]:
        """Give this context once for each value of another photo, with that photo's value instead.

        With each comes whether that photo contradicts the surest one.
        """
        foot = self.evidence
        for name, seen in foot.foot_measures.items():
            for other, contradicts in _beside(seen):
                measures = {**foot.foot_measures, name: other}
                yield replace(self, evidence=replace(foot, foot_measures=measures)), contradicts
        for claw, own in foot.claws.items():
            for name, seen in own.items():
                for other, contradicts in _beside(seen):
                    claws = {**foot.claws, claw: {**own, name: other}}
                    yield replace(self, evidence=replace(foot, claws=claws)), contradicts


def _beside(seen: Observed) -> list[tuple[Observed, bool]]:
    return [*((each, True) for each in seen.rivals), *((each, False) for each in seen.others)]


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


def _less(one: Quantity, other: Quantity, share: float = 1.0) -> tuple[float, float]:
    """Return ``one − share × other`` and its expanded uncertainty.

    Within one photo causes of error are shared and partly cancel, by their signed contributions; where these are
    not given the uncertainties are added, the most they can come to. Two photos are taken as independent
    (JCGM 100:2008, 5.1.2 and 5.2.2).
    """
    value = one.value - share * other.value
    if one.photo is None or one.photo != other.photo:
        return value, math.hypot(one.uncertainty, share * other.uncertainty)
    if not one.budget or not other.budget:
        return value, one.uncertainty + abs(share) * other.uncertainty
    causes = dict.fromkeys((*one.budget, *other.budget))
    parts = [one.budget.get(cause, 0.0) - share * other.budget.get(cause, 0.0) for cause in causes]
    return value, 2.0 * math.hypot(*parts)


def _limit_row(context: Context, value: ProfileValue) -> Mapping[str, Any]:
    return profile_row(value, context.profile, context.limb)


def _outer_excess(context: Context, claw: ClawName | None) -> Quantity | None:
    return _excess(context, "outer_excess", "outer_longer_high", 1.0)


def _inner_excess(context: Context, claw: ClawName | None) -> Quantity | None:
    return _excess(context, "inner_excess", "outer_longer_low", -1.0)


def _excess(context: Context, name: str, expectation: str, sign: float) -> Quantity | None:
    """Return how far the closed difference lies beyond the range that is ordinary between healthy claws."""
    difference, inner = context.measured(None, "length_difference"), context.measured("inner", "sole_length")
    expected = context.limit(expectation)
    if difference is None or inner is None or expected is None:
        return None
    value, uncertainty = _less(difference, inner, expected.value / 100.0)
    limits = (_limit_row(context, expected),)
    return _made(name, sign * value, uncertainty, "mm", difference, inner, limits=limits)


def _toe_over_partner(context: Context, claw: ClawName | None) -> Quantity | None:
    return _over_partner(context, claw, "toe_over_partner", "toe_length", "mm")


def _twist_over_partner(context: Context, claw: ClawName | None) -> Quantity | None:
    return _over_partner(context, claw, "twist_over_partner", "axial_twist", "deg")


def _over_partner(context: Context, claw: ClawName | None, name: str, measure: str, unit: str) -> Quantity | None:
    if claw is None:
        return None
    own, partner = context.measured(claw, measure), context.measured(PARTNER[claw], measure)
    if own is None or partner is None:
        return None
    return _made(name, *_less(own, partner), unit, own, partner)


def _apparent_only(context: Context, claw: ClawName | None) -> Quantity | None:
    apparent = context.measured(None, "apparent_length_difference")
    closed = context.measured(None, "length_difference")
    if apparent is None or closed is None:
        return None
    _, uncertainty = _less(apparent, closed, math.copysign(1.0, apparent.value * closed.value))
    return _made("apparent_only", abs(apparent.value) - abs(closed.value), uncertainty, "mm", apparent, closed)


def _overgrowth(context: Context, claw: ClawName | None) -> Quantity | None:
    length = context.measured(claw, "toe_length")
    usual = context.limit("toe_length_usual_high")
    if length is None or usual is None:
        return None
    value = length.value - usual.value
    return _made("overgrowth", value, length.uncertainty, "mm", length, limits=(_limit_row(context, usual),))


def _months_least(context: Context, claw: ClawName | None) -> Quantity | None:
    return _months(context, _overgrowth(context, claw), "overgrowth_months_least", "growth_high", -1.0)


def _months_most(context: Context, claw: ClawName | None) -> Quantity | None:
    return _months(context, _overgrowth(context, claw), "overgrowth_months_most", "growth_low", 1.0)


def _unexplained_months(context: Context, claw: ClawName | None) -> Quantity | None:
    return _months(context, _unexplained_growth(context, claw), "unexplained_months_least", "growth_high", -1.0)


def _months(context: Context, over: Quantity | None, name: str, growth: str, end: float) -> Quantity | None:
    """Return the time that an excess takes to grow, at the end of the range that its uncertainty allows."""
    rate = context.limit(growth)
    if over is None or rate is None:
        return None
    edge = max(over.value + end * over.uncertainty, 0.0)
    return _made(name, edge / rate.value, 0.0, "months", over, limits=(_limit_row(context, rate),))


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


def untrimmed_since(evidence: FootEvidence) -> FootEvidence | None:
    """Return the earlier photos of a foot if no trim is known to lie between them and these, else None."""
    earlier = evidence.earlier
    if earlier is None or earlier.taken is None or evidence.taken is None or evidence.stage == "after":
        return None
    trimmed_then = earlier.stage == "before"
    trimmed_since = evidence.trimmed is not None and earlier.taken < evidence.trimmed <= evidence.taken
    return None if trimmed_then or trimmed_since else earlier


def _months_apart(context: Context, claw: ClawName | None) -> Quantity | None:
    earlier, taken = untrimmed_since(context.evidence), context.evidence.taken
    if earlier is None or earlier.taken is None or taken is None:
        return None
    months = (taken - earlier.taken).days / DAYS_PER_MONTH
    return _made("months_apart", months, 0.0, "months") if months >= _LEAST_MONTHS_APART else None


def _lengthening(context: Context, claw: ClawName | None) -> Quantity | None:
    months, now = _months_apart(context, claw), context.measured(claw, "toe_length")
    if months is None or now is None or context.evidence.earlier is None:
        return None
    then = replace(context, evidence=context.evidence.earlier).measured(claw, "toe_length")
    if then is None:
        return None
    value, uncertainty = _less(now, then)
    rate = "mm/month"
    return _made("lengthening", value / months.value, uncertainty / months.value, rate, now, then, months)


_DERIVED = (
    Derived("outer_excess", "length_difference − outer_longer_high % of the inner sole_length", _outer_excess),
    Derived("inner_excess", "outer_longer_low % of the inner sole_length − length_difference", _inner_excess),
    Derived("toe_over_partner", "toe_length − toe_length of the other claw", _toe_over_partner),
    Derived("twist_over_partner", "axial_twist − axial_twist of the other claw", _twist_over_partner),
    Derived("apparent_only", "size of apparent_length_difference − size of length_difference", _apparent_only),
    Derived("overgrowth", "toe_length − toe_length_usual_high", _overgrowth),
    Derived("overgrowth_months_least", "(overgrowth − its uncertainty, at least 0) ÷ growth_high", _months_least),
    Derived("overgrowth_months_most", "(overgrowth + its uncertainty, at least 0) ÷ growth_low", _months_most),
    Derived("months_since_trim", "days from the last trim until the photo, in months", _months_since_trim),
    Derived(
        "unexplained_growth",
        "toe_length − toe_length_after_trim − months_since_trim × growth_high",
        _unexplained_growth,
    ),
    Derived(
        "unexplained_months_least",
        "(unexplained_growth − its uncertainty, at least 0) ÷ growth_high",
        _unexplained_months,
    ),
    Derived("months_apart", "days since the earlier photos of the foot with no trim between, in months", _months_apart),
    Derived("lengthening", "(toe_length − toe_length in the earlier photos) ÷ months_apart", _lengthening),
)

DERIVED: dict[str, Derived] = {each.name: each for each in _DERIVED}
