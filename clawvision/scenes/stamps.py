"""Dates and marks that a camera or a web page has put over a picture's corner."""

from __future__ import annotations

import torch
from torch import Tensor

# Which of the seven bars of a figure are lit, for 0 to 9: top, upper left, upper right, middle, lower left,
# lower right, bottom.
_FIGURES = (
    0b1110111,
    0b0010010,
    0b1011101,
    0b1011011,
    0b0111010,
    0b1101011,
    0b1101111,
    0b1010010,
    0b1111111,
    0b1111011,
)
# x0, y0, x1, y1 of each bar in a figure one unit high and 0.55 wide.
_BARS = (
    (0.06, 0.0, 0.49, 0.12),
    (0.0, 0.06, 0.12, 0.5),
    (0.43, 0.06, 0.55, 0.5),
    (0.06, 0.44, 0.49, 0.56),
    (0.0, 0.5, 0.12, 0.94),
    (0.43, 0.5, 0.55, 0.94),
    (0.06, 0.88, 0.49, 1.0),
)
_LENGTH = 8


def stamped(picture: Tensor, stamp: Tensor) -> Tensor:
    """Return the pictures (B, 3, H, W) with what ``stamp`` (B, 8) asks for; see `CameraEffects`."""
    chosen = (stamp[:, 0] > 0.5).nonzero()[:, 0]
    if len(chosen) == 0:
        return picture
    result = picture.clone()
    height, width = picture.shape[2:]
    y = torch.arange(height, device=picture.device, dtype=picture.dtype)[:, None] / width
    x = torch.arange(width, device=picture.device, dtype=picture.dtype)[None] / width
    for index in chosen.tolist():
        kind, left, top, tall = stamp[index, :4].tolist()
        number = int(stamp[index, 7].item())
        colour = stamp[index, 4:7, None, None]
        u, v = (x - left) / tall, (y - top) / tall
        ink = _date(u, v, number) if kind < 1.5 else _mark(u, v, number)
        result[index] = torch.lerp(result[index], colour.expand_as(result[index]), ink[None] * 0.92)
    return result


def _date(u: Tensor, v: Tensor, number: int) -> Tensor:
    place = (u / 0.75).floor()
    inside = u - place * 0.75
    ink = torch.zeros_like(u + v)
    for position in range(_LENGTH):
        bars = _FIGURES[(number >> position * 2) % 10]
        here = place == position
        for bit, (x0, y0, x1, y1) in enumerate(_BARS):
            if bars >> (6 - bit) & 1:
                lit = here & (inside > x0) & (inside < x1)
                ink = torch.maximum(ink, (lit & (v > y0) & (v < y1)).to(ink.dtype))
    return ink


def _mark(u: Tensor, v: Tensor, number: int) -> Tensor:
    """A box with a few lighter bars in it, as the lettering of a mark looks from afar."""
    box = ((u > 0) & (u < 5) & (v > 0) & (v < 1.4)).to(u.dtype)
    bars = (((u * (2 + number % 5)).floor() * 7 + number) % 3 > 0) & (v > 0.4) & (v < 1.0) & (u > 0.4) & (u < 4.6)
    return box * (1 - 0.7 * bars.to(u.dtype))
