"""Stored photos are measured again, and what is not the same is told."""

from __future__ import annotations

import shutil
from pathlib import Path

import pytest
from click.testing import CliRunner, Result
from sqlalchemy import delete, update

from clawvision.batch import assess_folder
from clawvision.cli import main
from clawvision.history.schema import MEASURE, PHOTO, PROVENANCE
from clawvision.history.store import add, open_store
from clawvision.output.models import AssessmentRecord
from tests.history import made

SAMPLES = Path(__file__).parents[2] / "sample_images"
NAMES = ("100_side.jpg", "100_sole.jpg")


@pytest.fixture(scope="module")
def assessed(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, AssessmentRecord]:
    """A folder of two photos, and their assessment."""
    folder = tmp_path_factory.mktemp("photos")
    for name in NAMES:
        for path in SAMPLES.glob(f"{Path(name).stem}*"):
            shutil.copy(path, folder)
    rows = (SAMPLES / "photos.csv").read_text("utf-8").splitlines(keepends=True)
    (folder / "photos.csv").write_text("".join([rows[0], *(row for row in rows if row.startswith(NAMES))]), "utf-8")
    return folder, assess_folder(folder, tmp_path_factory.mktemp("out"))


@pytest.fixture
def address(assessed: tuple[Path, AssessmentRecord], tmp_path: Path) -> str:
    with open_store(str(tmp_path / "h"), "create") as store:
        assert add(store, assessed[1]).new == 2
    return str(tmp_path / "h")


def run(address: str, folder: Path, *words: str) -> Result:
    return CliRunner().invoke(main, ["history", "verify", address, str(folder), "--jobs", "1", *words])


def test_photos_are_known_by_their_hash_and_measured_the_same(
    assessed: tuple[Path, AssessmentRecord], address: str, tmp_path: Path
) -> None:
    other = tmp_path / "moved" / "deeper"
    shutil.copytree(assessed[0], other)
    (other / "photos.csv").unlink()
    for path in sorted(other.iterdir()):
        path.rename(path.with_name(f"renamed_{path.name}"))
    result = run(address, tmp_path / "moved")
    assert result.exit_code == 0, result.output
    assert [line.split(": ")[1] for line in result.stdout.splitlines()] == ["identical"] * 2
    assert "2 photos: 2 identical." in result.stderr


def test_the_assessment_names_the_outline_model(assessed: tuple[Path, AssessmentRecord], address: str) -> None:
    from clawvision.outline.learned.network import packaged_network
    from clawvision.store import model_sha256

    assert packaged_network() is not None
    assert assessed[1].run.model_sha256 == model_sha256() is not None
    with open_store(address) as store, store.reading() as connection:
        assert connection.execute(PROVENANCE.select()).one().model_sha256 == model_sha256()


def test_what_differs_is_told(assessed: tuple[Path, AssessmentRecord], address: str) -> None:
    with open_store(address, "write") as store, store.writing() as connection:
        connection.execute(
            update(MEASURE).where(MEASURE.c.measure == "toe_length").values(value=MEASURE.c.value + 0.001)
        )
        connection.execute(delete(MEASURE).where(MEASURE.c.measure == "splay"))
        connection.execute(update(PROVENANCE).values(software="0.0.9"))
    result = run(address, assessed[0])
    assert result.exit_code == 3
    assert result.stdout.count("differs") == 2
    stored = assessed[1].photos[0].claws["outer"].measures["toe_length"].value
    assert stored is not None
    assert f"outer toe_length: {stored + 0.001:g}" in result.stdout and f"now {stored:g}" in result.stdout
    assert "splay: not there, now" in result.stdout
    assert "2 photos were measured by another version" in result.stderr


def test_photos_that_are_not_there_or_lost_their_outline_file(
    assessed: tuple[Path, AssessmentRecord], address: str, tmp_path: Path
) -> None:
    (tmp_path / "part").mkdir()
    shutil.copy(assessed[0] / NAMES[0], tmp_path / "part")
    result = run(address, tmp_path / "part")
    assert result.exit_code == 3, result.output
    assert "100_sole.jpg" in result.stdout and "not in the folder" in result.stdout
    if assessed[1].photos[0].claws["outer"].source == "sidecar":
        assert "100_side.jpg" in result.stdout.split("differs")[0]
    (tmp_path / "empty").mkdir()
    assert run(address, tmp_path / "empty").exit_code == 4
    assert run(address, tmp_path / "none").exit_code == 2


def test_settings_that_cannot_be_used_are_told(
    assessed: tuple[Path, AssessmentRecord], address: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)  # where there is no folder of calibrations
    with open_store(address, "write") as store, store.writing() as connection:
        connection.execute(update(PROVENANCE).values(parameters='{"print_scale": "wide"}'))
    result = run(address, assessed[0])
    assert result.exit_code == 4 and result.stdout.count("cannot be measured again") == 2
    with open_store(address, "write") as store, store.writing() as connection:
        connection.execute(update(PROVENANCE).values(parameters='{"calibration_dirs": ["lenses"]}'))
        connection.execute(update(PHOTO).values(asked="{}"))
    result = run(address, assessed[0])
    assert result.exit_code == 4 and "--calibration" in result.stdout


def test_an_empty_store(tmp_path: Path) -> None:
    with open_store(str(tmp_path / "h"), "create") as store:
        add(store, made.assessment([made.refused("never-read.jpg")]))
    result = run(str(tmp_path / "h"), tmp_path)
    assert result.exit_code == 0 and "holds no photos" in result.stderr
