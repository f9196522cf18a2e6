"""``clawvision check``: a quick word on a photo, which must not contradict what a run makes of it."""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from click.testing import CliRunner, Result
from PIL import Image, ImageDraw

from clawvision.check import LONG_SIDE_PX, check_photo
from clawvision.cli import main
from clawvision.manifest import read_manifest
from clawvision.photo.read import read_photo
from clawvision.pipeline import run_photo
from clawvision.types import PhotoRequest, Settings
from tests.truth import true_photos

SAMPLES = Path(__file__).parents[2] / "sample_images"
REQUESTS = read_manifest(SAMPLES / "photos.csv")


def call(*words: object) -> Result:
    return CliRunner().invoke(main, ["check", *(str(word) for word in words)])


def codes(path: Path, **more: object) -> list[str]:
    return [each.code for each in check_photo(path, **more).reasons]  # type: ignore[arg-type]


@pytest.mark.parametrize("request_", REQUESTS, ids=lambda each: each.name)
def test_it_agrees_with_the_run(request_: PhotoRequest) -> None:
    """Refused by a run is never said to do; measured by a run is never to be taken again."""
    result, _ = run_photo(request_, Settings())
    found = check_photo(request_.path)
    assert found.view == request_.view
    if result.status == "refused":
        assert found.answer == "take it again"
        assert {each.code for each in found.reasons} & {each.code for each in result.reasons}
    if result.status == "measured":
        assert found.answer != "take it again", found.reasons


def sample(name: str) -> Image.Image:
    return Image.open(SAMPLES / name).convert("RGB")


def test_a_claw_cut_by_the_frame_is_to_be_taken_again(tmp_path: Path) -> None:
    picture = sample("101_sole.jpg")
    picture.crop((0, 418, *picture.size)).save(tmp_path / "cut.jpg", quality=92)
    found = check_photo(tmp_path / "cut.jpg")
    assert found.answer == "take it again"
    assert found.reasons[0].code == "claw_cut"


def test_a_claw_near_the_frame_will_do(tmp_path: Path) -> None:
    """At a glance it seems cut; what a run measures is not to be turned away for that."""
    path = tmp_path / "near.jpg"
    original = Image.open(SAMPLES / "106_side.jpg")
    width, height = original.size
    original.crop((0, 0, int(0.75 * width), height)).save(path, quality=92, exif=original.getexif())
    request = next(each for each in REQUESTS if each.path.name == "106_side.jpg")
    result, _ = run_photo(replace(request, path=path), Settings())
    assert result.status == "measured"
    found = check_photo(path)
    # A cropped photo no longer tells its focal length.
    assert (found.answer, [each.code for each in found.reasons]) == ("will do, but", ["focal_assumed"])


def test_a_covered_tip_of_a_sole_view_is_seen(tmp_path: Path) -> None:
    path = SAMPLES / "106_sole.jpg"
    photo = next(each for each in true_photos() if each.name == path.name)
    x, y = photo.landmarks_px("outer")["T"]
    reach = 0.35 * float(np.hypot(*(photo.outline("outer").outline_px.mean(axis=0) - (x, y))))  # type: ignore[union-attr]
    picture = Image.fromarray(np.array(read_photo(path, name=path.name, settings=Settings())[0].pixels))  # upright
    ImageDraw.Draw(picture).ellipse((x - reach, y - reach, x + reach, y + reach), fill=(196, 150, 120))
    picture.save(tmp_path / "covered.jpg", quality=92)
    assert "claw_hidden" not in codes(path)
    found = check_photo(tmp_path / "covered.jpg")
    assert found.answer == "take it again"
    assert "claw_hidden" in [each.code for each in found.reasons]


def test_a_doubtful_outline_is_told_and_turns_no_photo_away(tmp_path: Path) -> None:
    """Under a gate that nothing passes, a good photo gets that one word."""
    found = check_photo(SAMPLES / "101_side.jpg", settings=Settings(min_confidence=1.0))
    assert (found.answer, [each.code for each in found.reasons]) == ("will do, but", ["outline_doubtful"])


