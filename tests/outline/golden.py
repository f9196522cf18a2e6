"""Write the golden outlines: ``python -m tests.outline.golden``, after a change of the model that is meant.

They are what the packaged network and the snapping make of a few sample photos, so that an unmeant drift shows. How
true they are is judged by the benchmarks, not by these.
"""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import shapely

from clawvision.outline.find import find_outlines
from clawvision.outline.learned.network import packaged_network
from clawvision.outline.learned.segmenter import LearnedSegmenter
from clawvision.photo.read import read_photo
from clawvision.scale.find import find_scale
from clawvision.types import FloatArray, Settings
from tests.truth import TruePhoto, true_photos

FILE = Path(__file__).with_name("golden_outlines.json")
PHOTOS = ("100_side.jpg", "100_sole.jpg", "104_side.jpg", "104_sole.jpg", "106_side.jpg", "108_sole.jpg")
_TOLERANCE_PX = 0.5


def golden_photos() -> list[TruePhoto]:
    """Return the photos that have golden outlines."""
    return [photo for photo in true_photos() if photo.name in PHOTOS]


def outlines_now(photo: TruePhoto) -> dict[str, FloatArray]:
    """Return the outlines that the packaged network gives now, by claw, pixels."""
    network = packaged_network()
    assert network is not None
    request = photo.request()
    decoded, _ = read_photo(request.path, name=request.name, settings=Settings())
    scale = find_scale(decoded, request, Settings())
    found = find_outlines(decoded, scale, request, Settings(), segmenter=LearnedSegmenter(network))
    return {claw.name: np.asarray(claw.outline_px) for claw in found.claws}


def main() -> None:
    """Write what the network gives now."""
    golden = {}
    for photo in golden_photos():
        lines = {
            claw: shapely.Polygon(line).simplify(_TOLERANCE_PX).exterior for claw, line in outlines_now(photo).items()
        }
        golden[photo.name] = {claw: np.round(np.asarray(line.coords)[:-1], 1).tolist() for claw, line in lines.items()}
    FILE.write_text(json.dumps(golden) + "\n", encoding="utf-8")


if __name__ == "__main__":
    main()
