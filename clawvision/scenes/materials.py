"""What the animal and the things around it are made of: horn, hair, skin, gloves, cloth, pipes, straw, rope."""

from __future__ import annotations

import math
from dataclasses import replace

import torch
from torch import Tensor

from clawvision.scenes import noise
from clawvision.scenes.patch import Material, Patch, dirtied, mix, plain, smooth, wetted

_GIRTH = 110.0
"""Length of a claw's wall from heel to toe, mm, near enough to size what runs along it."""


def horn(patch: Patch) -> Material:
    """Return the claws' material: wall and sole."""
    down, sole, along, rim = patch.attr.unbind(-1)
    side = torch.where(patch.local[:, 1] >= 0, 1.0, -1.0)
    broad = patch.fbm(patch.local, 17.0, 1)
    fine = patch.fine(patch.local, 1.6, 2)
    wall, wall_height = _wall(patch, down, along, side, broad, fine)
    under, under_height = _sole(patch, rim, broad, fine)
    rough, moist = patch.by_part(patch.values.horn.gloss).unbind(-1)
    material = plain(
        mix(wall, under, sole),
        rough=torch.lerp(rough, (rough + 0.3).clamp(max=0.95), sole).clamp(0.15, 1),
        height=torch.lerp(wall_height, under_height, sole),
    )
    wet = noise.cover(broad[:, 3] + 0.3 * fine[:, 3], moist.clamp(0, 0.95), 0.15) * (moist > 0)
    material = wetted(material, wet, patch)
    amount = patch.one(patch.values.dirt.amount)
    share = torch.lerp(amount[:, 0], amount[:, 1], sole)
    return dirtied(material, patch, share, patch.local[:, 2] * (1 - sole))


def _wall(
    patch: Patch, down: Tensor, along: Tensor, side: Tensor, broad: Tensor, fine: Tensor
) -> tuple[Tensor, Tensor]:
    values = patch.values.horn
    toe, stripes, blotches, banded, stripe_mm, band_mm = patch.by_part(values.mix).unbind(-1)
    spacing, ring_mm, ring_tone = patch.by_part(values.rings).unbind(-1)
    fibre_mm, fibre_tone, scratched, cracked, pebbled = patch.by_part(values.grain).unbind(-1)
    across = along * _GIRTH
    wander = 1.5 * broad[:, 0]
    zero = torch.zeros_like(down)
    streak = patch.fbm(torch.stack([across + wander, down * 0.05, 9 * side], dim=-1), stripe_mm * 1.6, 3)
    fibre = patch.fine(torch.stack([across + wander, down * 0.06, 5 * side], dim=-1), 1.1, 4)
    bulb = smooth(0.3, 0.06, along)

    second = patch.by_part(values.second)
    colour = patch.by_part(values.wall)
    blotch = noise.cover(0.8 * broad[:, 1] + 0.5 * streak[:, 2] + 0.15 * fine[:, 1], zero + 0.4, 0.55)
    colour = mix(colour, second, blotches * blotch)
    colour = mix(colour, second, stripes * noise.cover(streak[:, 0], zero + 0.45, 0.3))
    reach = smooth(0.3, 1.0, 0.75 * along + down / 130 + 0.06 * broad[:, 2])
    colour = mix(colour, patch.by_part(values.toe), toe.clamp(0, 1) * reach)
    fringe = torch.exp(-((down + 1.2 * broad[:, 2]).clamp_min(0) / band_mm))
    colour = mix(colour, patch.by_part(values.band), (banded * fringe).clamp(0, 1))
    colour = mix(colour, patch.by_part(values.bulb), bulb * 0.8)

    # Rings crowd at the coronet and swing with the horn's growth.
    turn = 2 * math.pi * ((down + 8).clamp_min(0) ** 0.9 * 1.4 / spacing + 0.22 * broad[:, 0] + 0.08 * streak[:, 1])
    ring = torch.sin(turn) * (0.6 + 0.4 * torch.tanh(broad[:, 3])) * patch.fade(spacing / 2) * (1 - 0.7 * bulb)
    scratch = _scratches(patch, across, down, side) * scratched
    crack, crack_tone = _cracks(patch, across, down, side, cracked)
    pebble = noise.cells(patch.local / 2.6, patch.seed + 40)[:, 0] * patch.fade(2.6)
    strand = fibre[:, 0] * (1 - 0.8 * bulb)
    tone = (
        fibre_tone * 0.4 * strand
        + ring_tone * 0.45 * ring
        + 0.05 * broad[:, 2]
        + 0.5 * scratch * torch.sign(broad[:, 1])
        - crack_tone
    )
    height = ring_mm * 0.5 * ring + fibre_mm * 0.35 * strand - pebbled * 0.6 * pebble
    height = height - 0.12 * scratch - crack + 0.1 * broad[:, 0] + 0.025 * fine[:, 2]
    return colour * torch.exp(tone.clamp(-2, 0.8))[:, None], height


