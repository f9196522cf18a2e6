"""Lenses recovered from made-up photos of the printed targets, taken by a camera that is known."""

import json
from functools import cache

import cv2
import numpy as np
import pytest
from click.testing import CliRunner
from PIL import Image

from clawvision.cli.calibrate import calibrate as command
from clawvision.errors import UsageError
from clawvision.printing.drawing import Drawing, moved
from clawvision.printing.png import render
from clawvision.printing.target import board
from clawvision.scale.calibrate import calibrate, find_corners
from clawvision.scale.calibration import read_calibration
from clawvision.scale.target import TARGETS
from clawvision.types import Exif, Photo

WIDTH, HEIGHT = 800, 600
MATRIX = np.array([(640.0, 0, 412.0), (0, 640.0, 290.0), (0, 0, 1)])
DISTORTION = np.array((-0.12, 0.05, 0.002, -0.003, 0.0))
EXIF = Exif(make="Hollerbach", model="Weidling 3", focal_mm=5.1, focal_35mm=27.0)  # the true one is 27.7
MARGIN, SHARPNESS = 15.0, 6.0  # white paper around the target, mm; pixels a mm

# Turn about x and y in degrees, then the middle of the target in mm, as the camera sees it.
POSES = [
    (0, 0, 0, 0, 340),
    (0, 30, 20, 0, 350),
    (0, -30, -20, 10, 350),
    (28, 0, 0, 20, 350),
    (-28, 0, 10, -20, 350),
    (20, 25, 40, 30, 360),
    (-20, 25, -40, -30, 360),
    (22, -22, 40, -30, 360),
]


@cache
def printed(kind):
    """Return the target on its paper as pixels, and how many of them go to a mm."""
    target = TARGETS[kind]
    size = (target.columns * target.square_mm + 2 * MARGIN, target.rows * target.square_mm + 2 * MARGIN)
    dpi = round(SHARPNESS * 25.4)
    return np.asarray(render(Drawing(*size, "", moved(board(target), MARGIN, MARGIN)), dpi)), dpi / 25.4


@cache
def rays():
    """Return the direction of each pixel's ray, (N, 3), by OpenCV's own undistortion."""
    grid = np.stack(np.meshgrid(np.arange(WIDTH), np.arange(HEIGHT)), axis=-1).reshape(-1, 1, 2).astype(np.float64)
    return np.column_stack((cv2.undistortPoints(grid, MATRIX, DISTORTION).reshape(-1, 2), np.ones(WIDTH * HEIGHT)))


def photo_of(kind, pose, name="x.jpg", exif=EXIF, noise=2.0):
    """Return a photo of the target: what each pixel's ray meets on its plane."""
    target = TARGETS[kind]
    size = np.array((target.columns, target.rows)) * target.square_mm
    print_, per_mm = printed(kind)
    rotation, _ = cv2.Rodrigues(np.radians((pose[0], 0.0, 0.0)))
    rotation = cv2.Rodrigues(np.radians((0.0, pose[1], 0.0)))[0] @ rotation
    translation = np.array(pose[2:], float) - rotation @ np.append(size / 2, 0.0)
    # On the plane z = 0 of the target: reach * ray = rotation @ p + translation.
    directions, start = rays() @ rotation, -rotation.T @ translation
    places = start[:2] - (start[2] / directions[:, 2])[:, None] * directions[:, :2]
    pixels = ((places + MARGIN) * per_mm - 0.5).reshape(HEIGHT, WIDTH, 2).astype(np.float32)
    soft = cv2.GaussianBlur(print_, (0, 0), 0.5 * per_mm * pose[4] / MATRIX[0, 0])
    grey = cv2.remap(soft, pixels, None, cv2.INTER_LINEAR, borderMode=cv2.BORDER_CONSTANT, borderValue=(90,))
    grey = 30 + grey * 0.75 + np.random.default_rng(abs(hash(pose)) % 2**32).normal(0, noise, grey.shape)
    rgb = np.repeat(np.clip(np.rint(grey), 0, 255).astype(np.uint8)[:, :, None], 3, axis=2)
    return Photo(name, "0" * 64, rgb, exif, (WIDTH, HEIGHT))