def test_a_covered_tip_of_a_side_view_is_seen(tmp_path: Path) -> None:
    path = SAMPLES / "106_side.jpg"
    request = next(each for each in REQUESTS if each.path.name == path.name)
    result, photo = run_photo(request, Settings())
    assert photo is not None
    x, y = result.claws["outer"].landmarks_px["T"]
    picture = Image.fromarray(np.array(photo.pixels))
    ImageDraw.Draw(picture).ellipse((x - 110, y - 110, x + 110, y + 110), fill=(196, 150, 120))
    picture.save(tmp_path / "covered.jpg", quality=92)
    assert "claw_hidden" not in codes(path)
    found = check_photo(tmp_path / "covered.jpg")
    assert found.answer == "take it again"
    assert "claw_hidden" in [each.code for each in found.reasons]


def test_a_meadow_has_no_card_and_no_claw(tmp_path: Path) -> None:
    noise = np.random.default_rng(3).integers(60, 120, (60, 80, 3), np.uint8)
    Image.fromarray(noise).resize((1600, 1200)).save(tmp_path / "meadow.jpg")
    assert codes(tmp_path / "meadow.jpg")[:2] == ["no_reference", "no_claw"]


def test_night_comes_first(tmp_path: Path) -> None:
    Image.new("RGB", (1600, 1200), (9, 9, 9)).save(tmp_path / "night.jpg")
    assert codes(tmp_path / "night.jpg")[0] == "too_dark_to_see"


def test_another_view_than_asked_for(tmp_path: Path) -> None:
    found = check_photo(SAMPLES / "101_side.jpg", view="sole")
    assert found.answer == "take it again"
    assert [each.code for each in found.reasons] == ["other_view"]
    assert check_photo(SAMPLES / "101_side.jpg", view="side").answer == "will do"


def test_a_large_photo_is_decoded_small_and_judged_in_its_own_pixels(tmp_path: Path) -> None:
    original = Image.open(SAMPLES / "109_sole.jpg")
    size = (original.width * 5 // 2, original.height * 5 // 2)
    original.resize(size).save(tmp_path / "large.jpg", exif=original.getexif())
    photo, _ = read_photo(tmp_path / "large.jpg", name="large", settings=Settings(), long_side=LONG_SIDE_PX)
    assert max(photo.width, photo.height) == max(size) // 2
    assert photo.stored_size == size
    assert "blurred" in codes(tmp_path / "large.jpg")
    whole, _ = read_photo(tmp_path / "large.jpg", name="large", settings=Settings())
    assert (whole.width, whole.height) == size


@pytest.mark.parametrize(
    ("names", "status"),
    [
        (["101_side.jpg"], 0),
        (["101_side.jpg", "107_side.jpg"], 3),
        (["107_side.jpg", "107_sole.jpg"], 4),
    ],
)
def test_exit_status(names: list[str], status: int) -> None:
    result = call(*(SAMPLES / name for name in names))
    assert result.exit_code == status
    assert result.stderr == ""
    assert result.stdout.startswith(f"{names[0]}: ")


def test_words_are_those_of_the_run(tmp_path: Path) -> None:
    result = call(SAMPLES / "107_side.jpg")
    assert result.stdout.startswith(
        "107_side.jpg: Take it again:\n  - No scale card, plain ID-1 card or ruler was found"
    )


def test_json(tmp_path: Path) -> None:
    (tmp_path / "broken\x1b[31m.jpg").write_bytes(b"\xff\xd8\xff not a picture")
    (tmp_path / ".hidden.jpg").write_bytes(b"")
    (tmp_path / "notes.txt").write_text("no photo")
    result = call(tmp_path, "--json")
    assert result.exit_code == 4
    told = json.loads(result.stdout)
    assert told["schema"] == "clawvision/check/1"
    assert [each["photo"] for each in told["photos"]] == ["broken\\x1b[31m.jpg"]
    assert told["photos"][0]["answer"] == "take it again"
    assert told["photos"][0]["reasons"][0]["code"] == "truncated"


def test_nothing_to_look_at(tmp_path: Path) -> None:
    assert call(tmp_path).exit_code == 2
    result = call(tmp_path / "gone.jpg")
    assert result.exit_code == 2
    assert "gone.jpg" in result.stderr
