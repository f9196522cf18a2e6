"""The confidence as a function of doubt, and its fit."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from clawvision.outline.learned.confidence import TRAITS, WEIGHTS, Doubt, confidence_of
from tests.benchmarks.confidence import Recording, collect, cross_validated, fit, gate, predicted
from tests.outline.sample_truth import truth_network
from tests.truth import true_photos

_NOTHING = dict.fromkeys(TRAITS, 0.0)


@given(values=st.lists(st.floats(0.0, 50.0), min_size=len(TRAITS), max_size=len(TRAITS)), more=st.floats(0.1, 50.0))
@settings(deadline=None, max_examples=50)
def test_more_doubt_never_makes_surer(values: list[float], more: float) -> None:
    doubt = dict(zip(TRAITS, values, strict=True))
    before = confidence_of(Doubt(**doubt))
    assert 0.0 <= before <= 1.0
    for name in TRAITS:
        assert confidence_of(Doubt(**{**doubt, name: doubt[name] + more})) <= before


def test_every_trait_has_a_weight_and_no_doubt_is_sure() -> None:
    assert set(WEIGHTS) == set(TRAITS)
    assert all(weight >= 0.0 for weight in WEIGHTS.values())
    assert confidence_of(Doubt(**_NOTHING)) > 0.95


def test_the_fit_finds_the_weights_that_made_the_data() -> None:
    random = np.random.default_rng(11)
    traits = random.exponential(1.0, (20000, 3))
    true = np.array([3.0, 1.5, 0.5, 0.0])
    good = (random.uniform(size=len(traits)) < predicted(true, traits)).astype(np.float64)
    found = fit(traits, good)
    np.testing.assert_allclose(found, true, atol=0.15)
    assert (found[1:] >= 0.0).all()
    scenes = np.arange(len(traits)) // 20 * 1.0
    chance = cross_validated(traits, good, scenes)
    for low in (0.2, 0.5, 0.8):
        inside = (chance >= low) & (chance < low + 0.15)
        assert chance[inside].mean() == pytest.approx(good[inside].mean(), abs=0.05)


def test_the_gate_keeps_gross_errors_below_the_limit() -> None:
    chance = np.array([0.99, 0.98, 0.97, 0.9, 0.5])
    good = np.array([1.0, 1.0, 1.0, 1.0, 0.0])
    assert gate(chance, good, 0.005) == (0.9, 0.8, 0.0)
    assert gate(chance, 1.0 - good, 0.005) == (1.0, 0.0, 0.0)


def test_rows_are_collected_from_photos() -> None:
    (photo,) = (photo for photo in true_photos() if photo.name == "104_sole.jpg")
    rows = list(collect((photo,), Recording(truth_network(photo))))
    assert sorted(row.claw for row in rows) == ["inner", "outer"]
    for row in rows:
        assert set(row.doubt) == set(TRAITS)
        assert not row.gross
