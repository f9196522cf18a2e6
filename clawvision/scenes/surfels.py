"""What the rasteriser hands to the shader: for every pixel, which surface shows there and where on it.

World frame, mm: x from heel to toe of the foot, y to the foot's lateral side, z up from the bearing plane. Tensors of
a batch have the batch as their first axis; pictures are (B, H, W) or (B, H, W, channels).
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import IntEnum

from torch import Tensor


class Kind(IntEnum):
    """What a surface is made of. The value indexes the shader's materials."""

    SKY = 0
    GROUND = 1
    WALL = 2
    HORN = 3
    LEG = 4
    HAIR = 5
    DEWCLAW = 6
    CARD = 7
    SKIN = 8
    GLOVE = 9
    SLEEVE = 10
    PIPE = 11
    WOOD = 12
    STRAW = 13
    ROPE = 14


@dataclass(frozen=True, slots=True, eq=False)
class Surfels:
    """The visible surface in each pixel.

    ``kind`` int64 (B, H, W): a `Kind`. ``part`` int64 (B, H, W): which object of that kind, from 0: claws 0 outer,
    1 inner, 2 and 3 those of the neighbouring foot; legs 0 this foot's, 1 the neighbour's; hands 0 and 1; pipes 0 to
    3. ``point`` float32 (B, H, W, 3): world, mm. ``normal`` the same shape: unit, facing the camera. ``local`` the same
    shape: mm in the object's own frame, before it is bent, twisted and placed, so that a texture sticks to it.
    ``attr`` float32 (B, H, W, 4), by kind:

    * HORN: distance from the coronet down the wall, mm; 1 on the sole, 0 on the wall; 0 at the heel to 1 at the
      toe; 1 at the sole's rim (the white line) falling to 0 within, 0 on the wall.
    * LEG, HAIR: height above the coronet, mm; 0 to 1 around the leg; 0 at the root to 1 at the tip of a hair (HAIR);
      a number of its own from 0 to 1 for each hair.
    * SKIN, GLOVE, SLEEVE, PIPE, ROPE: distance along it, mm; 0 to 1 around it; 0; 0.
    * STRAW, WOOD: 0 to 1 along it; 0 to 1 across it; 0; a number of its own from 0 to 1 for each stalk.
    * CARD: x and y as printed, 0 to 1 from the top left corner; 0; 0. GROUND, WALL, SKY: all 0 (SKY: ``point`` is a
      unit direction).
    """

    kind: Tensor
    part: Tensor
    point: Tensor
    normal: Tensor
    local: Tensor
    attr: Tensor
