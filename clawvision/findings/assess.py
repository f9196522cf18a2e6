"""From the facts of all photos to what is said about each foot and each animal. Pure."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date

from clawvision.findings.advice import LEVELS, foot_trim, foot_urgency, most_urgent
from clawvision.findings.evidence import STAGES, FootEvidence, group_feet
from clawvision.findings.profiles import Profile, choose_profile
from clawvision.findings.quantities import Context, limbs_of
from clawvision.findings.rules import AnimalRow, Outcome, apply_rules, rule_book
from clawvision.findings.wording import Trace, fill
from clawvision.types import AnimalResult, Finding, FootResult, PhotoFacts, Urgency


@dataclass(frozen=True, slots=True, eq=False)
class _Foot:
    evidence: FootEvidence
    profile: Profile
    outcomes: tuple[Outcome, ...]
    result: FootResult

    def shows(self, family: str) -> list[Outcome]:
        return [each for each in self.outcomes if each.rule.family == family and each.state == "shown"]

    @property
    def judged(self) -> bool:
        return any(each.state != "cannot tell" for each in self.outcomes)


def assess_feet(
    facts: Sequence[PhotoFacts], profiles: Mapping[str, Profile]
) -> tuple[tuple[FootResult, ...], tuple[AnimalResult, ...]]:
    """Judge every foot and every animal.

    Parameters
    ----------
    facts
        What is known of each photo, refused ones included, in any order.
    profiles
        Reference profiles by name, see `load_profiles`.

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
    feet = [_assess_foot(evidence, choose_profile(evidence.profile, profiles)) for evidence in group_feet(facts)]
    by_animal: dict[str, list[_Foot]] = {}
    for foot in feet:
        by_animal.setdefault(foot.evidence.animal, []).append(foot)
    animals = tuple(_assess_animal(name, _latest(by_animal[name])) for name in sorted(by_animal))
    return tuple(foot.result for foot in feet), animals


def _assess_foot(evidence: FootEvidence, profile: Profile) -> _Foot:
    outcomes = apply_rules(evidence, profile)
    result = FootResult(
        animal=evidence.animal,
        foot=evidence.foot,
        stage=evidence.stage,
        date=evidence.taken.isoformat() if evidence.taken else None,
        photos=evidence.photos,
        profile=profile.name,
        findings=tuple(each.finding for each in outcomes if each.finding is not None),
        urgency=foot_urgency(evidence, profile, outcomes),
        trim=foot_trim(evidence, profile, outcomes),
    )
    return _Foot(evidence, profile, outcomes, result)


def _latest(feet: Sequence[_Foot]) -> list[_Foot]:
    """Return each foot as last seen; feet that are not named cannot be told apart and all count."""
    latest: dict[str, _Foot] = {}
    for foot in sorted(feet, key=lambda each: (each.evidence.taken or date.min, STAGES.index(each.evidence.stage))):
        latest[foot.evidence.foot or f"unknown {foot.evidence.photos[0]}"] = foot
    return [latest[name] for name in sorted(latest)]


def _assess_animal(animal: str, feet: Sequence[_Foot]) -> AnimalResult:
    findings: list[Finding] = []
    overdue = _long_and_even(feet)
    if overdue:
        findings.append(_animal_finding("overdue_trim", feet, "overgrowth"))
    uneven = [foot for foot in feet if any(each.rule.code == "out_of_proportion" for each in foot.shows("proportion"))]
    hind = [foot for foot in feet if foot.evidence.hind and foot.evidence.claws]
    if len(hind) == 1 and hind[0] in uneven:
        findings.append(_animal_finding("other_hind_foot", hind, "proportion"))
    return AnimalResult(animal, _pattern(feet, uneven, overdue), tuple(findings), _animal_urgency(feet))


def _long_and_even(feet: Sequence[_Foot]) -> bool:
    """Return whether two feet or more are all long, each with claws shown to be even."""
    named = [foot for foot in feet if foot.evidence.foot is not None]
    return len(named) >= 2 and len(named) == len(feet) and all(_all_long(foot) and _even(foot) for foot in named)


def _all_long(foot: _Foot) -> bool:
    measured = {claw for claw, measures in foot.evidence.claws.items() if "toe_length" in measures}
    return bool(measured) and measured == {each.claw for each in foot.shows("overgrowth")}


def _even(foot: _Foot) -> bool:
    """Return whether the claws are shown to be even: closed, or by the lengths of both toes."""
    closed = [each.state for each in foot.outcomes if each.rule.family == "proportion"]
    if "shown" in closed:
        return False
    if all(state == "not shown" for state in closed):
        return True
    context = Context(foot.evidence, foot.profile, limbs_of(foot.evidence)[-1])
    if context.quantity(None, "outer_excess") is not None:
        # Measured closed, and left open by its uncertainty: the toes' own lengths do not overrule that.
        return False
    outer, inner = context.measured("outer", "toe_length"), context.measured("inner", "toe_length")
    allowed = context.limit("toe_length_even")
    if outer is None or inner is None or allowed is None:
        return False
    spread = abs(outer.value - inner.value) + math.hypot(outer.uncertainty, inner.uncertainty)
    return spread <= allowed.value


def _animal_finding(code: str, feet: Sequence[_Foot], family: str) -> Finding:
    row: AnimalRow = rule_book().animal[code]
    first = feet[0]
    trace = Trace()
    for foot in feet:
        for outcome in foot.shows(family):
            assert outcome.finding is not None
            trace.extend(outcome.finding.chain)
    context = Context(first.evidence, first.profile, limbs_of(first.evidence)[-1])
    text = fill(row.text, context, None, rule_book().fact, trace)
    firm = all(outcome.firm for foot in feet for outcome in foot.shows(family))
    return Finding(
        code=code,
        claw=None,
        text=text,
        chain=trace.rows(),
        also_explained_by=row.also_explained_by,
        look_for=row.look_for,
        where=row.where,
        strength=row.strength if firm else "weak",
    )


def _pattern(feet: Sequence[_Foot], uneven: Sequence[_Foot], overdue: bool) -> str:
    """Return in a few words how the findings lie over the feet."""
    if not any(foot.judged for foot in feet):
        return "unknown"
    if overdue:
        return "all photographed feet long and even"
    found = [foot for foot in feet if foot.result.findings]
    if not found:
        return "no finding in the photos"
    what = "out of proportion" if uneven else "with findings"
    which = uneven or found
    if len(which) == 1:
        claws = {finding.claw for finding in which[0].result.findings if finding.claw}
        return f"one claw {what}" if uneven or len(claws) == 1 else f"one foot {what}"
    if {foot.evidence.foot for foot in which} == {"LH", "RH"}:
        return f"both hind feet {what}"
    return f"several feet {what}"


def _animal_urgency(feet: Sequence[_Foot]) -> Urgency:
    urgencies = [(foot.evidence.foot or "foot not named", foot.result.urgency) for foot in feet]
    level = most_urgent([urgency.level for _, urgency in urgencies])
    driving = [urgency for _, urgency in urgencies if urgency.level == level]
    at_least = level != LEVELS[-1] and any(urgency.at_least for _, urgency in urgencies)
    reasons = tuple(f"{name}: {urgency.level}." for name, urgency in urgencies)
    if all(not foot.judged for foot in feet) and level == "unknown":
        return Urgency(level, at_least, rule_book().say["none"], reasons)
    return Urgency(level, at_least, driving[0].text, reasons)
