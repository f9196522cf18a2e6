"""Applies the rows of the rule book to one foot: shown, not shown, or cannot tell."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import NamedTuple

from clawvision.findings.book import Condition, ContextCondition, Rule, RuleBook, Seat
from clawvision.findings.evidence import FootEvidence
from clawvision.findings.profiles import Parity, Profile
from clawvision.findings.quantities import Context, Quantity, chain_row, limbs_of
from clawvision.findings.wording import Trace, fill, with_unit
from clawvision.types import ClawName, Finding, State

LAME_FROM = 2
"""Locomotion scores from this on are lame or not quite even (Sprecher et al. 1997, Theriogenology 47:1179)."""


@dataclass(frozen=True, slots=True)
class Outcome:
    """What a rule came to for one claw (or the foot, where ``claw`` is None).

    ``why`` says what decided it, or what is missing. ``finding`` is there only where the state is ``shown`` and no
    other row of the family is reported in its place. ``firm`` is False where it rests on a photo that a person has to
    look at first, ``aside`` True where the surest photo does not show it and another does. ``absent`` is True where it
    cannot be told because something was not measured or is not known, rather than being too close to the limit, and
    where it is not shown because the row is not for such a foot. ``leans`` is True where it would be shown but for the
    uncertainty.
    """

    rule: Rule
    claw: ClawName | None
    state: State
    why: str
    finding: Finding | None = None
    firm: bool = True
    absent: bool = False
    aside: bool = False
    leans: bool = False


@dataclass(frozen=True, slots=True)
class _Verdict:
    """A rule's state in one context, with that context and what decided it."""

    state: State
    why: str
    context: Context
    absent: bool = False
    disputed: bool = False
    doubtful: bool = False
    aside: bool = False
    leans: bool = False


@dataclass(frozen=True, slots=True)
class _Seen:
    """A foot seen through one limb's limits: by the surest values, and by each other photo's value in their place.

    With each of the others stands whether it contradicts the surest one.
    """

    best: Context
    others: tuple[tuple[Context, bool], ...]

    @classmethod
    def through(cls, context: Context) -> _Seen:
        return cls(context, tuple(context.alternatives()))


def apply_rules(evidence: FootEvidence, profile: Profile, book: RuleBook) -> tuple[Outcome, ...]:
    """Apply every rule to a foot.

    Parameters
    ----------
    evidence
        What the photos of the foot say.
    profile
        What it is compared with. A profile that judges nothing leaves every rule at ``cannot tell``.
    book
        The rules.

    Returns
    -------
    tuple of Outcome
        One for each rule and claw it asks about, in the table's order; of the rows of one family that are
        shown for a claw only the first has a finding, or the first that rests on no doubtful photo, and any other that
        keeps the claw from being cut more than that one does.
    """
    seen = [_Seen.through(Context(evidence, profile, limb)) for limb in limbs_of(evidence)]
    verdicts: list[tuple[Rule, ClawName | None, _Verdict]] = [
        (rule, claw, _verdict(rule, claw, seen)) for rule in book.rule for claw in _claws(rule, evidence)
    ]
    kept = _kept(verdicts)
    codes: dict[ClawName | None, list[str]] = {}
    for index in kept:
        rule, claw, _ = verdicts[index]
        codes.setdefault(claw, []).append(rule.code)
    outcomes = []
    for index, (rule, claw, verdict) in enumerate(verdicts):
        finding = _finding(rule, claw, verdict, book, codes[claw]) if index in kept else None
        firm, absent, aside, leans = not verdict.doubtful, verdict.absent, verdict.aside, verdict.leans
        outcomes.append(Outcome(rule, claw, verdict.state, verdict.why, finding, firm, absent, aside, leans))
    return tuple(outcomes)


def _kept(verdicts: Sequence[tuple[Rule, ClawName | None, _Verdict]]) -> set[int]:
    """Return which of the rules that are shown are reported: of a family and claw the first, sure ones first."""
    shown = [index for index, (_, _, verdict) in enumerate(verdicts) if verdict.state == "shown"]
    # What rests on a doubtful photo does not push aside what is sure.
    kept: dict[tuple[str, ClawName | None], list[int]] = {}
    for index in sorted(shown, key=lambda each: verdicts[each][2].doubtful):
        rule, claw, _ = verdicts[index]
        so_far = kept.setdefault((rule.family, claw), [])
        if not so_far or _keeps_more(rule, [verdicts[each][0] for each in so_far]):
            so_far.append(index)
    first = [verdicts[indices[0]] for indices in kept.values()]
    covering = [(rule, claw) for rule, claw, verdict in first if not verdict.doubtful]
    return {
        index
        for (family, claw), indices in kept.items()
        for index in indices
        if all(
            claw != other or family not in rule.covers or _keeps_more(verdicts[index][0], [rule])
            for rule, other in covering
        )
    }


