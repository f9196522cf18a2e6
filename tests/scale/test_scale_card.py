"""The printed card: found under tilt, blur, dark and cover, its corners true to a small part of a pixel."""

from __future__ import annotations

import numpy as np
import pytest

from clawvision.scale.card import find_card
from clawvision.scale.geometry import card_corners
from clawvision.types import ByteArray, FloatArray

from .scenes import Pose, camera, card_sheet, ground, photograph, pose


def _picture(where: Pose, sheet: FloatArray | None = None, **options: float) -> ByteArray:
    shape = (where.camera.height, where.camera.width)
    return photograph(card_sheet() if sheet is None else sheet, where, ground(shape), **options)  # type: ignore[arg-type]


@pytest.mark.parametrize("tilt, turn", [(0.0, 0.0), (25.0, 40.0), (50.0, 200.0)])
def test_corners_agree_with_opencv_projection(tilt: float, turn: float) -> None:
    where = pose(camera(), tilt_deg=tilt, direction_deg=70.0, turn_deg=turn)
    found = find_card(_picture(where))
    assert found is not None
    assert found.marker_ids == (0, 1, 2, 3)
    error = found.points_px - where.project(found.points_mm)
    # A bias of the pixel convention (half a pixel) would show in the mean; 0.05 px is what the warp itself keeps.
    assert np.abs(error.mean(axis=0)).max() < 0.05
    assert float(np.sqrt((error**2).mean())) < 0.12


def test_outline_covers_the_card() -> None:
    where = pose(camera(), tilt_deg=15.0, turn_deg=100.0)
    found = find_card(_picture(where))
    assert found is not None
    assert np.abs(found.outline_px - where.project(card_corners())).max() < 0.5


@pytest.mark.parametrize("hidden", [(0, 2), (1, 3), (0, 3), (2, 3), (0,)])
def test_any_two_markers_are_enough(hidden: tuple[int, ...]) -> None:
    where = pose(camera(), tilt_deg=12.0, direction_deg=20.0, turn_deg=-30.0)
    found = find_card(_picture(where, card_sheet(hidden=hidden)))
    assert found is not None
    assert set(found.marker_ids) == {0, 1, 2, 3} - set(hidden)
    assert found.reasons == ()


def test_one_marker_is_said_and_less_sure() -> None:
    where = pose(camera(), tilt_deg=12.0)
    every = find_card(_picture(where))
    one = find_card(_picture(where, card_sheet(hidden=(0, 1, 2))))
    assert every is not None and one is not None
    assert one.marker_ids == (3,)
    assert [r.code for r in one.reasons] == ["one_marker"]
    assert one.sigma_px > every.sigma_px


def test_dark_noisy_blurred_card_is_found() -> None:
    where = pose(camera(), tilt_deg=20.0, turn_deg=10.0)
    sheet = card_sheet() * 0.25
    picture = photograph(sheet, where, ground((768, 1024), level=25.0, relief=5.0), blur_px=2.0, noise=3.0)
    found = find_card(picture)
    assert found is not None
    assert len(found.marker_ids) >= 2
    assert np.abs(found.points_px - where.project(found.points_mm)).max() < 1.0


def test_marker_of_another_card_is_dropped() -> None:
    # Marker 1 stands where marker 2 belongs: one of the two cannot be of this card.
    where = pose(camera())
    found = find_card(_picture(where, card_sheet(hidden=(1,), ids={2: 1})))
    assert found is not None
    assert set(found.marker_ids) == {0, 3}


def test_larger_of_two_cards_wins() -> None:
    near = pose(camera(), distance_mm=350.0, middle_px=(280.0, 400.0))
    far = pose(camera(), distance_mm=600.0, middle_px=(760.0, 320.0), turn_deg=15.0)
    background = photograph(card_sheet(), far, ground((768, 1024)), blur_px=0.0, noise=0.0).astype(np.float64)
    found = find_card(photograph(card_sheet(), near, background))
    assert found is not None
    assert np.abs(found.points_px - near.project(found.points_mm)).max() < 0.5


def test_foreign_ids_and_bare_ground_are_no_card() -> None:
    where = pose(camera())
    assert find_card(_picture(where, card_sheet(ids={0: 7, 1: 11, 2: 23, 3: 40}))) is None
    assert find_card(np.asarray(np.clip(ground((768, 1024), relief=60.0), 0, 255), dtype=np.uint8)) is None
    assert find_card(np.zeros((300, 400), dtype=np.uint8)) is None
