"""Shading on a little scene of spheres and planes."""

from __future__ import annotations

import dataclasses
import math

import numpy as np
import pytest

torch = pytest.importorskip("torch")

from clawvision.scenes.look import collate, sample_look  # noqa: E402
from clawvision.scenes.shade import _bumped, _Steps, shade  # noqa: E402
from clawvision.scenes.surfels import Kind, Surfels  # noqa: E402
from tests.scenes.analytic import joined, scene  # noqa: E402

SIZE = {"width": 128, "height": 96}


def _look(seed: int, *, view: str = "side", **light: object):
    look = sample_look(np.random.default_rng(seed), held_out=False, view=view)
    changed = {name: np.asarray(value, dtype=np.float32) for name, value in light.items()}
    values = dataclasses.replace(look.values, light=dataclasses.replace(look.values.light, **changed))
    return dataclasses.replace(look, values=values)


def _scene(look, *, sole: bool = False):
    return scene(sole=sole, towards_light=torch.tensor(look.values.light.direction), **SIZE)


def _card(count: int, colour: tuple[float, float, float] = (0.9, 0.9, 0.9)):
    return torch.tensor(colour).expand(count, 20, 32, 3)


def test_every_material_shades_to_finite_light() -> None:
    looks = [
        sample_look(np.random.default_rng(k), held_out=k % 2 == 1, view=v) for k in range(5) for v in ("side", "sole")
    ]
    surfels, lit, eye = joined([_scene(look, sole=k % 2 == 1) for k, look in enumerate(looks)])
    linear = shade(surfels, collate(looks, "cpu"), lit, eye, _card(len(looks)))
    assert linear.shape == (10, 96, 128, 3)
    assert linear.isfinite().all()
    assert linear.min() >= 0
    shown = set(surfels.kind.unique().tolist())
    assert {Kind.GROUND, Kind.WALL, Kind.HORN, Kind.LEG, Kind.CARD, Kind.PIPE, Kind.SLEEVE} <= shown


def test_a_picture_does_not_depend_on_its_batch() -> None:
    looks = [sample_look(np.random.default_rng(k), held_out=False, view="side") for k in (11, 12)]
    scenes = [_scene(look) for look in looks]
    surfels, lit, eye = joined(scenes)
    together = shade(surfels, collate(looks, "cpu"), lit, eye, _card(2))
    for index in range(2):
        alone = shade(scenes[index][0], collate([looks[index]], "cpu"), *scenes[index][1:], _card(1))
        assert torch.allclose(alone[0], together[index], atol=2e-4)


def test_shade_darkens_and_a_flash_needs_none() -> None:
    sun = _look(3, kind=0, direction=[-0.3, -0.7, 0.648], key=[3, 3, 3], sky=[0.3, 0.3, 0.3])
    surfels, lit, eye = _scene(sun)
    ground = (surfels.kind == Kind.GROUND)[0]
    bright, dark = (
        shade(surfels, collate([sun], "cpu"), torch.full_like(lit, share), eye, _card(1))[0][ground].mean()
        for share in (1.0, 0.0)
    )
    assert dark < 0.4 * bright
    flash = _look(3, kind=2, key=[3, 3, 3])
    first, second = (
        shade(surfels, collate([flash], "cpu"), torch.full_like(lit, share), eye, _card(1)) for share in (1.0, 0.0)
    )
    assert torch.equal(first, second)


def test_the_card_shows_its_print() -> None:
    look = _look(5, kind=2, key=[2, 2, 2], sky=[0.5, 0.5, 0.5], bounce=[0.5, 0.5, 0.5])
    surfels, lit, eye = _scene(look)
    mask = (surfels.kind == Kind.CARD)[0]
    for channel in range(3):
        colour = tuple(0.85 if k == channel else 0.15 for k in range(3))
        linear = shade(surfels, collate([look], "cpu"), lit, eye, _card(1, colour))[0][mask].mean(dim=0)
        assert int(linear.argmax()) == channel
        # (0.85 / 0.15) in sRGB is 35 in linear light; gloss brightens the dark channels.
        assert linear[channel] > 5 * linear[channel - 1]


def test_claws_of_one_foot_have_textures_of_their_own() -> None:
    look = _look(8)
    surfels, lit, eye = _scene(look)
    other = Surfels(
        surfels.kind,
        torch.where(surfels.kind == Kind.HORN, 1 - surfels.part, surfels.part),
        surfels.point,
        surfels.normal,
        surfels.local,
        surfels.attr,
    )
    first, second = (shade(s, collate([look], "cpu"), lit, eye, _card(1)) for s in (surfels, other))
    horn = surfels.kind == Kind.HORN
    assert (first - second)[horn].abs().mean() > 1e-4
    assert torch.allclose(first[~horn], second[~horn], atol=1e-5)


@pytest.mark.parametrize("slope", [0.0, 0.1, 0.4])
def test_relief_tilts_the_normal_by_its_slope(slope: float) -> None:
    """On a plane, a height that rises by ``slope`` mm per mm along x tilts the normal by its arctangent."""
    y, x = torch.meshgrid(torch.arange(20.0), torch.arange(30.0), indexing="ij")
    point = torch.stack([0.7 * x + 0.1 * y, 1.3 * y, 0 * x], dim=-1)[None]
    normal = torch.tensor([0.0, 0.0, 1.0]).expand_as(point)
    label = torch.ones(1, 20, 30, dtype=torch.int64)
    surfels = Surfels(label, 0 * label, point, normal, point, torch.zeros(1, 20, 30, 4))
    bumped = _bumped(normal, slope * point[..., 0], _Steps.of(surfels))[0, 2:-2, 2:-2]
    angle = math.atan(slope)
    expected = torch.tensor([-math.sin(angle), 0.0, math.cos(angle)])
    assert torch.allclose(bumped, expected.expand_as(bumped), atol=1e-4)
