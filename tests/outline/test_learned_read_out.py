"""From logits to outlines and landmarks, on shapes with a closed form."""

from __future__ import annotations

import numpy as np
import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st

from clawvision.outline.learned.contract import (
    FACT_COUNT,
    FINE_SIZE,
    LANDMARK_STEP,
    LANDMARKS,
    MASK_STEP,
    MASKS,
    Outputs,
)
from clawvision.outline.learned.crop import Crop
from clawvision.outline.learned.read_out import landmarks_of, outline_of, parted, regions

_SIZE = (FINE_SIZE[1] // MASK_STEP, FINE_SIZE[0] // MASK_STEP)
_ROWS, _COLUMNS = np.mgrid[0 : _SIZE[0], 0 : _SIZE[1]]
_AS_IS = Crop(np.zeros((FINE_SIZE[1], FINE_SIZE[0], 3), np.uint8), np.eye(2, 3))


def circle(x: float, y: float, radius: float) -> np.ndarray:
    """Return logits of a circle in cells, one a cell of distance from its edge."""
    away = radius - np.hypot(_COLUMNS - x, _ROWS - y)
    return np.clip(away, -8.0, 8.0).astype(np.float32)


def said(**masks: np.ndarray) -> Outputs:
    stack = np.stack([masks.get(name, np.full(_SIZE, -8.0, np.float32)) for name in MASKS])
    heat = np.zeros((len(LANDMARKS), FINE_SIZE[1] // LANDMARK_STEP, FINE_SIZE[0] // LANDMARK_STEP), np.float32)
    return Outputs(stack, heat, np.zeros(FACT_COUNT, np.float32))


@given(x=st.floats(60, 190), y=st.floats(60, 130), radius=st.floats(15, 55))
@settings(deadline=None, max_examples=25)
def test_a_circle_is_found_below_a_cell(x: float, y: float, radius: float) -> None:
    outputs = said(claw_a=circle(x, y, radius))
    mask = outline_of(parted(outputs)[0], outputs, _AS_IS, None)
    assert mask is not None
    pixel = MASK_STEP
    assert mask.polygon.area == pytest.approx(np.pi * (radius * pixel) ** 2, rel=0.01)
    centre = np.array(mask.polygon.centroid.coords[0])
    np.testing.assert_allclose(centre, (np.array([x, y]) + 0.5) * pixel - 0.5, atol=0.05)
    # A slope of one logit a cell is an error of 1.6 cells.
    assert mask.sigma_px == pytest.approx(1.6 * pixel, rel=0.1)


def test_overlapping_claws_part_where_they_are_equally_likely() -> None:
    outputs = said(claw_a=circle(100.0, 100.0, 40.0), claw_b=circle(160.0, 100.0, 40.0))
    left, right = (regions(logits) for logits in parted(outputs))
    assert len(left) == len(right) == 1
    assert left[0].intersection(right[0]).area < 1.0
    assert left[0].bounds[2] == pytest.approx(130.0, abs=0.1)
    assert right[0].bounds[0] == pytest.approx(130.0, abs=0.1)


def test_holes_and_specks_do_not_count() -> None:
    logits = np.minimum(circle(100.0, 100.0, 50.0), -circle(100.0, 100.0, 10.0))
    logits = np.maximum(logits, circle(220.0, 30.0, 3.0))
    (found,) = regions(logits)
    assert not found.interiors
    assert found.area == pytest.approx(np.pi * 50.0**2, rel=0.01)
    assert regions(np.full(_SIZE, -3.0, np.float32)) == []


def test_what_something_in_front_hides_is_bridged_and_told() -> None:
    strap = np.clip(5.0 - np.abs(_COLUMNS - 105.0), -8.0, 8.0).astype(np.float32)
    whole = circle(100.0, 100.0, 50.0)
    outputs = said(claw_a=np.minimum(whole, -strap), occluder=strap)
    mask = outline_of(parted(outputs)[0], outputs, _AS_IS, None)
    assert mask is not None
    assert mask.polygon.area == pytest.approx(np.pi * 100.0**2, rel=0.01)
    assert mask.bridged == pytest.approx(10.0 / (np.pi * 50.0 / 2), rel=0.15)
    # The same gap with nothing in front of it is the edge of the horn.
    outputs = said(claw_a=np.minimum(whole, -strap))
    bare = outline_of(parted(outputs)[0], outputs, _AS_IS, None)
    assert bare is not None and bare.bridged == 0.0
    assert bare.polygon.area < 0.6 * mask.polygon.area


def test_the_reference_is_no_horn() -> None:
    outputs = said(claw_a=circle(100.0, 100.0, 50.0))
    card = np.array([(0.0, 0.0), (120.0, 0.0), (120.0, 380.0), (0.0, 380.0)])
    mask = outline_of(parted(outputs)[0], outputs, _AS_IS, card)
    assert mask is not None
    # The card reaches over the circle's chord; the circle's hull cannot bridge what the card leaves no far side of.
    assert mask.polygon.intersection(shapely.Polygon(card)).area < 0.02 * mask.polygon.area


@given(x=st.floats(20, 490), y=st.floats(20, 360), turn=st.floats(-3, 3), scale=st.floats(0.2, 3.0))
@settings(deadline=None, max_examples=25)
def test_a_landmark_is_found_below_a_cell_in_the_photo(x: float, y: float, turn: float, scale: float) -> None:
    c, s = scale * np.cos(turn), scale * np.sin(turn)
    crop = Crop(_AS_IS.picture, np.array([[c, -s, 40.0], [s, c, -7.0]]))
    outputs = said()
    height, width = outputs.landmarks.shape[1:]
    rows, columns = np.mgrid[0:height, 0:width]
    cx, cy = (np.array([x, y]) + 0.5) / LANDMARK_STEP - 0.5
    outputs.landmarks[1] = -0.5 * ((columns - cx) ** 2 + (rows - cy) ** 2) / 0.8**2
    outputs.facts[12] = np.log(2.5)
    found = landmarks_of(outputs, crop)["T"]
    expected = crop.to_photo(np.array([x, y]))
    assert np.hypot(found.x - expected[0], found.y - expected[1]) * scale < 0.15
    assert found.sigma_px == pytest.approx(2.5 / scale, rel=0.02)
    # Heat at another place says that the landmark may as well lie there.
    outputs.landmarks[1] = np.logaddexp(outputs.landmarks[1], outputs.landmarks[1][::-1, ::-1] - np.log(4.0))
    if np.hypot(x - 256, y - 192) > 60:
        assert landmarks_of(outputs, crop)["T"].sigma_px > 10.0 / scale
