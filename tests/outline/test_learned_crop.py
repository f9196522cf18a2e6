"""The pictures that the network is given: where they lie in the photo, and what they show."""

from __future__ import annotations

import cv2
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from clawvision.outline.learned.contract import COARSE_SIZE, FILL, FINE_SIZE, HORN_SHARE
from clawvision.outline.learned.crop import Change, Pose, Pyramid, canonical, letterbox


def disc(size: tuple[int, int], middle: tuple[float, float], radius: float) -> np.ndarray:
    """Return a picture of a white disc on black, edges smoothed over a pixel."""
    y, x = np.mgrid[0 : size[1], 0 : size[0]]
    away = np.hypot(x - middle[0], y - middle[1])
    grey = np.clip(radius - away + 0.5, 0.0, 1.0)
    return np.repeat((255 * grey).astype(np.uint8)[:, :, None], 3, axis=2)


def centre_of(picture: np.ndarray, background: int = 0) -> np.ndarray:
    weight = picture[:, :, 0].astype(np.float64) - background
    y, x = np.mgrid[0 : weight.shape[0], 0 : weight.shape[1]]
    return np.array([(weight * x).sum(), (weight * y).sum()]) / weight.sum()


@given(
    angle=st.floats(0.0, 360.0),
    turn=st.floats(-12, 12),
    stretch=st.floats(0.8, 1.2),
    shift=st.tuples(st.floats(-0.07, 0.07), st.floats(-0.07, 0.07)),
    mirrored=st.booleans(),
    side=st.booleans(),
)
@settings(deadline=None, max_examples=30)
def test_a_crop_leads_to_the_photo_and_back(
    angle: float, turn: float, stretch: float, shift: tuple[float, float], mirrored: bool, side: bool
) -> None:
    toe = np.array([np.cos(np.radians(angle)), np.sin(np.radians(angle))])
    down = np.array([-toe[1], toe[0]]) * (-1.0 if mirrored else 1.0)
    pyramid = Pyramid(np.zeros((60, 80, 3), np.uint8))
    horn = np.array([(10.0, 10.0), (60.0, 12.0), (55.0, 45.0), (12.0, 40.0)])
    crop = canonical(pyramid, Pose(toe, down if side else None), horn, Change(turn, stretch, shift))
    np.testing.assert_allclose(crop.from_photo(crop.to_photo(horn)), horn, atol=1e-9)
    np.testing.assert_allclose(crop.to_photo(crop.from_photo(horn)), horn, atol=1e-9)
    # Toes point left, but for the small turn; a sole view is never mirrored, a side view stands on its sole.
    seen = crop.matrix[:, :2] @ toe / crop.scale
    assert seen @ (-1.0, 0.0) == pytest.approx(np.cos(np.radians(turn)))
    if side:
        below = crop.matrix[:, :2] @ down / crop.scale
        assert below @ (0.0, 1.0) == pytest.approx(np.cos(np.radians(turn)))
    else:
        assert np.linalg.det(crop.matrix[:, :2]) > 0


@given(angle=st.floats(0.0, 360.0))
@settings(deadline=None, max_examples=20)
def test_the_horn_fills_its_share_of_the_fine_picture(angle: float) -> None:
    toe = np.array([np.cos(np.radians(angle)), np.sin(np.radians(angle))])
    horn = np.random.default_rng(3).uniform(0, 200, (30, 2))
    placed = canonical(Pyramid(np.zeros((200, 200, 3), np.uint8)), Pose(toe), horn).from_photo(horn)
    low, high = placed.min(axis=0), placed.max(axis=0)
    share = (high - low) / np.array(FINE_SIZE)
    assert share.max() == pytest.approx(HORN_SHARE)
    np.testing.assert_allclose((low + high) / 2, (np.array(FINE_SIZE) - 1) / 2, atol=1e-6)


def test_in_a_sole_view_the_left_claw_comes_to_lie_below() -> None:
    """Toes up in the photo: the claw on the left must lie in the lower half of the canonical picture, toes left."""
    pose = Pose(np.array([0.0, -1.0]))
    horn = np.array([(100.0, 100.0), (300.0, 100.0), (300.0, 320.0), (100.0, 320.0)])
    crop = canonical(Pyramid(np.zeros((400, 400, 3), np.uint8)), pose, horn)
    left, right = crop.from_photo(np.array([(120.0, 200.0), (280.0, 200.0)]))
    assert left[1] > right[1]


@pytest.mark.parametrize("size", [(640, 480), (1601, 1203), (900, 1600), (4001, 3000)])
def test_pictures_show_things_where_the_matrix_says(size: tuple[int, int]) -> None:
    """The centre of gravity of a disc lands, within a few hundredths of a pixel, where its centre is said to be."""
    middle, radius = (0.41 * size[0], 0.57 * size[1]), 0.06 * size[0]
    pyramid = Pyramid(disc(size, middle, radius))
    whole = letterbox(pyramid)
    assert whole.size == COARSE_SIZE
    # What lies beyond the photo is grey: only what is well within it counts.
    (left, top), (right, bottom) = whole.from_photo(np.array([(0.0, 0.0), (size[0] - 1.0, size[1] - 1.0)])).astype(int)
    blank = np.zeros_like(whole.picture)
    within = (slice(top + 2, bottom - 1), slice(left + 2, right - 1))
    blank[within] = whole.picture[within]
    np.testing.assert_allclose(centre_of(blank), whole.from_photo(np.array(middle)), atol=0.06)
    around = np.array(middle) + radius * np.array([(-1.0, -1.0), (1.0, 1.0)])
    fine = canonical(pyramid, Pose(np.array([0.6, -0.8])), around)
    np.testing.assert_allclose(centre_of(fine.picture), fine.from_photo(np.array(middle)), atol=0.06)


def test_beyond_the_photo_there_is_grey() -> None:
    crop = letterbox(Pyramid(np.full((400, 100, 3), 200, np.uint8)))
    assert (crop.picture[:, :20] == FILL).all()
    assert (crop.picture[96, 128] == 200).all()


def test_a_strong_reduction_averages() -> None:
    """Fine noise must not show as coarse noise: a sixteenth of the size averages 256 pixels."""
    random = np.random.default_rng(5)
    photo = random.integers(0, 256, (3072, 4096, 3), dtype=np.uint8)
    picture = letterbox(Pyramid(photo)).picture
    exact = cv2.resize(photo, COARSE_SIZE, interpolation=cv2.INTER_AREA)
    assert picture.std() < 1.5 * exact.std()
