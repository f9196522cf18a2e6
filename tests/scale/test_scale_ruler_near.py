"""A ruler of two pixels to the millimetre, found at a rough outline by its rows of ticks; impostors left alone."""

from __future__ import annotations

import cv2
import numpy as np
import pytest

from clawvision.scale.along import STEP, sides_of
from clawvision.scale.pose import solve_scale
from clawvision.scale.ruler_near import find_ruler_near
from clawvision.scale.tens import Tens, follow
from clawvision.types import ByteArray, FloatArray, Reference

from .rulers import WIDTH, sheet
from .scenes import Pose, camera, ground, photograph, pose


def bricks(shape: tuple[int, int] = (864, 1152), wide: float = 46.0, high: float = 15.0) -> FloatArray:
    """A brick wall with pale joints."""
    y, x = np.mgrid[: shape[0], : shape[1]].astype(float)
    course = np.floor(y / high)
    joint = (np.mod(y, high) < 2.0) | (np.mod(x + 0.5 * wide * np.mod(course, 2), wide) < 2.0)
    return np.asarray(np.where(joint, 165.0, ground(shape, 3, 95.0, 9.0)))


def _pose(px_per_mm: float, tilt: float, direction: float, turn: float, length: int = 190) -> Pose:
    cam = camera(1152, 864)
    return pose(cam, tilt, direction, turn, cam.fx / px_per_mm, (560.0, 420.0), (float(length), WIDTH))


def _rough(where: Pose, low: float = 0.03, high: float = 0.97, length: int = 190) -> FloatArray:
    """What a coarse look tells: a part of the ruler, with a wavy border some pixels off."""
    x, y = np.array((low, high)) * length, np.array((1.0, WIDTH - 1.0))
    part = np.linspace(0.0, 1.0, 12)
    upper = np.column_stack((x[0] + part * (x[1] - x[0]), np.full(12, y[0])))
    lower = np.column_stack((x[1] - part * (x[1] - x[0]), np.full(12, y[1])))
    outline = where.project(np.concatenate((upper, lower)))
    return np.asarray(outline + 3.0 * np.sin(np.arange(24) * 1.3)[:, None])


def _off(found: Reference, where: Pose) -> float:
    """Return by how much the found millimetres are wrong along the true ruler, as a share."""
    corners = np.array([(0.0, 0.0), (190.0, 0.0), (190.0, WIDTH), (0.0, WIDTH)])
    matrix, _ = cv2.findHomography(where.project(corners), corners)
    true = np.reshape(cv2.perspectiveTransform(np.array(found.points_px)[:, None, :], matrix), (-1, 2))
    slope = np.polyfit(found.points_mm[:, 0], true[:, 0], 1)[0]
    # All of it is right, not only the mean: no tick was skipped on the way.
    assert (
        np.abs(true[:, 0] - np.polyval(np.polyfit(found.points_mm[:, 0], true[:, 0], 1), found.points_mm[:, 0])).max()
        < 0.35
    )
    return abs(abs(float(slope)) - 1.0)


def _hand(picture: ByteArray, where: Pose, low: float, high: float) -> ByteArray:
    """Lay a finger across the ruler from ``low`` to ``high`` mm."""
    quad = where.project(np.array([(low, -6.0), (high, -6.0), (high + 12.0, WIDTH + 20.0), (low + 12.0, WIDTH + 20.0)]))
    covered = picture.copy()
    cv2.fillPoly(covered, [np.round(quad).astype(np.int32)], (150.0,))
    return covered


@pytest.mark.parametrize(
    "px_per_mm, tilt, direction, turn",
    [(2.3, 0.0, 0.0, 7.0), (2.2, 12.0, 80.0, 83.0), (2.5, 25.0, 95.0, -12.0), (2.4, 18.0, 10.0, 31.0)],
)
def test_fine_ticks_are_counted_right_under_perspective(
    px_per_mm: float, tilt: float, direction: float, turn: float
) -> None:
    where = _pose(px_per_mm, tilt, direction, turn)
    found = find_ruler_near(photograph(sheet(), where, ground((864, 1152))), 1.0, _rough(where))
    assert found is not None and found.kind == "ruler"
    assert _off(found, where) < 0.004
    assert float(np.ptp(found.points_mm[:, 0])) > 90.0
    # The prior on how square a ruler is held leaves the distance its share of doubt.
    assert solve_scale(found, where.camera, 0.0, 2.0).distance_mm == pytest.approx(
        float(np.linalg.norm(where.rotation @ np.array([95.0, 0.0, 0.0]) + where.translation)), rel=0.05
    )


