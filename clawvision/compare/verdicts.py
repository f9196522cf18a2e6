"""What a trim came to, asked of the rule book: every limit is a profile's, every comparison a rule's.

An answer is *yes*, *no*, *too close to call* where a limit lies inside the value's uncertainty, or *not known* where
something was not measured.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import date
from typing import Any

from clawvision.compare.change import Change
from clawvision.compare.models import Answer
from clawvision.compare.pairs import Trimmed
from clawvision.findings.after import after_trim
from clawvision.findings.assess import judge_foot
from clawvision.findings.book import Condition, Rule, RuleBook
from clawvision.findings.evidence import group_feet
from clawvision.findings.patterns import JudgedFoot
from clawvision.findings.profiles import Profile
from clawvision.findings.quantities import Context, limbs_of, profile_row
from clawvision.findings.rules import Outcome, apply_rules, told
from clawvision.findings.wording import with_unit
from clawvision.types import AfterTrim, ClawName, PhotoFacts, State

_CLAWS: tuple[ClawName, ...] = ("outer", "inner")
_ANSWERS: dict[State, Answer] = {"shown": "yes", "cannot tell": "too close to call", "not shown": "no"}
"""In the order in which one of several conditions decides."""

_LOWERED: dict[int, Answer] = {-1: "yes", 0: "too close to call", 1: "no"}
_TURNED: dict[Answer, Answer] = {"yes": "no", "no": "yes"}


@dataclass(frozen=True, slots=True)
class Verdict:
    """A question, its answer, and what decided it."""

    question: str
    claw: ClawName | None
    answer: Answer
    text: str
    why: tuple[str, ...]
    look_first: bool
    chain: tuple[Mapping[str, Any], ...] = ()


@dataclass(frozen=True, slots=True, eq=False)
class Judged:
    """A foot before and after a trim, as the rules see it."""

    before: JudgedFoot
    after: JudgedFoot
    after_trim: AfterTrim | None
    book: RuleBook


def judge(trimmed: Trimmed, facts: Mapping[str, PhotoFacts], profile: Profile, book: RuleBook) -> Judged:
    """Judge all photos of a foot from before a trim, and all from after it.

    Parameters
    ----------
    trimmed
        The foot.
    facts
        Of its photos, by name.
    profile, book
        What it is judged by.

    Returns
    -------
    Judged
        Photos from before count as of the latest of their days, those from after as of the earliest of theirs, so
        that photos taken over some days are seen together.
    """
    days = days_of(trimmed)
    shots = (trimmed.before, trimmed.after)
    moved = [
        replace(facts[each.photo.photo], taken=day.isoformat())
        for day, side in zip(days, shots, strict=True)
        for each in side
    ]
    before, after = (judge_foot(each, profile, book) for each in group_feet(moved))
    told_after = after_trim(after.evidence, profile, after.outcomes, book, differences=False)
    return Judged(before, after, told_after, book)


def days_of(trimmed: Trimmed) -> tuple[date, date]:
    """Return the day of the latest photo from before and of the earliest from after."""
    return max(each.day for each in trimmed.before), min(each.day for each in trimmed.after)


def verdicts(judged: Judged, heel_change: Mapping[ClawName, Change]) -> tuple[Verdict, ...]:
    """Return the answers for one foot.

    Parameters
    ----------
    judged
        The foot.
    heel_change
        Change of the heel's height of each claw, after less before, where both were measured.
    """
    found: list[Verdict] = []
    for claw in _CLAWS:
        if claw not in judged.after.evidence.claws:
            continue
        found += [_too_short(judged, claw), _heel(judged, claw, heel_change.get(claw)), _angle(judged, claw)]
        found.append(_twist(judged, claw))
    return (*found, _unequal(judged), _matched(judged))


def advice(judged: Judged) -> tuple[bool, tuple[str, ...], tuple[str, ...]]:
    """Return whether a veterinarian has to see the foot, what is said about trimming, and the cautions.

    What held before the trim holds on: a claw that was twisted, hollow or far out of proportion then may be so inside
    whatever it looks like now.
    """
    before, after = judged.before, judged.after
    marked = [
        claw
        for claw in _CLAWS
        if any(
            each.claw == claw and each.state == "shown" and "no_line" in each.rule.trim
            for each in (*before.outcomes, *after.outcomes)
        )
    ]
    # How much toe lies beyond the minimum is asked before a trim.
    asked_before = [
        row.text.partition("<claws>")[0] for row in judged.book.trim if {"ordinary", "unclear"} & {*row.when}
    ]
    texts = [text for text in after.result.trim.text if not text.startswith(tuple(asked_before))]
    if marked and not any("no_line" in each.rule.trim and each.state == "shown" for each in after.outcomes):
        row = next(each.text for each in judged.book.trim if "no_line" in each.when)
        texts.append(row.replace("<claws>", ", ".join(f"{claw} claw" for claw in marked)))
    veterinarian = before.result.trim.veterinarian or after.result.trim.veterinarian
    if veterinarian and not after.result.trim.veterinarian:
        texts.insert(0, next(each.text for each in judged.book.trim if "veterinarian" in each.when))
    both = (*after.result.trim.cautions, *before.result.trim.cautions)
    return veterinarian, tuple(texts), tuple(dict.fromkeys(both))


def _too_short(judged: Judged, claw: ClawName) -> Verdict:
    outcomes = _of(judged, [rule for rule in judged.book.rule if rule.family == "shortness"], claw)
    answer = _answer(outcomes)
    text = {
        "yes": f"The toe of the {claw} claw is now at or under the minimum: it is not to be shortened any more.",
        "no": f"The toe of the {claw} claw is longer than the minimum. The sole decides, not the length.",
        "too close to call": f"Whether the toe of the {claw} claw is now too short is too close to call: leave it.",
        "not known": f"Whether the toe of the {claw} claw is now too short is not known.",
    }[answer]
    return _verdict("toe_too_short", claw, answer, text, outcomes, judged, ("toe_length",))


def _heel(judged: Judged, claw: ClawName, change: Change | None) -> Verdict:
    rows = [rule for rule in judged.book.rule if _on(rule, "heel_height", "heel_height_minimum")]
    # A low heel on a shallow claw is a row of two conditions; here only the heel is asked about.
    outcomes = [each for each in _of(judged, rows, claw) if len(each.rule.when) == 1]
    low = _answer(outcomes)
    lowered: Answer = "not known"
    why = "the heel was not measured before and after"
    if change is not None:
        lowered = _LOWERED[change.sign]
        why = f"heel_height now − before {with_unit(change.value, change.uncertainty, 'mm')}"
    answer = _both(lowered, low)
    text = {
        "yes": f"The heel of the {claw} claw was lowered and is under the minimum: heels are to be spared.",
        "no": f"The heel of the {claw} claw was not lowered to under the minimum.",
        "too close to call": f"Whether the heel of the {claw} claw was lowered to under the minimum is too close to "
        "call.",
        "not known": f"Whether the heel of the {claw} claw was lowered to under the minimum is not known.",
    }[answer]
    found = _verdict("heel_lowered", claw, answer, text, outcomes, judged, ("heel_height",))
    return replace(found, why=(why, *found.why))


def _angle(judged: Judged, claw: ClawName) -> Verdict:
    context = _context(judged)
    asked = (
        Condition.model_validate({"quantity": "toe_angle", "is": "below", "limit": "toe_angle_usual_low"}),
        Condition.model_validate({"quantity": "toe_angle", "is": "above", "limit": "toe_angle_usual_high"}),
    )
    answers = [told(each, claw, context) for each in asked]
    outside: Answer = _of_states([(each.state, each.absent) for each in answers])
    answer: Answer = _TURNED.get(outside, outside)
    text = {
        "yes": f"The toe angle of the {claw} claw is in the usual range.",
        "no": f"The toe of the {claw} claw is {'flatter' if answers[0].state == 'shown' else 'steeper'} than usual.",
        "too close to call": f"Whether the toe angle of the {claw} claw is in the usual range is too close to call.",
        "not known": f"Whether the toe angle of the {claw} claw is in the usual range is not known.",
    }[answer]
    limits = [context.limit(each.limit) for each in asked]
    rows = tuple(profile_row(each, context.profile, context.limb) for each in limits if each is not None)
    found = _verdict("angle_usual", claw, answer, text, (), judged, ("toe_angle",))
    return replace(found, why=tuple(each.why for each in answers), chain=(*found.chain, *rows))


def _twist(judged: Judged, claw: ClawName) -> Verdict:
    outcomes = _of(judged, [rule for rule in judged.book.rule if rule.family == "twist"], claw)
    answer = _answer(outcomes)
    text = {
        "yes": f"The {claw} claw is still twisted: small steps, and a veterinarian before more horn is taken.",
        "no": f"No twist beyond the usual shows on the {claw} claw now.",
        "too close to call": f"Whether the {claw} claw is still twisted is too close to call.",
        "not known": f"Whether the {claw} claw is still twisted is not known.",
    }[answer]
    return _verdict("still_twisted", claw, answer, text, outcomes, judged, ("helical_twist", "axial_twist"))


def _unequal(judged: Judged) -> Verdict:
    rows = [
        rule
        for rule in judged.book.rule
        if rule.family == "proportion" and _asks(rule, {"outer_excess", "inner_excess"})
    ]
    outcomes = [each for claw in _CLAWS for each in _of(judged, rows, claw)]
    answer = _answer(outcomes)
    text = {
        "yes": "One claw is still longer than an ordinary difference between the two explains.",
        "no": "Neither sole is longer than an ordinary difference between the claws explains.",
        "too close to call": "Whether the claws are still unequal is too close to call.",
        "not known": "Whether the claws are still unequal is not known: it needs a sole photo from after the trim.",
    }[answer]
    return _verdict("still_unequal", None, answer, text, outcomes, judged, ("length_difference",))


def _matched(judged: Judged) -> Verdict:
    rows = [rule for rule in judged.book.rule if rule.family == "proportion" and _asks(rule, {"toe_over_partner"})]
    outcomes = [each for claw in _CLAWS for each in _of(judged, rows, claw)]
    apart = _answer(outcomes)
    answer: Answer = _TURNED.get(apart, apart)
    text = {
        "yes": "The toes of the outer and the inner claw are about equally long.",
        "no": "The toe of one claw is longer than the other's. The shorter one is no measure for it.",
        "too close to call": "Whether the outer claw's toe now matches the inner one's is too close to call.",
        "not known": "Whether the outer claw's toe now matches the inner one's is not known: it needs a side photo of "
        "each claw.",
    }[answer]
    return _verdict("outer_matched_to_inner", None, answer, text, outcomes, judged, ("toe_length",))


def _on(rule: Rule, quantity: str, limit: str) -> bool:
    return any(isinstance(each, Condition) and (each.quantity, each.limit) == (quantity, limit) for each in rule.when)


def _asks(rule: Rule, quantities: set[str]) -> bool:
    return any(isinstance(each, Condition) and each.quantity in quantities for each in rule.when)


def _context(judged: Judged) -> Context:
    evidence = judged.after.evidence
    return Context(evidence, judged.after.profile, limbs_of(evidence)[-1])


def _of(judged: Judged, rows: Sequence[Rule], claw: ClawName) -> list[Outcome]:
    """Apply each row by itself, since within a family only the first that is shown would be told."""
    after = judged.after
    found = [
        outcome
        for row in rows
        for outcome in apply_rules(after.evidence, after.profile, judged.book.model_copy(update={"rule": [row]}))
    ]
    return [each for each in found if each.claw == claw]


def _answer(outcomes: Iterable[Outcome]) -> Answer:
    outcomes = list(outcomes)
    needed = [each for each in outcomes if each.absent and each.rule.rule_out]
    answer = _of_states([(each.state, each.absent) for each in outcomes])
    # What has to be ruled out and was not measured is not ruled out.
    return "not known" if answer == "no" and needed else answer


def _of_states(states: Sequence[tuple[State, bool]]) -> Answer:
    """Return the answer of any of several conditions; what was not measured leaves it to the others."""
    present = [state for state, absent in states if not absent]
    return next((_ANSWERS[state] for state in _ANSWERS if state in present), "not known")


def _both(one: Answer, other: Answer) -> Answer:
    """Return the answer to two conditions that both have to hold: one no is enough."""
    order: tuple[Answer, ...] = ("no", "not known", "too close to call", "yes")
    return next(answer for answer in order if answer in (one, other))


def _verdict(
    question: str,
    claw: ClawName | None,
    answer: Answer,
    text: str,
    outcomes: Sequence[Outcome],
    judged: Judged,
    measures: Sequence[str],
) -> Verdict:
    context = _context(judged)
    chain: list[Mapping[str, Any]] = []
    doubtful = False
    for name in measures:
        for whose in (claw,) if claw else (None, *_CLAWS):
            quantity = context.measured(whose, name)
            if quantity is not None:
                chain += quantity.trace
                doubtful = doubtful or quantity.doubtful
    for each in outcomes:
        for condition in each.rule.when:
            limit = context.limit(condition.limit) if isinstance(condition, Condition) else None
            if limit is not None:
                chain.append(profile_row(limit, context.profile, context.limb))
    kept = [row for index, row in enumerate(chain) if row not in chain[:index]]
    why = tuple(dict.fromkeys(each.why for each in outcomes if not each.absent or answer == "not known"))
    return Verdict(question, claw, answer, text, why, doubtful, tuple(kept))
