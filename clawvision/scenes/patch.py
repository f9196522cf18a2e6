"""The pixels of one material, taken out of the batch, and what a material makes of them."""

from __future__ import annotations

from dataclasses import dataclass, replace

import torch
from torch import Tensor

from clawvision.scenes import noise
from clawvision.scenes.appearance import Appearance


@dataclass(frozen=True, slots=True, eq=False)
class Patch:
    """N pixels, of any pictures of the batch. Fields as in `Surfels`, without the picture's axes.

    ``item`` int64 (N,): index in the batch. ``footprint`` (N,): mm that a pixel covers. ``seed`` int64 (N,).
    ``seeds`` int64 (B,): those of the pictures.
    """

    item: Tensor
    part: Tensor
    point: Tensor
    normal: Tensor
    local: Tensor
    attr: Tensor
    footprint: Tensor
    seed: Tensor
    seeds: Tensor
    values: Appearance[Tensor]

    def chosen(self, mask: Tensor) -> Patch:
        """Return the pixels where the bool mask (N,) holds."""
        index = mask.nonzero()[:, 0]
        names = ("item", "part", "point", "normal", "local", "attr", "footprint", "seed")
        return replace(self, **{name: getattr(self, name)[index] for name in names})

    def one(self, table: Tensor) -> Tensor:
        """Return each pixel's row of a table (B, ...)."""
        return table[self.item]

    def by_part(self, table: Tensor) -> Tensor:
        """Return each pixel's row of a table (B, parts, ...); parts beyond its end take the last row."""
        return table[self.item, self.part.clamp(0, table.shape[1] - 1)]

    def fbm(self, points: Tensor, scale: float | Tensor, salt: int) -> Tensor:
        """Return `noise.fbm` (N, 4) at points in mm with blotches of ``scale`` mm, faded where pixels are too coarse.

        ``points`` (N, 3); ``scale`` a number or (N,). Parts of one kind have fields of their own.
        """
        cell = scale[:, None] if isinstance(scale, Tensor) else scale
        field = noise.fbm_at(points / cell, self._begin(salt))
        # The finest of its three octaves is a quarter of the coarsest.
        return field * ((scale / self.footprint - 2) / 3).clamp(0, 1)[:, None]

    def fine(self, points: Tensor, scale: float | Tensor, salt: int) -> Tensor:
        """Return `noise.smooth`, as `fbm` does: for detail not much larger than a pixel, where octaves would alias."""
        cell = scale[:, None] if isinstance(scale, Tensor) else scale
        return noise.smooth_at(points / cell, self._begin(salt)) * self.fade(scale)[:, None]

    def _begin(self, salt: int) -> Tensor:
        parts = torch.arange(16, device=self.seeds.device)
        begin = noise.shift(self.seeds[:, None] + 977 * salt + 31 * parts)
        return begin[self.item, self.part.clamp(0, 15)]

    def fade(self, scale: float | Tensor) -> Tensor:
        """Return 1 where detail of ``scale`` mm is well larger than a pixel, 0 where pixels are too coarse (N,)."""
        return ((scale / self.footprint - 1.4) / 1.4).clamp(0, 1)


@dataclass(frozen=True, slots=True, eq=False)
class Material:
    """What N pixels are made of.

    ``albedo`` (N, 3) linear; ``rough`` (N,) 0 to 1; ``mirror`` (N,): reflectance face on; ``height`` (N,) mm out of
    the surface; ``soft`` (N,): 0 hard to 1, how far light wraps round (hair, skin).
    """

    albedo: Tensor
    rough: Tensor
    mirror: Tensor
    height: Tensor
    soft: Tensor


def plain(albedo: Tensor, *, rough: float | Tensor = 0.7, height: Tensor | None = None, soft: float = 0.0) -> Material:
    """Return a material of non-metals: 4 % of light mirrored face on."""
    blank = torch.zeros_like(albedo[:, 0])
    return Material(
        albedo=albedo.clamp(0.002, 0.95),
        rough=blank + rough,
        mirror=blank + 0.04,
        height=blank if height is None else height,
        soft=blank + soft,
    )


def mix(first: Tensor, second: Tensor, weight: Tensor) -> Tensor:
    """Blend colours (N, 3) by a weight (N,)."""
    return torch.lerp(first, second, weight[:, None])


def smooth(low: float, high: float, value: Tensor) -> Tensor:
    """Return 0 below ``low``, 1 above ``high`` (or the reverse where ``low`` is the greater) and a smooth step."""
    t = ((value - low) / (high - low)).clamp(0, 1)
    return t * t * (3 - 2 * t)


def wetted(material: Material, wet: Tensor, patch: Patch) -> Material:
    """Return the material under a film of water where ``wet`` (N,) is 1: darker, smooth and mirroring."""
    return replace(
        material,
        albedo=material.albedo * (1 - 0.45 * wet)[:, None],
        rough=torch.lerp(material.rough, 0.08 + 0.12 * material.rough, wet),
        height=material.height * (1 - 0.6 * wet),
    )


def dirtied(material: Material, patch: Patch, share: Tensor, above: Tensor) -> Material:
    """Return the material under mud or dung.

    Parameters
    ----------
    share
        (N,): how much of the surface it covers, 0 to 1; more of it low down.
    above
        (N,) mm above where it comes from.
    """
    dirt = patch.values.dirt
    size, thin, border = patch.one(dirt.layout).unbind(-1)
    if not bool((share > 1e-3).any()) and not bool((dirt.splashes[:, 0] > 0).any()):
        return material
    broad = patch.fbm(patch.local, size, 61)
    fine = patch.fine(patch.local, 2.0, 62)
    ragged = broad[:, 0] * 0.88 + 0.35 * fine[:, 0] + 0.25 * broad[:, 1]
    here = (share * (0.4 + 1.5 * torch.exp(-above.clamp_min(0) / thin))).clamp(0, 0.97)
    covered = noise.cover(ragged, here, border)
    spot_share, spot_size = patch.one(dirt.splashes).unbind(-1)
    spots = noise.cover(patch.fbm(patch.local, spot_size * 2, 63)[:, 0] + 0.2 * fine[:, 1], spot_share, border)
    covered = torch.maximum(covered, spots * (spot_share > 0))
    two = patch.one(dirt.colours)
    colour = mix(two[:, 0], two[:, 1], noise.cover(broad[:, 2], torch.full_like(share, 0.4), 0.5))
    colour = colour * (1 + 0.13 * fine[:, 1:2] + 0.08 * broad[:, 3:4]).clamp(0.3, 2)
    dry, moist = patch.one(dirt.gloss).unbind(-1)
    wet = noise.cover(broad[:, 3], moist, 0.2)
    lumps = patch.one(dirt.relief) * (covered * 0.6 + covered * (0.22 * fine[:, 2] + 0.15 * broad[:, 1]))
    return Material(
        albedo=mix(material.albedo, colour * (1 - 0.35 * wet)[:, None], covered).clamp(0.002, 0.95),
        rough=torch.lerp(material.rough, torch.lerp(dry, dry * 0 + 0.2, wet), covered),
        mirror=torch.lerp(material.mirror, material.mirror * 0 + 0.035, covered),
        height=material.height * (1 - 0.8 * covered) + lumps,
        soft=material.soft * (1 - covered),
    )