def _scratches(patch: Patch, across: Tensor, down: Tensor, side: Tensor) -> Tensor:
    """Fine lines at a slant, in two directions."""
    place = torch.stack([(across + 0.8 * down) / 0.9, (across - down) / 30, 11 * side], dim=-1)
    other = torch.stack([(across - 1.6 * down) / 1.2, (1.6 * across + down) / 40, 15 * side], dim=-1)
    first, second = noise.smooth(place, patch.seed + 21)[:, 0], noise.smooth(other, patch.seed + 22)[:, 0]
    lines = torch.maximum(first - 1.5, second - 1.7)
    return (lines * 3).clamp(0, 1) * patch.fade(0.9)


def _cracks(patch: Patch, across: Tensor, down: Tensor, side: Tensor, amount: Tensor) -> tuple[Tensor, Tensor]:
    """Fissures, mostly along the fibres; depth in mm and darkening."""
    if not bool((amount > 0.01).any()):
        return torch.zeros_like(across), torch.zeros_like(across)
    sway = patch.fbm(patch.local, 9.0, 24)[:, 0]
    place = torch.stack([(across + 1.2 * sway) / 26, (down + 3 * sway) / 60, 3 * side], dim=-1)
    margin = noise.cells(place, patch.seed + 23)[:, 1] * 26
    width = 0.5 + 0.8 * amount
    open_ = (1 - smooth(0.4, 1.0, margin / width)) * (amount > 0.01) * patch.fade(1.5)
    return 1.0 * amount * open_, 1.4 * amount.clamp(0, 1) * open_


def _sole(patch: Patch, rim: Tensor, broad: Tensor, fine: Tensor) -> tuple[Tensor, Tensor]:
    values = patch.values.horn
    dark, border, flour, line, stain, ridge_mm = patch.by_part(values.sole_mix).unbind(-1)
    medium = patch.fbm(patch.local, 7.0, 6)
    ragged = broad[:, 0] * 0.75 + 0.5 * medium[:, 0] + 0.3 * fine[:, 0]
    colour = mix(patch.by_part(values.sole), patch.by_part(values.sole_dark), noise.cover(ragged, dark, border))
    dust = noise.cover(0.7 * broad[:, 1] + 0.6 * medium[:, 1] + 0.35 * fine[:, 1], flour, border + 0.1)
    colour = mix(colour, patch.one(values.flour), dust * 0.85)
    blood = noise.cover(broad[:, 2] + 0.3 * medium[:, 2], stain.clamp(0, 0.6), 0.35) * (stain > 0)
    colour = mix(colour, patch.one(values.stain), blood * 0.75)
    edge = smooth(0.45, 0.7, rim) * (1 - smooth(0.85, 0.97, rim)) * (0.7 + 0.3 * torch.tanh(medium[:, 3]))
    colour = mix(colour, patch.by_part(values.line), (line * edge).clamp(0, 1))
    # Outside the white line the bearing edge of the wall shows.
    colour = mix(colour, patch.by_part(values.wall), smooth(0.9, 1.0, rim) * 0.8)
    tone = 0.09 * fine[:, 2] + 0.08 * medium[:, 2] + 0.05 * broad[:, 3]
    height = ridge_mm * (0.5 * medium[:, 3] + 0.15 * fine[:, 3]) + 0.25 * dust + 0.12 * fine[:, 2] * ridge_mm
    return colour * torch.exp(tone)[:, None], height


