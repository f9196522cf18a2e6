"""What no output may say, searched for in every text of every vignette; and that each search can find it."""

from __future__ import annotations

import re
from dataclasses import replace
from typing import Any

import pytest

from clawvision.findings.book import FORBIDDEN, packaged_rules
from clawvision.types import AfterTrim, AnimalResult, FootResult, OpenQuestion, Spare
from tests.findings.vignettes_all import VIGNETTES, assessed, every_vignette, foot_of, spoken, strings

_CHANGED = {"twist", "concave_wall", "out_of_proportion"}
"""Findings of claws whose inside may have changed; so may that of an overgrown one, by this row of the table:"""
_GROSS = "grossly-overgrown"
_MM = re.compile(r"\d(?:\.\d+)? ?mm\b")


def changed_claws(foot: FootResult) -> set[str | None]:
    return {each.claw for each in foot.findings if each.code in _CHANGED or each.rule == _GROSS}


def forbidden_in(result: Any) -> list[str]:
    """Texts with an order, a verdict, or that a foot is well. All strings are searched, also sources and records."""
    return [text for _, text in strings(result) if FORBIDDEN.search(text)]


def called_sound(result: Any) -> list[str]:
    """Sentences in which a foot could be called sound; horn that gives a dull sound is another matter."""
    return [text for _, text in spoken(result) if re.search(r"(?<!dull )\bsound\b", text, re.IGNORECASE)]


def unfilled(result: Any) -> list[str]:
    return [text for _, text in spoken(result) if re.search(r"[{}<>]|\bNone\b|\bnan\b|\binf\b|  ", text)]


def lengths_on_changed_claws(foot: FootResult) -> list[str]:
    """Sentences on trimming with millimetres that name a changed claw, or no claw at all, and ranges of spare toe."""
    claws = changed_claws(foot)
    found = []
    for text in (*foot.trim.text, *foot.trim.steps, *foot.trim.slow_down, *foot.trim.feel_for):
        named = set(re.findall(r"\b(outer|inner|left|right) claw\b", text))
        if claws and _MM.search(text) and (not named or named & claws):
            found.append(text)
    for claw, spare in foot.trim.spare.items():
        if claw in claws and (spare.least is not None or spare.most is not None or spare.minimum is not None):
            found.append(f"{claw}: {spare.least} to {spare.most} mm")
    return found


def spare_where_none_may_be(foot: FootResult, gait: int | None, signs: bool) -> list[str]:
    """Ranges on a foot that a veterinarian sees first, that hurts, was just trimmed, or is not known or a fore foot."""
    barred = (
        foot.trim.veterinarian or signs or (gait or 0) >= 3 or foot.stage == "after" or foot.foot not in ("LH", "RH")
    )
    return [claw for claw, spare in foot.trim.spare.items() if barred and spare.most is not None]


def surer_than_known(result: FootResult | AnimalResult) -> bool:
    """Whether a foot whose gait nobody scored is given a level that is not a lower bound, nor the most urgent one."""
    urgency = result.urgency
    if urgency.level == "today":
        return False
    return not (urgency.at_least and "At least" in urgency.text and "gait is not known" in urgency.text)


def _gait(name: str) -> int | None:
    """The gait known of a vignette's foot: scored beside any photo of that animal and day."""
    photos = VIGNETTES[name].photos
    same_day = [each for each in photos if each.taken == photos[0].taken]
    return max((each.request.locomotion or 0 for each in same_day), default=0) or None


@every_vignette
def test_nothing_forbidden_is_said(name: str) -> None:
    result = assessed(name)
    assert len(spoken(result)) > 5
    assert not forbidden_in(result)
    assert not called_sound(result)
    assert not unfilled(result)
    feet, animals = result
    for finding in (finding for each in (*feet, *animals) for finding in each.findings):
        # Shapes of the atlas are suspected, not stated.
        assert not finding.icar_term or finding.icar_term not in finding.text.lower() or "suspected" in finding.text


@every_vignette
def test_no_length_is_given_of_a_claw_that_may_have_changed_inside(name: str) -> None:
    for foot in assessed(name)[0]:
        assert not lengths_on_changed_claws(foot)
    signs = any(each.request.signs for each in VIGNETTES[name].photos)
    assert not spare_where_none_may_be(foot_of(name), _gait(name), signs)


@every_vignette
def test_a_level_without_a_gait_is_a_lower_bound(name: str) -> None:
    feet, animals = assessed(name)
    if _gait(name) is None:
        assert not surer_than_known(foot_of(name))
    if all(each.request.locomotion is None for each in VIGNETTES[name].photos):
        for result in (*feet, *animals):
            assert not surer_than_known(result) or result.urgency.text in _OF_ANIMALS


_OF_ANIMALS = {packaged_rules().say["none"]}
"""Where nothing about an animal could be judged that is said instead, and the gait is the first question."""


# --- each search finds what it is for

_BAD = [
    "Cut it back to 75 mm.",
    "Cut off the toe.",
    "Remove 12 mm.",
    "Trim to the line.",
    "Trim the outer claw to 85 mm.",
    "Shorten the toe of the inner claw by 7 mm.",
    "Bring the toe to {profile:toe_length_minimum}.",
    "Take {toe_over_partner} from it.",
    "Take about 5 mm from the toe.",
    "7 mm can go.",
    "It is safe to shorten.",
    "The diagnosis is laminitis.",
    "The foot is sound.",
    "Both claws are healthy.",
    "This foot looks fine.",
    "This claw is lame.",
    "The claw has an ulcer.",
]


