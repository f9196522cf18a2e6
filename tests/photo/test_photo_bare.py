"""Copies without place, name or number: the same pixels, the same that is read, and nothing else."""

from __future__ import annotations

import hashlib
import io
import random
import struct
import zlib
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from PIL import ExifTags, Image, ImageOps

from clawvision.apart import bare_apart
from clawvision.errors import PhotoRefused
from clawvision.photo.bare import BareCopy, bare, bare_copy
from clawvision.photo.exif import kept_exif, read_exif
from clawvision.photo.kept import copy_name, photo_file, remains
from clawvision.photo.read import photo_of
from clawvision.types import Photo, Settings
from tests.chain.test_chain_private import SECRETS, planted_exif, planted_jpeg, planted_png, planted_tiff, told
from tests.hostile import raw
from tests.photo.test_photo_exif import SIZE, TAGS, Fake, odd_values

SAMPLES = sorted((Path(__file__).parents[2] / "sample_images").glob("*.jpg"))


def of(data: bytes, suffix: str = ".jpg", **more: Any) -> BareCopy:
    return bare_copy(data, suffix=suffix, settings=Settings(**more))


def read(data: bytes, suffix: str = ".jpg", **more: Any) -> Photo:
    return photo_of(data, suffix=suffix, name="x", settings=Settings(), **more)[0]


def same(made: BareCopy, data: bytes, suffix: str) -> None:
    """A copy reads as its photo does, at every size at which photos are read, and its own copy is itself."""
    for long_side in (None, 200):
        photo, copy = read(data, suffix, long_side=long_side), read(made.data, made.suffix, long_side=long_side)
        assert (copy.exif, copy.stored_size, copy.file_size) == (photo.exif, photo.stored_size, photo.file_size)
        assert copy.reduction == photo.reduction
        assert np.array_equal(copy.pixels, photo.pixels)
    assert of(made.data, made.suffix) == BareCopy(made.data, made.suffix)


def scans(jpeg: bytes) -> bytes:
    """Return a JPEG's coded pixels with the tables before them."""
    kept = range(0xC0, 0xE0)
    parts, rest = raw.segments(jpeg)
    return b"".join(raw.segment(*part) for part in parts if part[0] in kept) + rest


@pytest.mark.parametrize("path", SAMPLES, ids=lambda path: path.stem)
def test_of_a_sample_photo_every_coded_byte_stays(path: Path) -> None:
    data = path.read_bytes()
    made = of(data)
    assert scans(made.data) == scans(data)
    assert len(made.data) <= len(data) + 300
    same(made, data, ".jpg")


@pytest.fixture(scope="module")
def picture() -> Image.Image:
    with Image.open(SAMPLES[0]) as stored:
        return ImageOps.exif_transpose(stored).convert("RGB").resize((601, 451))


def planted(kind: str, picture: Image.Image, folder: Path) -> bytes:
    if kind == "JPEG":
        return planted_jpeg(picture)
    if kind == "PNG":
        planted_png(picture, folder / "x.png")
        return (folder / "x.png").read_bytes() + b"QxTrailerQz"
    if kind == "TIFF":
        planted_tiff(picture, folder / "x.tif")
        return (folder / "x.tif").read_bytes()
    heif = pytest.importorskip("pillow_heif")
    stream = io.BytesIO()
    heif.from_pillow(picture).save(stream, quality=60, exif=planted_exif().tobytes())
    return stream.getvalue()


