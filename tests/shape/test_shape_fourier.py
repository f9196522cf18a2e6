"""Elliptic Fourier descriptors against closed forms, quadrature and an independent library."""

from __future__ import annotations

import numpy as np
import pyefd
import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.integrate import quad
from scipy.special import ellipe, ellipeinc

from clawvision.errors import UsageError
from clawvision.measure.curve import resample_closed
from clawvision.shape import (
    elliptic_fourier,
    harmonic_errors,
    harmonics_needed,
    normalised,
    reconstruct,
    resample,
    standard_frame,
)
from tests.shape.claws import moved, side_claw, sole_claw, true_claws


def ellipse(a: float, b: float, count: int) -> np.ndarray:
    t = 2 * np.pi * np.arange(count) / count
    return np.column_stack((a * np.cos(t), b * np.sin(t)))


def test_an_ellipse_sampled_evenly_in_its_parameter_is_its_first_harmonic() -> None:
    """Kuhl & Giardina 1982. A polygon of N corners on it is smaller by (sin(π/N) / (π/N))²: plane geometry."""
    count = 64
    found = elliptic_fourier(ellipse(60.0, 25.0, count) + np.array([7.0, -3.0]), 30, pace="step")
    shrunk = np.sinc(1 / count) ** 2
    assert found.coefficients[0] == pytest.approx([60.0 * shrunk, 0.0, 0.0, 25.0 * shrunk], abs=1e-12)
    assert found.coefficients[1:] == pytest.approx(0.0, abs=1e-12)
    assert found.centre == pytest.approx([7.0, -3.0])
    fine = elliptic_fourier(ellipse(60.0, 25.0, 4096), 1, pace="step")
    assert reconstruct(fine, 64) == pytest.approx(ellipse(60.0, 25.0, 64), abs=1e-4)


@pytest.mark.parametrize("pace", ["arc", "step"])
def test_an_ellipse_sampled_evenly_along_its_arc_has_higher_harmonics(pace: str) -> None:
    """Against quadrature of the Fourier integrals over the arc length, by incomplete elliptic integrals."""
    a, b = 60.0, 25.0
    points = resample_closed(ellipse(a, b, 20000), 4000)
    found = elliptic_fourier(points, 5, pace=pace).coefficients  # type: ignore[arg-type]
    m = 1 - a * a / (b * b)
    whole = 4 * b * ellipe(m)

    def harmonic(n: int, of: str) -> float:
        def integrand(t: float) -> float:
            speed = np.hypot(a * np.sin(t), b * np.cos(t))
            phase = 2 * np.pi * n * b * ellipeinc(t, m) / whole
            return float(speed * (a * np.cos(t) * np.cos(phase) if of == "a" else b * np.sin(t) * np.sin(phase)))

        return float(2 / whole * quad(integrand, 0, 2 * np.pi, limit=400, epsabs=1e-9)[0])

    # arc length from (a, 0): ds² = a² sin² + b² cos² = b² (1 - m sin²)
    for n in (1, 3, 5):
        assert found[n - 1, 0] == pytest.approx(harmonic(n, "a"), abs=2e-4)
        assert found[n - 1, 3] == pytest.approx(harmonic(n, "d"), abs=2e-4)
    assert abs(found[2]).max() > 0.5
    assert found[[1, 3]] == pytest.approx(0.0, abs=1e-6)  # half a turn maps an ellipse on itself


def _outlines() -> list[np.ndarray]:
    claws = [side_claw(), sole_claw(), *(shape for shape, _ in true_claws("sole")[:3])]
    return [resample(standard_frame(shape), 220) for shape in claws] + [side_claw().outline, sole_claw().outline]


@pytest.mark.parametrize("index", range(7))
def test_agrees_with_pyefd(index: int) -> None:
    outline = _outlines()[index]
    found = elliptic_fourier(outline, 20)
    assert found.coefficients == pytest.approx(pyefd.elliptic_fourier_descriptors(outline, order=20), abs=1e-10)
    assert found.centre == pytest.approx(pyefd.calculate_dc_coefficients(outline), abs=1e-9)
    other = pyefd.reconstruct_contour(found.coefficients, found.centre, num_points=101)[:-1]
    assert reconstruct(found, 100) == pytest.approx(other, abs=1e-9)


@pytest.mark.parametrize("index", range(5))  # those that run counterclockwise, as pyefd makes all of them
@pytest.mark.parametrize("size", [True, False])
def test_normalised_agrees_with_pyefd_but_for_its_half_turn(index: int, size: bool) -> None:
    found = elliptic_fourier(_outlines()[index], 20)
    wanted = pyefd.normalize_efd(found.coefficients.copy(), size_invariant=size)
    # pyefd may leave the shape turned by half a turn, with a negative first coefficient
    assert normalised(found, size=size).coefficients == pytest.approx(np.sign(wanted[0, 0]) * wanted, abs=1e-10)


