from __future__ import annotations

from dataclasses import replace
from functools import cache

import cv2
import numpy as np
import pytest

torch = pytest.importorskip("torch")

from clawvision.outline.learned.contract import HORN_SHARE as FILL  # noqa: E402
from clawvision.scenes import feed  # noqa: E402
from clawvision.scenes import render as visible  # noqa: E402
from clawvision.scenes.crops import COARSE, FINE, cut  # noqa: E402
from clawvision.scenes.pictures import Pictures, Wanted, draw_scene, render  # noqa: E402
from clawvision.scenes.references import sample_reference  # noqa: E402
from clawvision.scenes.viewpoint import SceneView  # noqa: E402
from clawvision.training.batch import Batch, Feed, Group  # noqa: E402

CPU = torch.device("cpu")
HEIGHT, WIDTH = 192, 256


@cache
def batch_of(view: SceneView) -> tuple[Pictures, Batch]:
    """Return photos of scenes of a view, small, and the training pictures cut from them."""
    wanted = Wanted(plain=True, flawed=0.0)
    count = 2 if view in ("side", "sole") else 1
    references = [sample_reference(np.random.default_rng(seed)) for seed in range(count)]
    drawn = [draw_scene((seed, 12), view, wanted, reference) for seed, reference in enumerate(references)]
    card = torch.from_numpy(np.stack([reference.texture for reference in references])).float() / 255.0
    with pytest.MonkeyPatch.context() as patched:
        patched.setattr(visible, "_SHADOW_SIZE", 160)
        pictures = render(drawn, card, CPU, height=HEIGHT, width=WIDTH, seed=4)
    chance = torch.Generator()
    chance.manual_seed(1)
    return pictures, cut(pictures, chance, count)