@pytest.mark.parametrize(
    ("kind", "suffix", "copied"),
    [("JPEG", ".jpg", ".jpg"), ("PNG", ".png", ".png"), ("TIFF", ".tif", ".png"), ("HEIC", ".heic", ".png")],
)
def test_nothing_planted_comes_through(
    kind: str, suffix: str, copied: str, picture: Image.Image, tmp_path: Path
) -> None:
    data = planted(kind, picture, tmp_path)
    assert told(data)
    made = of(data, suffix)
    assert made.suffix == copied
    assert not told(made.data)
    same(made, data, suffix)
    with Image.open(io.BytesIO(made.data)) as copy:
        tags = set(copy.getexif())
        detail = set(copy.getexif().get_ifd(ExifTags.IFD.Exif))
        assert tags <= {0x010F, 0x0110, 0x0112, 0x8769} and not copy.getexif().get_ifd(ExifTags.IFD.GPSInfo)
        assert detail <= {0x9003, 0x9011, 0x920A, 0xA405, 0xA404, 0xA002, 0xA003, 0xA20E, 0xA20F, 0xA210}
    if kind != "TIFF":
        assert read(made.data, copied).exif.focal_35mm == 24.0


def test_the_photo_goes_to_a_process_of_its_own_and_back(picture: Image.Image) -> None:
    data = planted_jpeg(picture)
    assert bare_apart(data, suffix=".jpg", settings=Settings()) == of(data)
    with pytest.raises(PhotoRefused, match="cut short"):
        bare_apart(data[:5000], suffix=".jpg", settings=Settings())


def _interlaced(pixels: np.ndarray[Any, Any]) -> bytes:
    """Return an interlaced PNG, which Pillow does not write."""
    height, width, _ = pixels.shape
    rows = b""
    for x, y, dx, dy in (
        (0, 0, 8, 8),
        (4, 0, 8, 8),
        (0, 4, 4, 8),
        (2, 0, 4, 4),
        (0, 2, 2, 4),
        (1, 0, 2, 2),
        (0, 1, 1, 2),
    ):
        rows += b"".join(b"\0" + row.tobytes() for row in pixels[y::dy, x::dx])
    header = struct.pack(">IIBBBBB", width, height, 8, 2, 0, 0, 1)
    return raw.png_of([(b"IHDR", header), (b"IDAT", zlib.compress(rows)), (b"IEND", b"")])


def _as_rgb(jpeg: bytes) -> bytes:
    """Return a JPEG whose Adobe segment says, and nothing else does, that its channels are red, green and blue."""
    parts, rest = raw.segments(jpeg)
    adobe = (0xEE, b"Adobe\0\x64\0\0\0\0\0QxCommentQz")
    return jpeg[:2] + b"".join(raw.segment(*part) for part in (adobe, *parts) if part[0] != 0xE0) + rest


def _behind(png: bytes) -> bytes:
    *parts, end = raw.chunks(png)
    block = raw.block([raw.short_tag(0x0112, 6), raw.ascii_tag(0x013B, "QxArtistQz")])
    return raw.png_of([*parts, (b"eXIf", block), end])


def _more_pixels(png: bytes) -> bytes:
    parts = raw.chunks(png)
    coded = b"".join(content for kind, content in parts if kind == b"IDAT")
    return raw.png_of([parts[0], (b"IDAT", coded + b"QxMoreQz"), (b"IEND", b"")])


