"""The pose: against OpenCV's own projection, and its covariance against what really comes out."""

from __future__ import annotations

from dataclasses import replace

import cv2
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from clawvision.scale.card import find_card
from clawvision.scale.geometry import card_corners, marker_corners
from clawvision.scale.plane import cast, mm_per_px, project
from clawvision.scale.points import reference_from_points
from clawvision.scale.pose import perturb, resolve, solve_scale
from clawvision.types import FloatArray, Reference, Scale, frozen_array

from .scenes import Pose, camera, card_sheet, ground, photograph, pose


def _reference(
    where: Pose, ids: tuple[int, ...] = (0, 1, 2, 3), sigma: float = 0.1, noise: FloatArray | float = 0.0
) -> Reference:
    points = np.concatenate([marker_corners(i) for i in ids])
    pixels = where.project(points) + noise
    return Reference("card", frozen_array(pixels), frozen_array(points), sigma, frozen_array(pixels), ids)


def _error(scale: Scale, where: Pose) -> FloatArray:
    """What takes the pose found to the true one: left rotation vector, then translation."""
    vector, _ = cv2.Rodrigues(np.array(where.rotation @ scale.rotation.T))
    return np.append(np.reshape(vector, -1), where.translation - scale.translation).astype(np.float64)


@settings(deadline=None, max_examples=25)
@given(
    tilt=st.floats(0.0, 50.0),
    direction=st.floats(0.0, 360.0),
    turn=st.floats(0.0, 360.0),
    distance=st.floats(250.0, 900.0),
)
def test_exact_points_give_the_exact_pose(tilt: float, direction: float, turn: float, distance: float) -> None:
    where = pose(camera(), tilt, direction, turn, distance, middle_px=(430.0, 300.0))
    scale = solve_scale(_reference(where, sigma=0.001), where.camera, 0.0, 1.0)
    # The prior on the tilt pulls by less than a millionth at this noise.
    assert np.abs(_error(scale, where)[:3]).max() < 1e-4
    assert np.abs(_error(scale, where)[3:]).max() < 0.02
    assert (
        np.abs(project(scale, np.column_stack((card_corners(), np.zeros(4)))) - where.project(card_corners())).max()
        < 0.01
    )


def test_lens_distortion_is_taken_off() -> None:
    bent = replace(camera(), distortion=(-0.12, 0.05, 0.001, -0.0005, 0.0))
    where = pose(bent, 20.0, 45.0, 30.0, middle_px=(250.0, 200.0))
    scale = solve_scale(_reference(where, sigma=0.001), bent, 0.0, 1.0)
    assert np.abs(_error(scale, where)[3:]).max() < 0.02


def test_agrees_with_opencv_pose() -> None:
    where = pose(camera(), 25.0, 80.0, 12.0)
    noise = np.random.default_rng(5).normal(0.0, 0.1, (16, 2))
    reference = _reference(where, noise=noise)
    scale = solve_scale(reference, where.camera, 0.0, 1.0)
    points = np.column_stack((reference.points_mm, np.zeros(16)))
    _, vector, translation = cv2.solvePnP(
        points, np.array(reference.points_px), where.camera.matrix, None, flags=cv2.SOLVEPNP_ITERATIVE
    )
    # OpenCV's fit has neither prior nor bleed; both agree within a standard uncertainty.
    sigma = np.sqrt(np.diag(scale.pose_covariance))
    assert np.abs(scale.translation - np.reshape(translation, -1)).max() < 2.0 * sigma[3:].max()
    assert np.abs(np.reshape(cv2.Rodrigues(vector)[0], (3, 3)) - scale.rotation).max() < 2.0 * sigma[:3].max()


@pytest.mark.parametrize("ids", [(0, 1, 2, 3), (1, 3), (0,)])
def test_covariance_is_that_of_the_errors(ids: tuple[int, ...]) -> None:
    random = np.random.default_rng(len(ids))
    where = pose(camera(), 9.0, 110.0, 25.0)
    runs = 120
    squares = []
    for _ in range(runs):
        inward = np.concatenate(
            [random.normal(0.0, 0.2) * np.sign(marker_corners(i).mean(axis=0) - marker_corners(i)) for i in ids]
        )
        shown = where.project(np.concatenate([marker_corners(i) for i in ids]) + inward)
        reference = _reference(where, ids)
        noisy = replace(reference, points_px=frozen_array(shown + random.normal(0.0, 0.1, shown.shape)))
        scale = solve_scale(noisy, where.camera, 0.0, 1.0)
        error = _error(scale, where)
        squares.append(float(error @ np.linalg.solve(scale.pose_covariance, error)))
    # Six degrees of freedom: the mean of 120 such sums is 6 ± 0.32. Taking the larger of stated and seen noise
    # makes the stated covariance a little wide, and the prior on the tilt adds what one pose cannot show.
    assert 3.5 < float(np.mean(squares)) < 7.5
    assert float(np.mean(np.array(squares) < 12.59)) > 0.9  # 95 % point of chi squared with 6 degrees of freedom


