"""What camera, hand and file do to a picture, drawn at random: blur, exposure, noise, tone, JPEG, stamps.

Lengths are shares of the picture's width, so that they mean the same at every size.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, fields
from typing import Literal

import numpy as np
import torch
from torch import Tensor

from clawvision.scenes.appearance import Array

Flaw = Literal["none", "defocus", "motion", "underexposed", "overexposed"]
FLAWS: tuple[Flaw, ...] = ("defocus", "motion", "underexposed", "overexposed")
SIZES = (1.0, 0.75, 0.5, 0.36, 0.25)
"""Original sizes that a picture may have had before it was enlarged, as shares of its present width."""


@dataclass(frozen=True, slots=True, eq=False)
class CameraEffects:
    """One picture's effects; float32 arrays.

    ``blur`` (4,): radius of a defocus disc, sigma of a soft lens, length of a motion (shares of the width), its
    direction in radians. ``depth_blur`` (2,): radius of the disc far behind the subject as a share of the width, how
    strongly that sets in. ``exposure`` (3,): how far automatic exposure goes (0 to 1), the grey it aims at, stops
    off. ``white`` (3,): gains of the channels. ``vignette`` (): darkening in the corners. ``noise`` (4,): shot noise
    and read noise at unit exposure, share that is coloured, grain size in pixels. ``tone`` (5,): gamma on top of
    sRGB, contrast, saturation, black level, shoulder. ``sharpen`` (2,): strength, radius in pixels. ``jpeg`` (2,):
    quality, 1 where chroma is halved. ``size`` (): index into `SIZES`. ``stamp`` (8,): 0 none, 1 date, 2 logo; x and
    y of its top left corner; height; colour; a number that its figures follow from.
    """

    flaw: Flaw
    blur: Array
    depth_blur: Array
    exposure: Array
    white: Array
    vignette: Array
    noise: Array
    tone: Array
    sharpen: Array
    jpeg: Array
    size: Array
    stamp: Array


@dataclass(frozen=True, slots=True, eq=False)
class EffectsBatch:
    """A batch of effects: the fields of `CameraEffects` as float32 tensors, the batch as first axis."""

    flaws: tuple[Flaw, ...]
    blur: Tensor
    depth_blur: Tensor
    exposure: Tensor
    white: Tensor
    vignette: Tensor
    noise: Tensor
    tone: Tensor
    sharpen: Tensor
    jpeg: Tensor
    size: Tensor
    stamp: Tensor


def sample_camera_effects(rng: np.random.Generator, *, flawed: float = 0.08) -> CameraEffects:
    """Draw one picture's effects.

    Parameters
    ----------
    rng
        Source of all chance.
    flawed
        Probability of a flaw that makes the photo unfit to be measured; the rest spreads about what ordinary
        pictures show.
    """
    flaw: Flaw = FLAWS[rng.integers(len(FLAWS))] if rng.random() < flawed else "none"
    dim = rng.random() < 0.15
    blur = np.array(
        [
            rng.choice([0.0, rng.uniform(0, 0.003)], p=[0.5, 0.5]),
            rng.uniform(0.0003, 0.0018),
            rng.choice([0.0, rng.uniform(0, 0.006)], p=[0.75, 0.25]),
            rng.uniform(0, np.pi),
        ]
    )
    exposure = np.array([rng.uniform(0.55, 1.0), rng.uniform(0.13, 0.26), rng.normal(0, 0.4)])
    if dim:
        exposure[2] -= rng.uniform(0.4, 1.2)
    match flaw:
        case "defocus":
            blur[0] = rng.uniform(0.01, 0.03)
        case "motion":
            blur[2] = rng.uniform(0.025, 0.08)
        case "underexposed":
            exposure[2] = -rng.uniform(3.2, 5.5)
        case "overexposed":
            exposure[2] = rng.uniform(2.6, 4.2)
        case _:
            pass
    cast = rng.normal(0, 0.07) if rng.random() < 0.8 else rng.normal(0, 0.16)
    noise_level = np.exp(rng.uniform(np.log(0.001), np.log(0.03))) * (2.5 if dim or flaw == "underexposed" else 1)
    size = rng.choice(len(SIZES), p=[0.5, 0.2, 0.15, 0.1, 0.05])
    values = {
        "blur": blur,
        "depth_blur": [rng.uniform(0.0, 0.012) if rng.random() < 0.4 else 0.0, rng.uniform(1.5, 6)],
        "exposure": exposure,
        "white": np.exp([cast, rng.normal(0, 0.03), -cast]),
        "vignette": rng.choice([0.0, rng.uniform(0, 0.5)]),
        "noise": [
            noise_level,
            noise_level * rng.uniform(0.02, 0.3),
            rng.uniform(0.2, 1.0),
            rng.choice([0.0, rng.uniform(0.4, 1.4)]),
        ],
        "tone": [
            np.exp(rng.normal(0, 0.12)),
            rng.normal(0.06, 0.18),
            np.exp(rng.normal(0.0, 0.22)) if rng.random() > 0.03 else 0.0,
            rng.choice([0.0, rng.uniform(-0.02, 0.06)]),
            rng.uniform(0.6, 1.0),
        ],
        "sharpen": [rng.choice([0.0, rng.uniform(0.1, 0.8)]), rng.uniform(0.7, 1.6)],
        "jpeg": [rng.uniform(35, 95), float(rng.random() < 0.8)],
        "size": size,
        "stamp": _stamp(rng),
    }
    arrays = {name: np.asarray(value, dtype=np.float32) for name, value in values.items()}
    return CameraEffects(flaw=flaw, **arrays)


def _stamp(rng: np.random.Generator) -> list[float]:
    kind = float(rng.choice([0, 1, 2], p=[0.93, 0.045, 0.025]))
    height = rng.uniform(0.018, 0.05)
    x = rng.uniform(0.01, 0.1) if rng.random() < 0.4 else rng.uniform(0.55, 0.7)
    y = rng.uniform(0.01, 0.04) if rng.random() < 0.3 else rng.uniform(0.66, 0.7)
    colours = [(0.98, 0.62, 0.12), (0.95, 0.9, 0.3), (1.0, 1.0, 1.0), (0.9, 0.2, 0.15), (0.1, 0.1, 0.1)]
    return [kind, x, y, height, *colours[rng.integers(len(colours))], float(rng.integers(0, 2**20))]


def collate_effects(effects: Sequence[CameraEffects], device: torch.device | str) -> EffectsBatch:
    """Stack effects into tensors on ``device``, the batch as first axis."""
    names = [field.name for field in fields(CameraEffects) if field.name != "flaw"]
    tensors = {
        name: torch.from_numpy(np.stack([np.asarray(getattr(one, name)) for one in effects])).to(device)
        for name in names
    }
    return EffectsBatch(flaws=tuple(one.flaw for one in effects), **tensors)
