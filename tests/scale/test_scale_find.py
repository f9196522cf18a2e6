"""Camera, order of trust, offsets and reasons."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from clawvision.errors import PhotoRefused, UsageError
from clawvision.scale.camera import camera_for
from clawvision.scale.find import find_scale, with_offset
from clawvision.scale.points import reference_from_points
from clawvision.types import ByteArray, Exif, Photo, PhotoRequest, Settings

from .scenes import camera, card_sheet, ground, photograph, plain_sheet, pose

REQUEST = PhotoRequest(path=Path("photo.jpg"), name="photo.jpg")
WHERE = pose(camera(), 8.0, 40.0, 12.0)


def _photo(grey: ByteArray, exif: Exif | None = None) -> Photo:
    pixels = np.stack([grey] * 3, axis=-1)
    return Photo("photo.jpg", "", pixels, exif or Exif(focal_35mm=28.0), (grey.shape[1], grey.shape[0]))


@pytest.fixture(scope="module")
def card_photo() -> Photo:
    return _photo(photograph(card_sheet(), WHERE, ground((768, 1024))))


@pytest.fixture(scope="module")
def bare_photo() -> Photo:
    return _photo(np.asarray(np.clip(ground((768, 1024)), 0, 255), dtype=np.uint8))


def test_focal_length_by_its_definition() -> None:
    # Exif tag 0xA405 by CIPA DCG-001: the same angle of view across the diagonal as on 36 × 24 mm.
    cam = camera_for(Exif(focal_35mm=50.0), 3600, 2400)
    half_angle = np.arctan(np.hypot(36.0, 24.0) / 2.0 / 50.0)
    assert np.arctan(np.hypot(3600, 2400) / 2.0 / cam.fx) == pytest.approx(half_angle, rel=1e-4)
    assert cam.source == "exif"
    assert (cam.cx, cam.cy) == (1799.5, 1199.5)


def test_focal_length_without_exif_is_assumed_and_doubtful() -> None:
    cam = camera_for(Exif(), 4000, 3000)
    assert cam.source == "assumed"
    assert cam.u_focal_rel > 0.1
    assert camera_for(Exif(focal_35mm=0.0), 4000, 3000).source == "assumed"


def test_cropped_picture_makes_exif_less_sure() -> None:
    whole = camera_for(Exif(focal_35mm=26.0), 4000, 3000)
    square = camera_for(Exif(focal_35mm=26.0), 3000, 3000)
    assert square.u_focal_rel > whole.u_focal_rel


def test_calibration_wins() -> None:
    given = replace(camera(), source="calibration", fx=999.0)
    assert camera_for(Exif(focal_35mm=26.0), 1024, 768, given) is given


def test_card_gives_the_scale(card_photo: Photo) -> None:
    scale = find_scale(card_photo, replace(REQUEST, view="side"), Settings())
    assert scale.reference.kind == "card"
    assert scale.offset_mm == 25.0
    assert [r.code for r in scale.reasons] == ["offset_default"]
    assert scale.tilt_deg == pytest.approx(8.0, abs=0.3)


def test_card_comes_before_given_points(card_photo: Photo) -> None:
    request = replace(REQUEST, points=(10.0, 10.0, 400.0, 10.0, 5.0))
    assert find_scale(card_photo, request, Settings()).reference.kind == "card"


def test_print_scale_multiplies(card_photo: Photo) -> None:
    one = find_scale(card_photo, REQUEST, Settings())
    other = find_scale(card_photo, REQUEST, Settings(print_scale=0.97, u_print_rel=0.004))
    assert other.distance_mm == pytest.approx(0.97 * one.distance_mm, rel=2e-3)
    assert other.reference.u_size_rel == 0.004


def test_offset_by_view_and_request(card_photo: Photo) -> None:
    scale = find_scale(card_photo, REQUEST, Settings())
    assert scale.offset_mm == 0.0
    side = with_offset(scale, "side", REQUEST)
    assert (side.offset_mm, [r.code for r in side.reasons]) == (25.0, ["offset_default"])
    assert with_offset(side, "sole", REQUEST).offset_mm == 0.0
    given = with_offset(side, "side", replace(REQUEST, offset_mm=0.0))
    assert (given.offset_mm, given.reasons) == (0.0, ())
    assert given.u_offset_mm < side.u_offset_mm


def test_focal_assumed_is_said(card_photo: Photo) -> None:
    scale = find_scale(replace(card_photo, exif=Exif()), REQUEST, Settings())
    assert "focal_assumed" in [r.code for r in scale.reasons]


def test_plain_card_is_said() -> None:
    photo = _photo(photograph(plain_sheet(), WHERE, ground((768, 1024))))
    scale = find_scale(photo, replace(REQUEST, view="sole"), Settings())
    assert scale.reference.kind == "id1"
    assert [r.code for r in scale.reasons] == ["plain_card", "offset_default"]


def test_given_points_serve_where_nothing_is_found(bare_photo: Photo) -> None:
    scale = find_scale(bare_photo, replace(REQUEST, points=(100.0, 100.0, 400.0, 100.0, 90.0)), Settings())
    assert scale.reference.kind == "points"
    assert scale.offset_mm == 0.0


def test_nothing_of_known_size_is_refused(bare_photo: Photo) -> None:
    with pytest.raises(PhotoRefused) as refusal:
        find_scale(bare_photo, REQUEST, Settings())
    assert refusal.value.reason.code == "no_reference"


@pytest.mark.parametrize(
    "points",
    [(0.0, 0.0, 1.0, 0.0, 50.0), (0.0, 0.0, 100.0, 0.0, 0.0), (0.0, 0.0, float("nan"), 0.0, 50.0)],
)
def test_impossible_points_are_an_error(points: tuple[float, float, float, float, float]) -> None:
    with pytest.raises(UsageError):
        reference_from_points(points)
