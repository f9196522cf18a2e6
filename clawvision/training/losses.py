"""How wrong the network is, as one number to lower; the weights are fixed."""

from __future__ import annotations

import math

import torch
from torch import Tensor
from torch.nn import functional as F

from clawvision.outline.learned.contract import (
    FACT_DOWN,
    FACT_HIDDEN_TIP,
    FACT_IOU,
    FACT_LANDMARK_LOG_SIGMA,
    FACT_LEAN,
    FACT_LEAN_LOG_SIGMA,
    FACT_TOE,
    FACT_TWIST,
    FACT_TWIST_LOG_SIGMA,
    FACT_USABLE,
    FACT_VIEW,
    LEAN_UNIT_DEG,
    TWIST_UNIT_DEG,
)
from clawvision.training.batch import Group
from clawvision.training.network import (
    Seen,
)
from clawvision.training.targets import border, heat, overlap, read_landmarks, soft_masks

WEIGHTS = {
    "mask": 2.0,
    "dice": 1.0,
    "heat": 0.3,
    "place": 0.1,
    "place_sigma": 0.1,
    "iou": 0.2,
    "view": 0.3,
    "toe": 0.5,
    "down": 0.5,
    "twist": 0.5,
    "twist_sigma": 0.1,
    "lean": 0.5,
    "lean_sigma": 0.1,
    "usable": 0.2,
    "hidden_tip": 0.2,
}
BORDER_WEIGHT = 4.0
"""Cells at the horn's border count this much more: millimetres are read there."""
CHANNEL_WEIGHTS = (1.0, 1.0, 0.6, 0.3, 0.5)
LOG_SIGMA_RANGE = (-3.0, 5.0)
FAR_PX = 12.0
"""Beyond this the place loss is flat: the hottest cell is the wrong one and only the heat can mend that."""


def _mean(values: Tensor, weights: Tensor) -> Tensor:
    return (values * weights).sum() / weights.sum().clamp(min=1e-3)


def laplace(error: Tensor, log_sigma: Tensor) -> Tensor:
    """Return the negative log likelihood of absolute errors under a Laplace law of that standard deviation.

    Robust: an error counts by its size, not its square. ``error`` takes no gradient.
    """
    # A soft fence in place of a clamp: beyond the range the gradient still leads back.
    log_scale = log_sigma.clamp(*LOG_SIGMA_RANGE) - 0.5 * math.log(2.0)
    fence = F.relu(log_sigma - LOG_SIGMA_RANGE[1]) + F.relu(LOG_SIGMA_RANGE[0] - log_sigma)
    return error.detach().abs() * torch.exp(-log_scale) + log_scale + fence


def mask_losses(logits: Tensor, soft: Tensor) -> dict[str, Tensor]:
    """Return cross-entropy, heavier at the horn's border, and soft Dice of the five masks."""
    channels = torch.tensor(CHANNEL_WEIGHTS, device=logits.device)
    weight = 1.0 + BORDER_WEIGHT * border(soft[:, :2])
    each = F.binary_cross_entropy_with_logits(logits, soft, reduction="none")
    by_channel = (each * weight).sum((0, 2, 3)) / weight.sum()
    share = torch.sigmoid(logits)
    both = (share * soft).sum((2, 3))
    dice = 1.0 - (2.0 * both + 20.0) / ((share + soft).sum((2, 3)) + 20.0)
    return {"mask": (by_channel * channels).sum(), "dice": (dice.mean(0) * channels).sum()}


def landmark_losses(logits: Tensor, log_sigma: Tensor, group: Group) -> dict[str, Tensor]:
    """Return the heat maps' cross-entropy, the places' distance and how well the stated error fits."""
    target = heat(group.landmarks, logits.shape[2], logits.shape[3])
    each = -(target.flatten(2) * torch.log_softmax(logits.flatten(2), 2)).sum(2)
    error = read_landmarks(logits) - group.landmarks
    near = (error.detach().norm(dim=2) < FAR_PX).float() * group.seen
    distance = F.smooth_l1_loss(error, torch.zeros_like(error), reduction="none", beta=1.0).sum(2)
    stated = laplace(error.clamp(-64.0, 64.0), log_sigma[..., None]).mean(2)
    return {
        "heat": _mean(each, group.seen),
        "place": (distance * near).sum() / group.seen.sum().clamp(min=1e-3),
        "place_sigma": _mean(stated, group.seen),
    }


def direction_loss(ours: Tensor, theirs: Tensor) -> Tensor:
    """Return how far unit vectors (N, 2) are apart: the chord, squared below about 6° so that it ends flat.

    One minus the cosine would hardly pull below 10°.
    """
    chord = torch.sqrt(((ours - theirs) ** 2).sum(1) + 1e-8)
    return F.smooth_l1_loss(chord, torch.zeros_like(chord), reduction="none", beta=0.1)


def fact_losses(facts: Tensor, iou: Tensor, group: Group) -> dict[str, Tensor]:
    """Return the losses of everything that is one number per picture or claw."""
    cross = F.binary_cross_entropy_with_logits
    twist = facts[:, FACT_TWIST] - group.twist / TWIST_UNIT_DEG
    stated = laplace(twist, facts[:, FACT_TWIST_LOG_SIGMA])
    lean = facts[:, FACT_LEAN] - group.lean / LEAN_UNIT_DEG
    tip = cross(facts[:, FACT_HIDDEN_TIP], group.hidden_tip, reduction="none")
    return {
        "iou": cross(facts[:, FACT_IOU], iou * group.has_claw),
        "view": F.cross_entropy(facts[:, FACT_VIEW], group.view),
        "toe": _mean(direction_loss(facts[:, FACT_TOE], group.toe), group.has_toe),
        "down": _mean(direction_loss(facts[:, FACT_DOWN], group.down), group.has_down),
        "twist": _mean(F.smooth_l1_loss(twist, torch.zeros_like(twist), reduction="none", beta=0.2), group.has_twist),
        "twist_sigma": _mean(stated, group.has_twist),
        "lean": _mean(F.smooth_l1_loss(lean, torch.zeros_like(lean), reduction="none", beta=0.2), group.has_lean),
        "lean_sigma": _mean(laplace(lean, facts[:, FACT_LEAN_LOG_SIGMA]), group.has_lean),
        "usable": cross(facts[:, FACT_USABLE], group.usable),
        "hidden_tip": _mean(tip, group.has_claw),
    }


def losses(seen: Seen, group: Group) -> dict[str, Tensor]:
    """Return every loss of one group by name, unweighted, and ``total``, weighted.

    Parameters
    ----------
    seen
        What the network answered to ``group.picture``, float32.
    group
        Pictures and truth; at least one picture.
    """
    masks, landmarks, facts = seen
    soft = soft_masks(group.masks)
    parts = mask_losses(masks, soft)
    parts |= landmark_losses(landmarks, facts[:, FACT_LANDMARK_LOG_SIGMA], group)
    parts |= fact_losses(facts, overlap(masks.detach(), soft)[:, :2], group)
    parts["total"] = torch.stack([WEIGHTS[name] * value for name, value in parts.items()]).sum()
    return parts