def _spoilt(foot: FootResult, bad: str) -> list[FootResult]:
    """The foot with a bad sentence in each of the places where sentences stand."""
    trim, urgency = foot.trim, foot.urgency
    after = AfterTrim((bad,), (), (), (), None, ())
    spare = {"outer": Spare(None, None, reason=bad)}
    return [
        *[replace(foot, trim=replace(trim, **{key: (bad,)})) for key in ("text", "steps", "slow_down", "feel_for")],
        replace(foot, trim=replace(trim, cautions=(bad,))),
        replace(foot, trim=replace(trim, spare=spare)),
        replace(foot, urgency=replace(urgency, text=bad)),
        replace(foot, urgency=replace(urgency, reasons=(bad,))),
        replace(foot, urgency=replace(urgency, questions=(OpenQuestion("x", bad, "today", 1),))),
        replace(foot, after_trim=after),
        *[replace(foot, after_trim=replace(after, **{key: (bad,)})) for key in ("open", "harm", "expectation")],
        *[
            replace(foot, findings=(replace(foot.findings[0], **{key: bad}),))
            for key in ("text", "exact", "also_explained_by", "look_for", "where", "title")
        ],
    ]


@pytest.mark.parametrize("bad", _BAD)
def test_what_is_forbidden_is_found_wherever_it_stands(bad: str) -> None:
    good = foot_of("turned toe")
    assert not forbidden_in(good)
    for spoilt in _spoilt(good, bad):
        assert forbidden_in(spoilt)


@pytest.mark.parametrize("bad", ["A sound foot.", "Sound by what the photo shows.", "The cow stands sound."])
def test_a_foot_called_sound_is_found(bad: str) -> None:
    assert all(called_sound(spoilt) for spoilt in _spoilt(foot_of("turned toe"), bad))


@pytest.mark.parametrize("bad", ["It is {toe_length} long.", "At the minimum: <claws>.", "The None claw.", "nan mm"])
def test_a_text_that_was_not_filled_in_is_found(bad: str) -> None:
    assert all(unfilled(spoilt) for spoilt in _spoilt(foot_of("turned toe"), bad))


@pytest.mark.parametrize("name", ["turned toe", "hollow front wall", "outer far too long", "overgrown by far"])
@pytest.mark.parametrize("key", ["text", "steps", "slow_down", "feel_for"])
@pytest.mark.parametrize(
    "bad", ["85 mm is the least.", "The toe of the outer claw measures 112 ± 2 mm.", "outer claw: 1.5 mm"]
)
def test_a_length_on_a_changed_claw_is_found(name: str, key: str, bad: str) -> None:
    good = foot_of(name)
    assert changed_claws(good)
    assert lengths_on_changed_claws(replace(good, trim=replace(good.trim, **{key: (bad,)})))


@pytest.mark.parametrize("name", ["turned toe", "hollow front wall", "outer far too long", "overgrown by far"])
@pytest.mark.parametrize("bad", [Spare(0.0, 15.0), Spare(None, 15.0), Spare(None, None, minimum=85.0, reason="No.")])
def test_spare_toe_on_a_changed_claw_is_found(name: str, bad: Spare) -> None:
    good = foot_of(name)
    assert lengths_on_changed_claws(replace(good, trim=replace(good.trim, spare={"outer": bad})))


@pytest.mark.parametrize(
    "name", ["swelling, claws in order", "trimmed, no photos from before", "fore foot in order", "lame, claws in order"]
)
def test_spare_toe_on_a_foot_that_gets_none_is_found(name: str) -> None:
    good = foot_of(name)
    spoilt = replace(good, trim=replace(good.trim, spare={"outer": Spare(0.0, 15.0)}))
    assert spare_where_none_may_be(spoilt, _gait(name), False) == ["outer"]


def test_a_level_that_claims_too_much_is_found() -> None:
    good = foot_of("mean healthy foot, all measured")
    assert not surer_than_known(good)
    assert surer_than_known(replace(good, urgency=replace(good.urgency, at_least=False)))
    assert surer_than_known(replace(good, urgency=replace(good.urgency, text="Nothing to see.")))
    assert not surer_than_known(replace(good, urgency=replace(good.urgency, level="today", at_least=False)))


def test_the_table_itself_says_nothing_forbidden() -> None:
    """Also as templates, before anything is filled in, and rows that no vignette reaches."""
    book = packaged_rules()
    texts = [text for _, text in strings(book.model_dump())]
    assert len(texts) > 500
    assert not [text for text in texts if FORBIDDEN.search(text)]
    spoken_texts = [
        text
        for rule in (*book.rule, *book.animal)
        for text in (rule.title, rule.about, rule.text, rule.exact, rule.also_explained_by, rule.look_for, rule.where)
    ]
    spoken_texts += [row.text for row in (*book.trim, *book.caution, *book.observed, *book.step, *book.question)]
    spoken_texts += [text for seat in book.seat for text in (seat.where, seat.look_for)]
    spoken_texts += [each.where for each in book.seat_shape]
    # The one number is the name of a level, which stands for a published figure (Leach et al. 2012).
    spoken_texts += [text.replace("within 48 hours", "") for text in book.say.values()]
    assert not [text for text in spoken_texts if re.search(r"\d", re.sub(r"\{[^}]*\}", "", text))]
