"""The model file: what is taken for it, and what happens where it is not."""

from __future__ import annotations

import hashlib
import json
from pathlib import Path

import numpy as np
import pytest

from clawvision.outline import find
from clawvision.outline.classical import ClassicalSegmenter
from clawvision.outline.find import default_segmenter, find_outlines
from clawvision.outline.learned import network as module
from clawvision.outline.learned.contract import COARSE_SIZE, FACT_COUNT, LANDMARKS, MASKS, Outputs
from clawvision.outline.learned.network import MODEL, RECORD, ModelError, load_network, packaged_network
from clawvision.outline.learned.segmenter import LearnedSegmenter
from clawvision.types import Settings
from tests.outline.test_outline_find import codes, request_for, side_scene


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


def test_without_a_model_the_classical_segmenter_does_it_and_it_is_said(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(module, "files", lambda package: tmp_path)
    packaged_network.cache_clear()
    try:
        assert isinstance(default_segmenter(), ClassicalSegmenter)
        photo, scale, _ = side_scene()
        found = find_outlines(photo, scale, request_for("side", "LF", claw="outer"), Settings())
        assert "learned_outline_missing" in codes(found.reasons)
        (note,) = (reason for reason in found.reasons if reason.code == "learned_outline_missing")
        assert note.effect == "note"
    finally:
        packaged_network.cache_clear()


def test_with_a_model_the_learned_segmenter_does_it(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(find, "packaged_network", lambda: object())
    assert isinstance(default_segmenter(), LearnedSegmenter)


def test_the_packaged_model_fits_its_contract_and_gives_the_same_twice() -> None:
    network = packaged_network()
    if network is None:
        pytest.skip("no model in the package")
    from clawvision.outline.learned.crop import Crop

    width, height = COARSE_SIZE
    picture = np.random.default_rng(1).integers(0, 256, (height, width, 3), dtype=np.uint8)
    first, second = (network.run(Crop(picture, np.eye(2, 3))) for _ in range(2))
    np.testing.assert_array_equal(first.masks, second.masks)
    assert np.isfinite(first.masks).all() and np.isfinite(first.landmarks).all() and np.isfinite(first.facts).all()


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
