"""A ruler by its ticks: counted right, its turn about its own axis seen, and nothing else taken for one."""

from __future__ import annotations

from functools import cache

import cv2
import numpy as np
import pytest

from clawvision.scale.edges import sample_profiles, straight_segments
from clawvision.scale.pose import solve_scale
from clawvision.scale.ruler import _count, _Row, find_ruler
from clawvision.scale.seeds import MIN_STRENGTH, WINDOW_PX, Seed, Strip, at_a_glance, periodicity, strips_of
from clawvision.types import ByteArray, FloatArray

from .scenes import PIXELS_PER_MM, Pose, camera, ground, photograph, pose

LENGTH, WIDTH, FIRST = 120.0, 18.0, 6.0


@cache
def ruler_sheet(group: int = 5, hide: tuple[float, float] | None = None, every: int = 1) -> FloatArray:
    """A ruler of 120 mm from above: ticks at the upper edge, each ``group``-th longer, ``every`` mm apart."""
    k = PIXELS_PER_MM
    sheet = np.full((round(WIDTH * k), round(LENGTH * k)), 215.0)
    for n in range(0, 109, every):
        length = 3.2
        if n % (group * every) == 0:
            length = 4.6
        if n % (2 * group * every) == 0:
            length = 6.2
        left = round((FIRST + n - 0.11) * k)
        sheet[: round(length * k), left : left + round(0.22 * k)] = 45.0
        if n % (2 * group) == 0:
            # What stands for a numeral: a few dark strokes.
            for stroke in (0.0, 0.9, 1.8):
                x = left + round(stroke * k)
                sheet[round(8.0 * k) : round(10.5 * k), x : x + round(0.35 * k)] = 40.0
    if hide is not None:
        sheet[:, round(hide[0] * k) : round(hide[1] * k)] = 120.0
    return sheet


def _ruler_pose(tilt: float = 0.0, direction: float = 0.0, turn: float = 0.0) -> Pose:
    return pose(
        camera(1280, 960), tilt, direction, turn, distance_mm=300.0, size_mm=(LENGTH, WIDTH), middle_px=(700.0, 420.0)
    )


def _picture(where: Pose, sheet: FloatArray, blur_px: float = 0.6) -> ByteArray:
    return photograph(sheet, where, ground((960, 1280)), blur_px=blur_px)


@pytest.mark.parametrize("tilt, direction, turn", [(0.0, 0.0, 4.0), (15.0, 90.0, 80.0), (14.0, 10.0, -6.0)])
def test_ticks_agree_with_opencv_projection(tilt: float, direction: float, turn: float) -> None:
    where = _ruler_pose(tilt, direction, turn)
    found = find_ruler(_picture(where, ruler_sheet()), 1.0)
    assert found is not None
    own_row = found.points_mm[:, 1] == 0
    pixels, x = found.points_px[own_row], found.points_mm[own_row, 0]
    assert len(x) > 25
    # Where each tick found lies on the true ruler: its plane point, by the inverse of OpenCV's projection.
    corners = np.array([(0.0, 0.0), (LENGTH, 0.0), (LENGTH, WIDTH), (0.0, WIDTH)])
    matrix, _ = cv2.findHomography(where.project(corners), corners)
    on_ruler = np.reshape(cv2.perspectiveTransform(pixels[:, None, :], matrix), (-1, 2))
    numbers = on_ruler[:, 0] - FIRST
    assert np.abs(numbers - np.round(numbers)).max() < 0.08
    # Counted without a slip: the distances are those of the ruler, in one direction or the other.
    assert np.abs(np.abs(np.diff(np.round(numbers))) - np.diff(x)).max() == 0.0
    scale = solve_scale(found, where.camera, 0.0, 2.0)
    middle = where.rotation @ np.array([LENGTH / 2, 0.0, 0.0]) + where.translation
    assert scale.distance_mm == pytest.approx(float(np.linalg.norm(middle)), rel=0.02)


def test_turn_about_its_own_axis_is_seen() -> None:
    where = _ruler_pose(16.0, 3.0, 3.0)
    found = find_ruler(_picture(where, ruler_sheet()), 1.0)
    assert found is not None
    scale = solve_scale(found, where.camera, 0.0, 2.0)
    true = np.degrees(np.arccos(where.rotation[2, 2]))
    assert scale.tilt_deg == pytest.approx(float(true), abs=4.0)


def test_hidden_ticks_do_not_shift_the_count() -> None:
    where = _ruler_pose(5.0, 60.0, 8.0)
    found = find_ruler(_picture(where, ruler_sheet(hide=(50.0, 54.0))), 1.0)
    assert found is not None
    scale = solve_scale(found, where.camera, 0.0, 2.0)
    assert scale.reprojection_px < 0.3
    assert scale.distance_mm == pytest.approx(300.0, rel=0.04)


def test_slats_without_longer_fifths_are_no_ruler() -> None:
    # The same row of lines, but every tick alike, then longer in fours: neither is a ruler in millimetres.
    where = _ruler_pose(0.0, 0.0, 4.0)
    assert find_ruler(_picture(where, ruler_sheet(group=1000)), 1.0) is None
    assert find_ruler(_picture(where, ruler_sheet(group=4)), 1.0) is None


