"""A whole foot: two claws placed side by side, the digits and leg above them, the hair that hangs over the coronet.

Foot frame, mm: x from heel to toe, y to the lateral side, z up; the outer claw lies at positive y.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import torch
from torch import Tensor

from clawvision.scenes.claw import SOLE_POINTS, STATIONS, WALL_POINTS, ClawSurface, claw_surface
from clawvision.scenes.mesh import Piece, bars, cap_faces, grid_faces, normalised, tube
from clawvision.scenes.surfels import Kind

_FRINGE_HAIRS = 1000
"""Over each claw's coronet."""
_COAT_HAIRS = 1600
_DIGIT_RING, _LEG_RING = 26, 28
"""Points around the skin above each claw, and around the leg."""


@dataclass(frozen=True, slots=True, eq=False)
class FootNumbers:
    """A batch of feet as tensors: ``outer``, ``inner`` (B, K) as `claw_vector` gives them, all else (B, 1)."""

    outer: Tensor
    inner: Tensor
    gap: Tensor
    splay_outer: Tensor
    splay_inner: Tensor
    roll_outer: Tensor
    roll_inner: Tensor
    shift: Tensor
    pastern_deg: Tensor
    pastern_length: Tensor
    cannon_deg: Tensor
    leg_scale: Tensor
    hair_overhang: Tensor
    hair_amount: Tensor
    dewclaw: Tensor


@dataclass(frozen=True, slots=True, eq=False)
class PlacedClaw:
    """A claw in the foot frame: its surface's ``points`` (B, S, R, 3), C and B (B, 3)."""

    surface: ClawSurface
    points: Tensor
    coronet: Tensor
    bulb: Tensor


@dataclass(frozen=True, slots=True, eq=False)
class Foot:
    """A foot's two claws and all its surfaces."""

    outer: PlacedClaw
    inner: PlacedClaw
    pieces: list[Piece]


def _turn(splay: Tensor, roll: Tensor) -> Tensor:
    """Return rotations (B, 3, 3): roll about the claw's axis, then splay about the upright."""
    s, r = torch.deg2rad(splay[:, 0]), torch.deg2rad(roll[:, 0])
    zero, one = torch.zeros_like(s), torch.ones_like(s)
    about_z = torch.stack(
        [torch.cos(s), -torch.sin(s), zero, torch.sin(s), torch.cos(s), zero, zero, zero, one], dim=-1
    )
    about_x = torch.stack(
        [one, zero, zero, zero, torch.cos(r), -torch.sin(r), zero, torch.sin(r), torch.cos(r)], dim=-1
    )
    return about_z.view(-1, 3, 3) @ about_x.view(-1, 3, 3)


def place_claws(number: FootNumbers) -> tuple[PlacedClaw, PlacedClaw]:
    """Build both claws and set them side by side: their heels level, their axial sides ``gap`` apart at the bulbs."""
    outer = _placed(number.outer, number.splay_outer, number.roll_outer, number.gap, None)
    inner = _placed(number.inner, -number.splay_inner, -number.roll_inner, number.gap, number.shift)
    return outer, inner


