"""What is blurred carries nothing but a few colours; what is kept is as it was."""

from __future__ import annotations

from dataclasses import replace

import cv2
import numpy as np
import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st

from clawvision.output.blur import CELLS, blurred_around, kept_area, kept_of
from clawvision.output.picture import annotate
from clawvision.types import ByteArray, Photo, frozen_mapping
from tests.output import made

CARD = np.array([(100.0, 100.0), (440.0, 100.0), (440.0, 314.0), (100.0, 314.0)])


def noise(seed: int, width: int, height: int) -> ByteArray:
    """A picture that is all detail."""
    return np.random.default_rng(seed).integers(0, 256, (height, width, 3), np.uint8)


def inside(area: shapely.Geometry, width: int, height: int) -> np.ndarray:
    y, x = np.mgrid[:height, :width]
    return shapely.contains_xy(area, x.ravel(), y.ravel()).reshape(height, width)


def detail(pixels: np.ndarray, where: np.ndarray) -> float:
    """Return the root mean square of what a pixel differs from its neighbours' mean, grey levels."""
    grey = pixels.astype(np.float32).mean(axis=2)
    around = cv2.blur(grey, (9, 9))
    return float(np.sqrt(np.mean((grey - around)[where] ** 2)))


@settings(max_examples=25, deadline=None)
@given(
    seed=st.integers(0, 2**32 - 1),
    width=st.integers(200, 700),
    height=st.integers(200, 700),
    middle=st.tuples(st.floats(-0.1, 1.1), st.floats(-0.1, 1.1)),
    reach=st.floats(0.02, 0.5),
)
def test_inside_all_stays_outside_no_detail_is_left(
    seed: int, width: int, height: int, middle: tuple[float, float], reach: float
) -> None:
    pixels = noise(seed, width, height)
    area = shapely.Point(middle[0] * width, middle[1] * height).buffer(reach * max(width, height))
    blurred = blurred_around(pixels, area)
    assert np.array_equal(
        blurred[inside(area.buffer(-1.5), width, height)], pixels[inside(area.buffer(-1.5), width, height)]
    )
    # Beside the area's edge the sharp side counts among the neighbours.
    outside = ~inside(area.buffer(8.0), width, height)
    if outside.any():
        assert detail(pixels, outside) > 30.0
        assert detail(blurred, outside) < 1.0


