"""Sole-view measures on shapes with a closed-form answer."""

from __future__ import annotations

import numpy as np
import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st

from clawvision.measure.curve import resample_closed
from clawvision.measure.sole import find_long_axis, measure_foot, measure_sole
from tests.measure.shapes import almond, turned

UP = np.array([0.0, 1.0])


def test_an_almond_gives_its_own_numbers() -> None:
    outline = almond(120.0, 50.0)
    shape = measure_sole(outline, UP)
    assert shape.values["sole_length"] == pytest.approx(120.0, abs=0.3)
    assert shape.values["sole_width"] == pytest.approx(50.0, abs=0.3)
    assert shape.values["sole_area"] == pytest.approx(shapely.Polygon(outline).area)
    assert shape.values["axial_twist"] == pytest.approx(0.0, abs=0.1)
    assert shape.axis.direction == pytest.approx([1.0, 0.0], abs=1e-3)


def test_k_is_the_centroid_of_the_heel_third() -> None:
    """The axis is K→T, with K from shapely's own clipping of the third at the heel."""
    outline = almond(120.0, 50.0)
    third = shapely.Polygon(outline).intersection(shapely.box(-10, -100, 40, 100))
    assert find_long_axis(outline).heel_centre == pytest.approx(np.array(third.centroid.coords[0]), abs=0.05)


@given(turn=st.floats(2.0, 25.0))
@settings(deadline=None, max_examples=25)
def test_twist_is_the_turn_of_a_midline_made_of_two_straight_lines(turn: float) -> None:
    """A strip bent at 55 % of its length has the bend's angle for a twist, positive towards the cleft."""
    length, slope = 120.0, np.tan(np.radians(turn))
    s = np.linspace(0.0, 1.0, 200)
    middle = slope * length * np.clip(s - 0.55, 0.0, None)
    half = np.where(s < 0.07, 20 * np.sqrt(np.clip(s / 0.07, 0, 1)), 20.0) * np.clip((1.005 - s) / 0.06, 0, 1)
    strip = resample_closed(
        np.vstack((np.column_stack((s * length, middle + half)), np.column_stack((s * length, middle - half))[::-1])),
        500,
    )
    # cuts at right angles to the axis K→T, not to the strip: the turn between the two lines is the same
    assert measure_sole(strip, UP).values["axial_twist"] == pytest.approx(turn, abs=0.06 * turn + 0.5)
    assert measure_sole(strip, -UP).values["axial_twist"] == pytest.approx(-turn, abs=0.06 * turn + 0.5)


@given(degrees=st.floats(-180, 180), mirror=st.booleans(), scale=st.floats(0.5, 2.0))
@settings(deadline=None, max_examples=40)
def test_measures_follow_rotation_mirror_and_scale(degrees: float, mirror: bool, scale: float) -> None:
    outline = almond(130.0, 52.0, bend=14.0)
    plain = measure_sole(outline, UP).values
    moved = measure_sole(turned(outline, degrees, mirror, scale), turned(UP[None], degrees, mirror)[0]).values
    for name, power in (("sole_length", 1), ("sole_width", 1), ("sole_area", 2), ("axial_twist", 0)):
        assert moved[name] == pytest.approx(plain[name] * scale**power, rel=2e-3, abs=1e-6)


def foot(outer_length: float = 120.0, inner_length: float = 112.0, splay: float = 0.0) -> dict[str, float]:
    """Measure two almonds side by side, toes to +x, the outer below the inner, each turned by half the splay."""
    outer = turned(almond(outer_length, 52.0), -splay / 2) - np.array([0.0, 30.0])
    inner = turned(almond(inner_length, 42.5), splay / 2) + np.array([0.0, 30.0])
    return measure_foot(measure_sole(outer, UP), measure_sole(inner, -UP))


def test_published_healthy_foot_gives_the_published_ratios() -> None:
    """Nuss & Paulus 2006, Vet J 172:284-292: sole length 120.1/112.7 mm, width 52.0/42.5 mm; ratios 1.0657, 1.2235."""
    outer, inner = almond(120.1, 52.0) - np.array([0.0, 30.0]), almond(112.7, 42.5) + np.array([0.0, 30.0])
    values = measure_foot(measure_sole(outer, UP), measure_sole(inner, -UP))
    assert values["length_difference"] == pytest.approx(7.4, abs=0.3)
    assert values["length_difference_percent"] == pytest.approx(200 * (1.0657 - 1) / (1.0657 + 1), abs=0.3)
    assert values["width_difference_percent"] == pytest.approx(200 * (1.2235 - 1) / (1.2235 + 1), abs=0.5)


@pytest.mark.parametrize("angle", [-8.0, 0.0, 12.0])
def test_splay_is_the_angle_between_the_axes_and_leaves_the_closed_difference_alone(angle: float) -> None:
    values = foot(splay=angle)
    assert values["splay"] == pytest.approx(angle, abs=0.2)
    assert values["length_difference"] == pytest.approx(8.0, abs=0.3)


def test_apparent_difference_counts_the_tips_and_closed_difference_the_claws() -> None:
    """A claw pushed forward by 6 mm looks longer by as much and is not."""
    outer = almond(115.0, 50.0) + np.array([6.0, -30.0])
    inner = almond(115.0, 50.0) + np.array([0.0, 30.0])
    values = measure_foot(measure_sole(outer, UP), measure_sole(inner, -UP))
    assert values["apparent_length_difference"] == pytest.approx(6.0, abs=0.3)
    assert values["length_difference"] == pytest.approx(0.0, abs=1e-6)


def test_toe_overlap_is_negative_apart_and_positive_crossed() -> None:
    assert foot()["toe_overlap"] == pytest.approx(-30.0, abs=0.5)
    crossed = turned(almond(150.0, 40.0), 30.0) - np.array([0.0, 22.0])
    other = almond(110.0, 40.0) + np.array([0.0, 22.0])
    assert measure_foot(measure_sole(crossed, UP), measure_sole(other, -UP))["toe_overlap"] > 0
