"""``clawvision history add``."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
from click.testing import CliRunner, Result

from clawvision.cli import main
from clawvision.history.store import animals, open_store
from clawvision.output.models import AssessmentRecord
from clawvision.output.record import dumps
from tests.history import made
from tests.history.test_history_store import JULY, changed


def put(folder: Path, record: AssessmentRecord) -> Path:
    folder.mkdir()
    (folder / "assessment.json").write_bytes(dumps(record))
    return folder


def run(*words: object) -> Result:
    return CliRunner().invoke(main, ["history", "add", *map(str, words)])


def test_folders_and_files(tmp_path: Path, address: str) -> None:
    june = put(tmp_path / "june", made.herd(1, 1))
    july = put(tmp_path / "july", changed(made.herd(1, 1), JULY, stage="before"))
    gone = put(tmp_path / "gone", made.assessment([made.refused("x.jpg")]))
    result = run(address, june, july / "assessment.json", gone)
    assert (result.exit_code, result.stdout) == (0, ""), result.output
    lines = result.stderr.splitlines()
    assert [line.split(": ", 1)[1] for line in lines] == [
        "12 photos: 12 new, 0 known, 0 in place of an older version.",
        "12 photos: 0 new, 0 known, 12 in place of an older version.",
        "1 photo: 1 new, 0 known, 0 in place of an older version. Of the new ones 1 could not be measured.",
    ]
    assert "12 known" in run(address, june).stderr
    with open_store(address) as store:
        assert len(animals(store)) == 2


def test_no_store_is_made_for_an_assessment_that_is_none(tmp_path: Path) -> None:
    (tmp_path / "assessment.json").write_text("{}")
    for path in (tmp_path, tmp_path / "none"):
        result = run(tmp_path / "h", path)
        assert result.exit_code == 2 and not (tmp_path / "h").exists()


def test_what_comes_before_a_wrong_one_is_stored(tmp_path: Path) -> None:
    june = put(tmp_path / "june", made.herd(1, 1))
    july = put(tmp_path / "july", made.herd(1, 1, seed=3))
    data = json.loads((july / "assessment.json").read_text("utf-8"))
    data["photos"][2]["animal"] = "a" * 500
    (july / "assessment.json").write_text(json.dumps(data), "utf-8")
    result = run(tmp_path / "h", june, july)
    assert result.exit_code == 2
    assert "june: 12 photos" in result.stderr and "july cannot be stored (key 'photos.2': " in result.stderr
    with open_store(str(tmp_path / "h")) as store:
        assert sum(each.photos for each in animals(store)) == 12


def test_an_assessment_of_an_older_version_can_be_stored(tmp_path: Path) -> None:
    """Before the outline model was named and outlines were kept in mm."""
    june = put(tmp_path / "june", made.herd(1, 1))
    data = json.loads((june / "assessment.json").read_text("utf-8"))
    del data["run"]["model_sha256"]
    for photo in data["photos"]:
        for claw in photo["claws"].values():
            del claw["outline_mm"], claw["landmarks_mm"]
    (june / "assessment.json").write_text(json.dumps(data), "utf-8")
    assert run(tmp_path / "h", june).exit_code == 0


@pytest.mark.parametrize("words", [[], ["h"]])
def test_too_few_words(words: list[str]) -> None:
    assert run(*words).exit_code == 2
