"""How soon somebody must lift a foot, why, and what to ask before anything else."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import get_args

from clawvision.findings.book import ObservedRow, Question, Rule, RuleBook
from clawvision.findings.evidence import FootEvidence
from clawvision.findings.profiles import Profile
from clawvision.findings.rules import LAME_FROM, Outcome
from clawvision.types import Level, OpenQuestion, Sign, Urgency

LEVELS: tuple[Level, ...] = (
    "no sign in the photo",
    "unknown",
    "at the next trim",
    "this week",
    "within 48 hours",
    "today",
)
"""From least to most urgent. For several feet together, not knowing about one outweighs no sign in another."""

_MOST_FOR_DOUBTFUL: Level = "at the next trim"
"""A finding that rests on a photo which a person has to look at first brings a foot forward no further."""
_WORST_GAIT = 5
_ALL_SIGNS: tuple[Sign, ...] = get_args(Sign)


def most_urgent(levels: Sequence[Level]) -> Level:
    """Return the most urgent of ``levels``, or ``unknown`` where there are none."""
    return max(levels, key=LEVELS.index, default="unknown")


def seems_lame(evidence: FootEvidence) -> bool:
    """Return whether a person scored the gait as uneven or saw a sign on the foot."""
    return bool(evidence.signs) or (evidence.locomotion or 0) >= LAME_FROM


def observed_rows(evidence: FootEvidence, book: RuleBook) -> tuple[tuple[ObservedRow, str], ...]:
    """Return the rows for what a person saw, each with the value it stands for."""
    seen = [("sign", str(sign)) for sign in evidence.signs]
    if evidence.signs:
        seen.append(("sore feet", str(evidence.sore_feet)))
    if evidence.locomotion is not None:
        seen.insert(0, ("locomotion", str(evidence.locomotion)))
    return tuple(
        (row, value) for kind, value in seen for row in book.observed if row.kind == kind and value in row.values
    )


def foot_urgency(evidence: FootEvidence, profile: Profile, outcomes: Sequence[Outcome], book: RuleBook) -> Urgency:
    """Combine findings, signs and gait into one level.

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
    Urgency
        ``unknown`` where no rule could be decided and nobody saw anything. A photo without findings yields
        ``no sign in the photo``, which is not to say that the foot is well.
    """
    level = _level(evidence, outcomes, book)
    at_least = evidence.locomotion is None and level != LEVELS[-1]
    reasons = [row.text.format(value=value) for row, value in observed_rows(evidence, book)]
    for outcome in outcomes:
        if outcome.finding is not None:
            whose = f"{outcome.claw} claw" if outcome.claw else "both claws"
            reasons.append(f"{whose.capitalize()}: {outcome.rule.title}.")
    text = [book.say[level]]
    if at_least:
        text.append(book.say["no_gait"])
    elif level == LEVELS[0]:
        text.append(book.say["not_proof"])
    return Urgency(
        level,
        at_least,
        " ".join(text),
        (*reasons, *_doubts(evidence, profile, outcomes, book)),
        open_questions(evidence, outcomes, book),
    )


def _level(evidence: FootEvidence, outcomes: Sequence[Outcome], book: RuleBook) -> Level:
    # An even gait is no knowledge of the claws: alone it leaves the level unknown.
    levels = [row.urgency for row, _ in observed_rows(evidence, book) if row.urgency != LEVELS[0]]
    for outcome in outcomes:
        if outcome.state == "shown":
            level = _called_for(outcome.rule, seems_lame(evidence))
            levels.append(level if outcome.firm else min(level, _MOST_FOR_DOUBTFUL, key=LEVELS.index))
        elif outcome.state == "not shown" and not outcome.absent:
            levels.append(LEVELS[0])
    return most_urgent(levels)


def _called_for(rule: Rule, lame: bool) -> Level:
    return rule.urgency_if_lame if lame and rule.urgency_if_lame else rule.urgency


def _doubts(evidence: FootEvidence, profile: Profile, outcomes: Sequence[Outcome], book: RuleBook) -> tuple[str, ...]:
    say = book.say
    doubts = list(evidence.notes)
    if evidence.review_photos:
        doubts.append(say["review"].format(photos=", ".join(evidence.review_photos)))
    if evidence.refused_photos:
        doubts.append(say["refused"].format(photos=", ".join(evidence.refused_photos)))
    if not profile.judged:
        return (*doubts, say["not_judged"].format(title=profile.title))
    decided = {outcome.rule.about for outcome in outcomes if outcome.state != "cannot tell"}
    spoken_of = dict.fromkeys(each.rule.about for each in outcomes if not (each.rule.optional and each.absent))
    open_ = [about for about in spoken_of if about not in decided]
    if open_:
        doubts.append(say["open"].format(what="; ".join(open_)))
    return tuple(doubts)


@dataclass(frozen=True, slots=True)
class _Weighed:
    question: OpenQuestion
    rise: int


def open_questions(evidence: FootEvidence, outcomes: Sequence[Outcome], book: RuleBook) -> tuple[OpenQuestion, ...]:
    """Return what is worth asking, in the order of what would change the answer most.

    Parameters
    ----------
    evidence
        The foot.
    outcomes
        What the rules came to.
    book
        The rules.

    Returns
    -------
    tuple of OpenQuestion
        First those whose answer can raise the level most, then those that settle most rules, then in the table's
        order. What can neither raise the level nor settle a rule is not asked.
    """
    now = LEVELS.index(_level(evidence, outcomes, book))
    weighed = []
    for row in book.question:
        if not _unknown(row, evidence):
            continue
        could, settles = _could_become(row, evidence, outcomes, book)
        rise = LEVELS.index(could) - now
        if rise > 0 or settles > 0:
            level = could if rise > 0 else LEVELS[now]
            weighed.append(_Weighed(OpenQuestion(row.code, row.text, level, settles), max(rise, 0)))
    ordered = sorted(weighed, key=lambda each: (-each.rise, -each.question.settles))
    return tuple(each.question for each in ordered)


def _could_become(
    row: Question, evidence: FootEvidence, outcomes: Sequence[Outcome], book: RuleBook
) -> tuple[Level, int]:
    """Return the most urgent level that an answer may lead to, and how many rules it would decide."""
    if row.unknown == "gait":
        return _level(replace(evidence, locomotion=_WORST_GAIT), outcomes, book), 0
    if row.unknown == "signs":
        return _level(replace(evidence, signs=_ALL_SIGNS), outcomes, book), 0
    lame = seems_lame(evidence)
    if row.unknown == "a photo under review":
        unsure = [each for each in outcomes if each.state == "shown" and not each.firm]
    else:
        unknown = [each for each in outcomes if each.absent and each.state == "cannot tell"]
        unsure = [each for each in unknown if each.rule.family in row.families]
    levels = [_called_for(each.rule, lame) for each in unsure]
    return max(levels, key=LEVELS.index, default=LEVELS[0]), len({each.rule.id for each in unsure})


def _unknown(row: Question, evidence: FootEvidence) -> bool:
    measured = {name for measures in evidence.claws.values() for name in measures}
    sides = {claw for claw, measures in evidence.claws.items() if "toe_length" in measures}
    named = not sides & {"left", "right"}
    return {
        "gait": evidence.locomotion is None,
        "signs": not evidence.signs,
        "foot": evidence.foot is None,
        "day": evidence.taken is None,
        "last trim": evidence.trimmed is None and evidence.stage != "after",
        "sole photo": "sole_length" not in measured,
        "side photo of the outer claw": named and "outer" not in sides,
        "side photo of the inner claw": named and "inner" not in sides,
        "rear photo": "sole_tilt" not in measured,
        "a photo under review": bool(evidence.review_photos),
        "a refused photo": bool(evidence.refused_photos),
    }[row.unknown]
