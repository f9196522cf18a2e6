"""What lies beside the claw, read back by an independent detector."""

from __future__ import annotations

import cv2
import numpy as np
import pytest

from clawvision.scale.geometry import CARD_HEIGHT, CARD_WIDTH, MARKER_ORIGINS, MARKER_SIZE
from clawvision.scenes.references import TEXTURE_HEIGHT, TEXTURE_WIDTH, sample_reference


def test_every_texture_has_one_size() -> None:
    rng = np.random.default_rng(0)
    for _ in range(40):
        reference = sample_reference(rng)
        assert reference.texture.shape == (TEXTURE_HEIGHT, TEXTURE_WIDTH, 3)
        assert reference.texture.dtype == np.uint8
        assert reference.width_mm >= reference.height_mm or reference.kind == "paper"


def test_the_card_s_markers_are_found_where_the_card_has_them() -> None:
    detector = cv2.aruco.ArucoDetector(cv2.aruco.getPredefinedDictionary(cv2.aruco.DICT_4X4_50))
    found = 0
    for seed in range(12):
        reference = sample_reference(np.random.default_rng(seed), "card")
        picture = cv2.resize(reference.texture, (856, 540))
        corners, ids, _ = detector.detectMarkers(cv2.copyMakeBorder(picture, 40, 40, 40, 40, cv2.BORDER_REPLICATE))
        for number, quad in zip(np.reshape(ids, -1).tolist() if ids is not None else [], corners, strict=True):
            place = np.reshape(quad, (4, 2)) - 40
            x, y = MARKER_ORIGINS[number]
            expected = np.array(
                [(x, y), (x + MARKER_SIZE, y), (x + MARKER_SIZE, y + MARKER_SIZE), (x, y + MARKER_SIZE)]
            )
            expected = expected * np.array([856 / CARD_WIDTH, 540 / CARD_HEIGHT])
            assert np.abs(place - expected).max() < 4.0
            assert number not in reference.hidden
            found += 1
        shown = 4 - len(reference.hidden)
        assert (0 if ids is None else len(np.reshape(ids, -1))) >= shown - 1
    assert found > 30


@pytest.mark.parametrize("seed", range(6))
def test_a_ruler_s_ticks_are_a_millimetre_apart(seed: int) -> None:
    reference = sample_reference(np.random.default_rng(seed), "ruler")
    row = reference.texture[4:20].astype(np.float64).mean(axis=(0, 2))
    row = row - np.convolve(row, np.ones(41) / 41, mode="same")
    spectrum = np.abs(np.fft.rfft(row * np.hanning(len(row)), 8 * len(row)))
    waves = np.arange(len(spectrum)) / 8 / reference.width_mm  # per mm
    near = (waves > 0.8) & (waves < 1.3)
    assert waves[near][np.argmax(spectrum[near])] == pytest.approx(1.0, abs=0.01)