def dewclaw(patch: Patch) -> Material:
    """Return the dewclaws: the horn of the outer claw."""
    values = patch.values.horn
    broad = patch.fbm(patch.local, 9.0, 71)
    fine = patch.fine(patch.local, 1.2, 72)
    colour = mix(patch.one(values.wall[:, 0]), patch.one(values.second[:, 0]), (0.3 + 0.2 * broad[:, 0]).clamp(0, 1))
    colour = colour * torch.exp(0.1 * fine[:, :1] + 0.1 * broad[:, 1:2])
    material = plain(colour, rough=patch.one(values.gloss[:, 0, 0]).clamp(0.2, 1), height=0.08 * fine[:, 0])
    return dirtied(material, patch, patch.one(patch.values.dirt.amount)[:, 2], patch.local[:, 2] * 0 + 60)


def _coat(patch: Patch, number: Tensor, lock: Tensor) -> Tensor:
    values = patch.values.coat
    base, patches, single = patch.one(values.colours).unbind(1)
    share, size, border, hairs, contrast = patch.one(values.mix).unbind(-1)
    where = patch.fbm(patch.local, size, 81)
    colour = mix(base, patches, noise.cover(where[:, 0], share, border))
    colour = mix(colour, single, smooth(0.0, 0.35, hairs - number))
    lower = patch.one(values.lower)
    height = patch.attr[:, 0]
    colour = mix(colour, lower[:, :3], lower[:, 3] * smooth(60, 5, height + 8 * where[:, 1]))
    return colour * torch.exp(contrast[:, None] * 0.45 * lock[:, None] + 0.08 * where[:, 2:3])


def leg(patch: Patch) -> Material:
    """Return the leg under its hair."""
    height, around, _, number = patch.attr.unbind(-1)
    angle = 2 * math.pi * around
    sway = patch.fbm(patch.local, 16.0, 84)
    angle = angle + 0.025 * sway[:, 0]
    ring = torch.stack([angle.cos() * 32, angle.sin() * 32, height / 9 + 0.4 * sway[:, 1]], dim=-1)
    lock = patch.fbm(ring, 2.6, 82)
    hair = 0.6 * patch.fine(ring, 0.6, 83) + 0.8 * patch.fine(ring, 1.2, 85)
    spread = (number + 0.5 + 0.28 * hair[:, 1]).remainder(1.0)
    colour = _coat(patch, spread, 0.3 * lock[:, 0] + 0.6 * hair[:, 0])
    gloss = patch.one(patch.values.coat.gloss)
    material = plain(colour, rough=0.75 - 0.3 * gloss, height=0.07 * lock[:, 0] + 0.06 * hair[:, 0], soft=0.5)
    material = replace(material, mirror=0.01 + 0.03 * gloss)
    return dirtied(material, patch, patch.one(patch.values.dirt.amount)[:, 2], height)


def hair(patch: Patch) -> Material:
    """Return single hairs: darker at the root, each of its own tone."""
    height, _, tip, number = patch.attr.unbind(-1)
    colour = _coat(patch, number, (number * 7.31).remainder(1.0) * 2.4 - 1.2)
    colour = colour * (0.75 + 0.45 * tip)[:, None]
    gloss = patch.one(patch.values.coat.gloss)
    material = plain(colour, rough=0.7 - 0.3 * gloss, soft=0.6)
    material = replace(material, mirror=0.015 + 0.04 * gloss)
    return dirtied(material, patch, patch.one(patch.values.dirt.amount)[:, 2] * 0.7, height)


def skin(patch: Patch) -> Material:
    """Return bare skin of hands."""
    colour = patch.by_part(patch.values.things.skin)
    broad = patch.fbm(patch.local, 14.0, 91)
    fine = patch.fine(patch.local * torch.tensor([1.0, 1.0, 0.6], device=colour.device), 2.0, 92)
    flush = colour.new_tensor([0.06, -0.03, -0.04])
    colour = colour * torch.exp(0.07 * broad[:, :1] + 0.05 * fine[:, :1] + flush * broad[:, 1:2])
    material = plain(colour, rough=0.5, height=0.12 * fine[:, 0] + 0.1 * broad[:, 2], soft=0.35)
    return dirtied(material, patch, patch.one(patch.values.dirt.amount)[:, 3] * 0.6, patch.local[:, 2] * 0 + 30)


