"""The script of docs/research.md does what the page says."""

from __future__ import annotations

import csv
import importlib.util
import shutil
import sys
from collections.abc import Iterator
from pathlib import Path
from types import ModuleType
from xml.etree import ElementTree

import pytest

from clawvision.output.read import read_assessment

ROOT = Path(__file__).parents[2]
SCRIPT = ROOT / "docs" / "examples" / "from_photos_to_figures.py"


@pytest.fixture(scope="module")
def script() -> Iterator[ModuleType]:
    spec = importlib.util.spec_from_file_location("from_photos_to_figures", SCRIPT)
    assert spec is not None and spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    sys.modules[spec.name] = module
    spec.loader.exec_module(module)
    yield module
    del sys.modules[spec.name]


@pytest.fixture(scope="module")
def out(script: ModuleType, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """What the script leaves of its invented herd."""
    folder = tmp_path_factory.mktemp("figures")
    assert script.main([str(folder)]) == 0
    return folder / "invented"


def test_the_rates_are_those_the_herd_was_made_with(script: ModuleType, out: Path) -> None:
    _, truth = script.invented_herd()
    with (out / "rates.csv").open(newline="", encoding="utf-8") as stream:
        rows = {(row["animal"], row["foot"], row["claw"]): row for row in csv.DictReader(stream)}
    assert rows.keys() == truth.keys()
    held = [float(row["low"]) <= truth[key] <= float(row["high"]) for key, row in rows.items()]
    # Of 24 intervals of 95 % fewer than 20 hold by chance once in 150 herds.
    assert sum(held) >= 20
    assert rows[script.FAST]["own_rank"] == "1"


def test_the_pictures(out: Path) -> None:
    for name in ("growth.svg", "shapes.svg"):
        tags = {element.tag.rpartition("}")[2] for element in ElementTree.parse(out / name).iter()}
        assert "path" in tags and not tags & {"text", "image", "script"}
    assert (out / "growth.png").read_bytes().startswith(b"\x89PNG")


def test_the_same_again_makes_the_same(script: ModuleType, out: Path, tmp_path: Path) -> None:
    script.figures(script.invented_herd()[0], _made(tmp_path / "again"))
    for name in ("rates.csv", "growth.svg", "growth.png", "shapes.svg"):
        assert (tmp_path / "again" / name).read_bytes() == (out / name).read_bytes(), name


def test_the_herd_says_that_it_is_invented(out: Path) -> None:
    record = read_assessment(out)
    assert record.run.version == "invented"
    assert all(photo.animal.startswith("Invented ") and photo.photo.startswith("invented/") for photo in record.photos)


def test_photos_of_one_day_tell_shape_and_no_rate(
    script: ModuleType, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    photos = _made(tmp_path / "photos")
    names = [f"{number}_side.jpg" for number in (100, 103, 104)]
    lines = (ROOT / "sample_images" / "photos.csv").read_text(encoding="utf-8").splitlines()
    wanted = [lines[0], *(line for line in lines if line.partition(",")[0] in names)]
    (photos / "photos.csv").write_text("\n".join(wanted) + "\n", encoding="utf-8")
    for name in names:
        shutil.copy(ROOT / "sample_images" / name, photos)
        shutil.copy(ROOT / "sample_images" / name.replace(".jpg", ".outline.json"), photos)
    assert script.main([str(tmp_path / "out"), "--photos", str(photos), "--no-herd"]) == 0
    told = capsys.readouterr()
    assert "growth: no claw has photos of two days" in told.err
    made = sorted(path.name for path in (tmp_path / "out" / "photos").iterdir() if path.is_file())
    assert made == ["history.sqlite", "rates.csv", "shapes.svg"]
    assert not (tmp_path / "out" / "invented").exists()


def test_nothing_to_do(script: ModuleType, tmp_path: Path) -> None:
    with pytest.raises(SystemExit):
        script.main([str(tmp_path), "--no-herd"])


def _made(folder: Path) -> Path:
    folder.mkdir(parents=True)
    return folder
