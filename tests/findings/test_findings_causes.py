"""The simulated feet of ``tests/benchmarks/causes.py`` on a small scale, and the page that shows them."""

from __future__ import annotations

import re
from pathlib import Path

import numpy as np
import pytest

from clawvision.types import Measure
from tests.benchmarks import causes
from tests.benchmarks.causes import CAUSES, COUNTED, MUSTS, Result

PAGE = (Path(__file__).parents[2] / "docs" / "findings-check.md").read_text(encoding="utf-8")
ANIMALS = 40


@pytest.fixture(scope="module")
def result() -> Result:
    return causes.simulate(ANIMALS, seed=7)


def test_what_must_hold_holds_on_a_few_animals(result: Result) -> None:
    # The page has 2,000 of each cause; of these few a share may fall short by chance (three standard errors).
    found = result.share(causes.FOUND)
    assert found.cases >= 10 and found.value >= 0.95 - 3.0 * np.sqrt(0.95 * 0.05 / found.cases)
    soon = result.share(causes.SOON)
    assert soon.cases >= 80 and soon.value < 0.02
    for never in (causes.TWIST_SPARE, causes.FAR_SPARE):
        assert result.share(never).cases >= 20 and result.share(never).hits == 0
    right = {"overdue trim": ("overdue", "long"), "unloading": ("one claw",), "too short": ("too short",)}
    right |= {"twisted, one foot": ("twisted, one",), "twisted, both hind feet": ("twisted, both", "twisted, one")}
    for cause, readings in right.items():
        assert sum(result.confusion[cause][each] for each in readings) > 0.7 * ANIMALS, cause
    assert result.confusion["overdue trim"]["overdue"] > 0
    assert result.confusion["healthy"]["nothing found"] > 0.8 * ANIMALS


def test_the_simulation_is_the_same_for_the_same_seed(result: Result) -> None:
    again = causes.simulate(3, seed=7)
    assert again.confusion == causes.simulate(3, seed=7).confusion
    assert causes.simulate(3, seed=8).counts != again.counts


def test_photographed_values_err_as_much_as_they_state() -> None:
    """Of values drawn with their stated uncertainty (k = 2) 95.45 % lie within it: the normal distribution."""
    held: list[bool] = []
    for animal in causes.animals("healthy", 150, 3):
        for photo in causes.photographed(animal, np.random.default_rng([3, len(held)])):
            truth = animal.feet[photo.request.foot or "LH"]
            for claw, measures in photo.claws.items():
                # A twist below 0 counts as 0, which only helps.
                held += [
                    _holds(each, truth.claws[claw][name]) for name, each in measures.items() if name != "helical_twist"
                ]
            if photo.foot_measures:
                held.append(_holds(photo.foot_measures["length_difference"], truth.difference()))
    assert np.mean(held) == pytest.approx(0.9545, abs=4.0 * np.sqrt(0.9545 * 0.0455 / len(held)))


def _holds(measure: Measure, truth: float) -> bool:
    assert measure.value is not None and measure.uncertainty is not None
    return abs(measure.value - truth) <= measure.uncertainty


def test_the_page_holds_the_inputs_and_every_row_of_the_results(result: Result) -> None:
    assert causes.inputs() in PAGE
    for name in COUNTED:
        assert re.search(rf"^\| {re.escape(name)} \| .+ \| {re.escape(MUSTS.get(name, ''))} \|$", PAGE, re.MULTILINE)
    for cause in CAUSES:
        assert f"\n| {cause} | " in PAGE
    for row in causes.tables(result).splitlines():
        if row.startswith("| rule shown") or row.startswith("| true cause"):
            assert row in PAGE
