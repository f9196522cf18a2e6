"""The uncertainty of a difference of two photos, against Monte Carlo and closed forms."""

from __future__ import annotations

from itertools import pairwise
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from clawvision.compare.change import CORRELATIONS, Source, Term, combined, correlation, difference, source_of
from clawvision.compare.pairs import MOST_DAYS
from clawvision.compare.register import LIMIT_MM, MOST_NEW_SHARE
from clawvision.output.record import photo_record
from tests.compare.synthetic import measure, side_photo, side_shape

CAMERA, CARD = ("Anyphone", "One"), ("card", 0.002)
CAUSES = (
    "focal_length",
    "reference_size",
    "plane_offset",
    "build_hair_coronet.outer",
    "model.outer",
    "outline_1.outer",
    "hair_learned.outer",
)


def source(photo: str, camera: object = CAMERA, card: object = CARD) -> Source:
    return Source(photo, camera, card)  # type: ignore[arg-type]


def simulated(parts: list[tuple[float, dict[str, float], Source]], count: int = 400_000) -> float:
    """Return the expanded uncertainty of a weighted sum by drawing every cause, correlated as the table says."""
    chance = np.random.default_rng(11)
    total = np.zeros(count)
    for cause in dict.fromkeys(cause for _, budget, _ in parts for cause in budget):
        having = [(weight * budget[cause], where) for weight, budget, where in parts if cause in budget]
        matrix = np.array([[correlation(cause, one, other) for _, other in having] for _, one in having])
        # Symmetric square root, which also exists where causes are wholly shared.
        values, vectors = np.linalg.eigh(matrix)
        assert values.min() > -1e-9  # the table makes a matrix that correlations can be
        root = vectors @ np.diag(np.sqrt(np.maximum(values, 0.0))) @ vectors.T
        drawn = chance.normal(size=(count, len(having))) @ root.T
        total += drawn @ np.array([size for size, _ in having])
    return 2.0 * float(total.std())


@given(
    st.lists(st.floats(-2.0, 2.0), min_size=len(CAUSES), max_size=len(CAUSES)),
    st.lists(st.floats(-2.0, 2.0), min_size=len(CAUSES), max_size=len(CAUSES)),
    st.booleans(),
)
@settings(deadline=None, max_examples=8)
def test_the_difference_is_as_uncertain_as_monte_carlo_says(
    first: list[float], second: list[float], same_camera: bool
) -> None:
    then, now = (dict(zip(CAUSES, sizes, strict=True)) for sizes in (first, second))
    one, other = source("a.jpg"), source("b.jpg", CAMERA if same_camera else ("Other", "Two"))
    found = combined([Term(-1.0, 100.0, measure(1.0, then).uncertainty or 0.0, tuple(then.items()), one),
                      Term(1.0, 80.0, measure(1.0, now).uncertainty or 0.0, tuple(now.items()), other)])  # fmt: skip
    assert found.value == -20.0
    # A standard deviation of 400 000 draws is known to 0.11 % (1 / sqrt(2 n)); five times that.
    assert found.uncertainty == pytest.approx(simulated([(-1.0, then, one), (1.0, now, other)]), rel=0.006, abs=1e-6)


def test_the_interval_of_a_difference_holds_the_truth_nineteen_times_in_twenty() -> None:
    """Photos simulated from the stated causes; the true cut is 26 mm."""
    budget = {"focal_length": -0.8, "reference_size": 0.3, "plane_offset": 0.7, "build_hair_coronet.outer": 1.0,
              "model.outer": 0.5, "outline_1.outer": 0.3}  # fmt: skip
    one, other = source("a.jpg"), source("b.jpg")
    chance = np.random.default_rng(2)
    hits, rounds = 0, 4000
    for _ in range(rounds):
        errors = []
        shared = {cause: chance.normal() for cause in budget}
        for where in (one, other):
            parts = []
            for cause, size in budget.items():
                rho = correlation(cause, one, other)
                parts.append(size * (np.sqrt(rho) * shared[cause] + np.sqrt(1.0 - rho) * chance.normal()))
            errors.append((where, sum(parts)))
        terms = [
            Term(weight, true + error, measure(1.0, budget).uncertainty or 0.0, tuple(budget.items()), where)
            for weight, true, (where, error) in zip((-1.0, 1.0), (110.0, 84.0), errors, strict=True)
        ]
        found = combined(terms)
        hits += abs(found.value + 26.0) <= found.uncertainty
    # k = 2 of a normal distribution holds 95.45 %; five standard errors of 4000 draws are 1.6 %.
    assert hits / rounds == pytest.approx(0.9545, abs=0.016)


