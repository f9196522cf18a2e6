"""Shapes, size and the places of the facts."""

from __future__ import annotations

import pytest

torch = pytest.importorskip("torch")

from clawvision.training.network import (  # noqa: E402
    FACT_DOWN,
    FACT_TOE,
    FACTS,
    SIZES,
    ClawNet,
    parameter_count,
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
    assert seen.facts.shape == (2, FACTS)


def test_directions_are_unit_vectors_and_nothing_else_is_scaled() -> None:
    network = ClawNet(SIZES["small"]).eval()
    plain: list[torch.Tensor] = []
    network.facts.out.register_forward_hook(lambda _module, _given, out: plain.append(out))
    with torch.no_grad():
        facts = network(torch.rand(3, 3, 64, 64) * 255).facts
    for part in (FACT_TOE, FACT_DOWN):
        torch.testing.assert_close(facts[:, part].norm(dim=1), torch.ones(3), atol=1e-3, rtol=0)
        cross = facts[:, part.start] * plain[0][:, part.stop - 1] - facts[:, part.stop - 1] * plain[0][:, part.start]
        torch.testing.assert_close(cross, torch.zeros(3), atol=1e-6, rtol=0)
    rest = [*range(5), *range(9, FACTS)]
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
