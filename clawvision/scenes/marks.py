"""What is true of scenes as their pictures show them: where the landmarks are and what each pixel belongs to."""

from __future__ import annotations

from dataclasses import dataclass

import torch
from torch import Tensor

from clawvision.outline.learned.contract import LANDMARKS
from clawvision.scenes.build import Scenes
from clawvision.scenes.foot import PlacedClaw
from clawvision.scenes.mesh import normalised
from clawvision.scenes.stage import BLOCK
from clawvision.scenes.surfels import Kind, Surfels


@dataclass(frozen=True, slots=True, eq=False)
class Marks:
    """True landmarks and directions of a batch of scenes.

    ``places`` (B, 9, 3): world, mm, in the order of ``LANDMARKS``, nan where the view has none. ``swapped`` (B,) bool:
    claw_a is the inner claw. ``forward`` (B, 3): level unit direction from the heel third's centroid K to the toe of a
    side view's near claw, world, nan in other views.
    """

    places: Tensor
    forward: Tensor
    swapped: Tensor


def marks_of(scenes: Scenes) -> Marks:
    """Return where the landmarks truly are."""
    count = len(scenes.stages)
    places = torch.full((count, len(LANDMARKS), 3), float("nan"), device=scenes.side.device)
    forward = torch.full((count, 3), float("nan"), device=scenes.side.device)
    swapped = torch.zeros(count, dtype=torch.bool, device=scenes.side.device)
    claws = (scenes.outer, scenes.inner)
    side_marks = [scenes.to_world(_side_marks(claw)) for claw in claws]
    axes = [scenes.to_world(_axis(claw)[:, None])[:, 0] for claw in claws]
    sole_marks = [scenes.to_world(_tip_and_heel(claw.points)) for claw in claws]
    cleft = scenes.to_world(_cleft(scenes))
    for index, stage in enumerate(scenes.stages):
        if stage.view == "side":
            swap = stage.near == "inner"
            places[index, :4] = side_marks[int(swap)][index]
            forward[index] = axes[int(swap)][index]
        elif stage.view == "sole":
            # seen from below with the toes up, a left foot's outer claw lies on the right
            swap = not stage.right_foot
            places[index, 4:8:2] = sole_marks[int(swap)][index]
            places[index, 5:8:2] = sole_marks[int(not swap)][index]
            places[index, 8] = cleft[index, 0]
        else:  # claw_a is the left one of the picture
            swap = stage.right_foot == (stage.view == "rear")
        swapped[index] = swap
    return Marks(places, forward, swapped)


def _side_marks(claw: PlacedClaw) -> Tensor:
    """Return C, T, B and H (B, 4, 3) of claws in the foot frame, as the claw's own profile plane has them."""
    flat = claw.points.flatten(1, 2)
    tip, heel = _tip_and_heel(claw.points).unbind(dim=1)
    along = _forward(heel, tip)

    def flattened(points: Tensor) -> Tensor:
        return torch.stack([(points * along[:, None]).sum(dim=-1), points[..., 2]], dim=-1)

    profile = flattened(flat)
    toe = _pick(flat, (profile - flattened(claw.bulb[:, None])).norm(dim=-1).argmax(dim=1))
    lowest = _pick(flat, profile.sum(dim=-1).argmin(dim=1))
    return torch.stack([claw.coronet, toe, claw.bulb, lowest], dim=1)


def _axis(claw: PlacedClaw) -> Tensor:
    """Return the level unit directions (B, 3) from K to the toe tip, foot frame: the axis of the true profile."""
    return _forward(_heel_centre(claw.points), _tip_and_heel(claw.points)[:, 0])


def _tip_and_heel(points: Tensor) -> Tensor:
    """Return the toe tip and the rear end (B, 2, 3) of claws (B, S, R, 3) as the sole view sees them."""
    flat = points.flatten(1, 2)
    centre = _heel_centre(points)
    toe = _pick(flat, (flat - centre[:, None])[..., :2].norm(dim=-1).argmax(dim=1))
    rear = _pick(flat, (flat * _forward(centre, toe)[:, None]).sum(dim=-1).argmin(dim=1))
    return torch.stack([toe, rear], dim=1)


def _forward(start: Tensor, stop: Tensor) -> Tensor:
    """Return the level unit directions (B, 3) from one place to another."""
    return normalised((stop - start) * torch.tensor([1.0, 1.0, 0.0], device=start.device))


def _heel_centre(points: Tensor) -> Tensor:
    """Return the centroid K (B, 3) of the heel third of claws (B, S, R, 3) as seen from below, on the ground.

    The silhouette is summed up ring by ring, and the third taken along x.
    """
    x = points[..., 0].mean(dim=2)
    low, high = points[..., 1].amin(dim=2), points[..., 1].amax(dim=2)
    rear, front = points[..., 0].amin(dim=(1, 2)), points[..., 0].amax(dim=(1, 2))
    area = (high - low) * torch.gradient(x, dim=1)[0] * (x < (rear + (front - rear) / 3.0)[:, None])
    share = area / area.sum(dim=1, keepdim=True)
    return torch.stack([(share * x).sum(dim=1), (share * 0.5 * (low + high)).sum(dim=1), 0.0 * rear], dim=-1)


def _cleft(scenes: Scenes) -> Tensor:
    """Return the rear end of the cleft (B, 1, 3), foot frame: midway between the claws' innermost points of the heel
    third.
    """
    inward = []
    for claw, sign in ((scenes.outer, 1.0), (scenes.inner, -1.0)):
        heel = claw.points[:, : claw.points.shape[1] // 3].flatten(1, 2)
        inward.append(_pick(heel, (heel[..., 1] * sign).argmin(dim=1)))
    return (0.5 * (inward[0] + inward[1]))[:, None]


def _pick(points: Tensor, index: Tensor) -> Tensor:
    """Return one of points (B, N, 3) for each of the batch, (B, 3)."""
    return points[torch.arange(len(points), device=points.device), index]


LABELS = ("background", "claw_a", "claw_b", "leg", "reference", "occluder", "dewclaw", "other horn")
_LABEL_OF = {
    Kind.LEG: 3,
    Kind.HAIR: 3,
    Kind.CARD: 4,
    Kind.SKIN: 5,
    Kind.GLOVE: 5,
    Kind.SLEEVE: 5,
    Kind.PIPE: 5,
    Kind.ROPE: 5,
    Kind.DEWCLAW: 6,
}


def labels_of(surfels: Surfels, swapped: Tensor) -> Tensor:
    """Return which of ``LABELS`` each pixel shows, int64 (B, H, W).

    Hands, ropes, pipes and a block between the claws count as occluders where they hide nothing, too; straw and planks
    count as background, and so does the neighbouring foot but for its horn.
    """
    device = surfels.kind.device
    table = torch.zeros(len(Kind), dtype=torch.int64, device=device)
    for kind, label in _LABEL_OF.items():
        table[int(kind)] = label
    labels = table[surfels.kind]
    block = (surfels.kind == int(Kind.WOOD)) & (surfels.part == BLOCK)
    labels = torch.where(block, 5, labels)
    own_horn = torch.where((surfels.part == 0) ^ swapped[:, None, None], 1, 2)
    horn = torch.where(surfels.part < 2, own_horn, 7)
    labels = torch.where(surfels.kind == int(Kind.HORN), horn, labels)
    foreign = (surfels.part == 1) & ((labels == 3) | (labels == 6))
    return torch.where(foreign, 0, labels)