def variants(picture: Image.Image) -> dict[str, tuple[bytes, str]]:
    small = picture.resize((301, 227))
    deep = Image.fromarray(np.asarray(small.convert("L"), np.uint16) * 200)
    clear = small.convert("RGBA")
    clear.putalpha(120)
    jpeg = raw.saved(small, "JPEG", quality=80)
    return {
        "progressive": (raw.saved(small, "JPEG", progressive=True), ".jpg"),
        "restarts": (raw.saved(small, "JPEG", restart_marker_blocks=3), ".jpg"),
        "grey": (raw.saved(small.convert("L"), "JPEG"), ".jpg"),
        "cmyk": (raw.saved(small.convert("CMYK"), "JPEG"), ".jpg"),
        "rgb": (raw.saved(small, "JPEG", keep_rgb=True), ".jpg"),
        "only_adobe_tells_the_colours": (_as_rgb(jpeg), ".jpg"),
        "profile": (raw.saved(small, "JPEG", icc_profile=b"QxArtistQz" * 9000), ".jpg"),
        "several": (raw.saved(small, "MPO", save_all=True, append_images=[small.rotate(180)]), ".jpg"),
        "no_end": (jpeg[:-2] + b"QxMoreQz" * 20, ".jpg"),
        "palette": (raw.saved(small.quantize(32), "PNG", transparency=3), ".png"),
        "clear": (raw.saved(clear, "PNG"), ".png"),
        "deep": (raw.saved(deep, "PNG"), ".png"),
        "two_colours": (raw.saved(small.convert("1"), "PNG"), ".png"),
        "animated": (raw.saved(small, "PNG", save_all=True, append_images=[small.rotate(180)]), ".png"),
        "interlaced": (_interlaced(np.asarray(small)), ".png"),
        "exif_behind": (_behind(raw.saved(small, "PNG")), ".png"),
        "more_behind_its_pixels": (_more_pixels(raw.saved(small, "PNG")), ".png"),
        "deep_tiff": (raw.saved(deep, "TIFF"), ".tif"),
        "pages": (raw.saved(small, "TIFF", save_all=True, append_images=[small.rotate(180)]), ".tif"),
        "misnamed": (raw.saved(small, "TIFF"), ".jpg"),
    }


VARIANTS = tuple(variants(Image.new("RGB", (2, 2))))


@pytest.mark.parametrize("name", VARIANTS)
def test_every_way_of_coding_reads_the_same(name: str, picture: Image.Image) -> None:
    data, suffix = variants(picture)[name]
    made = of(data, suffix)
    same(made, data, suffix)
    assert not told(made.data, (*SECRETS, "QxMoreQz"))
    assert (made.suffix == suffix) == (suffix != ".tif" and name not in ("misnamed", "no_end"))
    _, notes = photo_of(data, suffix=suffix, name="x", settings=Settings())
    _, left = photo_of(made.data, suffix=made.suffix, name="x", settings=Settings())
    assert made.notes == tuple(note.message for note in notes if note not in left)
    assert bool(made.notes) == (name in ("animated", "pages", "misnamed"))


@pytest.mark.parametrize("orientation", range(1, 9))
@pytest.mark.parametrize("kind", ["JPEG", "PNG", "TIFF"])
def test_every_orientation_stays_what_it_was(kind: str, orientation: int, picture: Image.Image) -> None:
    exif = Image.Exif()
    exif[0x0112] = orientation
    small = picture.resize((304, 232))  # sides that halve whole: a turned TIFF is made smaller after its turn
    data = raw.saved(small, kind, exif=exif)
    suffix = {"JPEG": ".jpg", "PNG": ".png", "TIFF": ".tif"}[kind]
    made = of(data, suffix)
    assert read(made.data, made.suffix).exif.orientation == orientation
    same(made, data, suffix)


def test_data_that_cannot_be_read_stay_so(picture: Image.Image) -> None:
    jpeg = raw.saved(picture, "JPEG")
    for block in (b"garbage QxArtistQz", b"II*\0\xff\xff\xff\xff QxArtistQz"):
        data = raw.with_exif(jpeg, block)
        assert not told(of(data).data)
        same(of(data), data, ".jpg")


def test_a_picture_of_a_wrong_size_is_copied_undecoded(picture: Image.Image) -> None:
    small = planted_jpeg(picture.resize((150, 120)))
    made = of(small)
    assert not told(made.data) and scans(made.data).startswith(scans(small)[:500])
    with pytest.raises(PhotoRefused) as refused:
        read(made.data)
    assert refused.value.reason.code == "picture_too_small"
    large = planted_jpeg(picture)
    assert scans(of(large, max_pixels=60_000).data) == scans(of(large).data)


def test_a_picture_that_becomes_too_large_a_file_is_refused(picture: Image.Image) -> None:
    data = raw.saved(picture, "TIFF", compression="jpeg", quality=20)
    with pytest.raises(PhotoRefused) as refused:
        of(data, ".tif", max_file_bytes=len(data))
    assert refused.value.reason.code == "file_too_large"


