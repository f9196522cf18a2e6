"""After a trim: what changed, what is left, what it did harm to, and when to look again."""

from __future__ import annotations

from datetime import date, timedelta
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from clawvision.findings import assess_feet
from clawvision.types import AfterTrim, PhotoFacts
from tests.findings.photos import PROFILES, photo, side, whole

DAY = date(2031, 4, 2)


def after(*photos: PhotoFacts) -> AfterTrim:
    found = [foot.after_trim for foot in assess_feet(photos, PROFILES)[0] if foot.stage == "after"]
    assert len(found) == 1 and found[0] is not None
    return found[0]


def pair(before: dict[str, Any], now: dict[str, Any], claw: str = "outer") -> list[PhotoFacts]:
    """A claw from the side, before and after a trim."""
    return [
        side("LH", claw, name="before.jpg", stage="before", **before),
        side("LH", claw, name="after.jpg", stage="after", **now),
    ]


def test_only_feet_after_a_trim_are_reported_on() -> None:
    feet, _ = assess_feet(pair({}, {}), PROFILES)
    assert [(foot.stage, foot.after_trim is not None) for foot in feet] == [("before", False), ("after", True)]


@pytest.mark.parametrize(
    ("before", "now", "said"),
    [
        ({"toe_length": 118}, {"toe_length": 91}, "Outer claw: the toe is 27 ± 3 mm shorter than before."),
        ({"toe_angle": 44}, {"toe_angle": 51}, "Outer claw: the toe angle is 7 ± 3° steeper than before."),
        ({"heel_height": 40}, {"heel_height": 46}, "Outer claw: the heel is 6 ± 3 mm higher than before."),
    ],
)
def test_what_changed_is_told_with_its_uncertainty(before: Any, now: Any, said: str) -> None:
    assert after(*pair(before, now)).achieved[0] == said


def test_a_change_inside_its_uncertainty_is_not_told() -> None:
    """√(2² + 2²) = 2.83 mm."""
    assert after(*pair({"toe_length": 96.8}, {"toe_length": 94.0})).achieved == ()
    assert after(*pair({"toe_length": 96.9}, {"toe_length": 94.0})).achieved != ()


@pytest.mark.parametrize(
    ("before", "now", "harm"),
    [
        ({"toe_length": 97}, {"toe_length": 70}, True),
        ({"toe_length": 97}, {"toe_length": 82}, True),
        ({"toe_length": 82}, {"toe_length": 82}, False),
        ({"toe_length": 82}, {"toe_length": 80}, False),  # no shorter beyond ± 2.83
        ({"toe_length": 82}, {"toe_length": 78}, True),
        ({"toe_length": 86}, {"toe_length": 82}, True),  # it was not known to be short
        ({"toe_length": None}, {"toe_length": 82}, True),
    ],
)
def test_what_is_short_now_is_harm_unless_it_was_left_as_it_was(before: Any, now: Any, harm: bool) -> None:
    found = after(*pair(before, now))
    assert bool(found.harm) is harm
    assert bool([text for text in found.open if "whether the toe is short" in text]) is not harm


def test_what_is_short_without_photos_from_before_is_told_as_harm() -> None:
    assert len(after(side("LH", toe_length=70, stage="after")).harm) == 1


def test_shown_before_and_not_measured_now_is_open() -> None:
    found = after(*pair({"dorsal_concavity": 7}, {"dorsal_concavity": None}))
    assert any(text.startswith("Outer claw, the front wall: seen before the trim; whether") for text in found.open)


def test_only_the_same_foot_is_compared() -> None:
    other = side("RH", name="before.jpg", stage="before", toe_length=118)
    assert after(other, side("LH", stage="after")).compared_with == ()


@pytest.mark.parametrize(
    ("days", "stage", "compared"),
    [(0, "before", True), (0, "check", True), (7, "before", True), (7, "check", True), (8, "before", False)],
)
def test_photos_from_before_are_at_most_a_week_old(days: int, stage: Any, compared: bool) -> None:
    taken = (DAY - timedelta(days=days)).isoformat()
    before = side("LH", name="before.jpg", stage=stage, taken=taken, toe_length=118)
    found = after(before, side("LH", name="after.jpg", stage="after", toe_length=91))
    assert (found.compared_with == ("before.jpg",)) is compared


def test_photos_from_after_an_earlier_trim_are_none_from_before_this_one() -> None:
    earlier = side("LH", name="earlier.jpg", stage="after", taken="2031-03-30", toe_length=95)
    feet, _ = assess_feet([earlier, side("LH", name="after.jpg", stage="after")], PROFILES)
    assert all(foot.after_trim is not None and foot.after_trim.compared_with == () for foot in feet)


@pytest.mark.parametrize(
    ("photos", "days"),
    [
        (whole("LH", stage="after"), 120),
        (whole("LH", stage="after", toes=(105, 105)), 120),
        (whole("LH", stage="after", toes=(82, 82)), 28),
        (whole("LH", stage="after", helical=(41, 4)), 28),
        (whole("LH", stage="after", outer=145, inner=115), 28),
        (whole("LH", stage="after", locomotion=1), 120),
        (whole("LH", stage="after", locomotion=2), 3),
        (whole("LH", stage="after", signs=("heat",)), 3),
        (whole("LH", stage="after", toes=(82, 82), locomotion=3), 3),
    ],
)
def test_when_to_look_again(photos: list[PhotoFacts], days: int) -> None:
    found = after(*photos)
    assert found.next_look == (DAY + timedelta(days=days)).isoformat()
    assert found.expectation[-1].endswith(f"within {days} days.")
    assert "call whoever trimmed, or a veterinarian" in found.expectation[1]


def test_without_a_day_there_is_no_date_and_nothing_to_compare() -> None:
    found = after(*[side("LH", name=n, stage=s, taken=None) for n, s in (("a", "after"), ("b", "before"))])  # type: ignore[list-item]
    assert found.next_look is None and found.compared_with == () and found.expectation


def test_lame_after_a_trim_is_seen_to_like_any_lame_cow() -> None:
    feet, _ = assess_feet(whole("LH", stage="after", locomotion=3), PROFILES)
    assert feet[0].urgency.level == "within 48 hours"


def test_a_refused_photo_after_a_trim_leaves_the_level_unknown() -> None:
    feet, (animal,) = assess_feet([photo("a.jpg", "LH", stage="after", status="refused")], PROFILES)
    assert feet[0].urgency.level == animal.urgency.level == animal.pattern == "unknown"


@settings(deadline=None, max_examples=40)
@given(st.floats(60, 140), st.floats(60, 140), st.floats(0.2, 4.0))
def test_nothing_is_told_twice_and_harm_only_of_claws_that_are_short(old: float, new: float, u: float) -> None:
    before, now = (
        whole("LH", toes=(length, length), u=u, stage=stage, tag=stage)
        for length, stage in ((old, "before"), (new, "after"))
    )
    found = after(*before, *now)
    told = [*found.achieved, *found.open, *found.harm]
    assert len(told) == len(set(told))
    assert bool(found.harm) <= (new + u <= 85)
