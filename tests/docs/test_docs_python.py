"""The examples of docs/python-api.md run as they stand."""

from __future__ import annotations

import json
import re
import shutil
from pathlib import Path

import pytest
import shapely

from tests.truth import true_photos

ROOT = Path(__file__).parents[2]
EXAMPLES = re.findall(r"```python\n(.+?)```", (ROOT / "docs" / "python-api.md").read_text(encoding="utf-8"), re.DOTALL)


@pytest.fixture
def folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A working directory as in a clone, with the photos of one foot and one outline drawn."""
    photos = tmp_path / "sample_images"
    photos.mkdir()
    rows = (ROOT / "sample_images" / "photos.csv").read_text(encoding="utf-8").splitlines()
    (photos / "photos.csv").write_text("\n".join([rows[0], *[row for row in rows if row.startswith("100_")]]) + "\n")
    for name in ("100_side.jpg", "100_sole.jpg"):
        shutil.copy(ROOT / "sample_images" / name, photos)
    side = next(photo for photo in true_photos() if photo.name == "100_side.jpg")
    drawn = shapely.Polygon(side.outline("outer").outline_px).buffer(0)
    largest = max(shapely.get_parts(drawn), key=lambda part: part.area)
    points = [list(point) for point in largest.exterior.coords[:-1]]
    (photos / "100_side.outline.json").write_text(json.dumps({"outline_px": points}))
    monkeypatch.chdir(tmp_path)
    return tmp_path


def test_there_are_examples() -> None:
    assert len(EXAMPLES) == 3


def test_one_photo(folder: Path, capsys: pytest.CaptureFixture[str]) -> None:
    exec(compile(EXAMPLES[0], "python-api.md", "exec"), {"__name__": "example"})
    told = capsys.readouterr().out
    assert told.splitlines()[0] == "measured"
    assert "card seen from" in told
    assert "outer toe_length " in told


def test_a_folder_and_its_table(folder: Path, capsys: pytest.CaptureFixture[str]) -> None:
    exec(compile(EXAMPLES[1].replace("jobs=2", "jobs=1"), "python-api.md", "exec"), {"__name__": "example"})
    told = capsys.readouterr().out
    assert "100_side.jpg" in told
    assert "Pebble RH" in told
    assert (folder / "out" / "assessment.json").is_file()
    exec(compile(EXAMPLES[2], "python-api.md", "exec"), {"__name__": "example"})
    cells = capsys.readouterr().out.split()
    assert cells[:3] == ["Pebble", "RH", "outer"]
    assert float(cells[3]) > float(cells[4]) > 0
