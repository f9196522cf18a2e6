"""Several processes of one training, one per GPU, started by ``torchrun``; or just one."""

from __future__ import annotations

import os
from dataclasses import dataclass

import torch
import torch.distributed as dist
from torch import nn


@dataclass(frozen=True, slots=True)
class Ranks:
    """This process among its like. With a single process every method does nothing."""

    rank: int
    world: int
    device: torch.device

    @classmethod
    def join(cls, device: str) -> Ranks:
        """Find out from torchrun's environment who this process is, and connect."""
        world = int(os.environ.get("WORLD_SIZE", "1"))
        if world == 1:
            return cls(0, 1, torch.device(device))
        rank, local = int(os.environ["RANK"]), int(os.environ["LOCAL_RANK"])
        where = torch.device("cuda", local) if device == "cuda" else torch.device(device)
        if where.type == "cuda":
            torch.cuda.set_device(where)
        dist.init_process_group("nccl" if where.type == "cuda" else "gloo")
        return cls(rank, world, where)

    @property
    def first(self) -> bool:
        return self.rank == 0

    def share_gradients(self, network: nn.Module) -> None:
        """Replace every gradient by the mean over the processes."""
        if self.world == 1:
            return
        gradients = [p.grad for p in network.parameters() if p.grad is not None]
        flat = torch.cat([one.flatten() for one in gradients])
        dist.all_reduce(flat)
        flat /= self.world
        for one, part in zip(gradients, flat.split([one.numel() for one in gradients]), strict=True):
            one.copy_(part.view_as(one))

    def agree(self, value: float) -> float:
        """Return the first process's value, so that all stop and slow down alike."""
        if self.world == 1:
            return value
        shared = torch.tensor([value], dtype=torch.float64, device=self.device)
        dist.broadcast(shared, 0)
        return float(shared.item())

    def align(self, network: nn.Module) -> None:
        """Give every process the first one's weights and running statistics."""
        if self.world > 1:
            for value in network.state_dict().values():
                dist.broadcast(value, 0)

    def leave(self) -> None:
        if self.world > 1:
            dist.destroy_process_group()
