"""A photo with more pixels than serve is read smaller; what is given and told stays in pixels of its file."""

from __future__ import annotations

import json
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from PIL import Image, ImageOps

from clawvision.outline.sidecar import parse_sidecar, read_sidecar
from clawvision.output.picture import annotate
from clawvision.output.record import photo_record
from clawvision.photo.read import read_photo
from clawvision.pipeline import SERVES_PX, run_drawn, run_photo
from clawvision.types import Measure, PhotoResult, Settings
from tests.truth import TruePhoto, true_photos

NAMES = ("100_sole.jpg", "105_side.jpg")


def stored(photo: TruePhoto, path: Path, by: float, how: Image.Resampling) -> Path:
    """Store a sample photo, upright, with ``by`` times as many pixels along each side and its EXIF data."""
    with Image.open(photo.folder / photo.name) as image:
        exif = image.getexif()
        for tag in (0xA002, 0xA003):
            exif.get_ifd(0x8769).pop(tag, None)
        exif[0x0112] = 1
        upright = ImageOps.exif_transpose(image).convert("RGB")
        size = (round(by * upright.width), round(by * upright.height))
        upright.resize(size, how).save(path, exif=exif, quality=95, compress_level=1)
    return path


def measures(result: PhotoResult) -> Iterator[tuple[str, Measure]]:
    for claw in result.claws.values():
        yield from ((f"{claw.name} {name}", each) for name, each in claw.measures.items())
    yield from result.foot_measures.items()


def doubled(points: object) -> object:
    return (np.asarray(points, dtype=np.float64) + 0.5) * 2.0 - 0.5


@pytest.fixture(params=NAMES)
def photo(request: pytest.FixtureRequest) -> TruePhoto:
    return next(each for each in true_photos() if each.name == request.param)


def test_doubled_pixels_give_the_same_measures_and_doubled_places(photo: TruePhoto, tmp_path: Path) -> None:
    """Every pixel repeated twice both ways, then read at half: the very same pixels.

    Only the card's corners are looked for from another first guess, near where the network sees it; lines fitted to
    its edges then give the same place to some hundredths of a pixel.
    """
    settings, results = Settings(), []
    for by in (1, 2):
        request = replace(
            photo.request(), path=stored(photo, tmp_path / f"{by}.png", by, Image.Resampling.NEAREST), name="a.png"
        )
        read, notes = read_photo(request.path, name="a.png", settings=settings, long_side=1600)
        assert read.reduction.by == by
        results.append(run_drawn(read, notes, request, settings, None))
    small, large = results
    assert small.size is not None and large.size == (2 * small.size[0], 2 * small.size[1])
    assert small.reasons == large.reasons and small.status == large.status
    for (name, one), (_, other) in zip(measures(small), measures(large), strict=True):
        assert one.value is not None and one.uncertainty is not None
        assert other.value == pytest.approx(one.value, abs=0.02 * one.uncertainty), name
        assert other.uncertainty == pytest.approx(one.uncertainty, rel=0.01), name
    assert small.scale is not None and large.scale is not None
    assert small.mm_per_px is not None and large.mm_per_px == pytest.approx(small.mm_per_px / 2.0, rel=1e-3)
    outlines = [np.asarray(each.scale.reference.outline_px) for each in (small, large) if each.scale is not None]
    np.testing.assert_allclose(outlines[1], doubled(outlines[0]), atol=0.1)
    assert large.scale.camera.width == large.size[0]
    assert large.scale.camera.fx == pytest.approx(2.0 * small.scale.camera.fx)
    for claw, twin in zip(small.claws.values(), large.claws.values(), strict=True):
        np.testing.assert_allclose(twin.outline_px, doubled(claw.outline_px))
        assert twin.landmarks_px.keys() == claw.landmarks_px.keys()
        for name, place in claw.landmarks_px.items():
            np.testing.assert_allclose(twin.landmarks_px[name], doubled(place), atol=0.5)
        for name, line in claw.guides_px.items():
            ends = np.array([line[0], line[-1]]), twin.guides_px[name][[0, -1]]
            np.testing.assert_allclose(ends[1], doubled(ends[0]), atol=0.5)


def test_twelve_megapixels_measure_as_the_sample_within_noise(photo: TruePhoto, tmp_path: Path) -> None:
    """Enlarging alone moves measures: of all sample photos, read whole, by a quarter of the stated interval (root mean
    square), and by a seventh as the program reads them.
    """
    request = photo.request()
    large = replace(request, path=stored(photo, tmp_path / "a.jpg", 2.5, Image.Resampling.BICUBIC))
    request = replace(request, path=stored(photo, tmp_path / "b.jpg", 1, Image.Resampling.BICUBIC))
    (one, _), (other, read) = run_photo(request, Settings()), run_photo(large, Settings())
    assert read is not None and read.reduction.by == 2 and max(read.width, read.height) >= SERVES_PX
    assert other.size == read.file_size and max(read.file_size) == 4000
    assert one.status == other.status
    record = photo_record(other)
    assert (record.width, record.height) == other.size
    moved = {}
    for (name, before), (_, after) in zip(measures(one), measures(other), strict=True):
        assert before.value is not None and after.value is not None and before.uncertainty is not None
        moved[name] = abs(before.value - after.value) / before.uncertainty
    assert np.sqrt(np.mean(np.square(list(moved.values())))) < 0.25 and max(moved.values()) < 0.5, moved
    for claw, twin in zip(one.claws.values(), other.claws.values(), strict=True):
        for name, place in claw.landmarks_px.items():
            expected = (np.array(place) + 0.5) * 2.5 - 0.5
            assert np.hypot(*(expected - twin.landmarks_px[name])) < 15.0, name


