"""EXIF: what is kept, what is refused, what is never read."""

from __future__ import annotations

import io
import math
import struct
import unicodedata
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from PIL import Image
from PIL.TiffImagePlugin import IFDRational

from clawvision.photo.exif import focal_px, read_exif
from clawvision.photo.read import read_photo
from clawvision.types import Exif, Settings

SIZE = (400, 300)


class Fake:
    """Stands for an opened picture; only what ``read_exif`` may use."""

    def __init__(self, main: dict[int, Any], detail: dict[int, Any], size: tuple[int, int] = SIZE) -> None:
        self.size = size
        self._tags = _Tags(main, detail)

    def getexif(self) -> Any:
        return self._tags


class _Tags(dict[int, Any]):
    def __init__(self, main: dict[int, Any], detail: dict[int, Any]) -> None:
        super().__init__({**main, 0x8769: 26})
        self._detail = detail

    def get_ifd(self, tag: int) -> dict[int, Any]:
        assert tag == 0x8769, "only the Exif directory may be read"
        return self._detail


def of(main: dict[int, Any] | None = None, detail: dict[int, Any] | None = None, **options: Any) -> Exif:
    return read_exif(Fake(main or {}, detail or {}, **options))  # type: ignore[arg-type]


def stored(exif: Image.Exif | bytes) -> Exif:
    stream = io.BytesIO()
    Image.new("RGB", SIZE).save(stream, "JPEG", exif=exif)
    return read_exif(Image.open(stream))


def test_no_exif_is_no_trouble() -> None:
    assert of() == Exif()
    assert read_exif(Image.new("RGB", SIZE)) == Exif()


def test_a_phones_data_survive_the_file() -> None:
    exif = Image.Exif()
    exif[0x010F], exif[0x0110], exif[0x0112] = "Meadow", "M 1\0", 6
    exif.get_ifd(0x8769).update(
        {0x9003: "2025:03:25 09:01:39", 0x9011: "+02:00", 0x920A: IFDRational(577, 100), 0xA405: 26}
    )
    assert stored(exif) == Exif("Meadow", "M 1", "2025-03-25T09:01:39+02:00", 5.77, 26.0, 6, ())


def test_location_never_comes_through(tmp_path: Path) -> None:
    exif = Image.Exif()
    exif[0x010F] = "Meadow"
    exif.get_ifd(0x8825).update({1: "N", 2: (12.0, 34.0, 56.789), 3: "E", 4: (98.0, 7.0, 6.543), 29: "2025:03:25"})
    path = tmp_path / "a.jpg"
    Image.new("RGB", SIZE, "green").save(path, exif=exif)
    with Image.open(path) as image:
        assert image.getexif().get_ifd(0x8825)[2][2] == pytest.approx(56.789)  # it is in the file
    photo, _ = read_photo(path, name="a.jpg", settings=Settings())
    assert photo.exif == Exif(make="Meadow")
    assert "56" not in repr(photo.exif) and "gps" not in repr(photo.exif).lower()


# --- focal length


def test_focal_length_in_pixels_follows_the_definition() -> None:
    # CIPA DCG-001: same diagonal angle of view as on a frame of 36 × 24 mm.
    for focal_35, width, height in [(26.0, 4000, 3000), (50.0, 1600, 1200), (24.0, 3000, 4000), (35.0, 6000, 4000)]:
        angle = 2 * math.atan(math.hypot(36.0, 24.0) / 2 / focal_35)
        expected = math.hypot(width, height) / 2 / math.tan(angle / 2)
        assert focal_px(focal_35, width, height) == pytest.approx(expected, rel=1e-5)
    # On the 3:2 frame itself a millimetre is width / 36 pixels.
    assert focal_px(50.0, 3600, 2400) == pytest.approx(5000.0, rel=1e-4)


@pytest.mark.parametrize("values", [(0.0, 10, 10), (-1.0, 10, 10), (26.0, 0, 10), (math.nan, 10, 10)])
def test_focal_length_in_pixels_needs_positive_input(values: tuple[float, int, int]) -> None:
    with pytest.raises(ValueError, match="positive"):
        focal_px(*values)


def test_35_mm_equivalent_from_the_sensors_size() -> None:
    # An APS-C sensor, 22.3 × 14.9 mm with 6000 × 4000 pixels and a 50 mm lens.
    detail = {0x920A: 50.0, 0xA20E: 6000 / 22.3, 0xA20F: 4000 / 14.9, 0xA210: 4, 0xA002: 6000, 0xA003: 4000}
    expected = 50.0 * 43.267 / math.hypot(22.3, 14.9)
    for size in ((6000, 4000), (1500, 1000), (4000, 6000)):  # sending it smaller changes nothing
        assert of(detail=detail, size=size).focal_35mm == pytest.approx(expected, rel=1e-4)
    for unit, factor in ((2, 25.4), (3, 10.0), (5, 0.001)):
        other = {**detail, 0xA20E: factor * 6000 / 22.3, 0xA20F: factor * 4000 / 14.9, 0xA210: unit}
        assert of(detail=other, size=(6000, 4000)).focal_35mm == pytest.approx(expected, rel=1e-4)
    assert of(detail={**detail, 0xA405: 80}, size=(6000, 4000)).focal_35mm == 80.0  # what the camera says counts


def test_an_absurd_sensor_or_digital_zoom_gives_no_equivalent() -> None:
    detail = {0x920A: 5.0, 0xA20E: 1.0, 0xA20F: 1.0, 0xA210: 2}
    assert of(detail=detail).focal_35mm is None and "focal_plane_invalid" in of(detail=detail).flags
    zoomed = {0x920A: 50.0, 0xA20E: 400 / 36, 0xA20F: 300 / 24, 0xA210: 4, 0xA404: 2.0}
    assert of(detail=zoomed).focal_35mm is None and "focal_digital_zoom" in of(detail=zoomed).flags


