"""What is said about trimming: the spare range and its reasons, the order of the work, cautions."""

from __future__ import annotations

import math
from dataclasses import replace
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from clawvision.findings import assess_feet
from clawvision.findings.book import packaged_rules
from clawvision.types import FootResult, PhotoFacts, Trim
from tests.findings.photos import PROFILES, photo, side, sole, whole

SAY = packaged_rules().say


def foot(*photos: PhotoFacts) -> FootResult:
    return assess_feet(photos, PROFILES)[0][-1]


def trim(*photos: PhotoFacts) -> Trim:
    return foot(*photos).trim


def reason(*photos: PhotoFacts, claw: Any = "outer") -> str | None:
    spare = trim(*photos).spare[claw]
    assert (spare.least is None) is (spare.most is None) is (spare.reason is not None)
    return spare.reason


def test_an_ordinary_claw_gets_a_range() -> None:
    spare = trim(*whole("LH", toes=(98, 92)))
    assert spare.spare["outer"].least == pytest.approx(13 - math.sqrt(68))
    assert spare.spare["outer"].most == pytest.approx(13 + math.sqrt(68))
    assert (spare.spare["outer"].minimum, spare.spare["outer"].unit) == (85, "mm")


@pytest.mark.parametrize(
    ("key", "photos"),
    [
        ("spare_not_judged", [side("LH", toe_length=55, profile="calf-yearling")]),
        ("spare_veterinarian", whole("LH", signs=("swelling",))),
        ("spare_veterinarian", whole("LH", outer=145, inner=115)),
        ("spare_no_line", whole("LH", toes=(140, 140))),
        ("spare_no_line", whole("LH", helical=(41, 4), status="review")),
        ("spare_lame", whole("LH", signs=("heat",))),
        ("spare_lame", whole("LH", locomotion=3)),
        ("spare_after", whole("LH", stage="after")),
        ("spare_doubtful", [*whole("LH"), side("LH", name="again.jpg", toe_length=99)]),
        ("spare_doubtful", whole("LH", status="review")),
        ("spare_doubtful", [side("LH"), sole("LH", helical=(5, 4), status="review")]),
        ("spare_foot_unknown", [side(None)]),
        ("spare_no_minimum", [side("LF")]),
        ("spare_short", whole("LH", toes=(80, 80))),
        ("spare_perhaps_short", whole("LH", toes=(86, 86))),
    ],
)
def test_each_reason_for_no_range(key: str, photos: list[PhotoFacts]) -> None:
    assert reason(*photos) == SAY[key]


@pytest.mark.parametrize(
    ("photos", "what"),
    [
        ([side("LH")], {"one claw against the other", "twist of the claw"}),
        ([side("LH"), sole("LH")], {"twist of the claw"}),
        ([side("LH"), sole("LH", helical=16)], {"twist of the claw"}),
        ([side("LH"), sole("LH", helical=5, twist=(17, 12))], {"twist of the claw"}),
        ([side("LH"), sole("LH", 131, 113, helical=5)], {"one claw against the other"}),
        ([side("LH", dorsal_concavity=3), sole("LH", helical=5)], {"the front wall"}),
        ([side("LH", dorsal_concavity=None), sole("LH", helical=5)], {"the front wall"}),
        ([side("LH", toe_length=131), sole("LH", helical=5)], {"the length of the toe"}),
    ],
)
def test_what_was_not_ruled_out_is_named(photos: list[PhotoFacts], what: set[str]) -> None:
    head = SAY["spare_unclear"].format(what="")[:-1].strip()
    said = reason(*photos)
    assert said is not None and said.startswith(head)
    assert set(said[len(head) :].strip(" .").split("; ")) == what


def test_a_gait_of_two_leaves_the_range_and_one_of_three_does_not() -> None:
    assert reason(*whole("LH", locomotion=2)) is None
    assert reason(*whole("LH", locomotion=3)) == SAY["spare_lame"]


@settings(deadline=None, max_examples=60)
@given(st.floats(60, 150), st.floats(0.1, 8.0), st.sampled_from(["bull", "jersey", "beef-cow", "holstein-parity-1"]))
def test_a_range_is_given_only_beyond_the_minimum_and_never_below_nothing(length: float, u: float, name: str) -> None:
    result = foot(*whole("LH", toes=(length, length), u=u, profile=name, helical=(-5, -5), twist=(2, 2)))
    minimum = PROFILES[name].value("hind", "toe_length_minimum")
    assert minimum is not None
    for spare in result.trim.spare.values():
        if spare.most is not None:
            assert spare.least is not None and 0.0 <= spare.least < spare.most
            assert length - u > minimum.value
            assert spare.most >= length + u - minimum.value
        else:
            assert spare.reason


def test_only_claws_with_a_length_are_spoken_of() -> None:
    assert set(trim(side("LH", "inner"), sole("LH")).spare) == {"inner"}
    assert trim(sole("LH")).spare == {}


# --- the order of the work


def test_hind_feet_begin_with_the_inner_claw_and_fore_feet_with_the_outer() -> None:
    """The heavier claw is the outer one behind and the inner one in front."""
    hind = trim(*whole("LH")).steps
    assert hind[0].startswith("Begin with the inner claw") and hind[1].startswith("Make the outer claw like")
    fore = trim(*whole("LF")).steps
    assert fore[0].startswith("Begin with the outer claw") and fore[1].startswith("Make the inner claw like")
    assert "no least length is known" in fore[0]


