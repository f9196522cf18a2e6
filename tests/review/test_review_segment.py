"""Outlines from a few clicks, and stretches moved to the edge, against the true masks of the sample photos."""

from __future__ import annotations

import time

import cv2
import numpy as np
import pytest
import shapely

from clawvision.outline.learned.crop import Crop, Pyramid
from clawvision.outline.learned.network import packaged_network
from clawvision.photo.read import read_photo
from clawvision.review.edges import snapped
from clawvision.review.prior import Prior, bent, look
from clawvision.review.segment import Seeds, segment
from clawvision.types import FloatArray, Settings
from tests.truth import TruePhoto, true_photos

CLICKS = 10
GOOD = 0.95
# Half of the scenes keep the test short; which half was not chosen by their results.
PHOTOS = [photo for photo in true_photos() if photo.scene["seed"] < 105]


def _pixels(photo: TruePhoto) -> np.ndarray:
    return np.asarray(read_photo(photo.folder / photo.name, name=photo.name, settings=Settings())[0].pixels)


def _true_line(photo: TruePhoto, claw: str) -> FloatArray:
    line = photo.outline(claw).outline_px  # type: ignore[arg-type]
    assert line is not None
    return line


def _stretched(line: FloatArray, tip: FloatArray) -> FloatArray:
    """Return an outline that reaches a quarter of the claw's half length beyond the toe, more than 10 mm."""
    middle = line.mean(axis=0)
    length = float(np.hypot(*(tip - middle)))
    along = (tip - middle) / length
    share = np.clip(((line - middle) @ along) / length, 0.0, None) ** 2
    return np.array(line + 0.25 * length * share[:, None] * along)


def _filled(line: FloatArray, shape: tuple[int, ...]) -> np.ndarray:
    mask = np.zeros(shape[:2], dtype=np.uint8)
    cv2.fillPoly(mask, [np.round(line * 16).astype(np.int32)], 1, shift=4)
    return mask


def _iou(one: np.ndarray, other: np.ndarray) -> float:
    return float((one & other).sum() / (one | other).sum())


def _next_click(drawn: np.ndarray, truth: np.ndarray) -> tuple[bool, list[int]]:
    """Return where a person clicks next, in the middle of the widest place that is wrong, and whether it is horn."""
    wide = []
    for horn, wrong in ((True, truth & (1 - drawn)), (False, drawn & (1 - truth))):
        depth = cv2.distanceTransform(np.pad(wrong, 1), cv2.DIST_L2, 5)[1:-1, 1:-1]
        row, column = np.unravel_index(int(depth.argmax()), depth.shape)
        wide.append((float(depth.max()), horn, [int(column), int(row)]))
    _, horn, at = max(wide)
    return horn, at


@pytest.mark.parametrize("photo", PHOTOS, ids=lambda photo: photo.name)
def test_a_few_clicks_put_a_wrong_outline_right(photo: TruePhoto) -> None:
    pixels = _pixels(photo)
    pyramid = Pyramid(pixels)
    for claw in photo.claws:
        truth = _filled(_true_line(photo, claw), pixels.shape)
        line = _stretched(_true_line(photo, claw), photo.landmarks_px(claw)["T"])
        drawn = _filled(line, pixels.shape)
        assert _iou(drawn, truth) < 0.93
        clicks: dict[bool, list[list[int]]] = {True: [], False: []}
        while _iou(drawn, truth) < GOOD and sum(map(len, clicks.values())) < CLICKS:
            horn, at = _next_click(drawn, truth)
            clicks[horn].append(at)
            seeds = Seeds(*(np.array(clicks[kind], dtype=np.float64).reshape(-1, 2) for kind in (True, False)))
            found = segment(pixels, seeds, line, pyramid=pyramid)
            assert found is not None
            line, drawn = found, _filled(found, pixels.shape)
        assert _iou(drawn, truth) >= GOOD, claw


