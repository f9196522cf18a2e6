"""Procrustes superimposition against scipy, the closed form in complex numbers and a minimiser."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.optimize import minimize
from scipy.spatial import procrustes

from clawvision.errors import UsageError
from clawvision.shape import align, compare, semilandmarks, standard_frame
from clawvision.shape.procrustes import centroid_size, fitted, rotation_onto
from tests.shape.claws import side_claw


def turned(points: np.ndarray, degrees: float) -> np.ndarray:
    a = np.radians(degrees)
    return points @ np.array([[np.cos(a), np.sin(a)], [-np.sin(a), np.cos(a)]])


def pair(seed: int, spread: float = 0.3, points: int = 12) -> tuple[np.ndarray, np.ndarray]:
    rng = np.random.default_rng(seed)
    first = rng.normal(size=(points, 2)) * (30.0, 12.0)
    return first, turned(first + rng.normal(size=first.shape) * spread * 12.0, rng.uniform(-180, 180)) * 1.3 + 40.0


def as_complex(points: np.ndarray) -> np.ndarray:
    z = points[:, 0] + 1j * points[:, 1]
    return z - z.mean()


@pytest.mark.parametrize("seed", range(8))
def test_a_pair_agrees_with_scipy_and_with_complex_numbers(seed: int) -> None:
    first, second = pair(seed)
    found = compare(first, second)
    assert found.full**2 == pytest.approx(procrustes(first, second)[2], rel=1e-9)
    # in the plane rotation and scale are one complex factor, whose best value is an inner product
    z, w = as_complex(first), as_complex(second)
    cosine = abs(np.vdot(z, w)) / (np.linalg.norm(z) * np.linalg.norm(w))
    assert found.angle == pytest.approx(np.arccos(cosine), rel=1e-6)
    assert found.partial == pytest.approx(np.sqrt(2 - 2 * cosine), rel=1e-6)
    form = np.sqrt(np.linalg.norm(z) ** 2 + np.linalg.norm(w) ** 2 - 2 * abs(np.vdot(z, w)))
    assert found.form_mm == pytest.approx(form, rel=1e-9)
    assert found.per_point_mm == pytest.approx(form / np.sqrt(12))


@pytest.mark.parametrize("seed", range(4))
def test_the_rotation_is_the_best_of_all_angles(seed: int) -> None:
    first, second = (points - points.mean(axis=0) for points in pair(seed))
    best = np.linalg.norm(second @ rotation_onto(second, first) - first)
    others = [np.linalg.norm(turned(second, angle) - first) for angle in np.arange(0, 360, 0.5)]
    assert best <= min(others) <= best * 1.001


def test_a_mirror_image_is_another_shape() -> None:
    """scipy.spatial.procrustes lets a reflection count as a rotation, this does not."""
    claw = semilandmarks(standard_frame(side_claw()))
    mirrored = claw * (-1.0, 1.0)
    assert procrustes(claw, mirrored)[2] == pytest.approx(0.0, abs=1e-12)
    found = compare(claw, mirrored)
    z, w = as_complex(claw), as_complex(mirrored)
    cosine = abs(np.vdot(z, w)) / np.linalg.norm(z) ** 2
    assert found.full == pytest.approx(np.sqrt(1 - cosine**2))
    assert found.full > 0.1
    assert np.linalg.det(rotation_onto(mirrored, claw)) == pytest.approx(1.0)


@given(
    degrees=st.floats(-180, 180),
    scale=st.floats(0.2, 5.0),
    shift=st.tuples(st.floats(-900, 900), st.floats(-900, 900)),
    seed=st.integers(0, 50),
)
@settings(max_examples=60, deadline=None)
def test_distances_do_not_know_place_turn_and_where_asked_size(
    degrees: float, scale: float, shift: tuple[float, float], seed: int
) -> None:
    first, second = pair(seed)
    moved = scale * turned(second, degrees) + shift
    one, other = compare(first, second), compare(first, moved)
    assert other.angle == pytest.approx(one.angle, abs=1e-9)
    assert compare(moved, first).angle == pytest.approx(one.angle, abs=1e-9)
    assert compare(second, moved).form_mm == pytest.approx(abs(scale - 1) * centroid_size(second), abs=1e-6)
    assert compare(second, moved).angle == pytest.approx(0.0, abs=1e-9)


def _sample(count: int = 9, seed: int = 0) -> list[np.ndarray]:
    rng = np.random.default_rng(seed)
    base = rng.normal(size=(7, 2)) * 20
    return [
        turned(base + rng.normal(size=base.shape) * 2, rng.uniform(-60, 60)) * rng.uniform(0.7, 1.4)
        + rng.normal(size=2) * 50
        for _ in range(count)
    ]


@pytest.mark.parametrize("kind", ["shape", "form"])
def test_no_other_mean_is_nearer_to_all(kind: str) -> None:
    """Against a general minimiser of the sum of squared distances, which knows nothing of iteration."""
    shapes = _sample()
    found = align(shapes, kind)  # type: ignore[arg-type]
    assert found.settled
    zs = [as_complex(points) for points in shapes]
    if kind == "shape":
        zs = [z / np.linalg.norm(z) for z in zs]

    def total(flat: np.ndarray) -> float:
        m = as_complex(flat.reshape(7, 2))
        if kind == "shape":
            m = m / np.linalg.norm(m)
        return float(sum(np.vdot(m, m).real + np.vdot(z, z).real - 2 * abs(np.vdot(m, z)) for z in zs))

    start = found.mean.ravel() + np.random.default_rng(1).normal(size=14) * 0.05 * np.abs(found.mean).max()
    least = minimize(total, start, method="BFGS", options={"gtol": 1e-7}).fun
    assert (found.distances**2).sum() == pytest.approx(least, rel=1e-6)
    assert (found.distances**2).sum() <= total(start)


@pytest.mark.parametrize("kind", ["shape", "form"])
def test_alignment_does_not_know_order_place_and_turn(kind: str) -> None:
    shapes = _sample()
    found = align(shapes, kind)  # type: ignore[arg-type]
    again = align([turned(points, 10.0 * i) + i for i, points in enumerate(shapes[::-1])], kind)  # type: ignore[arg-type]
    assert again.distances[::-1] == pytest.approx(found.distances, rel=1e-6)
    assert compare(again.mean, found.mean).angle == pytest.approx(0.0, abs=1e-6)


def test_size_is_kept_by_form_and_dropped_by_shape() -> None:
    shapes = [semilandmarks(standard_frame(side_claw())) * scale for scale in (0.9, 1.0, 1.2)]
    form, shape = align(shapes, "form"), align(shapes, "shape")
    assert shape.distances == pytest.approx(0.0, abs=1e-9)
    assert form.sizes[2] / form.sizes[0] == pytest.approx(1.2 / 0.9)
    assert form.sizes == pytest.approx([centroid_size(points) for points in shapes])
    assert np.linalg.norm(form.points, axis=(1, 2)) == pytest.approx(form.sizes)
    assert np.linalg.norm(shape.points, axis=(1, 2)) == pytest.approx(1.0)
    assert shape.mm == pytest.approx(form.sizes.mean())
    assert form.mm == 1.0
    # both come out upright, as the input lay
    assert rotation_onto(form.mean, shapes[0]) == pytest.approx(np.eye(2), abs=1e-9)


def test_one_shape_is_its_own_mean_and_fits_itself() -> None:
    points = semilandmarks(standard_frame(side_claw()))
    alone = align([points], "form")
    assert alone.distances == pytest.approx([0.0])
    assert fitted(turned(points, 33.0) + 5, alone.mean, "form") == pytest.approx(alone.mean, abs=1e-9)


@pytest.mark.parametrize(
    ("shapes", "words"),
    [
        ([], "no configurations"),
        ([np.zeros((5, 2)), np.zeros((4, 2))], "unlike numbers"),
        ([np.zeros((5, 3))], "at least three points"),
        ([np.full((5, 2), np.inf)], "not finite"),
        ([np.ones((5, 2))], "one point"),
    ],
)
def test_what_cannot_be_aligned_is_told(shapes: list[np.ndarray], words: str) -> None:
    with pytest.raises(UsageError, match=words):
        align(shapes)
