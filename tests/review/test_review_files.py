"""The command, the photos' folder, and what ``--export`` writes."""

from __future__ import annotations

import hashlib
import json
import os
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from click.testing import CliRunner, Result
from PIL import Image

from clawvision.batch import assess_folder
from clawvision.cli import main
from clawvision.errors import MissingExtraError, PhotoRefused, UsageError
from clawvision.outline.sidecar import parse_sidecar, read_sidecar
from clawvision.photo.bare import bare_copy
from clawvision.photo.kept import copy_name
from clawvision.review.drawing import save
from clawvision.review.folder import photo_folder, review_photos, settings_again
from clawvision.types import Settings
from tests.review.browser import served
from tests.review.conftest import Made
from tests.truth import true_photos


def call(*words: str | Path) -> Result:
    return CliRunner().invoke(main, ["review", *map(str, words)])


def _true_drawing(name: str) -> dict[str, Any]:
    photo = next(photo for photo in true_photos() if photo.name == name)
    claws = {claw: {"outline_px": photo.outline(claw).outline_px.tolist()} for claw in photo.claws}  # type: ignore[union-attr]
    return {"view": photo.view, "claws": claws}


def test_what_was_saved_is_what_the_next_run_measures(fresh: Made, tmp_path: Path) -> None:
    before = next(photo for photo in fresh.record.photos if photo.photo == "101_side.jpg")
    assert before.claws["outer"].source == "automatic" and before.foot is None
    save({**_true_drawing("101_side.jpg"), "foot": "LH"}, fresh.photos / "101_side.jpg", by="Ash")
    record = assess_folder([fresh.photos], tmp_path / "again", jobs=1)
    after = next(photo for photo in record.photos if photo.photo == "101_side.jpg")
    assert after.claws["outer"].source == "sidecar"
    assert after.foot == "LH"
    assert not any(reason.code == "view_inferred" for reason in after.reasons)
    # And reviewed once more: what only the file told may be drawn anew.
    again = next(photo for photo in review_photos(record, fresh.photos) if photo.record.photo == "101_side.jpg")
    assert again.request.foot is None


def test_export_writes_pixels_masks_and_outlines_and_nothing_about_the_place(fresh: Made, tmp_path: Path) -> None:
    path = fresh.photos / "101_side.jpg"
    with Image.open(path) as picture:
        exif = picture.getexif()
        exif.get_ifd(0x8825).update({1: "N", 2: (52.0, 5.0, 1.0)})
        exif[0x0110] = "Invented camera"
        picture.save(path, exif=exif, quality=95)
    with Image.open(path) as picture:
        assert 0x8825 in picture.getexif()
    save(_true_drawing("101_side.jpg"), path, by="Ash")
    save(_true_drawing("101_sole.jpg"), fresh.photos / "101_sole.jpg", by="Ash")
    result = call(fresh.out, "--photos", fresh.photos, "--export", tmp_path / "drawn")
    assert result.exit_code == 0, result.stderr
    assert "2 photos with outlines" in result.stderr
    index = json.loads((tmp_path / "drawn" / "index.json").read_text())
    assert {tuple(line["claws"]) for line in index["photos"]} == {("outer",), ("inner", "outer")}
    for line in index["photos"]:
        with Image.open(tmp_path / "drawn" / line["picture"]) as picture:
            assert not picture.getexif() and not picture.info
            size = picture.size
        with Image.open(tmp_path / "drawn" / line["mask"]) as picture:
            mask = np.array(picture)
        assert mask.shape == size[::-1]
        truth = next(photo for photo in true_photos() if photo.view == line["view"] and photo.scene["seed"] == 101)
        for claw, number in (("outer", 1), ("inner", 2)):
            if claw in line["claws"]:
                true = truth.mask == truth.scene["mask_ids"][claw]
                assert (true & (mask == number)).sum() / (true | (mask == number)).sum() > 0.97
        assert line["by"] == "Ash"
        parse_sidecar((tmp_path / "drawn" / line["outline"]).read_bytes(), line["outline"])
    everything = b"".join(file.read_bytes() for file in (tmp_path / "drawn").iterdir())
    assert b"GPS" not in everything
    assert os.fsencode(fresh.photos) not in everything