def _by_clicks_alone(photo: TruePhoto, prior: Prior | None) -> list[tuple[float, int]]:
    """Return each claw's agreement and the clicks it took, without any outline to begin with."""
    pixels = _pixels(photo)
    pyramid = Pyramid(pixels)
    reached = []
    for claw in photo.claws:
        truth = _filled(_true_line(photo, claw), pixels.shape)
        line, drawn = None, np.zeros_like(truth)
        clicks: dict[bool, list[list[int]]] = {True: [], False: []}
        while not drawn.any() or (_iou(drawn, truth) < GOOD and sum(map(len, clicks.values())) < CLICKS):
            horn, at = _next_click(drawn, truth)
            clicks[horn].append(at)
            seeds = Seeds(*(np.array(clicks[kind], dtype=np.float64).reshape(-1, 2) for kind in (True, False)))
            line = segment(pixels, seeds, line, anew=True, pyramid=pyramid, prior=prior)
            assert line is not None
            drawn = _filled(line, pixels.shape)
        reached.append((_iou(drawn, truth), sum(map(len, clicks.values()))))
    return reached


def test_clicks_alone_outline_most_soles() -> None:
    """At least eight of ten claws within ten clicks, without any outline to begin with and without the network."""
    reached = [iou for photo in PHOTOS if photo.view == "sole" for iou, _ in _by_clicks_alone(photo, None)]
    assert sum(each >= GOOD for each in reached) >= 8, reached
    assert min(reached) >= 0.85, reached


def _prior(photo: TruePhoto) -> Prior:
    network = packaged_network()
    assert network is not None
    prior = look(network, Pyramid(_pixels(photo)), None)
    assert prior is not None
    return prior


def test_clicks_put_the_network_right() -> None:
    """Every claw within ten clicks, most with one."""
    few = [photo for photo in PHOTOS if photo.scene["seed"] < 103]
    reached = [each for photo in few for each in _by_clicks_alone(photo, _prior(photo))]
    assert min(iou for iou, _ in reached) >= GOOD, reached
    assert np.median([count for _, count in reached]) == 1, reached


def test_a_click_far_from_what_the_network_sees_begins_anew() -> None:
    photo = next(photo for photo in true_photos() if photo.name == "101_side.jpg")
    prior = _prior(photo)
    line = _true_line(photo, "outer")
    away = Seeds(np.array([[30.0, 30.0]]), line[:1])
    assert np.hypot(*(line - away.horn[0]).T).min() > 150
    pixels = _pixels(photo)
    found, without = segment(pixels, away, prior=prior), segment(pixels, away)
    assert (found is None) == (without is None)
    assert found is None or without is None or np.array_equal(found, without)


def test_a_drawn_outline_counts_more_than_the_network() -> None:
    photo = next(photo for photo in true_photos() if photo.name == "101_side.jpg")
    pixels, line = _pixels(photo), _true_line(photo, "outer")
    seeds = Seeds(np.empty((0, 2)), (photo.landmarks_px("outer")["T"])[None])
    with_it = segment(pixels, seeds, line, prior=_prior(photo))
    without = segment(pixels, seeds, line)
    assert with_it is not None and without is not None and np.array_equal(with_it, without)


def test_a_click_moves_what_is_near_and_alike() -> None:
    """Odds against horn everywhere, on a picture of two halves: a click on one half leaves the other as it was."""
    picture = np.full((80, 160, 3), 200, dtype=np.uint8)
    picture[:, 80:] = (60, 70, 90)
    odds = np.full((80, 160), -2.0)
    click = np.array([[74.0, 40.0]])
    out = bent(odds, picture, click, np.empty((0, 2)), 100.0)
    assert out[40, 74] == pytest.approx(3.0, abs=0.1)
    assert out[40, 70] > 0
    assert out[40, 84] == pytest.approx(-2.0, abs=0.1)  # as near, of another colour
    assert out[40, 5] == pytest.approx(-2.0, abs=0.1)  # as alike, far away
    both = bent(odds, picture, click, click, 100.0)
    assert np.isfinite(both).all() and np.abs(both).max() < 6.0


def test_a_neighbour_is_not_covered_and_other_pieces_do_not_count() -> None:
    """The network sees one claw in two pieces; the click means the smaller one."""
    cells = np.full((2, 192, 256), -4.0, dtype=np.float32)
    cells[0, 40:150, 20:120] = 4.0
    cells[0, 60:120, 150:230] = 4.0
    prior = Prior(Crop(np.zeros((384, 512, 3), np.uint8), np.eye(2, 3)), cells)
    pixels = np.full((384, 512, 3), 120, dtype=np.uint8)
    seeds = Seeds(np.array([[150.0, 180.0]]), np.empty((0, 2)))
    whole = segment(pixels, seeds, prior=prior)
    assert whole is not None
    assert shapely.Polygon(whole).area == pytest.approx(4 * 110 * 100, rel=0.02)
    beside = np.array([[30.0, 70.0], [120, 70], [120, 310], [30, 310]])
    rest = segment(pixels, seeds, neighbours=[beside], prior=prior)
    assert rest is not None
    overlap = shapely.Polygon(rest).intersection(shapely.Polygon(beside)).area
    assert overlap < 0.02 * shapely.Polygon(beside).area


