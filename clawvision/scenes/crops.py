"""Training pictures cut from rendered photos, with everything true about them in their own pixels."""

from __future__ import annotations

import torch
from torch import Tensor
from torch.nn import functional

from clawvision.outline.learned import contract
from clawvision.scenes.mesh import normalised
from clawvision.scenes.pictures import Pictures
from clawvision.scenes.viewpoint import VIEWS
from clawvision.training.batch import Batch, Group

FINE = contract.FINE_SIZE[::-1]
COARSE = contract.COARSE_SIZE[::-1]
"""Height and width, as tensors have them."""


def cut(pictures: Pictures, chance: torch.Generator, coarse: int) -> Batch:
    """Cut a fine crop from every photo, and whole coarse pictures from the first ``coarse`` of them.

    A fine crop has the toes on the left; in a side view the sole down, mirrored where needed; the horn fills about
    `contract.HORN_SHARE` of it. Scale, place and turn are jittered. A coarse picture is the whole photo, turned at
    random where it shows soles.

    Parameters
    ----------
    pictures
        The photos and what is true of them.
    chance
        Source of all chance, on the photos' device.
    coarse
        How many coarse pictures.
    """
    layers = _layers(pictures)
    matrix, scale = _crop_frame(pictures, chance)
    rows = list(range(len(pictures.photo)))
    fine = _group(pictures, rows, layers, matrix, scale, FINE)
    rows = rows[:coarse]
    matrix, scale = _whole_frame(pictures, chance, rows)
    return Batch(fine=fine, coarse=_group(pictures, rows, layers, matrix, scale, COARSE))


def _sampled(layers: Tensor, matrix: Tensor, size: tuple[int, int], scale: Tensor) -> Tensor:
    """Resample layers (B, C, H, W) at ``matrix`` @ (x, y, 1), reduced first where ``scale`` (B,) shrinks them."""
    height, width = size
    device = layers.device
    y, x = torch.meshgrid(
        torch.arange(height, device=device, dtype=torch.float32),
        torch.arange(width, device=device, dtype=torch.float32),
        indexing="ij",
    )
    spots = torch.stack([x, y, torch.ones_like(x)], dim=-1).view(1, -1, 3) @ matrix.transpose(1, 2)
    spots = spots.view(len(layers), height, width, 2)
    result = torch.zeros(len(layers), layers.shape[1], height, width, device=device)
    level = torch.log2(scale.clamp_min(1.0)).round().long().clamp_max(3)
    reduced = layers
    for step in range(4):
        rows = (level == step).nonzero()[:, 0]
        if step:
            reduced = functional.avg_pool2d(reduced, 2)
        if len(rows):
            factor = 2.0**step
            at = (spots[rows] + 0.5) / factor
            grid = torch.stack([at[..., 0] / reduced.shape[3], at[..., 1] / reduced.shape[2]], dim=-1) * 2 - 1
            result[rows] = functional.grid_sample(
                reduced[rows], grid, mode="bilinear", padding_mode="zeros", align_corners=False
            )
    return result


def _layers(pictures: Pictures) -> Tensor:
    """Return photo, five masks and where the photo is at all, (B, 9, H, W)."""
    label = pictures.labels
    masks = [label == 1, label == 2, (label == 3) | (label == 6), label == 4, label == 5]
    stacked = torch.stack(masks, dim=1).float()
    return torch.cat([pictures.photo * 255.0, stacked, torch.ones_like(stacked[:, :1])], dim=1)


def _canonical_axes(pictures: Pictures, angle: Tensor) -> tuple[Tensor, Tensor]:
    """Return the unit directions (B, 2) in the photo that become right and down of the fine crop, turned by ``angle``
    (B,) out of the canonical pose.
    """
    device = pictures.photo.device
    view = torch.tensor([VIEWS.index(stage.view) for stage in pictures.stages], device=device)
    upright = torch.tensor([[1.0, 0.0]], device=device)
    posed = (view <= 1)[:, None]
    x_axis = torch.where(posed, -pictures.toe, upright.expand(len(view), 2))
    y_axis = torch.stack([-x_axis[:, 1], x_axis[:, 0]], dim=-1)
    flip = ((y_axis * pictures.down).sum(dim=-1) < 0) & (view == 0)
    y_axis = torch.where(flip[:, None], -y_axis, y_axis)
    cos, sin = torch.cos(angle)[:, None], torch.sin(angle)[:, None]
    return cos * x_axis + sin * y_axis, cos * y_axis - sin * x_axis


