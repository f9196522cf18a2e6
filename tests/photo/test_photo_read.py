"""Reading files: every kind of picture, every kind of trouble."""

from __future__ import annotations

import hashlib
import io
import os
import random
import struct
import sys
import zlib
from pathlib import Path

import numpy as np
import pytest
from PIL import Image

from clawvision.errors import PhotoRefused
from clawvision.photo.read import read_photo
from clawvision.types import Photo, Reason, Settings

WIDTH, HEIGHT = 320, 240


_UNDO = {
    2: Image.Transpose.FLIP_LEFT_RIGHT,
    3: Image.Transpose.ROTATE_180,
    4: Image.Transpose.FLIP_TOP_BOTTOM,
    5: Image.Transpose.TRANSPOSE,
    6: Image.Transpose.ROTATE_90,
    7: Image.Transpose.TRANSVERSE,
    8: Image.Transpose.ROTATE_270,
}
"""What has to be done to an upright picture so that a reader who follows the tag undoes it (Exif 2.32, 4.6.4)."""


def scene(width: int = WIDTH, height: int = HEIGHT) -> Image.Image:
    """A picture in which no turn or mirroring looks like another: smooth, so that JPEG keeps it."""
    y, x = np.mgrid[:height, :width]
    channels = (255 * x / width, 255 * y / height, 255 * ((x - 40) ** 2 + (y - 60) ** 2 < 900))
    return Image.fromarray(np.stack(channels, axis=2).astype(np.uint8))


def read(path: Path, **limits: int) -> tuple[Photo, tuple[Reason, ...]]:
    return read_photo(path, name="herd/cow.jpg", settings=Settings(**limits))


def refusal(path: Path, **limits: int) -> Reason:
    with pytest.raises(PhotoRefused) as caught:
        read(path, **limits)
    assert caught.value.reason.effect == "refused"
    assert caught.value.reason.advice
    return caught.value.reason


def saved(path: Path, image: Image.Image | None = None, **options: object) -> Path:
    (image or scene()).save(path, **options)
    return path


def orientation_exif(value: int) -> Image.Exif:
    exif = Image.Exif()
    exif[0x0112] = value
    return exif


def test_the_photo_is_what_the_file_holds(tmp_path: Path) -> None:
    path = saved(tmp_path / "a.png")
    photo, notes = read(path)
    assert notes == ()
    assert photo.name == "herd/cow.jpg"
    assert photo.sha256 == hashlib.sha256(path.read_bytes()).hexdigest()
    assert photo.stored_size == (WIDTH, HEIGHT) and (photo.width, photo.height) == (WIDTH, HEIGHT)
    assert photo.pixels.dtype == np.uint8 and photo.pixels.flags.c_contiguous
    assert not photo.pixels.flags.writeable
    np.testing.assert_array_equal(photo.pixels, np.asarray(scene()))


@pytest.mark.parametrize("size", [(200, 200), (1001, 203), (203, 1001)])
def test_unpacking_equals_the_slow_way(tmp_path: Path, size: tuple[int, int]) -> None:
    path = saved(tmp_path / "a.jpg", scene(*size), quality=90)
    with Image.open(path) as image:
        np.testing.assert_array_equal(read(path)[0].pixels, np.asarray(image.convert("RGB")))


@pytest.mark.parametrize("suffix", ["png", "tif", "jpg"])
@pytest.mark.parametrize("orientation", range(1, 9))
def test_all_orientations_give_the_same_pixels(tmp_path: Path, suffix: str, orientation: int) -> None:
    upright = scene()
    stored = upright.transpose(_UNDO[orientation]) if orientation in _UNDO else upright
    path = tmp_path / f"a.{suffix}"
    options = {"quality": 95, "subsampling": 0} if suffix == "jpg" else {}
    stored.save(path, exif=orientation_exif(orientation), **options)
    photo, _ = read(path)
    assert photo.exif.orientation == orientation
    assert photo.stored_size == stored.size
    assert photo.pixels.flags.c_contiguous and not photo.pixels.flags.writeable
    worst = np.abs(photo.pixels.astype(int) - np.asarray(upright).astype(int))
    if suffix == "jpg":
        assert np.mean(worst) < 2.0 and (photo.width, photo.height) == upright.size
    else:
        assert worst.max() == 0