def _keeps_more(rule: Rule, others: Sequence[Rule]) -> bool:
    """Return whether a row keeps a claw from being cut in a way that none of the others does."""
    return bool(_guards(rule) - {guard for other in others for guard in _guards(other)})


def _guards(rule: Rule) -> set[str]:
    marks = {"no_line"} if rule.rule_out else set()
    return {*rule.trim, *marks, *({"veterinarian"} if rule.veterinarian else ())}


def _claws(rule: Rule, evidence: FootEvidence) -> tuple[ClawName | None, ...]:
    if rule.claw == "each":
        return tuple(evidence.claws) or (None,)
    return (None if rule.claw == "foot" else rule.claw,)


def _verdict(rule: Rule, claw: ClawName | None, seen: Sequence[_Seen]) -> _Verdict:
    first = seen[-1].best
    if not first.profile.judged:
        return _Verdict("cannot tell", "the profile judges nothing", first, absent=True)
    # A comparison of outer and inner means nothing where the claws could not be told apart as such.
    if rule.claw in ("outer", "inner") and rule.claw not in first.evidence.claws:
        return _Verdict("cannot tell", f"no claw is known to be the {rule.claw} one", first, absent=True)
    by_limb = [_settled(rule, claw, each) for each in seen]
    state = combined([each.state for each in by_limb], every=rule.unknown_foot == "both")
    # Where the foot is unknown the limits of the last limb that says so are quoted (hind, if it does).
    return next(each for each in reversed(by_limb) if each.state == state)


def _settled(rule: Rule, claw: ClawName | None, seen: _Seen) -> _Verdict:
    """Return the verdict by the surest values and by those of the other photos.

    What any photo shows is shown, though only weakly where the surest does not show it or another contradicts it: to
    believe only the surest, or a mean, would let a worse photo make a foot look better. It is not shown only where no
    photo that contradicts the surest leaves it open.
    """
    best = _by_conditions(rule, claw, seen.best)
    others = [(_by_conditions(rule, claw, context), contradicts) for context, contradicts in seen.others]
    against = [each for each, contradicts in others if contradicts and each.state != best.state]
    if best.state == "shown":
        return replace(best, disputed=bool(against))
    shows = [each for each, _ in others if each.state == "shown"]
    if shows:
        return replace(shows[0], disputed=True, aside=True)
    return against[0] if against and best.state == "not shown" else best


def _by_conditions(rule: Rule, claw: ClawName | None, context: Context) -> _Verdict:
    answers = [told(condition, claw, context) for condition in rule.when]
    state = combined([each.state for each in answers], every=True)
    deciding = [each for each in answers if each.state == state]
    why = "; ".join(each.why for each in deciding) if state == "shown" else deciding[0].why
    # One word on gait, stage or the like that does not hold, and the row is not for such a foot.
    absent = any(each.absent for each in deciding) if state == "not shown" else deciding[0].absent
    doubtful, leans = any(each.doubtful for each in answers), all(each.leans for each in answers)
    return _Verdict(state, why, context, absent=absent, doubtful=doubtful, leans=leans)


def combined(states: Iterable[State], *, every: bool) -> State:
    """Return the state of several conditions together, of which every one has to hold or any one.

    Kleene's three-valued logic: what decides by itself wins over what is not known.
    """
    states = list(states)
    decides: State = "not shown" if every else "shown"
    if decides in states:
        return decides
    if "cannot tell" in states:
        return "cannot tell"
    return "shown" if every else "not shown"


class Told(NamedTuple):
    """The state of one condition, what says so, whether something is missing, and whether a photo needs a look.

    ``leans`` is True where it holds by the value itself, whatever its uncertainty.
    """

    state: State
    why: str
    absent: bool = False
    doubtful: bool = False
    leans: bool = False


