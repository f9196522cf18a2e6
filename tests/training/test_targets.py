"""Targets and how outputs are read, against the definitions and NumPy."""

from __future__ import annotations

import pytest

torch = pytest.importorskip("torch")

import numpy as np  # noqa: E402
from hypothesis import given, settings  # noqa: E402
from hypothesis import strategies as st  # noqa: E402

from clawvision.training.targets import border, heat, overlap, read_landmarks, soft_masks  # noqa: E402

HEIGHT, WIDTH = 24, 32


@given(x=st.floats(24.0, 4 * WIDTH - 28.0), y=st.floats(24.0, 4 * HEIGHT - 28.0))
@settings(deadline=None, max_examples=30)
def test_heat_has_its_centre_on_the_point_and_is_read_back(x: float, y: float) -> None:
    point = torch.tensor([[[x, y]]])
    raised = heat(point, HEIGHT, WIDTH)
    assert raised.sum().item() == pytest.approx(1.0, abs=1e-5)
    share = raised[0, 0].double().numpy()
    centre_x = 4 * np.arange(WIDTH) + 1.5
    centre_y = 4 * np.arange(HEIGHT) + 1.5
    assert (share.sum(0) * centre_x).sum() == pytest.approx(x, abs=0.02)
    assert (share.sum(1) * centre_y).sum() == pytest.approx(y, abs=0.02)
    # Cutting the heat off at the window's edge shifts the place a little, never by a tenth of a pixel.
    torch.testing.assert_close(read_landmarks(torch.log(raised + 1e-12)), point, atol=0.1, rtol=0)


@pytest.mark.parametrize("corner", [(0.0, 0.0), (4.0 * WIDTH - 1, 0.0), (0.0, 4.0 * HEIGHT - 1)])
def test_points_in_the_corners_stay_finite_and_near(corner: tuple[float, float]) -> None:
    point = torch.tensor([[corner]])
    got = read_landmarks(torch.log(heat(point, HEIGHT, WIDTH) + 1e-12))
    assert (got - point).abs().max() < 5.0  # the heat is cut at the edge, so the mean moves inwards


def test_points_far_outside_raise_finite_heat() -> None:
    raised = heat(torch.tensor([[[-500.0, 9000.0]]]), HEIGHT, WIDTH)
    assert torch.isfinite(raised).all()


def test_reading_ignores_a_second_lower_peak() -> None:
    near, far = torch.tensor([[[40.0, 40.0]]]), torch.tensor([[[100.0, 60.0]]])
    both = torch.log(0.6 * heat(near, HEIGHT, WIDTH) + 0.4 * heat(far, HEIGHT, WIDTH) + 1e-12)
    torch.testing.assert_close(read_landmarks(both), near, atol=0.1, rtol=0)


def test_soft_masks_keep_the_area() -> None:
    masks = torch.from_numpy(np.random.default_rng(1).integers(0, 2, (2, 5, 16, 24)).astype(np.uint8))
    soft = soft_masks(masks)
    assert soft.shape == (2, 5, 8, 12)
    torch.testing.assert_close(4 * soft.sum((2, 3)), masks.float().sum((2, 3)))


def test_border_is_where_the_mask_changes() -> None:
    mask = torch.zeros(1, 1, 20, 20)
    mask[..., 8:, :] = 1.0
    expected = torch.zeros(20, 20)
    expected[6:10] = 1.0
    torch.testing.assert_close(border(mask)[0, 0], expected)


def test_overlap_is_intersection_over_union() -> None:
    rng = np.random.default_rng(2)
    logits = torch.from_numpy(rng.normal(size=(2, 5, 12, 16)).astype(np.float32))
    soft = torch.from_numpy(rng.random((2, 5, 12, 16)).astype(np.float32))
    got = overlap(logits, soft)
    for n in range(2):
        for channel in range(5):
            ours, theirs = logits[n, channel].numpy() > 0, soft[n, channel].numpy() > 0.5
            assert got[n, channel].item() == pytest.approx((ours & theirs).sum() / (ours | theirs).sum())
    nothing = overlap(torch.full((1, 5, 4, 4), -9.0), torch.zeros(1, 5, 4, 4))
    assert (nothing == 0).all()
