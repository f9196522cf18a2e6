"""Calibrations in files, their choice by EXIF, and how they turn with a photo."""

import json
from dataclasses import replace

import cv2
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from PIL import Image, ImageOps

from clawvision.errors import UsageError
from clawvision.scale.calibration import (
    LensCalibration,
    load_calibrations,
    match_calibration,
    read_calibration,
    to_stored,
)
from clawvision.types import Camera, Exif

EXIF = Exif(make="Hollerbach", model="Weidling 3", focal_mm=5.1, focal_35mm=26.0)
VALUES = {
    "schema": "clawvision/lens/1",
    "make": "Hollerbach",
    "model": "Weidling 3",
    "focal_mm": 5.1,
    "focal_35mm": 26.0,
    "width": 800,
    "height": 600,
    "fx": 610.0,
    "fy": 606.0,
    "cx": 411.0,
    "cy": 289.0,
    "distortion": (-0.21, 0.06, 0.004, -0.007, 0.01),
    "rms_px": 0.21,
    "u_focal_rel": 0.003,
    "reach": 0.9,
    "photos": (),
    "date": "2024-05-03",
    "target": "charuco",
    "square_mm": 35.0,
}
LENS = LensCalibration(**VALUES)
STORED = Camera(800, 600, 610.0, 606.0, 411.0, 289.0, VALUES["distortion"])
POINTS = np.array([(x, y, 500.0) for x in (-280.0, -90.0, 30.0, 260.0) for y in (-210.0, 20.0, 190.0)])


def project(camera, points):
    pixels, _ = cv2.projectPoints(
        points[:, None, :], np.zeros(3), np.zeros(3), camera.matrix, np.array(camera.distortion)
    )
    return pixels.reshape(-1, 2)


def turned_by_pillow(points, orientation):
    """Turn pixels by having Pillow turn a picture in which each of them is one marked pixel."""
    found = []
    for x, y in points:
        pixels = np.zeros((600, 800), np.uint8)
        pixels[round(y), round(x)] = 255
        picture = Image.fromarray(pixels)
        picture.getexif()[0x0112] = orientation
        upright = np.asarray(ImageOps.exif_transpose(picture))
        found.append(np.argwhere(upright == 255)[0][::-1])
    return np.array(found, dtype=float), upright.shape[::-1]


@pytest.mark.parametrize("orientation", range(1, 9))
def test_pixels_turn_as_pillow_turns_pictures(orientation):
    stored = np.array([(0, 0), (799, 599), (17, 401), (640, 33)], dtype=float)
    upright, size = turned_by_pillow(stored, orientation)
    assert np.array_equal(to_stored(upright, *size, orientation), stored)


@pytest.mark.parametrize("orientation", range(1, 9))
@pytest.mark.parametrize("factor", [1.0, 2.0, 0.5])
def test_camera_projects_to_the_turned_pixels(orientation, factor):
    """A point seen through the stored camera, turned, is the turned point seen through the turned camera."""
    width, height = round(800 * factor), round(600 * factor)
    if orientation >= 5:
        width, height = height, width
    stored_px = project(STORED, POINTS)
    upright_px = project(LENS.camera(width, height, orientation), turned_points(orientation))
    back = to_stored(upright_px, width, height, orientation)
    # The centre of a pixel is a whole number, so scaling acts on x + 0.5.
    assert np.abs((back + 0.5) / factor - 0.5 - stored_px).max() < 1e-6


def turned_points(orientation):
    """Turn the scene by what Pillow does to two marked pixels beside the middle: the directions of x and y."""
    marks = np.array([(400, 300), (410, 300), (400, 310)], dtype=float)
    upright, _ = turned_by_pillow(marks, orientation)
    x_axis, y_axis = (upright[1] - upright[0]) / 10, (upright[2] - upright[0]) / 10
    turned = POINTS.copy()
    turned[:, :2] = POINTS[:, :1] * x_axis + POINTS[:, 1:2] * y_axis
    return turned


def test_photo_turned_by_another_program_gets_the_mean_of_both_ways():
    camera = LENS.camera(600, 800, 1)
    ways = [LENS.camera(600, 800, turn) for turn in (6, 8)]
    for name in ("fx", "fy", "cx", "cy"):
        assert getattr(camera, name) == pytest.approx(np.mean([getattr(way, name) for way in ways]))
    assert camera.distortion == pytest.approx(np.mean([way.distortion for way in ways], axis=0))
    assert (camera.fx, camera.fy) == (606.0, 610.0)


@settings(deadline=None, max_examples=40)
@given(orientation=st.integers(1, 8), x=st.floats(0, 799), y=st.floats(0, 599))
def test_turning_keeps_the_pixel_inside_and_can_be_undone(orientation, x, y):
    inverse = {6: 8, 8: 6}.get(orientation, orientation)
    there = to_stored(np.array([(x, y)]), *((800, 600)), inverse)
    size = (600, 800) if orientation >= 5 else (800, 600)
    assert 0 <= there[0, 0] <= size[0] - 1 and 0 <= there[0, 1] <= size[1] - 1
    assert np.allclose(to_stored(there, *size, orientation), [(x, y)])


