"""Noise in three dimensions for procedural surfaces: the same arithmetic on CPU and GPU, seeded per point.

Each noise is a block of voxels that repeats without a seam, made once per device from integer hashes of the lattice
and read by one trilinear look-up per point. That is some twenty times cheaper than hashing the corners at every
point, and several octaves and four independent channels come out of a single look-up. A seed shifts the block.
"""

from __future__ import annotations

from functools import lru_cache

import torch
import torch.nn.functional as F
from torch import Tensor

FBM_PERIOD = 12
"""Cells of the coarsest octave until `fbm` repeats."""
CELL_PERIOD = 12
"""Cells until `cells` repeats."""
_FBM_VOXELS, _CELL_VOXELS = 96, 72
_CHANNELS = 4
# A plane through the block at these slants never meets the same voxels again, so that no tiling shows on floors.
_TURN = ((0.7716, 0.6172, -0.1543), (-0.4815, 0.7222, 0.4966), (0.4179, -0.3089, 0.8544))


def hash_unit(*integers: Tensor) -> Tensor:
    """Return a float32 number in [0, 1) for each tuple of integers (int64 tensors that broadcast together)."""
    mask = 0xFFFFFFFF
    state = torch.full_like(integers[0], 0x9E3779B9)
    for value in integers:
        state = (state ^ (value & mask)) * 0x85EBCA6B & mask
        state = (state ^ (state >> 13)) * 0xC2B2AE35 & mask
        state = state ^ (state >> 16)
    return (state >> 8).to(torch.float32) / float(1 << 24)


def fbm(points: Tensor, seed: Tensor) -> Tensor:
    """Return four independent fields of three octaves, (N, 4), each of mean 0 and standard deviation 1.

    Parameters
    ----------
    points
        (N, 3), in cells of the coarsest octave: divide mm by the size of a blotch.
    seed
        (N,) int64: points of one seed share one field.
    """
    return fbm_at(points, shift(seed))


def shift(seed: Tensor) -> Tensor:
    """Return where in the block each seed's field begins, (..., 3), for those who read many points of few seeds."""
    # One hash gives the shifts along all axes: its lower digits are as good as its upper ones.
    return hash_unit(seed)[..., None] * torch.tensor([1.0, 97.31, 389.7], device=seed.device)


def fbm_at(points: Tensor, begin: Tensor) -> Tensor:
    """Return `fbm` at points (N, 3) of fields that begin at ``begin`` (N, 3), see `shift`."""
    return _look_up(_fbm_block(points.device), points / FBM_PERIOD, begin)


def smooth_at(points: Tensor, begin: Tensor) -> Tensor:
    """Return `smooth` at points (N, 3) of fields that begin at ``begin`` (N, 3), see `shift`."""
    return _look_up(_smooth_block(points.device), points / FBM_PERIOD, begin)


def smooth(points: Tensor, seed: Tensor) -> Tensor:
    """Return four independent fields of a single octave, (N, 4): as `fbm`, without detail finer than a cell."""
    return smooth_at(points, shift(seed))


def cells(points: Tensor, seed: Tensor) -> Tensor:
    """Return cellular noise, (N, 2): distance to the nearest scattered point, and how much farther the second is.

    Parameters
    ----------
    points
        (N, 3), in cells: one scattered point per cell. Both distances are in cells.
    seed
        (N,) int64.
    """
    return _look_up(_cell_block(points.device), points / CELL_PERIOD, shift(seed))


def cover(noise: Tensor, share: Tensor, softness: Tensor | float) -> Tensor:
    """Return how far each point is covered, 0 to 1, so that about ``share`` of a standard normal field is.

    ``softness`` is the width of the border in standard deviations.
    """
    threshold = -1.4142 * torch.erfinv((2 * share - 1).clamp(-0.9999, 0.9999))
    covered = ((noise - threshold) / softness).clamp(-8, 8).sigmoid()
    return torch.where(share > 1e-3, covered, torch.zeros_like(covered))