@pytest.fixture(scope="module")
def charuco_photos():
    return [photo_of("charuco", pose, f"{n}.jpg") for n, pose in enumerate(POSES)]


def turned(photo, orientation):
    """Return the same photo by a camera held otherwise: its pixels upright, the turn in its EXIF data."""
    turn = {3: cv2.ROTATE_180, 6: cv2.ROTATE_90_CLOCKWISE, 8: cv2.ROTATE_90_COUNTERCLOCKWISE}[orientation]
    exif = Exif(EXIF.make, EXIF.model, None, EXIF.focal_mm, EXIF.focal_35mm, orientation)
    return Photo(photo.name, photo.sha256, cv2.rotate(photo.pixels, turn), exif, photo.stored_size)


def assert_true(lens):
    assert lens.fx == pytest.approx(640.0, rel=0.005)
    assert lens.fy == pytest.approx(640.0, rel=0.005)
    assert lens.rms_px < 0.5
    assert abs(lens.fx / 640.0 - 1) < 3 * lens.u_focal_rel
    assert (lens.cx, lens.cy) == pytest.approx((412.0, 290.0), abs=3.0)
    # What counts is where pixels end up: within the picture that the target reached.
    grid = np.stack(np.meshgrid(np.linspace(60, 740, 9), np.linspace(60, 540, 7)), axis=-1).reshape(-1, 1, 2)
    true = cv2.undistortPoints(grid, MATRIX, DISTORTION).reshape(-1, 2)
    camera = lens.camera(WIDTH, HEIGHT, 1)
    found = cv2.undistortPoints(grid, camera.matrix, np.array(camera.distortion)).reshape(-1, 2)
    assert np.abs(found - true).max() * 640 < 3.0


def test_charuco_gives_the_lens_back(charuco_photos):
    lens = calibrate(iter(charuco_photos), TARGETS["charuco"], date="2025-03-01")
    assert_true(lens)
    assert (lens.width, lens.height, lens.make, lens.model) == (WIDTH, HEIGHT, "Hollerbach", "Weidling 3")
    assert [view.photo for view in lens.photos] == [f"{n}.jpg" for n in range(8)]
    assert lens.dropped == ()
    told = [view.tilt_deg for view in lens.photos]
    true = [np.degrees(np.arccos(np.cos(np.radians(p[0])) * np.cos(np.radians(p[1])))) for p in POSES]
    assert told == pytest.approx(true, abs=1.0)
    # Refocusing alone, by the thin lens equation, is worth 5.1 * (1/400 - 1/1000) / sqrt(12) = 0.22 %.
    assert 0.0022 < lens.u_focal_rel < 0.006


def test_chessboard_gives_the_lens_back():
    photos = [photo_of("chessboard", pose, f"{n}.jpg") for n, pose in enumerate(POSES)]
    assert_true(calibrate(photos, TARGETS["chessboard"]))


def test_chessboard_corners_are_the_same_in_a_larger_picture():
    """They are searched in a smaller copy, so what is found there has to be put in its place again."""
    photo = photo_of("chessboard", POSES[3], noise=0.0)
    large = cv2.resize(photo.pixels, (2400, 1800), interpolation=cv2.INTER_CUBIC)
    in_small, known = find_corners(photo, TARGETS["chessboard"])
    in_large, _ = find_corners(Photo("l.jpg", "", large, EXIF, (2400, 1800)), TARGETS["chessboard"])
    assert known.shape == (54, 3)
    assert np.abs((in_large + 0.5) / 3 - 0.5 - in_small).max() < 0.1


def test_photos_held_in_any_way_give_the_same_lens(charuco_photos):
    ways = (1, 6, 8, 3, 6, 1, 8, 3)
    photos = [p if way == 1 else turned(p, way) for p, way in zip(charuco_photos, ways, strict=True)]
    assert_true(calibrate(photos, TARGETS["charuco"]))


