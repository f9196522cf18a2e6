"""The outlines of a fixed set of photos stay what they are, and near the truth."""

from __future__ import annotations

import json

import cv2
import numpy as np
import pytest
import shapely

from tests.outline.golden import FILE, golden_photos, outlines_now
from tests.truth import TruePhoto

GOLDEN = json.loads(FILE.read_text(encoding="utf-8"))


@pytest.mark.parametrize("photo", golden_photos(), ids=lambda photo: photo.name)
def test_outlines_are_the_golden_ones_and_near_the_truth(photo: TruePhoto) -> None:
    now = outlines_now(photo)
    assert set(now) == set(GOLDEN[photo.name])
    for claw, line in now.items():
        found, golden = shapely.Polygon(line), shapely.Polygon(GOLDEN[photo.name][claw])
        assert found.intersection(golden).area / found.union(golden).area > 0.99
        # The truth's own mask, which has nothing to do with the network.
        mask = (photo.mask == photo.scene["mask_ids"][claw]).astype(np.uint8)
        drawn = np.zeros_like(mask)
        cv2.fillPoly(drawn, [np.rint(line).astype(np.int32)], 1)
        assert (drawn & mask).sum() / (drawn | mask).sum() > 0.9
