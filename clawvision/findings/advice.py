"""How soon somebody must lift a foot, and what is said about trimming it. No length to cut is ever given."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from clawvision.findings.evidence import CLAWS, FootEvidence
from clawvision.findings.profiles import Profile
from clawvision.findings.quantities import Context, limbs_of
from clawvision.findings.rules import Level, ObservedRow, Outcome, TextRow, rule_book
from clawvision.findings.wording import fill
from clawvision.types import ClawName, Trim, Urgency

LEVELS: tuple[Level, ...] = (
    "no sign in the photo",
    "unknown",
    "at the next trim",
    "this week",
    "within 48 hours",
    "today",
)
"""From least to most urgent. For several feet together, not knowing about one outweighs no sign in another."""

_LAME_FROM = 2
_VERY_LAME_FROM = 4
_MOST_FOR_DOUBTFUL: Level = "at the next trim"
"""A finding that rests on a photo which a person has to look at first brings a foot forward no further."""


def most_urgent(levels: Sequence[Level]) -> Level:
    """Return the most urgent of ``levels``, or ``unknown`` where there are none."""
    return max(levels, key=LEVELS.index, default="unknown")


def seems_lame(evidence: FootEvidence) -> bool:
    """Return whether a person scored the gait as uneven or saw a sign on the foot."""
    return bool(evidence.signs) or (evidence.locomotion or 0) >= _LAME_FROM


def observed_rows(evidence: FootEvidence) -> tuple[tuple[ObservedRow, str], ...]:
    """Return the rows for what a person saw, each with the value it stands for."""
    seen = [("sign", str(sign)) for sign in evidence.signs]
    if evidence.locomotion is not None:
        seen.insert(0, ("locomotion", str(evidence.locomotion)))
    return tuple(
        (row, value) for kind, value in seen for row in rule_book().observed if row.kind == kind and value in row.values
    )


def foot_urgency(evidence: FootEvidence, profile: Profile, outcomes: Sequence[Outcome]) -> Urgency:
    """Combine findings, signs and gait into one level.

    Parameters
    ----------
    evidence
        The foot.
    profile
        What it was judged by.
    outcomes
        What the rules came to.

    Returns
    -------
    Urgency
        ``unknown`` where no rule could be decided and nobody saw anything. A photo without findings yields
        ``no sign in the photo``, which is not to say that the foot is well.
    """
    say, lame = rule_book().say, seems_lame(evidence)
    levels: list[Level] = []
    reasons: list[str] = []
    for row, value in observed_rows(evidence):
        # An even gait is no knowledge of the claws: alone it leaves the level unknown.
        if row.urgency != LEVELS[0]:
            levels.append(row.urgency)
        reasons.append(row.text.format(value=value))
    for outcome in outcomes:
        if outcome.state == "cannot tell":
            continue
        levels.append(_level(outcome, lame) if outcome.state == "shown" else LEVELS[0])
        if outcome.state == "shown":
            whose = f"{outcome.claw} claw" if outcome.claw else "both claws"
            reasons.append(f"{whose.capitalize()}: {outcome.rule.code.replace('_', ' ')}.")
    level = most_urgent(levels)
    at_least = evidence.locomotion is None and level != "today"
    text = [say[level]]
    if at_least:
        text.append(say["no_gait"])
    elif level == LEVELS[0]:
        text.append(say["not_proof"])
    return Urgency(level, at_least, " ".join(text), (*reasons, *_doubts(evidence, profile, outcomes)))


def _level(outcome: Outcome, lame: bool) -> Level:
    level = outcome.rule.urgency
    if lame and outcome.rule.urgency_if_lame:
        level = outcome.rule.urgency_if_lame
    return level if outcome.firm else min(level, _MOST_FOR_DOUBTFUL, key=LEVELS.index)


def _doubts(evidence: FootEvidence, profile: Profile, outcomes: Sequence[Outcome]) -> tuple[str, ...]:
    say = rule_book().say
    doubts = list(evidence.notes)
    if evidence.review_photos:
        doubts.append(say["review"].format(photos=", ".join(evidence.review_photos)))
    if evidence.refused_photos:
        doubts.append(say["refused"].format(photos=", ".join(evidence.refused_photos)))
    if not profile.judged:
        return (*doubts, say["not_judged"].format(title=profile.title))
    decided = {outcome.rule.about for outcome in outcomes if outcome.state != "cannot tell"}
    open_ = [about for about in dict.fromkeys(each.rule.about for each in outcomes) if about not in decided]
    if open_:
        doubts.append(say["open"].format(what="; ".join(open_)))
    return tuple(doubts)


def foot_trim(evidence: FootEvidence, profile: Profile, outcomes: Sequence[Outcome]) -> Trim:
    """Say what can be said about trimming a foot: cautions, never a length or a line.

    Returns
    -------
    Trim
        ``veterinarian`` is True where one has to see the foot first: for a firm finding of a claw that is
        twisted, concave or far out of proportion, and for grave signs or gait.
    """
    shown = [outcome for outcome in outcomes if outcome.state == "shown"]
    veterinarian = any(each.rule.veterinarian and each.firm for each in shown) or any(
        row.veterinarian for row, _ in observed_rows(evidence)
    )
    cases = _trim_cases(evidence, profile, outcomes)
    if veterinarian:
        cases["veterinarian"] = ()
    locomotion = evidence.locomotion or 0
    cautions = {"always"}
    cautions |= {"horn"} if shown else set()
    cautions |= (
        {"lame"} if seems_lame(evidence) or any(each.rule.code == "out_of_proportion" for each in shown) else set()
    )
    cautions |= {"very_lame"} if locomotion >= _VERY_LAME_FROM else set()
    cautions |= {"veterinarian"} if veterinarian else set()
    context = Context(evidence, profile, limbs_of(evidence)[-1])
    book = rule_book()
    return Trim(
        text=_sentences(book.trim, cases, context),
        cautions=_sentences(book.caution, dict.fromkeys(cautions, ()), context),
        veterinarian=veterinarian,
    )


def _trim_cases(
    evidence: FootEvidence, profile: Profile, outcomes: Sequence[Outcome]
) -> dict[str, tuple[ClawName, ...]]:
    """Return the cases of the table of sentences on trimming that apply, each with the claws it is about."""
    if not profile.judged:
        return {"not_judged": ()}
    shown = [outcome for outcome in outcomes if outcome.state == "shown"]
    measured = [claw for claw in CLAWS if "toe_length" in evidence.claws.get(claw, {})]
    # A claw under doubt is spared as if the doubt were true; only calling a veterinarian waits for the look.
    no_line = [claw for claw in CLAWS if any(each.claw == claw and "no_line" in each.rule.trim for each in shown)]
    short = [claw for claw in CLAWS if any(each.claw == claw and "short" in each.rule.trim for each in shown)]
    above = {each.claw for each in outcomes if each.rule.id == "at-minimum" and each.state == "not shown"}
    no_minimum = any(profile.value(limb, "toe_length_minimum") is None for limb in limbs_of(evidence))
    open_ = [claw for claw in measured if claw not in above and claw not in short]
    cases: dict[str, tuple[ClawName, ...]] = {
        "no_line": tuple(no_line),
        "short": tuple(short),
        "minimum_unknown" if no_minimum else "perhaps_short": tuple(open_),
        "ordinary": tuple(claw for claw in measured if claw not in {*no_line, *short, *open_}),
    }
    cases = {case: claws for case, claws in cases.items() if claws}
    if not measured:
        cases["length_unknown"] = ()
    if any(not each.firm for each in shown):
        cases["doubtful"] = ()
    if any(each.rule.family == "apparent" for each in shown):
        cases["apparent"] = ()
    return cases


def _sentences(rows: Sequence[TextRow], cases: Mapping[str, tuple[ClawName, ...]], context: Context) -> tuple[str, ...]:
    texts: list[str] = []
    for row in rows:
        case = next((each for each in row.when if each in cases), None)
        if case is not None:
            claws = ", ".join(f"{claw} claw" for claw in cases[case])
            texts.append(fill(row.text, context, None, rule_book().fact).replace("<claws>", claws))
    return tuple(texts)