def test_covariance_covers_errors_in_pictures() -> None:
    random = np.random.default_rng(11)
    squares = []
    for run in range(10):
        where = pose(
            camera(),
            float(random.uniform(0, 30)),
            float(random.uniform(0, 360)),
            float(random.uniform(0, 360)),
            float(random.uniform(250, 400)),
        )
        picture = photograph(
            card_sheet(bleed_mm=float(random.choice([0.0, 0.0834, 0.1667]))),
            where,
            ground((768, 1024)),
            blur_px=float(random.uniform(0.5, 1.5)),
            noise=2.0,
            seed=run,
        )
        found = find_card(picture)
        assert found is not None
        scale = solve_scale(found, where.camera, 0.0, 1.0)
        error = _error(scale, where)
        squares.append(float(error @ np.linalg.solve(scale.pose_covariance, error)))
    # The mean of ten lies below 8.3 in 97.5 % where the covariance is right, and above 1 where it is not idle.
    assert 1.0 < float(np.mean(squares)) < 8.3


def test_bleed_does_not_change_the_scale() -> None:
    where = pose(camera(), 8.0, 30.0, 10.0)
    distances = []
    for bleed_mm in (0.0, 0.25):
        found = find_card(photograph(card_sheet(bleed_mm=bleed_mm), where, ground((768, 1024))))
        assert found is not None
        distances.append(solve_scale(found, where.camera, 0.0, 1.0).distance_mm)
    # Markers 2.8 % too small: taken at face value they would shift the distance by 0.7 % and more.
    assert distances[1] == pytest.approx(distances[0], rel=1e-3)


def test_one_marker_knows_less_than_two() -> None:
    where = pose(camera(), 8.0, 30.0, 10.0)
    one = solve_scale(_reference(where, (0,)), where.camera, 0.0, 1.0)
    two = solve_scale(_reference(where, (0, 1)), where.camera, 0.0, 1.0)
    assert one.pose_covariance[5, 5] > 4.0 * two.pose_covariance[5, 5]


def test_two_points_give_the_size_and_own_to_not_seeing_the_tilt() -> None:
    cam = camera()
    reference = reference_from_points((400.0, 380.0, 600.0, 390.0, 100.0))
    scale = solve_scale(reference, cam, 0.0, 1.0)
    per_px = 100.0 / float(np.hypot(200.0, 10.0))
    assert mm_per_px(scale, np.array([500.0, 385.0])) == pytest.approx(per_px, rel=1e-3)
    assert np.linalg.norm(np.diff(cast(scale, reference.points_px, 0.0), axis=0)) == pytest.approx(100.0, rel=1e-6)
    # Neither tilt shows, so both keep the prior's width.
    assert np.sqrt(scale.pose_covariance[0, 0]) == pytest.approx(0.16, rel=0.2)
    assert np.sqrt(scale.pose_covariance[1, 1]) == pytest.approx(0.16, rel=0.3)


def test_resolve_scales_with_size_and_focal_length() -> None:
    where = pose(camera(), 10.0, 30.0, 10.0)
    scale = solve_scale(_reference(where), where.camera, 5.0, 1.0)
    larger = resolve(scale, size_factor=1.02)
    assert larger.distance_mm == pytest.approx(1.02 * scale.distance_mm, rel=1e-3)
    assert larger.tilt_deg == pytest.approx(scale.tilt_deg, abs=0.05)
    longer = resolve(scale, focal_factor=1.03)
    anew = solve_scale(scale.reference, longer.camera, 5.0, 1.0)
    assert longer.translation == pytest.approx(anew.translation, abs=0.01)
    assert longer.camera.fx == pytest.approx(1.03 * scale.camera.fx)
    # On the card's own plane a wrong focal length hardly matters; that is what a scale in the picture is for.
    middle = project(scale, np.array([(42.8, 27.0, 0.0)]))[0]
    on_card = [mm_per_px(replace(s, offset_mm=0.0), middle) for s in (scale, longer)]
    assert on_card[1] == pytest.approx(on_card[0], rel=5e-3)


def test_perturb_moves_points_as_said() -> None:
    where = pose(camera(), 10.0, 30.0, 10.0)
    scale = solve_scale(_reference(where), where.camera, 0.0, 1.0)
    delta = np.array([0.01, -0.02, 0.03, 1.0, 2.0, -3.0])
    moved = perturb(scale, delta)
    turn, _ = cv2.Rodrigues(delta[:3])
    point = np.array([20.0, 30.0, 4.0])
    expected = turn @ (scale.rotation @ point) + scale.translation + delta[3:]
    assert moved.rotation @ point + moved.translation == pytest.approx(expected)
