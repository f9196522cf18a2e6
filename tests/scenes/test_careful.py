"""Photos as a careful user takes them: the whole reference in the picture, a steady hand, fair light."""

from __future__ import annotations

import numpy as np
import pytest

pytest.importorskip("torch")

import torch

from clawvision.scenes.cameras import cameras
from clawvision.scenes.look import sample_camera_effects
from clawvision.scenes.pictures import Wanted, draw_scene, reference_in_frame, steady
from clawvision.scenes.references import sample_reference
from clawvision.scenes.stage import sample_stage


def corners_px(stage: object) -> np.ndarray:
    """Return the reference's corners in a picture of 1024 × 768, by the renderer's own projection."""
    card = stage.card  # type: ignore[attr-defined]
    corners = np.array([card[0] + u * card[1] + v * card[2] for u, v in ((0, 0), (1, 0), (1, 1), (0, 1))])
    camera = cameras([stage], 768, 1024, torch.device("cpu"))  # type: ignore[list-item]
    return camera.project(torch.tensor(corners[None], dtype=torch.float32))[0, :, :2].numpy()


@pytest.mark.parametrize("view", ["side", "sole"])
def test_a_careful_user_has_the_whole_reference_in_the_picture(view: str) -> None:
    careful = Wanted(plain=True, bare=0.0, careful=True)
    seen = 0
    for seed in range(12):
        reference = sample_reference(np.random.default_rng(seed), "card")
        stage = draw_scene((9, seed), view, careful, reference).stage  # type: ignore[arg-type]
        places = corners_px(stage)
        inside = (places > 0).all() and (places < [1023, 767]).all()
        # lens distortion moves a corner by less than the room that is left around it
        assert inside or not reference_in_frame(stage)
        seen += bool(inside)
    assert seen >= 11


def test_what_lies_beyond_the_picture_is_noticed() -> None:
    outside = 0
    for seed in range(40):
        stage = sample_stage(np.random.default_rng(seed), "side", plain=True)
        places = corners_px(stage)
        if (places < -5).any() or (places > [1028, 772]).any():
            outside += 1
            assert not reference_in_frame(stage)
    assert outside > 3


def test_a_steady_camera_is_sharp_and_as_it_was_otherwise() -> None:
    for seed in range(30):
        effects = sample_camera_effects(np.random.default_rng(seed), flawed=0.0)
        calm = steady(effects)
        assert calm.blur[0] <= 0.0004 and calm.blur[1] <= 0.0006 and calm.blur[2] == 0.0
        assert calm.jpeg[0] >= 70.0 and calm.stamp[0] == 0.0 and calm.size == 0.0
        assert (calm.blur <= effects.blur + 1e-9).all() and (calm.noise <= effects.noise + 1e-9).all()
        np.testing.assert_array_equal(calm.white, effects.white)
        np.testing.assert_array_equal(calm.tone, effects.tone)


def test_a_careful_user_holds_the_card_in_line_with_the_near_claw_and_others_do_not() -> None:
    """The card's normal against the near claw's own direction: a foot's toes spread, and the card goes with one."""
    off = {True: [], False: []}  # type: dict[bool, list[float]]
    for seed in range(60):
        for plain in off:
            stage = sample_stage(np.random.default_rng([seed, 5]), "side", plain=plain)
            normal = np.cross(stage.card[1], stage.card[2])
            side = (1.0 if stage.near == "outer" else -1.0) * (-1.0 if stage.right_foot else 1.0)
            splay = np.radians(stage.foot.splay_outer if stage.near == "outer" else stage.foot.splay_inner)
            claw = np.array([np.cos(splay), side * np.sin(splay), 0.0])
            off[plain].append(float(np.degrees(np.arcsin(normal @ claw / np.linalg.norm(normal)))))
    assert np.std(off[True]) < 2.6
    assert np.std(off[False]) > 6.0


def test_a_card_held_in_line_stays_as_far_before_the_claw() -> None:
    """Turned about the claw's middle, not about itself: its plane lies some 25 mm before that middle either way."""
    ahead = []
    for seed in range(60):
        stage = sample_stage(np.random.default_rng([seed, 6]), "side", plain=True)
        side = (1.0 if stage.near == "outer" else -1.0) * (-1.0 if stage.right_foot else 1.0)
        normal = np.cross(stage.card[1], stage.card[2])
        normal *= np.sign(normal[1] * side) / np.linalg.norm(normal)
        ahead.append(float((stage.card[0] - (55.0, side * 29.0, 0.0)) @ normal))
    assert np.mean(ahead) == pytest.approx(25.0, abs=2.0)
    assert np.std(ahead) < 7.0