def test_what_does_not_fit_is_left_out_and_named(charuco_photos):
    blank = Photo("blank.jpg", "0" * 64, np.full((HEIGHT, WIDTH, 3), 128, np.uint8), EXIF, (WIDTH, HEIGHT))
    zoomed = photo_of("charuco", POSES[0], "zoomed.jpg", Exif("Hollerbach", "Weidling 3", None, 5.1, 54.0))
    # A photo of a bent print: drawn out by up to 1.5 % of its height to one side.
    x, y = np.meshgrid(np.arange(WIDTH, dtype=np.float32), np.arange(HEIGHT, dtype=np.float32))
    bent = cv2.remap(charuco_photos[1].pixels, x, y + 25 * ((x - 400) / 400) ** 2, cv2.INTER_LINEAR)
    photos = [*charuco_photos, blank, zoomed, Photo("bent.jpg", "0" * 64, bent, EXIF, (WIDTH, HEIGHT))]
    lens = calibrate(photos, TARGETS["charuco"])
    assert_true(lens)
    reasons = {photo.photo: photo.reason for photo in lens.dropped}
    assert set(reasons) == {"blank.jpg", "zoomed.jpg", "bent.jpg"}
    assert "no target" in reasons["blank.jpg"]
    assert "zoom" in reasons["zoomed.jpg"]
    assert "fits badly" in reasons["bent.jpg"]


def test_too_few_views_are_refused(charuco_photos):
    with pytest.raises(UsageError, match=r"at least 6 photos.*5 of 5"):
        calibrate(charuco_photos[:5], TARGETS["charuco"])
    with pytest.raises(UsageError, match=r"0 of 2 photos.*0\.jpg: no target"):
        calibrate(charuco_photos[:2], TARGETS["chessboard"])
    with pytest.raises(UsageError, match="0 of 0"):
        calibrate([], TARGETS["charuco"])


def test_views_all_alike_are_refused_with_advice():
    """Views of parallel planes leave the focal length open, tilted or not."""
    photos = [photo_of("charuco", (20, 0, 8 * n - 20, 5 * n - 12, 330 + 12 * n)) for n in range(6)]
    with pytest.raises(UsageError, match="Tilt the camera"):
        calibrate(photos, TARGETS["charuco"])


def test_photos_without_camera_are_refused(charuco_photos):
    nameless = [Photo(p.name, p.sha256, p.pixels, Exif(), p.stored_size) for p in charuco_photos]
    with pytest.raises(UsageError, match="EXIF"):
        calibrate(nameless, TARGETS["charuco"])


def test_stretched_print_is_refused(charuco_photos):
    """A printer that draws out one direction by 3 % would pass as a lens with oblong pixels."""
    stretched = []
    x, y = np.meshgrid(np.arange(WIDTH, dtype=np.float32), np.arange(HEIGHT, dtype=np.float32))
    for photo in charuco_photos:
        pixels = cv2.remap(photo.pixels, x, 300 + (y - 300) / 1.03, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
        stretched.append(Photo(photo.name, photo.sha256, pixels, EXIF, photo.stored_size))
    with pytest.raises(UsageError, match="stretched"):
        calibrate(stretched, TARGETS["charuco"])


@pytest.fixture
def folder(tmp_path, charuco_photos):
    exif = Image.Exif()
    exif[0x010F], exif[0x0110] = "Hollerbach", "Weidling 3"
    exif.get_ifd(0x8769)[0xA405] = 27
    for photo in charuco_photos:
        Image.fromarray(photo.pixels).save(tmp_path / photo.name, quality=95, exif=exif)
    (tmp_path / "z.jpg").write_bytes(b"")
    return tmp_path


def test_command_reports_each_view_and_writes_the_file(folder):
    out = folder / "calibration"
    result = CliRunner().invoke(command, [str(folder), "--out", str(out), "--square-mm", "34.9"])
    assert result.exception is None
    (path,) = out.iterdir()
    lens = read_calibration(path)
    assert_true(lens)
    assert lens.square_mm == 34.9
    assert all(f"{n}.jpg: " in result.stdout for n in range(8))
    assert "z.jpg: The file is empty." in result.stdout
    assert f"{lens.rms_px:.2f} px" in result.stdout
    assert "The fit is good." in result.stdout
    assert "of 9" not in result.stdout and "9 of 9" in result.stderr
    assert str(folder) not in json.dumps(json.loads(path.read_text()))


def test_command_writes_nothing_when_refused(folder):
    result = CliRunner().invoke(command, [str(folder / "1.jpg"), "--out", str(folder / "calibration")])
    assert isinstance(result.exception, UsageError)
    assert result.stdout == ""
    assert not (folder / "calibration").exists()