def test_other_proportions_are_a_mistake_of_the_caller():
    with pytest.raises(ValueError, match="does not fit"):
        LENS.camera(800, 450, 1)


@pytest.mark.parametrize(
    ("changes", "size", "fits"),
    [
        ({}, (800, 600), True),
        ({}, (600, 800), True),
        ({}, (4032, 3024), True),
        ({}, (1600, 900), False),
        ({"make": "HOLLERBACH ", "model": "weidling  3"}, (800, 600), True),
        ({"make": None}, (800, 600), False),
        ({"model": None}, (800, 600), False),
        ({"model": "Weidling 4"}, (800, 600), False),
        ({"focal_35mm": 26.5}, (800, 600), True),
        ({"focal_35mm": 27.0}, (800, 600), False),
        ({"focal_35mm": 52.0}, (800, 600), False),  # digital zoom: the lens's own focal length stays
        ({"focal_35mm": None}, (800, 600), True),
        ({"focal_35mm": None, "focal_mm": 5.2}, (800, 600), False),
        ({"focal_35mm": None, "focal_mm": None}, (800, 600), False),
        ({"focal_35mm": None, "flags": ("focal_digital_zoom",)}, (800, 600), False),
        ({"flags": ("cropped",)}, (800, 600), False),
        ({"orientation": 6}, (600, 800), True),
    ],
)
def test_choice_by_exif(changes, size, fits):
    assert match_calibration([LENS], replace(EXIF, **changes), *size) is (LENS if fits else None)


def test_latest_of_several_is_chosen_whatever_their_order():
    newer = LensCalibration(**{**VALUES, "date": "2025-01-01"})
    surer = LensCalibration(**{**VALUES, "date": "2025-01-01", "u_focal_rel": 0.002})
    for order in ([LENS, newer, surer], [surer, LENS, newer], [newer, surer, LENS]):
        assert match_calibration(order, EXIF, 800, 600) is surer
    assert match_calibration([], EXIF, 800, 600) is None


def test_files_are_read_back_as_written_in_order(tmp_path):
    other = LensCalibration(**{**VALUES, "model": "Weidling 4"})
    (tmp_path / "b.json").write_bytes(LENS.to_json())
    (tmp_path / "a.json").write_bytes(other.to_json())
    (tmp_path / "README.md").write_text("not a calibration")
    assert load_calibrations([tmp_path]) == (other, LENS)
    assert load_calibrations([]) == ()
    assert LENS.file_name == "hollerbach-weidling-3-26mm-equivalent.json"
    assert LensCalibration(**{**VALUES, "model": "../../x/y"}).file_name.count("/") == 0


@pytest.mark.parametrize(
    ("change", "told"),
    [
        ({"fx": float("nan")}, "fx"),
        ({"fx": float("inf")}, "fx"),
        ({"fx": "610"}, "fx"),
        ({"fx": -1.0}, "fx"),
        ({"fx": 3.0}, "fx and fy"),
        ({"distortion": (0.1, 0.1)}, "distortion"),
        ({"cx": 900.0}, "principal point"),
        ({"u_focal_rel": 0.0}, "u_focal_rel"),
        ({"schema": "clawvision/lens/2"}, "schema"),
        ({"date": "yesterday"}, "date"),
        ({"focal_mm": None, "focal_35mm": None}, "focal_mm"),
        ({"comment": "mine"}, "comment"),
        ({"width": None}, "width"),
    ],
)
def test_broken_file_is_named_with_its_fault(tmp_path, change, told):
    (tmp_path / "lens.json").write_text(json.dumps({**VALUES, **change}))
    with pytest.raises(UsageError, match=rf"lens\.json.*{told}"):
        load_calibrations([tmp_path])


@pytest.mark.parametrize("content", [b"", b"{", b"[]", b"\xff\xfe", b"null", b" " * 2_000_000])
def test_no_calibration_at_all_is_named(tmp_path, content):
    (tmp_path / "lens.json").write_bytes(content)
    with pytest.raises(UsageError, match=r"lens\.json"):
        read_calibration(tmp_path / "lens.json")


def test_each_missing_value_is_told(tmp_path):
    for name in set(VALUES) - {"dropped"}:
        (tmp_path / "lens.json").write_text(json.dumps({k: v for k, v in VALUES.items() if k != name}))
        with pytest.raises(UsageError, match=name):
            read_calibration(tmp_path / "lens.json")


def test_missing_folder_and_file_are_named(tmp_path):
    with pytest.raises(UsageError, match="nowhere"):
        load_calibrations([tmp_path / "nowhere"])
    with pytest.raises(UsageError, match=r"none\.json"):
        read_calibration(tmp_path / "none.json")
