"""Small pictures: bounded, and only of files that belong to the run."""

from __future__ import annotations

from io import BytesIO
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from PIL import Image

from clawvision.output.models import AssessmentRecord
from clawvision.output.record import photo_facts
from clawvision.report.html import links_of
from clawvision.report.pictures import (
    LONG_SIDE,
    MOST_BYTES,
    MOST_PAGE_BYTES,
    annotated_files,
    link_to,
    picture_bytes,
    printed_pictures,
    size_for,
    thumbnail,
    thumbnails_of,
)
from clawvision.store import slots
from tests.output import made_feet
from tests.report.made import changed


def picture(file: Path, width: int = 1400, height: int = 2100) -> Path:
    """Write a picture that does not shrink well."""
    noise = np.random.default_rng(7).integers(0, 255, (height, width, 3), dtype=np.uint8)
    file.parent.mkdir(parents=True, exist_ok=True)
    Image.fromarray(noise).save(file, quality=90)
    return file


def named(*names: str) -> AssessmentRecord:
    """Return a record whose photos have these names."""
    record = made_feet.assessment()
    photo = record.photos[0].model_dump(mode="json")
    return changed(record, photos=[{**photo, "photo": name} for name in names])


def test_a_small_picture_is_small(tmp_path: Path) -> None:
    files = {"x": picture(tmp_path / "x.jpg")}
    for kind, small in (("webp", thumbnail(files["x"], LONG_SIDE, 50)), ("jpeg", printed_pictures(files, ["x"])["x"])):
        assert small is not None and small.kind == kind
        assert small.uri.startswith(f"data:image/{kind};base64,")
        with Image.open(BytesIO(small.data)) as read:
            assert read.format == kind.upper()
            assert read.size == (small.width, small.height) == (600, 900)
            assert not read.getexif()


def test_a_small_picture_is_not_made_larger(tmp_path: Path) -> None:
    small = thumbnail(picture(tmp_path / "x.png", 30, 20), LONG_SIDE, 50)
    assert small is not None and (small.width, small.height) == (30, 20)


@pytest.mark.parametrize("content", [b"", b"<svg onload=alert(1)>", b"\xff\xd8\xff\xe0 cut", b"GIF89a"])
def test_what_is_no_picture_is_left_out(tmp_path: Path, content: bytes) -> None:
    (tmp_path / "x.jpg").write_bytes(content)
    assert thumbnail(tmp_path / "x.jpg", LONG_SIDE, 50) is None


def test_more_photos_have_smaller_pictures() -> None:
    sizes = [size_for(count) for count in (1, 40, 41, 240, 600, 100_000)]
    assert sizes[0] == sizes[1] and sizes[0][0] == LONG_SIDE
    for part in range(2):
        assert [each[part] for each in sizes] == sorted((each[part] for each in sizes), reverse=True)
    assert sizes[-1][0] >= 200


def test_all_together_are_bounded_and_the_first_in_the_order_stay(tmp_path: Path) -> None:
    files = {name: picture(tmp_path / f"{name}.jpg", 300, 200) for name in ("a", "b", "c")}
    one = max(len(each.data) for each in thumbnails_of(files, []).values())
    assert list(thumbnails_of(files, ["c", "not there", "a"], 2 * one)) == ["c", "a"]
    assert list(thumbnails_of(files, ["c"])) == ["c", "a", "b"]
    assert not thumbnails_of(files, [], 0)


def test_pictures_leave_the_page_within_its_bound() -> None:
    assert picture_bytes(100_000, 4) == MOST_BYTES
    for words, count in ((12_000_000, 2000), (14_000_000, 500), (16_000_000, 1), (14_999_000, 2000)):
        left = picture_bytes(words, count)
        assert left >= 0
        # As base64, with the tag around each.
        assert left == 0 or words + -(-left * 4 // 3) + 350 * count <= MOST_PAGE_BYTES


def test_the_files_are_those_that_the_run_wrote(tmp_path: Path) -> None:
    record = named("one/x.jpg", "two/x.jpg", "not there.jpg")
    requests = [photo_facts(photo).request for photo in record.photos]
    for place, slot in enumerate(slots(requests, tmp_path)[:2]):
        picture(slot.picture.with_name(slot.picture.name + (".jpg", ".png")[place]), 20, 20)
    files = annotated_files(record.photos, tmp_path)
    assert set(files) == {"one/x.jpg", "two/x.jpg"}
    assert len(set(files.values())) == 2


@pytest.mark.parametrize("name", ["../secret.jpg", "annotated/../../secret.jpg", "..", "../annotated", "a/../..", "."])
def test_a_name_is_never_a_path(tmp_path: Path, name: str) -> None:
    out = tmp_path / "out"
    picture(tmp_path / "secret.jpg", 20, 20)
    picture(out / "annotated" / "other.jpg", 20, 20)
    assert not annotated_files(named(name).photos, out)


def test_a_link_that_leads_out_of_the_folder_is_not_followed(tmp_path: Path) -> None:
    secret = picture(tmp_path / "secret.jpg", 20, 20)
    (tmp_path / "out" / "annotated").mkdir(parents=True)
    (tmp_path / "out" / "annotated" / "x.jpg").symlink_to(secret)
    assert not annotated_files(named("x.jpg").photos, tmp_path / "out")


def test_addresses_are_encoded_and_only_given_beside_the_folder(tmp_path: Path) -> None:
    record: Any = named('<b> "50 %#?.jpg')
    picture(tmp_path / "annotated" / '<b> "50 %#?.jpg', 20, 20)
    files = annotated_files(record.photos, tmp_path)
    links = links_of(files, tmp_path, tmp_path / "report.html")
    assert list(links.values()) == ["annotated/%3Cb%3E%20%2250%20%25%23%3F.jpg"]
    assert links_of(files, tmp_path, tmp_path / "elsewhere" / "report.html") == {}


def test_an_address_of_bytes_that_are_no_text() -> None:
    assert link_to(Path("annotated/\udce9.jpg")) == "annotated/%E9.jpg"
