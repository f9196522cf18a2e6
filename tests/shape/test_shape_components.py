"""Principal components of shapes."""

from __future__ import annotations

import numpy as np
import pytest

from clawvision.errors import UsageError
from clawvision.shape import align, components, outline_at, scores_of, semilandmarks, standard_frame
from clawvision.shape.components import Components, broken_stick
from clawvision.shape.procrustes import Alignment, Kind
from tests.shape.claws import moved, side_claw


def _family(
    kind: Kind = "form", lengths: tuple[float, ...] = (70, 74, 78, 82, 86, 90, 95)
) -> tuple[Alignment, Components]:
    shapes = [side_claw(length, noise=0.3, seed=int(length)) for length in lengths]
    aligned = align([semilandmarks(standard_frame(shape)) for shape in shapes], kind)
    found = components(aligned).value
    assert found is not None
    return aligned, found


@pytest.mark.parametrize("kind", ["shape", "form"])
def test_agrees_with_the_eigenvalues_of_the_covariance(kind: Kind) -> None:
    aligned, found = _family(kind)
    flat = aligned.points.reshape(len(aligned.points), -1)
    values, vectors = np.linalg.eigh(np.cov(flat, rowvar=False))
    assert found.variances == pytest.approx(values[::-1][:6], rel=1e-8)
    assert found.shares == pytest.approx(values[::-1][:6] / values.sum(), rel=1e-8)
    for index in range(3):
        assert abs(found.directions[index].ravel() @ vectors[:, -1 - index]) == pytest.approx(1.0, abs=1e-8)
    assert np.cov(found.scores, rowvar=False) == pytest.approx(np.diag(found.variances), abs=1e-9 * found.variances[0])
    back = found.mean + np.tensordot(found.scores, found.directions, axes=1)
    assert back == pytest.approx(aligned.points, abs=1e-9 * np.abs(aligned.points).max())


def test_there_are_at_most_one_fewer_components_than_shapes() -> None:
    assert len(_family(lengths=(70, 80, 90))[1].variances) == 2
    # three points in the plane: 6 coordinates less place, rotation and size leave 2, however many shapes there are
    rng = np.random.default_rng(0)
    triangles = [np.array([[0, 0], [30, 0], [10, 20.0]]) + rng.normal(size=(3, 2)) for _ in range(20)]
    found = components(align(triangles, "shape")).value
    assert found is not None
    assert len(found.variances) == 2


@pytest.mark.parametrize("count", [1, 2])
def test_too_few_shapes_give_none_with_a_reason(count: int) -> None:
    found = components(align([semilandmarks(standard_frame(side_claw(70.0 + i))) for i in range(count)]))
    assert found.value is None
    assert found.reason is not None and f"{count} shapes" in found.reason


def test_equal_shapes_give_none_with_a_reason() -> None:
    found = components(align([semilandmarks(standard_frame(side_claw()))] * 4))
    assert found.value is None
    assert found.reason == "All shapes are the same."


def test_the_broken_stick_is_that_of_random_breaks() -> None:
    assert broken_stick(3) == pytest.approx([11 / 18, 5 / 18, 2 / 18])  # (1 + 1/2 + 1/3) / 3 and so on
    assert broken_stick(12).sum() == pytest.approx(1.0)
    rng = np.random.default_rng(0)
    breaks = np.sort(rng.uniform(size=(40000, 4)), axis=1)
    pieces = np.diff(np.hstack((np.zeros((40000, 1)), breaks, np.ones((40000, 1)))), axis=1)
    assert np.sort(pieces, axis=1)[:, ::-1].mean(axis=0) == pytest.approx(broken_stick(5), abs=0.004)


def test_one_way_of_differing_stands_above_chance_and_noise_does_not() -> None:
    _, found = _family()
    assert found.shares[0] > 0.8
    assert found.above == 1
    rng = np.random.default_rng(3)
    base = semilandmarks(standard_frame(side_claw()))
    noise = components(align([base + rng.normal(size=base.shape) for _ in range(15)], "form")).value
    assert noise is not None
    assert noise.above == 0


def test_the_first_component_of_claws_of_unlike_length_moves_the_toe() -> None:
    _, found = _family()
    # the sign of a component has no meaning
    shorter, longer = sorted(
        (outline_at(found, 0, sign) for sign in (-2.0, 2.0)), key=lambda p: np.hypot(*(p[0] - p[21]))
    )
    middle = outline_at(found, 0, 0.0)
    assert middle == pytest.approx((longer + shorter) / 2)
    # wall length: T is point 0, C comes after 20 semilandmarks
    walls = [float(np.hypot(*(points[0] - points[21]))) for points in (shorter, middle, longer)]
    assert walls[1] == pytest.approx(np.mean((70, 74, 78, 82, 86, 90, 95)), abs=0.6)
    spread = np.std((70, 74, 78, 82, 86, 90, 95), ddof=1)
    assert walls[2] - walls[0] == pytest.approx(4 * spread, rel=0.1)


@pytest.mark.parametrize("kind", ["shape", "form"])
def test_scores_of_a_member_and_of_a_moved_claw(kind: Kind) -> None:
    aligned, found = _family(kind)
    shape = side_claw(78, noise=0.3, seed=78)
    own = scores_of(semilandmarks(standard_frame(shape)), found)
    assert own == pytest.approx(found.scores[2], abs=1e-7 * np.abs(aligned.points).max())
    other = scores_of(semilandmarks(standard_frame(moved(shape, 12.0, (40, -9), start=50, mirror=True))), found)
    # 0.5: what another hull corner at the start of the search may do, over 84 points; see the frame's tests
    assert other == pytest.approx(own, abs=(0.5 if kind == "form" else 0.5 / aligned.mm) * 3)


def test_shape_is_drawn_in_mm_at_mean_size() -> None:
    aligned, found = _family("shape")
    assert np.linalg.norm(outline_at(found, 0, 0.0)) == pytest.approx(aligned.sizes.mean(), rel=1e-12)


def test_what_does_not_fit_is_told() -> None:
    _, found = _family()
    with pytest.raises(UsageError, match="no component 9"):
        outline_at(found, 8, 1.0)
    with pytest.raises(UsageError, match="another number of points"):
        scores_of(np.zeros((5, 2)), found)
