"""How the outcomes of one family of rules lie over the feet: each pattern shown, not shown, and left open."""

from __future__ import annotations

from itertools import permutations
from typing import Any

import pytest

from clawvision.findings.assess import judge_foot
from clawvision.findings.book import PatternCondition, packaged_rules
from clawvision.findings.evidence import group_feet
from clawvision.findings.patterns import JudgedFoot, pattern_of
from clawvision.findings.profiles import choose_profile
from clawvision.findings.rules import combined
from clawvision.types import PhotoFacts, State
from tests.findings.photos import PROFILES, photo, side, sole, whole

S: State = "shown"
N: State = "not shown"
U: State = "cannot tell"


# --- Kleene's strong three-valued logic: Kleene 1952, Introduction to Metamathematics, section 64


@pytest.mark.parametrize(
    ("one", "other", "both", "either"),
    [
        (S, S, S, S),
        (S, U, U, S),
        (S, N, N, S),
        (U, U, U, U),
        (U, N, N, U),
        (N, N, N, N),
    ],
)
def test_the_truth_tables(one: State, other: State, both: State, either: State) -> None:
    for states in permutations((one, other)):
        assert combined(states, every=True) == both
        assert combined(states, every=False) == either


@pytest.mark.parametrize("state", [S, N, U])
def test_one_alone_is_itself_and_none_holds_for_every_but_not_for_any(state: State) -> None:
    assert combined([state], every=True) == combined([state], every=False) == state
    assert combined([], every=True) == S and combined([], every=False) == N
    assert combined(iter([state, S]), every=True) == state


def test_three_together_are_any_two_of_them_with_the_third() -> None:
    for states in [(a, b, c) for a in (S, N, U) for b in (S, N, U) for c in (S, N, U)]:
        for every in (True, False):
            pair = combined(states[:2], every=every)
            assert combined(states, every=every) == combined([pair, states[2]], every=every)


# --- patterns


def judged(*photos: PhotoFacts) -> list[JudgedFoot]:
    """Each foot judged by its profile, in the order of the feet's names."""
    book = packaged_rules()
    return [judge_foot(each, choose_profile(each.profile, PROFILES), book) for each in group_feet(photos)]


def state(lies: Any, family: str, *photos: PhotoFacts, **more: Any) -> State:
    return pattern_of(PatternCondition(family=family, lies=lies, **more), judged(*photos)).state


def toes(foot: str, outer: float, inner: float) -> list[PhotoFacts]:
    return [side(foot, "outer", toe_length=outer), side(foot, "inner", toe_length=inner)]


LONG, DOUBT, USUAL = 118.0, 101.0, 92.0
"""Above the watch length of 100 mm; too close to it to call; below it; each ± 2 mm."""
TURNED, STRAIGHT, UNCLEAR = (41.0, 4.0), (5.0, 4.0), (16.0, 4.0)
"""Turn of the bearing surface of outer and inner claw; above 15 degrees is a twist; each ± 2 degrees."""


@pytest.mark.parametrize(
    ("feet", "expected"),
    [
        ({"LH": (LONG, LONG), "RH": (LONG, LONG)}, S),
        ({"LH": (LONG, LONG), "LF": (LONG, LONG), "RF": (LONG, LONG)}, S),
        ({"LH": (LONG, LONG), "RH": (LONG, DOUBT)}, U),
        ({"LH": (LONG, DOUBT), "RH": (LONG, USUAL)}, N),
        ({"LH": (LONG, LONG), "RH": (LONG, USUAL)}, N),
        ({"LH": (LONG, LONG)}, U),
    ],
)
def test_every_claw_of_every_foot(feet: dict[str, tuple[float, float]], expected: State) -> None:
    photos = [each for foot, lengths in feet.items() for each in toes(foot, *lengths)]
    assert state("every claw of every foot", "overgrowth", *photos) == expected