def test_what_is_drawn_and_given_is_in_pixels_of_the_file(tmp_path: Path) -> None:
    """A drawing beside a photo of 12 MP gives what the same drawing gives on the photo read whole."""
    photo = next(each for each in true_photos() if each.name == "105_side.jpg")
    path = stored(photo, tmp_path / "a.jpg", 2.5, Image.Resampling.BICUBIC)
    outline = (photo.outline(photo.claws[0]).outline_px + 0.5) * 2.5 - 0.5
    marks = {name: ((place + 0.5) * 2.5 - 0.5).tolist() for name, place in photo.landmarks_px(photo.claws[0]).items()}
    claw = {"outline_px": outline.tolist(), "landmarks_px": {name: marks[name] for name in "CB"}}
    drawn = json.dumps({"view": "side", "points": [1000, 1000, 2000, 1000, 100], "claws": {photo.claws[0]: claw}})
    (tmp_path / "a.outline.json").write_text(drawn)
    request, settings = replace(photo.request(), path=path), Settings()
    result, _ = run_photo(request, settings)
    whole, notes = read_photo(path, name=request.name, settings=settings)
    expected = run_drawn(whole, notes, request, settings, read_sidecar(path))
    for (name, one), (_, other) in zip(measures(result), measures(expected), strict=True):
        if name.endswith("helical_twist"):
            continue  # read from the pixels
        assert one.value is not None and one.uncertainty is not None and other.uncertainty is not None
        assert one.value == pytest.approx(other.value, abs=0.1 * one.uncertainty), name
        assert one.uncertainty == pytest.approx(other.uncertainty, rel=0.05), name
    found = result.claws[photo.claws[0]]
    np.testing.assert_allclose(found.outline_px, expected.claws[photo.claws[0]].outline_px, atol=1e-6)
    np.testing.assert_allclose(found.landmarks_px["C"], marks["C"], atol=1e-6)


def test_given_points_are_in_pixels_of_the_file(tmp_path: Path) -> None:
    photo = next(each for each in true_photos() if each.name == "107_side.jpg")  # shows no reference
    path = stored(photo, tmp_path / "a.jpg", 2.5, Image.Resampling.BICUBIC)
    points = (1000.0, 1500.0, 2000.0, 1500.0, 125.0)
    result, read = run_photo(replace(photo.request(), path=path, points=points, offset_mm=0.0), Settings())
    assert read is not None and read.reduction.by == 2
    assert result.scale is not None and result.scale.reference.kind == "points"
    np.testing.assert_allclose(result.scale.reference.points_px, [(1000.0, 1500.0), (2000.0, 1500.0)])
    assert result.scale.reference.sigma_px == pytest.approx(1.5)
    assert result.mm_per_px == pytest.approx(0.125, rel=0.01)
    assert result.request.points == points


def test_a_point_beyond_the_picture_is_told_in_pixels_of_the_file(tmp_path: Path) -> None:
    photo = next(each for each in true_photos() if each.name == "105_side.jpg")
    path = stored(photo, tmp_path / "a.jpg", 2.5, Image.Resampling.BICUBIC)
    outline = [[100 * k, 5000 + 300 * (k % 2)] for k in range(9)] + [[800, 6000], [0, 6000]]
    settings = Settings()
    read, notes = read_photo(path, name="a.jpg", settings=settings, long_side=SERVES_PX)
    drawn = parse_sidecar(json.dumps({"view": "side", "outline_px": outline}).encode(), "a.outline.json")
    result = run_drawn(read, notes, replace(photo.request(), path=path), settings, drawn)
    told = next(reason.message for reason in result.reasons if reason.code == "sidecar_invalid")
    width, height = read.file_size
    assert f"{width} × {height}" in told


def test_the_picture_is_drawn_in_the_same_places(tmp_path: Path) -> None:
    """The result drawn on the photo read whole and on the one read at half is the same picture, but for resampling."""
    photo = next(each for each in true_photos() if each.name == "100_sole.jpg")
    path = stored(photo, tmp_path / "a.jpg", 2.5, Image.Resampling.BICUBIC)
    request, settings = replace(photo.request(), path=path), Settings()
    result, read = run_photo(request, settings)
    whole, _ = read_photo(path, name=request.name, settings=settings)
    one, other = (np.asarray(annotate(each, result)).astype(int) for each in (read, whole))
    assert one.shape == other.shape
    assert np.mean(np.abs(one - other).max(axis=2) > 40) < 0.005
