"""A whole foot: two claws placed side by side, the digits and leg above them, the hair that hangs over the coronet.

Foot frame, mm: x from heel to toe, y to the lateral side, z up; the outer claw lies at positive y.
"""

from __future__ import annotations

from dataclasses import dataclass

import torch
from torch import Tensor

from clawvision.scenes.claw import SOLE_POINTS, STATIONS, WALL_POINTS, ClawSurface, claw_surface
from clawvision.scenes.mesh import Piece, bars, cap_faces, grid_faces, normalised, tube
from clawvision.scenes.surfels import Kind

FRINGE_HAIRS = 1400
COAT_HAIRS = 1600


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
    """A claw in the foot frame: its surface's ``points`` (B, S, R, 3), C and B (B, 3), and the turn and shift that placed
    it, ``rotation`` (B, 3, 3) and ``origin`` (B, 3), after a mirror of y for the inner claw.
    """

    surface: ClawSurface
    points: Tensor
    coronet: Tensor
    bulb: Tensor
    rotation: Tensor
    origin: Tensor
    mirrored: bool

    def place(self, points: Tensor) -> Tensor:
        """Take points (B, …, 3) of the claw's frame to the foot frame."""
        if self.mirrored:
            points = points * torch.tensor([1.0, -1.0, 1.0], device=points.device)
        flat = points.reshape(len(points), -1, 3)
        placed = flat @ self.rotation.transpose(1, 2) + self.origin[:, None, :]
        return placed.reshape(points.shape)


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
    placed = []
    for vectors, splay, roll, mirrored in (
        (number.outer, number.splay_outer, number.roll_outer, False),
        (number.inner, number.splay_inner, number.roll_inner, True),
    ):
        surface = claw_surface(vectors)
        sign = -1.0 if mirrored else 1.0
        rotation = _turn(sign * splay, sign * roll)
        heel = surface.points[:, : STATIONS // 3, :, 1].amin(dim=(1, 2))  # the axial side's innermost place
        shift = number.shift[:, 0] if mirrored else torch.zeros_like(heel)
        away = sign * (0.5 * number.gap[:, 0] - heel)
        origin = torch.stack([shift, away, torch.zeros_like(heel)], dim=-1)
        claw = PlacedClaw(surface, surface.points, surface.coronet, surface.bulb, rotation, origin, mirrored)
        points = claw.place(surface.points)
        # a rolled claw still stands on the ground
        down = points[..., 2].amin(dim=(1, 2))
        origin = origin - torch.stack([torch.zeros_like(down), torch.zeros_like(down), down], dim=-1)
        claw = PlacedClaw(surface, surface.points, surface.coronet, surface.bulb, rotation, origin, mirrored)
        placed.append(
            PlacedClaw(
                surface,
                claw.place(surface.points),
                claw.place(surface.coronet[:, None])[:, 0],
                claw.place(surface.bulb[:, None])[:, 0],
                rotation,
                origin,
                mirrored,
            )
        )
    return placed[0], placed[1]


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


def _digit(claw: PlacedClaw, axis: _Axis, scale: Tensor, part: int, rows: int = 12, ring: int = 26) -> Piece:
    """Build the skin from a claw's coronet up into the leg."""
    device = claw.points.device
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


def _leg(number: FootNumbers, axis: _Axis, part: int, rows: int = 26, ring: int = 28) -> Piece:
    """Build pastern, fetlock and cannon."""
    device = axis.start.device
    t = torch.linspace(0.0, 1.0, rows, device=device)[None, :, None]
    below = axis.start + axis.up * 22.0
    knee = axis.fetlock
    far = knee + axis.cannon * 330.0
    # a quadratic curve through the fetlock, so that the joint is round
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
    piece = tube(Kind.LEG, part, smooth, lateral, wide, deep, ring)
    attr = piece.attr.clone()
    attr[..., 0] += 22.0
    return Piece(piece.kind, part, piece.points, piece.points, attr, piece.faces)


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
        piece = tube(Kind.DEWCLAW, part, path, lateral, size, 0.8 * size, 12)
        pieces.append(piece)
    return pieces


def _hair(
    digits: list[Piece], leg: Piece, axis: _Axis, number: FootNumbers, chance: torch.Generator, part: int
) -> list[Piece]:
    """Build the hairs: a fringe that hangs over both coronets, and the coat that breaks the leg's outline."""
    device = axis.start.device
    batch = len(axis.start)

    def draw(count: int) -> Tensor:
        return torch.rand(batch, count, generator=chance, device=device)

    pieces = []
    ring = 26
    down = -axis.up[:, None, :]
    for digit in digits:
        count = FRINGE_HAIRS // 2
        around = draw(count) * ring
        low = around.long() % ring
        part_way = (around - around.floor())[..., None]
        high = (low + 1) % ring
        take = torch.arange(batch, device=device)[:, None]
        at = digit.points[take, low] * (1 - part_way) + digit.points[take, high] * part_way
        above = digit.points[take, low + 2 * ring] * (1 - part_way) + digit.points[take, high + 2 * ring] * part_way
        climb = draw(count)[..., None] ** 1.5
        root = at + (above - at) * climb
        centre = digit.points[:, :ring].mean(dim=1, keepdim=True)
        outwards = normalised((at - centre) - ((at - centre) * down).sum(-1, keepdim=True) * down)
        hang = number.hair_overhang[..., None] * (0.4 + 0.9 * draw(count)[..., None])
        drop = (root - at).norm(dim=-1, keepdim=True) + hang
        jitter = (torch.rand(batch, count, 3, generator=chance, device=device) - 0.5) * 3.0
        along = normalised(at - above + 1e-3)
        tip = root + along * drop + outwards * (1.5 + 1.5 * draw(count)[..., None]) + jitter
        root = root + outwards * 0.4
        side = normalised(torch.linalg.cross(outwards, along.expand_as(outwards))) * (
            0.35 + 0.5 * draw(count)[..., None]
        )
        shown = (draw(count) < 0.35 + 0.65 * number.hair_amount)[..., None]
        side = side * shown
        pieces.append(bars(Kind.HAIR, part, root, tip, side, draw(count)))
    count = COAT_HAIRS
    ring = 28
    rows = leg.points.shape[1] // ring
    spot = (draw(count) * (rows - 2)).long() * ring + (draw(count) * ring).long().clamp_max(ring - 1)
    take = torch.arange(batch, device=device)[:, None]
    root = leg.points[take, spot]
    next_up = leg.points[take, spot + ring]
    root = root + (next_up - root) * draw(count)[..., None]
    rings = leg.points.view(batch, rows, ring, 3)
    outwards = normalised(root - rings.mean(dim=2)[take, spot // ring])
    along = normalised(root - next_up + 1e-3)
    length = (6.0 + 12.0 * draw(count)[..., None]) * (0.3 + number.hair_amount[..., None])
    tip = root + along * length + outwards * length * 0.22
    side = normalised(torch.linalg.cross(outwards, along)) * (0.35 + 0.4 * draw(count)[..., None])
    pieces.append(bars(Kind.HAIR, part, root, tip, side, draw(count)))
    for index, piece in enumerate(pieces):
        local, attr = piece.points, piece.attr.clone()
        number_of = attr[..., 3]
        height = ((local - axis.start[:, None]) * axis.up[:, None]).sum(-1).clamp_min(0.0)
        attr = torch.stack([height, attr[..., 1] * 0.02 + number_of, attr[..., 0], number_of], dim=-1)
        pieces[index] = Piece(piece.kind, part, local, local, attr, piece.faces)
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
