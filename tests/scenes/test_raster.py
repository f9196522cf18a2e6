from __future__ import annotations

import numpy as np
import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.ndimage import binary_fill_holes

torch = pytest.importorskip("torch")

from clawvision.scenes.mesh import grid_faces  # noqa: E402
from clawvision.scenes.raster import rasterise  # noqa: E402

HEIGHT, WIDTH = 40, 56
Y, X = np.mgrid[0:HEIGHT, 0:WIDTH].astype(float)


def soup(rng: np.random.Generator, count: int, spread: float = 60.0) -> tuple[np.ndarray, np.ndarray]:
    """Return corners (3 count, 3) and faces (count, 3) of triangles that have nothing to do with each other."""
    middle = rng.uniform([-10.0, -10.0, 300.0], [WIDTH + 10.0, HEIGHT + 10.0, 900.0], (count, 1, 3))
    corners = middle + rng.normal(0.0, 1.0, (count, 3, 3)) * [spread / 4, spread / 4, 50.0]
    return corners.reshape(-1, 3).astype(np.float32), np.arange(3 * count).reshape(-1, 3)


def drawn(corners: np.ndarray, faces: np.ndarray, height: int = HEIGHT, width: int = WIDTH):
    """Rasterise one mesh."""
    return rasterise(torch.tensor(corners)[None], torch.tensor(faces), height, width)


@settings(deadline=None, max_examples=40)
@given(st.integers(0, 2**31), st.floats(1.0, 300.0))
def test_a_triangle_covers_the_pixels_whose_centres_it_holds(seed: int, spread: float) -> None:
    corners, faces = soup(np.random.default_rng(seed), 1, spread)
    polygon = shapely.Polygon(corners[:, :2].astype(float))
    seen = drawn(corners, faces).face[0].numpy() == 0
    edge_distance = shapely.distance(polygon.boundary, shapely.points(X, Y))
    clear = edge_distance > 1e-3
    assert (seen == shapely.contains_xy(polygon, X, Y))[clear].all()


def test_a_slanted_quad_covers_its_polygon() -> None:
    corners = np.array([[5.2, 3.1, 500], [40.7, 8.3, 700], [46.1, 31.4, 900], [12.6, 36.8, 600]], dtype=np.float32)
    seen = drawn(corners, np.array([[0, 1, 2], [0, 2, 3]])).face[0].numpy() >= 0
    polygon = shapely.Polygon(corners[:, :2].astype(float))
    clear = shapely.distance(polygon.boundary, shapely.points(X, Y)) > 1e-3
    assert (seen == shapely.contains_xy(polygon, X, Y))[clear].all()
    assert seen.sum() == pytest.approx(polygon.area, abs=0.06 * polygon.length + 6)