def test_without_the_folder_named_it_is_taken_from_the_command_or_told(fresh: Made, tmp_path: Path) -> None:
    with pytest.raises(UsageError, match="--photos"):
        photo_folder(fresh.record, tmp_path / "nowhere" / "out", None)
    run = fresh.record.run.model_copy(update={"command": ("clawvision", "assess", str(fresh.photos))})
    assert photo_folder(fresh.record.model_copy(update={"run": run}), fresh.out, None) == fresh.photos
    long = fresh.record.run.model_copy(update={"command": ("clawvision", "assess", "x" * 300, str(fresh.photos))})
    assert photo_folder(fresh.record.model_copy(update={"run": long}), fresh.out, None) == fresh.photos
    empty = tmp_path / "empty"
    empty.mkdir()
    result = call(fresh.out, "--photos", empty)
    assert result.exit_code == 2 and "--photos" in result.stderr


def test_of_photos_that_arrived_the_copies_are_shown(fresh: Made, tmp_path: Path) -> None:
    copies = tmp_path / "duty" / "photos"
    copies.mkdir(parents=True)
    copy = bare_copy((fresh.photos / "101_side.jpg").read_bytes(), suffix=".jpg", settings=Settings()).data
    sha256 = hashlib.sha256(copy).hexdigest()
    (copies / copy_name(sha256, ".jpg")).write_bytes(copy)
    photos = tuple(
        photo.model_copy(update={"sha256": sha256}) for photo in fresh.record.photos if photo.photo == "101_side.jpg"
    )
    run = fresh.record.run.model_copy(update={"command": ("clawvision", "triage")})
    record = fresh.record.model_copy(update={"photos": photos, "run": run})
    assert photo_folder(record, tmp_path / "duty", None) == copies
    (shown,) = review_photos(record, copies)
    assert shown.path.parent == copies and shown.is_as_measured
    assert shown.request.name == "101_side.jpg"
    (arrived,) = review_photos(record, fresh.photos)  # the file that arrived is shown as well, by its name
    assert arrived.path == fresh.photos / "101_side.jpg" and not arrived.is_as_measured


def test_the_settings_of_the_run_are_those_of_the_review(fresh: Made) -> None:
    parameters = {**fresh.record.run.parameters, "print_scale": 0.98, "calibration_dirs": ["not/there", "x" * 300]}
    run = fresh.record.run.model_copy(update={"parameters": parameters})
    settings = settings_again(fresh.record.model_copy(update={"run": run}))
    assert settings.print_scale == 0.98 and settings.calibration_dirs == ()


def test_without_the_extra_the_message_says_how_to_install_it(fresh: Made, monkeypatch: pytest.MonkeyPatch) -> None:
    def missing(name: str) -> Any:
        raise ImportError(name)

    monkeypatch.setattr("clawvision.review.import_module", missing)
    result = CliRunner().invoke(main, ["review", str(fresh.out), "--photos", str(fresh.photos)])
    assert result.exit_code == MissingExtraError.exit_code
    assert "pip install 'clawvision[review]'" in result.stderr


def test_an_interrupt_ends_the_server_cleanly(fresh: Made) -> None:
    with served(fresh.out, fresh.photos) as address:
        assert "?token=" in address and len(address.split("token=")[1]) >= 40


@pytest.mark.parametrize("host", ["0.0.0.0", "::", "localhost", "203.0.113.7"])
def test_an_address_that_cannot_be_listened_at_is_told(fresh: Made, host: str) -> None:
    result = call(fresh.out, "--photos", fresh.photos, "--no-open", "--host", host)  # 203.0.113.0/24 is documentation's
    assert result.exit_code == 2
    assert host in result.stderr


def test_a_file_that_tells_foot_and_points_of_the_wrong_form_is_refused(fresh: Made) -> None:
    path = fresh.photos / "101_side.outline.json"
    drawing = _true_drawing("101_side.jpg")
    wrong: list[dict[str, Any]] = [
        {"foot": "left"},
        {"points": [1, 2, 3]},
        {"points": [10, 10, 200, 10, -5]},
        {"points": [10, 10, 12, 10, 50]},
        {"points": [10, 10, "200", 10, 50]},
    ]
    for members in wrong:
        path.write_text(json.dumps({**drawing, **members}))
        with pytest.raises(PhotoRefused, match=r"foot|points"):
            read_sidecar(fresh.photos / "101_side.jpg")
