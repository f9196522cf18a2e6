"""A plain ID-1 card by its rectangle: found when it is one, refused when it is not quite."""

from __future__ import annotations

import cv2
import numpy as np
import pytest

from clawvision.scale.geometry import CARD_HEIGHT, CARD_WIDTH, card_corners
from clawvision.scale.id1 import find_id1
from clawvision.scale.id1_shape import rectangle_shape
from clawvision.scale.pose import solve_scale
from clawvision.types import ByteArray, FloatArray

from .scenes import PIXELS_PER_MM, Pose, camera, ground, photograph, plain_sheet, pose, round_corners


def _coloured(where: Pose, sheet: FloatArray, colour: tuple[float, float, float], **options: float) -> ByteArray:
    """A photo in colour: the sheet's grey times ``colour`` on a brownish ground."""
    shape = (where.camera.height, where.camera.width)
    planes = [
        photograph(sheet * part, where, ground(shape, level=100.0) * tint, **options)  # type: ignore[arg-type]
        for part, tint in zip(colour, (1.0, 0.95, 0.85), strict=True)
    ]
    return np.stack(planes, axis=-1)


@pytest.mark.parametrize(
    "tilt, turn, colour",
    [(0.0, 0.0, (1.0, 1.0, 1.0)), (20.0, 75.0, (1.0, 0.85, 0.1)), (30.0, -20.0, (0.1, 0.3, 0.9))],
)
def test_plain_card_is_found(tilt: float, turn: float, colour: tuple[float, float, float]) -> None:
    where = pose(camera(), tilt_deg=tilt, direction_deg=30.0, turn_deg=turn)
    found = find_id1(_coloured(where, plain_sheet(), colour, blur_px=1.2), where.camera)
    assert found is not None
    assert [r.code for r in found.reasons] == ["plain_card"]
    # The card has no mark that tells up from down: half a turn shows the same four corners.
    true = where.project(card_corners())
    error = min(np.abs(found.points_px - t).max() for t in (true, np.roll(true, 2, axis=0)))
    assert error < 0.8
    scale = solve_scale(found, where.camera, 0.0, 2.0)
    middle = np.array([CARD_WIDTH / 2, CARD_HEIGHT / 2, 0.0])
    assert scale.distance_mm == pytest.approx(
        float(np.linalg.norm(where.rotation @ middle + where.translation)), rel=0.01
    )


def test_stripe_chip_and_finger_are_borne() -> None:
    sheet = plain_sheet()
    k = PIXELS_PER_MM
    sheet[20 * k : 28 * k] *= 0.4
    sheet[30 * k : 40 * k, 10 * k : 22 * k] *= 0.7
    where = pose(camera(), tilt_deg=10.0, turn_deg=15.0)
    picture = _coloured(where, sheet, (1.0, 0.9, 0.3))
    finger = where.project(np.array([(50.0, -40.0), (50.0, 12.0)]))
    cv2.line(picture, *[tuple(int(v) for v in p) for p in finger], (150, 105, 90), 48)
    found = find_id1(picture, where.camera)
    assert found is not None
    assert np.abs(found.points_px - where.project(card_corners())).max() < 1.0


@pytest.mark.parametrize("size", [(85.6, 60.5), (85.6, 48.0), (60.0, 60.0)])
def test_other_rectangles_are_refused(size: tuple[float, float]) -> None:
    # 85.6 × 60.5 has the ratio of a sheet of ISO 216 paper.
    k = PIXELS_PER_MM
    sheet = round_corners(np.full((round(size[1] * k), round(size[0] * k)), 230.0))
    where = pose(camera(), tilt_deg=5.0, turn_deg=15.0, size_mm=size)
    assert find_id1(_coloured(where, sheet, (1.0, 1.0, 1.0)), where.camera) is None


def test_sharp_corners_are_refused() -> None:
    k = PIXELS_PER_MM
    sheet = np.full((round(CARD_HEIGHT * k), round(CARD_WIDTH * k)), 230.0)
    where = pose(camera(), tilt_deg=5.0, turn_deg=15.0)
    assert find_id1(_coloured(where, sheet, (1.0, 1.0, 1.0)), where.camera) is None


def test_two_cards_are_ambiguous() -> None:
    left = pose(camera(), middle_px=(270.0, 380.0), turn_deg=10.0)
    right = pose(camera(), middle_px=(740.0, 380.0), turn_deg=-15.0)
    grey = photograph(plain_sheet(), left, ground((768, 1024)), noise=0.0, blur_px=0.0)
    grey = photograph(plain_sheet(), right, grey.astype(np.float64))
    assert find_id1(np.stack([grey] * 3, axis=-1), left.camera) is None


def test_bare_ground_holds_no_card() -> None:
    grey = np.asarray(np.clip(ground((768, 1024), relief=50.0), 0, 255), dtype=np.uint8)
    assert find_id1(np.stack([grey] * 3, axis=-1), camera()) is None


def test_shape_under_perspective_is_that_of_the_rectangle() -> None:
    where = pose(camera(), tilt_deg=40.0, direction_deg=63.0, turn_deg=20.0, middle_px=(250.0, 560.0))
    ratio, skew = rectangle_shape(where.project(card_corners()), where.camera)
    assert ratio == pytest.approx(CARD_WIDTH / CARD_HEIGHT, rel=1e-4)
    assert skew == pytest.approx(0.0, abs=1e-4)


def test_a_card_before_mesh_is_found_from_a_rough_outline_alone() -> None:
    """Behind each side lie bars and holes by turns: no one colour is outside."""
    where = pose(camera(), tilt_deg=8.0, turn_deg=9.0)
    mesh = ground((768, 1024), level=150.0).copy()
    for top in range(0, 768, 64):
        for left in range(0, 1024, 64):
            mesh[top : top + 26, left : left + 26] = 12.0
    grey = photograph(plain_sheet(230.0), where, mesh)
    picture = np.stack([grey, grey, grey], axis=-1)
    true = where.project(card_corners())
    rough = true + np.array([(-9.0, 6.0), (8.0, -7.0), (5.0, 9.0), (-6.0, -5.0)])
    found = find_id1(picture, where.camera, (np.zeros((0, 4)), 1.0), rough)
    assert found is not None
    error = min(np.abs(found.points_px - t).max() for t in (true, np.roll(true, 2, axis=0)))
    assert error < 1.0
    assert find_id1(picture, where.camera, (np.zeros((0, 4)), 1.0), rough + 120.0) is None
