"""Photos gathered into feet, numbers into words, and the documentation that follows the data."""

from __future__ import annotations

from dataclasses import replace
from datetime import date
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from clawvision.findings import assess_feet, load_profiles
from clawvision.findings.evidence import JOINED, Observed, group_feet
from clawvision.findings.table import rules_table, statuses_table
from clawvision.findings.wording import with_unit
from clawvision.types import PhotoFacts, View
from tests.findings.photos import PROFILES, photo, side, sole


def test_feet_are_told_apart_by_animal_foot_stage_and_day() -> None:
    facts = [
        side("LH", "outer", name="a"),
        side("LH", "inner", name="b", taken="2031-04-02T17:30:00"),
        side("LH", name="c", taken="2031-04-03"),
        side("LH", name="d", stage="after"),
        side("RH", name="e"),
        side("LH", name="f", animal="Berta 3"),
        side("LH", name="g", taken=None),
        side("LH", name="h", taken="last spring"),
    ]
    groups = {(foot.animal, foot.taken, foot.foot, foot.stage): foot.photos for foot in group_feet(facts)}
    assert groups == {
        ("Alma 12", None, "LH", "check"): ("g", "h"),
        ("Alma 12", date(2031, 4, 2), "LH", "check"): ("a", "b"),
        ("Alma 12", date(2031, 4, 2), "LH", "after"): ("d",),
        ("Alma 12", date(2031, 4, 2), "RH", "check"): ("e",),
        ("Alma 12", date(2031, 4, 3), "LH", "check"): ("c",),
        ("Berta 3", date(2031, 4, 2), "LH", "check"): ("f",),
    }


def test_of_several_photos_the_surest_value_is_kept() -> None:
    facts = [side("LH", name="a", toe_length=93, u=4.0), side("LH", name="b", toe_length=91, u=1.5)]
    (foot,) = group_feet(facts)
    kept = foot.claws["outer"]["toe_length"]
    assert (kept.value, kept.uncertainty, kept.photo, kept.doubtful) == (91, 1.5, "b", False)
    assert not foot.notes


def test_photos_that_disagree_are_noted_and_weaken_a_finding() -> None:
    facts = [side("LH", name="a", toe_length=93, u=4.0), side("LH", name="b", toe_length=120, u=1.5)]
    feet, _ = assess_feet(facts, PROFILES)
    (finding,) = feet[0].findings
    assert finding.code == "overgrown" and finding.strength == "weak"
    assert any("disagree about toe_length of the outer claw" in reason for reason in feet[0].urgency.reasons)


def test_a_photo_under_review_gives_way_to_one_that_is_not() -> None:
    facts = [side("LH", name="a", toe_length=93, u=4.0), side("LH", name="b", toe_length=140, u=0.5, status="review")]
    (foot,) = group_feet(facts)
    assert foot.claws["outer"]["toe_length"].photo == "a" and not foot.claws["outer"]["toe_length"].doubtful


def test_a_refused_photo_gives_no_measures_but_its_signs_count() -> None:
    facts = [side("LH", name="a", toe_length=140, status="refused", signs=("wound",)), side("LH", name="b")]
    (foot,) = group_feet(facts)
    assert foot.claws["outer"]["toe_length"].photo == "b"
    assert foot.signs == ("wound",) and foot.refused_photos == ("a",)


@pytest.mark.parametrize("value", [float("nan"), float("inf")])
def test_values_that_are_no_numbers_say_nothing(value: float) -> None:
    (foot,) = group_feet([photo("a", "LH", claws={"outer": {"toe_length": value}})])
    assert not foot.claws


def test_a_gait_counts_for_all_feet_of_that_day() -> None:
    feet, animals = assess_feet(
        [side("LH", locomotion=3), side("RH"), side("RH", name="x", taken="2031-05-01")], PROFILES
    )
    assert [foot.urgency.level for foot in feet] == ["within 48 hours", "within 48 hours", "no sign in the photo"]
    assert animals[0].urgency.level == "within 48 hours"


def test_contradictory_rows_are_noted() -> None:
    facts = [
        side("LH", name="a", profile="jersey", trimmed=date(2031, 1, 1)),
        side("LH", "inner", name="b", profile="bull", trimmed=date(2031, 2, 1)),
    ]
    (foot,) = group_feet(facts)
    assert foot.profile == "jersey" and foot.trimmed == date(2031, 2, 1) and len(foot.notes) == 2


def test_an_animal_is_judged_by_the_latest_photos_of_each_foot() -> None:
    facts = [sole("LH", 150, 115, taken="2031-01-05"), side("LH", taken="2031-04-02"), side("RH", taken="2031-03-01")]
    feet, (animal,) = assess_feet(facts, PROFILES)
    assert len(feet) == 3 and animal.pattern == "no finding in the photos" and not animal.findings


def test_one_foot_that_nobody_could_judge_leaves_the_animal_unknown() -> None:
    _, (animal,) = assess_feet([side("LH"), photo("x", "RH", status="refused")], PROFILES)
    assert animal.urgency.level == "unknown" and animal.urgency.at_least


def test_long_feet_with_one_uneven_pair_are_not_just_overdue() -> None:
    facts = [side(foot, claw, toe_length=117) for foot in ("LH", "RH") for claw in ("outer", "inner")]
    assert [each.code for each in assess_feet(facts, PROFILES)[1][0].findings] == ["overdue_trim"]
    _, (animal,) = assess_feet([*facts, sole("LH", 185, 150)], PROFILES)
    assert "overdue_trim" not in {each.code for each in animal.findings}


def test_nothing_in_nothing_out() -> None:
    assert assess_feet([], load_profiles()) == ((), ())


