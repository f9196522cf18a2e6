"""Light on surfaces: from surfels and a look to linear RGB."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass

import torch
import torch.nn.functional as F
from torch import Tensor

from clawvision.scenes import backdrops, materials
from clawvision.scenes.appearance import Light
from clawvision.scenes.look import LookBatch
from clawvision.scenes.patch import Material, Patch, plain
from clawvision.scenes.photograph import to_srgb
from clawvision.scenes.surfels import Kind, Surfels

__all__ = ["shade", "to_srgb"]

_MAKERS: dict[Kind, Callable[[Patch], Material]] = {
    Kind.GROUND: backdrops.ground,
    Kind.WALL: backdrops.wall,
    Kind.WOOD: backdrops.wood,
    Kind.HORN: materials.horn,
    Kind.LEG: materials.leg,
    Kind.HAIR: materials.hair,
    Kind.DEWCLAW: materials.dewclaw,
    Kind.SKIN: materials.skin,
    Kind.GLOVE: materials.glove,
    Kind.SLEEVE: materials.sleeve,
    Kind.PIPE: materials.pipe,
    Kind.STRAW: materials.straw,
    Kind.ROPE: materials.rope,
}


@dataclass(frozen=True, slots=True, eq=False)
class _Pictures:
    """Materials as pictures: albedo and glow (B, H, W, 3), the rest (B, H, W)."""

    albedo: Tensor
    glow: Tensor
    rough: Tensor
    mirror: Tensor
    height: Tensor
    soft: Tensor


def shade(surfels: Surfels, look: LookBatch, lit: Tensor, eye: Tensor, card: Tensor) -> Tensor:
    """Return the picture as linear RGB, (B, H, W, 3).

    Parameters
    ----------
    surfels
        What shows in each pixel.
    look
        Each picture's appearance.
    lit
        (B, H, W): share of the key light that reaches the point, 0 to 1. A flash needs none: it sits at the camera.
    eye
        (B, 3): the cameras, world, mm.
    card
        (B, h, w, 3): each picture's reference as sRGB of 0 to 1.
    """
    with torch.no_grad():
        steps = _Steps.of(surfels)
        pictures = _materials(surfels, look, card, steps)
        normal = _bumped(surfels.normal, pictures.height, steps)
        return _lit(surfels, pictures, normal, look.values.light, lit, eye)


@dataclass(frozen=True, slots=True, eq=False)
class _Steps:
    """Differences between neighbouring pixels of one surface: ``right`` and ``below`` (B, H, W, 3) mm.

    ``joined_right`` and ``joined_below`` bool (B, H, W): whether both pixels lie on one surface. ``footprint``
    (B, H, W): mm that a pixel covers.
    """

    right: Tensor
    below: Tensor
    joined_right: Tensor
    joined_below: Tensor
    footprint: Tensor

    @staticmethod
    def of(surfels: Surfels) -> _Steps:
        label = surfels.kind * 16 + surfels.part
        right, below = _difference(surfels.point, 2), _difference(surfels.point, 1)
        same_right, same_below = _difference(label, 2) == 0, _difference(label, 1) == 0
        # Within one label a step along the line of sight is a fold (the far side of a leg), not a slope.
        across, down = right.norm(dim=-1), below.norm(dim=-1)
        span = torch.where(same_right & same_below, torch.maximum(across, down), torch.zeros_like(across))
        size = F.max_pool2d(span[:, None], 3, stride=1, padding=1)[:, 0]
        usual = torch.minimum(across, down).clamp_min(1e-3)
        footprint = torch.where(size > 0, torch.minimum(size, 8 * usual + 0.05), usual).clamp(1e-3, 1e3)
        fold = 4 * torch.minimum(across, down) + 1.0
        return _Steps(right, below, same_right & (across < fold), same_below & (down < fold), footprint)


def _difference(picture: Tensor, axis: int) -> Tensor:
    """Return each pixel's neighbour to the right (axis 2) or below (axis 1) less itself; 0 at the last."""
    last = picture.narrow(axis, picture.shape[axis] - 1, 1)
    return torch.diff(picture, dim=axis, append=last)


def _materials(surfels: Surfels, look: LookBatch, card: Tensor, steps: _Steps) -> _Pictures:
    shape, device = surfels.kind.shape, surfels.point.device
    flat = torch.zeros(shape.numel(), 10, device=device)
    kinds = surfels.kind.reshape(-1)
    per_picture = shape[1] * shape[2]
    for kind in Kind:
        index = (kinds == int(kind)).nonzero()[:, 0]
        if len(index) == 0:
            continue
        item = index // per_picture
        patch = Patch(
            item=item,
            part=surfels.part.reshape(-1)[index],
            point=surfels.point.reshape(-1, 3)[index],
            normal=surfels.normal.reshape(-1, 3)[index],
            local=surfels.local.reshape(-1, 3)[index],
            attr=surfels.attr.reshape(-1, 4)[index],
            footprint=steps.footprint.reshape(-1)[index],
            seed=look.seed[item],
            seeds=look.seed,
            values=look.values,
        )
        if kind == Kind.SKY:
            flat[index, 3:6] = backdrops.sky(patch)
            continue
        made = _card(patch, surfels, steps, card, index) if kind == Kind.CARD else _MAKERS[kind](patch)
        flat[index, 0:3] = made.albedo
        flat[index, 6:10] = torch.stack([made.rough, made.mirror, made.height, made.soft], dim=-1)
    whole = flat.view(*shape, 10)
    rough, mirror, height, soft = whole[..., 6:].unbind(-1)
    return _Pictures(whole[..., 0:3], whole[..., 3:6], rough, mirror, height, soft)


