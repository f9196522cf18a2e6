"""Side-view measures and landmarks on shapes with a closed-form answer."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from clawvision.measure.curve import resample_open
from clawvision.measure.side import Profile, find_bearing, measure_side
from clawvision.measure.side_landmarks import find_side_landmarks
from tests.measure.shapes import turned, wedge


def measured(shape: dict[str, np.ndarray], dorsal: np.ndarray | None = None) -> dict[str, float]:
    border = resample_open(np.array([shape["T"], shape["C"]]), 50) if dorsal is None else dorsal
    profile = Profile(shape["outline"], border, shape["T"], shape["C"], shape["B"])
    bearing = find_bearing(shape["outline"], shape["T"], shape["C"], shape["B"])
    assert bearing is not None
    return measure_side(profile, bearing)


def test_a_straight_wedge_gives_its_own_numbers() -> None:
    """Straight wall: height of the coronet = toe length · sin(toe angle); 75 mm at 50°: 57.5 mm (plane geometry)."""
    values = measured(wedge(75.0, 50.0, 38.0, 110.0))
    assert values["toe_length"] == pytest.approx(75.0)
    assert values["dorsal_arc"] == pytest.approx(75.0)
    assert values["toe_angle"] == pytest.approx(50.0, abs=0.05)
    assert values["wall_angle"] == pytest.approx(50.0, abs=0.05)
    assert values["dorsal_concavity"] == pytest.approx(0.0, abs=1e-6)
    assert values["dorsal_height"] == pytest.approx(57.5, abs=0.1)
    assert values["heel_height"] == pytest.approx(38.0, abs=0.1)
    assert values["diagonal"] == pytest.approx(np.hypot(110.0, 38.0))
    assert values["toe_lift"] == pytest.approx(0.0, abs=0.05)
    # H is where the quarter circle of radius 14 faces halfway down and back: 14 (1 - 1/√2) before the rear
    assert values["bearing_length"] == pytest.approx(110.0 - 14.0 * (1 - 1 / np.sqrt(2)), abs=0.2)


def test_concavity_is_positive_where_the_wall_is_hollow_and_the_arc_longer_than_the_chord() -> None:
    shape = wedge()
    chord = shape["C"] - shape["T"]
    normal = np.array([-chord[1], chord[0]]) / np.hypot(*chord)  # away from the claw: up and forwards
    if normal @ (shape["B"] - shape["T"]) > 0:
        normal = -normal
    s = np.linspace(0.0, 1.0, 200)[:, None]
    depth = 4.0
    hollow = shape["T"] + s * chord - depth * 4 * s * (1 - s) * normal
    values = measured(shape, hollow)
    assert values["dorsal_concavity"] == pytest.approx(depth, abs=0.02)
    # a flat parabola of rise d over chord c is c + 8 d² / 3 c long to second order
    assert values["dorsal_arc"] == pytest.approx(75.0 + 8 * depth**2 / (3 * 75.0), abs=0.02)
    assert measured(shape, shape["T"] + s * chord + depth * 4 * s * (1 - s) * normal)["dorsal_concavity"] < 0


def test_a_curled_toe_is_lifted_off_the_line_behind_it() -> None:
    """The bearing line is the edge under the centroid, not the one under the raised tip."""
    shape = wedge(base=110.0)
    outline = shape["outline"].copy()
    ramp = np.clip((outline[:, 0] - 80.0) / 30.0, 0.0, None)
    low = outline[:, 1] < 1.0
    outline[low, 1] += 12.0 * ramp[low] ** 2
    toe = shape["T"] + np.array([0.0, 12.0])
    bearing = find_bearing(outline, toe, shape["C"], shape["B"])
    assert bearing is not None
    assert abs(float(bearing.height(toe))) == pytest.approx(12.0, abs=0.3)


def test_no_bearing_line_on_a_shape_that_balances_on_a_point() -> None:
    t = 2 * np.pi * np.arange(720) / 720
    round_shape = np.column_stack((60 * np.cos(t), 60 * np.sin(t)))
    bearing = find_bearing(round_shape, round_shape[0], round_shape[180], round_shape[360])
    # a circle has edges everywhere, each short: whatever is chosen lies under the centre
    assert bearing is None or float(bearing.height(np.zeros(2))) == pytest.approx(60.0, abs=1.0)


@given(
    degrees=st.floats(-40, 40),
    mirror=st.booleans(),
    length=st.floats(65, 150),
    angle=st.floats(25, 60),
    heel=st.floats(28, 45),
)
@settings(deadline=None, max_examples=40)
def test_landmarks_are_found_whatever_the_rotation_and_mirror(
    degrees: float, mirror: bool, length: float, angle: float, heel: float
) -> None:
    height = length * np.sin(np.radians(angle))
    base = length * np.cos(np.radians(angle)) + 60.0
    if not heel + 8 < height < 90:
        return
    shape = wedge(length, angle, heel, base)
    outline = turned(shape["outline"], degrees, mirror)
    up = turned(np.array([[0.0, 1.0]]), degrees, mirror)[0]
    marks = find_side_landmarks(outline, up)
    line = outline[::-1] if marks.flipped else outline
    for name, index in (("T", marks.toe), ("C", marks.coronet), ("B", marks.bulb)):
        expected = turned(shape[name][None], degrees, mirror)[0]
        assert np.hypot(*(line[index] - expected)) < 4.0, name


@given(degrees=st.floats(-180, 180), mirror=st.booleans(), scale=st.floats(0.6, 2.0))
@settings(deadline=None, max_examples=40)
def test_measures_follow_rotation_mirror_and_scale(degrees: float, mirror: bool, scale: float) -> None:
    shape = wedge()
    plain = measured(shape)
    moved = {name: turned(np.atleast_2d(points), degrees, mirror, scale) for name, points in shape.items()}
    moved = {name: points if name == "outline" else points[0] for name, points in moved.items()}
    values = measured(moved)
    for name, value in plain.items():
        expected = value if name.endswith("angle") else value * scale
        # joining hull edges within 0.8 mm is the one length that does not scale
        assert values[name] == pytest.approx(expected, abs=0.5), name