def _look_up(block: Tensor, turns: Tensor, begin: Tensor) -> Tensor:
    place = torch.addmm(begin, turns, turns.new_tensor(_TURN))
    grid = (place - place.floor()) * 2 - 1
    found = F.grid_sample(block, grid[None, None, None], mode="bilinear", padding_mode="border", align_corners=True)
    return found[0, :, 0, 0].T


@lru_cache(maxsize=4)
def _fbm_block(device: torch.device) -> Tensor:
    total = torch.zeros(1, _CHANNELS, *(_FBM_VOXELS,) * 3, device=device)
    for octave in range(3):
        lattice = _lattice(FBM_PERIOD << octave, octave, device) * 0.5**octave
        total += _enlarged(lattice, _FBM_VOXELS)
    return _standardised(total)


@lru_cache(maxsize=4)
def _smooth_block(device: torch.device) -> Tensor:
    return _standardised(_enlarged(_lattice(FBM_PERIOD, 5, device), _FBM_VOXELS // 2))


def _standardised(total: Tensor) -> Tensor:
    total = total - total.mean(dim=(2, 3, 4), keepdim=True)
    return _closed(total / total.std(dim=(2, 3, 4), keepdim=True))


def _lattice(size: int, octave: int, device: torch.device) -> Tensor:
    axis = torch.arange(size, device=device)
    z, y, x = torch.meshgrid(axis, axis, axis, indexing="ij")
    channel = torch.arange(_CHANNELS, device=device)[:, None, None, None]
    return (hash_unit(channel + 0 * x, 0 * channel + x, y + 0 * channel, z + 0 * channel, x * 0 + octave) - 0.5)[None]


def _enlarged(lattice: Tensor, size: int) -> Tensor:
    """Enlarge a repeating lattice by cubic B-splines, one axis after the other."""
    factor = size // lattice.shape[-1]
    offset = torch.arange(factor, device=lattice.device, dtype=torch.float32) / factor
    weights = torch.stack(
        [
            (1 - offset) ** 3,
            3 * offset**3 - 6 * offset**2 + 4,
            -3 * offset**3 + 3 * offset**2 + 3 * offset + 1,
            offset**3,
        ]
    )
    result = lattice
    for axis in (2, 3, 4):
        shape = [1] * 6
        shape[axis + 1] = factor
        parts = [result.roll(1 - tap, dims=axis).unsqueeze(axis + 1) * weights[tap].view(shape) for tap in range(4)]
        result = torch.stack(parts).sum(dim=0).flatten(axis, axis + 1)
    return result / 6.0**3


@lru_cache(maxsize=4)
def _cell_block(device: torch.device) -> Tensor:
    axis = torch.arange(_CELL_VOXELS, device=device)
    z, y, x = torch.meshgrid(axis, axis, axis, indexing="ij")
    per_cell = _CELL_VOXELS // CELL_PERIOD
    voxel = torch.stack([x, y, z], dim=-1)
    home, inside = voxel // per_cell, (voxel % per_cell).to(torch.float32) / per_cell
    first = torch.full(x.shape, 9.0, device=device)
    second = first.clone()
    for step in range(27):
        move = torch.tensor([step % 3 - 1, step // 3 % 3 - 1, step // 9 - 1], device=device)
        cell = (home + move) % CELL_PERIOD
        corner = torch.stack(
            [hash_unit(cell[..., 0], cell[..., 1], cell[..., 2], torch.full_like(x, 7 + axis)) for axis in range(3)],
            dim=-1,
        )
        distance = (move + 0.1 + 0.8 * corner - inside).norm(dim=-1)
        second = torch.minimum(second, torch.maximum(first, distance))
        first = torch.minimum(first, distance)
    return _closed(torch.stack([first, second - first])[None])


def _closed(block: Tensor) -> Tensor:
    """Repeat the first layer of voxels behind the last, so that interpolation runs across the seam."""
    for axis in (2, 3, 4):
        block = torch.cat([block, block.narrow(axis, 0, 1)], dim=axis)
    return block.contiguous()
