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

from .grounds import brick, cobbles, mesh
from .scenes import PIXELS_PER_MM, Pose, camera, ground, photograph, plain_sheet, pose, round_corners

NO_SEGMENTS: tuple[FloatArray, float] = (np.zeros((0, 4)), 1.0)
GROUNDS = {"brick": brick, "mesh": mesh, "cobbles": cobbles}


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


def _printed(size_mm: tuple[float, float], colour: tuple[float, float, float]) -> FloatArray:
    """A sheet with a stripe along its lower edge, a chip and a line of words, float64 (H, W, 3)."""
    k = PIXELS_PER_MM
    height, width = (round(v * k) for v in reversed(size_mm))
    sheet = np.full((height, width, 3), colour)
    sheet[round(0.74 * height) : round(0.92 * height)] = (238.0, 216.0, 200.0)
    sheet[round(0.35 * height) : round(0.55 * height), round(0.1 * width) : round(0.24 * width)] = (208.0, 176.0, 96.0)
    sheet[round(0.2 * height) : round(0.24 * height), round(0.5 * width) : round(0.8 * width)] = 20.0
    return sheet


def _rounded(sheet: FloatArray) -> FloatArray:
    return np.stack([round_corners(sheet[..., channel]) for channel in range(3)], axis=-1)


def _before(sheet: FloatArray, where: Pose, behind: FloatArray, blur_px: float) -> ByteArray:
    planes = [photograph(sheet[..., c], where, behind[..., c], blur_px=blur_px, noise=3.0, seed=c) for c in range(3)]
    return np.stack(planes, axis=-1)


def _roughly(corners: FloatArray, seed: int = 0) -> FloatArray:
    """A wavy outline about a quadrilateral, off by several pixels, with a thing that sticks out of one side."""
    random = np.random.default_rng(seed)
    part = np.linspace(0.0, 1.0, 16, endpoint=False)[:, None]
    sides = zip(corners, np.roll(corners, -1, axis=0), strict=True)
    points = np.concatenate([a + part * (b - a) for a, b in sides])
    wave = cv2.GaussianBlur(random.normal(0.0, 1.0, (len(points), 2)), (1, 0), sigmaX=0.1, sigmaY=2.5)
    points = points + 7.0 * wave / wave.std()
    middle = corners.mean(axis=0)
    points[7:9] += 0.45 * (points[7:9] - middle)
    return np.asarray(points)


def _off(found_px: FloatArray, true_px: FloatArray) -> float:
    """Largest distance of a corner, as a share of the long side; half a turn of a card shows the same corners."""
    long = float(np.linalg.norm(true_px[1] - true_px[0]))
    return min(float(np.abs(found_px - np.roll(true_px, 2 * k, axis=0)).max()) for k in (0, 1)) / long


@pytest.mark.parametrize("name", GROUNDS)
@pytest.mark.parametrize("colour", [(94.0, 74.0, 178.0), (34.0, 62.0, 112.0), (96.0, 150.0, 112.0)])
def test_a_printed_card_is_found_before_a_patterned_ground(name: str, colour: tuple[float, float, float]) -> None:
    where = pose(camera(), tilt_deg=12.0, direction_deg=50.0, turn_deg=11.0)
    picture = _before(_rounded(_printed((CARD_WIDTH, CARD_HEIGHT), colour)), where, GROUNDS[name]((768, 1024)), 0.9)
    true = where.project(card_corners())
    found = find_id1(picture, where.camera, NO_SEGMENTS, _roughly(true))
    assert found is not None
    assert _off(found.points_px, true) < 0.006


@pytest.mark.parametrize("name", GROUNDS)
@pytest.mark.parametrize("distance_mm, blur_px", [(380.0, 0.6), (560.0, 1.3)])
def test_rounded_corners_are_told_from_sharp_ones_that_are_blurred(
    name: str, distance_mm: float, blur_px: float
) -> None:
    """A tile of the very shape of a card: nothing but its corners tells it apart."""
    where = pose(camera(), tilt_deg=8.0, direction_deg=20.0, turn_deg=-14.0, distance_mm=distance_mm)
    true = where.project(card_corners())
    sheet = np.full((round(CARD_HEIGHT * PIXELS_PER_MM), round(CARD_WIDTH * PIXELS_PER_MM), 3), (226.0, 226.0, 220.0))
    behind = GROUNDS[name]((768, 1024), 4)
    card, tile = (_before(each, where, behind, blur_px) for each in (_rounded(sheet), sheet))
    found = find_id1(card, where.camera, NO_SEGMENTS, _roughly(true, 1))
    assert found is not None
    assert _off(found.points_px, true) < 0.01
    assert find_id1(tile, where.camera, NO_SEGMENTS, _roughly(true, 1)) is None
    assert find_id1(tile, where.camera) is None


