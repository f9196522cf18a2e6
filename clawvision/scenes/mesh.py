"""Surfaces joined to one mesh whose topology is the same for every scene of a batch."""

from __future__ import annotations

from dataclasses import dataclass

import torch
from torch import Tensor

from clawvision.scenes.surfels import Kind


@dataclass(frozen=True, slots=True, eq=False)
class Piece:
    """One surface of a batch of scenes.

    ``points``, ``local`` (B, V, 3), ``attr`` (B, V, 4), ``faces`` int64 (F, 3).
    """

    kind: Kind
    part: int
    points: Tensor
    local: Tensor
    attr: Tensor
    faces: Tensor


@dataclass(frozen=True, slots=True, eq=False)
class Mesh:
    """All surfaces of a batch of scenes: ``points``, ``local`` (B, V, 3), ``attr`` (B, V, 4), ``faces`` (F, 3), and for
    every face its ``kind`` and ``part``, int64 (F,).
    """

    points: Tensor
    local: Tensor
    attr: Tensor
    faces: Tensor
    kind: Tensor
    part: Tensor


def join(pieces: list[Piece]) -> Mesh:
    """Join pieces to one mesh."""
    faces, kinds, parts, first = [], [], [], 0
    for piece in pieces:
        faces.append(piece.faces + first)
        kinds.append(torch.full((len(piece.faces),), int(piece.kind), device=piece.faces.device))
        parts.append(torch.full((len(piece.faces),), piece.part, device=piece.faces.device))
        first += piece.points.shape[1]
    return Mesh(
        torch.cat([piece.points for piece in pieces], dim=1),
        torch.cat([piece.local for piece in pieces], dim=1),
        torch.cat([piece.attr for piece in pieces], dim=1),
        torch.cat(faces),
        torch.cat(kinds),
        torch.cat(parts),
    )


def grid_faces(rows: int, columns: int, device: torch.device, *, closed: bool = True) -> Tensor:
    """Return the triangles of a grid of points, (F, 3), its columns closed to a ring or not."""
    last = columns if closed else columns - 1
    row = torch.arange(rows - 1, device=device)[:, None] * columns
    here = torch.arange(last, device=device)[None, :]
    after = (here + 1) % columns
    a, b, c, d = row + here, row + after, row + columns + after, row + columns + here
    return torch.cat([torch.stack([a, b, c], dim=-1), torch.stack([a, c, d], dim=-1)]).reshape(-1, 3)


def cap_faces(first: int, count: int, device: torch.device) -> Tensor:
    """Return a fan over a ring of points that begin at index ``first``."""
    k = torch.arange(1, count - 1, device=device)
    return torch.stack([torch.full_like(k, first), first + k, first + k + 1], dim=-1)


def normalised(vector: Tensor) -> Tensor:
    """Return unit vectors."""
    unit: Tensor = vector / vector.norm(dim=-1, keepdim=True).clamp_min(1e-9)
    return unit


def tube(kind: Kind, part: int, path: Tensor, across: Tensor, wide: Tensor, deep: Tensor, ring: int) -> Piece:
    """Build tubes of elliptic section along paths.

    Parameters
    ----------
    path : (B, N, 3)
        Centres of the rings.
    across : (B, 3) or (B, N, 3)
        A direction roughly at right angles to the path, along which a ring is ``wide``; at right angles to it ``deep``.
    wide, deep : (B, N)
        Half axes.
    ring
        Points around.
    """
    batch, rows = path.shape[:2]
    device = path.device
    along = normalised(torch.gradient(path, dim=1)[0])
    side = across if across.dim() == 3 else across[:, None, :].expand_as(path)
    side = normalised(side - (side * along).sum(-1, keepdim=True) * along)
    front = torch.linalg.cross(along, side)
    angle = torch.arange(ring, device=device) * (2 * torch.pi / ring)
    cos, sin = torch.cos(angle)[None, None, :, None], torch.sin(angle)[None, None, :, None]
    points = (
        path[:, :, None, :]
        + wide[..., None, None] * cos * side[:, :, None]
        + deep[..., None, None] * sin * front[:, :, None]
    )
    steps = (path[:, 1:] - path[:, :-1]).norm(dim=-1)
    length = torch.cat([torch.zeros(batch, 1, device=device), steps.cumsum(dim=1)], dim=1)
    distance = length[:, :, None].expand(batch, rows, ring)
    around = (angle / (2 * torch.pi))[None, None, :].expand(batch, rows, ring)
    zero = torch.zeros_like(distance)
    attr = torch.stack([distance, around, zero, zero], dim=-1)
    radius = wide[:, :, None]
    local = torch.stack([distance, radius * cos[..., 0], deep[:, :, None] * sin[..., 0]], dim=-1)
    faces = torch.cat(
        [grid_faces(rows, ring, device), cap_faces(0, ring, device), cap_faces((rows - 1) * ring, ring, device)]
    )
    flat = (batch, rows * ring)
    return Piece(kind, part, points.reshape(*flat, 3), local.reshape(*flat, 3), attr.reshape(*flat, 4), faces)


def bars(kind: Kind, part: int, start: Tensor, stop: Tensor, side: Tensor, number: Tensor) -> Piece:
    """Build flat thin things (stalks, hairs): N per scene, each a quad from ``start`` to ``stop`` (B, N, 3) and half as
    wide as ``side`` (B, N, 3) on each hand, its tip narrower. ``number`` (B, N) is each one's own, 0 to 1.
    """
    batch, count = start.shape[:2]
    device = start.device
    points = torch.stack([start - side, start + side, stop + 0.35 * side, stop - 0.35 * side], dim=2)
    u = torch.tensor([0.0, 0.0, 1.0, 1.0], device=device).expand(batch, count, 4)
    v = torch.tensor([0.0, 1.0, 1.0, 0.0], device=device).expand(batch, count, 4)
    attr = torch.stack([u, v, torch.zeros_like(u), number[..., None].expand_as(u)], dim=-1)
    base = torch.arange(count, device=device)[:, None] * 4
    faces = torch.cat([base + torch.tensor([0, 1, 2], device=device), base + torch.tensor([0, 2, 3], device=device)])
    flat = (batch, count * 4)
    return Piece(kind, part, points.reshape(*flat, 3), points.reshape(*flat, 3), attr.reshape(*flat, 4), faces)
