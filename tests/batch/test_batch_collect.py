"""Which photos a run is about."""

from __future__ import annotations

import os
import sys
from pathlib import Path

import pytest

from clawvision.errors import UsageError
from clawvision.manifest import Collected, collect


def touch(folder: Path, *names: str) -> Path:
    for name in names:
        path = folder / name
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_bytes(b"x")
    return folder


def names(collected: Collected) -> list[str]:
    return [request.name for request in collected.requests]


def test_a_folder_without_a_manifest(tmp_path: Path) -> None:
    folder = touch(
        tmp_path / "Alma",
        "b.JPG",
        "a.png",
        "c.tif",
        "d.heic",
        "a.outline.json",
        "notes.txt",
        ".hidden.jpg",
        "sub/e.jpg",
    )
    collected = collect([folder])
    assert names(collected) == ["a.png", "b.JPG", "c.tif", "d.heic"]
    assert {request.animal for request in collected.requests} == {"Alma"}
    assert {Path(item.name).name for item in collected.skipped} == {"notes.txt", ".hidden.jpg", "sub"}
    assert any("sub" in note and "not searched" in note for note in collected.notes)


def test_a_manifest_decides_and_the_others_are_told(tmp_path: Path) -> None:
    touch(tmp_path, "a.jpg", "b.jpg", "c.jpg")
    (tmp_path / "photos.csv").write_text("photo,foot\nc.jpg,LH\na.jpg,RH\nmissing.jpg,LF\nA2.jpg,LF\n")
    collected = collect([tmp_path])
    assert names(collected) == ["c.jpg", "a.jpg", "missing.jpg", "A2.jpg"]
    assert collected.manifests == (tmp_path / "photos.csv",)
    assert any("b.jpg" in note and "left out" in note for note in collected.notes)
    assert any("2 photos" in note and "missing.jpg" in note for note in collected.notes)
    assert [item.name for item in collected.skipped] == [str(tmp_path / "b.jpg")]


def test_a_missing_file_of_other_case_is_guessed(tmp_path: Path) -> None:
    touch(tmp_path, "IMG_1.JPG")
    (tmp_path / "photos.csv").write_text("photo\nIMG_1.jpg\n")
    if (tmp_path / "IMG_1.jpg").exists():
        pytest.skip("this file system does not tell case")
    assert any('Did you mean "IMG_1.JPG"?' in note for note in collect([tmp_path]).notes)


def test_a_file_takes_its_row_from_its_folder(tmp_path: Path) -> None:
    touch(tmp_path, "a.jpg", "b.jpg")
    (tmp_path / "photos.csv").write_text("photo,foot\na.jpg,LH\n")
    collected = collect([tmp_path / "b.jpg", tmp_path / "a.jpg"])
    assert [(request.name, request.foot) for request in collected.requests] == [("b.jpg", None), ("a.jpg", "LH")]
    assert any("b.jpg is not in" in note for note in collected.notes)


def test_a_named_manifest_covers_several_folders(tmp_path: Path) -> None:
    touch(tmp_path, "june/a.jpg", "july/a.jpg", "may/a.jpg", "july/b.jpg")
    table = tmp_path / "herd.csv"
    table.write_text("photo,foot\njune/a.jpg,LH\njuly/a.jpg,RH\nmay/a.jpg,LF\n")
    collected = collect([tmp_path / "june", tmp_path / "july"], table)
    assert names(collected) == ["june/a.jpg", "july/a.jpg"]
    assert any("1 rows" in note and "not asked for" in note for note in collected.notes)
    assert any("b.jpg" in note and "left out" in note for note in collected.notes)
    assert names(collect([tmp_path / "may/a.jpg"], table)) == ["may/a.jpg"]


def test_a_manifest_kept_elsewhere_finds_its_photos_in_the_folder(tmp_path: Path) -> None:
    folder = touch(tmp_path / "photos", "a.jpg")
    table = touch(tmp_path / "papers", "x") / "herd.csv"
    table.write_text("photo,foot\na.jpg,LH\nb.jpg,RH\n")
    collected = collect([folder], table)
    assert [(request.path, request.foot) for request in collected.requests] == [
        (folder / "a.jpg", "LH"),
        (table.parent / "b.jpg", "RH"),
    ]


def test_names_are_told_apart_by_their_folders(tmp_path: Path) -> None:
    touch(tmp_path, "x/left/a.jpg", "y/left/a.jpg", "right/a.jpg", "other/b.jpg")
    folders = [tmp_path / "x/left", tmp_path / "y/left", tmp_path / "right", tmp_path / "other"]
    collected = collect(folders)
    assert names(collected) == ["x/left/a.jpg", "y/left/a.jpg", "right/a.jpg", "b.jpg"]
    assert [request.animal for request in collected.requests] == ["x/left", "y/left", "right", "other"]


def test_a_photo_named_twice_is_run_once(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    touch(tmp_path, "a.jpg", "b.jpg")
    monkeypatch.chdir(tmp_path)
    collected = collect([Path(), Path("a.jpg"), tmp_path / "b.jpg"])
    assert names(collected) == ["a.jpg", "b.jpg"]
    assert {request.animal for request in collected.requests} == {tmp_path.name}
    assert [item.why for item in collected.skipped] == ["named twice; it is run once"] * 2


def test_what_is_not_there(tmp_path: Path) -> None:
    touch(tmp_path, "photos/a.jpg")
    with pytest.raises(UsageError, match=r'fotos Did you mean "photos"\?'):
        collect([tmp_path / "fotos"])
    (tmp_path / "empty").mkdir()
    with pytest.raises(UsageError, match="No photos"):
        collect([tmp_path / "empty"])
    touch(tmp_path / "empty", "a.webp")
    with pytest.raises(UsageError, match=r"a\.webp: its name does not end"):
        collect([tmp_path / "empty"])
    touch(tmp_path, "list.csv")
    with pytest.raises(UsageError, match="--manifest"):
        collect([tmp_path / "list.csv"])


def test_links_that_lead_nowhere_are_photos_that_cannot_be_read(tmp_path: Path) -> None:
    touch(tmp_path, "a.jpg", "sub/b.jpg")
    (tmp_path / "circle.jpg").symlink_to("circle.jpg")
    (tmp_path / "dangling.jpg").symlink_to("gone")
    (tmp_path / "sub" / "circle").symlink_to("circle")
    assert names(collect([tmp_path])) == ["a.jpg", "circle.jpg", "dangling.jpg"]
    with pytest.raises(UsageError, match="Not there"):
        collect([tmp_path / ("a" * 300)])
    (tmp_path / "photos.csv").write_text("photo\na.jpg\ncircle.jpg\n")
    assert names(collect([tmp_path])) == ["a.jpg", "circle.jpg"]


def test_a_file_of_any_name_is_run_when_it_is_named(tmp_path: Path) -> None:
    touch(tmp_path, "photo.txt")
    assert names(collect([tmp_path / "photo.txt"])) == ["photo.txt"]


@pytest.mark.skipif(sys.platform in ("win32", "darwin"), reason="file names there are Unicode")
def test_names_that_are_not_unicode(tmp_path: Path) -> None:
    path = os.fsencode(tmp_path) + b"/\xff.jpg"
    Path(os.fsdecode(path)).write_bytes(b"x")
    touch(tmp_path, "file:b.jpg")
    assert names(collect([tmp_path])) == ["./file:b.jpg", "./\\xff.jpg"]
