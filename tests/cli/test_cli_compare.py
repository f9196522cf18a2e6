"""``clawvision compare``."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Sequence
from dataclasses import replace
from io import BytesIO
from pathlib import Path

import numpy as np
import pytest
from click.testing import CliRunner, Result
from PIL import Image

from clawvision.cli import main
from clawvision.compare.models import ComparisonRecord
from clawvision.photo.bare import bare_copy
from clawvision.photo.kept import copy_name
from clawvision.types import PhotoResult, Settings
from tests.compare.synthetic import cut, foot_photos, side_photo, side_shape, write


def call(*words: str | Path) -> Result:
    return CliRunner().invoke(main, ["compare", *map(str, words)])


@pytest.fixture(scope="module")
def out(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return write(tmp_path_factory.mktemp("compare") / "result", foot_photos())


def written(folder: Path) -> ComparisonRecord:
    return ComparisonRecord.model_validate_json((folder / "compare.json").read_bytes())


def test_a_trim_is_told_and_written(out: Path, tmp_path: Path) -> None:
    to = tmp_path / "trimmed"
    result = call(out, "--to", to)
    assert result.exit_code == 0, result.stderr
    assert "Invented 31 RH, 2031-04-02:" in result.stdout
    assert "toe length 112.0" in result.stdout and "shorter" in result.stdout
    assert "Before anybody cuts:" in result.stdout
    assert "written" in result.stderr and "written" not in result.stdout
    record = written(to)
    named = [pair.picture for foot in record.feet for pair in foot.pairs if pair.claw]
    assert sorted(path.name for path in to.iterdir()) == sorted([*named, "compare.csv", "compare.json"])  # type: ignore[list-item]
    for name in named:
        with Image.open(to / str(name)) as picture:
            assert picture.format == "PNG" and picture.width == 1600 and not picture.info.get("exif")


def test_the_same_assessment_gives_the_same_bytes(out: Path, tmp_path: Path) -> None:
    for name in ("one", "two"):
        call(out / "assessment.json", "--to", tmp_path / name)
    one, two = ({path.name: path.read_bytes() for path in (tmp_path / name).iterdir()} for name in ("one", "two"))
    assert one == two


def test_before_and_after_may_lie_in_two_assessments(tmp_path: Path) -> None:
    photos = foot_photos()
    morning, evening = write(tmp_path / "m", photos[:3]), write(tmp_path / "e", photos[3:])
    assert call(morning, "--to", tmp_path / "no").exit_code == 4
    assert not (tmp_path / "no").exists()
    assert call(morning, evening, "--to", tmp_path / "yes").exit_code == 0
    both = call(write(tmp_path / "both", photos), "--to", tmp_path / "too")
    assert both.exit_code == 0
    assert (tmp_path / "yes/compare.json").read_bytes() == (tmp_path / "too/compare.json").read_bytes()


def status(tmp_path: Path, photos: Sequence[PhotoResult]) -> tuple[int, Result]:
    result = call(write(tmp_path / "result", photos), "--to", tmp_path / "to")
    return result.exit_code, result


def test_a_photo_without_partner_is_told(tmp_path: Path) -> None:
    code, result = status(tmp_path, [*foot_photos(), side_photo("alone.jpg", "before", side_shape(), foot="LH")])
    assert code == 3
    assert "Not compared:" in result.stderr and "alone.jpg" in result.stderr


def test_photos_of_no_trim_do_not_count(tmp_path: Path) -> None:
    code, _ = status(tmp_path, [*foot_photos(), side_photo("check.jpg", "check", side_shape(), foot="LH")])
    assert code == 0


def test_photos_that_do_not_fit_are_told(tmp_path: Path) -> None:
    long = side_shape(112.0)
    other = {name: points * 1.35 for name, points in side_shape(100.0).items()}
    code, result = status(tmp_path, [side_photo("b.jpg", "before", long), side_photo("a.jpg", "after", other)])
    assert code == 3
    assert "not laid over one another: the two photos do not fit" in " ".join(result.stdout.split())
    (picture,) = (tmp_path / "to").glob("*.png")  # numbers and reason, no drawing
    with Image.open(picture) as image:
        assert image.height < 1000


def test_names_cannot_lead_astray(tmp_path: Path) -> None:
    photos = [replace(each, request=replace(each.request, animal="../../\x1b[31mcow")) for each in foot_photos()]
    code, result = status(tmp_path, photos)
    assert code == 0
    assert "\x1b" not in result.output
    assert all(path.parent == tmp_path / "to" for path in (tmp_path / "to").rglob("*"))
    assert sorted(path.name for path in tmp_path.iterdir()) == ["result", "to"]


def shown(tmp_path: Path, folder: Path, results: Sequence[PhotoResult]) -> Result:
    return call(write(tmp_path / "out", results), "--to", tmp_path / "to", "--photos", folder)


def test_the_photos_stand_beside_the_drawing_without_their_place(tmp_path: Path) -> None:
    folder = tmp_path / "photos"
    folder.mkdir()
    results = []
    before, after = side_photo("b.jpg", "before", side_shape()), side_photo("a.jpg", "after", cut(side_shape(), 90.0))
    for index, each in enumerate((before, after)):
        exif = Image.Exif()
        exif.get_ifd(0x8825)[2] = (51.0, 2.0, 3.0)  # a latitude, invented
        exif[0x010F] = "SecretMaker"
        buffer = BytesIO()
        Image.fromarray(np.full((1200, 1600, 3), (200, 40, 180), dtype=np.uint8)).save(buffer, "JPEG", exif=exif)
        (folder / each.request.name).write_bytes(buffer.getvalue())
        sha = hashlib.sha256(buffer.getvalue()).hexdigest() if index == 0 else "0" * 64
        results.append(replace(each, sha256=sha))
    result = shown(tmp_path, folder, results)
    assert result.exit_code == 0, result.stderr
    assert "a.jpg" in result.stderr and "is not the file that was measured" in " ".join(result.stderr.split())
    (path,) = (tmp_path / "to").glob("*.png")
    data = path.read_bytes()
    assert b"SecretMaker" not in data and b"eXIf" not in data
    with Image.open(path) as picture:
        pink = np.abs(np.asarray(picture, dtype=int) - (200, 40, 180)).max(axis=2) < 12
    # One of the two photos shows, in the column at the right.
    assert pink[:, 1130:].sum() > 30_000 and not pink[:, :1100].any()


def test_photos_outside_of_the_folder_are_not_opened(tmp_path: Path) -> None:
    folder = tmp_path / "photos"
    folder.mkdir()
    (tmp_path / "b.jpg").write_bytes(b"secret")
    long = side_shape(112.0)
    result = shown(
        tmp_path, folder, [side_photo("../b.jpg", "before", long), side_photo("a.jpg", "after", cut(long, 90.0))]
    )
    said = " ".join(result.stderr.split())
    assert "../b.jpg leads out of the folder" in said and "a.jpg is not in" in said


def test_errors_are_messages(out: Path, tmp_path: Path) -> None:
    assert call(tmp_path / "nothing", "--to", tmp_path / "x").exit_code == 2
    (tmp_path / "assessment.json").write_text(json.dumps({"schema": "else"}))
    result = call(tmp_path / "assessment.json", "--to", tmp_path / "x")
    assert result.exit_code == 2 and "no assessment" in result.stderr
    taken = tmp_path / "taken"
    taken.write_text("mine")
    result = call(out, "--to", taken)
    assert result.exit_code == 5 and taken.read_text() == "mine"
    assert call(out).exit_code == 2


@pytest.mark.parametrize("where", ["inbox", "copies"])
def test_a_photo_of_which_a_bare_copy_was_measured_is_shown(where: str, tmp_path: Path) -> None:
    folder = tmp_path / where
    folder.mkdir()
    results = []
    for each in (side_photo("b.jpg", "before", side_shape()), side_photo("a.jpg", "after", cut(side_shape(), 90.0))):
        buffer = BytesIO()
        pixels = np.full((1200, 1600, 3), (200, 40, 180 - 40 * len(results)), dtype=np.uint8)
        Image.fromarray(pixels).save(buffer, "JPEG", comment=b"a comment")
        copy = bare_copy(buffer.getvalue(), suffix=".jpg", settings=Settings()).data
        sha = hashlib.sha256(copy).hexdigest()
        name, data = (each.request.name, buffer.getvalue()) if where == "inbox" else (copy_name(sha, ".jpg"), copy)
        (folder / name).write_bytes(data)
        results.append(replace(each, sha256=sha))
    result = shown(tmp_path, folder, results)
    assert result.exit_code == 0 and "is not shown" not in " ".join(result.stderr.split()), result.stderr
    (path,) = (tmp_path / "to").glob("*.png")
    with Image.open(path) as picture:
        colours = {colour for _, colour in picture.convert("RGB").getcolors(1 << 24)}
    assert any(abs(red - 200) < 4 and abs(green - 40) < 4 for red, green, _ in colours)
