"""Which triangle shows in which pixel: a depth buffer over batches of triangle meshes that share their topology.

Runs the same on a CPU and a GPU. Exact to single precision: a pixel shows the nearest triangle whose projection holds
the pixel's centre.
"""

from __future__ import annotations

from dataclasses import dataclass

import torch
from torch import Tensor

_NEAR = 1.0
_CANDIDATES = 24_000_000
_EMPTY = torch.iinfo(torch.int64).max


@dataclass(frozen=True, slots=True, eq=False)
class Fragments:
    """The nearest triangle in each pixel.

    ``face`` int64 (B, H, W), −1 where there is none; ``weights`` float32 (B, H, W, 3), the perspective-correct shares
    of the face's corners; ``depth`` float32 (B, H, W), along the camera's axis, mm, infinite where there is none.
    """

    face: Tensor
    weights: Tensor
    depth: Tensor


def rasterise(corners: Tensor, faces: Tensor, height: int, width: int) -> Fragments:
    """Find the nearest triangle in every pixel.

    Parameters
    ----------
    corners : float32 (B, V, 3)
        Projected vertices: x and y in pixels (the centre of the top left pixel is 0, 0), depth in mm. Triangles with
        a corner at a depth below 1 mm do not show.
    faces : int64 (F, 3)
        Corner indices, the same for the whole batch.
    height, width
        Of the picture, pixels.
    """
    batch = len(corners)
    device = corners.device
    triangles = corners[:, faces]  # (B, F, 3, 3)
    low = triangles[..., :2].amin(dim=2).ceil().clamp_min(0.0)
    high = triangles[..., :2].amax(dim=2).floor()
    high = torch.minimum(high, torch.tensor([width - 1.0, height - 1.0], device=device))
    span = (high - low).amax(dim=-1) + 1.0
    shows = (
        (triangles[..., 2].amin(dim=2) > _NEAR) & (high >= low).all(dim=-1) & torch.isfinite(triangles).all(-1).all(-1)
    )
    buffer = torch.full((batch * height * width,), _EMPTY, dtype=torch.int64, device=device)
    size = 2
    while True:
        chosen = (shows & (span <= size) & (span > (size // 2 if size > 2 else 0))).nonzero()
        step = max(1, _CANDIDATES // (size * size))
        for start in range(0, len(chosen), step):
            _draw(buffer, triangles, low, chosen[start : start + step], size, height, width)
        if size >= max(height, width):
            break
        size *= 2
    return _resolve(buffer.view(batch, height, width), corners, faces)


def _edges(tri: Tensor, x: Tensor, y: Tensor) -> tuple[Tensor, Tensor, Tensor]:
    """Return the screen-space shares of a triangle's corners (N, 3, ≥2) at points (N, K)."""
    ax, ay = tri[:, 0, 0, None], tri[:, 0, 1, None]
    bx, by = tri[:, 1, 0, None], tri[:, 1, 1, None]
    cx, cy = tri[:, 2, 0, None], tri[:, 2, 1, None]
    area = (bx - ax) * (cy - ay) - (by - ay) * (cx - ax)
    area = torch.where(area.abs() < 1e-9, torch.full_like(area, float("nan")), area)
    wa = ((bx - x) * (cy - y) - (by - y) * (cx - x)) / area
    wb = ((cx - x) * (ay - y) - (cy - y) * (ax - x)) / area
    return wa, wb, 1.0 - wa - wb


def _draw(buffer: Tensor, triangles: Tensor, low: Tensor, chosen: Tensor, size: int, height: int, width: int) -> None:
    scene, face = chosen[:, 0], chosen[:, 1]
    tri = triangles[scene, face]
    corner = low[scene, face]
    steps = torch.arange(size, device=buffer.device, dtype=torch.float32)
    x = (corner[:, 0, None, None] + steps[None, None, :]).expand(-1, size, -1).reshape(len(chosen), -1)
    y = (corner[:, 1, None, None] + steps[None, :, None]).expand(-1, -1, size).reshape(len(chosen), -1)
    wa, wb, wc = _edges(tri, x, y)
    inside = (wa >= 0) & (wb >= 0) & (wc >= 0) & (x < width) & (y < height)
    row, column = inside.nonzero(as_tuple=True)
    if not len(row):
        return
    inverse = 1.0 / tri[..., 2]
    near = wa[row, column] * inverse[row, 0] + wb[row, column] * inverse[row, 1] + wc[row, column] * inverse[row, 2]
    depth = 1.0 / near
    # positive floats sort as their bits do, so that one integer minimum keeps the nearest face with its depth
    key = (depth.view(torch.int32).to(torch.int64) << 32) | face[row]
    place = (scene[row] * height + y[row, column].to(torch.int64)) * width + x[row, column].to(torch.int64)
    buffer.scatter_reduce_(0, place, key, reduce="amin")


def _resolve(buffer: Tensor, corners: Tensor, faces: Tensor) -> Fragments:
    batch, height, width = buffer.shape
    hit = buffer != _EMPTY
    face = torch.where(hit, buffer & 0xFFFFFFFF, torch.full_like(buffer, -1))
    depth = (buffer >> 32).to(torch.int32).view(torch.float32)
    depth = torch.where(hit, depth, torch.full_like(depth, float("inf")))
    weights = torch.zeros(batch, height, width, 3, device=buffer.device)
    scene, y, x = hit.nonzero(as_tuple=True)
    tri = corners[scene[:, None], faces[face[hit]]]
    wa, wb, wc = _edges(tri, x[:, None].float(), y[:, None].float())
    share = torch.cat([wa, wb, wc], dim=1) / tri[..., 2]
    weights[hit] = share / share.sum(dim=1, keepdim=True)
    return Fragments(face, weights, depth)