@pytest.mark.parametrize(("width", "height"), [(1200, 900), (900, 1200)])
def test_nothing_but_the_mean_colours_of_the_cells_can_be_told(width: int, height: int) -> None:
    """Pixels put in another order within their cells make the same picture: what they showed cannot be got back."""
    side = max(width, height) // CELLS
    pixels = noise(7, width, height)
    cells = pixels.reshape(height // side, side, width // side, side, 3).swapaxes(1, 2).reshape(-1, side * side, 3)
    shuffled = np.random.default_rng(8).permuted(cells, axis=1)
    back = shuffled.reshape(height // side, width // side, side, side, 3).swapaxes(1, 2).reshape(height, width, 3)
    assert not np.array_equal(back, pixels)
    # A mean may be rounded another way.
    difference = blurred_around(pixels, shapely.Polygon()).astype(int) - blurred_around(back, shapely.Polygon())
    assert np.abs(difference).max() <= 1


def test_a_face_as_large_as_a_claw_is_a_handful_of_cells() -> None:
    assert 0.45 * CELLS < 6


def test_of_a_plain_card_only_the_rim_is_kept() -> None:
    """It may be a bank card: number and name lie inside."""
    middle = shapely.Point(270.0, 207.0)
    assert kept_area((), "card", CARD).contains(middle)
    plain = kept_area((), "id1", CARD)
    assert plain.contains(shapely.LinearRing(CARD))
    assert not plain.intersects(shapely.box(120.0, 120.0, 420.0, 294.0))


def test_of_two_points_the_strip_between_them_is_kept() -> None:
    area = kept_area((), "points", np.array([(100.0, 100.0), (500.0, 100.0)]))
    assert area.contains(shapely.Point(300.0, 100.0))
    assert not area.intersects(shapely.Point(300.0, 130.0))


def test_what_cannot_be_drawn_is_not_kept() -> None:
    for points in (np.empty((0, 2)), np.array([(np.nan, 1.0), (2.0, 3.0), (4.0, 4.0)])):
        assert kept_area([points], None, None).is_empty
    assert kept_area([np.array([(1.0, 1.0), (5.0, 5.0)])], None, None).area > 0


def _noisy() -> Photo:
    return replace(made.photo(), pixels=noise(3, made.WIDTH, made.HEIGHT))


def _top_of_photo(sharp: np.ndarray, photo: Photo) -> int:
    """Return the row of the annotated picture where the photo begins; nothing is drawn in its upper right corner.

    The strip above covers its first row.
    """
    return next(row for row in range(len(sharp)) if np.array_equal(sharp[row + 1, -40:], photo.pixels[1, -40:]))


def test_the_picture_keeps_claw_and_card_and_nothing_else() -> None:
    photo, result = _noisy(), made.side_result()
    sharp, blurred = (np.asarray(annotate(photo, result, blur_background=blur)) for blur in (False, True))
    assert sharp.shape == blurred.shape
    area = kept_of(result)
    claw, scale = result.claws["outer"].outline_px, result.scale
    assert claw is not None and scale is not None
    assert area.contains(shapely.Polygon(claw)) and area.contains(shapely.Polygon(scale.reference.outline_px))
    top = _top_of_photo(sharp, photo)
    sharp, blurred = sharp[top : top + made.HEIGHT], blurred[top : top + made.HEIGHT]
    kept = inside(area.buffer(-2.0), made.WIDTH, made.HEIGHT)
    assert np.array_equal(sharp[kept], blurred[kept])
    # Left of and above all that is drawn.
    corner = np.zeros(kept.shape, dtype=bool)
    corner[10:180, 10:180] = True
    assert not inside(area, made.WIDTH, made.HEIGHT)[corner].any()
    assert detail(blurred, corner) < 1.0 < 30.0 < detail(sharp, corner)
    # Labels and lines are drawn on either alike; most of the rest differs.
    assert (sharp != blurred).any(axis=2)[~inside(area.buffer(2.0), made.WIDTH, made.HEIGHT)].mean() > 0.8


@pytest.mark.parametrize("with_claw", [False, True])
def test_of_a_refused_photo_nothing_stays(with_claw: bool) -> None:
    """Whatever was taken for a card or a claw there may be something else."""
    refused = made.refused_result()
    if with_claw:
        side = made.side_result()
        refused = replace(refused, scale=side.scale, claws=frozen_mapping(side.claws))
    assert kept_of(refused).is_empty


def test_an_unreadable_photo_has_its_picture_too() -> None:
    assert annotate(None, made.unread_result(), blur_background=True).width > 0


def test_a_large_photo_is_kept_at_the_same_places_as_a_small_one() -> None:
    """The kept area is scaled with the photo, to a pixel."""
    photo, result = _noisy(), made.side_result()
    large = replace(photo, pixels=np.asarray(cv2.resize(photo.pixels, None, fx=2, fy=2)))
    shift = {
        name: replace(claw, outline_px=None if claw.outline_px is None else 2.0 * claw.outline_px + 0.5)
        for name, claw in result.claws.items()
    }
    bare = replace(result, scale=None, claws=frozen_mapping(result.claws))
    twice = replace(bare, claws=frozen_mapping(shift))
    ratio = kept_of(twice).area / kept_of(bare).area
    assert ratio == pytest.approx(4.0, rel=1e-6)
    assert annotate(large, twice, blur_background=True).width == annotate(photo, bare, blur_background=True).width
