"""The picture of a pair, against the one that was looked at and stored."""

from __future__ import annotations

from io import BytesIO
from pathlib import Path

import numpy as np
import pytest
from PIL import Image

from clawvision.compare.models import ComparedFootRecord, ComparisonRecord, PairRecord
from clawvision.compare.picture import Shown, pair_picture, picture_bytes
from clawvision.compare.wording import change_text
from clawvision.output.models import ClawRecord
from clawvision.output.style import ANGLE
from clawvision.types import Exif, Photo
from tests.compare.synthetic import foot_photos, records
from tests.compare.test_compare_comparison import comparison
from tests.output import made
from tests.output.test_output_picture import small, unlike

GOLDEN = Path(__file__).parent / "golden"
CASES = (("side", "outer"), ("sole", "inner"))
RECORD: ComparisonRecord = comparison(foot_photos())
FOOT: ComparedFootRecord = RECORD.feet[0]


def claw_of(name: str, claw: str) -> ClawRecord:
    return next(each.claws[claw] for each in records(foot_photos()) if each.photo == name)  # type: ignore[index]


def case(view: str, claw: str) -> tuple[PairRecord, tuple[Shown, Shown]]:
    """A pair, the photo from before beside it and the one from after not at hand."""
    pair = next(each for each in FOOT.pairs if (each.view, each.claw) == (view, claw))
    before = Shown(made.photo(pair.before), claw_of(pair.before, claw), "before, 2031-04-02")
    return pair, (before, Shown(None, claw_of(pair.after, claw), "after, 2031-04-02"))


def picture(view: str, claw: str) -> np.ndarray:
    pair, shown = case(view, claw)
    return small(pair_picture(FOOT, pair, shown))


@pytest.mark.parametrize(("view", "claw"), CASES)
def test_the_picture_is_the_golden_one(view: str, claw: str) -> None:
    with Image.open(GOLDEN / f"{view}.png") as stored:
        golden = np.asarray(stored.convert("RGB"), dtype=np.float64)
    mean, share = unlike(picture(view, claw), golden)
    # As of the annotated pictures: rounding of curves and letters between releases of the libraries.
    assert mean < 0.6 and share < 0.002


def test_what_came_off_is_hatched_and_nothing_where_nothing_did() -> None:
    pair, shown = case("side", "outer")

    def orange(changed: PairRecord) -> int:
        pixels = np.asarray(pair_picture(FOOT, changed, shown), dtype=int)[100:1000]
        return int((np.abs(pixels - ANGLE).max(axis=2) < 30).sum())

    same = pair.model_copy(
        update={"outline_after_mm": pair.outline_before_mm, "landmarks_after_mm": pair.landmarks_before_mm}
    )
    assert orange(pair) > 3 * orange(same)


def test_no_metadata_and_the_same_bytes() -> None:
    pair, shown = case("sole", "outer")
    data = picture_bytes(FOOT, pair, shown)
    assert data == picture_bytes(FOOT, pair, shown)
    with Image.open(BytesIO(data)) as image:
        assert image.format == "PNG" and not image.info


@pytest.mark.parametrize("size", [(300, 4000), (4000, 300), (200, 200), (1, 1)])
def test_any_photo_finds_its_place(size: tuple[int, int]) -> None:
    pair, _ = case("side", "outer")
    pixels = np.full((size[1], size[0], 3), 90, dtype=np.uint8)
    photo = Photo("x", made.SHA, pixels, Exif(), size)
    claw = claw_of(pair.before, "outer")
    for shown in (claw, claw.model_copy(update={"outline_px": None, "landmarks_px": {}})):
        two = (Shown(photo, shown, "w" * 500), Shown(photo, shown, ""))
        assert pair_picture(FOOT, pair, two).width == 1600


def test_a_change_within_its_doubt_is_never_put_as_one() -> None:
    pair, _ = case("side", "outer")
    length = next(each for each in pair.changes if each.measure == "toe_length")
    assert change_text(length)[2].endswith("mm shorter")
    unsure = length.change.model_copy(update={"uncertainty": 50.0})
    assert "shorter" not in change_text(length.model_copy(update={"change": unsure}))[2]
    assert change_text(length.model_copy(update={"change": unsure}))[2].startswith("too close to call (−20")
