"""Grounds, walls, sawn wood and the far background."""

from __future__ import annotations

import math

import torch
from torch import Tensor

from clawvision.scenes import noise
from clawvision.scenes.appearance import Surface
from clawvision.scenes.patch import Material, Patch, mix, plain, smooth, wetted
from clawvision.scenes.surface_families import PATTERNS


def ground(patch: Patch) -> Material:
    """Return the ground's material."""
    return _surface(patch, patch.values.ground, patch.point, 1)


def wall(patch: Patch) -> Material:
    """Return a wall's material: along it first, then up."""
    n = patch.normal
    along = torch.stack([-n[:, 1], n[:, 0], torch.zeros_like(n[:, 0])], dim=-1)
    # A wall that lies flat (behind a foot seen from below) has no direction of its own.
    flat = along.norm(dim=-1, keepdim=True) < 0.3
    along = torch.where(flat, torch.tensor([1.0, 0.0, 0.0], device=n.device), along)
    along = along / along.norm(dim=-1, keepdim=True)
    up = torch.linalg.cross(n, along)
    place = torch.stack([(patch.point * along).sum(-1), (patch.point * up).sum(-1), (patch.point * n).sum(-1)], dim=-1)
    return _surface(patch, patch.values.wall, place, 2)


def wood(patch: Patch) -> Material:
    """Return sawn wood, its grain along the object's own first axis."""
    return _surface(patch, patch.values.wood, patch.local, 3, patterned=False)


def _surface(patch: Patch, table: Surface[Tensor], place: Tensor, salt: int, *, patterned: bool = True) -> Material:
    cosine, sine, stretch = patch.one(table.stretch).unbind(-1)
    if not patterned:
        cosine, sine = torch.ones_like(cosine), torch.zeros_like(sine)
    u = cosine * place[:, 0] + sine * place[:, 1]
    v = cosine * place[:, 1] - sine * place[:, 0]
    w = place[:, 2]
    flat = torch.stack([u / stretch, v, w], dim=-1)
    blotch_mm, grain_mm, fleck_mm = patch.one(table.scale).unbind(-1)
    under, contrast, flecked = patch.one(table.amount).unbind(-1)
    relief = patch.one(table.relief)
    colours = patch.one(table.colours)
    broad = patch.fbm(flat, blotch_mm, 10 * salt)
    grain = patch.fbm(flat, grain_mm, 10 * salt + 1)
    hard = patch.one(table.hard)
    blotch = noise.cover(broad[:, 0] + 0.3 * grain[:, 3], under, hard)
    fleck = noise.cover(patch.fbm(flat, fleck_mm, 10 * salt + 2)[:, 0], flecked, 0.15)
    albedo = mix(mix(colours[:, 0], colours[:, 1], blotch), colours[:, 2], fleck)
    tone = contrast * (0.6 * grain[:, 0] + 0.35 * broad[:, 1])
    height = relief[:, 0] * 0.4 * broad[:, 2] + relief[:, 1] * 0.35 * grain[:, 0]
    gap = torch.zeros_like(tone)
    if patterned:
        gap, tint, raised = _pattern(patch, table, u, v, salt)
        tone = tone + tint
        height = height + raised * relief[:, 2]
    albedo = albedo * torch.exp(tone.clamp(-1.5, 1.0))[:, None]
    albedo = mix(albedo, patch.one(table.joint) * (1 + 0.2 * grain[:, 1:2]), gap)
    rough, moist, puddle_mm = patch.one(table.gloss).unbind(-1)
    material = plain(albedo, rough=rough, height=height)
    if bool((table.gloss[:, 1] > 0).any()):
        pools = patch.fbm(flat, puddle_mm, 10 * salt + 3)[:, 0] - 0.25 * broad[:, 2]
        material = wetted(material, noise.cover(pools, moist * 0.9, 0.18) * (moist > 0), patch)
    return material


def _pattern(patch: Patch, table: Surface[Tensor], u: Tensor, v: Tensor, salt: int) -> tuple[Tensor, Tensor, Tensor]:
    """Return how far each pixel lies in a joint, its unit's change of tone, and its height in units of the relief."""
    kinds = patch.one(table.pattern)
    gap, tint, raised = torch.zeros_like(u), torch.zeros_like(u), torch.zeros_like(u)
    makers = {
        "brick": _bricks,
        "boards": _boards,
        "slats": _slats,
        "studs": _studs,
        "stones": _stones,
        "blades": _blades,
        "mesh": _mesh,
        "ribs": _ribs,
    }
    for index in torch.unique(table.pattern).round().to(torch.int64).tolist():
        if index == 0:
            continue
        mask = (kinds - index).abs() < 0.5
        part = patch.chosen(mask)
        layout = part.one(table.layout).unbind(-1)
        gap[mask], tint[mask], raised[mask] = makers[PATTERNS[index]](part, u[mask], v[mask], layout, salt)
    return gap, tint, raised


