"""Scenes kept on the device, to be drawn from more than once: making one takes longer than learning from it."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import numpy as np
import torch
from numpy.typing import NDArray
from torch import Tensor

from clawvision.training.batch import Batch, Group

Packed = dict[str, NDArray[Any]]
"""A group as plain arrays, pictures and masks in one byte each a pixel and channel, or pixel."""
_BITS = 5


def pack(group: Group) -> Packed:
    """Return the group as arrays that travel cheaply between processes; pictures are rounded to whole numbers."""
    packed = {name: getattr(group, name).cpu().numpy() for name in group.__dataclass_fields__ if name != "masks"}
    packed["picture"] = group.picture.nan_to_num(0.0).round().clamp(0.0, 255.0).byte().cpu().numpy()
    bits = torch.arange(_BITS, device=group.masks.device, dtype=torch.uint8)
    packed["masks"] = (group.masks.clamp(max=1) << bits[:, None, None]).sum(1, dtype=torch.uint8).cpu().numpy()
    return packed


def unpack(packed: Mapping[str, Tensor]) -> Group:
    """Return the group that was packed, on the device its tensors are on."""
    values = dict(packed)
    bits = torch.arange(_BITS, device=values["masks"].device, dtype=torch.uint8)
    values["masks"] = (values["masks"][:, None] >> bits[:, None, None]) & 1
    values["picture"] = values["picture"].float()
    return Group(**values)


class Shelf:
    """The latest ``capacity`` pictures of one size."""

    def __init__(self, capacity: int, device: torch.device) -> None:
        self._capacity = capacity
        self._device = device
        self._kept: dict[str, Tensor] = {}
        self._added = 0

    def __len__(self) -> int:
        return min(self._added, self._capacity)

    def add(self, packed: Packed) -> None:
        """Put pictures on the shelf, in place of the oldest once it is full."""
        count = len(packed["view"])
        at = (self._added + torch.arange(count, device=self._device)) % self._capacity
        for name, values in packed.items():
            given = torch.from_numpy(np.ascontiguousarray(values)).to(self._device)
            if name not in self._kept:
                self._kept[name] = torch.zeros(
                    (self._capacity, *given.shape[1:]), dtype=given.dtype, device=self._device
                )
            self._kept[name][at] = given
        self._added += count

    def draw(self, count: int, chance: np.random.Generator) -> Group:
        """Return ``count`` different pictures, or all where there are fewer."""
        chosen = chance.choice(len(self), min(count, len(self)), replace=False)
        at = torch.from_numpy(chosen).to(self._device)
        return unpack({name: kept[at] for name, kept in self._kept.items()})


class Pool:
    """A shelf of crops and one of whole photos."""

    def __init__(self, capacity: int, device: torch.device) -> None:
        self.fine = Shelf(capacity, device)
        self.coarse = Shelf(capacity, device)

    def add(self, fine: Packed, coarse: Packed) -> None:
        self.fine.add(fine)
        self.coarse.add(coarse)

    def draw(self, fine: int, coarse: int, chance: np.random.Generator) -> Batch:
        return Batch(self.fine.draw(fine, chance), self.coarse.draw(coarse, chance))
