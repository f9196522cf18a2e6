"""The black gap under a standing claw, which a network may take for horn."""

from __future__ import annotations

from dataclasses import replace

import cv2
import numpy as np
import pytest
import shapely

from clawvision.outline.learned.crop import Pyramid
from clawvision.outline.learned.gap import _spread, without_gap
from clawvision.outline.learned.look import glance, look_closer
from clawvision.outline.learned.segmenter import LearnedSegmenter
from clawvision.types import FloatArray, Photo
from tests.outline.test_learned_segmenter import filled, side_network
from tests.outline.test_outline_find import side_scene
from tests.outline.truth_network import TruthNetwork


def standing(lightness: float, deep: int, soft: float) -> tuple[Photo, TruthNetwork, FloatArray, FloatArray]:
    """Return a side photo with a dark strip under the claw, a network that takes it for horn, and both outlines."""
    photo, _, truth = side_scene()
    heel, toe = truth[2:-1], truth[1]
    sole = heel[heel[:, 1] > heel[:, 1].max() - 1.0].mean(axis=0)
    low = truth.copy()
    low[(truth[:, 1] > toe[1] - 1.0)] += (0.0, float(deep))
    strip = np.array([toe, sole, (sole[0] - 10.0, sole[1] + deep), (toe[0] + 10.0, toe[1] + deep)])
    grey = cv2.cvtColor(np.float32([[[lightness, 0.0, 0.0]]]), cv2.COLOR_LAB2RGB) * 255.0
    mask = filled(strip, (photo.width, photo.height)).astype(np.float64)
    if soft:
        mask = np.minimum(cv2.GaussianBlur(mask, (0, 0), soft) * 2.0, 1.0)
    pixels = photo.pixels * (1.0 - mask[:, :, None]) + grey * mask[:, :, None]
    photo = replace(photo, pixels=np.round(pixels).astype(np.uint8))
    return photo, side_network(photo, low), truth, low


def near_sole(outline_px: FloatArray, truth: FloatArray) -> float:
    """Return how far, in pixels, an outline reaches below the true sole between a fifth and four fifths of it."""
    toe, heel = truth[1], truth[2]
    at = toe + np.array([[0.2], [0.35], [0.5], [0.65], [0.8]]) * (heel - toe)
    line = shapely.LineString(np.vstack((outline_px, outline_px[:1])))
    lowest = []
    for x, y in at:
        cut = line.intersection(shapely.LineString([(x, y - 60.0), (x, y + 60.0)]))
        lowest.append(max(cut.bounds[3] - y, -60.0))
    return float(np.median(lowest))


def test_a_black_gap_under_the_claw_is_no_horn() -> None:
    photo, network, truth, low = standing(lightness=4.0, deep=8, soft=0.0)
    seen = near_sole(low, truth)
    assert seen > 6.0
    (claw,) = LearnedSegmenter(network).segment(photo, side_scene()[1], "side").claws
    assert abs(near_sole(claw.outline_px, truth)) < 1.5


@pytest.mark.parametrize(
    ("lightness", "deep", "soft"), [(24.0, 8, 0.0), (4.0, 8, 9.0), (4.0, 40, 0.0)], ids=["mud", "shade", "dark horn"]
)
def test_what_is_lit_or_darkens_slowly_or_goes_far_up_stays_horn(lightness: float, deep: int, soft: float) -> None:
    photo, network, truth, low = standing(lightness, deep, soft)
    pyramid = Pyramid(photo.pixels)
    seen = glance(network, pyramid)
    assert seen is not None
    crop = look_closer(network, pyramid, seen, "side")[-1].crop
    moved = near_sole(without_gap(low, crop), truth) - near_sole(low, truth)
    assert abs(moved) * crop.scale < 1.0


def test_an_outline_without_a_gap_stays_as_it_is() -> None:
    photo, _, truth = side_scene()
    pyramid = Pyramid(photo.pixels)
    network = side_network(photo, truth)
    seen = glance(network, pyramid)
    assert seen is not None
    crop = look_closer(network, pyramid, seen, "side")[-1].crop
    assert without_gap(truth, crop) is truth


def test_a_cut_is_led_on_between_near_places_and_fades_beyond_them() -> None:
    depth, below = np.zeros(400), np.zeros(400, bool)
    below[50:350] = True
    depth[100:110], depth[140:150], depth[260:270] = 4.0, 8.0, 6.0
    led = _spread(depth, below)
    np.testing.assert_array_equal(led[depth > 0.0], depth[depth > 0.0])
    np.testing.assert_allclose(led[109:141], np.interp(np.arange(109, 141), [109, 140], [4.0, 8.0]))
    assert np.abs(np.diff(led)).max() < 0.5  # no step anywhere
    assert led[200:230].max() == 0.0  # too far from any place that is sure
    assert led[~below].max() == 0.0
    np.testing.assert_array_equal(_spread(np.roll(depth, 170), np.roll(below, 170)), np.roll(led, 170))