Layout = tuple[Tensor, ...]
Pattern = tuple[Tensor, Tensor, Tensor]


def _within(distance: Tensor, patch: Patch) -> Tensor:
    """Return 1 where a signed distance in mm is positive, with an edge as soft as a pixel."""
    return (0.5 + distance / patch.footprint.clamp_min(0.7)).clamp(0, 1)


def _number(patch: Patch, first: Tensor, second: Tensor) -> Tensor:
    return noise.hash_unit(patch.seed, first.to(torch.int64), second.to(torch.int64)) - 0.5


def _bricks(patch: Patch, u: Tensor, v: Tensor, layout: Layout, salt: int) -> Pattern:
    length, width, joint, vary = layout
    row = (v / width).floor()
    shifted = u + (row % 2) * length / 2
    column = (shifted / length).floor()
    from_u = length / 2 - (shifted - (column + 0.5) * length).abs()
    from_v = width / 2 - (v - (row + 0.5) * width).abs()
    edge = torch.minimum(from_u, from_v)
    gap = 1 - _within(edge - joint / 2, patch)
    return gap, 2 * vary * _number(patch, row, column), smooth(0, 1, (edge / joint).clamp(0, 1))


def _boards(patch: Patch, u: Tensor, v: Tensor, layout: Layout, salt: int) -> Pattern:
    length, width, joint, vary = layout
    row = (v / width).floor()
    shifted = u + length * _number(patch, row, row * 0 + salt)
    column = (shifted / length).floor()
    from_u = length / 2 - (shifted - (column + 0.5) * length).abs()
    from_v = width / 2 - (v - (row + 0.5) * width).abs()
    edge = torch.minimum(from_u, from_v)
    return 1 - _within(edge - joint / 2, patch), 2 * vary * _number(patch, row, column), (edge / joint).clamp(0, 1)


def _slats(patch: Patch, u: Tensor, v: Tensor, layout: Layout, salt: int) -> Pattern:
    _, width, joint, vary = layout
    row = (v / width).floor()
    edge = width / 2 - (v - (row + 0.5) * width).abs() - joint / 2
    return 1 - _within(edge, patch), 2 * vary * _number(patch, row, row), (edge / 6).clamp(-1, 1)


def _studs(patch: Patch, u: Tensor, v: Tensor, layout: Layout, salt: int) -> Pattern:
    length, width, radius, _ = layout
    row = (v / width).floor()
    shifted = u + (row % 2) * length / 2
    column = (shifted / length).floor()
    distance = ((shifted - (column + 0.5) * length) ** 2 + (v - (row + 0.5) * width) ** 2).sqrt()
    raised = 1 - smooth(0.75, 1.1, (distance / radius))
    worn = _number(patch, row, column)
    return torch.zeros_like(u), 0.12 * raised - 0.06 + 0.1 * worn, raised * (1 + worn)


def _stones(patch: Patch, u: Tensor, v: Tensor, layout: Layout, salt: int) -> Pattern:
    length, width, joint, vary = layout
    place = torch.stack([u / length, v / width, torch.full_like(u, 0.5 + salt)], dim=-1)
    near, margin = noise.cells(place, patch.seed).unbind(-1)
    share = (joint / length).where(joint > 1, joint)
    detail = patch.fade(length)
    gap = (1 - smooth(0.6, 1.4, margin / share.clamp_min(0.02))) * detail
    tone = patch.fbm(place * length[:, None], length * 0.9, 40 + salt)[:, 0]
    return gap, vary * 0.7 * tone, (1 - near) * smooth(0, 2, margin / share.clamp_min(0.02)) * detail


