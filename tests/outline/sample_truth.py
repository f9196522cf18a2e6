"""The sample photos' truth as a network would tell it."""

from __future__ import annotations

import numpy as np

from clawvision.outline.naming import sides
from tests.outline.truth_network import TruthNetwork
from tests.truth import TruePhoto


def truth_network(photo: TruePhoto, *, wobble_px: float = 0.0, seed: int = 0) -> TruthNetwork:
    """Return a network that knows a sample photo's masks and landmarks."""
    ids = photo.scene["mask_ids"]
    near = photo.claws[0]
    masks = {name: (photo.mask == ids[name]).astype(np.uint8) for name in ("leg", "reference", "occluder")}
    down = np.array([0.0, 1.0])
    if photo.view == "side":
        marks = photo.landmarks_px(near)
        other = "inner" if near == "outer" else "outer"
        toe = _unit(marks["T"] - marks["B"])
        down = np.array([-toe[1], toe[0]])
        down = down * np.sign(down @ (marks["T"] - marks["C"]))
        named = {"claw_a": near, "claw_b": other}
        landmarks = {name: tuple(marks[name]) for name in "CTB"}
    else:
        first, second = (photo.landmarks_px(claw) for claw in ("outer", "inner"))
        toe = _unit(first["T"] - first["K"] + second["T"] - second["K"])
        placed = sides(first["K"], second["K"], toe)
        left, right = ("outer", "inner") if placed[0] == "left" else ("inner", "outer")
        named = {"claw_a": left, "claw_b": right}
        landmarks = {"tip_a": tuple(photo.landmarks_px(left)["T"]), "tip_b": tuple(photo.landmarks_px(right)["T"])}
        for letter, claw in (("a", left), ("b", right)):
            outline = photo.outline(claw).outline_px
            assert outline is not None
            landmarks[f"heel_{letter}"] = tuple(outline[int((outline @ toe).argmin())])
    masks |= {channel: (photo.mask == ids[claw]).astype(np.uint8) for channel, claw in named.items()}
    return TruthNetwork(masks, landmarks, photo.view, toe, down, wobble_px=wobble_px, seed=seed)  # type: ignore[arg-type]


def _unit(vector: np.ndarray) -> np.ndarray:
    return vector / np.hypot(*vector)