def glove(patch: Patch) -> Material:
    """Return gloves, from thin and glossy to knitted."""
    things = patch.values.things
    rough, wrinkle = patch.by_part(things.glove_gloss).unbind(-1)
    broad = patch.fbm(patch.local, 11.0, 93)
    fine = patch.fine(patch.local, 2.2, 94)
    colour = patch.by_part(things.glove) * torch.exp(0.06 * broad[:, :1] + 0.05 * fine[:, :1])
    material = plain(colour, rough=rough, height=wrinkle * (1.5 * broad[:, 1] + fine[:, 1]))
    return dirtied(material, patch, patch.one(patch.values.dirt.amount)[:, 3], patch.local[:, 2] * 0 + 30)


def sleeve(patch: Patch) -> Material:
    """Return cloth: twill or checks."""
    things = patch.values.things
    weave, kind = patch.by_part(things.sleeve_weave).unbind(-1)
    along, around = patch.attr[:, 0], patch.attr[:, 1] * 260
    detail = patch.fade(weave)
    twill = torch.sin(2 * math.pi * (along + around) / weave) * detail
    check = ((along / 22).floor() + (around / 22).floor()).remainder(2)
    broad = patch.fbm(patch.local, 30.0, 95)
    colour = patch.by_part(things.sleeve)
    colour = mix(colour, patch.by_part(things.sleeve_second), torch.where(kind > 0.6, 0.6 * check, check * 0))
    colour = colour * torch.exp(0.18 * twill[:, None] + 0.1 * broad[:, :1])
    return plain(colour, rough=0.9, height=0.15 * twill + 0.8 * broad[:, 1], soft=0.15)


def pipe(patch: Patch) -> Material:
    """Return bars and rails: painted, galvanised or rusty."""
    things = patch.values.things
    rusted, rough, metal = patch.by_part(things.pipe_mix).unbind(-1)
    broad = patch.fbm(patch.local, 22.0, 96)
    fine = patch.fbm(patch.local, 4.0, 97)
    spangle = noise.cells(patch.local / 9.0, patch.seed + 98)[:, 0] - 0.5
    colour = patch.by_part(things.pipe) * torch.exp(0.08 * broad[:, :1] + metal[:, None] * 0.5 * spangle[:, None])
    rust = noise.cover(0.8 * broad[:, 1] + 0.6 * fine[:, 1], rusted.clamp(0, 0.95), 0.15) * (rusted > 0)
    colour = mix(colour * (1 - 0.4 * metal)[:, None], patch.by_part(things.rust) * torch.exp(0.2 * fine[:, :1]), rust)
    material = plain(colour, rough=torch.lerp(rough, rough * 0 + 0.9, rust), height=0.1 * fine[:, 2] * (0.3 + rust))
    material = replace(material, mirror=torch.lerp(material.mirror, material.mirror * 0 + 0.5, metal * (1 - rust)))
    return dirtied(material, patch, patch.one(patch.values.dirt.amount)[:, 3] * 0.5, patch.local[:, 2] * 0 + 40)


def straw(patch: Patch) -> Material:
    """Return stalks of straw."""
    along, across, _, number = patch.attr.unbind(-1)
    two = patch.one(patch.values.things.straw)
    colour = mix(two[:, 0], two[:, 1], number) * (0.75 + 0.5 * (number * 5.17).remainder(1.0))[:, None]
    colour = colour * (0.8 + 0.3 * torch.sin(math.pi * across.clamp(0, 1)))[:, None]
    node = torch.exp(-(((along - 0.3 - 0.4 * number) / 0.02) ** 2))
    return plain(colour * (1 - 0.4 * node)[:, None], rough=0.55, soft=0.2)


def rope(patch: Patch) -> Material:
    """Return a laid rope or a strap."""
    along, around = patch.attr[:, 0], patch.attr[:, 1]
    two = patch.one(patch.values.things.rope)
    strand = torch.sin(2 * math.pi * (along / 14 + 3 * around)) * patch.fade(6.0)
    fine = patch.fine(patch.local, 1.2, 99)
    colour = mix(two[:, 0], two[:, 1], 0.25 - 0.25 * strand) * torch.exp(0.12 * fine[:, :1])
    material = plain(colour, rough=0.85, height=0.5 * strand + 0.1 * fine[:, 0], soft=0.2)
    return dirtied(material, patch, patch.one(patch.values.dirt.amount)[:, 2], patch.local[:, 2] * 0 + 50)
