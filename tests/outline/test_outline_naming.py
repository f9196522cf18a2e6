"""The naming rule, checked against anatomy and against turning and mirroring the picture."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from clawvision.outline.naming import sides, sole_name, toe_side
from clawvision.types import ClawName, Foot

_MIRRORED: dict[Foot, Foot] = {"LF": "RF", "RF": "LF", "LH": "RH", "RH": "LH"}


def _seen_from_below(foot: Foot, claw: ClawName) -> str:
    """Derive the side step by step in space, independently of the rule.

    The animal faces north, seen from above (x east, y north). A left foot's outer claw is its western one. Looking up
    from below with north still at the top of the picture, east appears on the left.
    """
    west = (foot[0] == "L") == (claw == "outer")
    east_m = -1.0 if west else 1.0
    right_in_picture = -east_m
    return "right" if right_in_picture > 0 else "left"


@pytest.mark.parametrize("foot", ["LF", "RF", "LH", "RH"])
@pytest.mark.parametrize("claw", ["outer", "inner"])
def test_sole_names_follow_from_the_geometry_of_a_look_from_below(foot: Foot, claw: ClawName) -> None:
    side = _seen_from_below(foot, claw)
    assert sole_name(side, foot) == claw  # type: ignore[arg-type]


def test_an_unknown_foot_keeps_left_and_right() -> None:
    assert sole_name("left", None) == "left"
    assert sole_name("right", None) == "right"


@given(st.floats(0, 2 * np.pi), st.floats(-500, 500), st.floats(-500, 500))
@settings(deadline=None, max_examples=50)
def test_sides_turn_with_the_picture(angle: float, x: float, y: float) -> None:
    turn = np.array([[np.cos(angle), -np.sin(angle)], [np.sin(angle), np.cos(angle)]])
    shift = np.array([x, y])
    left, right, toes = np.array([-30.0, 5.0]), np.array([32.0, -4.0]), np.array([1.0, -60.0])
    assert sides(turn @ left + shift, turn @ right + shift, turn @ toes) == ("left", "right")
    assert sides(turn @ right + shift, turn @ left + shift, turn @ toes) == ("right", "left")
    # Seen with the toes the other way, left and right change places.
    assert sides(turn @ left + shift, turn @ right + shift, turn @ -toes) == ("right", "left")


@pytest.mark.parametrize("foot", ["LF", "RF", "LH", "RH"])
@pytest.mark.parametrize("side", ["left", "right"])
def test_a_mirrored_picture_of_the_mirrored_foot_gives_the_same_names(foot: Foot, side: str) -> None:
    other = "right" if side == "left" else "left"
    assert sole_name(side, foot) == sole_name(other, _MIRRORED[foot])  # type: ignore[arg-type]


def test_the_toe_of_a_side_view_points_where_the_animal_faces() -> None:
    # From the animal's left side it faces left: its left feet's outer claws and its right feet's inner ones.
    assert toe_side("LF", "outer") == toe_side("RH", "inner") == "left"
    assert toe_side("RF", "outer") == toe_side("LH", "inner") == "right"
    assert toe_side(None, "outer") is None
    assert toe_side("LF", None) is None