def by_hand(corners: np.ndarray, faces: np.ndarray, focal: float) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Return face, depth and weights in every pixel, from rays through the triangles (Möller and Trumbore).

    ``corners`` (V, 3) are in the camera's frame; the picture's middle lies on its axis.
    """
    rays = np.stack([(X - 0.5 * (WIDTH - 1)) / focal, (Y - 0.5 * (HEIGHT - 1)) / focal, np.ones_like(X)], axis=-1)
    nearest = np.full(X.shape, np.inf)
    face, weights = np.full(X.shape, -1), np.zeros((*X.shape, 3))
    for index, (a, b, c) in enumerate(corners[faces]):
        first, second = b - a, c - a
        p = np.cross(rays, second)
        determinant = p @ first
        u = p @ -a / determinant
        q = np.cross(-a, first)
        v = rays @ q / determinant
        t = second @ q / determinant
        hit = (u >= 0) & (v >= 0) & (u + v <= 1) & (t > 1.0) & (t < nearest)
        nearest[hit], face[hit] = t[hit], index
        weights[hit] = np.stack([1 - u - v, u, v], axis=-1)[hit]
    return face, nearest, weights


@pytest.mark.parametrize("seed", range(6))
def test_depth_order_and_weights_agree_with_rays(seed: int) -> None:
    rng = np.random.default_rng(seed)
    focal = 60.0
    middle = rng.uniform([-150.0, -120.0, 250.0], [150.0, 120.0, 500.0], (30, 1, 3))
    world = (middle + rng.normal(0.0, 60.0, (30, 3, 3))).reshape(-1, 3)
    world[:, 2] = world[:, 2].clip(40.0)
    faces = np.arange(90).reshape(-1, 3)
    seen = focal * world[:, :2] / world[:, 2:] + 0.5 * (np.array([WIDTH, HEIGHT]) - 1)
    fragments = drawn(np.column_stack([seen, world[:, 2]]).astype(np.float32), faces)
    face, depth, weights = by_hand(world, faces, focal)
    found = fragments.face[0].numpy()
    same = found == face
    assert same.mean() > 0.998  # all but pixels whose centre lies on an edge
    assert len(np.unique(face)) > 10
    hit = same & (face >= 0)
    assert fragments.depth[0].numpy()[hit] == pytest.approx(depth[hit], rel=2e-4)
    assert np.abs(fragments.weights[0].numpy()[hit] - weights[hit]).max() < 2e-3
    assert np.isinf(fragments.depth[0].numpy()[found < 0]).all()
    assert (fragments.weights[0].numpy()[found < 0] == 0).all()


def sphere(centre: np.ndarray, radius: float, rows: int, columns: int) -> tuple[np.ndarray, np.ndarray]:
    """Return the points and faces of a closed sphere."""
    polar = np.linspace(0.0, np.pi, rows)[:, None]
    around = 2 * np.pi * np.arange(columns) / columns
    points = np.stack(
        [np.sin(polar) * np.cos(around), np.sin(polar) * np.sin(around), np.cos(polar) + 0 * around], axis=-1
    )
    return centre + radius * points.reshape(-1, 3), grid_faces(rows, columns, torch.device("cpu")).numpy()


@pytest.mark.parametrize("place", [(0.0, 0.0), (90.0, -60.0)])
def test_a_spheres_silhouette_has_the_closed_forms_area(place: tuple[float, float]) -> None:
    height, width, focal, radius = 240, 320, 300.0, 60.0
    centre = np.array([*place, 400.0])
    points, faces = sphere(centre, radius, 60, 120)
    seen = np.column_stack(
        [focal * points[:, :2] / points[:, 2:] + [0.5 * (width - 1), 0.5 * (height - 1)], points[:, 2]]
    )
    fragments = drawn(seen.astype(np.float32), faces, height, width)
    # the tangent cone of half angle a about an axis tilted by t cuts the picture plane in an ellipse of this area
    distance = np.linalg.norm(centre)
    sin2 = (radius / distance) ** 2
    tilt2 = (place[0] ** 2 + place[1] ** 2) / distance**2
    area = focal**2 * np.pi * sin2 * np.sqrt(1 - sin2) / (1 - sin2 - tilt2) ** 1.5
    covered = fragments.face[0].numpy() >= 0
    assert covered.sum() == pytest.approx(area, rel=0.004)
    # only the near half shows, at its true depth
    nearest = fragments.depth[0].min()
    assert float(nearest) == pytest.approx(400.0 - radius, abs=0.5)


@settings(deadline=None, max_examples=15)
@given(st.floats(-3.0, 3.0), st.floats(-3.0, 3.0), st.floats(5.0, 18.0))
def test_a_closed_mesh_shows_no_holes(dx: float, dy: float, radius: float) -> None:
    points, faces = sphere(np.array([27.0 + dx, 19.0 + dy, 500.0]), radius, 24, 40)
    covered = drawn(points.astype(np.float32), faces).face[0].numpy() >= 0
    assert (covered == binary_fill_holes(covered)).all()


def test_scenes_of_a_batch_do_not_touch_each_other() -> None:
    rng = np.random.default_rng(4)
    faces = np.arange(120).reshape(-1, 3)
    batch = torch.tensor(np.stack([soup(rng, 40)[0] for _ in range(3)]))
    together = rasterise(batch, torch.tensor(faces), HEIGHT, WIDTH)
    for index in range(3):
        alone = rasterise(batch[index : index + 1], torch.tensor(faces), HEIGHT, WIDTH)
        for name in ("face", "weights", "depth"):
            assert torch.equal(getattr(together, name)[index], getattr(alone, name)[0])


@pytest.mark.parametrize(
    "corners",
    [
        [[5, 5, 500], [30, 5, 500], [5, 30, -10]],  # one corner behind the camera
        [[5, 5, 500], [30, 5, 500], [5, 30, 0.5]],  # one corner at the lens
        [[5, 5, 500], [30, 5, 500], [float("nan"), 30, 500]],
        [[-50, 5, 500], [-30, 5, 500], [-40, 30, 500]],  # beside the picture
        [[5, 5, 500], [15, 15, 500], [30, 30, 500]],  # no area
        [[5.2, 5.2, 500], [5.4, 5.2, 500], [5.3, 5.4, 500]],  # between pixel centres
    ],
)
def test_triangles_that_cannot_show_do_not(corners: list[list[float]]) -> None:
    fragments = drawn(np.array(corners, dtype=np.float32), np.array([[0, 1, 2]]))
    assert (fragments.face == -1).all()
