"""Appearances: families kept apart, repeatable, in range, and stacked without mixing."""

from __future__ import annotations

import dataclasses

import numpy as np
import pytest
from skimage.color import rgb2xyz

torch = pytest.importorskip("torch")

from clawvision.scenes import palette  # noqa: E402
from clawvision.scenes.look import collate, sample_camera_effects, sample_look  # noqa: E402


def _leaves(values: object, path: str = "") -> list[tuple[str, object]]:
    if dataclasses.is_dataclass(values):
        return [
            leaf
            for field in dataclasses.fields(values)
            for leaf in _leaves(getattr(values, field.name), f"{path}.{field.name}")
        ]
    return [(path, values)]


@pytest.mark.parametrize("kind", palette.FAMILY_KINDS)
def test_held_out_families_are_never_trained_on(kind: str) -> None:
    train, held = (set(palette.families(kind, held_out=flag)) for flag in (False, True))
    assert len(train) >= 5
    assert len(held) >= 2
    assert not train & held


def test_looks_draw_from_the_families_asked_for() -> None:
    for held_out in (False, True):
        for seed in range(30):
            look = sample_look(np.random.default_rng(seed), held_out=held_out, view="side")
            for kind in palette.FAMILY_KINDS:
                assert look.families[kind] in palette.families(kind, held_out=held_out)


def test_the_same_seed_gives_the_same_look() -> None:
    first, second = (
        _leaves(sample_look(np.random.default_rng(4), held_out=False, view="sole").values) for _ in range(2)
    )
    for (name, one), (_, other) in zip(first, second, strict=True):
        assert np.array_equal(one, other), name


def test_every_look_has_the_same_shapes_and_is_in_range() -> None:
    shapes = {}
    for seed in range(120):
        look = sample_look(np.random.default_rng(seed), held_out=seed % 2 == 0, view="side" if seed % 3 else "sole")
        for name, array in _leaves(look.values):
            assert shapes.setdefault(name, np.shape(array)) == np.shape(array), name
            assert array.dtype == np.float32, name
            assert np.isfinite(array).all(), name
        for colour in (look.values.horn.wall, look.values.horn.sole, look.values.coat.colours):
            assert (colour > 0).all()
            assert (colour < 1).all()
        for unit in (look.values.light.direction, look.values.light.up):
            assert abs(np.linalg.norm(unit) - 1) < 1e-4


def test_daylight_comes_from_where_the_camera_can_see_it() -> None:
    for seed in range(20):
        assert sample_look(np.random.default_rng(seed), held_out=False, view="side").values.light.direction[2] > 0
        assert sample_look(np.random.default_rng(seed), held_out=False, view="sole").values.light.direction[2] < 0


def test_collate_keeps_the_order() -> None:
    looks = [sample_look(np.random.default_rng(seed), held_out=False, view="side") for seed in range(3)]
    batch = collate(looks, "cpu")
    assert batch.seed.tolist() == [look.seed for look in looks]
    stacked = _leaves(batch.values)
    for index, look in enumerate(looks):
        for (name, tensor), (_, array) in zip(stacked, _leaves(look.values), strict=True):
            assert np.array_equal(tensor[index].numpy(), array), name


@pytest.mark.parametrize("grey", [12, 60, 128, 200])
def test_colours_are_made_linear_as_another_library_does(grey: int) -> None:
    luminance = rgb2xyz(np.full((1, 1, 3), grey, dtype=np.uint8))[0, 0, 1]
    assert palette.linear((grey, grey, grey)) == pytest.approx(luminance, rel=1e-3)


def test_flaws_come_as_often_as_asked_for() -> None:
    rng = np.random.default_rng(0)
    assert all(sample_camera_effects(rng, flawed=0.0).flaw == "none" for _ in range(50))
    assert {sample_camera_effects(rng, flawed=1.0).flaw for _ in range(80)} == {
        "defocus",
        "motion",
        "underexposed",
        "overexposed",
    }
    share = np.mean([sample_camera_effects(rng).flaw != "none" for _ in range(1500)])
    # Four standard deviations of a binomial share.
    assert abs(share - 0.08) < 4 * np.sqrt(0.08 * 0.92 / 1500)
