"""Propagation against the GUM's worked example and against the package ``uncertainties``."""

from __future__ import annotations

import numpy as np
import pytest
from uncertainties import correlated_values, umath

from clawvision.measure.budget import with_uncertainty
from clawvision.types import Measure

# GUM (JCGM 100:2008) H.2, simultaneous resistance and reactance: V (V), I (A), φ (rad), from memory; the results below
# are those published there: R 127.732(71), X 219.85(30), Z 254.26(24), correlations -0.588, -0.485, 0.993.
MEANS = np.array([4.9990, 19.6610e-3, 1.04446])
SPREADS = np.array([0.0032, 0.0095e-3, 0.00075])
CORRELATIONS = np.array([[1.0, -0.355, 0.858], [-0.355, 1.0, -0.645], [0.858, -0.645, 1.0]])
COVARIANCE = CORRELATIONS * np.outer(SPREADS, SPREADS)
UNITS = {"R": "mm", "X": "mm", "Z": "mm"}


def circuit(inputs: np.ndarray) -> dict[str, float]:
    volt, ampere, phase = inputs
    return {"R": volt / ampere * np.cos(phase), "X": volt / ampere * np.sin(phase), "Z": volt / ampere}


def measured() -> dict[str, Measure]:
    """Propagate as the program does for a pose: one independent cause for each eigenvector of the covariance."""
    values, vectors = np.linalg.eigh(COVARIANCE)
    moved = [(f"input_{i}", circuit(MEANS + np.sqrt(values[i]) * vectors[:, i])) for i in range(3)]
    return with_uncertainty(circuit(MEANS), moved, UNITS)


@pytest.mark.parametrize(
    ("name", "value", "standard"), [("R", 127.732, 0.071), ("X", 219.85, 0.295), ("Z", 254.26, 0.236)]
)
def test_gum_h2_values_and_uncertainties(name: str, value: float, standard: float) -> None:
    measure = measured()[name]
    assert measure.value == pytest.approx(value, abs=0.006)
    assert measure.uncertainty == pytest.approx(2 * standard, rel=0.02)


@pytest.mark.parametrize(("a", "b", "correlation"), [("R", "X", -0.588), ("R", "Z", -0.485), ("X", "Z", 0.993)])
def test_signed_contributions_carry_the_correlation(a: str, b: str, correlation: float) -> None:
    measures = measured()
    first, second = measures[a].budget, measures[b].budget
    shared = sum(first.get(cause, 0.0) * second.get(cause, 0.0) for cause in {*first, *second})
    assert measures[a].uncertainty is not None and measures[b].uncertainty is not None
    assert shared / (measures[a].uncertainty / 2 * measures[b].uncertainty / 2) == pytest.approx(correlation, abs=0.012)


def test_agrees_with_the_package_uncertainties() -> None:
    volt, ampere, phase = correlated_values(MEANS, COVARIANCE)
    expected = {"R": volt / ampere * umath.cos(phase), "X": volt / ampere * umath.sin(phase), "Z": volt / ampere}
    for name, measure in measured().items():
        assert measure.uncertainty == pytest.approx(2 * expected[name].std_dev, rel=0.01)


def test_a_value_that_is_not_determined_is_null_with_a_reason() -> None:
    measures = with_uncertainty({"R": 1.0, "X": 2.0}, [("cause", {"R": float("nan"), "X": 2.1})], UNITS)
    assert measures["R"].value is None and measures["R"].uncertainty is None and measures["R"].reason
    assert measures["X"].uncertainty == pytest.approx(0.2)


def test_the_expanded_uncertainty_is_twice_the_root_of_the_sum_of_squares() -> None:
    moved = [("a", {"R": 13.0}), ("b", {"R": 6.0})]
    measure = with_uncertainty({"R": 10.0}, moved, UNITS, {"R": ("rest", 12.0)})["R"]
    assert measure.uncertainty == pytest.approx(2 * 13.0)  # 3, 4 and 12
    assert dict(measure.budget) == {"a": 3.0, "b": -4.0, "rest": 12.0}
