"""``clawvision demo``."""

from __future__ import annotations

import json
import sys
from functools import partial
from pathlib import Path

import pytest
from click.testing import CliRunner, Result

import clawvision.cli.assess as command
import clawvision.cli.demo as demo
from clawvision import batch, store
from clawvision.batch import assess_collected
from clawvision.cli import main
from clawvision.manifest import collect
from tests.batch.fakes import quick, run_here


@pytest.fixture(autouse=True)
def quick_chain(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(batch, "run_tasks", run_here)
    monkeypatch.setattr(store, "_program", lambda: ("this version",))
    monkeypatch.setattr(command, "assess_collected", partial(assess_collected, worker=quick))


@pytest.fixture
def samples(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    folder = tmp_path / "samples"
    folder.mkdir()
    (folder / "photos.csv").write_text("photo,animal,foot\na.jpg,Zoë,LH\nb.jpg,Zoë,RH\ngone.jpg,Zoë,LF\n")
    (folder / "a.jpg").write_bytes(b"fine")
    (folder / "b.jpg").write_bytes(b"fine")
    (folder / "a.outline.json").write_text("{}")
    (folder / "README.md").write_text("x")
    monkeypatch.setattr(demo, "SAMPLES", folder)
    return folder


def call(out: Path) -> Result:
    return CliRunner().invoke(main, ["demo", "--out", str(out)])


def test_photos_are_written_and_assessed(samples: Path, tmp_path: Path) -> None:
    out = tmp_path / "demo"
    for _ in range(2):
        result = call(out)
        assert result.exit_code == 3, result.output
        assert result.stdout == ""
    names = {path.name for path in (out / "photos").iterdir()}
    assert names == {"photos.csv", "a.jpg", "b.jpg", "a.outline.json"}
    assert (out / "result" / "assessment.json").is_file()
    assert "refused: gone.jpg" in result.stderr


def test_the_sample_herd_is_whole(tmp_path: Path) -> None:
    demo.copy_samples(demo.SAMPLES, tmp_path / "photos")
    collected = collect([tmp_path / "photos"])
    assert len(collected.requests) >= 10
    assert all(request.path.is_file() and request.animal and request.foot for request in collected.requests)
    assert sum(path.stat().st_size for path in demo.SAMPLES.iterdir()) <= 15_000_000


def test_nobodys_file_is_replaced(samples: Path, tmp_path: Path) -> None:
    own = tmp_path / "demo" / "photos" / "a.jpg"
    own.parent.mkdir(parents=True)
    own.write_bytes(b"my own photo")
    result = call(tmp_path / "demo")
    assert result.exit_code == 5
    assert "is there already" in result.stderr
    assert own.read_bytes() == b"my own photo"


def test_out_cannot_be_written(samples: Path, tmp_path: Path) -> None:
    (tmp_path / "file").write_text("x")
    assert call(tmp_path / "file").exit_code == 5


def test_without_samples_it_says_where_they_are(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(demo, "SAMPLES", tmp_path / "none")
    result = call(tmp_path / "demo")
    assert result.exit_code == 2
    assert "Clone the repository" in result.stderr
    assert not (tmp_path / "demo").exists()


def test_scenes_without_pytorch_end_in_the_install_line(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setitem(sys.modules, "torch", None)
    result = CliRunner().invoke(main, ["demo", "--out", str(tmp_path), "--scenes", "1"])
    assert result.exit_code == 6
    assert "pip install 'clawvision[scenes]'" in result.output


def test_scenes_made_on_the_spot_are_measured_and_their_truth_lies_beside(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    pytest.importorskip("torch")
    write = pytest.importorskip("clawvision.scenes.write")
    whole = write.write_scenes

    def small(*args: object, **more: object) -> None:
        whole(*args, **(more | {"size": (320, 240)}))

    monkeypatch.setattr(write, "write_scenes", small)
    result = CliRunner().invoke(main, ["demo", "--out", str(tmp_path), "--scenes", "1", "--quiet"])
    assert result.exit_code in (0, 3, 4)
    assert {path.name for path in (tmp_path / "photos").iterdir()} == {"photos.csv", "1_side.jpg", "1_sole.jpg"}
    assert (tmp_path / "scenes" / "1.json").is_file()
    record = json.loads((tmp_path / "result" / "assessment.json").read_text("utf-8"))
    assert [photo["photo"] for photo in record["photos"]] == ["1_side.jpg", "1_sole.jpg"]