def _placed(vectors: Tensor, splay: Tensor, roll: Tensor, gap: Tensor, shift: Tensor | None) -> PlacedClaw:
    """Build claws and set them on the ground; all but ``vectors`` (B, 1). A ``shift`` forwards is for inner claws
    only, which are mirrored.
    """
    surface = claw_surface(vectors)
    sign = 1.0 if shift is None else -1.0
    mirror = torch.tensor([1.0, sign, 1.0], device=vectors.device)
    rotation = _turn(splay, roll).transpose(1, 2)
    heel = surface.points[:, : STATIONS // 3, :, 1].amin(dim=(1, 2))  # the axial side's innermost place
    zero = torch.zeros_like(heel)
    ahead = zero if shift is None else shift[:, 0]
    origin = torch.stack([ahead, sign * (0.5 * gap[:, 0] - heel), zero], dim=-1)

    def place(points: Tensor) -> Tensor:
        flat = (points * mirror).reshape(len(points), -1, 3)
        return (flat @ rotation + origin[:, None, :]).reshape(points.shape)

    # a rolled claw still stands on the ground
    origin = origin - torch.stack([zero, zero, place(surface.points)[..., 2].amin(dim=(1, 2))], dim=-1)
    return PlacedClaw(
        surface, place(surface.points), place(surface.coronet[:, None])[:, 0], place(surface.bulb[:, None])[:, 0]
    )


def _horn(claw: PlacedClaw, part: int) -> Piece:
    batch = len(claw.points)
    ring = SOLE_POINTS + 2 * WALL_POINTS
    device = claw.points.device
    faces = torch.cat(
        [
            grid_faces(STATIONS, ring, device),
            cap_faces(0, ring, device),
            cap_faces((STATIONS - 1) * ring, ring, device),
        ]
    )
    return Piece(
        Kind.HORN,
        part,
        claw.points.reshape(batch, -1, 3),
        claw.surface.local.reshape(batch, -1, 3),
        claw.surface.attr.reshape(batch, -1, 4),
        faces,
    )


@dataclass(frozen=True, slots=True, eq=False)
class _Axis:
    """The leg's axis: places and directions along it, and the way that is dorsal there."""

    start: Tensor
    up: Tensor
    fetlock: Tensor
    cannon: Tensor


def _axis(number: FootNumbers, outer: PlacedClaw, inner: PlacedClaw) -> _Axis:
    start = 0.25 * (outer.coronet + inner.coronet + outer.bulb + inner.bulb)
    start = start * torch.tensor([1.0, 0.0, 1.0], device=start.device)

    def lean(degrees: Tensor) -> Tensor:
        angle = torch.deg2rad(degrees[:, 0])
        return torch.stack([-torch.cos(angle), torch.zeros_like(angle), torch.sin(angle)], dim=-1)

    up, cannon = lean(number.pastern_deg), lean(number.cannon_deg)
    return _Axis(start, up, start + up * number.pastern_length, cannon)


def _digit(claw: PlacedClaw, axis: _Axis, scale: Tensor, part: int) -> Piece:
    """Build the skin from a claw's coronet up into the leg."""
    device = claw.points.device
    rows, ring = 12, _DIGIT_RING
    share = torch.linspace(0.0, 1.0, rows, device=device)[None, :, None]
    along = claw.coronet - claw.bulb
    reach = along.norm(dim=-1)
    middle = claw.bulb + 0.5 * along
    # the horn's width just below the coronet, where the coronet's middle lies
    at = (claw.points[..., 0].mean(dim=2) - middle[:, None, 0]).abs().argmin(dim=1)
    section = claw.points[torch.arange(len(at), device=device), at]
    top = section[..., 2].amax(dim=1, keepdim=True)
    upper = section[..., 2] > top - 11.0
    low = torch.where(upper, section[..., 1], torch.full_like(top, 1e6)).amin(dim=1)
    high = torch.where(upper, section[..., 1], torch.full_like(top, -1e6)).amax(dim=1)
    centre = torch.stack([middle[:, 0], 0.5 * (low + high), middle[:, 2] - 1.0], dim=-1)
    half = 0.5 * (high - low)
    stop = axis.start + axis.up * 62.0
    stop = torch.stack([stop[:, 0], centre[:, 1] * 0.5, stop[:, 2]], dim=-1)
    path = centre[:, None] * (1 - share) + stop[:, None] * share
    path = path + axis.up[:, None] * (12.0 * share * (1 - share))
    # rings turn from the coronet's plane to the leg's
    forward0 = normalised(along)
    dorsal = torch.stack([axis.up[:, 2], torch.zeros_like(axis.up[:, 0]), -axis.up[:, 0]], dim=-1)
    forward = normalised(forward0[:, None] * (1 - share) + dorsal[:, None] * share)
    lateral = torch.tensor([0.0, 1.0, 0.0], device=device).expand_as(forward)
    s = share[..., 0]
    deep = (0.5 * reach + 0.5)[:, None] * (1 - s) + 34.0 * scale * s + 3.0 * torch.sin(torch.pi * s)
    wide = half[:, None] * (1 - s) + 26.0 * scale * s + 1.5 * torch.sin(torch.pi * s)
    angle = torch.arange(ring, device=device) * (2 * torch.pi / ring)
    # a rounded box rather than an ellipse, as the coronet's section is
    cos, sin = torch.cos(angle), torch.sin(angle)
    boxy = torch.sign(cos) * cos.abs() ** 0.8, torch.sign(sin) * sin.abs() ** 0.9
    points = (
        path[:, :, None]
        + wide[..., None, None] * boxy[0][None, None, :, None] * lateral[:, :, None]
        + deep[..., None, None] * boxy[1][None, None, :, None] * forward[:, :, None]
    )
    height = (share[..., 0] * 62.0)[:, :, None].expand(*points.shape[:3])
    around = (angle / (2 * torch.pi))[None, None].expand(*points.shape[:3])
    zero = torch.zeros_like(around)
    attr = torch.stack([height, around, zero, zero], dim=-1)
    flat = (len(points), rows * ring)
    local = points.reshape(*flat, 3)
    return Piece(Kind.LEG, part, local, local, attr.reshape(*flat, 4), grid_faces(rows, ring, device))


def _leg(number: FootNumbers, axis: _Axis, part: int) -> Piece:
    """Build pastern, fetlock and cannon."""
    device = axis.start.device
    t = torch.linspace(0.0, 1.0, 26, device=device)[None, :, None]
    below = axis.start + axis.up * 22.0
    knee = axis.fetlock
    far = knee + axis.cannon * 330.0
    # smoothed at the fetlock, so that the joint is round
    first, second = (t / 0.4).clamp(0, 1), ((t - 0.4) / 0.6).clamp(0, 1)
    path = torch.where(
        t < 0.4,
        below[:, None] * (1 - first) + knee[:, None] * first,
        knee[:, None] * (1 - second) + far[:, None] * second,
    )
    smooth = path.clone()
    for _ in range(2):
        smooth[:, 1:-1] = 0.25 * smooth[:, :-2] + 0.5 * smooth[:, 1:-1] + 0.25 * smooth[:, 2:]
    s = t[..., 0]
    bulge = torch.exp(-(((s - 0.4) / 0.12) ** 2))
    scale = number.leg_scale
    wide = scale * (43.0 - 8.0 * (s / 0.4).clamp(0, 1) - 9.0 * ((s - 0.4) / 0.3).clamp(0, 1) + 3.0 * bulge)
    deep = scale * (35.0 - 4.0 * (s / 0.4).clamp(0, 1) - 4.0 * ((s - 0.4) / 0.3).clamp(0, 1) + 6.0 * bulge)
    lateral = torch.tensor([0.0, 1.0, 0.0], device=device).expand(len(path), 3)
    piece = tube(Kind.LEG, part, smooth, lateral, wide, deep, _LEG_RING)
    attr = piece.attr.clone()
    attr[..., 0] += 22.0
    return replace(piece, local=piece.points, attr=attr)


def _dewclaws(number: FootNumbers, axis: _Axis, part: int) -> list[Piece]:
    device = axis.start.device
    pieces = []
    behind = -torch.stack([axis.up[:, 2], torch.zeros_like(axis.up[:, 0]), -axis.up[:, 0]], dim=-1)
    for sign in (1.0, -1.0):
        base = axis.fetlock + behind * 30.0 * number.leg_scale - axis.up * 4.0
        base = base + torch.tensor([0.0, 20.0 * sign, 0.0], device=device)
        tip = base + (behind * 22.0 - axis.up * 20.0) * number.dewclaw
        t = torch.linspace(0.0, 1.0, 8, device=device)[None, :]
        path = base[:, None] * (1 - t[..., None]) + tip[:, None] * t[..., None]
        size = number.dewclaw * 11.0 * torch.sqrt((1.0 - t**2).clamp_min(0.002))
        lateral = torch.tensor([0.0, 1.0, 0.0], device=device).expand(len(path), 3)
        pieces.append(tube(Kind.DEWCLAW, part, path, lateral, size, 0.8 * size, 12))
    return pieces


class _Chance:
    """Numbers from 0 to 1 for a batch, from one source."""

    def __init__(self, generator: torch.Generator, batch: int, device: torch.device) -> None:
        self._generator, self._batch, self._device = generator, batch, device

    def __call__(self, *shape: int) -> Tensor:
        return torch.rand(self._batch, *shape, generator=self._generator, device=self._device)


def _fringe(digit: Piece, axis: _Axis, number: FootNumbers, draw: _Chance, part: int) -> Piece:
    """Build the hairs that hang over a claw's coronet."""
    ring, count = _DIGIT_RING, _FRINGE_HAIRS
    down = -axis.up[:, None, :]
    around = draw(count) * ring
    low = around.long() % ring
    part_way = (around - around.floor())[..., None]
    high = (low + 1) % ring
    take = torch.arange(len(low), device=low.device)[:, None]
    at = digit.points[take, low] * (1 - part_way) + digit.points[take, high] * part_way
    above = digit.points[take, low + 2 * ring] * (1 - part_way) + digit.points[take, high + 2 * ring] * part_way
    climb = draw(count)[..., None] ** 1.5
    root = at + (above - at) * climb
    centre = digit.points[:, :ring].mean(dim=1, keepdim=True)
    outwards = normalised((at - centre) - ((at - centre) * down).sum(-1, keepdim=True) * down)
    hang = number.hair_overhang[..., None] * (0.4 + 0.9 * draw(count)[..., None])
    # over the bulb hair is longer than over the dorsal wall, on some feet by far
    behind = (centre - at)[..., :1]
    hang = hang * (1.0 + 1.8 * draw(1)[..., None] * (behind / behind.amax(dim=1, keepdim=True)).clamp(0.0, 1.0))
    drop = (root - at).norm(dim=-1, keepdim=True) + hang
    jitter = (draw(count, 3) - 0.5) * 3.0
    along = normalised(at - above + 1e-3)
    tip = root + along * drop + outwards * (1.5 + 1.5 * draw(count)[..., None]) + jitter
    root = root + outwards * 0.4
    side = normalised(torch.linalg.cross(outwards, along.expand_as(outwards))) * (0.35 + 0.5 * draw(count)[..., None])
    side = side * (0.35 + 0.75 * draw(1)[..., None])
    shown = (draw(count) < 0.35 + 0.65 * number.hair_amount)[..., None]
    return bars(Kind.HAIR, part, root, tip, side * shown, draw(count))


def _coat(leg: Piece, number: FootNumbers, draw: _Chance, part: int) -> Piece:
    """Build the hairs that break the leg's outline."""
    ring, count = _LEG_RING, _COAT_HAIRS
    batch = len(leg.points)
    rows = leg.points.shape[1] // ring
    spot = (draw(count) * (rows - 2)).long() * ring + (draw(count) * ring).long().clamp_max(ring - 1)
    take = torch.arange(batch, device=spot.device)[:, None]
    root = leg.points[take, spot]
    next_up = leg.points[take, spot + ring]
    root = root + (next_up - root) * draw(count)[..., None]
    rings = leg.points.view(batch, rows, ring, 3)
    outwards = normalised(root - rings.mean(dim=2)[take, spot // ring])
    along = normalised(root - next_up + 1e-3)
    length = (6.0 + 12.0 * draw(count)[..., None]) * (0.3 + number.hair_amount[..., None])
    tip = root + along * length + outwards * length * 0.22
    side = normalised(torch.linalg.cross(outwards, along)) * (0.35 + 0.4 * draw(count)[..., None])
    return bars(Kind.HAIR, part, root, tip, side, draw(count))


def _hair(
    digits: list[Piece], leg: Piece, axis: _Axis, number: FootNumbers, chance: torch.Generator, part: int
) -> list[Piece]:
    """Build all hairs, with what the shader wants to know of them."""
    draw = _Chance(chance, len(axis.start), axis.start.device)
    pieces = [_fringe(digit, axis, number, draw, part) for digit in digits]
    pieces.append(_coat(leg, number, draw, part))
    for index, piece in enumerate(pieces):
        along, across, _, own = piece.attr.unbind(dim=-1)
        height = ((piece.points - axis.start[:, None]) * axis.up[:, None]).sum(-1).clamp_min(0.0)
        pieces[index] = replace(piece, attr=torch.stack([height, across * 0.02 + own, along, own], dim=-1))
    return pieces


def build_foot(number: FootNumbers, chance: torch.Generator, *, first_claw: int = 0, hair: bool = True) -> Foot:
    """Build all surfaces of a batch of feet.

    Parameters
    ----------
    number
        The feet.
    chance
        Source of chance for the hairs, on the numbers' device.
    first_claw
        The ``part`` of the outer claw; the inner one has the next, and the leg half of it.
    hair
        Whether to grow hairs.
    """
    outer, inner = place_claws(number)
    axis = _axis(number, outer, inner)
    leg_part = first_claw // 2
    digits = [_digit(claw, axis, number.leg_scale, leg_part) for claw in (outer, inner)]
    leg = _leg(number, axis, leg_part)
    pieces = [_horn(outer, first_claw), _horn(inner, first_claw + 1), *digits, leg, *_dewclaws(number, axis, leg_part)]
    if hair:
        pieces += _hair(digits, leg, axis, number, chance, leg_part)
    return Foot(outer, inner, pieces)
