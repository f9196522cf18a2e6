"""The truth of the sample photos: what their scenes were made from. Read by tests and benchmarks only."""

from __future__ import annotations

import json
from dataclasses import dataclass
from functools import cache
from pathlib import Path
from typing import Any

import cv2
import numpy as np
from PIL import Image

from clawvision.types import ClawName, ClawOutline, FloatArray, PhotoRequest, frozen_array

TRUTH = Path(__file__).parent
PHOTOS = TRUTH.parents[1] / "sample_images"
SIDECAR_SIGMA_PX = 1.0


@dataclass(frozen=True, slots=True, eq=False)
class TruePhoto:
    """One photo of a scene: the scene's truth, what the photo shows, and its mask uint8 (H, W)."""

    scene: dict[str, Any]
    view: str
    mask: np.ndarray
    folder: Path

    @property
    def shown(self) -> dict[str, Any]:
        shown: dict[str, Any] = self.scene["photos"][self.view]
        return shown

    @property
    def name(self) -> str:
        return str(self.shown["photo"])

    @property
    def claws(self) -> tuple[ClawName, ...]:
        """The claws that the photo is there to measure."""
        return (self.shown["claw"],) if self.view == "side" else ("outer", "inner")

    @property
    def tilt_deg(self) -> float | None:
        """Angle between the reference's normal and the camera's axis; None without a reference."""
        tilt: float | None = self.shown.get("tilt_card_to_camera_deg")
        return tilt

    def measures(self, claw: str) -> dict[str, float]:
        measures: dict[str, float] = self.scene[self.view][claw]["measures"]
        return measures

    @property
    def foot_measures(self) -> dict[str, float]:
        return self.scene["foot_measures"] if self.view == "sole" else {}

    def request(self, *, true_offset: bool = False) -> PhotoRequest:
        """Return the manifest row, with the nominal offset or the true one."""
        key = "offset_true_mm" if true_offset else "offset_nominal_mm"
        return PhotoRequest(
            path=self.folder / self.name,
            name=self.name,
            animal=f"scene-{self.scene['seed']}",
            foot=self.scene["foot"],
            view=self.view,
            claw=self.shown["claw"],
            offset_mm=self.shown[key],
        )

    def outline(self, claw: ClawName) -> ClawOutline:
        """Return a claw's visible horn from the mask, as a person would draw it in an outline file."""
        region = (self.mask == self.scene["mask_ids"][claw]).astype(np.uint8)
        contours, _ = cv2.findContours(region, cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE)
        largest = max(contours, key=cv2.contourArea).reshape(-1, 2)
        return ClawOutline(claw, frozen_array(largest), 1.0, SIDECAR_SIGMA_PX, "sidecar")

    def landmarks_px(self, claw: str) -> dict[str, FloatArray]:
        return {name: np.array(xy) for name, xy in self.shown["landmarks_px"][claw].items()}


@cache
def true_photos(truth: Path = TRUTH, photos: Path = PHOTOS) -> tuple[TruePhoto, ...]:
    """Return every photo with truth in a folder, by scene and view."""
    found = []
    for file in sorted(truth.glob("[0-9]*.json")):
        scene = json.loads(file.read_text())
        for view in ("side", "sole"):
            mask = np.array(Image.open(truth / scene["photos"][view]["mask"]))
            found.append(TruePhoto(scene, view, mask, photos))
    return tuple(found)