def test_a_cropped_picture_has_lost_its_angle_of_view() -> None:
    detail = {0x920A: 5.0, 0xA405: 26, 0xA002: 4000, 0xA003: 3000}
    assert of(detail=detail, size=(3000, 3000)).focal_35mm is None
    assert "cropped" in of(detail=detail, size=(3000, 3000)).flags
    assert of(detail=detail, size=(3000, 4000)).focal_35mm == 26.0
    assert of(detail=detail, size=(1333, 1000)).focal_35mm == 26.0


@pytest.mark.parametrize(
    "value", [-5.0, 1e9, math.inf, math.nan, "26", b"x", (1, 2), (), IFDRational(1, 0), IFDRational(0, 0), [], {}]
)
def test_absurd_focal_lengths_are_dropped(value: Any) -> None:
    exif = of(detail={0x920A: value, 0xA405: value})
    assert exif.focal_mm is None and exif.focal_35mm is None
    assert {"focal_invalid", "focal_35mm_invalid"} <= set(exif.flags)


def test_zero_stands_for_unknown_focal_length() -> None:
    assert of(detail={0xA405: 0, 0x920A: IFDRational(0, 1)}) == Exif()


# --- date


@pytest.mark.parametrize(
    ("taken", "offset", "expected", "flag"),
    [
        ("2024:02:29 23:59:59", None, "2024-02-29T23:59:59", None),
        ("2024:02:29 23:59:59\0", "-03:30\0", "2024-02-29T23:59:59-03:30", None),
        ("2024:02:29 23:59:59", "   :  ", "2024-02-29T23:59:59", None),
        ("2024:02:29 23:59:59", "+99:00", "2024-02-29T23:59:59", "taken_offset_invalid"),
        ("2023:02:29 12:00:00", None, None, "taken_invalid"),
        ("2024:13:01 12:00:00", None, None, "taken_invalid"),
        ("yesterday", None, None, "taken_invalid"),
        ("2" * 100_000, None, None, "taken_invalid"),
        (20240229, None, None, "taken_invalid"),
        ("0000:00:00 00:00:00", None, None, None),
        ("    :  :     :  :  ", None, None, None),
        ("", None, None, None),
    ],
)
def test_dates(taken: Any, offset: Any, expected: str | None, flag: str | None) -> None:
    exif = of(detail={0x9003: taken, **({0x9011: offset} if offset is not None else {})})
    assert exif.taken == expected
    assert exif.flags == ((flag,) if flag else ())


def test_the_date_of_a_later_change_is_not_the_date_taken() -> None:
    assert of({0x0132: "2025:01:01 10:00:00"}, {0x9004: "2025:01:01 10:00:00"}).taken is None


# --- text


def test_names_are_cleaned() -> None:
    exif = of({0x010F: "  Mea\tdow\0\0\x1b[31m\u202ex ", 0x0110: "M" * 10_000})
    assert exif.make == "Mea dow [31m x"
    assert exif.model == "M" * 64
    assert of({0x010F: "\0\0", 0x0110: 17}) == Exif()
    assert of({0x010F: b"Meadow\0"}).make == "Meadow"


odd_values = st.one_of(
    st.none(),
    st.integers(),
    st.floats(),
    st.text(max_size=50),
    st.binary(max_size=50),
    st.tuples(st.integers(), st.integers()),
    st.builds(IFDRational, st.integers(-(2**31), 2**31), st.integers(-5, 5)),
    st.lists(st.floats(), max_size=3),
)
TAGS = [0x010F, 0x0110, 0x0112, 0x9003, 0x9011, 0x920A, 0xA405, 0xA404, 0xA002, 0xA003, 0xA20E, 0xA20F, 0xA210]


def sane(exif: Exif) -> None:
    assert exif.orientation in range(1, 9)
    for focal in (exif.focal_mm, exif.focal_35mm):
        assert focal is None or 0.0 < focal <= 3000.0
    for text in (exif.make, exif.model):
        assert text is None or (0 < len(text) <= 64 and not any(unicodedata.category(c)[0] == "C" for c in text))
    assert exif.taken is None or len(exif.taken) in (19, 25)


@settings(deadline=None, max_examples=60)
@given(st.dictionaries(st.sampled_from(TAGS), odd_values), st.dictionaries(st.sampled_from(TAGS), odd_values))
def test_whatever_the_tags_hold_the_result_is_sane(main: dict[int, Any], detail: dict[int, Any]) -> None:
    sane(of(main, detail))


@settings(deadline=None, max_examples=60)
@given(st.binary(max_size=300))
@pytest.mark.filterwarnings("ignore::UserWarning")  # Pillow's own remarks on broken directories
def test_whatever_the_bytes_are_the_result_is_sane(garbage: bytes) -> None:
    sane(stored(b"Exif\0\0" + garbage))


@settings(deadline=None, max_examples=60)
@given(st.lists(st.tuples(st.sampled_from([*TAGS, 0x8769, 0x8825]), st.integers(0, 20), st.integers(0, 2**32 - 1))))
@pytest.mark.filterwarnings("ignore::UserWarning")
def test_directories_that_lie_about_themselves(entries: list[tuple[int, int, int]]) -> None:
    entries = entries[:40]
    body = struct.pack("<H", len(entries))
    for tag, kind, number in entries:
        body += struct.pack("<HHII", tag, kind, number % 50, number)
    sane(stored(b"Exif\0\0II*\0\x08\0\0\0" + body + b"\0" * 8))
