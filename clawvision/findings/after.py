"""What a trim did: the foot as photographed after it, against the photos from before and against the profile."""

from __future__ import annotations

import math
from collections.abc import Collection, Sequence
from dataclasses import replace
from datetime import timedelta

from clawvision.findings.book import RuleBook
from clawvision.findings.evidence import CLAWS, FootEvidence
from clawvision.findings.profiles import Profile
from clawvision.findings.quantities import Context, Quantity, chain_row, limbs_of
from clawvision.findings.rules import Outcome, apply_rules
from clawvision.findings.urgency import seems_lame
from clawvision.findings.wording import Trace, fill, with_unit
from clawvision.types import AfterTrim, ClawName, State

_HARM = ("shortness",)
"""Families of rules that a trim can bring about itself."""
SAME_TRIM_DAYS = 7
"""Photos from before a trim are no older than this (status J)."""
_COMPARED = {
    "toe_length": ("toe", "shorter", "longer"),
    "toe_angle": ("toe angle", "flatter", "steeper"),
    "heel_height": ("heel", "lower", "higher"),
}
"""What is compared with the photos from before: its word, and what less and more of it are called."""


def after_trim(
    evidence: FootEvidence,
    profile: Profile,
    outcomes: Sequence[Outcome],
    book: RuleBook,
    *,
    differences: bool = True,
) -> AfterTrim | None:
    """Say what a trim achieved, what it did not, and what is now too short.

    Parameters
    ----------
    evidence
        The foot.
    profile
        What it was judged by.
    outcomes
        What the rules came to.
    book
        The rules.
    differences
        Whether to say by how much lengths and angles changed, each photo taken as independent; not wanted where a
        comparison of the photos themselves tells it better.

    Returns
    -------
    AfterTrim or None
        None unless the photos are of the stage ``after`` and the profile judges.
    """
    if evidence.stage != "after" or not profile.judged:
        return None
    before = _before(evidence)
    then = apply_rules(before, profile, book) if before is not None else ()
    trace = Trace()
    context = Context(evidence, profile, limbs_of(evidence)[-1])
    shorter = {claw for claw in CLAWS if before is not None and _shorter(claw, before, context)}
    achieved, open_, harm = _changes(then, outcomes, shorter, book, trace)
    if before is not None and differences:
        changed, unwanted, lowered = _differences(before, evidence, profile, trace)
        achieved, open_, harm = [*changed, *achieved], [*unwanted, *open_], [*lowered, *harm]
    days = _days_to_next_look(evidence, outcomes)
    fact = book.fact[days]
    expectation = [fill(book.say[key], context, None, book.fact, trace) for key in ("after_tender", "after_call", days)]
    return AfterTrim(
        achieved=tuple(achieved),
        open=tuple(open_),
        harm=tuple(harm),
        expectation=tuple(expectation),
        next_look=None if evidence.taken is None else (evidence.taken + timedelta(days=round(fact.value))).isoformat(),
        compared_with=before.photos if before is not None else (),
        chain=trace.rows(),
    )


def _before(evidence: FootEvidence) -> FootEvidence | None:
    earlier = evidence.earlier
    if earlier is None or earlier.taken is None or evidence.taken is None or earlier.stage == "after":
        return None
    return earlier if (evidence.taken - earlier.taken).days <= SAME_TRIM_DAYS else None


def _days_to_next_look(evidence: FootEvidence, outcomes: Sequence[Outcome]) -> str:
    if seems_lame(evidence):
        return "look_lame"
    shown = [each for each in outcomes if each.state == "shown"]
    return "look_soon" if any(each.rule.trim or each.rule.veterinarian for each in shown) else "look_usual"


def _state_of(outcomes: Sequence[Outcome], family: str, claw: ClawName | None) -> State:
    """Return whether a family of rules is shown for a claw; not shown only where nothing measured leaves it open."""
    own = [each for each in outcomes if each.rule.family == family and each.claw == claw]
    if any(each.state == "shown" for each in own):
        return "shown"
    if any(each.state == "cannot tell" and not each.absent for each in own):
        return "cannot tell"
    return "not shown" if any(each.state == "not shown" for each in own) else "cannot tell"


def _shorter(claw: ClawName, before: FootEvidence, context: Context) -> bool:
    old, new = (each.measured(claw, "toe_length") for each in (replace(context, evidence=before), context))
    if old is None or new is None:
        return False
    change = _change(old, new, claw)
    return change.value + change.uncertainty < 0.0


def _changes(
    then: Sequence[Outcome], now: Sequence[Outcome], shorter: Collection[ClawName | None], book: RuleBook, trace: Trace
) -> tuple[list[str], list[str], list[str]]:
    achieved: list[str] = []
    open_: list[str] = []
    harm: list[str] = []
    for family, claw in dict.fromkeys((each.rule.family, each.claw) for each in (*then, *now)):
        own = [each for each in now if (each.rule.family, each.claw) == (family, claw)]
        if own and all(each.state == "not shown" and each.absent for each in own):
            continue  # rows that are not for feet after a trim
        before, after = _state_of(then, family, claw), _state_of(now, family, claw)
        about = next(each.rule.about for each in (*then, *now) if (each.rule.family, each.claw) == (family, claw))
        what = f"{claw.capitalize()} claw, {about}" if claw else f"{about[0].upper()}{about[1:]}"
        if after == "shown":
            found = next((each.finding for each in own if each.finding is not None), None)
            if found is None:
                continue  # the row that covers this family speaks of it
            trace.extend(found.chain)
            # What was short before and was left as long was not done by the trim.
            worse = before == "not shown" if family == "proportion" else before != "shown" or claw in shorter
            worse = worse and family in (*_HARM, "proportion")
            (harm if worse else open_).append(f"{what}: {found.text}")
        elif before == "shown":
            key = "after_gone" if after == "not shown" else "after_unclear"
            (achieved if after == "not shown" else open_).append(book.say[key].replace("<what>", what))
    return achieved, open_, harm


def _differences(
    before: FootEvidence, after: FootEvidence, profile: Profile, trace: Trace
) -> tuple[list[str], list[str], list[str]]:
    """Return what changed by more than the uncertainty of the difference: as meant, not as meant, and heels lowered.

    Each photo is taken as independent of the other.
    """
    limb = limbs_of(after)[-1]
    changed: list[str] = []
    unwanted: list[str] = []
    lowered: list[str] = []
    for claw in CLAWS:
        for name, (word, less, more) in _COMPARED.items():
            old, new = (Context(each, profile, limb).measured(claw, name) for each in (before, after))
            if old is None or new is None:
                continue
            change = _change(old, new, f"{claw} {name}")
            if abs(change.value) <= change.uncertainty:
                continue
            trace.extend(change.trace)
            way = more if change.value > 0.0 else less
            size = with_unit(abs(change.value), change.uncertainty, change.unit)
            text = f"{claw.capitalize()} claw: the {word} is {size} {way} than before."
            worse = change.value > 0.0 if name == "toe_length" else change.value < 0.0
            # The heel is to be spared, whatever else is done.
            (changed if not worse else lowered if name == "heel_height" else unwanted).append(text)
    return changed, unwanted, lowered


def _change(old: Quantity, new: Quantity, label: str) -> Quantity:
    value = new.value - old.value
    uncertainty = math.hypot(new.uncertainty, old.uncertainty)
    own = chain_row(
        f"{label} now − before", value, uncertainty, new.unit, source="computed", status="C", formula="now − before"
    )
    return Quantity(value, uncertainty, new.unit, False, (own, *new.trace, *old.trace))
