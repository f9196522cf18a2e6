"""Shapes, size and the places of the facts."""

from __future__ import annotations

import pytest

torch = pytest.importorskip("torch")

from clawvision.outline.learned.contract import (  # noqa: E402
    FACT_COUNT,
    FACT_DOWN,
    FACT_TOE,
)
from clawvision.training.network import (  # noqa: E402
    SIZES,
    ClawNet,
    parameter_count,
    places,
)


def test_fits_ten_megabytes_in_half_precision() -> None:
    assert 2 * parameter_count(ClawNet()) < 9.8e6


@pytest.mark.parametrize("size", [(384, 512), (192, 256), (64, 96)])
def test_shapes_follow_the_picture(size: tuple[int, int]) -> None:
    network = ClawNet(SIZES["small"]).eval()
    height, width = size
    with torch.no_grad():
        seen = network(torch.rand(2, 3, height, width) * 255)
    assert seen.masks.shape == (2, 5, height // 2, width // 2)
    assert seen.landmarks.shape == (2, 9, height // 4, width // 4)
    assert seen.facts.shape == (2, FACT_COUNT)


def test_directions_are_unit_vectors_and_nothing_else_is_scaled() -> None:
    network = ClawNet(SIZES["small"]).eval()
    torch.nn.init.zeros_(network.facts.direct.weight)
    with torch.no_grad():  # well away from zero, where no direction is defined
        network.facts.out.bias[5:9] = torch.tensor([0.5, -0.7, 0.1, 2.0])
    plain: list[torch.Tensor] = []
    network.facts.out.register_forward_hook(lambda _module, _given, out: plain.append(out))
    with torch.no_grad():
        facts = network(torch.rand(3, 3, 64, 64) * 255).facts
    for part in (FACT_TOE, FACT_DOWN):
        torch.testing.assert_close(facts[:, part].norm(dim=1), torch.ones(3), atol=1e-3, rtol=0)
        cross = facts[:, part.start] * plain[0][:, part.stop - 1] - facts[:, part.stop - 1] * plain[0][:, part.start]
        torch.testing.assert_close(cross, torch.zeros(3), atol=1e-6, rtol=0)
    rest = [*range(5), *range(9, FACT_COUNT)]
    torch.testing.assert_close(facts[:, rest], plain[0][:, rest])


def test_facts_do_not_push_on_the_masks() -> None:
    network = ClawNet(SIZES["small"])
    network(torch.rand(2, 3, 64, 64) * 255).facts.sum().backward()
    assert network.masks.weight.grad is None
    assert network.facts.out.weight.grad is not None


def test_claws_change_places_with_their_masks() -> None:
    """What is pooled under a claw's mask must reach the facts: a mask elsewhere changes them."""
    network = ClawNet(SIZES["small"]).eval()
    picture = torch.rand(1, 3, 64, 64) * 255
    with torch.no_grad():
        before = network(picture).facts
        network.masks.bias[0] += 4.0
        after = network(picture).facts
    assert (after - before).abs().max() > 1e-4


def test_places_are_measured_from_the_middle() -> None:
    x, y = places(torch.rand(2, 1, 6, 8), 16)
    assert x.shape == y.shape == (2, 1, 6, 8)
    # Cell centres of 16 pixels: 7.5 of 0 … 127, whose middle is 63.5; in units of 64 pixels.
    torch.testing.assert_close(x[0, 0, 3], (16 * torch.arange(8.0) + 7.5 - 63.5) / 64)
    torch.testing.assert_close(y[1, 0, :, 5], (16 * torch.arange(6.0) + 7.5 - 47.5) / 64)


def test_where_and_how_sharp_a_landmark_is_said() -> None:
    head = ClawNet(SIZES["small"]).facts
    at4 = torch.zeros(1, 16, 24, 32)
    logits = torch.zeros(1, 9, 24, 32)
    logits[0, 0, 4, 30] = 40.0
    near, at = head.at_landmarks(logits, at4)
    torch.testing.assert_close(at[0, :2], torch.tensor([4 * (30 - 15.5), 4 * (4 - 11.5)]) / 64, atol=1e-4, rtol=0)
    torch.testing.assert_close(at[0, 2:], torch.zeros(16), atol=1e-4, rtol=0)
    blocks = near.view(9, -1)
    assert not torch.allclose(blocks[0], blocks[1])
    torch.testing.assert_close(blocks[1], blocks[2])