def test_every_claw_of_every_foot_needs_a_length_of_each_and_names() -> None:
    one = toes("LH", LONG, LONG)
    assert state("every claw of every foot", "overgrowth", *one, sole("RH")) == U
    assert state("every claw of every foot", "overgrowth", *one, side(None, toe_length=LONG, name="x")) == U
    both = [*one, *toes("RH", LONG, LONG)]
    assert state("every claw of every foot", "overgrowth", *both, side(None, toe_length=LONG, name="x")) == U


@pytest.mark.parametrize(
    ("photos", "expected"),
    [
        (toes("LH", 95, 92), S),  # 3 + 2.8 within 10
        (toes("LH", 95, 87.4), U),  # 7.6 ± 2.8: neither within 10 nor beyond 5
        ([*toes("LH", 95, 80)], N),  # out of proportion
        ([sole("LH")], S),
        ([sole("LH", 127, 113)], U),
        ([sole("LH", 131, 113)], N),
        ([*toes("LH", 95, 92), sole("LH", 127, 113)], U),
        ([side("LH")], U),
        ([photo("a.jpg", "LH", status="refused")], U),
        ([], U),
    ],
)
def test_even_on_every_foot(photos: list[PhotoFacts], expected: State) -> None:
    assert state("even on every foot", "proportion", *photos) == expected


def test_one_uneven_foot_among_even_ones_is_not_even_everywhere() -> None:
    assert state("even on every foot", "proportion", sole("LH"), sole("RH", 145, 115)) == N
    assert state("even on every foot", "proportion", sole("LH"), sole("RH", 127, 113)) == U


@pytest.mark.parametrize(
    ("feet", "expected"),
    [
        ({"LH": (LONG, USUAL), "RH": (USUAL, USUAL)}, S),
        ({"LH": (LONG, USUAL), "RF": (USUAL, USUAL), "LF": (USUAL, USUAL)}, S),
        ({"LH": (LONG, LONG), "RH": (USUAL, USUAL)}, N),
        ({"LH": (LONG, USUAL), "RH": (LONG, USUAL)}, N),
        ({"LH": (LONG, DOUBT), "RH": (USUAL, USUAL)}, U),
        ({"LH": (LONG, USUAL), "RH": (USUAL, DOUBT)}, U),
        ({"LH": (LONG, USUAL)}, U),
        ({"LH": (USUAL, USUAL), "RH": (USUAL, USUAL)}, U),
    ],
)
def test_one_claw_alone(feet: dict[str, tuple[float, float]], expected: State) -> None:
    photos = [each for foot, lengths in feet.items() for each in toes(foot, *lengths)]
    assert state("one claw alone", "overgrowth", *photos) == expected


def test_one_claw_alone_of_a_foot_of_which_one_claw_was_photographed() -> None:
    assert state("one claw alone", "overgrowth", *toes("LH", LONG, USUAL), side("RH")) == S
    assert state("one claw alone", "overgrowth", side("LH", toe_length=LONG), *toes("RH", USUAL, USUAL)) == U
    assert state("one claw alone", "overgrowth", *toes("LH", LONG, USUAL), sole("RH")) == U


@pytest.mark.parametrize(
    ("left", "right", "one_foot", "not_seen", "both"),
    [
        (TURNED, STRAIGHT, S, N, N),
        (STRAIGHT, TURNED, S, N, N),
        (TURNED, TURNED, N, N, S),
        (TURNED, UNCLEAR, U, N, U),
        (TURNED, (4.0, 41.0), S, N, N),
        (STRAIGHT, STRAIGHT, U, N, N),
        (UNCLEAR, UNCLEAR, U, N, U),
        (TURNED, None, U, S, U),
    ],
)
def test_a_pair_of_feet(left: Any, right: Any, one_foot: State, not_seen: State, both: State) -> None:
    for names in (("LH", "RH"), ("LF", "RF")):
        photos = [
            sole(foot, 114, 114, widths=(45, 45), helical=turn)
            for foot, turn in zip(names, (left, right), strict=True)
            if turn is not None
        ]
        pair: Any = "same claw of both hind feet" if names[0] == "LH" else "same claw of both fore feet"
        other: Any = "same claw of both fore feet" if names[0] == "LH" else "same claw of both hind feet"
        assert state("one foot of a pair", "twist", *photos) == one_foot
        assert state("one foot, its pair not seen", "twist", *photos) == not_seen
        assert state(pair, "twist", *photos) == both
        assert state(other, "twist", *photos) == U


