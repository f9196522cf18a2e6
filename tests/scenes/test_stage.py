from __future__ import annotations

from dataclasses import fields

import numpy as np
import pytest

from clawvision.scenes.props import ABSENT, HAND_TUBES, PIPES, STALKS, STEPS
from clawvision.scenes.shape import HELD_OUT_FAMILIES, TRAINED_FAMILIES, FootShape
from clawvision.scenes.stage import HANDS, SAME_FOOT, TUBES, Stage, sample_stage
from clawvision.scenes.viewpoint import VIEWS, SceneView, extent_of, look_at

CARD, RULER = (85.6, 53.98), (300.0, 30.0)


def draw(view: SceneView, seed: int, **changes: object) -> Stage:
    return sample_stage(np.random.default_rng([seed, 3]), view, **changes)  # type: ignore[arg-type]


def same(one: object, other: object) -> bool:
    if isinstance(one, np.ndarray):
        return np.array_equal(one, other)
    if hasattr(one, "__dataclass_fields__"):
        return all(same(getattr(one, name), getattr(other, name)) for name in one.__dataclass_fields__)
    return one == other


def near_side(stage: Stage) -> float:
    """Return the sign of y on which the near claw lies: the left of a left foot is its outer claw."""
    return (1.0 if stage.near == "outer" else -1.0) * (-1.0 if stage.right_foot else 1.0)


@pytest.mark.parametrize("view", VIEWS)
def test_the_same_seed_gives_the_same_stage(view: SceneView) -> None:
    assert same(draw(view, 1), draw(view, 1))
    assert not same(draw(view, 1), draw(view, 2))


@pytest.mark.parametrize("view", VIEWS)
def test_stages_are_whole(view: SceneView) -> None:
    for seed in range(25):
        stage = draw(view, seed, plain=seed % 2 == 0, tight=seed % 3 == 0, held_out=seed % 5 == 0)
        assert stage.view == view
        shapes = {"card": (3, 3), "paths": (TUBES, STEPS, 3), "wide": (TUBES, STEPS), "deep_share": (TUBES,)}
        shapes |= {"boxes": (2, 4, 3), "stalks": (STALKS, 3, 3), "planes": (2, 2, 3), "light": (3,)}
        for name, shape in shapes.items():
            values = getattr(stage, name)
            assert values.shape == shape, name
            assert np.isfinite(values).all(), name
        assert np.linalg.norm(stage.planes[:, 1], axis=1) == pytest.approx(1.0)
        assert np.linalg.norm(stage.light) == pytest.approx(1.0)
        assert (stage.wide > 0).all()
        turn = stage.viewpoint.rotation
        assert turn @ turn.T == pytest.approx(np.eye(3), abs=1e-9)
        assert np.linalg.det(turn) == pytest.approx(1.0)
        assert 500 < stage.viewpoint.focal < 2500


def in_picture(stage: Stage, place: np.ndarray) -> np.ndarray:
    """Return where a place shows, in shares of the picture's width from its middle; the third is the depth, mm."""
    seen = stage.viewpoint.rotation @ (place - stage.viewpoint.position)
    return np.array([*(stage.viewpoint.focal / 1024.0 * seen[:2] / seen[2]), seen[2]])


@pytest.mark.parametrize("plain", [True, False])
def test_cameras_stand_where_the_view_says_and_frame_the_foot(plain: bool) -> None:
    for seed in range(20):
        side, sole, front, rear = (draw(view, seed, plain=plain) for view in ("side", "sole", "front", "rear"))
        assert side.viewpoint.position[1] * near_side(side) > 100.0
        assert sole.viewpoint.position[2] < -100.0
        assert front.viewpoint.position[0] > 100.0
        assert rear.viewpoint.position[0] < 0.0
        for stage in (side, sole, front, rear):
            x, y, depth = in_picture(stage, extent_of(stage.foot).middle)
            assert depth > 200.0
            assert abs(x) < 0.5
            assert abs(y) < 0.4
    steep = [draw("side", seed, plain=True).viewpoint.rotation[2, 2] for seed in range(60)]
    assert max(np.degrees(np.arcsin(-np.array(steep)))) < 25.0  # a careful user's, aimed a little off the foot


def test_a_roll_turns_the_camera_about_its_axis() -> None:
    place, target, up = np.array([0.0, 500.0, 40.0]), np.array([50.0, 0.0, 30.0]), np.array([0.0, 0.0, 1.0])
    upright, rolled = (look_at(place, target, up, roll) for roll in (0.0, 90.0))
    assert upright[2] == pytest.approx((target - place) / np.linalg.norm(target - place))
    assert upright[0, 2] == pytest.approx(0.0, abs=1e-12)
    assert upright[1, 2] < -0.9
    assert rolled[0] == pytest.approx(upright[1])
    assert rolled[1] == pytest.approx(-upright[0])