def test_coarse_ticks_alone_are_no_ruler() -> None:
    # Only the 5 mm ticks show: every second is longer. Taken for single ticks they would be wrong by five.
    where = _ruler_pose(0.0, 0.0, 4.0)
    assert find_ruler(_picture(where, ruler_sheet(group=2, every=5)), 1.0) is None


def test_bare_ground_is_no_ruler() -> None:
    grey = np.asarray(np.clip(ground((960, 1280), relief=40.0), 0, 255), dtype=np.uint8)
    assert find_ruler(grey, 1.0) is None
    assert find_ruler(np.zeros((200, 300), dtype=np.uint8), 1.0) is None


def test_a_pattern_at_the_edge_of_the_picture_is_left_alone() -> None:
    # Ticks that run on beyond the picture leave too few to tell their phase; there is nothing to count, and no warning.
    grey = np.full((60, 60), 128, dtype=np.uint8)
    seed = Seed(np.array([30.0, 30.0]), np.array([1.0, 0.0]), np.array([0.0, 1.0]), 4.0, 400.0, 5.0, 1.0)
    assert _count(_Row(grey, seed, seed.depth), seed) is None


def _small(distance_mm: float) -> tuple[Pose, ByteArray]:
    where = pose(
        camera(640, 480), 0.0, 0.0, 6.0, distance_mm=distance_mm, size_mm=(LENGTH, WIDTH), middle_px=(320.0, 240.0)
    )
    return where, photograph(ruler_sheet(), where, ground((480, 640)), blur_px=0.5)


def test_ticks_of_little_more_than_two_pixels_are_counted_at_twice_the_size() -> None:
    where, picture = _small(215.0)
    found = find_ruler(picture, 1.0)
    assert found is not None
    scale = solve_scale(found, where.camera, 0.0, 2.0)
    assert np.linalg.norm(scale.translation) == pytest.approx(215.0, rel=0.1)
    step = np.linalg.norm(np.diff(found.points_px[found.points_mm[:, 1] == 0][[0, -1]], axis=0))
    span = float(np.ptp(found.points_mm[found.points_mm[:, 1] == 0, 0]))
    near, far = (where.project(np.array([[FIRST + x, 1.0]]))[0] for x in (0.0, 100.0))
    assert step / span == pytest.approx(np.linalg.norm(far - near) / 100.0, rel=0.01)


@pytest.mark.parametrize("distance_mm", [270.0, 290.0, 310.0, 340.0, 400.0])
def test_ticks_finer_than_the_pixels_give_no_wrong_scale(distance_mm: float) -> None:
    where, picture = _small(distance_mm)
    found = find_ruler(picture, 1.0)
    if found is not None:
        own = found.points_mm[:, 1] == 0
        step = np.linalg.norm(np.diff(found.points_px[own][[0, -1]], axis=0)) / float(np.ptp(found.points_mm[own, 0]))
        near, far = (where.project(np.array([[FIRST + x, 1.0]]))[0] for x in (0.0, 100.0))
        assert step == pytest.approx(np.linalg.norm(far - near) / 100.0, rel=0.02)


def _strongest(grey: ByteArray, strip: Strip) -> float:
    """Return the strength of the strongest pattern in a strip, every window looked at closely."""
    starts = strip.starts
    rows = sample_profiles(grey, starts, starts + strip.reach * strip.along, strip.count)
    firsts = range(0, rows.shape[1] - WINDOW_PX + 1, WINDOW_PX // 2)
    return float(max(periodicity(rows[:, first : first + WINDOW_PX])[1].max() for first in firsts))


@pytest.mark.parametrize("tilt, direction, turn", [(0.0, 0.0, 4.0), (14.0, 10.0, -6.0)])
def test_a_glance_keeps_every_strip_with_a_pattern_and_few_others(tilt: float, direction: float, turn: float) -> None:
    grey = _picture(_ruler_pose(tilt, direction, turn), ruler_sheet())
    segments, factor = straight_segments(np.asarray(cv2.cvtColor(grey, cv2.COLOR_GRAY2RGB), dtype=np.uint8))
    strips = strips_of((segments + 0.5) * factor - 0.5)
    strong = {id(strip) for strip in strips if _strongest(grey, strip) > MIN_STRENGTH}
    kept = {id(strip) for strip in at_a_glance(grey, strips)}
    assert strong and strong <= kept
    # Of a shuffled picture nothing is kept: no two neighbours belong together any more.
    shuffled = np.random.default_rng(2).permutation(grey.ravel()).reshape(grey.shape)
    assert len(at_a_glance(shuffled, strips)) < 0.1 * len(strips)


def test_a_slope_without_a_peak_is_no_pattern() -> None:
    # Straight lines, steep as they are, have less and less of each finer wave and no peak among them.
    slopes = np.arange(WINDOW_PX) * np.array([[0.2], [0.7], [1.0]])
    assert (periodicity(slopes)[1] == 0.0).all()
