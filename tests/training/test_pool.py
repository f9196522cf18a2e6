"""Pictures drawn more than once: they come back as they were put in, and what is changed stays true."""

from __future__ import annotations

import math
from typing import Any

import pytest

torch = pytest.importorskip("torch")

import numpy as np  # noqa: E402
from hypothesis import given, settings  # noqa: E402
from hypothesis import strategies as st  # noqa: E402

from clawvision.training.batch import Batch, Group  # noqa: E402
from clawvision.training.makers import Makers  # noqa: E402
from clawvision.training.pool import Shelf, pack, unpack  # noqa: E402
from clawvision.training.vary import SOLE, mirror_soles, move, recolour, vary  # noqa: E402
from tests.training.drawn import DrawnFeed  # noqa: E402

CPU = torch.device("cpu")


@pytest.fixture(scope="module")
def group() -> Group:
    return DrawnFeed(seed=4, device=CPU, fine=8, coarse=1, held_out=False).batch(0).fine


def same(first: Group, second: Group) -> None:
    for name in first.__dataclass_fields__:
        torch.testing.assert_close(getattr(first, name), getattr(second, name), rtol=0, atol=1e-4, msg=name)


def test_packing_rounds_pictures_and_keeps_the_rest(group: Group) -> None:
    arrays = pack(group)
    assert arrays["masks"].dtype == np.uint8
    assert arrays["masks"].shape == (8, *group.picture.shape[2:])
    back = unpack({name: torch.from_numpy(values) for name, values in arrays.items()})
    assert (back.picture - group.picture.clamp(0, 255)).abs().max() <= 0.5
    for name in group.__dataclass_fields__:
        if name != "picture":
            torch.testing.assert_close(getattr(back, name), getattr(group, name), rtol=0, atol=0)


def test_a_full_shelf_forgets_the_oldest(group: Group) -> None:
    shelf = Shelf(12, CPU)
    for part in range(2):
        packed = pack(group)
        packed["usable"] = np.arange(8, dtype=np.float32) + 8 * part
        shelf.add(packed)
    drawn = shelf.draw(99, np.random.default_rng(0))
    assert sorted(drawn.usable.tolist()) == list(range(4, 16))
    assert len(set(shelf.draw(5, np.random.default_rng(0)).usable.tolist())) == 5


def test_mirrored_twice_is_as_before_and_only_soles_change(group: Group) -> None:
    everyone = torch.ones(len(group), dtype=torch.bool)
    once = mirror_soles(group, everyone)
    same(mirror_soles(once, everyone), group)
    same(mirror_soles(group, ~everyone), group)
    sole = group.view == SOLE
    assert sole.any()
    assert (~sole).any()
    torch.testing.assert_close(once.picture[~sole], group.picture[~sole])
    # In the canonical pose claw a lies lower: so it must in the mirror image.
    rows = torch.arange(group.picture.shape[2], dtype=torch.float32)
    height = [(once.masks[sole, k].float().sum(2) * rows).sum(1) / once.masks[sole, k].sum((1, 2)) for k in (0, 1)]
    assert (height[0] > height[1]).all()
    assert (once.landmarks[sole, 4, 1] > once.landmarks[sole, 5, 1]).all()


@given(
    turn=st.floats(-0.2, 0.2),
    zoom=st.floats(0.85, 1.1),
    x=st.floats(-4.0, 4.0),
    y=st.floats(-4.0, 4.0),
)
@settings(deadline=None, max_examples=15)
def test_landmarks_directions_and_masks_move_with_the_picture(turn: float, zoom: float, x: float, y: float) -> None:
    height, width, at = 96, 128, (70.0, 40.0)
    rows, columns = torch.meshgrid(torch.arange(float(height)), torch.arange(float(width)), indexing="ij")
    dot = 255.0 * torch.exp(-((columns - at[0]) ** 2 + (rows - at[1]) ** 2) / 18.0)
    base = DrawnFeed(seed=4, device=CPU, fine=1, coarse=1, held_out=False).batch(0).fine
    fields: dict[str, Any] = {name: getattr(base, name) for name in base.__dataclass_fields__}
    fields |= {
        "picture": dot.expand(1, 3, -1, -1).contiguous(),
        "masks": (dot > 100).byte().expand(1, 5, -1, -1).contiguous(),
        "landmarks": torch.tensor(at).expand(1, 9, 2).contiguous(),
        "seen": torch.ones(1, 9),
        "toe": torch.tensor([[1.0, 0.0]]),
    }
    moved = move(Group(**fields), torch.tensor([turn]), torch.tensor([zoom]), torch.tensor([[x, y]]))
    # A mask of whole pixels can lie half a pixel beside what it stands for.
    for layer, off in ((moved.picture[0, 0], 0.25), (moved.masks[0, 2].float(), 0.5)):
        centre = [float((layer * axis).sum() / layer.sum()) for axis in (columns, rows)]
        np.testing.assert_allclose(moved.landmarks[0, 0].numpy(), centre, atol=off)
    np.testing.assert_allclose(moved.toe[0].numpy(), [math.cos(turn), math.sin(turn)], atol=1e-6)
    grown = moved.picture.sum() / fields["picture"].sum()
    assert float(grown) == pytest.approx(zoom**2, rel=0.03)


def test_a_picture_whose_landmark_would_leave_stays(group: Group) -> None:
    count = len(group)
    far = torch.full((count, 2), 60.0)
    moved = move(group, torch.zeros(count), torch.ones(count), far)
    torch.testing.assert_close(moved.landmarks, group.landmarks, rtol=0, atol=1e-4)
    torch.testing.assert_close(moved.masks, group.masks)
    torch.testing.assert_close(moved.picture, group.picture.clamp(0, 1e9), rtol=0, atol=0.05)


def test_recolouring_by_nothing_changes_nothing(group: Group) -> None:
    count = len(group)
    one, none = torch.ones(count), torch.zeros(count)
    before = group.picture.clamp(0, 255)
    torch.testing.assert_close(recolour(before, torch.ones(count, 3), one, one, none), before, rtol=0, atol=1e-3)
    grey = recolour(before, torch.ones(count, 3), one, none, none)
    torch.testing.assert_close(grey[:, 0], grey[:, 2])


def test_varied_pictures_stay_in_range_and_differ(group: Group) -> None:
    chance = np.random.default_rng(1)
    first, second = vary(group, chance), vary(group, chance)
    assert not torch.allclose(first.picture, second.picture)
    assert first.picture.min() >= 0
    assert first.picture.max() <= 255
    torch.testing.assert_close(first.toe.norm(dim=1), torch.ones(len(group)))


def failing(**_: Any) -> DrawnFeed:
    class Failing(DrawnFeed):
        def batch(self, number: int) -> Batch:
            raise ArithmeticError("no more clay")

    return Failing(seed=0, device=CPU, fine=1, coarse=1, held_out=False)


def test_makers_fill_the_pool_and_pass_their_errors_on() -> None:
    given: dict[str, Any] = {"seed": 1, "device": CPU, "fine": 2, "coarse": 1, "held_out": False}
    makers = Makers("tests.training.drawn:DrawnFeed", given, 1, 0, 64)
    broken = Makers("tests.training.test_pool:failing", given, 1, 0, 64)
    try:
        batch = makers.next_batch()
        assert (len(batch.fine), len(batch.coarse)) == (2, 1)
        assert makers.made >= 4
        with pytest.raises(RuntimeError, match="no more clay"):
            broken.next_batch()
    finally:
        makers.close()
        broken.close()