def test_families_of_training_and_judging_are_disjoint() -> None:
    assert not set(TRAINED_FAMILIES) & set(HELD_OUT_FAMILIES)
    for held_out, wanted in ((True, HELD_OUT_FAMILIES), (False, TRAINED_FAMILIES)):
        stages = [draw(view, seed, held_out=held_out) for seed in range(25) for view in ("side", "sole")]
        feet = [stage.foot for stage in stages] + [stage.neighbour for stage in stages if stage.neighbour is not None]
        assert {foot.family for foot in feet} == set(wanted)
        assert len(feet) > len(stages)


@pytest.mark.parametrize("size", [CARD, RULER])
def test_the_reference_is_held_before_the_near_claw(size: tuple[float, float]) -> None:
    offsets = []
    for seed in range(60):
        stage = draw("side", seed, plain=True, reference_size=size)
        corner, top, left = stage.card
        assert [np.linalg.norm(top), np.linalg.norm(left)] == pytest.approx(size)
        assert top @ left == pytest.approx(0.0, abs=0.04 * size[0] * size[1])
        normal = np.cross(top, left) / (size[0] * size[1])
        assert abs(normal[1]) > np.cos(np.radians(12.0))  # about parallel to the profile plane
        middle = corner + 0.5 * (top + left)
        offsets.append(middle[1] * near_side(stage) - 29.0)
        # its print faces the camera, as the letters run
        assert in_picture(stage, corner)[2] > 0
        assert np.cross(top, left) @ (corner - stage.viewpoint.position) > 0
        across = np.array([corner, corner + top, corner + left, corner + top + left])
        tip = extent_of(stage.foot).tip_x
        clear = across[:, 0].min() > tip or across[:, 0].max() < -12.0 or across[:, 2].min() > 40.0
        assert clear or size == RULER
    assert np.mean(offsets) == pytest.approx(25.0, abs=2.0)
    assert np.std(offsets) < 6.0


def test_the_reference_lies_beside_the_soles() -> None:
    heights = []
    for seed in range(60):
        stage = draw("sole", seed, plain=True, reference_size=CARD)
        corner, top, left = stage.card
        corners = np.array([corner, corner + top, corner + left, corner + top + left])
        assert abs(np.cross(top, left)[2]) / (CARD[0] * CARD[1]) > np.cos(np.radians(12.0))
        heights.append(corners[:, 2].mean())
        assert np.abs(corners[:, 1]).min() > 50.0 or corners[:, 0].min() > extent_of(stage.foot).tip_x - 5.0
        assert np.cross(top, left) @ (corner - stage.viewpoint.position) > 0
    assert np.mean(heights) == pytest.approx(0.0, abs=1.0)
    assert np.std(heights) < 4.0


def test_a_scene_without_a_reference_has_none_and_no_hand_for_it() -> None:
    for view in VIEWS:
        stage = draw(view, 4, reference_size=None)
        assert not stage.has_card
        assert (stage.card == ABSENT).all()
        assert (stage.paths[:HAND_TUBES] == ABSENT).all()


def test_no_foot_means_nothing_that_belongs_to_one() -> None:
    for seed in range(40):
        stage = draw("none", seed)
        assert stage.neighbour is None
        assert (stage.paths[HAND_TUBES : HANDS * HAND_TUBES] == ABSENT).all()
        assert (stage.paths[HANDS * HAND_TUBES + PIPES :] == ABSENT).all()


def test_a_second_photo_shows_the_same_horn() -> None:
    first = draw("side", 5)
    second = draw("sole", 6, foot=first.foot, right_foot=first.right_foot)
    assert second.right_foot == first.right_foot
    for name in SAME_FOOT:
        assert getattr(second.foot, name) == getattr(first.foot, name)
    free = {field.name for field in fields(FootShape)} - set(SAME_FOOT)
    assert free == {"pastern_deg", "pastern_length", "cannon_deg"}
    assert second.foot.pastern_deg != first.foot.pastern_deg


def test_the_ground_lies_under_the_foot_and_its_plank() -> None:
    planks = 0
    for seed in range(60):
        stage = draw("side", seed)
        ground = stage.planes[0, 0, 2]
        assert stage.planes[0, 1] == pytest.approx([0.0, 0.0, 1.0])
        assert ground <= 0.0
        centre, *axes = stage.boxes[0]
        if centre[0] > ABSENT:
            planks += 1
            assert centre[2] + axes[2][2] == pytest.approx(0.0)
            # uneven ground lies a little below what stands on it
            assert 0.0 <= centre[2] - axes[2][2] - ground + 1e-9 < 8.0
    assert planks > 0
