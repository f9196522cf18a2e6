"""How the outcomes of one family of rules lie over the feet of an animal: shown, not shown, or cannot tell."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from types import MappingProxyType

from clawvision.findings.book import Lies, PatternCondition
from clawvision.findings.evidence import PARTNER, FootEvidence
from clawvision.findings.profiles import Profile
from clawvision.findings.quantities import Context, limbs_of
from clawvision.findings.rules import Outcome, combined
from clawvision.types import ClawName, Foot, FootResult, State

_PAIRS: tuple[tuple[Foot, Foot], ...] = (("LH", "RH"), ("LF", "RF"))
_BOTH: tuple[ClawName, ClawName] = ("outer", "inner")


@dataclass(frozen=True, slots=True, eq=False)
class JudgedFoot:
    """One foot with what it was judged by and what came of it."""

    evidence: FootEvidence
    profile: Profile
    outcomes: tuple[Outcome, ...]
    result: FootResult

    @property
    def judged(self) -> bool:
        """Return whether any rule could be decided."""
        return any(each.state != "cannot tell" and not each.absent for each in self.outcomes)

    def shown(self, asked: PatternCondition, claw: ClawName | None = None) -> list[Outcome]:
        """Return the outcomes asked for that are shown, of one claw or of any."""
        return [each for each in self.asked_for(asked) if each.state == "shown" and claw in (None, each.claw)]

    def state(self, asked: PatternCondition, claw: ClawName | None) -> State:
        """Return whether it is shown for a claw; not shown only where nothing measured leaves it open."""
        own = [each for each in self.asked_for(asked) if each.claw == claw]
        told = [each.state for each in own if not each.absent]
        if not told or ("shown" not in told and any(each.absent and each.rule.rule_out for each in own)):
            return "cannot tell"
        return combined(told, every=False)

    def measured(self, asked: PatternCondition, claw: ClawName | None) -> bool:
        """Return whether anything that bears on it was measured for a claw."""
        return any(each.claw == claw and not each.absent for each in self.asked_for(asked))

    def asked_for(self, asked: PatternCondition) -> list[Outcome]:
        """Return the outcomes of the family, and of the code if one is named."""
        # What another row is reported in place of does not count twice.
        told = [each for each in self.outcomes if each.state != "shown" or each.finding is not None]
        return [each for each in told if each.rule.family == asked.family and asked.code in (None, each.rule.code)]


@dataclass(frozen=True, slots=True)
class Pattern:
    """The state of a pattern, and the feet and outcomes it rests on."""

    state: State
    feet: tuple[JudgedFoot, ...] = ()
    outcomes: tuple[Outcome, ...] = ()


def pattern_of(condition: PatternCondition, feet: Sequence[JudgedFoot]) -> Pattern:
    """Return how a family of rules lies over the feet of one animal.

    Parameters
    ----------
    condition
        The family, the pattern asked for, and perhaps the claw it is about.
    feet
        Each foot of the animal once, as last seen.

    Returns
    -------
    Pattern
        ``cannot tell`` where a foot that it takes was not photographed or not decided.
    """
    claws: tuple[ClawName, ...] = (condition.claw,) if condition.claw else _BOTH
    return _PATTERNS[condition.lies](condition, claws, feet)


def _found(asked: PatternCondition, feet: Sequence[JudgedFoot], claw: ClawName | None = None) -> Pattern:
    outcomes = tuple(outcome for foot in feet for outcome in foot.shown(asked, claw))
    return Pattern("shown", tuple(feet), outcomes)


def _named(feet: Sequence[JudgedFoot]) -> Mapping[Foot, JudgedFoot]:
    return {foot.evidence.foot: foot for foot in feet if foot.evidence.foot is not None}


def _every_claw(asked: PatternCondition, claws: Sequence[ClawName], feet: Sequence[JudgedFoot]) -> Pattern:
    named = _named(feet)
    if len(named) < 2 or len(named) < len(feet):
        return Pattern("cannot tell")
    states = []
    for foot in feet:
        measured = [claw for claw, measures in foot.evidence.claws.items() if "toe_length" in measures]
        states += [foot.state(asked, claw) for claw in measured] or ["cannot tell"]
    state = combined(states, every=True)
    return _found(asked, feet) if state == "shown" else Pattern(state)


def _even_everywhere(asked: PatternCondition, claws: Sequence[ClawName], feet: Sequence[JudgedFoot]) -> Pattern:
    states = [_even(asked, foot) for foot in feet]
    state = combined(states, every=True) if states else "cannot tell"
    return Pattern(state, tuple(feet))


def _even(asked: PatternCondition, foot: JudgedFoot) -> State:
    """Return whether the claws are shown to be even: closed, or by the lengths of both toes."""
    if any(each.rule.family == asked.family and each.state == "shown" for each in foot.outcomes):
        return "not shown"
    context = Context(foot.evidence, foot.profile, limbs_of(foot.evidence)[-1])
    if context.quantity(None, "outer_excess") is not None:
        # Measured closed: where that leaves it open, the toes' own lengths do not overrule it, nor where they do: two
        # side photos tell a difference less surely than one of the soles, and seldom to within the narrower band.
        closed = [each for each in foot.asked_for(asked) if each.rule.claw in ("outer", "inner")]
        own = [each.state for each in closed if not each.absent]
        return "shown" if own and all(state == "not shown" for state in own) else "cannot tell"
    outer, inner = context.measured("outer", "toe_length"), context.measured("inner", "toe_length")
    allowed = context.limit("toe_length_even")
    if outer is None or inner is None or allowed is None:
        return "cannot tell"
    spread = abs(outer.value - inner.value) + math.hypot(outer.uncertainty, inner.uncertainty)
    return "shown" if spread <= allowed.value else "cannot tell"


def _one_claw_alone(asked: PatternCondition, claws: Sequence[ClawName], feet: Sequence[JudgedFoot]) -> Pattern:
    """Return whether one claw alone shows it, where its partner and one foot more at least are known not to."""
    shown = [(foot, claw) for foot in feet for claw in _BOTH if foot.shown(asked, claw)]
    if not shown or len(shown) > 1:
        return Pattern("not shown" if len(shown) > 1 else "cannot tell")
    foot, claw = shown[0]
    others = [each for each in feet if each is not foot]
    if not others:
        return Pattern("cannot tell")
    elsewhere = [foot.state(asked, PARTNER[claw])]
    for other in others:
        # What was measured and is too close to the limit may be long as well: only what was not seen is left out.
        measured = [each for each in _BOTH if other.measured(asked, each)]
        elsewhere += [other.state(asked, each) for each in measured] or ["cannot tell"]
    state = _not(combined(elsewhere, every=False))
    return _found(asked, [foot], claw) if state == "shown" else Pattern(state)


def _not(state: State) -> State:
    opposite: dict[State, State] = {"shown": "not shown", "not shown": "shown", "cannot tell": "cannot tell"}
    return opposite[state]


def _one_of_a_pair(asked: PatternCondition, claws: Sequence[ClawName], feet: Sequence[JudgedFoot]) -> Pattern:
    """Return whether a claw shows it and the same claw of the other foot of the pair is known not to."""
    named, states, found = _named(feet), [], []
    for one, other, claw in _claws_of_pairs(claws):
        if one in named and other in named and named[one].shown(asked, claw):
            states.append(_not(named[other].state(asked, claw)))
            if states[-1] == "shown":
                found.append(_found(asked, [named[one]], claw))
    # All of them: which foot or claw comes first means nothing.
    return _together(found) if found else Pattern(combined(states, every=False) if states else "cannot tell")


def _pair_not_seen(asked: PatternCondition, claws: Sequence[ClawName], feet: Sequence[JudgedFoot]) -> Pattern:
    """Return whether a claw shows it, while nothing was measured of the same claw of the other foot."""
    named, found = _named(feet), []
    for one, other, claw in _claws_of_pairs(claws):
        # A value too close to the limit is seen all the same: only what was not measured is not.
        unseen = other not in named or not named[other].measured(asked, claw)
        if one in named and named[one].shown(asked, claw) and unseen:
            found.append(_found(asked, [named[one]], claw))
    return _together(found) if found else Pattern("not shown")


def _claws_of_pairs(claws: Sequence[ClawName]) -> Iterator[tuple[Foot, Foot, ClawName]]:
    """Give each claw with its foot and the other foot of the pair."""
    for pair in _PAIRS:
        for one, other in (pair, pair[::-1]):
            for claw in claws:
                yield one, other, claw


def _together(found: Sequence[Pattern]) -> Pattern:
    feet = dict.fromkeys(foot for each in found for foot in each.feet)
    return Pattern("shown", tuple(feet), tuple(outcome for each in found for outcome in each.outcomes))


def _other_hind_not_photographed(
    asked: PatternCondition, claws: Sequence[ClawName], feet: Sequence[JudgedFoot]
) -> Pattern:
    hind = [foot for foot in feet if foot.evidence.hind and foot.evidence.claws]
    if len(hind) != 1:
        return Pattern("not shown")
    return _found(asked, hind) if hind[0].shown(asked) else Pattern("not shown")


def _on_any_foot(asked: PatternCondition, claws: Sequence[ClawName], feet: Sequence[JudgedFoot]) -> Pattern:
    found = [_found(asked, [foot], claw) for foot in feet for claw in claws if foot.shown(asked, claw)]
    if found:
        return _together(found)
    states = [foot.state(asked, claw) for foot in feet for claw in claws]
    return Pattern(combined(states, every=False) if states else "cannot tell")


def _both_hind(asked: PatternCondition, claws: Sequence[ClawName], feet: Sequence[JudgedFoot]) -> Pattern:
    return _same_claw(asked, claws, feet, _PAIRS[0])


def _both_fore(asked: PatternCondition, claws: Sequence[ClawName], feet: Sequence[JudgedFoot]) -> Pattern:
    return _same_claw(asked, claws, feet, _PAIRS[1])


def _same_claw(
    asked: PatternCondition, claws: Sequence[ClawName], feet: Sequence[JudgedFoot], pair: tuple[Foot, Foot]
) -> Pattern:
    named = _named(feet)
    if not all(foot in named for foot in pair):
        return Pattern("cannot tell")
    both = [named[foot] for foot in pair]
    states = {claw: combined([foot.state(asked, claw) for foot in both], every=True) for claw in claws}
    for claw, state in states.items():
        if state == "shown":
            return _found(asked, both, claw)
    return Pattern(combined(states.values(), every=False))


_PATTERNS: Mapping[Lies, Callable[[PatternCondition, Sequence[ClawName], Sequence[JudgedFoot]], Pattern]] = (
    MappingProxyType(
        {
            "every claw of every foot": _every_claw,
            "even on every foot": _even_everywhere,
            "one claw alone": _one_claw_alone,
            "on any foot": _on_any_foot,
            "one foot of a pair": _one_of_a_pair,
            "one foot, its pair not seen": _pair_not_seen,
            "one hind foot, the other not photographed": _other_hind_not_photographed,
            "same claw of both hind feet": _both_hind,
            "same claw of both fore feet": _both_fore,
        }
    )
)
