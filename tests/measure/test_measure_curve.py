"""Plane geometry against shapely and scikit-image."""

from __future__ import annotations

import numpy as np
import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st
from skimage.draw import polygon2mask
from skimage.measure import regionprops

from clawvision.measure.curve import (
    arc_positions,
    centroid,
    clip_halfplane,
    outward_normals,
    resample_closed,
    second_moments,
    signed_area,
    smooth_closed,
)


def bean(count: int = 200) -> np.ndarray:
    """Return a smooth closed shape without symmetry, (count, 2)."""
    t = 2 * np.pi * np.arange(count) / count
    return np.column_stack((60 * np.cos(t) + 8 * np.cos(2 * t), 28 * np.sin(t) + 5 * np.sin(2 * t + 1.0)))


def test_area_and_centroid_agree_with_shapely() -> None:
    points = bean()
    polygon = shapely.Polygon(points)
    assert abs(signed_area(points)) == pytest.approx(polygon.area)
    assert centroid(points) == pytest.approx(np.array(polygon.centroid.coords[0]))
    assert signed_area(points[::-1]) == pytest.approx(-signed_area(points))


def test_second_moments_agree_with_scikit_image() -> None:
    """A filled picture of the shape, ten pixels to the unit, has the same axes; a pixel's own size adds 1/12."""
    points = bean() * 10 + 800
    region = regionprops(polygon2mask((1600, 1600), points).astype(int))[0]
    values = np.linalg.eigvalsh(second_moments(points))
    assert 4 * np.sqrt(values[1]) == pytest.approx(region.axis_major_length, rel=1e-3)
    assert 4 * np.sqrt(values[0]) == pytest.approx(region.axis_minor_length, rel=1e-3)


@given(angle=st.floats(0, 2 * np.pi), share=st.floats(0.1, 0.9))
@settings(deadline=None, max_examples=30)
def test_clipping_agrees_with_shapely(angle: float, share: float) -> None:
    points = bean()
    normal = np.array([np.cos(angle), np.sin(angle)])
    along = points @ normal
    limit = along.min() + share * np.ptp(along)
    tangent = np.array([-normal[1], normal[0]])
    edge = limit * normal
    half = shapely.Polygon(
        [
            edge - 500 * tangent,
            edge + 500 * tangent,
            edge + 500 * tangent - 500 * normal,
            edge - 500 * tangent - 500 * normal,
        ]
    )
    assert abs(signed_area(clip_halfplane(points, normal, limit))) == pytest.approx(
        shapely.Polygon(points).intersection(half).area, rel=1e-9
    )


def test_resampling_keeps_the_outline_and_spaces_it_evenly() -> None:
    points = bean(57)
    even = resample_closed(points, 300)
    steps = np.diff(arc_positions(even, closed=True))
    assert np.ptp(steps) < 0.03 * steps.mean()
    ring = shapely.LinearRing(points)
    assert max(ring.distance(shapely.Point(p)) for p in even) < 1e-9


@pytest.mark.parametrize("reverse", [False, True])
def test_normals_point_outwards_whichever_way_the_outline_runs(reverse: bool) -> None:
    points = bean()[::-1] if reverse else bean()
    outside = points + 0.5 * outward_normals(points)
    assert not shapely.contains_xy(shapely.Polygon(points), outside).any()


def test_smoothing_leaves_a_circle_round_and_smaller() -> None:
    t = 2 * np.pi * np.arange(100) / 100
    smooth = smooth_closed(np.column_stack((np.cos(t), np.sin(t))), 11)
    radii = np.hypot(*smooth.T)
    # the mean of cos over a window of 11 steps of 3.6 degrees
    expected = np.mean(np.cos(np.radians(3.6 * np.arange(-5, 6))))
    assert radii == pytest.approx(np.full(100, expected))
