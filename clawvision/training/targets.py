"""What the network should answer, in the grids of its outputs; and how its heat maps are read."""

from __future__ import annotations

import torch
from torch import Tensor
from torch.nn import functional as F

from clawvision.outline.learned.contract import (
    LANDMARK_STEP,
    MASK_STEP,
)

HEAT_SIGMA = 1.2
"""Standard deviation of a landmark's target heat, cells."""
WINDOW = 3
"""A landmark is read from the cells up to this far from the hottest one."""


def soft_masks(masks: Tensor) -> Tensor:
    """Return the share of each mask cell that is covered, (N, 5, H/2, W/2) float32 in 0..1."""
    return F.avg_pool2d(masks.float(), MASK_STEP)


def border(soft: Tensor, reach: int = 2) -> Tensor:
    """Return 1 within ``reach`` cells of a border of (N, C, h, w) masks, 0 elsewhere, (N, 1, h, w)."""
    size = 2 * reach + 1
    above = F.max_pool2d(soft, size, 1, reach)
    below = -F.max_pool2d(-soft, size, 1, reach)
    return (above - below).amax(1, keepdim=True)


def to_cells(points: Tensor) -> Tensor:
    """Convert pixels of the input to cells of the landmark grid."""
    return (points - (LANDMARK_STEP - 1) / 2.0) / LANDMARK_STEP


def to_pixels(cells: Tensor) -> Tensor:
    """Convert cells of the landmark grid to pixels of the input."""
    return cells * LANDMARK_STEP + (LANDMARK_STEP - 1) / 2.0


def heat(points: Tensor, height: int, width: int, sigma: float = HEAT_SIGMA) -> Tensor:
    """Return the heat that (N, K, 2) points, in pixels, should raise: (N, K, height, width), sum 1 each.

    A Gaussian centred on the point itself, not on the nearest cell, cut at the picture's edge.
    """
    cells = to_cells(points)

    def along(at: Tensor, count: int) -> Tensor:
        steps = torch.arange(count, device=at.device, dtype=at.dtype)
        return torch.softmax(-0.5 * ((steps - at[..., None]) / sigma) ** 2, -1)

    return along(cells[..., 1], height)[..., :, None] * along(cells[..., 0], width)[..., None, :]


def read_landmarks(logits: Tensor) -> Tensor:
    """Return where (N, K, h, w) heat maps point, (N, K, 2) in pixels of the input.

    The mean place of the softmax over the (2 · WINDOW + 1)² cells around the hottest cell; differentiable
    in the logits of those cells.
    """
    count, kinds, height, width = logits.shape
    flat = logits.flatten(2)
    peak = flat.argmax(2)
    reach = torch.arange(-WINDOW, WINDOW + 1, device=logits.device)
    rows = (peak // width)[..., None] + reach
    columns = (peak % width)[..., None] + reach
    inside = ((rows >= 0) & (rows < height))[..., :, None] & ((columns >= 0) & (columns < width))[..., None, :]
    at = rows.clamp(0, height - 1)[..., :, None] * width + columns.clamp(0, width - 1)[..., None, :]
    near = flat.gather(2, at.flatten(2)).float().masked_fill(~inside.flatten(2), float("-inf"))
    share = torch.softmax(near, 2).view(count, kinds, 2 * WINDOW + 1, 2 * WINDOW + 1)
    x = (share.sum(2) * columns).sum(2)
    y = (share.sum(3) * rows).sum(2)
    return to_pixels(torch.stack([x, y], 2))


def overlap(masks: Tensor, soft: Tensor) -> Tensor:
    """Return the intersection over union of each mask, both cut at one half: (N, C) in 0..1.

    ``masks`` are logits. Where neither has a cell the overlap is 0.
    """
    ours, theirs = masks > 0, soft > 0.5
    both = (ours & theirs).flatten(2).sum(2)
    either = (ours | theirs).flatten(2).sum(2)
    return both / either.clamp(min=1)