def _blades(patch: Patch, u: Tensor, v: Tensor, layout: Layout, salt: int) -> Pattern:
    """Stalks that lie across each other: layers of long narrow noise, each in a direction of its own."""
    length, width, depth, vary = layout
    top, tone = torch.full_like(u, -9.0), torch.zeros_like(u)
    bend = patch.fbm(torch.stack([u, v, u * 0], dim=-1), length * 3, 50 + salt)
    for layer in range(4):
        cosine, sine = math.cos(layer * 2.4 + 0.3), math.sin(layer * 2.4 + 0.3)
        along = u * cosine + v * sine
        across = v * cosine - u * sine + 0.35 * length * bend[:, layer]
        place = torch.stack([along / length, across / width, torch.full_like(u, 3.7 * layer)], dim=-1)
        found = noise.smooth(place * 0.8, patch.seed + 7 * layer + salt)
        rank = found[:, 0] + 0.15 * layer
        tone = torch.where(rank > top, found[:, 1], tone)
        top = torch.maximum(top, rank)
    detail = patch.fade(width)
    gap = noise.cover(-top + 1.3, depth.clamp(0.05, 0.9), 0.5) * detail
    return gap, vary * 0.45 * tone * detail, 0.5 * top * detail


def _mesh(patch: Patch, u: Tensor, v: Tensor, layout: Layout, salt: int) -> Pattern:
    length, width, opening, _ = layout
    from_u = opening / 2 - ((u / length - (u / length).floor() - 0.5) * length).abs()
    from_v = opening / 2 - ((v / width - (v / width).floor() - 0.5) * width).abs()
    edge = torch.minimum(from_u, from_v)
    return _within(edge, patch), torch.zeros_like(u), (-edge / 3).clamp(-1, 1)


def _ribs(patch: Patch, u: Tensor, v: Tensor, layout: Layout, salt: int) -> Pattern:
    _, width, _, _ = layout
    return torch.zeros_like(u), torch.zeros_like(u), torch.sin(2 * math.pi * u / width) * patch.fade(width / 3)


def sky(patch: Patch) -> Tensor:
    """Return the light from the far background, (N, 3)."""
    values = patch.values.sky
    direction = patch.point
    up = patch.one(patch.values.light.up)
    lift = (direction * up).sum(-1)
    kind = patch.one(values.kind)
    clouds, hill, share, softness, built = patch.one(values.mix).unbind(-1)
    zenith, horizon, land = patch.one(values.zenith), patch.one(values.horizon), patch.one(values.land)
    broad = noise.fbm(direction * 2.2, patch.seed + 5)
    fine = noise.fbm(direction * 9.0, patch.seed + 6)
    base = mix(horizon, zenith, lift.clamp(0, 1).sqrt())
    sheet = direction / (lift.abs() + 0.22)[:, None]
    cloud = noise.cover(noise.fbm(sheet * 1.2, patch.seed + 8)[:, 0], clouds, 0.7) * smooth(0.0, 0.2, lift)
    outdoors = mix(base, horizon * 1.15, cloud)
    azimuth = torch.atan2(direction[:, 1], direction[:, 0]) + patch.one(values.turn)
    block = (azimuth * 7).floor()
    house = (_number(patch, block, block * 0 + 3) + 0.5) * built
    border = 0.004 + 0.05 * softness
    ridge = hill + 0.06 * broad[:, 0] + 0.035 * fine[:, 0]
    soil = mix(land[:, 0], land[:, 1], noise.cover(fine[:, 1] + broad[:, 1], share, 0.3 + softness))
    soil = soil * torch.exp(0.35 * fine[:, 2:3] * (1 - 0.6 * softness[:, None]))
    outdoors = mix(outdoors, soil, ((ridge - lift) / border).sigmoid())
    wall_light = land[:, 1] * (1.3 + _number(patch, block, block * 0 + 4)[:, None])
    outdoors = mix(outdoors, wall_light, ((house - lift) / border).sigmoid() * (house > 0.05))
    row = ((lift + 1) * 4).floor()
    opening = (_number(patch, block, row) + 0.5 < share * 0.35).to(lift.dtype)
    from_u = 0.5 - (azimuth * 7 - block - 0.5).abs()
    from_v = 0.5 - ((lift + 1) * 4 - row - 0.5).abs()
    opening = opening * smooth(0.05, 0.07 + 0.2 * 1, torch.minimum(from_u, from_v) / (0.2 + softness))
    indoors = base * torch.exp(0.4 * broad[:, 0:1] + 0.15 * fine[:, 0:1])
    indoors = mix(indoors, horizon * 6 + 0.4, opening)
    return torch.where(kind[:, None] < 0.5, outdoors, torch.where(kind[:, None] < 1.5, indoors, zenith))