@pytest.mark.parametrize("name", GROUNDS)
@pytest.mark.parametrize("size", [(105.0, 74.0), (76.2, 76.2), (88.9, 50.8), (96.0, 81.9)])
def test_what_is_printed_on_another_sheet_makes_no_card(name: str, size: tuple[float, float]) -> None:
    """A7 paper, a square sheet, a visiting card of 3.5 × 2 inches, and what a stripe cuts into the shape of a card."""
    where = pose(camera(), tilt_deg=10.0, direction_deg=70.0, turn_deg=9.0, size_mm=size)
    corners = where.project(np.array([(0.0, 0.0), (size[0], 0.0), size, (0.0, size[1])]))
    picture = _before(_rounded(_printed(size, (36.0, 74.0, 40.0))), where, GROUNDS[name]((768, 1024), 2), 0.9)
    assert find_id1(picture, where.camera, NO_SEGMENTS, _roughly(corners)) is None
    assert find_id1(picture, where.camera, rough_px=_roughly(corners, 3)) is None


@pytest.mark.parametrize("name", GROUNDS)
@pytest.mark.parametrize("turn", [-21.0, -10.0])
def test_what_a_stripe_cuts_into_the_shape_of_a_card_is_none(name: str, turn: float) -> None:
    """Far away and blurred, a bright stripe's light makes the corners beside it look rounded; its ends go on."""
    size = (96.0, 81.9)
    sheet = _printed(size, (36.0, 74.0, 40.0))
    sheet[round(0.74 * len(sheet)) : round(0.92 * len(sheet))] = (196.0, 255.0, 88.0)
    where = pose(camera(), tilt_deg=10.0, direction_deg=70.0, turn_deg=turn, distance_mm=560.0, size_mm=size)
    corners = where.project(np.array([(0.0, 0.0), (size[0], 0.0), size, (0.0, size[1])]))
    picture = _before(_rounded(sheet), where, GROUNDS[name]((768, 1024)), 1.2)
    assert find_id1(picture, where.camera, rough_px=_roughly(corners)) is None


@pytest.mark.parametrize("name", GROUNDS)
@pytest.mark.parametrize("missing", [0.15, 0.3])
def test_a_rough_outline_of_a_part_of_the_card_is_enough(name: str, missing: float) -> None:
    """With what sticks out of it the outline is about as high as it is wide."""
    where = pose(camera(), tilt_deg=5.0, turn_deg=7.0)
    true = where.project(card_corners())
    picture = _before(
        _rounded(_printed((CARD_WIDTH, CARD_HEIGHT), (96.0, 150.0, 112.0))), where, GROUNDS[name]((768, 1024), 5), 0.8
    )
    part = true.copy()
    part[1:3] += missing * (part[[0, 3]] - part[1:3])
    found = find_id1(picture, where.camera, rough_px=_roughly(part))
    assert found is not None
    assert _off(found.points_px, true) < 0.006


@pytest.mark.parametrize("name", GROUNDS)
def test_a_rough_outline_of_bare_patterned_ground_holds_no_card(name: str) -> None:
    behind = GROUNDS[name]((768, 1024), 3)
    picture = np.asarray(behind, dtype=np.uint8)
    outline = pose(camera(), turn_deg=17.0).project(card_corners())
    assert find_id1(picture, camera(), rough_px=_roughly(outline)) is None


def test_a_side_that_a_hand_hides_for_the_most_part_is_not_guessed() -> None:
    where = pose(camera(), tilt_deg=6.0, turn_deg=12.0)
    true = where.project(card_corners())
    picture = _before(_rounded(_printed((CARD_WIDTH, CARD_HEIGHT), (94.0, 74.0, 178.0))), where, mesh((768, 1024)), 0.8)
    open_picture = picture.copy()
    for across in (8.0, 23.0, 38.0):
        ends = where.project(np.array([(100.0, across), (78.0, across)])).astype(int)
        cv2.line(picture, ends[0].tolist(), ends[1].tolist(), (168, 120, 96), 42)
    assert find_id1(open_picture, where.camera, NO_SEGMENTS, _roughly(true)) is not None
    assert find_id1(picture, where.camera, NO_SEGMENTS, _roughly(true)) is None