def test_clicks_alone_outline_a_claw_that_stands_out() -> None:
    photo = next(photo for photo in true_photos() if photo.name == "108_side.jpg")
    pixels = _pixels(photo)
    line = shapely.Polygon(_true_line(photo, "outer")).buffer(0)
    size = float(np.sqrt(line.area))
    horn = [line.buffer(-0.14 * size).exterior.interpolate(share, normalized=True) for share in np.arange(4) / 4]
    other = [line.buffer(0.13 * size).exterior.interpolate(share, normalized=True) for share in np.arange(6) / 6]
    seeds = Seeds(*(np.array([[point.x, point.y] for point in points]) for points in (horn, other)))
    began = time.monotonic()
    found = segment(pixels, seeds)
    assert time.monotonic() - began < 1.0
    assert found is not None
    assert _iou(_filled(found, pixels.shape), _filled(_true_line(photo, "outer"), pixels.shape)) >= GOOD


def test_what_no_click_contradicts_stays_as_it_is() -> None:
    photo = next(photo for photo in true_photos() if photo.name == "101_side.jpg")
    pixels = _pixels(photo)
    line = _true_line(photo, "outer")
    middle = line.mean(axis=0)
    agreed = segment(pixels, Seeds(middle[None], np.array([[5.0, 5.0]])), line)
    assert agreed is not None and np.array_equal(agreed, line)
    # A click that contradicts it moves the outline near itself, and not at the claw's other end.
    tip = photo.landmarks_px("outer")["T"]
    wrong = _stretched(line, tip)
    beyond = tip + 0.12 * (tip - middle)
    mended = segment(pixels, Seeds(np.empty((0, 2)), beyond[None]), wrong)
    assert mended is not None
    polygons = [shapely.Polygon(each).buffer(0) for each in (wrong, mended)]
    changed = polygons[0].symmetric_difference(polygons[1]).buffer(-1.0)
    assert changed.area > 100
    reach = max(float(np.hypot(*(np.array(place) - beyond))) for place in shapely.get_coordinates(changed))
    assert reach < 0.5 * float(np.hypot(*(tip - middle)))


def test_clicks_that_leave_nothing_give_nothing() -> None:
    pixels = np.full((300, 300, 3), 90, dtype=np.uint8)
    assert segment(pixels, Seeds(np.empty((0, 2)), np.array([[5.0, 5.0]]))) is None


def test_a_stretch_goes_to_the_edge_and_the_rest_stays() -> None:
    """A disc drawn 3 px too large, of which a quarter is moved to the edge."""
    rows, columns = np.mgrid[:400, :400]
    disc = np.hypot(columns - 200, rows - 200) < 100
    noise = np.random.default_rng(3).normal(0, 4, (400, 400, 1))
    pixels = np.clip(np.where(disc[..., None], 90, 170) + noise, 0, 255).astype(np.uint8).repeat(3, axis=2)
    turn = np.linspace(0, 2 * np.pi, 240, endpoint=False)
    line = 200 + 103 * np.column_stack((np.cos(turn), np.sin(turn)))
    moved = snapped(Pyramid(pixels), line, 210, 30, 8.0)  # across the outline's beginning
    away = np.hypot(*(moved - 200).T)
    assert away[np.r_[230:240, 0:10]] == pytest.approx(100.0, abs=0.5)
    assert np.array_equal(moved[31:210], line[31:210])


def test_clicks_on_a_picture_that_is_all_horn_end_well() -> None:
    pixels = np.random.default_rng(4).integers(80, 110, (300, 300, 3)).astype(np.uint8)
    frame = np.array([[-3.0, -3.0], [150, -4], [303, -3], [304, 150], [303, 303], [150, 304], [-3, 303], [-4, 150]])
    for anew in (False, True):
        for seeds in (Seeds(np.array([[150.0, 150.0]]), np.empty((0, 2))), Seeds(np.empty((0, 2)), frame[:1] + 20)):
            found = segment(pixels, seeds, frame, anew=anew)
            assert found is None or shapely.Polygon(found).is_valid