def _crop_frame(pictures: Pictures, chance: torch.Generator) -> tuple[Tensor, Tensor]:
    """Return the matrices (B, 2, 3) from fine crop to photo and their scales (B,)."""
    device = pictures.photo.device
    count = len(pictures.photo)

    def draw(low: float, high: float) -> Tensor:
        return low + (high - low) * torch.rand(count, generator=chance, device=device)

    x_axis, y_axis = _canonical_axes(pictures, draw(-12.0, 12.0) * torch.pi / 180)
    step = 4
    horn = ((pictures.labels == 1) | (pictures.labels == 2))[:, ::step, ::step]
    height, width = horn.shape[1:]
    y, x = torch.meshgrid(
        torch.arange(height, device=device) * step, torch.arange(width, device=device) * step, indexing="ij"
    )
    u = x[None] * x_axis[:, :1, None] + y[None] * x_axis[:, 1:, None]
    v = x[None] * y_axis[:, :1, None] + y[None] * y_axis[:, 1:, None]
    there = horn.flatten(1).sum(dim=1) > 40

    def ends(values: Tensor) -> tuple[Tensor, Tensor]:
        big = torch.full_like(values, 1e6)
        low = torch.where(horn, values, big).flatten(1).amin(dim=1)
        high = torch.where(horn, values, -big).flatten(1).amax(dim=1)
        size = float(max(pictures.photo.shape[2:]))
        return torch.where(there, low, 0.2 * size * torch.ones_like(low)), torch.where(
            there, high, 0.7 * size * torch.ones_like(high)
        )

    u0, u1 = ends(u)
    v0, v1 = ends(v)
    scale = torch.maximum(
        (u1 - u0) / (contract.HORN_SHARE * FINE[1]), (v1 - v0) / (contract.HORN_SHARE * FINE[0])
    ) * draw(0.82, 1.24)
    centre_u = 0.5 * (u0 + u1) + draw(-0.07, 0.07) * FINE[1] * scale
    centre_v = 0.5 * (v0 + v1) + draw(-0.07, 0.07) * FINE[0] * scale
    first = x_axis * scale[:, None]
    second = y_axis * scale[:, None]
    middle = centre_u[:, None] * x_axis + centre_v[:, None] * y_axis
    origin = middle - first * 0.5 * (FINE[1] - 1) - second * 0.5 * (FINE[0] - 1)
    return torch.stack([first, second, origin], dim=-1), scale


def _whole_frame(pictures: Pictures, chance: torch.Generator, rows: list[int]) -> tuple[Tensor, Tensor]:
    """Return the matrices (M, 2, 3) from coarse picture to photo, and their scales: the whole photo, turned."""
    device = pictures.photo.device
    count = len(rows)
    height, width = pictures.photo.shape[2:]

    def draw() -> Tensor:
        return torch.rand(count, generator=chance, device=device)

    sole = torch.tensor([pictures.stages[row].view == "sole" for row in rows], device=device)
    quarter = (draw() * 4).long()
    quarter = torch.where(~sole & (draw() < 0.75), torch.zeros_like(quarter), quarter)
    angle = quarter * (torch.pi / 2) + torch.where(draw() < 0.2, draw() - 0.5, 0.1 * (draw() - 0.5))
    cos, sin = torch.cos(angle), torch.sin(angle)
    wide = torch.where(quarter % 2 == 0, float(width), float(height))
    high = torch.where(quarter % 2 == 0, float(height), float(width))
    scale = torch.maximum(wide / COARSE[1], high / COARSE[0]) * (0.7 + 0.5 * draw())
    first = torch.stack([cos, sin], dim=-1) * scale[:, None]
    second = torch.stack([-sin, cos], dim=-1) * scale[:, None]
    middle = torch.tensor([0.5 * (width - 1), 0.5 * (height - 1)], device=device)[None]
    middle = middle + (torch.stack([draw(), draw()], dim=-1) - 0.5) * scale[:, None] * 30.0
    origin = middle - first * 0.5 * (COARSE[1] - 1) - second * 0.5 * (COARSE[0] - 1)
    return torch.stack([first, second, origin], dim=-1), scale


