"""Properties of the findings over random feet."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from clawvision.findings import assess_feet
from clawvision.findings.book import packaged_rules
from clawvision.findings.urgency import LEVELS
from clawvision.types import AnimalResult, FootResult, PhotoFacts
from tests.findings.photos import PROFILES, photo

FAMILIES = {rule.code: {rule.family, *rule.covers} for rule in packaged_rules().rule}
SIGNS = ("swelling", "heat", "wound", "smell", "pain")
MIRROR = {"LF": "RF", "RF": "LF", "LH": "RH", "RH": "LH"}


def _maybe(low: float, high: float) -> st.SearchStrategy[float | None]:
    return st.one_of(st.none(), st.floats(low, high))


@st.composite
def feet(draw: st.DrawFn, foot: str | None = None) -> list[PhotoFacts]:
    """A side photo of each claw and a sole photo, sometimes a second one; any measure may be missing."""
    foot = foot or draw(st.sampled_from(["LF", "RF", "LH", "RH", None]))
    context: dict[str, Any] = {
        "locomotion": draw(st.one_of(st.none(), st.integers(1, 5))),
        "signs": tuple(sorted(draw(st.sets(st.sampled_from(SIGNS), max_size=2)))),
        "profile": draw(st.sampled_from([None, "jersey", "bull", "holstein-parity-1"])),
    }
    photos = []
    for index, claw in enumerate(["outer", "inner", "outer"][: draw(st.integers(1, 3))]):
        values = {
            "toe_length": draw(_maybe(55, 150)),
            "toe_angle": draw(_maybe(20, 65)),
            "heel_height": draw(_maybe(20, 60)),
            "dorsal_concavity": draw(_maybe(-3, 9)),
        }
        status = draw(st.sampled_from(["measured", "measured", "review", "refused"]))
        u = draw(st.floats(0.1, 6))
        photos.append(photo(f"{foot}{index}.jpg", foot, claws={claw: values}, u=u, status=status, **context))
    inner, difference = draw(st.floats(90, 200)), draw(st.floats(-40, 40))
    claws: dict[str, dict[str, float | None]] = {
        "outer": {"sole_length": inner + difference, "axial_twist": draw(_maybe(-5, 40))},
        "inner": {"sole_length": inner, "axial_twist": draw(_maybe(-5, 40)), "helical_twist": draw(_maybe(-5, 45))},
    }
    both = {
        "length_difference": difference,
        "apparent_length_difference": draw(_maybe(-60, 60)),
        "width_difference_percent": draw(_maybe(-60, 80)),
        "toe_overlap": draw(_maybe(-40, 10)),
    }
    photos.append(photo(f"{foot}s.jpg", foot, claws=claws, foot_measures=both, u=draw(st.floats(0.1, 6)), **context))
    return photos


def _widened(facts: PhotoFacts, factor: float) -> PhotoFacts:
    def wide(measures: Any) -> Any:
        return {
            name: replace(each, uncertainty=None if each.uncertainty is None else each.uncertainty * factor)
            for name, each in measures.items()
        }

    return replace(
        facts,
        claws={claw: wide(measures) for claw, measures in facts.claws.items()},
        foot_measures=wide(facts.foot_measures),
    )


def _asked(facts: list[PhotoFacts], **changes: Any) -> list[PhotoFacts]:
    return [replace(each, request=replace(each.request, **changes)) for each in facts]


def _kinds(foot: FootResult) -> set[tuple[str, str | None]]:
    return {(family, finding.claw) for finding in foot.findings for family in FAMILIES[finding.code]}


def _rank(foot: FootResult) -> int:
    # Not knowing is no more urgent than seeing nothing.
    return max(LEVELS.index(foot.urgency.level), LEVELS.index("unknown"))


_FEW = settings(deadline=None, max_examples=20)


@_FEW
@given(feet("LH"), feet("RH"), st.floats(1.0, 5.0))
def test_wider_uncertainty_never_adds_a_finding(one: list[PhotoFacts], other: list[PhotoFacts], factor: float) -> None:
    facts = one + other
    feet_before, (animal_before,) = assess_feet(facts, PROFILES)
    feet_after, (animal_after,) = assess_feet([_widened(each, factor) for each in facts], PROFILES)
    for before, after in zip(feet_before, feet_after, strict=True):
        assert _kinds(after) <= _kinds(before)
        # Photos that disagreed may agree once they claim less, and then weigh more; else nothing gets more urgent.
        if not any("disagree" in reason for reason in before.urgency.reasons):
            assert _rank(after) <= _rank(before)
    assert {each.code for each in animal_after.findings} <= {each.code for each in animal_before.findings}


@_FEW
@given(feet(), st.integers(1, 5), st.sampled_from(SIGNS))
def test_worse_gait_or_signs_never_lower_urgency(facts: list[PhotoFacts], gait: int, sign: Any) -> None:
    (first,), _ = assess_feet(facts, PROFILES)
    known = facts[0].request.locomotion
    worse = _asked(facts, locomotion=max(known or 1, gait))
    (lamer,), _ = assess_feet(worse, PROFILES)
    assert _rank(lamer) >= _rank(first)
    assert lamer.trim.veterinarian >= first.trim.veterinarian
    (sicker,), _ = assess_feet(_asked(facts, signs=(*facts[0].request.signs, sign)), PROFILES)
    assert _rank(sicker) >= _rank(first)
    assert sicker.trim.veterinarian >= first.trim.veterinarian


@_FEW
@given(feet("LH"), feet("RF"))
def test_swapping_left_and_right_changes_nothing(one: list[PhotoFacts], other: list[PhotoFacts]) -> None:
    facts = one + other
    swapped = [replace(each, request=replace(each.request, foot=MIRROR[each.request.foot or ""])) for each in facts]
    results, animals = assess_feet(facts, PROFILES)
    mirrored, twins = assess_feet(swapped, PROFILES)
    straight = {foot.foot: (foot.findings, foot.urgency, foot.trim) for foot in results}
    turned = {MIRROR[foot.foot or ""]: (foot.findings, foot.urgency, foot.trim) for foot in mirrored}
    assert straight == turned
    assert _seen_together(animals[0]) == _seen_together(twins[0])


def _seen_together(animal: AnimalResult) -> Any:
    # The chain lists the feet in their order, which the swap turns round.
    findings = [(each.code, each.text, each.look_for, each.strength) for each in animal.findings]
    return animal.pattern, findings, animal.urgency.level, animal.urgency.at_least


@_FEW
@given(feet(), st.randoms(use_true_random=False))
def test_the_order_of_photos_does_not_matter(facts: list[PhotoFacts], random: Any) -> None:
    shuffled = list(facts)
    random.shuffle(shuffled)
    assert assess_feet(facts, PROFILES) == assess_feet(shuffled, PROFILES)


@_FEW
@given(feet())
def test_a_claw_that_is_twisted_concave_or_far_out_of_proportion_gets_no_line(facts: list[PhotoFacts]) -> None:
    (foot,), _ = assess_feet(facts, PROFILES)
    spared = {each.claw for each in foot.findings if each.code in ("twist", "concave_wall", "out_of_proportion")}
    if spared == {"outer", "inner"}:
        assert not any(text.startswith("How much horn") for text in foot.trim.text)
    for claw in spared:
        assert any(text.startswith("No length and no line") and f"{claw} claw" in text for text in foot.trim.text)
    assert all("mm" not in text for text in foot.trim.text)


@_FEW
@given(feet())
def test_no_photo_says_that_a_foot_is_well(facts: list[PhotoFacts]) -> None:
    (foot,), _ = assess_feet(_asked(facts, locomotion=None), PROFILES)
    assert foot.urgency.at_least or foot.urgency.level == "today"
    assert "gait is not known" in foot.urgency.text or foot.urgency.level == "today"


@pytest.mark.parametrize("rule", packaged_rules().rule, ids=lambda rule: rule.id)
def test_a_lame_cow_is_never_seen_to_later(rule: Any) -> None:
    assert LEVELS.index(rule.urgency_if_lame or rule.urgency) >= LEVELS.index(rule.urgency)