def test_the_least_length_is_named_with_the_claw_that_is_measured() -> None:
    steps = " ".join(trim(*whole("LH", toes=(98, 94))).steps)
    assert "Its toe measures 94 ± 2 mm; 85 mm is the least" in steps
    assert steps.count("98 ± 2 mm") == 1


@pytest.mark.parametrize("short", [80.0, 84.0, 86.0])
def test_a_claw_is_not_matched_to_a_short_one(short: float) -> None:
    steps = " ".join(trim(*whole("LH", toes=(90, short))).steps)
    assert "Begin with" not in steps and "Then the outer" not in steps
    assert "Leave the toes as long as they are" in steps


def test_the_outer_claw_is_not_levelled_by_force() -> None:
    """Nuss & Paulus 2006: levelled to the inner claw the outer toe would keep 2.71 mm of sole."""
    assert "as far as its own sole stays thick enough" in trim(*whole("LH")).steps[1]


def test_pain_and_a_veterinarian_come_before_horn() -> None:
    for photos in (whole("LH", locomotion=3), whole("LH", signs=("pain",)), whole("LH", helical=(41, 4))):
        assert trim(*photos).steps[0].startswith("First find out what hurts")
    assert not trim(*whole("LH", locomotion=2)).steps[0].startswith("First")


def test_no_work_is_described_where_nothing_is_judged_or_all_is_done() -> None:
    for photos in (whole("LH", stage="after"), [side("LH", toe_length=55, profile="calf-yearling")]):
        said = trim(*photos)
        assert said.steps == said.slow_down == said.feel_for == ()


def test_a_foot_that_waits_for_a_veterinarian_gets_no_further_step_unless_with_care() -> None:
    assert len(trim(*whole("LH", signs=("wound",))).steps) == 1
    careful = trim(*whole("LH", helical=(41, 4)))
    assert len(careful.steps) > 1 and careful.slow_down and careful.feel_for


# --- sentences and cautions


def test_cautions_grow_with_what_is_seen() -> None:
    least = set(trim(sole("LH", 115, 115)).cautions)
    horn = set(trim(side("LH", toe_length=118)).cautions)
    lame = set(trim(side("LH", locomotion=2)).cautions)
    very = set(trim(side("LH", locomotion=4)).cautions)
    assert least < horn and least < lame < very
    assert any("cannot be seen in a photo" in text for text in least)
    assert any("does not travel" in text for text in very - lame)
    assert set(trim(sole("LH", 145, 115)).cautions) > {each for each in lame if "veterinarian at once" in each}


@pytest.mark.parametrize(
    ("photos", "said"),
    [
        ([side("LH", toe_length=55, profile="calf-yearling")], "not judged, since no reference values fit"),
        (whole("LH", signs=("swelling",)), "A veterinarian sees this foot before any horn"),
        ([sole("LH", 145, 115, status="review")], "take no horn from this foot because of it"),
        (whole("LH", helical=(41, 4)), "No length and no line is given for: outer claw,"),
        (whole("LH", toes=(80, 80)), "At or under the minimum, do not shorten: outer claw, inner claw."),
        (whole("LH", toes=(92, 86)), "do not shorten on the strength of these photos: inner claw."),
        ([side("LF", "inner")], "No minimum length is known for: inner claw."),
        ([side("LF", toe_length=76)], "do not shorten on the strength of these photos: outer claw."),
        ([side(None, toe_length=84)], "do not shorten on the strength of these photos: outer claw."),
        ([photo("a.jpg", "LH", status="refused")], "The length of the toes is not known"),
        ([sole("LH", 117, 115, apparent=19)], "a toe that only stands forward is not a long one"),
        (whole("LH"), "Ordinary by what the photos show: outer claw, inner claw."),
        ([side("LH")], "Nothing is said of how much toe could be spared on: outer claw."),
    ],
)
def test_each_sentence(photos: list[PhotoFacts], said: str) -> None:
    assert said in " ".join(trim(*photos).text)


def test_a_claw_under_doubt_is_spared_though_a_surer_row_speaks_of_it() -> None:
    """By the side photos a little longer, by a sole photo under review far: nothing is measured out on it."""
    photos = [
        side("LH", toe_length=98, u=0.5, name="outer.jpg"),
        side("LH", "inner", toe_length=91, u=0.5, name="inner.jpg"),
        sole("LH", 145, 115, helical=(5, 4), status="review"),
    ]
    result = foot(*photos)
    assert {each.code for each in result.findings} == {"out_of_proportion_watch", "out_of_proportion"}
    assert "No length and no line is given for: outer claw," in " ".join(result.trim.text)
    assert all(spare.most is None for spare in result.trim.spare.values())
    assert {"outer-far-out-of-proportion", "toe-out-of-proportion"} <= {
        each.rule for each in result.checked if each.state == "shown"
    }
    looked_at = foot(*photos[:2], replace(photos[2], status="measured"))
    assert {each.code for each in looked_at.findings} == {"out_of_proportion"} and looked_at.trim.veterinarian
