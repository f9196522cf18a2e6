"""Applies the rows of the rule book to one foot: shown, not shown, or cannot tell."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass

from clawvision.findings.book import Condition, ContextCondition, Rule, RuleBook, Seat
from clawvision.findings.evidence import FootEvidence
from clawvision.findings.profiles import Profile
from clawvision.findings.quantities import Context, Quantity, chain_row, limbs_of
from clawvision.findings.wording import Trace, fill, with_unit
from clawvision.types import ClawName, Finding, State

LAME_FROM = 2
"""Locomotion scores from this on are lame or not quite even (Sprecher et al. 1997, Theriogenology 47:1179)."""


@dataclass(frozen=True, slots=True)
class Outcome:
    """What a rule came to for one claw (or the foot, where ``claw`` is None).

    ``why`` says what decided it, or what is missing. ``finding`` is there only where the state is ``shown``. ``firm``
    is False where a person has to look at a photo first; ``absent`` is True where it cannot be told because
    something was not measured or is not known, rather than being too close to the limit.
    """

    rule: Rule
    claw: ClawName | None
    state: State
    why: str
    finding: Finding | None = None
    firm: bool = True
    absent: bool = False


@dataclass(frozen=True, slots=True)
class _Verdict:
    """A rule's state in one context, with that context and what decided it."""

    state: State
    why: str
    context: Context
    absent: bool = False
    disputed: bool = False
    doubtful: bool = False


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
        shown for a claw only the first is kept, or the first that rests on no doubtful photo.
    """
    contexts = [Context(evidence, profile, limb) for limb in limbs_of(evidence)]
    verdicts: list[tuple[Rule, ClawName | None, _Verdict]] = [
        (rule, claw, _verdict(rule, claw, contexts)) for rule in book.rule for claw in _claws(rule, evidence)
    ]
    kept = _kept(verdicts)
    codes: dict[ClawName | None, list[str]] = {}
    for index in kept:
        rule, claw, _ = verdicts[index]
        codes.setdefault(claw, []).append(rule.code)
    outcomes = []
    for index, (rule, claw, verdict) in enumerate(verdicts):
        if verdict.state != "shown":
            outcomes.append(Outcome(rule, claw, verdict.state, verdict.why, absent=verdict.absent))
        elif index in kept:
            finding = _finding(rule, claw, verdict, book, codes[claw])
            outcomes.append(Outcome(rule, claw, "shown", verdict.why, finding, firm=not verdict.doubtful))
    return tuple(outcomes)


def _kept(verdicts: Sequence[tuple[Rule, ClawName | None, _Verdict]]) -> set[int]:
    """Return which of the rules that are shown are reported: of a family and claw the first, sure ones first."""
    shown = [index for index, (_, _, verdict) in enumerate(verdicts) if verdict.state == "shown"]
    # What rests on a doubtful photo does not push aside what is sure.
    first: dict[tuple[str, ClawName | None], int] = {}
    for index in sorted(shown, key=lambda each: verdicts[each][2].doubtful):
        rule, claw, _ = verdicts[index]
        first.setdefault((rule.family, claw), index)
    covered = {
        (family, verdicts[index][1])
        for index in first.values()
        if not verdicts[index][2].doubtful
        for family in verdicts[index][0].covers
    }
    return {index for key, index in first.items() if key not in covered}


def _claws(rule: Rule, evidence: FootEvidence) -> tuple[ClawName | None, ...]:
    if rule.claw == "each":
        return tuple(evidence.claws) or (None,)
    return (None if rule.claw == "foot" else rule.claw,)


def _verdict(rule: Rule, claw: ClawName | None, contexts: Sequence[Context]) -> _Verdict:
    first = contexts[-1]
    if not first.profile.judged:
        return _Verdict("cannot tell", "the profile judges nothing", first, absent=True)
    # A comparison of outer and inner means nothing where the claws could not be told apart as such.
    if rule.claw in ("outer", "inner") and rule.claw not in first.evidence.claws:
        return _Verdict("cannot tell", f"no claw is known to be the {rule.claw} one", first, absent=True)
    by_limb = [_settled(rule, claw, context) for context in contexts]
    state = combined([each.state for each in by_limb], every=rule.unknown_foot == "both")
    # Where the foot is unknown the limits of the last limb that says so are quoted (hind, if it does).
    return next(each for each in reversed(by_limb) if each.state == state)


def _settled(rule: Rule, claw: ClawName | None, context: Context) -> _Verdict:
    """Return the verdict by the surest values, and by those of photos that contradict them.

    What any photo shows is shown, though only doubtfully where the surest does not; what it does not show is not
    shown only where no photo leaves it open.
    """
    best = _by_conditions(rule, claw, context)
    rivals = [_by_conditions(rule, claw, each) for each in context.disputed()]
    others = [each for each in rivals if each.state != best.state]
    if best.state == "shown":
        return _Verdict("shown", best.why, context, disputed=bool(others), doubtful=_doubtful(rule, claw, context))
    against = [each for each in others if each.state == "shown"]
    if against:
        return _Verdict("shown", against[0].why, against[0].context, disputed=True, doubtful=True)
    if others and best.state == "not shown":
        return others[0]
    return best


def _doubtful(rule: Rule, claw: ClawName | None, context: Context) -> bool:
    quantities = (context.quantity(claw, each.quantity) for each in rule.when if isinstance(each, Condition))
    return any(each is not None and each.doubtful for each in quantities)


def _by_conditions(rule: Rule, claw: ClawName | None, context: Context) -> _Verdict:
    answers = [told(condition, claw, context) for condition in rule.when]
    state = combined([each for each, _, _ in answers], every=True)
    deciding = [(why, absent) for each, why, absent in answers if each == state]
    why = "; ".join(why for why, _ in deciding) if state == "shown" else deciding[0][0]
    return _Verdict(state, why, context, absent=deciding[0][1])


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


def told(condition: Condition | ContextCondition, claw: ClawName | None, context: Context) -> tuple[State, str, bool]:
    """Return the state of one condition, what says so, and whether something is missing for it."""
    if isinstance(condition, ContextCondition):
        known = _known(condition, context)
        if known is None:
            return "cannot tell", f"the {condition.context} is not known", True
        holds = bool(known & set(condition.among))
        return "shown" if holds else "not shown", f"{condition.context}: {', '.join(sorted(known))}", False
    quantity, limit = context.quantity(claw, condition.quantity), context.limit(condition.limit)
    if limit is None:
        return "cannot tell", f"the profile has no {condition.limit} for {context.limb} feet", True
    if quantity is None:
        return "cannot tell", f"no {condition.quantity} from these photos", True
    state = _state(condition, quantity, limit.value)
    words = {"shown": "is", "not shown": "is not", "cannot tell": "is not clearly"}[state]
    way = condition.is_.replace("_", " ")
    value = with_unit(quantity.value, quantity.uncertainty, quantity.unit)
    against = with_unit(limit.value, None, limit.unit)
    return state, f"{condition.quantity} {value} {words} {way} {condition.limit}, {against}", False


def _known(condition: ContextCondition, context: Context) -> set[str] | None:
    evidence = context.evidence
    if condition.context == "limb":
        return {context.limb}
    if condition.context == "stage":
        return {evidence.stage}
    if condition.context == "parity":
        return None if context.profile.parity is None else {context.profile.parity}
    if condition.context == "gait":
        return None if evidence.locomotion is None else {"lame" if evidence.locomotion >= LAME_FROM else "even"}
    return set(evidence.signs) or None


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
