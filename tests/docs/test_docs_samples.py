"""The sample herd is whole, invented, and agrees with the truth of its scenes."""

from __future__ import annotations

from pathlib import Path

from PIL import Image
from PIL.ExifTags import IFD

from clawvision.manifest import read_manifest
from clawvision.types import PhotoRequest
from tests.truth import true_photos

SAMPLES = Path(__file__).parents[2] / "sample_images"
COWS = {"Pebble", "Bracken", "Thistle", "Sorrel", "Juniper"}


def _rows() -> dict[str, PhotoRequest]:
    return {row.name: row for row in read_manifest(SAMPLES / "photos.csv")}


def test_every_photo_has_its_row_and_the_scenes_foot_view_claw_and_offset() -> None:
    rows = _rows()
    assert set(rows) == {path.name for path in SAMPLES.glob("*.jpg")}
    for photo in true_photos():
        row, made = rows[photo.name], photo.request()
        assert (row.foot, row.view, row.claw, row.offset_mm) == (made.foot, made.view, made.claw, made.offset_mm)


def test_a_foot_is_one_cows_on_one_day_and_a_cow_has_each_foot_once() -> None:
    feet: dict[tuple[str, str | None], set[str]] = {}
    for name, row in _rows().items():
        assert row.animal in COWS
        assert row.taken
        feet.setdefault((row.animal, row.foot), set()).add(name.partition("_")[0])
        partner = _rows()[name.replace("_side", "_sole") if "_side" in name else name.replace("_sole", "_side")]
        assert (partner.animal, partner.foot, partner.taken) == (row.animal, row.foot, row.taken)
    assert all(len(scenes) == 1 for scenes in feet.values())
    assert {animal for animal, _ in feet} == COWS


def test_the_readme_names_the_herd_as_rendered_and_invented() -> None:
    text = (SAMPLES / "README.md").read_text(encoding="utf-8")
    assert "rendered" in text
    assert "invented" in text
    assert all(cow in text for cow in COWS)


def test_photos_are_small_and_tell_no_place() -> None:
    assert sum(path.stat().st_size for path in SAMPLES.iterdir()) < 15_000_000
    for path in SAMPLES.glob("*.jpg"):
        with Image.open(path) as picture:
            assert not picture.getexif().get_ifd(IFD.GPSInfo), path.name
