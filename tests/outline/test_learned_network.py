"""The model file: what is taken for it, and what happens where it is not."""

from __future__ import annotations

import hashlib
import json
from importlib.resources import files
from pathlib import Path

import numpy as np
import pytest

from clawvision.outline import find
from clawvision.outline.classical import ClassicalSegmenter
from clawvision.outline.find import default_segmenter, find_outlines
from clawvision.outline.learned import network as module
from clawvision.outline.learned.contract import COARSE_SIZE, FACT_COUNT, FINE_SIZE, LANDMARKS, MASKS, Outputs
from clawvision.outline.learned.crop import Crop, Pose, Pyramid, canonical
from clawvision.outline.learned.network import MODEL, RECORD, ModelError, OnnxNetwork, load_network, packaged_network
from clawvision.outline.learned.segmenter import LearnedSegmenter
from clawvision.photo.read import read_photo
from clawvision.types import Settings
from tests.outline.sample_truth import truth_network
from tests.outline.test_outline_find import iou, outline, request_for, side_scene
from tests.truth import true_photos


def test_a_missing_model_is_told(tmp_path: Path) -> None:
    with pytest.raises(ModelError, match="cannot be read"):
        load_network(tmp_path)


@pytest.mark.parametrize("record", ["not json", "{}", "[]", '{"sha256": 7}'])
def test_a_model_without_a_proper_record_is_not_used(record: str, tmp_path: Path) -> None:
    (tmp_path / MODEL).write_bytes(b"anything")
    (tmp_path / RECORD).write_text(record)
    with pytest.raises(ModelError):
        load_network(tmp_path)


def test_another_file_than_the_recorded_one_is_not_used(tmp_path: Path) -> None:
    (tmp_path / MODEL).write_bytes(b"altered")
    (tmp_path / RECORD).write_text(json.dumps({"sha256": hashlib.sha256(b"original").hexdigest()}))
    with pytest.raises(ModelError, match="not the recorded one"):
        load_network(tmp_path)


def test_a_recorded_file_that_is_no_network_is_told(tmp_path: Path) -> None:
    (tmp_path / MODEL).write_bytes(b"no network")
    (tmp_path / RECORD).write_text(json.dumps({"sha256": hashlib.sha256(b"no network").hexdigest()}))
    with pytest.raises(ModelError, match="OpenCV cannot"):
        load_network(tmp_path)


def put(folder: Path, model: bytes, recorded: bytes) -> None:
    """Put a model file beside a record of another one or of itself."""
    (folder / MODEL).write_bytes(model)
    (folder / RECORD).write_text(json.dumps({"sha256": hashlib.sha256(recorded).hexdigest()}))


