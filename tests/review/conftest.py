"""Three sample photos and their assessment: a side view, a sole view, and one without any reference."""

from __future__ import annotations

import shutil
from dataclasses import dataclass
from pathlib import Path

import pytest

from clawvision.batch import assess_folder
from clawvision.output.models import AssessmentRecord
from tests.truth import PHOTOS

NAMES = ("101_side.jpg", "101_sole.jpg", "107_side.jpg")


@dataclass(frozen=True)
class Made:
    photos: Path
    out: Path
    record: AssessmentRecord


@pytest.fixture(scope="session")
def assessed(tmp_path_factory: pytest.TempPathFactory) -> Made:
    folder = tmp_path_factory.mktemp("review")
    photos, out = folder / "photos", folder / "out"
    photos.mkdir()
    for name in NAMES:
        shutil.copy(PHOTOS / name, photos / name)
    # Nothing about the feet, nor the view of the side photo, so that the page may tell them.
    rows = ["photo,animal,foot,view,claw,offset_mm", "101_side.jpg,Bracken,,,,25", "101_sole.jpg,Bracken,,sole,,0"]
    (photos / "photos.csv").write_text("\n".join([*rows, "107_side.jpg,Juniper,RH,side,outer,0"]) + "\n")
    return Made(photos, out, assess_folder([photos], out, jobs=1))


@pytest.fixture
def fresh(assessed: Made, tmp_path: Path) -> Made:
    """The same photos in a folder of its own, to be written to."""
    photos = tmp_path / "photos"
    shutil.copytree(assessed.photos, photos)
    return Made(photos, assessed.out, assessed.record)
