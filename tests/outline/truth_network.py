"""A network that knows the truth: it says what is given, of any part of the photo, as the real one would."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

import cv2
import numpy as np

from clawvision.outline.learned.contract import (
    FACT_COUNT,
    LANDMARK_STEP,
    LANDMARKS,
    MASK_STEP,
    MASKS,
    VIEWS,
    Outputs,
)
from clawvision.outline.learned.crop import Crop
from clawvision.types import FloatArray, View

SLOPE = 4.0
"""Logits a cell at an edge."""


@dataclass(eq=False)
class TruthNetwork:
    """Says what a photo shows.

    ``masks`` holds uint8 (H, W) masks of the whole photo by channel, 0 or 1; ``landmarks`` pixels of the photo; ``toe``
    and ``down`` unit directions in the photo. ``wobble_px`` moves the masks' edges by a smooth random field of so many
    photo pixels, root mean square, a different one for each picture.
    """

    masks: Mapping[str, np.ndarray]
    landmarks: Mapping[str, tuple[float, float]]
    view: View
    toe: FloatArray
    down: FloatArray
    sigma_px: float = 2.0
    twist_deg: tuple[float, float] = (0.0, 0.0)
    lean_deg: float = 0.0
    hidden_logit: float = -5.0
    iou_logit: float = 4.0
    usable_logit: float = 4.0
    view_logit: float = 8.0
    wobble_px: float = 0.0
    seed: int = 0
    crops: list[Crop] = field(default_factory=list)
    _distances: dict[str, np.ndarray] = field(default_factory=dict)

    def run(self, crop: Crop) -> Outputs:
        self.crops.append(crop)
        width, height = crop.size
        masks = np.stack([self._mask(name, crop, (width // MASK_STEP, height // MASK_STEP)) for name in MASKS])
        return Outputs(masks, self._heat(crop, width, height), self._facts(crop))

    def _mask(self, name: str, crop: Crop, size: tuple[int, int]) -> np.ndarray:
        if name not in self.masks or not self.masks[name].any():
            return np.full(size[::-1], -8.0, np.float32)
        if name not in self._distances:
            mask = self.masks[name].astype(np.uint8)
            inside, outside = (cv2.distanceTransform(part, cv2.DIST_L2, 5) for part in (mask, 1 - mask))
            self._distances[name] = np.where(mask > 0, inside - 0.5, 0.5 - outside).astype(np.float32)
        distance = self._distances[name]
        columns, rows = np.meshgrid(np.arange(size[0]), np.arange(size[1]))
        cells = np.stack((columns, rows), axis=-1).astype(np.float64)
        at = crop.to_photo((cells + 0.5) * MASK_STEP - 0.5).astype(np.float32)
        # Beyond the photo there is no claw.
        seen = cv2.remap(
            distance, at[..., 0], at[..., 1], cv2.INTER_LINEAR, borderMode=cv2.BORDER_CONSTANT, borderValue=-1e4
        )
        if self.wobble_px:
            random = np.random.default_rng((self.seed, len(self.crops), MASKS.index(name)))
            noise = cv2.GaussianBlur(random.normal(size=size[::-1]).astype(np.float32), (0, 0), 6.0)
            seen = seen + self.wobble_px * noise / noise.std()
        cell_px = MASK_STEP / crop.scale
        return np.clip(SLOPE * seen / cell_px, -8.0, 8.0).astype(np.float32)

    def _heat(self, crop: Crop, width: int, height: int) -> np.ndarray:
        size = (width // LANDMARK_STEP, height // LANDMARK_STEP)
        columns, rows = np.meshgrid(np.arange(size[0]), np.arange(size[1]))
        heat = np.zeros((len(LANDMARKS), *size[::-1]), np.float32)
        for index, name in enumerate(LANDMARKS):
            if name in self.landmarks:
                place = crop.from_photo(np.array(self.landmarks[name]))
                x, y = (place + 0.5) / LANDMARK_STEP - 0.5
                heat[index] = -0.5 * ((columns - x) ** 2 + (rows - y) ** 2) / 1.2**2
        return heat

    def _facts(self, crop: Crop) -> np.ndarray:
        facts = np.zeros(FACT_COUNT, np.float32)
        facts[VIEWS.index(self.view)] = self.view_logit
        for place, direction in ((5, self.toe), (7, self.down)):
            turned = crop.matrix[:, :2] @ direction
            facts[place : place + 2] = turned / np.hypot(*turned)
        facts[9:11] = self.iou_logit
        facts[11:20] = np.log(self.sigma_px)
        facts[20:22] = np.array(self.twist_deg) / 30.0
        facts[22:24] = np.log(5.0 / 30.0)
        facts[24] = self.usable_logit
        facts[25:27] = self.hidden_logit
        facts[27:29] = self.lean_deg / 15.0, np.log(5.0 / 15.0)
        return facts
