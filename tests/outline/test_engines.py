"""OpenCV and ONNX Runtime, which run the same model: the same findings, and measures that hardly differ."""

from __future__ import annotations

import os
import subprocess
import sys
from importlib import metadata
from importlib.util import find_spec
from pathlib import Path

import numpy as np
import pytest
from click.testing import CliRunner

import clawvision
from clawvision import store
from clawvision.cli import main
from clawvision.errors import MissingExtraError
from clawvision.history.entry import provenance
from clawvision.outline.engine import engine_told
from clawvision.outline.find import default_segmenter
from clawvision.outline.learned.contract import COARSE_SIZE, FINE_SIZE
from clawvision.outline.learned.crop import Crop
from clawvision.outline.learned.network import MODEL, ModelError, RuntimeNetwork, packaged_network
from clawvision.outline.learned.shapes import of_any_size
from clawvision.output.models import AssessmentRecord, MeasureRecord, RunInfo
from clawvision.review.folder import settings_again
from clawvision.types import Settings

ROOT = Path(clawvision.__file__).parent
SAMPLES = ROOT.parent / "sample_images"
FAST = Settings(engine="onnxruntime")
# Not imported here: what loads the package has to keep it silent first.
needs_runtime = pytest.mark.skipif(
    find_spec("onnxruntime") is None, reason="ONNX Runtime, the extra fast, is not installed"
)
LEAST_SHARE = 0.1
"""Two ways of rounding may move a measure by so much of its uncertainty and no more: nobody can tell them apart then
by what is said of a foot."""


def model() -> bytes:
    return (ROOT / "outline" / "model" / MODEL).read_bytes()


def picture(size: tuple[int, int]) -> Crop:
    width, height = size
    return Crop(np.random.default_rng(3).integers(0, 256, (height, width, 3), dtype=np.uint8), np.eye(2, 3))


# --- what both say ------------------------------------------------------------------------------------------------


@pytest.fixture(scope="module")
def both(tmp_path_factory: pytest.TempPathFactory) -> tuple[AssessmentRecord, AssessmentRecord]:
    out = tmp_path_factory.mktemp("engines")
    usual = clawvision.assess_folder(SAMPLES, out / "opencv", jobs=2)
    return usual, clawvision.assess_folder(SAMPLES, out / "onnxruntime", settings=FAST, jobs=2)


@needs_runtime
def test_status_reasons_findings_and_urgency_are_the_same(both: tuple[AssessmentRecord, AssessmentRecord]) -> None:
    usual, fast = both
    assert [(each.photo, each.status) for each in usual.photos] == [(each.photo, each.status) for each in fast.photos]
    for one, other in zip(usual.photos, fast.photos, strict=True):
        assert [each.code for each in one.reasons] == [each.code for each in other.reasons], one.photo
    said = [
        [(foot.animal, foot.foot, foot.urgency.level, [(each.code, each.claw) for each in foot.findings])]
        for record in both
        for foot in record.feet
    ]
    assert said[: len(usual.feet)] == said[len(usual.feet) :]
    assert sum(len(each[0][3]) for each in said) > 10
    assert [(each.animal, each.urgency.level) for each in usual.animals] == [
        (each.animal, each.urgency.level) for each in fast.animals
    ]


@needs_runtime
def test_measures_differ_by_less_than_a_tenth_of_their_uncertainty(
    both: tuple[AssessmentRecord, AssessmentRecord],
) -> None:
    usual, fast = (list(measures(record)) for record in both)
    assert [name for name, _ in usual] == [name for name, _ in fast]
    moved = 0
    for (name, one), (_, other) in zip(usual, fast, strict=True):
        assert (one.value is None) is (other.value is None), name
        if one.value is None or other.value is None or one.uncertainty is None or other.uncertainty is None:
            continue
        moved += one.value != other.value
        assert abs(one.value - other.value) <= LEAST_SHARE * one.uncertainty, name
        assert abs(one.uncertainty - other.uncertainty) <= LEAST_SHARE * one.uncertainty, name
    assert moved > 20, "both ran the same engine"


def measures(record: AssessmentRecord) -> list[tuple[str, MeasureRecord]]:
    found = []
    for photo in record.photos:
        for claw, result in photo.claws.items():
            found += [(f"{photo.photo} {claw} {name}", each) for name, each in result.measures.items()]
        found += [(f"{photo.photo} {name}", each) for name, each in photo.foot_measures.items()]
    return found


@needs_runtime
def test_the_record_tells_what_ran_the_network(both: tuple[AssessmentRecord, AssessmentRecord]) -> None:
    usual, fast = both
    assert fast.run.engine == f"onnxruntime {metadata.version('onnxruntime')}"
    assert (usual.run.engine or "").startswith("opencv")
    assert (usual.run.parameters["engine"], fast.run.parameters["engine"]) == ("opencv", "onnxruntime")
    assert settings_again(fast).engine == "onnxruntime" and settings_again(usual).engine == "opencv"


