"""Small changes that keep a picture true, so that one scene teaches more than once."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import torch
from torch import Tensor
from torch.nn import functional as F

from clawvision.training.batch import Group

SOLE = 1
TURN_DEG = 7.0
ZOOM = 0.1
SHIFT = 0.03
MIRRORED_LANDMARKS = (0, 1, 2, 3, 5, 4, 7, 6, 8)
MIRRORED_MASKS = (1, 0, 2, 3, 4)


def mirror_soles(group: Group, chosen: Tensor) -> Group:
    """Turn the chosen sole views upside down: a sole view's mirror image is one of the other foot.

    Claws a and b change places, in the canonical pose as in any other. Other views stay as they are.
    """
    rows = chosen & (group.view == SOLE)
    order = torch.tensor(MIRRORED_LANDMARKS, device=rows.device)
    channels = torch.tensor(MIRRORED_MASKS, device=rows.device)
    height = group.picture.shape[2]
    flip = torch.tensor([1.0, -1.0], device=rows.device)
    base = torch.tensor([0.0, height - 1.0], device=rows.device)

    def pick(after: Tensor, before: Tensor) -> Tensor:
        return torch.where(rows.view(-1, *[1] * (before.ndim - 1)), after, before)

    return replace(
        group,
        picture=pick(group.picture.flip(2), group.picture),
        masks=pick(group.masks.flip(2)[:, channels], group.masks),
        landmarks=pick((base + flip * group.landmarks)[:, order], group.landmarks),
        seen=pick(group.seen[:, order], group.seen),
        toe=pick(group.toe * flip, group.toe),
        down=pick(group.down * flip, group.down),
        twist=pick(group.twist.flip(1), group.twist),
        has_twist=pick(group.has_twist.flip(1), group.has_twist),
        hidden_tip=pick(group.hidden_tip.flip(1), group.hidden_tip),
        has_claw=pick(group.has_claw.flip(1), group.has_claw),
    )


def move(group: Group, turn: Tensor, zoom: Tensor, shift: Tensor) -> Group:
    """Turn (radians, x towards y), enlarge and shift (pixels) each picture about its middle.

    Pictures where that would push a landmark out of the frame stay as they are. What comes in at the
    edges repeats the edge.
    """
    count, _, height, width = group.picture.shape
    middle = torch.tensor([(width - 1) / 2.0, (height - 1) / 2.0], device=turn.device)

    def moved(turn: Tensor, zoom: Tensor, shift: Tensor) -> tuple[Tensor, Tensor]:
        c, s = torch.cos(turn), torch.sin(turn)
        rotation = torch.stack([torch.stack([c, -s], 1), torch.stack([s, c], 1)], 1)
        points = (group.landmarks - middle) @ rotation.transpose(1, 2) * zoom[:, None, None]
        return rotation, points + middle + shift[:, None]

    _, points = moved(turn, zoom, shift)
    limits = torch.tensor([width - 1.0, height - 1.0], device=turn.device)
    stays = (((points >= 0) & (points <= limits)).all(2) | (group.seen <= 0)).all(1)
    turn, zoom, shift = turn * stays, torch.where(stays, zoom, 1.0), shift * stays[:, None]
    rotation, points = moved(turn, zoom, shift)
    # Where each new pixel comes from, in grid_sample's frame: ±1 at the outer edges of the corner pixels.
    half = torch.tensor([width / 2.0, height / 2.0], device=turn.device)
    back = rotation.transpose(1, 2) / zoom[:, None, None]
    linear = back * half[None, None, :] / half[None, :, None]
    offset = -(back @ shift[:, :, None])[..., 0] / half
    grid = F.affine_grid(torch.cat([linear, offset[:, :, None]], 2), [count, 1, height, width], align_corners=False)

    def sample(layers: Tensor) -> Tensor:
        return F.grid_sample(layers, grid, mode="bilinear", padding_mode="border", align_corners=False)

    return replace(
        group,
        picture=sample(group.picture),
        masks=(sample(group.masks.float()) > 0.5).byte(),
        landmarks=points,
        toe=(rotation @ group.toe[:, :, None])[..., 0],
        down=(rotation @ group.down[:, :, None])[..., 0],
    )


def recolour(picture: Tensor, gain: Tensor, gamma: Tensor, colour: Tensor, noise: Tensor) -> Tensor:
    """Change brightness (N, 3), gamma (N,), saturation (N,) and add noise of a standard deviation (N,), 0..255."""
    by = (slice(None), None, None, None)
    grey = picture.mean(1, keepdim=True)
    changed = (grey + (picture - grey) * colour[by]).clamp(0.0, 255.0) / 255.0
    changed = 255.0 * changed ** gamma[by] * gain[:, :, None, None]
    return (changed + torch.randn_like(picture) * noise[by]).clamp(0.0, 255.0)


def vary(group: Group, chance: np.random.Generator) -> Group:
    """Return the group mirrored, moved and recoloured at random, its truth with it."""
    count = len(group)
    device = group.picture.device

    def draw(low: float, high: float, *more: int) -> Tensor:
        return torch.from_numpy(chance.uniform(low, high, (count, *more)).astype(np.float32)).to(device)

    group = mirror_soles(group, draw(0.0, 1.0) < 0.5)
    turn = draw(-1.0, 1.0) * math.radians(TURN_DEG)
    size = torch.tensor([group.picture.shape[3], group.picture.shape[2]], device=device)
    group = move(group, turn, torch.exp(draw(-ZOOM, ZOOM)), draw(-SHIFT, SHIFT, 2) * size)
    gain = draw(0.85, 1.18)[:, None] * draw(0.95, 1.05, 3)
    picture = recolour(group.picture, gain, draw(0.8, 1.25), draw(0.6, 1.25), draw(0.0, 5.0))
    return replace(group, picture=picture)
