"""The standard frame, resampling and semilandmarks."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from clawvision.errors import UsageError
from clawvision.shape import ClawShape, resample, semilandmarks, standard_frame
from clawvision.shape.frame import SECTIONS, cleft_is_right
from tests.shape.claws import moved, side_claw, sole_claw, true_claws

MOVES = {
    "degrees": st.floats(-180, 180),
    "shift": st.tuples(st.floats(-500, 500), st.floats(-500, 500)),
    "start": st.integers(0, 599),
    "backwards": st.booleans(),
}


def test_a_straight_wedge_lies_where_plane_geometry_puts_it() -> None:
    found = standard_frame(side_claw(75.0, 50.0, 38.0, 110.0))
    # H is where the quarter circle of radius 14 faces halfway down and back
    heel = 14 * (1 - 1 / np.sqrt(2))
    a = np.radians(50.0)
    toe = np.array([110.0 - heel, 0.0])
    # the outline's points are 0.6 mm apart, so its corners are cut by some tenths
    assert found.landmarks["T"] == pytest.approx(toe, abs=0.3)
    assert found.landmarks["C"] == pytest.approx(toe + 75 * np.array([-np.cos(a), np.sin(a)]), abs=0.3)
    assert found.landmarks["B"] == pytest.approx([-heel, 38.0], abs=0.3)
    assert found.landmarks["H"] == pytest.approx([0.0, heel], abs=0.3)
    assert not found.mirrored
    assert found.outline[0] == pytest.approx(found.landmarks["T"])
    assert 0 == found.at["T"] < found.at["C"] < found.at["B"] < found.at["H"]


@given(**MOVES, mirror=st.booleans())
@settings(max_examples=60, deadline=None)
def test_a_side_view_comes_out_the_same_wherever_and_however_it_was_drawn(
    degrees: float, shift: tuple[float, float], start: int, backwards: bool, mirror: bool
) -> None:
    shape = side_claw()
    wanted, found = (
        standard_frame(each) for each in (shape, moved(shape, degrees, shift, 1.0, start, backwards, mirror))
    )
    assert found.mirrored is mirror
    # the bearing line's search joins hull edges within 0.3 mm and begins at a corner that a turn may change
    assert semilandmarks(found) == pytest.approx(semilandmarks(wanted), abs=0.35)
    assert resample(found, 100) == pytest.approx(resample(wanted, 100), abs=0.35)


@given(**MOVES)
@settings(max_examples=60, deadline=None)
def test_a_sole_view_comes_out_the_same_wherever_and_however_it_was_drawn(
    degrees: float, shift: tuple[float, float], start: int, backwards: bool
) -> None:
    shape = sole_claw()
    wanted, found = (standard_frame(each) for each in (shape, moved(shape, degrees, shift, 1.0, start, backwards)))
    assert semilandmarks(found) == pytest.approx(semilandmarks(wanted), abs=1e-6)
    assert resample(found, 100) == pytest.approx(resample(wanted, 100), abs=1e-6)


@pytest.mark.parametrize("scale", [0.6, 0.9, 1.5])
def test_a_larger_claw_is_larger_and_nothing_else(scale: float) -> None:
    wanted = semilandmarks(standard_frame(sole_claw()))
    assert semilandmarks(standard_frame(moved(sole_claw(), scale=scale))) == pytest.approx(scale * wanted, abs=1e-6)
    wanted = semilandmarks(standard_frame(side_claw()))
    assert semilandmarks(standard_frame(moved(side_claw(), scale=scale))) == pytest.approx(scale * wanted, abs=0.35)


def test_the_soles_of_all_feet_are_shown_alike_with_the_toe_bent_to_the_cleft_on_the_right() -> None:
    kinds = [("outer", "LF"), ("inner", "LH"), ("outer", "RH"), ("inner", "RF"), ("left", None), ("right", None)]
    shown = [standard_frame(sole_claw(claw, foot, bend=10.0)) for claw, foot in kinds]
    first = semilandmarks(shown[0])
    for each in shown[1:]:
        assert semilandmarks(each) == pytest.approx(first, abs=1e-9)
    assert [each.mirrored for each in shown] == [True, False, False, True, False, True]
    # the toe is on the axis, so a toe that turns right leaves the middle of the claw to the left of it
    middle = (np.abs(first[:, 1] - 45) < 15).nonzero()[0]
    assert first[middle, 0].mean() < -1.0
    assert shown[0].landmarks["T"][0] == pytest.approx(0.0, abs=1e-9)
    assert shown[0].landmarks["T"][1] > 0 > shown[0].landmarks["E"][1]


def test_the_cleft_lies_where_the_partner_claw_is() -> None:
    """Truth from the modelled scenes: the other claw's place tells the side."""
    claws = {(shape.animal, shape.claw): shape for shape, _ in true_claws("sole")}
    assert len(claws) == 20
    for (animal, claw), shape in claws.items():
        other = claws[animal, "inner" if claw == "outer" else "outer"]
        up = shape.landmarks["T"] - shape.landmarks["K"]
        to_partner = other.outline.mean(axis=0) - shape.outline.mean(axis=0)
        right = np.array([-up[1], up[0]])  # of up, where y is down
        assert cleft_is_right(shape.claw, shape.foot) == (right @ to_partner > 0)


