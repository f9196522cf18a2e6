"""Camera, order of trust, offsets and reasons."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from clawvision.errors import PhotoRefused, UsageError
from clawvision.scale.camera import camera_for
from clawvision.scale.find import _is_long, find_scale, unconfirmed, with_offset
from clawvision.scale.geometry import card_corners
from clawvision.scale.points import reference_from_points
from clawvision.types import ByteArray, Exif, FloatArray, Photo, PhotoRequest, Reduction, Reference, Settings

from .rulers import WIDTH as RULER_WIDTH
from .rulers import sheet as ruler
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


def test_a_card_lost_among_a_walls_edges_is_found_from_near() -> None:
    """A brick wall has more straight edges than are looked at in a whole picture."""
    wall = ground((768, 1024)).copy()
    for row, top in enumerate(range(0, 768, 24)):
        wall[top : top + 4] = 60.0
        for left in range(45 * (row % 2), 1024, 90):
            wall[top : top + 24, left : left + 4] = 60.0
    where = pose(camera(), 6.0, 40.0, 12.0, distance_mm=800.0)
    photo = _photo(photograph(plain_sheet(240.0), where, wall))
    with pytest.raises(PhotoRefused):
        find_scale(photo, REQUEST, Settings())
    corners = where.project(card_corners())
    asked = []

    def rough() -> list[FloatArray]:
        asked.append(1)
        return [np.array([corners.min(axis=0) - 8.0, corners.max(axis=0) + 15.0])]

    scale = find_scale(photo, REQUEST, Settings(), where=rough)
    assert scale.reference.kind == "id1"
    np.testing.assert_allclose(scale.reference.points_px, corners, atol=0.6)
    assert (scale.camera.cx, scale.camera.width) == (511.5, 1024)  # the whole photo's camera, not the window's
    assert np.linalg.norm(scale.translation) == pytest.approx(800.0, rel=0.03)
    assert asked == [1]


def test_nobody_is_asked_where_the_photo_shows_its_card(card_photo: Photo) -> None:
    def never() -> list[FloatArray]:
        raise AssertionError

    assert find_scale(card_photo, REQUEST, Settings(), where=never).reference.kind == "card"


def test_a_box_at_the_frame_or_of_no_size_is_no_error(bare_photo: Photo) -> None:
    for box in ([[-50.0, -50.0], [20.0, 9.0]], [[1000.0, 700.0], [2000.0, 900.0]], [[300.0, 300.0], [300.0, 300.0]]):
        with pytest.raises(PhotoRefused):
            find_scale(bare_photo, REQUEST, Settings(), where=lambda box=box: [np.array(box)])  # type: ignore[misc]


def _reduced(photo: Photo) -> Photo:
    """Return the photo as if its file held twice as many pixels each way."""
    size = (2 * photo.width, 2 * photo.height)
    return replace(photo, stored_size=size, reduction=Reduction(2), file_size=size)


def _rough(box: FloatArray | None) -> tuple[FloatArray, ...]:
    """Return a box (2, 2) as the rough outline of one reference."""
    if box is None:
        return ()
    (left, top), (right, bottom) = box
    return (np.array([(left, top), (right, top), (right, bottom), (left, bottom)]),)


def test_a_reduced_photo_has_the_same_scale_wherever_it_is_said_to_lie(card_photo: Photo) -> None:
    """The box leads to the card quicker; where it leads astray, or nobody tells, the whole photo is searched."""
    photo = _reduced(card_photo)
    outline = np.asarray(find_scale(card_photo, REQUEST, Settings()).reference.outline_px)
    right = np.array([outline.min(axis=0), outline.max(axis=0)])
    half = np.array([right[0], (right[0] + 0.4 * (right[1] - right[0]))])
    astray = np.array([[20.0, 20.0], [90.0, 80.0]])
    for box in (right, half, astray, None):
        scale = find_scale(photo, REQUEST, Settings(), where=lambda box=box: _rough(box))  # type: ignore[misc]
        assert scale.reference.kind == "card" and scale.reference.marker_ids == (0, 1, 2, 3)
        np.testing.assert_allclose(scale.reference.outline_px, outline, atol=0.1)
        # The same angle of view: half the pixels, half the focal length.
        assert scale.camera.fx == pytest.approx(camera_for(photo.exif, *photo.file_size).fx / 2.0)
        assert scale.tilt_deg == pytest.approx(8.0, abs=0.3)


def test_a_printed_card_is_trusted_more_than_what_lies_where_a_reference_is_seen() -> None:
    """A plain card of bank card size in the box, the printed card elsewhere in the photo."""
    elsewhere = replace(WHERE, translation=WHERE.translation + np.array([70.0, 60.0, 120.0]))
    wall = ground((768, 1024))
    both = photograph(plain_sheet(240.0), elsewhere, photograph(card_sheet(), WHERE, wall))
    corners = elsewhere.project(card_corners())
    box = np.array([corners.min(axis=0), corners.max(axis=0)])
    kinds = [
        find_scale(_reduced(_photo(shown)), REQUEST, Settings(), where=lambda: _rough(box)).reference.kind
        for shown in (photograph(plain_sheet(240.0), elsewhere, wall), both)
    ]
    assert kinds == ["id1", "card"]


def test_front_and_rear_views_are_not_looked_at_for_a_reference(card_photo: Photo) -> None:
    def never() -> tuple[FloatArray, ...]:
        raise AssertionError("asked")

    for view in ("front", "rear"):
        request = replace(REQUEST, view=view)
        assert find_scale(_reduced(card_photo), request, Settings(), where=never).reference.kind == "card"


def test_no_card_is_as_long_as_a_ruler() -> None:
    """However a card is turned and tilted up to 60 degrees, it is not taken for a ruler; rulers of 150 × 30 mm are."""
    ruler = np.array([(0.0, 0.0), (150.0, 0.0), (150.0, 30.0), (0.0, 30.0)])
    for direction in range(0, 180, 15):
        assert not _is_long(pose(camera(), 60.0, float(direction), 20.0).project(card_corners()))
        assert _is_long(pose(camera(), 20.0, float(direction), 20.0).project(ruler))


def test_a_ruler_too_fine_for_the_whole_photo_is_found_where_it_is_said_to_lie() -> None:
    """Two pixels to the millimetre, in a whole photo and in one that was read smaller."""
    cam = camera(1152, 864)
    where = pose(cam, 8.0, 70.0, 5.0, cam.fx / 2.3, (560.0, 420.0), (190.0, RULER_WIDTH))
    photo = _photo(photograph(ruler(ink=140.0), where, ground((864, 1152))))
    corners = where.project(np.array([(4.0, 1.0), (150.0, 1.0), (150.0, RULER_WIDTH), (4.0, RULER_WIDTH)]))
    with pytest.raises(PhotoRefused):
        find_scale(photo, REQUEST, Settings())
    for shown in (photo, _reduced(photo)):
        scale = find_scale(shown, REQUEST, Settings(), where=lambda: (corners,))
        assert scale.reference.kind == "ruler"
        assert "tick_assumed" in [each.code for each in scale.reasons]
        first, last = scale.reference.points_px[[0, -1]]
        near, far = where.project(np.array([(10.0, 5.0), (180.0, 5.0)]))
        along = (far - near) / np.linalg.norm(far - near)
        # In pixels of the photo, not of the window around the outline: on the ruler, and as long as it.
        ends = np.sort(np.array([first, last]) @ along) - near @ along
        assert -25.0 < ends[0] < ends[1] < float(np.linalg.norm(far - near)) + 25.0
        px_per_mm = np.linalg.norm(last - first) / np.ptp(scale.reference.points_mm[:, 0])
        assert px_per_mm == pytest.approx(2.3, rel=0.03)


def test_what_only_edges_tell_is_confirmed_by_what_knows_no_edges() -> None:
    outline = np.array([(100.0, 100.0), (400.0, 100.0), (400.0, 130.0), (100.0, 130.0)])
    ruler = Reference("ruler", outline[:2], outline[:2], 0.2, outline)
    over, beside = outline * (0.5, 1.0) + np.array([60.0, 0.0]), outline + np.array([0.0, 200.0])
    assert [why.code for why in unconfirmed(ruler, ())] == ["reference_unconfirmed"]
    assert [why.code for why in unconfirmed(ruler, (beside,))] == ["reference_unconfirmed"]
    assert unconfirmed(ruler, (beside, over)) == ()
    assert unconfirmed(replace(ruler, kind="card"), ()) == ()
    assert unconfirmed(replace(ruler, kind="points"), ()) == ()