@needs_runtime
@pytest.mark.parametrize("size", [COARSE_SIZE, FINE_SIZE])
def test_outputs_are_close_and_the_same_twice(size: tuple[int, int]) -> None:
    usual, crop = packaged_network(), picture(size)
    assert usual is not None
    said, first, again = usual.run(crop), RuntimeNetwork(model()).run(crop), RuntimeNetwork(model()).run(crop)
    for name in ("masks", "landmarks", "facts"):
        np.testing.assert_array_equal(getattr(first, name), getattr(again, name))
        # Logits of some tens, in single precision through some seventy layers.
        np.testing.assert_allclose(getattr(first, name), getattr(said, name), rtol=0.0, atol=2e-3)


# --- what it does beside ------------------------------------------------------------------------------------------


@needs_runtime
@pytest.mark.skipif(not Path("/proc/self/task").is_dir(), reason="this system does not list a process's threads")
def test_it_works_in_one_thread_and_tells_nobody(tmp_path: Path) -> None:
    """Left to itself the package keeps a number of this computer and a database of its use in the user's cache, and a
    thread that sends them.
    """
    script = """
import os, socket
from clawvision.outline.learned.network import packaged_network
assert packaged_network() is not None
before = len(os.listdir("/proc/self/task"))
assert packaged_network("onnxruntime") is not None
sockets = [each for each in os.scandir("/proc/self/fd") if os.path.islink(each) and "socket:" in os.readlink(each)]
print(len(os.listdir("/proc/self/task")) - before, len(sockets))
"""
    places = {name: str(tmp_path) for name in ("HOME", "XDG_CACHE_HOME", "XDG_DATA_HOME", "TMPDIR")}
    variables = {name: value for name, value in os.environ.items() if name != "ORT_DISABLE_TELEMETRY"}
    done = subprocess.run(
        [sys.executable, "-c", script],
        env={**variables, **places, "OMP_NUM_THREADS": "1", "PYTHONDONTWRITEBYTECODE": "1"},
        cwd=ROOT.parent,
        capture_output=True,
        text=True,
        check=False,
    )
    assert (done.stdout.split(), done.stderr) == (["0", "0"], "")
    assert not list(tmp_path.rglob("*"))


@needs_runtime
@pytest.mark.parametrize("size", [0, 1, 1000, 100_000])
def test_a_damaged_model_is_told(size: int) -> None:
    with pytest.raises(ModelError, match="ONNX Runtime cannot read it"):
        RuntimeNetwork(model()[:size] if size else b"no network")


def test_only_the_sizes_are_left_out() -> None:
    whole = model()
    changed = of_any_size(whole)
    # Three outputs and one input of two to four sizes each, of some bytes.
    assert 30 < len(whole) - len(changed) < 120
    assert of_any_size(changed) == changed
    for name in (b"picture", b"masks", b"landmarks", b"facts"):
        assert changed.count(name) == whole.count(name)


@pytest.mark.parametrize("wrong", [b"\xff" * 20, b"\x0b", b"\x3a\x7fabc", b"\x08"])
def test_what_is_no_message_is_told(wrong: bytes) -> None:
    with pytest.raises(ValueError):
        of_any_size(wrong)


# --- asking for it ------------------------------------------------------------------------------------------------


def without(monkeypatch: pytest.MonkeyPatch) -> None:
    """Let ONNX Runtime be missing."""
    real = metadata.version

    def version(name: str) -> str:
        if name == "onnxruntime":
            raise metadata.PackageNotFoundError(name)
        return real(name)

    monkeypatch.setattr(metadata, "version", version)


def test_without_the_package_the_run_ends_at_once_with_the_install_line(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    without(monkeypatch)
    words = ["assess", str(SAMPLES), "--out", str(tmp_path / "out"), "--engine", "onnxruntime"]
    done = CliRunner().invoke(main, words)
    assert done.exit_code == 6
    assert "pip install 'clawvision[fast]'" in done.stderr
    assert not (tmp_path / "out").exists()
    with pytest.raises(MissingExtraError):
        RuntimeNetwork(model())


def test_it_is_never_taken_unasked() -> None:
    """What is installed must not bear on what is measured."""
    assert Settings().engine == "opencv"
    assert not isinstance(default_segmenter()._network, RuntimeNetwork)  # type: ignore[attr-defined]


def test_what_is_kept_depends_on_the_engine_and_its_version(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(store, "engine_told", lambda engine: f"{engine} 1")
    keys = {store.settings_key(Settings(), None), store.settings_key(FAST, None)}
    monkeypatch.setattr(store, "engine_told", lambda engine: f"{engine} 2")
    assert store.settings_key(Settings(), None) in keys
    assert store.settings_key(FAST, None) not in keys and len(keys) == 2


def test_photos_stored_before_keep_their_keys_in_a_history() -> None:
    def made(**parameters: str) -> str:
        run = RunInfo(version="1", started="", finished="", command=(), parameters={"tick_mm": 1.0, **parameters})
        return provenance(run).key

    assert made() == made(engine="opencv") != made(engine="onnxruntime")


def test_the_engine_is_told_with_its_version(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(metadata, "version", lambda package: f"1.2 of {package}")
    assert engine_told("opencv") == "opencv 1.2 of opencv-python-headless"