@given(
    degrees=st.floats(-180, 180),
    scale=st.floats(0.3, 3.0),
    shift=st.tuples(st.floats(-500, 500), st.floats(-500, 500)),
    start=st.integers(-15, 15),
)
@settings(max_examples=60, deadline=None)
def test_normalised_descriptors_do_not_know_place_turn_size_and_start(
    degrees: float, scale: float, shift: tuple[float, float], start: int
) -> None:
    shape = sole_claw()
    outline = shape.outline
    # the ambiguity of the two ends is settled by the start, so it may move, but not by a quarter of the way round
    other = moved(shape, degrees, shift, scale, start).outline
    wanted = normalised(elliptic_fourier(outline, 12)).coefficients
    assert wanted[0, :3] == pytest.approx([1.0, 0.0, 0.0], abs=1e-12)
    assert normalised(elliptic_fourier(other, 12)).coefficients == pytest.approx(wanted, abs=1e-9)
    kept = normalised(elliptic_fourier(other, 12), size=False).coefficients
    assert kept == pytest.approx(scale * normalised(elliptic_fourier(outline, 12), size=False).coefficients, abs=1e-7)


def test_a_start_at_the_other_end_turns_the_even_harmonics() -> None:
    """Phase + π and a half turn of the plane multiply harmonic n by (-1)^(n+1)."""
    outline = sole_claw(bend=6.0).outline
    one, other = (normalised(elliptic_fourier(points, 8)) for points in (outline, np.roll(outline, 200, axis=0)))
    signs = -((-1.0) ** np.arange(1, 9))
    assert other.coefficients == pytest.approx(signs[:, None] * one.coefficients, abs=1e-3)
    assert abs(one.coefficients[1]).max() > 0.01


def test_direction_and_mirror_image_change_signs_only() -> None:
    outline = resample(standard_frame(side_claw()), 200)
    found = elliptic_fourier(outline, 10).coefficients
    backwards = np.roll(outline[::-1], 1, axis=0)  # the same first point
    assert elliptic_fourier(backwards, 10).coefficients == pytest.approx(found * (1, -1, 1, -1), abs=1e-10)
    assert elliptic_fourier(outline * (-1, 1), 10).coefficients == pytest.approx(found * (-1, -1, 1, 1), abs=1e-10)


def test_the_power_of_all_harmonics_is_the_mean_square_distance_from_the_centre() -> None:
    """Parseval."""
    outline = side_claw().outline
    found = elliptic_fourier(outline, 300)
    dense = resample_closed(outline, 40000)
    mean_square = ((dense - dense.mean(axis=0)) ** 2).sum(axis=1).mean()
    # the tail beyond harmonic 300 of an outline with corners falls as n⁻³
    assert found.power.sum() == pytest.approx(mean_square, rel=1e-5)
    assert (np.diff(found.power[:3]) < 0).all()


def test_a_repeated_point_changes_nothing() -> None:
    outline = sole_claw().outline
    doubled = np.insert(outline, 17, outline[17], axis=0)
    assert elliptic_fourier(doubled, 9).coefficients == pytest.approx(
        elliptic_fourier(outline, 9).coefficients, abs=1e-10
    )


def test_how_many_harmonics_a_tolerance_takes() -> None:
    circle = ellipse(50.0, 50.0, 720)
    assert harmonics_needed(circle) == 1
    outline = resample(standard_frame(true_claws("sole")[0][0]), 400)
    needed = harmonics_needed(outline, 0.3)
    assert needed is not None
    dense = resample_closed(outline, 8000)

    def largest(order: int) -> float:
        made = shapely.LinearRing(reconstruct(elliptic_fourier(outline, order), 8000))
        return float(shapely.hausdorff_distance(made, shapely.LinearRing(dense)))

    # points 0.04 mm apart here, 0.15 mm there
    assert largest(needed) <= 0.3 + 0.005
    assert largest(needed - 1) > 0.3 - 0.005
    largest_error, usual = harmonic_errors(outline, 12)
    assert largest_error[11] == pytest.approx(largest(12), abs=0.01)
    assert (usual < largest_error).all()
    corners = resample(standard_frame(side_claw()), 400)
    assert harmonics_needed(corners, 0.3, 20) is None  # corners cut off
    smooth = harmonics_needed(corners, 0.3, 20, by="root mean square")
    assert smooth is not None and 3 < smooth < 20


def test_what_has_no_descriptors_is_told() -> None:
    with pytest.raises(UsageError, match="harmonics do not come from"):
        elliptic_fourier(ellipse(3, 2, 10), 6)
    with pytest.raises(UsageError, match="no length"):
        elliptic_fourier(np.ones((10, 2)), 2)
    with pytest.raises(UsageError, match="circle"):
        normalised(elliptic_fourier(ellipse(50, 50, 100), 3))