def told(condition: Condition | ContextCondition, claw: ClawName | None, context: Context) -> Told:
    """Return what one condition of a row comes to."""
    if isinstance(condition, ContextCondition):
        known = _known(condition, context)
        if known is None:
            return Told("cannot tell", f"the {condition.context} is not known", absent=True)
        holds = bool(known & set(condition.among))
        why = f"{condition.context}: {', '.join(sorted(known))}"
        return Told("shown" if holds else "not shown", why, absent=not holds, leans=holds)
    quantity, limit = context.quantity(claw, condition.quantity), context.limit(condition.limit)
    doubtful = quantity is not None and quantity.doubtful
    if limit is None:
        return Told("cannot tell", f"the profile has no {condition.limit} for {context.limb} feet", True, doubtful)
    if quantity is None:
        return Told("cannot tell", f"no {condition.quantity} from these photos", absent=True)
    state = _state(condition, quantity, limit.value)
    words = {"shown": "is", "not shown": "is not", "cannot tell": "is not clearly"}[state]
    way = condition.is_.replace("_", " ")
    value = with_unit(quantity.value, quantity.uncertainty, quantity.unit)
    against = with_unit(limit.value, None, limit.unit)
    why = f"{condition.quantity} {value} {words} {way} {condition.limit}, {against}"
    leans = _state(condition, replace(quantity, uncertainty=0.0), limit.value) == "shown"
    return Told(state, why, doubtful=doubtful, leans=leans)


def _known(condition: ContextCondition, context: Context) -> set[str] | None:
    evidence = context.evidence
    if condition.context == "limb":
        return {context.limb}
    if condition.context == "stage":
        return {evidence.stage}
    if condition.context == "parity":
        parity = parity_of(evidence, context.profile)
        return None if parity is None else {parity}
    if condition.context == "gait":
        return None if evidence.locomotion is None else {"lame" if evidence.locomotion >= LAME_FROM else "even"}
    return set(evidence.signs) or None


def parity_of(evidence: FootEvidence, profile: Profile) -> Parity | None:
    """Return for which cows the profile is; None where nobody named one, so that it was assumed."""
    return profile.parity if evidence.profile is not None else None


def _state(condition: Condition, quantity: Quantity, limit: float) -> State:
    """Compare beyond the uncertainty; a limit inside the interval of the value leaves it open."""
    low, high = quantity.value - quantity.uncertainty, quantity.value + quantity.uncertainty
    if condition.is_ == "above":
        return "shown" if low > limit else "not shown" if high <= limit else "cannot tell"
    if condition.is_ == "below":
        return "shown" if high < limit else "not shown" if low >= limit else "cannot tell"
    return "shown" if high <= limit else "not shown" if low > limit else "cannot tell"


def _finding(rule: Rule, claw: ClawName | None, verdict: _Verdict, book: RuleBook, codes: Sequence[str]) -> Finding:
    context = verdict.context
    trace = Trace()
    for condition in rule.when:
        if isinstance(condition, Condition):
            quantity = context.quantity(claw, condition.quantity)
            assert quantity is not None  # the condition was shown
            trace.add(_condition_row(rule, condition, quantity, context))
            trace.extend(quantity.trace)
    seat = _seat(rule, claw, context, book)
    places = [seat.where if seat else rule.where]
    if seat:
        places += [each.where for each in book.seat_shape if each.code in codes]
    text, exact, also, look_for, where = (
        fill(template, context, claw, book.fact, trace)
        for template in (
            rule.text,
            rule.exact,
            rule.also_explained_by,
            seat.look_for if seat else rule.look_for,
            " ".join(places),
        )
    )
    unsure = verdict.doubtful or verdict.disputed
    if unsure:
        text = f"{book.say['look_first']} {text}"
    return Finding(
        code=rule.code,
        title=rule.title,
        claw=claw,
        text=text,
        exact=exact,
        chain=trace.rows(),
        also_explained_by=also,
        look_for=look_for,
        where=where,
        strength="weak" if unsure else rule.strength,
        icar_term=rule.icar_term,
        rule=rule.id,
        basis=rule.basis,
    )


def _seat(rule: Rule, claw: ClawName | None, context: Context, book: RuleBook) -> Seat | None:
    if not rule.seats:
        return None
    # Both claws of a foot can only be compared where they are named, and a foot that is not known is read as hind.
    return next((each for each in book.seat if each.limb == context.limb and each.claw == claw), None)


def _condition_row(rule: Rule, condition: Condition, quantity: Quantity, context: Context) -> Mapping[str, object]:
    limit = context.limit(condition.limit)
    assert limit is not None  # the condition was shown
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
