"""Write the outline files of the sample herd: ``python -m tests.truth.draw_outlines``.

They stand for what a person would draw in the photos that the automatic outline is unsure of. Some photos are left
without one on purpose, so that a run on the samples shows every status.
"""

from __future__ import annotations

import json

import numpy as np
import shapely

from tests.truth import PHOTOS, true_photos

DRAWN_SCENES = (100, 103, 104, 105, 108, 109)
_TOLERANCE_PX = 0.7


def main() -> None:
    """Write one file beside each photo of the drawn scenes."""
    for photo in true_photos():
        if photo.scene["seed"] not in DRAWN_SCENES:
            continue
        claws = {}
        for claw in photo.claws:
            ring = shapely.LinearRing(np.asarray(photo.outline(claw).outline_px)).simplify(_TOLERANCE_PX)
            claws[claw] = {"outline_px": [[x, y] for x, y in np.asarray(ring.coords)[:-1].tolist()]}
        file = PHOTOS / photo.name.replace(".jpg", ".outline.json")
        file.write_text(json.dumps({"schema": "clawvision/outline/1", "view": photo.view, "claws": claws}) + "\n")


if __name__ == "__main__":
    main()
