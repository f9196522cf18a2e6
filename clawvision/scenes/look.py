"""How a scene looks: every colour, texture and light of it, drawn at random and held as small arrays.

A `Look` is one scene; `collate` makes a batch of them. Families (grounds, walls, coats, horn schemes, lighting rigs)
are disjoint between training and held-out scenes.
"""

from __future__ import annotations

import dataclasses
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import torch
from torch import Tensor

from clawvision.scenes import palette
from clawvision.scenes.appearance import Appearance, Array
from clawvision.scenes.camera_effects import CameraEffects, EffectsBatch, collate_effects, sample_camera_effects

__all__ = [
    "CameraEffects",
    "EffectsBatch",
    "Look",
    "LookBatch",
    "collate",
    "collate_effects",
    "sample_camera_effects",
    "sample_look",
]


@dataclass(frozen=True, slots=True, eq=False)
class Look:
    """One scene's appearance.

    ``families`` names what was drawn: keys ``ground``, ``wall``, ``coat``, ``horn``, ``rig``. ``seed`` is that of
    every noise.
    """

    families: Mapping[str, str]
    seed: int
    values: Appearance[Array]


@dataclass(frozen=True, slots=True, eq=False)
class LookBatch:
    """A batch of looks: ``seed`` int64 (B,), ``values`` float32 tensors (B, ...)."""

    families: tuple[Mapping[str, str], ...]
    seed: Tensor
    values: Appearance[Tensor]


def sample_look(rng: np.random.Generator, *, held_out: bool, view: str) -> Look:
    """Draw one scene's appearance.

    Parameters
    ----------
    rng
        Source of all chance.
    held_out
        Draw from the families kept for judging instead of those for training.
    view
        ``sole`` turns the light round: there the camera looks up at the bearing surfaces, so the scene's daylight
        comes from below them (negative z). Any other view has the sky at positive z.
    """
    families = {kind: palette.draw_family(rng, kind, held_out) for kind in palette.FAMILY_KINDS}
    ground = palette.surface(rng, families["ground"])
    coat = palette.coat(rng, families["coat"])
    dirt = palette.dirt(rng, ground)
    light, sky = palette.light(rng, families["rig"], view)
    values = Appearance(
        ground=ground,
        wall=palette.surface(rng, families["wall"], upright=True),
        wood=palette.surface(rng, "planks"),
        horn=palette.horn(rng, families["horn"], coat, ground),
        dirt=dirt,
        coat=coat,
        things=palette.things(rng),
        light=light,
        sky=sky,
    )
    return Look(families=families, seed=int(rng.integers(1, 2**31)), values=values)


def collate(looks: Sequence[Look], device: torch.device | str) -> LookBatch:
    """Stack looks into tensors of float32 on ``device``, the batch as first axis."""
    values = _stacked([look.values for look in looks], device)
    seed = torch.tensor([look.seed for look in looks], dtype=torch.int64, device=device)
    return LookBatch(families=tuple(look.families for look in looks), seed=seed, values=values)


def _stacked(items: Sequence[Any], device: torch.device | str) -> Any:
    first: Any = items[0]
    if isinstance(first, np.ndarray | np.generic):
        return torch.from_numpy(np.stack([np.asarray(item, dtype=np.float32) for item in items])).to(device)
    names = [field.name for field in dataclasses.fields(first)]
    return type(first)(**{name: _stacked([getattr(item, name) for item in items], device) for name in names})