def test_what_cannot_be_told_apart_is_not_copied_as_it_is(picture: Image.Image) -> None:
    jpeg, png = raw.saved(picture, "JPEG"), raw.saved(picture, "PNG")
    assert bare(jpeg, "JPEG", b"") is not None and bare(png, "PNG", b"") is not None
    assert bare(jpeg[:-2], "JPEG", b"") is None
    assert bare(jpeg[:-2] + jpeg, "JPEG", b"") is None
    assert bare(png[:-40], "PNG", b"") is None
    assert bare(raw.saved(picture, "TIFF"), "TIFF", b"") is None


def test_of_what_is_no_picture_only_its_mark_is_kept() -> None:
    text = b"QxArtistQz " * 50
    for start in (b"\xff\xd8\xff", b"\x89PNG\r\n\x1a\n", b"II*\0", b"GIF89a", b"\0\0\0\x18ftypheic", b"a text", b""):
        kept = remains(start + text if start else b"")
        assert len(kept) <= 16 and b"Qx" not in kept
        with pytest.raises(PhotoRefused) as refused:
            read(kept, "")
        with pytest.raises(PhotoRefused) as before:
            read(start + text if start else b"", "")
        assert refused.value.reason.code == before.value.reason.code
    assert remains(b"") == b""


def test_a_copy_is_found_where_the_photo_is_not(tmp_path: Path) -> None:
    digest = hashlib.sha256(b"x").hexdigest()
    assert photo_file(tmp_path, "a.HEIC", digest) == tmp_path / "a.HEIC"
    (tmp_path / copy_name(digest, ".png")).write_bytes(b"x")
    assert photo_file(tmp_path, "a.HEIC", digest) == tmp_path / copy_name(digest, ".png")
    endless = "a" * 300 + ".HEIC"  # no file can have this name, a record may
    assert photo_file(tmp_path, endless, "0" * 64) == tmp_path / endless
    assert photo_file(tmp_path, "a.HEIC", None) == tmp_path / "a.HEIC"
    (tmp_path / "a.HEIC").write_bytes(b"x")
    assert photo_file(tmp_path, "a.HEIC", digest) == tmp_path / "a.HEIC"


# --- EXIF data


def again(fake: Fake) -> Image.Image:
    """Return a picture with the block that is kept of another one's EXIF data."""
    stream = io.BytesIO()
    Image.new("RGB", fake.size).save(stream, "JPEG", exif=b"Exif\0\0" + kept_exif(fake))  # type: ignore[arg-type]
    return Image.open(stream)


@settings(deadline=None, max_examples=150)
@given(st.dictionaries(st.sampled_from(TAGS), odd_values), st.dictionaries(st.sampled_from(TAGS), odd_values))
def test_whatever_the_tags_hold_the_block_says_the_same(main: dict[int, Any], detail: dict[int, Any]) -> None:
    fake = Fake(main, detail)
    assert read_exif(again(fake)) == read_exif(fake)  # type: ignore[arg-type]


@pytest.mark.parametrize("number", [5.77, 4.25, 1e-3, 2999.9999999, 26, 70_000, 2**40, -3.5, 1 / 3, 24.000001])
def test_a_number_comes_back_to_the_last_digit(number: float) -> None:
    chance = random.Random(str(number))
    fake = Fake({}, {0x920A: number, 0xA404: number, 0xA002: chance.random() * 1e4, 0xA003: chance.random() * 1e4})
    assert read_exif(again(fake)) == read_exif(fake)  # type: ignore[arg-type]


def test_absurd_texts_are_not_carried_over() -> None:
    fake = Fake({}, {0x9003: "QxArtistQz", 0x9011: "QxArtistQz", 0x920A: "QxArtistQz", 0xA405: b"QxArtistQz"}, SIZE)
    assert b"Qx" not in kept_exif(fake)  # type: ignore[arg-type]
    assert read_exif(again(fake)).flags == ("focal_invalid", "focal_35mm_invalid", "taken_invalid")