@pytest.mark.parametrize("ink, body, blur", [(150.0, 205.0, 0.7), (45.0, 205.0, 1.0), (20.0, 50.0, 0.7)])
def test_faint_blurred_and_dark_ticks_are_counted_right(ink: float, body: float, blur: float) -> None:
    where = _pose(2.4, 8.0, 70.0, 5.0)
    picture = photograph(sheet(ink=ink, body=body), where, ground((864, 1152)), blur_px=blur)
    found = find_ruler_near(picture, 1.0, _rough(where))
    assert found is not None
    assert _off(found, where) < 0.006


def test_a_ruler_before_bricks_under_a_finger_is_read_from_a_part_of_it() -> None:
    where = _pose(2.4, 14.0, 75.0, 3.0)
    picture = _hand(photograph(sheet(), where, bricks()), where, 70.0, 82.0)
    found = find_ruler_near(picture, 1.0, _rough(where, 0.2, 0.97))
    assert found is not None
    assert _off(found, where) < 0.005


def test_the_spacing_named_is_the_one_between_ticks() -> None:
    where = _pose(2.4, 0.0, 0.0, 5.0)
    picture = photograph(sheet(), where, ground((864, 1152)))
    one, two = (find_ruler_near(picture, tick, _rough(where)) for tick in (1.0, 2.0))
    assert one is not None and two is not None
    assert np.allclose(2.0 * np.array(one.points_mm), two.points_mm)


def _inch(n: int) -> float:
    """Sixteenths of an inch."""
    return next(height for part, height in ((16, 7.0), (8, 5.8), (4, 4.8), (2, 3.9), (1, 3.0)) if n % part == 0)


@pytest.mark.parametrize("px_per_mm", [2.2, 3.0, 4.0])
@pytest.mark.parametrize(
    "face",
    [
        sheet(tall=lambda n: 3.4, by=1000),
        sheet(tall=lambda n: 5.0 if n % 4 == 0 else 3.4, by=8),
        sheet(tall=lambda n: 6.6 if n % 8 == 0 else 5.0 if n % 4 == 0 else 3.4, by=8),
        sheet(tall=lambda n: 6.6 if n % 12 == 0 else 5.0 if n % 6 == 0 else 3.4, by=12),
        sheet(tall=lambda n: 6.6 if n % 2 == 0 else 5.0, step_mm=5.0, by=2),
        sheet(tall=_inch, step_mm=25.4 / 16, by=16),
        sheet(tall=lambda n: 6.6 if n % 10 == 0 else 5.0 if n % 5 == 0 else 3.4, step_mm=2.54, by=10),
    ],
    ids=["equal", "fours", "eights", "twelves", "coarse", "inches", "tenths of an inch"],
)
def test_combs_that_are_none_of_millimetres_are_left_alone(face: FloatArray, px_per_mm: float) -> None:
    where = _pose(px_per_mm, 6.0, 60.0, 4.0)
    assert find_ruler_near(photograph(face, where, ground((864, 1152))), 1.0, _rough(where)) is None


def test_whatever_a_ruler_looks_like_no_scale_is_wrong() -> None:
    """Held any way, at any distance, sharp or not: half a ten of clear ticks is not taken for a ten."""
    read = 0
    for seed in range(12):
        chance = np.random.default_rng([29, seed])
        where = _pose(chance.uniform(2.0, 5.5), chance.uniform(0, 22), chance.uniform(0, 180), chance.uniform(0, 180))
        behind = bricks() if seed % 2 else ground((864, 1152))
        blur, noise = chance.uniform(0.4, 1.0), chance.uniform(1.0, 3.0)
        found = find_ruler_near(photograph(sheet(), where, behind, blur_px=blur, noise=noise), 1.0, _rough(where))
        assert found is None or _off(found, where) < 0.006, seed
        read += found is not None
    assert read >= 6  # or the test would hold for what finds nothing