def test_modelled_side_views_have_their_true_heights() -> None:
    for shape, true in true_claws("side"):
        found = standard_frame(shape)
        # the bearing line's search joins hull edges within 0.3 mm; that tilts it, and T may lie as far again beyond its
        # end, so twice as much there
        assert found.landmarks["B"][1] == pytest.approx(true["heel_height"], abs=0.3)
        assert found.landmarks["C"][1] == pytest.approx(true["dorsal_height"], abs=0.3)
        assert found.landmarks["T"][1] == pytest.approx(true["toe_lift"], abs=0.6)
        assert found.landmarks["H"][0] == pytest.approx(0.0, abs=1e-9)
        length = np.hypot(*(found.landmarks["C"] - found.landmarks["T"]))
        assert length == pytest.approx(true["toe_length"], abs=0.1)


def test_modelled_soles_have_their_true_length() -> None:
    for shape, true in true_claws("sole"):
        found = standard_frame(shape)
        assert np.ptp(found.outline[:, 1]) == pytest.approx(true["sole_length"], abs=0.05)
        without = standard_frame(replace(shape, landmarks={}))  # K and T found on the outline
        assert without.landmarks["T"] == pytest.approx(found.landmarks["T"], abs=0.05)


def test_semilandmarks_hold_the_landmarks_and_part_their_sections_evenly() -> None:
    found = standard_frame(side_claw())
    points = semilandmarks(found)
    assert len(points) == 84
    at = np.cumsum([0, *(count + 1 for count in SECTIONS["side"].values())])
    for name, index in zip("TCBH", at, strict=False):
        assert points[index] == pytest.approx(found.landmarks[name], abs=1e-9)
    wall = np.hypot(*np.diff(points[at[0] : at[1] + 1], axis=0).T)
    assert wall == pytest.approx(75 / 21, abs=0.02)  # the straight wall, in 21 pieces
    assert len(semilandmarks(standard_frame(sole_claw()))) == 66
    few = {("T", "C"): 1, ("C", "B"): 0, ("B", "H"): 0, ("H", "T"): 2}
    assert len(semilandmarks(found, few)) == 7
    with pytest.raises(UsageError, match="sections"):
        semilandmarks(found, {("T", "E"): 3})


def test_resampling_is_even_along_the_outline_from_the_toe_counterclockwise() -> None:
    found = standard_frame(sole_claw())
    points = resample(found, 300)
    assert points[0] == pytest.approx(found.landmarks["T"])
    steps = np.hypot(*np.diff(np.vstack((points, points[:1])), axis=0).T)
    assert steps == pytest.approx(steps.mean(), rel=0.02)
    assert points[20, 0] < 0  # the abaxial border first
    with pytest.raises(UsageError, match="do not draw"):
        resample(found, 4)


def test_what_is_frozen_stays() -> None:
    shape = side_claw()
    with pytest.raises(ValueError, match="read-only"):
        shape.outline[0] = 0.0
    with pytest.raises(ValueError, match="read-only"):
        standard_frame(shape).outline[0] = 0.0


@pytest.mark.parametrize(
    ("change", "words"),
    [
        ({"view": "front"}, "front"),
        ({"outline": np.zeros((3, 2))}, "list of points"),
        ({"outline": np.full((20, 2), np.nan)}, "list of points"),
        ({"landmarks": {"T": (0, 0), "C": (0, 0)}}, "landmark B is missing"),
        ({"landmarks": {"T": (0, 0), "C": (0, 0), "B": (0, 0), "Q\x1b": (0, 0)}}, "no landmark Q"),
        ({"landmarks": {"T": (0, 0, 0), "C": (0, 0), "B": (0, 0)}}, "landmark T is no point"),
    ],
)
def test_wrong_input_says_what_is_wrong(change: dict[str, object], words: str) -> None:
    with pytest.raises(UsageError, match=words) as caught:
        replace(side_claw(), **change)  # type: ignore[arg-type]
    assert caught.value.remedy
    assert "\x1b" not in str(caught.value)


def test_outlines_that_cannot_be_placed_are_told() -> None:
    good = side_claw()
    with pytest.raises(UsageError, match="repeated"):
        replace(good, outline=np.vstack((good.outline, good.outline[:1])))
    eight = np.column_stack((50 * np.sin(np.arange(40) * np.pi / 20), 20 * np.sin(np.arange(40) * np.pi / 10)))
    with pytest.raises(UsageError, match="crosses itself"):
        replace(good, outline=eight)
    far = {**good.landmarks, "C": good.landmarks["C"] + (0.0, -40.0)}
    with pytest.raises(UsageError, match=r"landmark C lies [234]\d mm"):
        standard_frame(replace(good, landmarks=far))
    marks = good.landmarks
    with pytest.raises(UsageError, match="follow one another"):
        standard_frame(replace(good, landmarks={**marks, "H": marks["C"] + (5.0, 5.0)}))
    with pytest.raises(UsageError, match="cleft"):
        replace(sole_claw(), foot=None)
    with pytest.raises(UsageError, match="K does not lie inside"):
        standard_frame(replace(sole_claw(), landmarks={"K": (0.0, 300.0), "T": (0.0, -119.0)}))


def test_a_message_names_the_claw() -> None:
    assert ClawShape.name.fget(side_claw(animal="Thistle\n")) == "Thistle\\n LH outer claw"  # type: ignore[attr-defined]