def _card(patch: Patch, surfels: Surfels, steps: _Steps, card: Tensor, index: Tensor) -> Material:
    """Return the reference's print, averaged over 4 x 4 places in each pixel, so that fine ticks do not alias."""
    rows, columns = card.shape[1:3]
    size = card.new_tensor([columns, rows])
    uv = patch.attr[:, :2]
    right = _difference(surfels.attr[..., :2], 2) * steps.joined_right[..., None]
    below = _difference(surfels.attr[..., :2], 1) * steps.joined_below[..., None]
    right, below = right.reshape(-1, 2)[index], below.reshape(-1, 2)[index]
    linear = torch.where(card <= 0.04045, card / 12.92, ((card.clamp_min(0.04045) + 0.055) / 1.055) ** 2.4)
    total = torch.zeros_like(patch.point)
    for step in range(16):
        place = uv + (step % 4 - 1.5) / 4 * right + (step // 4 - 1.5) / 4 * below
        total += _bilinear(linear, patch.item, place * size - 0.5)
    grime = patch.fbm(patch.local, 25.0, 101)
    albedo = total / 16 * (0.86 * torch.exp(-0.03 * grime[:, :1].abs()))
    return plain(albedo, rough=0.45)


def _bilinear(pictures: Tensor, item: Tensor, place: Tensor) -> Tensor:
    rows, columns = pictures.shape[1:3]
    low = place.floor()
    share = place - low
    x0, y0 = low[:, 0].to(torch.int64), low[:, 1].to(torch.int64)
    result = torch.zeros(len(place), 3, device=place.device)
    for dx in (0, 1):
        for dy in (0, 1):
            weight = (share[:, 0] if dx else 1 - share[:, 0]) * (share[:, 1] if dy else 1 - share[:, 1])
            found = pictures[item, (y0 + dy).clamp(0, rows - 1), (x0 + dx).clamp(0, columns - 1)]
            result += weight[:, None] * found
    return result


def _bumped(normal: Tensor, height: Tensor, steps: _Steps) -> Tensor:
    """Tilt the normals by the slope of the height over the surface, from differences between pixels.

    The slope along the surface follows from the height's and the point's differences alone (M. Mikkelsen, Bump
    mapping unparametrized surfaces on the GPU, 2010; from memory).
    """
    right = _difference(height, 2) * steps.joined_right
    below = _difference(height, 1) * steps.joined_below
    first = torch.linalg.cross(steps.below, normal)
    second = torch.linalg.cross(normal, steps.right)
    scale = (steps.right * first).sum(-1)
    slope = torch.sign(scale)[..., None] * (right[..., None] * first + below[..., None] * second)
    slope = slope / scale.abs().clamp_min(1e-6)[..., None]
    steep = slope.norm(dim=-1, keepdim=True)
    # Relief sampled by pixels is steeper than any real one now and then.
    slope = slope * (1.2 / steep.clamp_min(1.2))
    return F.normalize(normal - slope, dim=-1)


def _lit(
    surfels: Surfels, pictures: _Pictures, normal: Tensor, light: Light[Tensor], lit: Tensor, eye: Tensor
) -> Tensor:
    def each(table: Tensor) -> Tensor:
        return table[:, None, None]

    away = each(eye) - surfels.point
    distance = away.norm(dim=-1, keepdim=True).clamp_min(1.0)
    view = away / distance
    kind = each(light.kind)[..., None]
    lamp = each(light.position) - surfels.point
    lamp_mm = lamp.norm(dim=-1, keepdim=True).clamp_min(60)
    towards = torch.where(
        kind < 0.5, each(light.direction).expand_as(view), torch.where(kind < 1.5, lamp / lamp_mm, view)
    )
    lamp_fall = (each(light.position.norm(dim=-1, keepdim=True)) / lamp_mm) ** 2
    flash_fall = (each(eye.norm(dim=-1, keepdim=True)) / distance) ** 2
    fall = torch.where(kind < 0.5, torch.ones_like(lamp_fall), torch.where(kind < 1.5, lamp_fall, flash_fall))
    seen = torch.where(kind < 1.5, lit[..., None], torch.ones_like(fall))
    key = each(light.key) * fall.clamp(max=4.0) * seen

    soft = pictures.soft[..., None]
    facing = (normal * towards).sum(-1, keepdim=True)
    # Behind the true surface no bump can catch the light.
    horizon = ((surfels.normal * towards).sum(-1, keepdim=True) * 6 + soft * 3).clamp(0, 1)
    diffuse = ((facing + 0.5 * soft) / (1 + 0.5 * soft)).clamp_min(0) * horizon
    up = each(light.up)
    open_ = _openness(surfels, distance[..., 0])[..., None]
    strength = each(light.contact)[..., None]
    open_ = 1 - strength * (1 - open_)
    raised = (normal * up).sum(-1, keepdim=True)
    around = torch.lerp(each(light.bounce), each(light.sky), 0.5 + 0.5 * raised) * open_
    albedo = pictures.albedo
    colour = albedo * (key * diffuse + around)
    colour = colour + _mirrored(pictures, normal, view, towards, key * horizon, light, open_)
    return torch.where(surfels.kind[..., None] == Kind.SKY, pictures.glow, colour)


def _mirrored(
    pictures: _Pictures,
    normal: Tensor,
    view: Tensor,
    towards: Tensor,
    key: Tensor,
    light: Light[Tensor],
    open_: Tensor,
) -> Tensor:
    """The key light's highlight (microfacets of the Trowbridge-Reitz kind) and the surroundings' reflection."""
    rough = pictures.rough[..., None].clamp(0.08, 1)
    mirror = pictures.mirror[..., None]
    half = F.normalize(towards + view, dim=-1)
    n_h = (normal * half).sum(-1, keepdim=True).clamp(0, 1)
    n_v = (normal * view).sum(-1, keepdim=True).clamp(0.05, 1)
    n_l = (normal * towards).sum(-1, keepdim=True).clamp(0, 1)
    alpha = rough * rough
    spread = n_h * n_h * (alpha * alpha - 1) + 1
    facets = alpha * alpha / (math.pi * spread * spread)
    hidden = 1 / (4 * (n_v * (1 - alpha / 2) + alpha / 2) * (n_l * (1 - alpha / 2) + alpha / 2))
    h_v = (half * view).sum(-1, keepdim=True).clamp(0, 1)
    fresnel = mirror + (1 - mirror) * (1 - h_v) ** 5
    highlight = key * (facets * hidden * fresnel * n_l * math.pi * 0.5).clamp(max=8.0)

    reflected = 2 * (normal * view).sum(-1, keepdim=True) * normal - view
    lift = (reflected * light.up[:, None, None]).sum(-1, keepdim=True)
    sharp = 1 / (0.15 + 1.5 * alpha)
    far = torch.lerp(light.bounce[:, None, None], light.sky[:, None, None], (0.5 + 0.5 * lift * sharp).clamp(0, 1))
    for area in range(2):
        cosine = (reflected * light.area[:, None, None, area]).sum(-1, keepdim=True)
        edge = light.area_size[:, None, None, area, :1]
        inside = ((cosine - edge) / (0.01 + 0.6 * alpha)).clamp(-6, 6).sigmoid() / (1 + 12 * alpha)
        far = far + inside * light.area_size[:, None, None, area, 1:] * light.sky[:, None, None]
    # Roughness of a surface and the hairs on a soft one take away the shine that smooth ones have at a slant.
    shine = mirror + 0.6 * (1 - rough) ** 2 * (1 - pictures.soft[..., None])
    grazing = mirror + (shine - mirror).clamp_min(0) * (1 - n_v) ** 5
    return highlight + far * grazing * open_


def _openness(surfels: Surfels, distance: Tensor) -> Tensor:
    """Return how open each place is, 0 to 1, from how its neighbourhood in the picture lies in front of it.

    Places on either side are looked at in pairs, so that a plane seen at a slant stays open, and a pair counts only
    where both lie close: a leg before a far wall must not get a dark rim, which no photograph shows.
    """
    height, width = distance.shape[1:]
    far = torch.where(surfels.kind == Kind.SKY, torch.full_like(distance, 1e5), distance)
    small = F.avg_pool2d(far[:, None], 2)
    total = torch.zeros_like(small)
    for reach, turn in ((max(1, width // 128), 0.0), (max(2, width // 40), 0.4)):
        padded = F.pad(small, (reach,) * 4, mode="replicate")
        mm = small * reach / width

        def shifted(angle: float, sign: int, padded: Tensor = padded, reach: int = reach) -> Tensor:
            x = reach + sign * round(reach * math.cos(angle))
            y = reach + sign * round(reach * math.sin(angle))
            return padded[:, :, y : y + small.shape[2], x : x + small.shape[3]]

        for step in range(4):
            angle = turn + step * math.pi / 4
            first, second = (small - shifted(angle, sign) for sign in (1, -1))
            close = (torch.maximum(first.abs(), second.abs()) < 3 * mm).to(small.dtype)
            total += ((first + second) / mm).clamp(0, 1) * close / 4
    dark = F.interpolate(total, size=(height, width), mode="bilinear")[:, 0]
    return 1 - 0.45 * dark.clamp(0, 2)