@pytest.mark.parametrize("suffix", ["png", "tif", "jpg"])
@pytest.mark.parametrize("orientation", range(1, 9))
def test_a_reduced_photo_knows_where_its_pixels_lie(tmp_path: Path, suffix: str, orientation: int) -> None:
    """Sides that are no multiples of the reduction, in all orientations: a spot's centre stays where it is."""
    width, height, spot = 1003, 813, np.array((251.0, 403.0))
    y, x = np.mgrid[:height, :width]
    bump = 200 * np.exp(-((x - spot[0]) ** 2 + (y - spot[1]) ** 2) / (2 * 20.0**2))
    upright = Image.fromarray(np.repeat(bump[:, :, None], 3, axis=2).astype(np.uint8))
    path = tmp_path / f"a.{suffix}"
    turned = upright.transpose(_UNDO[orientation]) if orientation in _UNDO else upright
    turned.save(path, exif=orientation_exif(orientation), **({"quality": 95} if suffix == "jpg" else {}))
    photo, _ = read_photo(path, name="a", settings=Settings(), long_side=250)
    assert photo.reduction.by == 4 and photo.file_size == (width, height)
    assert photo.stored_size == turned.size
    assert (photo.width, photo.height) == (251, 204)
    light = photo.pixels[:, :, 0].astype(float) * (photo.pixels[:, :, 0] > 20)
    rows, columns = np.mgrid[: photo.height, : photo.width]
    centre = np.array(((light * columns).sum(), (light * rows).sum())) / light.sum()
    # A pixel of the file, of which four make one of the photo: the shift that must not be missed is 1 and 3 of them.
    np.testing.assert_allclose(photo.reduction.to_file(centre), spot, atol=0.3)
    np.testing.assert_allclose(photo.reduction.to_photo(photo.reduction.to_file(centre)), centre)