@pytest.mark.parametrize(
    ("value", "uncertainty", "unit", "text"),
    [
        (92.46, 1.2, "mm", "92 ± 2 mm"),
        (92.46, 0.31, "mm", "92.5 ± 0.4 mm"),
        (92.46, 0.3, "mm", "92.5 ± 0.3 mm"),
        (-0.3, 1.0, "mm", "0 ± 1 mm"),
        (-7.6, 1.0, "deg", "−8 ± 1°"),
        (6.57, None, "percent", "6.57 %"),
        (85.0, None, "mm", "85 mm"),
        (1.0, None, "months", "1 month"),
        (1.44, None, "months", "1.4 months"),
        (4.6, None, "months", "5 months"),
    ],
)
def test_numbers_have_the_digits_that_their_uncertainty_lets_stand(
    value: float, uncertainty: float | None, unit: str, text: str
) -> None:
    assert with_unit(value, uncertainty, unit) == text


def test_the_documentation_holds_the_current_tables() -> None:
    text = (Path(__file__).parents[2] / "docs" / "findings.md").read_text(encoding="utf-8")
    assert rules_table() in text
    assert statuses_table() in text


def test_a_closed_difference_left_open_is_not_overruled_by_the_toes() -> None:
    facts = [side(foot, claw, toe_length=117) for foot in ("LH", "RH") for claw in ("outer", "inner")]
    _, (animal,) = assess_feet([*facts, sole("LH", 168, 150, u=5.0)], PROFILES)
    assert "overdue_trim" not in {each.code for each in animal.findings}


# --- one value of two views -----------------------------------------------------------------------------------------


def twisted(value: float, u: float, view: View, name: str | None = None, status: str = "measured") -> PhotoFacts:
    facts = photo(name or f"{view}.jpg", "LH", claws={"outer": {"helical_twist": value}}, u=u, status=status)
    return replace(facts, view=view)


def twist_of(*facts: PhotoFacts) -> Observed:
    (foot,) = group_feet(facts)
    return foot.claws["outer"]["helical_twist"]


def correlated_mean(values: list[float], u: list[float], correlation: float) -> tuple[float, float]:
    """The best linear unbiased mean of correlated values, from their covariance matrix (Aitken 1935, Proc R Soc Edinb
    55:42-48)."""
    covariance = np.outer(u, u) * np.array([[1.0, correlation], [correlation, 1.0]])
    inverse = np.linalg.inv(covariance)
    return float(inverse.sum(axis=0) @ values / inverse.sum()), float(1.0 / np.sqrt(inverse.sum()))


@given(
    values=st.tuples(st.floats(-10.0, 60.0), st.floats(-10.0, 60.0)),
    u=st.tuples(st.floats(0.5, 30.0), st.floats(0.5, 30.0)),
)
@settings(deadline=None, max_examples=60)
def test_the_twist_of_two_views_is_their_best_mean(values: tuple[float, float], u: tuple[float, float]) -> None:
    agree = abs(values[0] - values[1]) <= np.hypot(*u)
    both = twist_of(twisted(values[0], u[0], "side"), twisted(values[1], u[1], "sole"))
    assert bool(both.rivals) == (not agree)
    if not agree:
        assert both.value == values[int(np.argmin(u))] and not both.parts
        return
    assert both.uncertainty <= min(u) + 1e-9
    assert min(values) - 1e-9 <= both.value <= max(values) + 1e-9
    assert {(part.photo, part.value, part.uncertainty) for part in both.parts} == {
        ("side.jpg", values[0], u[0]),
        ("sole.jpg", values[1], u[1]),
    }
    if min(u) > JOINED["helical_twist"] * max(u):  # else the less sure view's weight would be negative
        value, uncertainty = correlated_mean(list(values), list(u), JOINED["helical_twist"])
        assert both.value == pytest.approx(value, abs=1e-6)
        assert both.uncertainty == pytest.approx(uncertainty, abs=1e-6)


def test_only_two_views_of_like_standing_are_joined() -> None:
    alone = twist_of(twisted(20.0, 6.0, "sole"))
    assert (alone.value, alone.uncertainty, alone.parts) == (20.0, 6.0, ())
    same = twist_of(twisted(20.0, 6.0, "sole"), twisted(23.0, 8.0, "sole", "again.jpg"))
    assert (same.value, same.uncertainty, same.parts) == (20.0, 6.0, ())
    reviewed = twist_of(twisted(20.0, 6.0, "sole"), twisted(24.0, 2.0, "side", status="review"))
    assert (reviewed.value, reviewed.parts, reviewed.doubtful) == (20.0, (), False)
    three = twist_of(twisted(20.0, 6.0, "sole"), twisted(23.0, 8.0, "sole", "z.jpg"), twisted(24.0, 6.0, "side"))
    assert {part.photo for part in three.parts} == {"sole.jpg", "side.jpg"}
    assert three.value == pytest.approx(22.0)


def test_a_finding_from_two_views_leads_back_to_both() -> None:
    feet, _ = assess_feet([twisted(40.0, 10.0, "side"), twisted(44.0, 10.0, "sole")], PROFILES)
    (finding,) = feet[0].findings
    assert finding.code == "twist"
    rows = [row for row in finding.chain if row["measure"] == "outer helical_twist"]
    assert {row["photo"] for row in rows if row["photo"]} == {"side.jpg", "sole.jpg"}
    made = next(row for row in rows if row["source"] == "computed")
    assert made["value"] == pytest.approx(42.0) and "weighted" in made["formula"]
    weak, _ = assess_feet([twisted(16.0, 10.0, "side"), twisted(44.0, 10.0, "sole")], PROFILES)
    assert any("disagree about helical_twist" in reason for reason in weak[0].urgency.reasons)