@pytest.mark.parametrize("px_per_mm", [0.8, 0.96, 1.04, 1.2, 1.5, 1.9])
def test_ticks_finer_than_the_pixels_give_no_wrong_scale(px_per_mm: float) -> None:
    where = _pose(px_per_mm, 4.0, 60.0, 4.0)
    found = find_ruler_near(photograph(sheet(), where, ground((864, 1152)), blur_px=0.4), 1.0, _rough(where))
    assert found is None or _off(found, where) < 0.01


@pytest.mark.parametrize("turn", [0.0, 4.0, 90.0])
def test_bricks_and_mesh_are_no_ruler(turn: float) -> None:
    size = (864, 1152)
    y, x = np.mgrid[: size[0], : size[1]].astype(float)
    mesh = np.where((np.mod(x, 11.0) < 3.0) | (np.mod(y, 11.0) < 3.0), 60.0, 150.0)
    tens = np.where((np.mod(x, 24.0) < 2.0) | (np.mod(x, 12.0) < 1.0), 60.0, 150.0)
    where = _pose(2.4, 0.0, 0.0, turn)
    plank = [bricks(wide=wide, high=12.0) for wide in (24.0, 48.0)]
    for picture in (mesh, tens, *plank):
        noisy = picture + np.random.default_rng(1).normal(0.0, 2.0, size)
        shown = np.asarray(np.clip(cv2.GaussianBlur(noisy, (0, 0), 0.6), 0, 255), dtype=np.uint8)
        assert find_ruler_near(shown, 1.0, _rough(where)) is None


def test_outlines_at_the_border_or_too_small_end_in_nothing() -> None:
    grey = np.asarray(np.clip(ground((200, 300)), 0, 255), dtype=np.uint8)
    boxes = ((-40, 20, 10, 190), (0, 0, 3, 3), (250, 150, 420, 190), (10, 10, 290, 11))
    for left, top, right, below in boxes:
        outline = np.array([(left, top), (right, top), (right, below), (left, below)], dtype=np.float64)
        assert find_ruler_near(grey, 1.0, outline) is None


def test_sides_are_found_where_the_outline_is_turned_and_narrow() -> None:
    where = _pose(2.4, 10.0, 60.0, 20.0)
    picture = photograph(sheet(), where, ground((864, 1152), level=160.0))
    rough = _rough(where) + np.linspace(-6.0, 6.0, 24)[:, None]
    lines = sides_of(picture, rough)
    for y in (0.0, WIDTH):
        ends = where.project(np.array([(20.0, y), (170.0, y)]))
        assert min(float(np.abs((ends - line.origin) @ line.across).max()) for line in lines) < 2.0


def test_tens_follow_a_comb_from_a_guess() -> None:
    true = Tens(0.04, 0.3, 0.0004)
    places = np.arange(1200) * STEP
    row = -10.0 * np.cos(4 * np.pi * true.at(places)) + np.random.default_rng(4).normal(0.0, 3.0, 1200)
    followed = follow(row, Tens(0.0396, 0.0, 0.0004), 2.0, 3.0)
    assert followed is not None
    slope, level = np.polyfit(true.at(places), followed.tens.at(places), 1)
    assert slope == pytest.approx(1.0, abs=0.001)
    assert np.abs(followed.tens.at(places) - np.polyval((slope, level), true.at(places))).max() < 0.02
    moved = followed.tens.moved(37.0)
    assert np.allclose(moved.at(places), followed.tens.at(places + 37.0))
    assert np.allclose(moved.place(moved.at(places)), places)


@pytest.mark.parametrize(
    "tens, length",
    [(Tens(0.04, 0.0, -0.002), 500.0), (Tens(0.04, 0.0, -0.002), 450.0), (Tens(-0.04, 0.0, 0.0), 100.0)],
    ids=["beyond the horizon", "near it", "backwards"],
)
def test_a_line_towards_the_horizon_is_not_followed(tens: Tens, length: float) -> None:
    assert not tens.lasts(0.0, length)
    assert follow(np.zeros(round(length / STEP) + 1), tens, 2.0, 3.0) is None
    assert Tens(0.04, 0.0, -0.002).lasts(0.0, 300.0)
