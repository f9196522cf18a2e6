"""The rules as data (``rules.toml``) and the small interpreter that applies them."""

from __future__ import annotations

import tomllib
from collections.abc import Mapping
from dataclasses import dataclass
from functools import cache
from importlib import resources
from typing import Literal

from pydantic import BaseModel, ConfigDict, Field

from clawvision.findings.evidence import FootEvidence
from clawvision.findings.profiles import Limb, Profile
from clawvision.findings.quantities import Context, Quantity, chain_row, limbs_of
from clawvision.findings.values import ValueStatus
from clawvision.findings.wording import Trace, fill
from clawvision.types import ClawName, Finding

Level = Literal["today", "within 48 hours", "this week", "at the next trim", "no sign in the photo", "unknown"]
Strength = Literal["strong", "moderate", "weak"]
State = Literal["shown", "not shown", "cannot tell"]


class _Row(BaseModel):
    model_config = ConfigDict(extra="forbid", strict=True, frozen=True, allow_inf_nan=False)


class Fact(_Row):
    """A published figure that texts quote."""

    value: float
    unit: str
    source: str
    status: ValueStatus


class Condition(_Row):
    """A quantity against a value of the profile."""

    quantity: str
    is_: Literal["above", "below", "at_most"] = Field(alias="is")
    limit: str


class Rule(_Row):
    """A row of the table of rules; its fields are described at the head of ``rules.toml``."""

    id: str
    code: str
    family: str
    about: str
    claw: Literal["each", "outer", "inner", "foot"]
    when: list[Condition] = Field(min_length=1)
    text: str
    also_explained_by: str
    look_for: str = ""
    where: str = ""
    seats: bool = False
    strength: Strength
    icar_term: str | None = None
    urgency: Level
    urgency_if_lame: Level | None = None
    unknown_foot: Literal["both", "any"] = "both"
    trim: list[Literal["no_line", "short"]] = Field(default_factory=list)
    veterinarian: bool = False


class Seat(_Row):
    """Where to look for what hurts, by limb and claw."""

    limb: Limb
    claw: Literal["outer", "inner"]
    where: str
    look_for: str


class ObservedRow(_Row):
    """What a locomotion score or a sign that a person saw means for urgency."""

    kind: Literal["locomotion", "sign"]
    values: list[str]
    urgency: Level
    text: str
    veterinarian: bool = False


class TextRow(_Row):
    """A sentence on trimming, for the cases named in ``when``."""

    when: list[str]
    text: str


class AnimalRow(_Row):
    """Texts of a finding about an animal's feet together."""

    text: str
    also_explained_by: str
    look_for: str
    where: str
    strength: Strength


class RuleBook(_Row):
    """All of ``rules.toml``."""

    fact: dict[str, Fact]
    seat: list[Seat]
    rule: list[Rule]
    observed: list[ObservedRow]
    trim: list[TextRow]
    caution: list[TextRow]
    say: dict[str, str]
    animal: dict[str, AnimalRow]


@cache
def rule_book() -> RuleBook:
    """Return the packaged rules."""
    text = (resources.files("clawvision.findings") / "rules.toml").read_text(encoding="utf-8")
    return RuleBook.model_validate(tomllib.loads(text))


@dataclass(frozen=True, slots=True)
class Outcome:
    """What a rule came to for one claw (or the foot, where ``claw`` is None).

    ``finding`` is there only where the state is ``shown``. ``firm`` is False where a person has to look at a
    photo first.
    """

    rule: Rule
    claw: ClawName | None
    state: State
    finding: Finding | None = None
    firm: bool = True


def apply_rules(evidence: FootEvidence, profile: Profile) -> tuple[Outcome, ...]:
    """Apply every rule to a foot.

    Parameters
    ----------
    evidence
        What the photos of the foot say.
    profile
        What it is compared with. A profile that judges nothing leaves every rule at ``cannot tell``.

    Returns
    -------
    tuple of Outcome
        One for each rule and claw it asks about, in the table's order; of the rows of one family that are
        shown for a claw only the first is kept, or the first that rests on no doubtful photo.
    """
    outcomes = [_apply(rule, claw, evidence, profile) for rule in rule_book().rule for claw in _claws(rule, evidence)]
    kept: dict[tuple[str, ClawName | None], Outcome] = {}
    for outcome in outcomes:
        if outcome.state == "shown":
            first = kept.setdefault((outcome.rule.family, outcome.claw), outcome)
            # What rests on a doubtful photo does not push aside what is sure.
            if outcome.firm and not first.firm:
                kept[outcome.rule.family, outcome.claw] = outcome
    return tuple(each for each in outcomes if each.state != "shown" or kept[each.rule.family, each.claw] is each)


