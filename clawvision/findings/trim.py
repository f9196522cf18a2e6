"""What is said about trimming a foot: how much toe lies beyond the minimum, in what order to work, and the cautions.

Nothing here gives a line, or a length to cut to. On a claw whose inside may have changed no figure is given at all.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence

from clawvision.findings.book import RuleBook, Step, TextRow
from clawvision.findings.evidence import CLAWS, FootEvidence
from clawvision.findings.profiles import Profile
from clawvision.findings.quantities import Context, Quantity, chain_row, limbs_of, profile_row
from clawvision.findings.rules import Outcome
from clawvision.findings.urgency import observed_rows, seems_lame
from clawvision.findings.wording import Trace, fill
from clawvision.types import ClawName, Spare, Trim

_VERY_LAME_FROM = 4
_LAME_ENOUGH_TO_LOOK_FIRST = 3
"""From this gait on, or with any sign, what hurts is looked for before horn is thought of (status J)."""


def foot_trim(evidence: FootEvidence, profile: Profile, outcomes: Sequence[Outcome], book: RuleBook) -> Trim:
    """Say what can be said about trimming a foot.

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

    Returns
    -------
    Trim
        ``veterinarian`` is True where one has to see the foot first: for a finding of a claw that is twisted, concave
        or far out of proportion, and for grave signs or gait. ``spare`` holds a range only for a claw that is shown
        to be an ordinary one, longer than the minimum, on a foot that nothing else speaks against.
    """
    shown = [outcome for outcome in outcomes if outcome.state == "shown"]
    # Where only a photo that the surest does not bear out shows it, a look at both comes first.
    veterinarian = any(each.rule.veterinarian and each.firm and not each.aside for each in shown) or any(
        row.veterinarian for row, _ in observed_rows(evidence, book)
    )
    spare = {claw: _spare(claw, evidence, profile, outcomes, veterinarian, book) for claw in _measured(evidence)}
    cases = _cases(evidence, profile, outcomes, spare)
    if veterinarian:
        cases["veterinarian"] = ()
    context = Context(evidence, profile, limbs_of(evidence)[-1])
    trace = Trace()
    unsure = any(_not_ruled_out(each) for each in outcomes if each.claw in spare)
    manners = _manners(evidence, profile, cases, veterinarian=veterinarian, unsure=unsure)
    steps = [each for manner in manners for each in book.step if each.when == manner and _applies(each, context)]
    return Trim(
        text=_sentences(book.trim, cases, context, book, trace),
        cautions=_sentences(book.caution, _cautions(evidence, shown, veterinarian), context, book, trace),
        veterinarian=veterinarian,
        spare=spare,
        steps=_filled(steps, "step", context, book, trace),
        slow_down=_filled(steps, "slow_down", context, book, trace),
        feel_for=_filled(steps, "feel_for", context, book, trace),
        chain=trace.rows(),
    )


def _measured(evidence: FootEvidence) -> list[ClawName]:
    return [claw for claw in CLAWS if "toe_length" in evidence.claws.get(claw, {})]


def _cautions(evidence: FootEvidence, shown: Sequence[Outcome], veterinarian: bool) -> dict[str, tuple[ClawName, ...]]:
    lame = seems_lame(evidence) or any(each.rule.code == "out_of_proportion" for each in shown)
    holds = {
        "always": True,
        "horn": bool(shown),
        "lame": lame,
        "very_lame": (evidence.locomotion or 0) >= _VERY_LAME_FROM,
        "veterinarian": veterinarian,
    }
    return {case: () for case, held in holds.items() if held}


def _manners(
    evidence: FootEvidence,
    profile: Profile,
    cases: Mapping[str, tuple[ClawName, ...]],
    *,
    veterinarian: bool,
    unsure: bool,
) -> tuple[str, ...]:
    """Return which of the rows on the work apply, see ``rules.toml``.

    Where a claw is not known to be an ordinary one, nothing is said of shortening it.
    """
    if evidence.stage == "after" or not profile.judged:
        return ()
    first = ("first",) if veterinarian or _hurts(evidence) else ()
    if "no_line" in cases:
        return (*first, "careful")
    if veterinarian:
        return first
    if {"short", "perhaps_short", "length_unknown"} & set(cases):
        return (*first, "keep")
    return (*first, "unsure", "keep") if unsure else (*first, "usual")


def _hurts(evidence: FootEvidence) -> bool:
    return bool(evidence.signs) or (evidence.locomotion or 0) >= _LAME_ENOUGH_TO_LOOK_FIRST


def _cases(
    evidence: FootEvidence, profile: Profile, outcomes: Sequence[Outcome], spare: Mapping[ClawName, Spare]
) -> dict[str, tuple[ClawName, ...]]:
    """Return the cases of the table of sentences on trimming that apply, each with the claws it is about."""
    if not profile.judged:
        return {"not_judged": ()}
    shown = [outcome for outcome in outcomes if outcome.state == "shown"]
    measured = _measured(evidence)
    # A claw under doubt is spared as if the doubt were true; only calling a veterinarian waits for the look.
    no_line = [claw for claw in CLAWS if _marked(claw, "no_line", shown)]
    short = [claw for claw in CLAWS if _marked(claw, "short", shown)]
    no_minimum = any(profile.value(limb, "toe_length_minimum") is None for limb in limbs_of(evidence))
    open_ = [claw for claw in measured if claw not in _above_minimum(outcomes) and claw not in short]
    perhaps = [claw for claw in open_ if not no_minimum or _perhaps_short(claw, outcomes)]
    cases: dict[str, tuple[ClawName, ...]] = {
        "no_line": tuple(no_line),
        "short": tuple(short),
        "perhaps_short": tuple(perhaps),
        "minimum_unknown": tuple(claw for claw in open_ if claw not in perhaps),
        "ordinary": tuple(claw for claw in measured if spare[claw].reason is None),
        "unclear": tuple(claw for claw in measured if spare[claw].reason and claw not in {*no_line, *short, *open_}),
    }
    cases = {case: claws for case, claws in cases.items() if claws}
    if not measured:
        cases["length_unknown"] = ()
    if any(not each.firm or each.aside for each in shown):
        cases["doubtful"] = ()
    if any(each.rule.family == "apparent" for each in shown):
        cases["apparent"] = ()
    return cases


def _marked(claw: ClawName, mark: str, shown: Sequence[Outcome]) -> bool:
    return any(each.claw == claw and mark in each.rule.trim for each in shown)


def _above_minimum(outcomes: Sequence[Outcome]) -> set[ClawName | None]:
    """Return the claws of which every row on shortness says that they are longer than its limit."""
    rows = [each for each in outcomes if "short" in each.rule.trim]
    return {each.claw for each in rows} - {each.claw for each in rows if each.state != "not shown"}


def _perhaps_short(claw: ClawName, outcomes: Sequence[Outcome]) -> bool:
    """Return whether a limit that is known, such as the floor, lies within the uncertainty of the length."""
    rows = [each for each in outcomes if "short" in each.rule.trim and each.claw == claw]
    return any(each.state == "cannot tell" and not each.absent for each in rows)


def _spare(
    claw: ClawName,
    evidence: FootEvidence,
    profile: Profile,
    outcomes: Sequence[Outcome],
    veterinarian: bool,
    book: RuleBook,
) -> Spare:
    """Return how much toe lies beyond the minimum, or why that is not said."""
    say = book.say
    shown = [each for each in outcomes if each.state == "shown"]
    limbs = limbs_of(evidence)
    context = Context(evidence, profile, limbs[-1])
    length, minimum = context.measured(claw, "toe_length"), context.limit("toe_length_minimum")
    own = [each for each in outcomes if each.claw == claw]
    # A photo under review does not show that a claw is an ordinary one.
    doubtful = length is None or length.doubtful or not all(each.firm for each in own if each.rule.rule_out)
    # A veterinarian who might have to see the other claw first would see this foot: none of it is measured out.
    leaning = [each for each in outcomes if each.rule.veterinarian and each.leans]
    unclear = dict.fromkeys(each.rule.about for each in (*(each for each in own if _not_ruled_out(each)), *leaning))
    reason = next(
        (
            text
            for holds, text in (
                (not profile.judged, say["spare_not_judged"]),
                (veterinarian, say["spare_veterinarian"]),
                (_marked(claw, "no_line", shown), say["spare_no_line"]),
                (_hurts(evidence), say["spare_lame"]),
                (evidence.stage == "after", say["spare_after"]),
                (doubtful or _disputed(evidence, claw), say["spare_doubtful"]),
                (len(limbs) > 1, say["spare_foot_unknown"]),
                (minimum is None, say["spare_no_minimum"]),
                (_marked(claw, "short", shown), say["spare_short"]),
                (claw not in _above_minimum(outcomes), say["spare_perhaps_short"]),
                (bool(unclear), say["spare_unclear"].format(what="; ".join(unclear))),
            )
            if holds
        ),
        None,
    )
    if reason is not None:
        return Spare(None, None, reason=reason)
    assert length is not None and minimum is not None  # both were reasons
    return _range(length, context)


def _not_ruled_out(outcome: Outcome) -> bool:
    """Return whether a row leaves it open that the inside of its claw has changed.

    A row of ``rule_out`` has to be known not to be shown; any other that gives no line must not be too close to call,
    since a wider uncertainty is no reason to give a figure.
    """
    if outcome.rule.rule_out:
        return outcome.state != "not shown"
    return "no_line" in outcome.rule.trim and outcome.state == "cannot tell" and not outcome.absent


def _disputed(evidence: FootEvidence, claw: ClawName) -> bool:
    return bool(evidence.claws[claw]["toe_length"].rivals)


def _range(length: Quantity, context: Context) -> Spare:
    minimum, spread = context.limit("toe_length_minimum"), context.limit("toe_length_minimum_spread")
    assert minimum is not None  # looked at by the caller
    value = length.value - minimum.value
    uncertainty = math.hypot(length.uncertainty, spread.value if spread else 0.0)
    least, most = max(value - uncertainty, 0.0), value + uncertainty
    formula = "toe_length − toe_length_minimum, ± both uncertainties"
    own = chain_row("spare", value, uncertainty, "mm", source="computed", status="C", formula=formula)
    limits = [profile_row(each, context.profile, context.limb) for each in (minimum, spread) if each]
    return Spare(least, most, "mm", minimum.value, (own, *length.trace, *limits))


def _applies(step: Step, context: Context) -> bool:
    if context.limb not in step.limb:
        return False
    claw = _claw_of(step)
    return all(context.quantity(claw, name) is not None or context.limit(name) is not None for name in step.needs)


def _claw_of(step: Step) -> ClawName | None:
    return None if step.claw == "foot" else step.claw


def _filled(steps: Sequence[Step], kind: str, context: Context, book: RuleBook, trace: Trace) -> tuple[str, ...]:
    return tuple(fill(each.text, context, _claw_of(each), book.fact, trace) for each in steps if each.kind == kind)


def _sentences(
    rows: Sequence[TextRow], cases: Mapping[str, tuple[ClawName, ...]], context: Context, book: RuleBook, trace: Trace
) -> tuple[str, ...]:
    texts: list[str] = []
    for row in rows:
        case = next((each for each in row.when if each in cases), None)
        if case is not None:
            claws = ", ".join(f"{claw} claw" for claw in cases[case])
            texts.append(fill(row.text, context, None, book.fact, trace).replace("<claws>", claws))
    return tuple(texts)