def _group(
    pictures: Pictures, rows: list[int], layers: Tensor, matrix: Tensor, scale: Tensor, size: tuple[int, int]
) -> Group:
    """Gather what is true of crops of some of the pictures."""
    device = layers.device
    sampled = _sampled(layers[rows], matrix, size, scale)
    there = sampled[:, 8:9]
    picture = sampled[:, :3] + float(contract.FILL) * (1.0 - there)
    masks = (sampled[:, 3:8] > 0.5).to(torch.uint8)
    inverse = torch.linalg.inv(matrix[:, :, :2])
    landmarks = ((pictures.landmarks[rows] - matrix[:, None, :, 2]) @ inverse.transpose(1, 2)).nan_to_num(-1e4)
    limit = torch.tensor([size[1] - 1.0, size[0] - 1.0], device=device)
    inside = ((landmarks >= 2.0) & (landmarks <= limit - 2.0)).all(dim=-1)
    stages = [pictures.stages[row] for row in rows]
    view = torch.tensor([VIEWS.index(stage.view) for stage in stages], device=device)

    def turned(direction: Tensor) -> Tensor:
        return normalised((inverse @ direction[rows][..., None])[..., 0])

    visible = masks[:, :2].flatten(2).sum(dim=2)
    has_claw = (visible > size[0] * size[1] // 2000).float()
    posed = (view <= 1) & (has_claw.sum(dim=1) > 0)
    swapped = pictures.swapped[rows]
    both = torch.tensor(
        [[stage.foot.outer.helical_twist, stage.foot.inner.helical_twist] for stage in stages], device=device
    )
    twist = torch.where(swapped[:, None], both.flip(1), both)
    has_twist = has_claw * (view <= 1)[:, None]
    has_twist[:, 1] *= (view == 1).float()
    tips = torch.where((view == 0)[:, None, None], landmarks[:, [1, 1]], landmarks[:, [4, 5]])
    hidden = _hidden(tips, masks[:, :2], size) * (view <= 1)[:, None]
    hidden[:, 1] *= (view == 1).float()
    flawed = torch.tensor([pictures.flaws[row] != "none" for row in rows], device=device)
    needed = torch.where((view == 0)[:, None], inside[:, [0, 1, 2, 3]], inside[:, [4, 5, 6, 7]])
    usable = posed & ~flawed & (hidden.sum(dim=1) == 0) & needed.all(dim=1)
    return Group(
        picture=picture,
        masks=masks,
        landmarks=landmarks,
        seen=inside.float(),
        view=view,
        toe=turned(pictures.toe),
        has_toe=posed.float(),
        down=turned(pictures.down),
        has_down=(posed & (view == 0)).float(),
        twist=twist.float(),
        has_twist=has_twist,
        lean=pictures.lean[rows].nan_to_num(0.0),
        has_lean=has_claw[:, 0] * (view == 0),
        usable=usable.float(),
        hidden_tip=hidden,
        has_claw=has_claw,
    )


def _hidden(tips: Tensor, masks: Tensor, size: tuple[int, int]) -> Tensor:
    """Return 1 for claws with no horn in view at their tip (B, 2)."""
    near = functional.max_pool2d(masks.float(), 13, stride=1, padding=6)
    column = tips[..., 0].round().long().clamp(0, size[1] - 1)
    row = tips[..., 1].round().long().clamp(0, size[0] - 1)
    batch = torch.arange(len(tips), device=tips.device)[:, None]
    claw = torch.arange(2, device=tips.device)[None]
    shown = near[batch, claw, row, column]
    inside = (tips >= 0).all(-1) & (tips[..., 0] <= size[1] - 1) & (tips[..., 1] <= size[0] - 1)
    return 1.0 - shown * inside.float()