def _claws(rule: Rule, evidence: FootEvidence) -> tuple[ClawName | None, ...]:
    if rule.claw == "each":
        return tuple(evidence.claws) or (None,)
    return (None if rule.claw == "foot" else rule.claw,)


def _apply(rule: Rule, claw: ClawName | None, evidence: FootEvidence, profile: Profile) -> Outcome:
    # A comparison of outer and inner means nothing where the claws could not be told apart as such.
    unnamed = rule.claw in ("outer", "inner") and rule.claw not in evidence.claws
    if not profile.judged or unnamed:
        return Outcome(rule, claw, "cannot tell")
    contexts = [Context(evidence, profile, limb) for limb in limbs_of(evidence)]
    states = [_all_of([_state(condition, claw, context) for condition in rule.when]) for context in contexts]
    state = _all_of(states) if rule.unknown_foot == "both" else _any_of(states)
    if state != "shown":
        return Outcome(rule, claw, state)
    # Where the foot is unknown the limits of the last limb that shows it are quoted (hind, if it does).
    context = next(each for each, own in reversed(list(zip(contexts, states, strict=True))) if own == "shown")
    return _shown(rule, claw, context)


def _state(condition: Condition, claw: ClawName | None, context: Context) -> State:
    """Compare beyond the uncertainty; a limit inside the interval of the value leaves it open."""
    quantity, limit = context.quantity(claw, condition.quantity), context.limit(condition.limit)
    if quantity is None or limit is None:
        return "cannot tell"
    low, high = quantity.value - quantity.uncertainty, quantity.value + quantity.uncertainty
    if condition.is_ == "above":
        return "shown" if low > limit.value else "not shown" if high <= limit.value else "cannot tell"
    if condition.is_ == "below":
        return "shown" if high < limit.value else "not shown" if low >= limit.value else "cannot tell"
    return "shown" if high <= limit.value else "not shown" if low > limit.value else "cannot tell"


def _all_of(states: list[State]) -> State:
    if "not shown" in states:
        return "not shown"
    return "cannot tell" if "cannot tell" in states else "shown"


def _any_of(states: list[State]) -> State:
    if "shown" in states:
        return "shown"
    return "cannot tell" if "cannot tell" in states else "not shown"


def _shown(rule: Rule, claw: ClawName | None, context: Context) -> Outcome:
    trace = Trace()
    doubtful = False
    for condition in rule.when:
        quantity, limit = context.quantity(claw, condition.quantity), context.limit(condition.limit)
        assert quantity is not None and limit is not None  # the condition was shown
        doubtful = doubtful or quantity.doubtful
        trace.add(_condition_row(rule, condition, claw, quantity, context))
        trace.extend(quantity.trace)
    seat = _seat(rule, claw, context)
    texts = [
        fill(template, context, claw, rule_book().fact, trace)
        for template in (rule.text, rule.also_explained_by, seat.look_for if seat else rule.look_for)
    ]
    text, also, look_for = texts
    if doubtful:
        text = f"Look at the photo first, it may be wrong. {text}"
    finding = Finding(
        code=rule.code,
        claw=claw,
        text=text,
        chain=trace.rows(),
        also_explained_by=also,
        look_for=look_for,
        where=fill(seat.where if seat else rule.where, context, claw, rule_book().fact, trace),
        strength="weak" if doubtful else rule.strength,
        icar_term=rule.icar_term,
    )
    return Outcome(rule, claw, "shown", finding, firm=not doubtful)


def _seat(rule: Rule, claw: ClawName | None, context: Context) -> Seat | None:
    if not rule.seats:
        return None
    # Both claws of a foot can only be compared where they are named, and a foot that is not known is read as hind.
    return next(each for each in rule_book().seat if each.limb == context.limb and each.claw == claw)


def _condition_row(
    rule: Rule, condition: Condition, claw: ClawName | None, quantity: Quantity, context: Context
) -> Mapping[str, object]:
    limit = context.limit(condition.limit)
    assert limit is not None
    photos = [row["photo"] for row in quantity.trace if row["photo"]]
    own = quantity.trace[0]
    return chain_row(
        own["measure"] or condition.quantity,
        quantity.value,
        quantity.uncertainty,
        quantity.unit,
        limit=limit.value,
        source=limit.source,
        status=limit.status,
        photo=photos[0] if photos else None,
        limit_name=limit.name,
        profile=context.profile.name,
        limb=context.limb,
        condition=condition.is_,
        rule=rule.id,
    )
