"""What a feed hands to the training: pictures and everything true about them, as tensors on one device."""

from __future__ import annotations

import importlib
from dataclasses import dataclass
from typing import Protocol

import torch
from torch import Tensor


@dataclass(frozen=True, slots=True, eq=False)
class Group:
    """N pictures of one size (H, W) with their truth; both claws are in the order a, b.

    Lengths are pixels of this picture, x right, y down, the centre of the top left pixel at (0, 0).
    Where a weight is 0, the value it belongs to is not trained and may be anything finite.
    """

    picture: Tensor
    """(N, 3, H, W) float32 RGB in 0..255."""
    masks: Tensor
    """(N, 5, H, W) uint8, 0 or 1: claw_a, claw_b, leg, reference, occluder."""
    landmarks: Tensor
    """(N, 9, 2) float32: C, T, B, H, tip_a, tip_b, heel_a, heel_b, cleft."""
    seen: Tensor
    """(N, 9) float32 weight of each landmark in 0..1; 0 where it is out of frame or not of this view."""
    view: Tensor
    """(N,) int64: 0 side, 1 sole, 2 front, 3 rear, 4 none."""
    toe: Tensor
    """(N, 2) float32 unit vector from heels to toes."""
    has_toe: Tensor
    """(N,) float32 weight."""
    down: Tensor
    """(N, 2) float32 unit vector from the coronet to the bearing surface."""
    has_down: Tensor
    """(N,) float32 weight."""
    twist: Tensor
    """(N, 2) float32 helical twist of claw a and b, degrees."""
    has_twist: Tensor
    """(N, 2) float32 weight."""
    lean: Tensor
    """(N,) float32: how far the near claw of a side view turns its toe away from the camera, degrees."""
    has_lean: Tensor
    """(N,) float32 weight."""
    usable: Tensor
    """(N,) float32, 1 for a photo fit to measure."""
    hidden_tip: Tensor
    """(N, 2) float32, 1 where the claw's tip is covered or cut off by the frame."""
    has_claw: Tensor
    """(N, 2) float32, 1 where the claw is in the picture."""

    def __len__(self) -> int:
        return int(self.picture.shape[0])

    def tensors(self) -> list[Tensor]:
        """Return every tensor of the group."""
        return [getattr(self, name) for name in self.__dataclass_fields__]


@dataclass(frozen=True, slots=True, eq=False)
class Batch:
    """Crops in the canonical pose (384 × 512) and whole letterboxed photos (192 × 256)."""

    fine: Group
    coarse: Group

    def groups(self) -> tuple[Group, Group]:
        return self.fine, self.coarse


class Feed(Protocol):
    """Makes batches; the same seed and number always give the same batch."""

    def batch(self, number: int) -> Batch: ...


class FeedMaker(Protocol):
    """Makes a feed of batches of ``fine`` crops and ``coarse`` photos on ``device``.

    ``held_out`` asks for the scene families that are never trained on.
    """

    def __call__(self, *, seed: int, device: torch.device, fine: int, coarse: int, held_out: bool) -> Feed: ...


def feed_maker(name: str) -> FeedMaker:
    """Return the feed that ``module:name`` names."""
    module, _, attribute = name.partition(":")
    maker: FeedMaker = getattr(importlib.import_module(module), attribute)
    return maker
