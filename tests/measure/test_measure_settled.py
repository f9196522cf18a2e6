"""The bearing line that is reported is one that no further round moves, bumps in the sole or not."""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from clawvision.measure.side_view import _prepare, _profile, _settled, measure_side_claw
from clawvision.measure.viewing import viewing_of
from clawvision.photo.read import read_photo
from clawvision.scale.find import find_scale
from clawvision.types import ClawOutline, Scale, Settings, frozen_array
from tests.truth import TruePhoto, true_photos

_GOLDEN = json.loads((Path(__file__).parents[1] / "outline" / "golden_outlines.json").read_text(encoding="utf-8"))
_PHOTOS = [photo for photo in true_photos() if photo.view == "side" and photo.name in _GOLDEN]


def found_claw(photo: TruePhoto) -> tuple[ClawOutline, Scale]:
    """Return an outline as the network finds it, a bump of shade under the bulb of 106_side and all."""
    request = photo.request()
    decoded, _ = read_photo(request.path, name=request.name, settings=Settings())
    claw = photo.outline(photo.claws[0])
    line = frozen_array(_GOLDEN[photo.name][photo.claws[0]])
    return replace(claw, outline_px=line, source="automatic"), find_scale(decoded, request, Settings())


@pytest.mark.parametrize("photo", _PHOTOS, ids=lambda photo: photo.name)
def test_one_more_round_changes_nothing(photo: TruePhoto) -> None:
    claw, scale = found_claw(photo)
    seen, viewing = _prepare(claw, scale), viewing_of(scale)
    settled = _settled(seen, viewing)
    assert settled is not None
    profile, bearing = settled
    again = _profile(seen, viewing, start=bearing)
    assert again is not None
    ends = np.array((profile.toe, profile.bulb, profile.coronet))
    np.testing.assert_allclose(again[1].height(ends), bearing.height(ends), atol=0.1)


@pytest.mark.parametrize("photo", _PHOTOS, ids=lambda photo: photo.name)
def test_the_card_alone_hardly_moves_a_height(photo: TruePhoto) -> None:
    # Scale and pose change a height of 40 mm by a few percent; a line still on its way added 5 mm to each cause.
    claw, scale = found_claw(photo)
    height = measure_side_claw(claw, scale).measures["heel_height"]
    shared = [abs(value) for cause, value in height.budget.items() if cause.startswith(("plane", "reference", "focal"))]
    assert max(shared) < 1.5
    assert height.uncertainty is not None and height.uncertainty < 8.0