def test_four_photos_of_two_claws_share_camera_and_card() -> None:
    parts = []
    for weight, name, claw in ((-1.0, "a", "outer"), (1.0, "b", "inner"), (1.0, "c", "outer"), (-1.0, "d", "inner")):
        budget = {"focal_length": 0.6, "reference_size": 0.3, "plane_offset": 0.7,
                  f"build_hair_coronet.{claw}": 1.0, f"model.{claw}": 0.5}  # fmt: skip
        parts.append((weight, budget, source(name)))
    terms = [Term(w, 0.0, measure(1.0, b).uncertainty or 0.0, tuple(b.items()), s) for w, b, s in parts]
    assert combined(terms).uncertainty == pytest.approx(simulated(parts), rel=0.006)
    # Closed form: camera, card and builds cancel; four offsets stay, and of each claw's model 2 · 0.25 · (1 − 0.5).
    assert combined(terms).uncertainty == pytest.approx(2.0 * np.sqrt(4 * 0.49 + 2 * 0.25))


def test_what_is_wholly_shared_cancels_and_opposite_signs_add() -> None:
    same = measure(100.0, {"build_width.outer": 1.5})
    records = (
        photo_record(side_photo("a.jpg", "before", side_shape())),
        photo_record(side_photo("b.jpg", "after", side_shape())),
    )
    one, other = (source_of(record, 1.0) for record in records)
    like = type(records[0].claws["outer"].measures["toe_length"])
    first = like(value=100.0, uncertainty=3.0, unit="mm", budget=dict(same.budget))
    against = like(value=90.0, uncertainty=3.0, unit="mm", budget={"build_width.outer": -1.5})
    alike, opposed = difference(first, first, one, other), difference(first, against, one, other)
    assert alike is not None and opposed is not None
    assert alike.uncertainty == pytest.approx(0.0, abs=1e-9) and alike.cancelled == ("build_width.outer",)
    assert opposed.uncertainty == pytest.approx(6.0) and opposed.cancelled == ()
    missing = like(value=None, uncertainty=None, unit="mm", reason="hidden")
    assert difference(first, missing, one, other) is None


def test_contributions_too_small_to_be_listed_count_as_independent() -> None:
    listed = Term(1.0, 5.0, 2.0, (("plane_offset", 0.6),), source("a"))
    nothing = Term(-1.0, 4.0, 1.0, (), source("b"))
    assert combined([listed, nothing]).uncertainty == pytest.approx(np.hypot(2.0, 1.0))


def test_which_photos_share_a_camera_and_a_card() -> None:
    def of(photo: str, camera: str = "Anyphone", print_scale: float = 1.0) -> Source:
        return source_of(photo_record(side_photo(photo, "before", side_shape(), camera=camera)), print_scale)

    one, other = of("a.jpg"), of("b.jpg")
    assert correlation("focal_length", one, other) == 1.0
    assert correlation("focal_length", one, of("b.jpg", camera="Other")) == 0.0
    assert correlation("reference_size", one, other) == 1.0
    assert correlation("reference_size", one, of("b.jpg", print_scale=0.98)) == 0.0
    assert correlation("build_width.outer", one, other) == 1.0
    assert correlation("model.both", one, other) == 0.5
    for cause in ("reference_pose_3", "outline_1.outer", "plane_yaw", "landmark_C_x.outer", "something_new"):
        assert correlation(cause, one, other) == 0.0
        assert correlation(cause, one, one) == 1.0


def test_the_table_names_each_cause_once() -> None:
    names = [cause for row in CORRELATIONS for cause in row.causes]
    assert len(set(names)) == len(names)
    assert not any(other.startswith(one) for one, other in pairwise(sorted(names)))
    assert all("judgement" in row.basis for row in CORRELATIONS)


def test_the_page_holds_the_table() -> None:
    page = (Path(__file__).parents[2] / "docs" / "compare.md").read_text(encoding="utf-8")
    rows = {cells[0]: cells for line in page.splitlines() if len(cells := line.strip("| ").split(" | ")) == 3}
    for row in CORRELATIONS:
        name = ", ".join(f"`{cause}…`" if cause.endswith("_") else f"`{cause}`" for cause in row.causes)
        key = next(each for each in rows if set(each.split(", ")) == set(name.split(", ")))
        assert float(rows[key][1]) == row.value
    assert f"at most {MOST_DAYS} days" in page
    assert f"Beyond {LIMIT_MM:g} mm" in page and f"more than {100 * MOST_NEW_SHARE:g} %" in page
