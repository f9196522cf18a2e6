"""The reference's shape against shapely's own rounding of a rectangle."""

from __future__ import annotations

import numpy as np
import pytest
import shapely

torch = pytest.importorskip("torch")

from clawvision.scale.geometry import CARD_HEIGHT, CARD_WIDTH, CORNER_RADIUS  # noqa: E402
from clawvision.scenes.build import _card  # noqa: E402


@pytest.mark.parametrize(
    ("width", "height", "radius"), [(CARD_WIDTH, CARD_HEIGHT, CORNER_RADIUS), (210.0, 25.0, 0.4), (148.0, 105.0, 0.4)]
)
def test_card_is_a_rounded_rectangle(width: float, height: float, radius: float) -> None:
    frame = torch.tensor([[[5.0, 7.0, 1.0], [width, 0.0, 0.0], [0.0, height, 0.0]]])
    piece = _card(frame)
    corners = piece.points[0, :, :2].double().numpy()
    drawn = shapely.unary_union([shapely.Polygon(corners[face]) for face in piece.faces.numpy()])
    inner = shapely.box(5 + radius, 7 + radius, 5 + width - radius, 7 + height - radius)
    assert drawn.symmetric_difference(inner.buffer(radius, quad_segs=64)).area < 0.5
    # a place of the print lies where it lies on the card, rounded or not
    assert np.allclose(corners, piece.attr[0, :, :2].numpy() * [width, height] + [5, 7], atol=1e-4)