@pytest.fixture
def small(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(feed, "HEIGHT", 96)
    monkeypatch.setattr(feed, "WIDTH", 128)
    monkeypatch.setattr(feed, "_REFERENCES", 3)
    monkeypatch.setattr(visible, "_SHADOW_SIZE", 160)


@pytest.mark.usefixtures("small")
def test_the_same_seed_and_number_give_the_same_batch() -> None:
    one, other = (feed.make_feed(seed=4, device=CPU, fine=2, coarse=1, held_out=False) for _ in range(2))
    wanted: Feed = one
    first = wanted.batch(3)
    assert len(first.fine) == 2
    assert len(first.coarse) == 1
    before = other.batch(7)  # what came before changes nothing
    again = other.batch(3)
    for mine, theirs in zip(first.groups(), again.groups(), strict=True):
        assert all(torch.equal(a, b) for a, b in zip(mine.tensors(), theirs.tensors(), strict=True))
    assert not torch.equal(first.fine.picture, before.fine.picture)


@pytest.mark.usefixtures("small")
def test_processes_that_draw_ahead_change_nothing() -> None:
    alone = feed.SceneFeed(4, CPU, 2, 1)
    here = alone._drawn(5)
    ahead = feed._draw_batch(4, 5, 1, False, alone._bank)
    for one, other in zip(here, ahead, strict=True):
        assert np.array_equal(one.stage.paths, other.stage.paths)
        assert one.stage.foot == other.stage.foot
        assert one.look.seed == other.look.seed


@pytest.mark.parametrize("view", ["side", "sole", "front", "none"])
def test_groups_are_as_the_training_wants_them(view: SceneView) -> None:
    _, batch = batch_of(view)
    for group, size in ((batch.fine, FINE), (batch.coarse, COARSE)):
        count = len(group)
        assert group.picture.shape == (count, 3, *size)
        assert group.picture.dtype == torch.float32
        assert 0.0 <= float(group.picture.min()) <= float(group.picture.max()) <= 255.01
        assert group.masks.shape == (count, 5, *size)
        assert group.masks.dtype == torch.uint8
        assert group.landmarks.shape == (count, 9, 2)
        assert group.view.tolist() == [["side", "sole", "front", "rear", "none"].index(view)] * count
        for tensor in group.tensors():
            assert torch.isfinite(tensor.float()).all()
        for direction in (group.toe, group.down):
            assert direction.norm(dim=1).numpy() == pytest.approx(1.0, abs=1e-3)
        side, sole = view == "side", view == "sole"
        assert not group.seen[:, :4].any() or side
        assert not group.seen[:, 4:].any() or sole
        assert bool(group.has_toe.all()) == (side or sole)
        assert bool(group.has_down.all()) == side
        assert not group.has_twist[:, 1].any() or sole
        assert not group.usable.any() or side or sole
        assert (group.has_claw.sum(dim=1) > 0).all() == (view != "none")


def shown(group: Group, index: int, channel: int) -> np.ndarray:
    return group.masks[index, channel].numpy().astype(bool)


def test_side_crops_are_in_the_canonical_pose() -> None:
    _, batch = batch_of("side")
    group = batch.fine
    tilted = np.cos(np.radians(12.1))
    assert (group.toe[:, 0] < -tilted).all()
    assert (group.down[:, 1] > np.cos(np.radians(30.0))).all()  # the camera's own roll comes on top
    for index in range(len(group)):
        c, t, b, h = group.landmarks[index, :4].numpy()
        assert t[0] < c[0] < b[0]  # the toe on the left
        assert h[1] > b[1]  # the sole down
        assert t[1] > c[1]


def test_sole_crops_are_turned_and_never_mirrored() -> None:
    _, batch = batch_of("sole")
    group = batch.fine
    assert (group.toe[:, 0] < -np.cos(np.radians(12.1))).all()
    for index in range(len(group)):
        tip_a, tip_b, heel_a, heel_b, cleft = group.landmarks[index, 4:].numpy()
        assert tip_a[0] < heel_a[0]
        assert tip_b[0] < heel_b[0]
        assert heel_a[1] > heel_b[1]  # claw_a in the lower half
        rows = [np.nonzero(shown(group, index, claw))[0].mean() for claw in (0, 1)]
        assert rows[0] > cleft[1] > rows[1]


@pytest.mark.parametrize("view", ["side", "sole"])
def test_the_horn_fills_the_crop(view: SceneView) -> None:
    _, batch = batch_of(view)
    for index in range(len(batch.fine)):
        rows, columns = np.nonzero(shown(batch.fine, index, 0) | shown(batch.fine, index, 1))
        share = max(np.ptp(columns) / FINE[1], np.ptp(rows) / FINE[0])
        # the scale is jittered by 0.82 to 1.24, and the box found on every fourth pixel of this small photo
        assert FILL / 1.24 / 1.15 < share < FILL / 0.82 * 1.15
        middle = np.array([0.5 * (columns.min() + columns.max()), 0.5 * (rows.min() + rows.max())])
        off = np.abs(middle / [FINE[1], FINE[0]] - 0.5)
        assert (off < 0.12).all()  # 7 %, in units of the crop before the scale's jitter


@pytest.mark.parametrize("view", ["side", "sole"])
@pytest.mark.parametrize("kind", ["fine", "coarse"])
def test_masks_and_landmarks_are_the_photos(view: SceneView, kind: str) -> None:
    pictures, batch = batch_of(view)
    group: Group = getattr(batch, kind)
    rows = slice(0, 4) if view == "side" else slice(4, 9)
    for index in range(len(group)):
        there, here = pictures.landmarks[index, rows].double().numpy(), group.landmarks[index, rows].double().numpy()
        plain = np.column_stack([there, np.ones(len(there))])
        matrix, *_ = np.linalg.lstsq(plain, here, rcond=None)
        assert np.abs(plain @ matrix - here).max() < 0.05  # one and the same map for all landmarks
        turn = matrix[:2].T
        assert turn @ turn.T == pytest.approx(np.eye(2) * abs(np.linalg.det(turn)), rel=1e-3, abs=1e-3)
        size = group.masks.shape[3], group.masks.shape[2]
        for channel, labels in enumerate(((1,), (2,), (3, 6), (4,), (5,))):
            photo = np.isin(pictures.labels[index].numpy(), labels).astype(np.float32)
            warped = cv2.warpAffine(photo, matrix.T, size, flags=cv2.INTER_LINEAR) > 0.5
            found = shown(group, index, channel)
            if warped.sum() > 400:
                assert (warped & found).sum() / (warped | found).sum() > 0.85, channel
        colour = pictures.photo[index].permute(1, 2, 0).numpy() * 255.0
        warped = cv2.warpAffine(colour, matrix.T, size, flags=cv2.INTER_AREA, borderValue=(114.0,) * 3)
        away = np.abs(warped - group.picture[index].permute(1, 2, 0).numpy()).mean()
        assert away < (1.0 if kind == "fine" else 6.0)


def test_twist_and_claws_are_named_alike() -> None:
    for view in ("side", "sole"):
        pictures, batch = batch_of(view)  # type: ignore[arg-type]
        for index, stage in enumerate(pictures.stages):
            both = {"outer": stage.foot.outer.helical_twist, "inner": stage.foot.inner.helical_twist}
            a = stage.near if view == "side" else ("outer" if stage.right_foot else "inner")
            b = "inner" if a == "outer" else "outer"
            assert batch.fine.twist[index].tolist() == pytest.approx([both[a], both[b]], abs=1e-4)


@pytest.mark.parametrize("view", ["side", "sole"])
def test_usable_photos_show_all_that_is_measured(view: SceneView) -> None:
    _, batch = batch_of(view)
    group = batch.fine
    needed = group.seen[:, :4] if view == "side" else group.seen[:, 4:8]
    usable = group.usable.bool()
    assert (needed[usable] == 1).all()
    assert (group.hidden_tip[usable] == 0).all()
    assert usable.any()


def test_a_crop_that_cuts_a_heel_is_not_usable() -> None:
    pictures, _ = batch_of("sole")
    moved = pictures.landmarks.clone()
    moved[:, 7] = -5000.0
    chance = torch.Generator()
    chance.manual_seed(1)
    cut_off = cut(replace(pictures, landmarks=moved), chance, 1)
    assert not cut_off.fine.usable.any()


def test_a_flaw_of_the_camera_makes_a_photo_unusable() -> None:
    pictures, _ = batch_of("side")
    chance = torch.Generator()
    chance.manual_seed(1)
    flawed = cut(replace(pictures, flaws=("blur",) * len(pictures.stages)), chance, 1)
    assert not flawed.fine.usable.any()
