"""Change of shape over time."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import stats

from clawvision.errors import UsageError
from clawvision.shape import (
    Components,
    Repeatability,
    StandardShape,
    align,
    components,
    repeatability_from_sd,
    repeatability_of,
    semilandmarks,
    shape_paths,
    standard_frame,
)
from clawvision.shape.components import scores_of
from tests.shape.claws import side_claw


def claw(length: float, day: float | None, seed: int, animal: str = "Pebble") -> StandardShape:
    return standard_frame(side_claw(length, animal=animal, day=day, noise=0.4, seed=seed))


@pytest.fixture(scope="module")
def found() -> Components:
    herd = [claw(length, 0.0, i, f"Cow {i}") for i, length in enumerate((70, 72, 75, 78, 80, 84, 88, 92))]
    value = components(align([semilandmarks(shape) for shape in herd], "form")).value
    assert value is not None
    return value


@pytest.fixture(scope="module")
def repeats(found: Components) -> Repeatability:
    shapes = [(claw(length, 0.0, 100 + 10 * length + i), length) for length in (72, 80, 88) for i in range(6)]
    scores = np.array([scores_of(semilandmarks(shape), found)[:2] for shape, _ in shapes])
    return repeatability_of(scores, [group for _, group in shapes])


def test_a_wall_that_grew_is_beyond_repeats_and_an_unchanged_one_within(
    found: Components, repeats: Repeatability
) -> None:
    grown = [
        claw(length, day, 500 + i, "Sorrel")
        for i, (day, length) in enumerate(((60.0, 82.0), (0.0, 72.0), (30.0, 77.0)))
    ]
    same = [claw(80.0, day, 600 + i, "Juniper") for i, day in enumerate((0.0, 30.0, 60.0))]
    first, second = shape_paths([*grown, *same], found, repeats)
    assert first.name == "Sorrel LH outer claw"
    assert first.days.tolist() == [0.0, 30.0, 60.0]
    assert first.verdicts == ("beyond repeats", "beyond repeats")
    assert (np.diff(first.distance) > 0).all()
    assert first.distance[0] == pytest.approx(0.0, abs=1e-9)
    assert second.verdicts == ("within repeats", "within repeats")


def test_unchanged_claws_are_called_changed_no_more_often_than_the_level(
    found: Components, repeats: Repeatability
) -> None:
    """Of 120 claws at 5 % 6 are expected; 16 or more come by chance less than once in 2000 (binomial)."""
    shapes = [claw(78.0, float(day), 1000 + 2 * i + day, f"Cow {i}") for i in range(120) for day in (0, 1)]
    wrong = sum(path.verdicts == ("beyond repeats",) for path in shape_paths(shapes, found, repeats))
    assert wrong < 16


def test_p_is_that_of_chi_squared_and_of_hotelling(found: Components) -> None:
    shapes = [claw(74.0, 0.0, 1), claw(76.0, 9.0, 2)]
    covariance = np.array([[9.0, 2.0], [2.0, 4.0]])
    (known,) = shape_paths(shapes, found, Repeatability(covariance))
    away = (known.scores[1] - known.scores[0])[:2]
    squared = away @ np.linalg.inv(2 * covariance) @ away
    assert known.p == pytest.approx([stats.chi2.sf(squared, 2)])
    (estimated,) = shape_paths(shapes, found, Repeatability(covariance, 11))
    assert estimated.p == pytest.approx([stats.f.sf(squared * 10 / (2 * 11), 2, 10)])
    assert estimated.p[0] > known.p[0]
    (one,) = shape_paths(shapes, found, repeatability_from_sd([3.0]))
    assert one.p == pytest.approx([2 * stats.norm.sf(abs(away[0]) / (3.0 * np.sqrt(2)))])


def test_the_level_is_shared_out_over_the_days(found: Components) -> None:
    shapes = [claw(74.0, 0.0, 1), claw(76.0, 9.0, 2)]
    (path,) = shape_paths(shapes, found, repeatability_from_sd([8.0]))
    assert path.p is not None
    level = float(path.p[0]) * 1.5
    assert shape_paths(shapes, found, repeatability_from_sd([8.0]), level=level)[0].verdicts == ("beyond repeats",)
    twice = [*shapes, claw(76.0, 20.0, 2)]
    (path,) = shape_paths(twice, found, repeatability_from_sd([8.0]), level=level)
    assert path.verdicts == ("within repeats", "within repeats")


def test_without_repeats_it_cannot_tell(found: Components) -> None:
    shapes = [claw(70.0, 0.0, 1), claw(95.0, 60.0, 2), claw(75.0, 0.0, 3, "Once")]
    (path,) = shape_paths(shapes, found)  # a claw seen once has no path
    assert path.verdicts == ("cannot tell",)
    assert path.p is None
    assert path.reason is not None and path.reason.startswith("Cannot tell")
    (path,) = shape_paths(shapes, found, repeatability_from_sd([1.0, 1.0, 1.0], degrees=2))
    assert path.verdicts == ("cannot tell",)
    assert path.reason is not None and "too few repeats" in path.reason


def test_distance_of_form_is_in_mm_per_point_and_of_shape_in_radians(found: Components) -> None:
    shapes = [claw(72.0, 0.0, 1), claw(80.0, 60.0, 1)]
    (form,) = shape_paths(shapes, found)
    assert 0.5 < form.distance[1] < 8.0  # C moved by 8 mm, the sole hardly
    value = components(align([semilandmarks(claw(70.0 + 4 * i, 0.0, i)) for i in range(4)], "shape")).value
    assert value is not None
    (shape,) = shape_paths(shapes, value)
    assert 0.005 < shape.distance[1] < 0.2


def test_pooled_within_covariance() -> None:
    scores = np.array([[1.0, 0.0], [3.0, 1.0], [10.0, 5.0], [10.0, 7.0], [13.0, 6.0]])
    found = repeatability_of(scores, ["a", "a", "b", "b", "b"])
    a, b = np.cov(scores[:2], rowvar=False), np.cov(scores[2:], rowvar=False)
    assert found.covariance == pytest.approx((a * 1 + b * 2) / 3)
    assert found.degrees == 3


def test_wrong_repeatability_is_told(found: Components) -> None:
    shapes = [claw(70.0, 0.0, 1), claw(72.0, 5.0, 2)]
    with pytest.raises(UsageError, match="components, the shapes have"):
        shape_paths(shapes, found, repeatability_from_sd([1.0] * 9))
    with pytest.raises(UsageError, match="no covariance"):
        Repeatability(np.array([[1.0, 2.0], [0.0, 1.0]]))
    with pytest.raises(UsageError, match="without any scatter"):
        repeatability_from_sd([1.0, 0.0])
    with pytest.raises(UsageError, match="degrees of freedom"):
        repeatability_of(np.ones((3, 2)), ["a", "a", "b"])
    with pytest.raises(UsageError, match="as many groups"):
        repeatability_of(np.ones((3, 2)), ["a"])
    with pytest.raises(UsageError, match="day is missing"):
        shape_paths([claw(70.0, None, 1)], found)