class RunsAt:
    """A model that runs at some sizes only, or answers with what is no number."""

    def __init__(self, sizes: tuple[tuple[int, int], ...], value: float = 0.0) -> None:
        self.sizes, self.value = sizes, value
        self.asked: list[tuple[int, int]] = []

    def __call__(self, model: bytes) -> RunsAt:
        return self

    def run(self, crop: Crop) -> Outputs:
        self.asked.append(crop.size)
        if crop.size not in self.sizes:
            raise ModelError("OpenCV cannot run it")
        width, height = crop.size
        return Outputs(
            np.zeros((len(MASKS), height // 2, width // 2), np.float32),
            np.zeros((len(LANDMARKS), height // 4, width // 4), np.float32),
            np.full(FACT_COUNT, self.value, np.float32),
        )


@pytest.mark.parametrize("fails", [COARSE_SIZE, FINE_SIZE])
def test_a_model_has_to_run_at_both_sizes(
    fails: tuple[int, int], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    put(tmp_path, b"a model", b"a model")
    both = (COARSE_SIZE, FINE_SIZE)
    monkeypatch.setattr(module, "OnnxNetwork", whole := RunsAt(both))
    assert load_network(tmp_path) is whole  # type: ignore[comparison-overlap]
    assert sorted(whole.asked) == sorted(both)
    monkeypatch.setattr(module, "OnnxNetwork", RunsAt(tuple(size for size in both if size != fails)))
    with pytest.raises(ModelError):
        load_network(tmp_path)
    monkeypatch.setattr(module, "OnnxNetwork", RunsAt(both, value=np.nan))
    with pytest.raises(ModelError, match="finite"):
        load_network(tmp_path)


def packaged(name: str) -> bytes | None:
    """Return a file of the package's model, None where the package has no model."""
    folder = files("clawvision.outline").joinpath("model")
    return folder.joinpath(name).read_bytes() if folder.joinpath(MODEL).is_file() else None


def broken(how: str, folder: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Lay a model that cannot be used into a folder."""
    model = packaged(MODEL) or bytes(4096)
    if how == "truncated":
        put(folder, model[: len(model) // 2], model)
    elif how == "truncated as recorded":
        put(folder, model[: len(model) // 2], model[: len(model) // 2])
    elif how == "altered":
        put(folder, bytes([model[0] ^ 1]) + model[1:], model)
    elif how == "no record":
        (folder / MODEL).write_bytes(model)
    elif how == "runs at one size":
        put(folder, model, model)
        monkeypatch.setattr(module, "OnnxNetwork", RunsAt((COARSE_SIZE,)))


@pytest.mark.parametrize(
    "how", ["missing", "truncated", "truncated as recorded", "altered", "no record", "runs at one size"]
)
def test_without_a_sound_model_the_classical_segmenter_does_it_and_it_is_said(
    how: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    folder = tmp_path / "model"
    folder.mkdir()
    broken(how, folder, monkeypatch)
    monkeypatch.setattr(module, "files", lambda package: tmp_path)
    module._packaged.cache_clear()
    try:
        assert isinstance(default_segmenter(), ClassicalSegmenter)
        photo, scale, truth = side_scene()
        found = find_outlines(photo, scale, request_for("side", "LF", claw="outer"), Settings())
    finally:
        module._packaged.cache_clear()
    (claw,) = found.claws
    assert iou(outline(claw), truth) > 0.88
    (note,) = (reason for reason in found.reasons if reason.code == "learned_outline_missing")
    assert note.effect == "note"


def test_with_a_model_the_learned_segmenter_does_it(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(find, "packaged_network", lambda engine: object())
    assert isinstance(default_segmenter(), LearnedSegmenter)


class Listening:
    """Stands in for OpenCV's network and keeps what it is given."""

    def __init__(self) -> None:
        self.blobs: list[np.ndarray] = []

    def __call__(self, buffer: np.ndarray) -> Listening:
        return self

    def setInput(self, blob: np.ndarray) -> None:
        self.blobs.append(blob)

    def forward(self, names: list[str]) -> list[np.ndarray]:
        _, _, height, width = self.blobs[-1].shape
        shapes = {
            "masks": (1, 5, height // 2, width // 2),
            "landmarks": (1, 9, height // 4, width // 4),
            "facts": (1, 32),
        }
        return [np.zeros(shapes[name], np.float32) for name in names]


def test_a_picture_is_given_as_red_green_blue_from_0_to_255(monkeypatch: pytest.MonkeyPatch) -> None:
    listening = Listening()
    monkeypatch.setattr(module.cv2.dnn, "readNetFromONNX", listening)
    network = OnnxNetwork(b"")
    for width, height in (COARSE_SIZE, FINE_SIZE):
        picture = np.zeros((height, width, 3), np.uint8)
        picture[...] = (255, 40, 7)
        said = network.run(Crop(picture, np.eye(2, 3)))
        (blob,) = listening.blobs[-1:]
        assert (blob.dtype, blob.shape) == (np.float32, (1, 3, height, width))
        assert [np.unique(blob[0, channel]).tolist() for channel in range(3)] == [[255.0], [40.0], [7.0]]
        assert said.masks.shape == (5, height // 2, width // 2)
        assert said.landmarks.shape == (9, height // 4, width // 4)
        assert said.facts.shape == (32,)


# --- the model of the package -------------------------------------------------------------------------------------

needs_model = pytest.mark.skipif(packaged(MODEL) is None, reason="there is no model in the package")


@needs_model
def test_the_packaged_model_is_the_recorded_one_and_runs() -> None:
    model, record = packaged(MODEL), packaged(RECORD)
    assert model is not None and record is not None
    assert hashlib.sha256(model).hexdigest() == json.loads(record)["sha256"]
    assert len(model) == json.loads(record)["bytes"] <= 10_000_000
    assert isinstance(packaged_network(), OnnxNetwork)


@needs_model
@pytest.mark.parametrize("size", [COARSE_SIZE, FINE_SIZE])
def test_the_packaged_model_fits_its_contract_and_gives_the_same_twice(size: tuple[int, int]) -> None:
    network = packaged_network()
    assert network is not None
    width, height = size
    picture = np.random.default_rng(1).integers(0, 256, (height, width, 3), dtype=np.uint8)
    first, second = (network.run(Crop(picture, np.eye(2, 3))) for _ in range(2))
    assert first.masks.shape == (5, height // 2, width // 2)
    assert first.landmarks.shape == (9, height // 4, width // 4)
    assert first.facts.shape == (32,)
    for name in ("masks", "landmarks", "facts"):
        assert np.isfinite(getattr(first, name)).all()
        np.testing.assert_array_equal(getattr(first, name), getattr(second, name))


@needs_model
@pytest.mark.parametrize("name", ["101_side.jpg", "104_sole.jpg"])
def test_the_packaged_model_sees_horn_in_levels_from_0_to_255(name: str) -> None:
    """Whether the range is that of the training shows in what the model sees."""
    network = packaged_network()
    assert network is not None
    photo = next(photo for photo in true_photos() if photo.name == name)
    decoded, _ = read_photo(photo.folder / photo.name, name=photo.name, settings=Settings())
    horn = np.isin(photo.mask, [photo.scene["mask_ids"][claw] for claw in ("outer", "inner")])
    rows, columns = np.nonzero(horn)
    told = truth_network(photo)
    crop = canonical(
        Pyramid(decoded.pixels),
        Pose(told.toe, told.down if photo.view == "side" else None),
        np.column_stack((columns, rows)).astype(np.float64),
    )
    near = told.run(crop).masks[:2].max(axis=0) > 0

    def agreement(picture: np.ndarray) -> float:
        seen = network.run(Crop(picture, crop.matrix)).masks[:2].max(axis=0) > 0
        return float((seen & near).sum() / (seen | near).sum())

    right = agreement(crop.picture)
    assert right > 0.85
    assert agreement((crop.picture / 255.0).astype(np.uint8)) < 0.7 * right


def test_facts_are_read_in_their_units() -> None:
    facts = np.zeros(FACT_COUNT, np.float32)
    facts[1] = np.log(3.0)
    facts[9:11] = (0.0, 100.0)
    facts[12] = np.log(4.0)
    facts[20:24] = (0.5, -1.0, 0.0, np.log(0.2))
    facts[24] = -np.log(3.0)
    said = Outputs(np.zeros((len(MASKS), 1, 1), np.float32), np.zeros((len(LANDMARKS), 1, 1), np.float32), facts)
    np.testing.assert_allclose(said.views, np.array([1, 3, 1, 1, 1]) / 7.0, rtol=1e-6)
    np.testing.assert_allclose(said.iou, [0.5, 1.0], rtol=1e-6)
    assert said.landmark_sigma[LANDMARKS.index("T")] == pytest.approx(4.0)
    value, sigma = said.twist
    np.testing.assert_allclose(value, [15.0, -30.0])
    np.testing.assert_allclose(sigma, [30.0, 6.0], rtol=1e-6)
    assert said.usable == pytest.approx(0.25)
