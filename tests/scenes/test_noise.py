"""The noise behind every texture: its statistics, its continuity and its repeatability."""

from __future__ import annotations

import pytest

torch = pytest.importorskip("torch")

from clawvision.scenes import noise  # noqa: E402


def _points(count: int, spread: float) -> object:
    generator = torch.Generator().manual_seed(3)
    return (torch.rand(count, 3, generator=generator) - 0.5) * spread


@pytest.mark.parametrize("field", [noise.fbm, noise.smooth])
def test_fields_are_standard_and_independent(field) -> None:
    points = _points(40_000, 400.0)
    values = field(points, torch.full((40_000,), 5))
    assert values.mean(dim=0).abs().max() < 0.08
    assert (values.std(dim=0) - 1).abs().max() < 0.1
    # A period holds some 400 independent cells, so chance alone correlates two fields by 0.05.
    assert (torch.corrcoef(values.T) - torch.eye(4)).abs().max() < 0.2


def test_seeds_give_other_fields_and_the_same_seed_the_same() -> None:
    points = _points(5_000, 60.0)
    one = torch.full((5_000,), 1)
    first, again, other = noise.fbm(points, one), noise.fbm(points, one), noise.fbm(points, one + 1)
    assert torch.equal(first, again)
    assert abs(torch.corrcoef(torch.stack([first[:, 0], other[:, 0]]))[0, 1]) < 0.15


def test_a_field_has_no_seams() -> None:
    """Across ten periods, no step between near points is larger than the field's own slope allows."""
    line = torch.linspace(0, 10 * noise.FBM_PERIOD, 200_000)
    points = torch.stack([line, 0.3 * line, 0 * line], dim=-1)
    steps = noise.smooth(points, torch.zeros(200_000, dtype=torch.int64)).diff(dim=0).abs()
    assert steps.max() < 12 * steps.mean()


def test_cell_distance_never_grows_faster_than_the_way() -> None:
    """A distance to the nearest of given points changes by at most the distance moved (triangle inequality)."""
    start = _points(20_000, 30.0)
    move = 0.15 * _points(20_000, 1.0)
    seed = torch.zeros(20_000, dtype=torch.int64)
    before, after = noise.cells(start, seed), noise.cells(start + move, seed)
    # Trilinear interpolation between voxels a sixth of a cell apart adds a little.
    assert ((before - after)[:, 0].abs() <= move.norm(dim=-1) * 1.15 + 0.01).all()
    assert (before[:, 1] >= 0).all()


@pytest.mark.parametrize("share", [0.05, 0.3, 0.5, 0.9])
def test_cover_covers_the_share_asked_for(share: float) -> None:
    field = torch.randn(50_000, generator=torch.Generator().manual_seed(1))
    covered = noise.cover(field, torch.full((50_000,), share), 0.02)
    assert abs(float(covered.mean()) - share) < 0.01


def test_nothing_is_covered_where_the_share_is_nought() -> None:
    assert noise.cover(torch.full((4,), 9.0), torch.zeros(4), 0.3).max() == 0


def test_hash_is_even() -> None:
    numbers = noise.hash_unit(torch.arange(100_000), torch.full((100_000,), 7))
    counts = torch.histc(numbers, bins=50, min=0, max=1)
    assert ((counts - 2000).abs() < 5 * 2000**0.5).all()