@pytest.mark.parametrize(
    ("size", "by"), [((1600, 1200), 1), ((3839, 2160), 1), ((3840, 2160), 2), ((8000, 6000), 4), ((400, 15400), 8)]
)
def test_a_photo_is_reduced_as_far_as_serves(tmp_path: Path, size: tuple[int, int], by: int) -> None:
    Image.new("RGB", size, (90, 80, 70)).save(tmp_path / "a.jpg")
    photo, _ = read_photo(tmp_path / "a.jpg", name="a", settings=Settings(), long_side=1920)
    assert photo.reduction.by == by and photo.file_size == size
    assert (photo.width, photo.height) == (-(-size[0] // by), -(-size[1] // by))


@pytest.mark.parametrize("orientation", [0, 9, 77])
def test_an_orientation_that_does_not_exist_means_upright(tmp_path: Path, orientation: int) -> None:
    photo, _ = read(saved(tmp_path / "a.jpg", exif=orientation_exif(orientation)))
    assert photo.exif.orientation == 1 and "orientation_invalid" in photo.exif.flags
    assert (photo.width, photo.height) == (WIDTH, HEIGHT)


def test_heic_is_read_and_not_turned_twice(tmp_path: Path) -> None:
    pillow_heif = pytest.importorskip("pillow_heif")
    path = tmp_path / "a.heic"
    stored = scene().transpose(Image.Transpose.ROTATE_90)
    pillow_heif.from_pillow(stored).save(path, quality=95, exif=orientation_exif(6).tobytes())
    photo, notes = read(path)
    assert notes == ()
    assert (photo.width, photo.height) == (WIDTH, HEIGHT)
    assert np.mean(np.abs(photo.pixels.astype(int) - np.asarray(scene()).astype(int))) < 3.0


def test_heic_without_its_package(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    path = tmp_path / "a.heic"
    path.write_bytes(b"\0\0\0\x18ftypheic\0\0\0\0mif1heic" + b"\0" * 100)
    monkeypatch.setitem(sys.modules, "pillow_heif", None)
    assert refusal(path).code == "heic_extra_missing"


@pytest.mark.parametrize("mode", ["L", "1", "P", "CMYK", "YCbCr", "RGBA", "LA"])
def test_other_pixel_kinds_become_rgb(tmp_path: Path, mode: str) -> None:
    image = scene().convert(mode)
    suffix = ".tif" if mode in ("CMYK", "YCbCr") else ".png"
    pixels = read(saved(tmp_path / f"a{suffix}", image))[0].pixels
    expected = np.asarray(image.convert("RGB")).astype(int)
    assert pixels.shape == (HEIGHT, WIDTH, 3)
    assert np.abs(pixels.astype(int) - expected).max() <= 1


def test_transparent_parts_lie_on_white(tmp_path: Path) -> None:
    image = scene().convert("RGBA")
    image.putalpha(Image.linear_gradient("L").resize(image.size))
    pixels = read(saved(tmp_path / "a.png", image))[0].pixels.astype(float)
    alpha = np.asarray(image)[:, :, 3:].astype(float) / 255.0
    expected = np.asarray(image)[:, :, :3] * alpha + 255.0 * (1.0 - alpha)
    assert np.abs(pixels - expected).max() <= 1.0


def test_a_transparent_palette_colour_lies_on_white(tmp_path: Path) -> None:
    image = Image.new("P", (WIDTH, HEIGHT), 0)
    image.putpalette([10, 20, 30, 200, 100, 50])
    image.paste(1, (0, 0, WIDTH // 2, HEIGHT))
    pixels = read(saved(tmp_path / "a.png", image, transparency=0))[0].pixels
    assert tuple(pixels[10, 10]) == (200, 100, 50)
    assert tuple(pixels[10, -10]) == (255, 255, 255)


@pytest.mark.parametrize("suffix", ["png", "tif"])
def test_sixteen_bits_become_eight(tmp_path: Path, suffix: str) -> None:
    values = (np.arange(WIDTH, dtype=np.uint16) * 204)[None, :].repeat(HEIGHT, axis=0)
    pixels = read(saved(tmp_path / f"a.{suffix}", Image.fromarray(values)))[0].pixels
    np.testing.assert_array_equal(pixels[:, :, 1], values // 256)


def test_floating_point_pixels_are_refused(tmp_path: Path) -> None:
    path = saved(tmp_path / "a.tif", Image.fromarray(np.ones((HEIGHT, WIDTH), np.float32)))
    assert refusal(path).code == "not_a_photo"


@pytest.mark.parametrize("suffix", ["png", "tif"])
def test_of_several_pages_the_first_counts(tmp_path: Path, suffix: str) -> None:
    other = Image.new("RGB", (WIDTH, HEIGHT), "red")
    photo, notes = read(saved(tmp_path / f"a.{suffix}", save_all=True, append_images=[other]))
    assert [note.code for note in notes] == ["first_page_only"]
    np.testing.assert_array_equal(photo.pixels, np.asarray(scene()))


def test_frames_that_a_phone_appends_do_not_matter(tmp_path: Path) -> None:
    path = tmp_path / "a.jpg"
    scene().save(path, format="MPO", save_all=True, append_images=[Image.new("RGB", (WIDTH, HEIGHT), "red")])
    photo, notes = read(path)
    assert notes == () and photo.pixels[100, -1, 0] > 200 and photo.pixels[5, 5, 0] < 30


def test_a_wrong_name_is_noted(tmp_path: Path) -> None:
    path = tmp_path / "a.png"
    scene().save(path, format="JPEG")
    _, (note,) = read(path)
    assert note.code == "misnamed" and "JPEG" in note.message and ".png" in note.message


# --- refusals


@pytest.mark.parametrize(
    ("content", "word"),
    [
        (b"hello, this is a letter", "another kind"),
        (b"GIF89a" + b"\0" * 50, "GIF"),
        (b"RIFF\0\0\0\0WEBPVP8 ", "WebP"),
        (b"%PDF-1.7", "PDF"),
        (b"\0\0\0\x18ftypavif\0\0\0\0mif1avif", "AVIF"),
        (b"II*\0\x10\0\0\0CR\x02\0" + b"\0" * 30, "raw"),
    ],
)
def test_other_files_are_told_by_their_content(tmp_path: Path, content: bytes, word: str) -> None:
    path = tmp_path / "a.jpg"
    path.write_bytes(content)
    reason = refusal(path)
    assert reason.code == "not_a_photo" and word in reason.message


def test_files_that_are_none(tmp_path: Path) -> None:
    (tmp_path / "empty.jpg").touch()
    assert refusal(tmp_path / "empty.jpg").code == "file_empty"
    assert refusal(tmp_path / "missing.jpg").code == "file_missing"
    assert refusal(tmp_path / "empty.jpg" / "below.jpg").code == "file_missing"
    assert refusal(tmp_path).code == "unreadable"
    assert refusal(tmp_path / "nul\0.jpg").code == "unreadable"
    assert refusal(tmp_path / ("long" * 100)).code == "unreadable"


@pytest.mark.skipif(not hasattr(os, "mkfifo"), reason="no pipes here")
def test_links_in_a_ring_and_pipes_do_not_hang(tmp_path: Path) -> None:
    (tmp_path / "a.jpg").symlink_to(tmp_path / "b.jpg")
    (tmp_path / "b.jpg").symlink_to(tmp_path / "a.jpg")
    assert refusal(tmp_path / "a.jpg").code == "unreadable"
    os.mkfifo(tmp_path / "pipe.jpg")
    assert refusal(tmp_path / "pipe.jpg").code == "unreadable"
    assert refusal(Path("/dev/zero")).code == "unreadable"


def test_a_file_that_may_not_be_read(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    path = saved(tmp_path / "a.jpg")

    def denied(*_: object, **__: object) -> None:
        raise PermissionError(13, "Permission denied", str(path))

    monkeypatch.setattr(Path, "open", denied)
    reason = refusal(path)
    assert reason.code == "unreadable" and "permission denied" in reason.message
    assert str(tmp_path) not in reason.message


def test_size_is_checked_before_reading(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    path = saved(tmp_path / "a.jpg")
    size = path.stat().st_size
    read(path, max_file_bytes=size)
    monkeypatch.setattr(Path, "open", lambda *_, **__: pytest.fail("the file was opened"))
    assert refusal(path, max_file_bytes=size - 1).code == "file_too_large"


def test_pixels_are_counted_before_decoding(tmp_path: Path) -> None:
    path = saved(tmp_path / "a.jpg")
    read(path, max_pixels=WIDTH * HEIGHT)
    assert refusal(path, max_pixels=WIDTH * HEIGHT - 1).code == "picture_too_large"


def png_chunk(kind: bytes, content: bytes) -> bytes:
    return struct.pack(">I", len(content)) + kind + content + struct.pack(">I", zlib.crc32(kind + content))


@pytest.mark.parametrize("side", [20_000, 2**31 - 1])
def test_a_header_that_claims_a_huge_picture(tmp_path: Path, side: int) -> None:
    header = png_chunk(b"IHDR", struct.pack(">IIBBBBB", side, side, 8, 2, 0, 0, 0))
    path = tmp_path / "bomb.png"
    path.write_bytes(b"\x89PNG\r\n\x1a\n" + header + png_chunk(b"IDAT", zlib.compress(bytes(1000))))
    assert refusal(path).code == "picture_too_large"


def test_the_limit_can_be_raised_past_pillows_own(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    limit = WIDTH * HEIGHT // 3  # Pillow raises from twice this number on
    monkeypatch.setattr(Image, "MAX_IMAGE_PIXELS", limit)
    path = saved(tmp_path / "a.jpg")
    assert read(path)[0].width == WIDTH
    assert limit == Image.MAX_IMAGE_PIXELS


def test_a_preview_is_too_small(tmp_path: Path) -> None:
    assert refusal(saved(tmp_path / "a.jpg", scene(400, 199))).code == "picture_too_small"
    assert read(saved(tmp_path / "b.jpg", scene(400, 200)))[0].height == 200


def encoded(kind: str, **options: object) -> bytes:
    noise = np.random.default_rng(1).integers(0, 255, (HEIGHT, WIDTH, 3), dtype=np.uint8)
    stream = io.BytesIO()
    Image.fromarray(noise).save(stream, kind, **options)
    return stream.getvalue()


@pytest.mark.parametrize(
    ("kind", "options"),
    [
        ("JPEG", {}),
        ("JPEG", {"progressive": True}),
        ("PNG", {}),
        ("TIFF", {}),
        ("TIFF", {"compression": "tiff_lzw"}),
    ],
)
def test_a_file_cut_short_anywhere_is_refused(tmp_path: Path, kind: str, options: dict[str, object]) -> None:
    whole = encoded(kind, **options)
    path = tmp_path / "a"
    lengths = [1, 2, 3, 4, 8, 12, 20, 30, 100, *(int(len(whole) * part) for part in np.linspace(0.01, 0.995, 40))]
    for length in lengths:
        path.write_bytes(whole[:length])
        assert refusal(path).code in ("truncated", "not_a_photo"), length


def test_a_jpeg_with_its_end_mark_but_without_its_lower_part(tmp_path: Path) -> None:
    whole = encoded("JPEG")
    path = tmp_path / "a.jpg"
    path.write_bytes(whole[: len(whole) // 2] + b"\xff\xd9")
    assert refusal(path).code == "truncated"


@pytest.mark.parametrize("kind", ["JPEG", "PNG", "TIFF"])
def test_flipped_bytes_never_escape_as_another_error(tmp_path: Path, kind: str) -> None:
    whole = encoded(kind, exif=orientation_exif(6))
    generator = random.Random(7)
    path = tmp_path / "a"
    for _ in range(60):
        damaged = bytearray(whole)
        for _ in range(generator.randint(1, 20)):
            # Mostly in the headers, where a decoder believes what it reads.
            end = len(damaged) if generator.random() < 0.3 else 400
            damaged[generator.randrange(4, end)] = generator.randrange(256)
        path.write_bytes(bytes(damaged))
        try:
            photo, _ = read(path)
        except PhotoRefused:
            continue
        assert photo.pixels.ndim == 3


def tiff(entries: list[tuple[int, int, int, int]], next_directory: int = 0, tail: bytes = b"") -> bytes:
    body = struct.pack("<H", len(entries))
    for tag, kind, count, value in entries:
        body += struct.pack("<HHII", tag, kind, count, value)
    return b"II*\0\x08\0\0\0" + body + struct.pack("<I", next_directory) + tail


@pytest.mark.parametrize(
    "content",
    [
        tiff([]),
        tiff([(256, 4, 1, 300), (257, 4, 1, 300)], next_directory=8),
        tiff([(256, 4, 1, 300), (257, 4, 1, 300), (258, 3, 1, 8), (259, 3, 1, 1), (262, 3, 1, 2), (277, 3, 1, 3)]),
        tiff([(256, 4, 2**31, 9), (257, 2, 2**32 - 1, 5)]),
        tiff([(256, 5, 1, 2**31), (257, 12, 1, 2**31)]),
        tiff([(256, 3, 1, 0), (257, 3, 1, 0), (262, 3, 1, 1)]),
        tiff([(256, 4, 1, 300), (257, 4, 1, 300), (262, 3, 1, 1), (273, 4, 1, 2**32 - 1), (279, 4, 1, 90_000)]),
        tiff([(0xC612, 1, 4, 1), (256, 4, 1, 300), (257, 4, 1, 300), (262, 3, 1, 1), (273, 4, 1, 8), (279, 4, 1, 9)]),
    ],
)
def test_odd_tiff_directories_are_refused(tmp_path: Path, content: bytes) -> None:
    path = tmp_path / "a.tif"
    path.write_bytes(content)
    assert refusal(path).code in ("truncated", "not_a_photo", "picture_too_large", "picture_too_small")


def test_a_heic_cut_short_is_refused(tmp_path: Path) -> None:
    pillow_heif = pytest.importorskip("pillow_heif")
    path = tmp_path / "a.heic"
    pillow_heif.from_pillow(scene()).save(path, quality=90)
    whole = path.read_bytes()
    for part in (0.05, 0.3, 0.6, 0.95):
        path.write_bytes(whole[: int(len(whole) * part)])
        assert refusal(path).code in ("truncated", "not_a_photo"), part
