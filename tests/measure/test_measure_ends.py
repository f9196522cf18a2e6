"""Front and rear views on shapes with a known turn, and through the whole stage with a known camera."""

from __future__ import annotations

import numpy as np
import pytest

from clawvision.measure.claws import measure_claws
from clawvision.measure.curve import resample_closed
from clawvision.measure.ends_view import ground_direction, roll, sole_tilt
from clawvision.scale.geometry import card_corners
from clawvision.scale.plane import project
from clawvision.types import Camera, ClawOutline, FloatArray, Outlines, Reference, Scale, View, frozen_array
from tests.measure.shapes import turned

DOWN = np.array([0.0, 1.0])


def bar(x: float, degrees: float, width: float = 45.0, height: float = 60.0) -> FloatArray:
    """Return a claw from the front: a bar that stands on y = 0 at ``x``, turned about the middle of its foot.

    Its foot is rounded, so that it stands on the ground however it is turned.
    """
    t = np.linspace(0.0, np.pi, 60)
    foot = np.column_stack((width / 2 * np.cos(t), width / 2 * np.sin(t)))
    shape = np.vstack(([width / 2, -height], foot, [-width / 2, -height]))
    return resample_closed(turned(shape, degrees) + np.array([x, 0.0]), 300)


@pytest.mark.parametrize("degrees", [-15.0, 0.0, 10.0])
def test_roll_is_the_turn_of_the_ridge_and_positive_towards_the_cleft(degrees: float) -> None:
    """The outer claw stands at the left: turned with its toe end to the right, to the cleft, its roll is positive."""
    outer, inner = bar(-30.0, degrees), bar(30.0, 0.0)
    # y points down: a positive turn carries the lower end to the left
    assert roll(outer, inner, DOWN) == pytest.approx(-degrees, abs=0.8)
    assert roll(inner, outer, DOWN) == pytest.approx(0.0, abs=0.8)
    mirrored = [shape * (-1.0, 1.0) for shape in (outer, inner)]
    assert roll(mirrored[0], mirrored[1], DOWN) == pytest.approx(-degrees, abs=0.8)


@pytest.mark.parametrize("tilt", [-20.0, 0.0, 25.0])
def test_the_ground_is_found_whatever_the_camera_s_turn(tilt: float) -> None:
    outlines = (turned(bar(-30.0, 0.0), tilt), turned(bar(30.0, 0.0), tilt))
    assert ground_direction(outlines) == pytest.approx(turned(DOWN[None], tilt)[0], abs=0.02)


def block(x: float, degrees: float) -> FloatArray:
    """Return a claw from behind: a block whose bearing edge, below, is turned by ``degrees``."""
    slope = np.tan(np.radians(degrees))
    corners = np.array([[-22.0, -40.0], [22.0, -40.0], [22.0, 22.0 * slope], [-22.0, -22.0 * slope]])
    return resample_closed(corners + np.array([x, 0.0]), 1500)


@pytest.mark.parametrize("degrees", [-12.0, 0.0, 8.0])
def test_sole_tilt_is_positive_where_the_abaxial_edge_is_higher(degrees: float) -> None:
    """The outer claw stands at the left: with its right, axial, end lower (y down) the abaxial edge is the higher."""
    outer, inner = block(-30.0, degrees), block(30.0, degrees)
    leg = np.array([0.0, 100.0])
    assert sole_tilt(outer, inner, leg) == pytest.approx(degrees, abs=0.3)
    assert sole_tilt(inner, outer, leg) == pytest.approx(-degrees, abs=0.3)


def scale() -> Scale:
    """Return a card seen from 600 mm, 10 degrees aside, well known."""
    corners = card_corners()
    a = np.radians(10.0)
    rotation = np.array([[np.cos(a), 0, np.sin(a)], [0, 1, 0], [-np.sin(a), 0, np.cos(a)]])
    camera = Camera(1600, 1200, 2000.0, 2000.0, 799.5, 599.5, u_focal_rel=0.02, source="exif")
    covariance = np.diag([1e-6] * 3 + [1e-3, 1e-3, 0.04])
    bare = Scale(
        Reference("card", frozen_array(corners), frozen_array(corners), 0.1, frozen_array(corners)),
        camera, frozen_array(rotation), frozen_array([-40.0, 0.0, 600.0]), frozen_array(covariance), 0.0, 2.0, 0.1,
    )  # fmt: skip
    pixels = frozen_array(project(bare, np.column_stack((corners, np.zeros(4)))))
    reference = Reference("card", pixels, frozen_array(corners), 0.1, pixels)
    return Scale(reference, camera, bare.rotation, bare.translation, bare.pose_covariance, 0.0, 2.0, 0.1)


def outlines(view: View, outer: FloatArray, inner: FloatArray, leg: FloatArray | None = None) -> Outlines:
    seen = scale()

    def pixels(points: FloatArray) -> FloatArray:
        return frozen_array(project(seen, np.column_stack((points, np.zeros(len(points))))))

    claws = tuple(
        ClawOutline(name, pixels(points), 1.0, 1.0, "sidecar") for name, points in (("outer", outer), ("inner", inner))
    )
    return Outlines(view, False, claws, leg_axis_px=None if leg is None else pixels(leg))


def test_both_views_through_the_stage_hold_the_truth() -> None:
    front = measure_claws(outlines("front", bar(-30.0, -9.0), bar(30.0, 4.0)), scale())
    for name, truth in (("outer", 9.0), ("inner", 4.0)):
        measure = front.claws[name].measures["roll"]
        assert measure.value is not None and measure.uncertainty is not None
        assert abs(measure.value - truth) < min(measure.uncertainty, 1.5)
    leg = np.array([[0.0, -200.0], [0.0, -50.0]])
    rear = measure_claws(outlines("rear", block(-30.0, 7.0), block(30.0, 0.0), leg), scale())
    for name, truth in (("outer", 7.0), ("inner", 0.0)):
        measure = rear.claws[name].measures["sole_tilt"]
        assert measure.value is not None and measure.uncertainty is not None
        assert abs(measure.value - truth) < min(measure.uncertainty, 1.5)


def test_what_cannot_be_known_is_null_with_its_reason() -> None:
    rear = measure_claws(outlines("rear", block(-30.0, 7.0), block(30.0, 0.0)), scale())
    assert rear.claws["outer"].measures["sole_tilt"].value is None
    assert "leg" in (rear.claws["outer"].measures["sole_tilt"].reason or "")
    both = outlines("front", bar(-30.0, 0.0), bar(30.0, 0.0))
    alone = measure_claws(Outlines("front", False, both.claws[:1]), scale())
    assert alone.claws["outer"].measures["roll"].value is None
