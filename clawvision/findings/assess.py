"""From the facts of all photos to what is said about each foot and each animal. Pure."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import date

from clawvision.findings.after import after_trim
from clawvision.findings.book import AnimalRule, RuleBook, packaged_rules
from clawvision.findings.evidence import STAGES, FootEvidence, group_feet
from clawvision.findings.patterns import JudgedFoot, Pattern, pattern_of
from clawvision.findings.profiles import Profile, choose_profile
from clawvision.findings.quantities import Context, limbs_of
from clawvision.findings.rules import apply_rules, combined, parity_of
from clawvision.findings.trim import foot_trim
from clawvision.findings.urgency import LEVELS, foot_urgency, most_urgent
from clawvision.findings.wording import Trace, fill
from clawvision.types import (
    AnimalResult,
    CheckedRule,
    Finding,
    FootResult,
    Level,
    OpenQuestion,
    PhotoFacts,
    State,
    Urgency,
)


def assess_feet(
    facts: Sequence[PhotoFacts], profiles: Mapping[str, Profile], rules: RuleBook | None = None
) -> tuple[tuple[FootResult, ...], tuple[AnimalResult, ...]]:
    """Judge every foot and every animal.

    Parameters
    ----------
    facts
        What is known of each photo, refused ones included, in any order.
    profiles
        Reference profiles by name, see `load_profiles`.
    rules
        The rules, see `load_rules`; the packaged ones where None.

    Returns
    -------
    feet : tuple of FootResult
        One a foot, stage and day.
    animals : tuple of AnimalResult
        One an animal, from the latest photos of each of its feet, sorted by name.

    Raises
    ------
    UsageError
        If a photo asks for a profile that does not exist.
    """
    book = rules or packaged_rules()
    feet = [judge_foot(evidence, choose_profile(evidence.profile, profiles), book) for evidence in group_feet(facts)]
    by_animal: dict[str, list[JudgedFoot]] = {}
    for foot in feet:
        by_animal.setdefault(foot.evidence.animal, []).append(foot)
    animals = tuple(_assess_animal(name, _latest(by_animal[name]), book) for name in sorted(by_animal))
    return tuple(foot.result for foot in feet), animals


def judge_foot(evidence: FootEvidence, profile: Profile, book: RuleBook) -> JudgedFoot:
    """Judge one foot by a profile and the rules."""
    outcomes = apply_rules(evidence, profile, book)
    result = FootResult(
        animal=evidence.animal,
        foot=evidence.foot,
        stage=evidence.stage,
        date=evidence.taken.isoformat() if evidence.taken else None,
        photos=evidence.photos,
        profile=profile.name,
        findings=tuple(each.finding for each in outcomes if each.finding is not None),
        urgency=foot_urgency(evidence, profile, outcomes, book),
        trim=foot_trim(evidence, profile, outcomes, book),
        checked=tuple(CheckedRule(each.rule.id, each.rule.code, each.claw, each.state, each.why) for each in outcomes),
        after_trim=after_trim(evidence, profile, outcomes, book),
    )
    return JudgedFoot(evidence, profile, outcomes, result)


def _latest(feet: Sequence[JudgedFoot]) -> list[JudgedFoot]:
    """Return each foot as last seen; feet that are not named cannot be told apart and all count."""
    latest: dict[str, JudgedFoot] = {}
    for foot in sorted(feet, key=lambda each: (each.evidence.taken or date.min, STAGES.index(each.evidence.stage))):
        latest[foot.evidence.foot or f"unknown {foot.evidence.photos[0]}"] = foot
    return [latest[name] for name in sorted(latest)]


def _assess_animal(animal: str, feet: Sequence[JudgedFoot], book: RuleBook) -> AnimalResult:
    findings: list[Finding] = []
    checked: list[CheckedRule] = []
    patterns: list[str] = []
    levels: list[Level] = []
    for row in book.animal:
        state, patterns_of_row = _row_state(row, feet)
        checked.append(CheckedRule(row.id, row.code, None, state, "; ".join(each.lies for each in row.when)))
        if state == "shown" and not any(each.code == row.code for each in findings):
            findings.append(_animal_finding(row, patterns_of_row, book))
            levels.append(row.urgency)
            if row.pattern is not None:
                patterns.append(row.pattern)
    pattern = patterns[0] if patterns else _usual_pattern(feet)
    return AnimalResult(animal, pattern, tuple(findings), _animal_urgency(feet, levels, book), tuple(checked))


def _row_state(row: AnimalRule, feet: Sequence[JudgedFoot]) -> tuple[State, list[Pattern]]:
    """Return whether a row about an animal is shown, with the patterns it rests on."""
    if row.limb:
        feet = [foot for foot in feet if foot.evidence.foot is not None and limbs_of(foot.evidence)[0] in row.limb]
    patterns = [pattern_of(condition, feet) for condition in row.when]
    states: list[State] = [pattern.state for pattern in patterns]
    if row.parity:
        parities = {parity_of(foot.evidence, foot.profile) for foot in feet}
        known = None not in parities and bool(parities)
        states.append("cannot tell" if not known else "shown" if parities <= set(row.parity) else "not shown")
    return combined(states, every=True), patterns


def _animal_finding(row: AnimalRule, patterns: Sequence[Pattern], book: RuleBook) -> Finding:
    foot = next(foot for pattern in patterns for foot in pattern.feet)
    outcomes = [outcome for pattern in patterns for outcome in pattern.outcomes]
    trace = Trace()
    for outcome in outcomes:
        assert outcome.finding is not None  # it is shown
        trace.extend(outcome.finding.chain)
    context = Context(foot.evidence, foot.profile, limbs_of(foot.evidence)[-1])
    texts = [row.text, row.exact, row.also_explained_by, row.look_for, row.where]
    text, exact, also, look_for, where = (fill(each, context, None, book.fact, trace) for each in texts)
    return Finding(
        code=row.code,
        title=row.title,
        claw=None,
        text=text,
        exact=exact,
        chain=trace.rows(),
        also_explained_by=also,
        look_for=look_for,
        where=where,
        strength=row.strength if all(outcome.firm for outcome in outcomes) else "weak",
        rule=row.id,
        basis=row.basis,
    )


def _usual_pattern(feet: Sequence[JudgedFoot]) -> str:
    """Return in a few words how the findings lie over the feet, where no row has a word for it."""
    if not any(foot.judged for foot in feet):
        return "unknown"
    found = [foot for foot in feet if foot.result.findings]
    if not found:
        return "no finding in the photos"
    uneven = [foot for foot in feet if any(each.code == "out_of_proportion" for each in foot.result.findings)]
    what = "out of proportion" if uneven else "with findings"
    which = uneven or found
    if len(which) == 1:
        claws = {finding.claw for finding in which[0].result.findings if finding.claw}
        return f"one claw {what}" if uneven or len(claws) == 1 else f"one foot {what}"
    if {foot.evidence.foot for foot in which} == {"LH", "RH"}:
        return f"both hind feet {what}"
    return f"several feet {what}"


def _animal_urgency(feet: Sequence[JudgedFoot], called_for: Sequence[Level], book: RuleBook) -> Urgency:
    """Return the most urgent level of the feet, or of what they show together where that is more urgent."""
    urgencies = [(foot.evidence.foot or "foot not named", foot.result.urgency) for foot in feet]
    of_feet = most_urgent([urgency.level for _, urgency in urgencies])
    level = most_urgent([of_feet, *called_for])
    driving = [urgency for _, urgency in urgencies if urgency.level == of_feet]
    at_least = level != LEVELS[-1] and any(urgency.at_least for _, urgency in urgencies)
    reasons = tuple(f"{name}: {urgency.level}." for name, urgency in urgencies)
    questions = _asked_of_all(feet, level)
    if all(not foot.judged for foot in feet) and level == "unknown":
        return Urgency(level, at_least, book.say["none"], reasons, questions)
    if level != of_feet:
        return Urgency(level, at_least, book.say[level], reasons, questions)
    return Urgency(level, at_least, driving[0].text, reasons, questions)


def _asked_of_all(feet: Sequence[JudgedFoot], level: Level) -> tuple[OpenQuestion, ...]:
    """Return the questions of all feet, each once, by how far an answer could raise the animal's level."""
    merged: dict[str, OpenQuestion] = {}
    for foot in feet:
        for each in foot.result.urgency.questions:
            one = merged.get(each.code)
            could = most_urgent([level, each.could_become, *([one.could_become] if one else [])])
            settles = each.settles + (one.settles if one else 0)
            merged[each.code] = OpenQuestion(each.code, each.text, could, settles)
    return tuple(sorted(merged.values(), key=lambda each: (-LEVELS.index(each.could_become), -each.settles)))
