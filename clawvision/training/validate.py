"""How well the network sees scenes it was never trained on."""

from __future__ import annotations

import numpy as np
import torch
from numpy.typing import NDArray

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
    LANDMARKS,
    LEAN_UNIT_DEG,
    TWIST_UNIT_DEG,
    VIEWS,
)
from clawvision.training.batch import Feed, Group
from clawvision.training.network import (
    ClawNet,
)
from clawvision.training.targets import overlap, read_landmarks, soft_masks

Array = NDArray[np.float64]
Columns = dict[str, list[Array]]


def _add(columns: Columns, network: ClawNet, group: Group) -> None:
    """Append what one group shows, as plain arrays."""
    masks, landmarks, facts = network(group.picture.contiguous(memory_format=torch.channels_last))
    soft = soft_masks(group.masks)
    toe_cos = (facts[:, FACT_TOE] * group.toe).sum(1).clamp(-1.0, 1.0)
    down_cos = (facts[:, FACT_DOWN] * group.down).sum(1).clamp(-1.0, 1.0)
    values = {
        "iou": overlap(masks, soft)[:, :2],
        "stated_iou": torch.sigmoid(facts[:, FACT_IOU]),
        "claw": group.has_claw * (soft[:, :2] > 0.5).flatten(2).any(2),
        "error": read_landmarks(landmarks) - group.landmarks,
        "sigma": facts[:, FACT_LANDMARK_LOG_SIGMA].exp(),
        "seen": group.seen,
        "view": group.view,
        "said_view": facts[:, FACT_VIEW].argmax(1),
        "toe": torch.rad2deg(torch.acos(toe_cos)),
        "has_toe": group.has_toe,
        "down": torch.rad2deg(torch.acos(down_cos)),
        "has_down": group.has_down,
        "twist": TWIST_UNIT_DEG * facts[:, FACT_TWIST] - group.twist,
        "twist_sigma": TWIST_UNIT_DEG * facts[:, FACT_TWIST_LOG_SIGMA].exp(),
        "has_twist": group.has_twist,
        "lean": LEAN_UNIT_DEG * facts[:, FACT_LEAN] - group.lean,
        "lean_sigma": LEAN_UNIT_DEG * facts[:, FACT_LEAN_LOG_SIGMA].exp(),
        "has_lean": group.has_lean,
        "usable": group.usable,
        "said_usable": facts[:, FACT_USABLE],
        "hidden": group.hidden_tip,
        "said_hidden": facts[:, FACT_HIDDEN_TIP],
    }
    for name, value in values.items():
        columns.setdefault(name, []).append(value.cpu().double().numpy())


def _spread(figures: dict[str, float], name: str, values: Array, low: bool = False) -> None:
    """Note median and the bad end (5th percentile if ``low``, else 95th) of values, if any."""
    if values.size:
        figures[name] = float(np.median(values))
        figures[f"{name} {'p5' if low else 'p95'}"] = float(np.percentile(values, 5 if low else 95))


def _figures(found: dict[str, Array]) -> dict[str, float]:
    figures: dict[str, float] = {}
    for number, view in enumerate(VIEWS[:4]):
        for claw, name in enumerate("ab"):
            chosen = (found["view"] == number) & (found["claw"][:, claw] > 0)
            _spread(figures, f"iou {view} {name}", found["iou"][chosen, claw], low=True)
    claws = found["claw"] > 0
    _spread(figures, "iou stated wrong by", np.abs(found["stated_iou"] - found["iou"])[claws])
    seen = found["seen"] > 0.5
    distance = np.hypot(found["error"][..., 0], found["error"][..., 1])
    for index, landmark in enumerate(LANDMARKS):
        _spread(figures, f"px {landmark}", distance[seen[:, index], index])
    _spread(figures, "px", distance[seen])
    if seen.any():
        ratio = np.abs(found["error"] / found["sigma"][..., None])[seen]
        figures["px within 1 sigma"] = float(np.mean(ratio < 1.0))
        figures["px within 2 sigma"] = float(np.mean(ratio < 2.0))
    figures["view right"] = float(np.mean(found["view"] == found["said_view"]))
    for name in ("toe", "down"):
        _spread(figures, f"{name} deg", found[name][found[f"has_{name}"] > 0])
    for name in ("twist", "lean"):
        told = found[f"has_{name}"] > 0
        _spread(figures, f"{name} deg", np.abs(found[name])[told])
        if told.any():
            figures[f"{name} within 2 sigma"] = float(np.mean(np.abs(found[name] / found[f"{name}_sigma"])[told] < 2.0))
    figures["usable right"] = float(np.mean((found["said_usable"] > 0) == (found["usable"] > 0.5)))
    if claws.any():
        figures["hidden tip right"] = float(np.mean(((found["said_hidden"] > 0) == (found["hidden"] > 0.5))[claws]))
    return figures


def validate(network: ClawNet, feed: Feed, batches: int) -> dict[str, dict[str, float]]:
    """Judge ``network`` on the first ``batches`` batches of ``feed``.

    Returns
    -------
    dict
        For "fine" and "coarse" the figures by name: medians, with the 95th percentile (overlaps: 5th)
        beside them; lengths in pixels of the network's input, angles in degrees, shares in 0..1.
    """
    gathered: dict[str, Columns] = {"fine": {}, "coarse": {}}
    network.eval()
    with torch.no_grad():
        for number in range(batches):
            batch = feed.batch(number)
            for label, group in (("fine", batch.fine), ("coarse", batch.coarse)):
                if len(group):
                    _add(gathered[label], network, group)
    return {
        label: _figures({name: np.concatenate(parts) for name, parts in columns.items()})
        for label, columns in gathered.items()
        if columns
    }