def test_a_pair_seen_without_what_it_takes_is_neither_alike_nor_unseen() -> None:
    """The other foot's toe is straight, but its bearing surface was not read, which alone rules a twist out."""
    photos = [sole("LH", helical=TURNED), sole("RH")]
    assert state("one foot of a pair", "twist", *photos) == U
    assert state("one foot, its pair not seen", "twist", *photos) == N
    side_only = [sole("LH", helical=TURNED), side("RH")]
    assert state("one foot, its pair not seen", "twist", *side_only) == S


def test_a_hind_and_a_fore_foot_are_no_pair() -> None:
    photos = [sole("LH", helical=TURNED), sole("LF", 114, 114, widths=(45, 45), helical=STRAIGHT)]
    assert state("one foot of a pair", "twist", *photos) == U
    assert state("one foot, its pair not seen", "twist", *photos) == S


def test_a_pattern_of_one_claw_does_not_count_the_other() -> None:
    outer = [sole(foot, helical=TURNED) for foot in ("LH", "RH")]
    for claw, expected in (("outer", S), ("inner", N)):
        assert state("same claw of both hind feet", "twist", *outer, claw=claw) == expected
    crossed = [sole("LH", helical=TURNED), sole("RH", helical=(4.0, 41.0))]
    assert state("same claw of both hind feet", "twist", *crossed) == N


@pytest.mark.parametrize(
    ("photos", "expected"),
    [
        ([sole("LH", 145, 115)], S),
        ([sole("LH", 145, 115), photo("r.jpg", "RH", status="refused")], S),
        ([sole("LH", 145, 115), sole("LF", 114, 114)], S),
        ([sole("LH", 145, 115), side("RH")], N),
        ([sole("LH")], N),
        ([sole("LF", 150, 115)], N),
        ([sole("LH", 131, 113)], N),  # in the watch band only
        ([], N),
    ],
)
def test_one_hind_foot_the_other_not_photographed(photos: list[PhotoFacts], expected: State) -> None:
    lies = "one hind foot, the other not photographed"
    assert state(lies, "proportion", *photos, code="out_of_proportion") == expected


def test_a_pattern_names_the_feet_and_findings_that_it_rests_on() -> None:
    feet = judged(sole("LH", helical=TURNED), sole("RH", helical=(38.0, 4.0)), side("LF"))
    asked = PatternCondition(family="twist", lies="same claw of both hind feet")
    found = pattern_of(asked, feet)
    assert [foot.evidence.foot for foot in found.feet] == ["LH", "RH"]
    assert [(each.claw, each.rule.code) for each in found.outcomes] == [("outer", "twist")] * 2
    assert all(each.finding is not None for each in found.outcomes)


def test_a_code_narrows_a_family() -> None:
    photos = [sole("LH", 131, 113), sole("RH", 131, 113)]
    assert state("same claw of both hind feet", "proportion", *photos) == S
    assert state("same claw of both hind feet", "proportion", *photos, code="out_of_proportion") == U


def test_a_row_that_another_is_reported_in_place_of_does_not_count_twice() -> None:
    (foot,) = judged(*whole("LH", toes=(LONG, USUAL)))
    asked = PatternCondition(family="overgrowth", lies="one claw alone")
    shown = [each.rule.id for each in foot.outcomes if each.rule.family == "overgrowth" and each.state == S]
    assert shown == ["overgrown", "long"] and [each.rule.id for each in foot.shown(asked)] == ["overgrown"]
