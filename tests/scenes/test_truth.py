from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import pytest
import shapely

torch = pytest.importorskip("torch")

from clawvision.scenes.build import Scenes, build, foot_numbers  # noqa: E402
from clawvision.scenes.cameras import Cameras, cameras  # noqa: E402
from clawvision.scenes.foot import PlacedClaw, place_claws  # noqa: E402
from clawvision.scenes.marks import marks_of  # noqa: E402
from clawvision.scenes.mesh import cap_faces, grid_faces  # noqa: E402
from clawvision.scenes.pictures import lean_of  # noqa: E402
from clawvision.scenes.raster import rasterise  # noqa: E402
from clawvision.scenes.shape import sample_foot  # noqa: E402
from clawvision.scenes.stage import sample_stage  # noqa: E402
from clawvision.scenes.surfels import Kind  # noqa: E402
from clawvision.scenes.truth import TrueSole, silhouette, true_foot, true_profile, true_sole  # noqa: E402
from clawvision.scenes.viewpoint import SceneView, Viewpoint, look_at  # noqa: E402
from tests.scenes.claws import plain_claw, surface_of  # noqa: E402

CPU = torch.device("cpu")


def ellipsoid(a: float, b: float, c: float, rings: int = 80, around: int = 90) -> np.ndarray:
    """Return an ellipsoid as rings along x (S, R, 3)."""
    polar = np.linspace(0.0, np.pi, rings)[:, None]
    turn = 2 * np.pi * np.arange(around) / around
    x = -a * np.cos(polar) + 0 * turn
    return np.stack([x, b * np.sin(polar) * np.cos(turn), c * np.sin(polar) * np.sin(turn)], axis=-1)


def prism(corners: list[tuple[float, float]], half_width: list[float]) -> np.ndarray:
    """Return rings of rectangular section: bottom at z = 0, (x, height) and half width of each given."""
    return np.array(
        [
            [(x, -w, 0.0), (x, w, 0.0), (x, w, height), (x, -w, height)]
            for (x, height), w in zip(corners, half_width, strict=True)
        ]
    )


def apart(found: np.ndarray, true: shapely.Polygon) -> tuple[float, float]:
    """Return the area between two outlines as a share of the true area, and their Hausdorff distance."""
    polygon = shapely.Polygon(found)
    share = polygon.symmetric_difference(true).area / true.area
    return share, polygon.exterior.hausdorff_distance(true.exterior)


@pytest.mark.parametrize("plane", [(0, 1), (0, 2)])
def test_silhouette_of_an_ellipsoid(plane: tuple[int, int]) -> None:
    radii = np.array([60.0, 27.0, 35.0])
    found = silhouette(ellipsoid(*radii)[..., list(plane)])
    turn = np.linspace(0.0, 2 * np.pi, 2000)
    a, b = radii[list(plane)]
    share, distance = apart(found, shapely.Polygon(np.column_stack([a * np.cos(turn), b * np.sin(turn)])))
    assert shapely.Polygon(found).area == pytest.approx(np.pi * a * b, rel=0.003)
    assert share < 0.004
    assert distance < 0.2


def test_silhouette_of_a_box_is_its_rectangle() -> None:
    rings = prism([(0.0, 30.0), (40.0, 30.0), (100.0, 30.0)], [25.0, 25.0, 25.0])
    for plane, true in (((0, 1), shapely.box(0, -25, 100, 25)), ((0, 2), shapely.box(0, 0, 100, 30))):
        share, distance = apart(silhouette(rings[..., list(plane)]), true)
        assert share < 1e-6
        assert distance < 1e-5


def test_silhouette_follows_a_hollow() -> None:
    # a block that narrows at its middle, seen from below: no hull would do
    rings = prism([(0.0, 30.0), (50.0, 30.0), (100.0, 30.0)], [30.0, 10.0, 30.0])
    true = shapely.Polygon([(0, -30), (50, -10), (100, -30), (100, 30), (50, 10), (0, 30)])
    share, _ = apart(silhouette(rings[..., :2]), true)
    assert share < 1e-6


def all_triangles(rings: np.ndarray) -> shapely.Polygon:
    """Return the union of all projected triangles of closed rings (S, R, 2)."""
    count, around = rings.shape[:2]
    faces = torch.cat(
        [
            grid_faces(count, around, CPU),
            cap_faces(0, around, CPU),
            cap_faces((count - 1) * around, around, CPU),
        ]
    ).numpy()
    triangles = shapely.polygons(rings.reshape(-1, 2)[faces])
    return shapely.unary_union(triangles[shapely.area(triangles) > 1e-9])


@pytest.mark.parametrize(
    "changes",
    [
        {"toe_length": 190.0, "toe_lift": 45.0, "hollow": 10.0, "lift_from": 0.4, "rough": 0.8, "sole_hollow": 3.0},
        {"toe_length": 130.0, "helical_twist": 55.0, "turn_in": 25.0, "undercut": 0.1, "slope_abaxial": 0.3},
    ],
)
def test_silhouette_is_the_union_of_all_triangles(changes: dict[str, float]) -> None:
    rings = surface_of(plain_claw(**changes)).points[0].double().numpy()
    for plane in ((0, 1), (0, 2)):
        flat = rings[..., list(plane)]
        union = all_triangles(flat)
        union = max(shapely.get_parts(union), key=lambda part: part.area)
        share, distance = apart(silhouette(flat), shapely.Polygon(union.exterior))
        assert share < 1e-3
        assert distance < 0.3


WEDGE = prism([(0.0, 40.0), (60.0, 60.0), (100.0, 0.0)], [20.0, 20.0, 0.0])
"""Heel upright and 40 mm high, coronet at 60 mm, the wall falling to the toe's point on the ground."""


@pytest.mark.parametrize("turn_deg", [0.0, 25.0, 180.0])
def test_profile_of_a_wedge(turn_deg: float) -> None:
    turn = np.radians(turn_deg)
    matrix = np.array([[np.cos(turn), -np.sin(turn), 0], [np.sin(turn), np.cos(turn), 0], [0, 0, 1]])
    place = np.array([30.0, -70.0, 0.0])
    truth = true_profile(
        WEDGE @ matrix.T + place,
        matrix @ [60.0, 0.0, 60.0] + place,
        matrix @ [0.0, 0.0, 40.0] + place,
        3.0 * matrix[:2, 0],
    )
    assert truth is not None
    wall = np.degrees(np.arctan2(60.0, 40.0))
    expected = {
        "toe_length": np.hypot(40.0, 60.0),
        "dorsal_arc": np.hypot(40.0, 60.0),
        "toe_angle": wall,
        "wall_angle": wall,
        "dorsal_concavity": 0.0,
        "heel_height": 40.0,
        "dorsal_height": 60.0,
        "bearing_length": 100.0,
        "diagonal": np.hypot(100.0, 40.0),
        "toe_lift": 0.0,
    }
    assert dict(truth.measures) == pytest.approx(expected, abs=1e-3)
    assert np.diff([truth.landmarks[name][0] for name in "BCT"]).min() > 0
    assert shapely.Polygon(truth.outline).area == pytest.approx(
        100 * 40 + 40 * 60 / 2 + 60 * 20 / 2 - 40 * 40, abs=0.01
    )


def test_profile_tells_a_hollow_wall_from_a_bulging_one() -> None:
    for middle, expected in ((25.0, 1), (35.0, -1)):
        rings = prism([(0.0, 40.0), (60.0, 60.0), (80.0, middle), (100.0, 0.0)], [20.0, 20.0, 10.0, 0.0])
        truth = true_profile(rings, np.array([60.0, 0, 60]), np.array([0.0, 0, 40]), np.array([1.0, 0.0]))
        assert truth is not None
        assert truth.measures["dorsal_concavity"] == pytest.approx(expected * 5.0 * 40.0 / np.hypot(40, 60), abs=0.1)


@pytest.mark.parametrize("side", [1.0, -1.0])
def test_soles_of_two_wedges(side: float) -> None:
    outer = true_sole(WEDGE + np.array([0.0, side * 26.0, 0.0]), np.array([0.0, -side]))
    inner = true_sole(WEDGE * [0.9, 0.9, 1.0] + np.array([0.0, -side * 24.0, 0.0]), np.array([0.0, side]))
    area = 60 * 40 + 40 * 40 / 2
    assert dict(outer.shape.values) == pytest.approx(
        {"sole_length": 100.0, "sole_width": 40.0, "sole_area": area, "axial_twist": 0.0}, abs=0.01
    )
    foot = true_foot(outer, inner)
    assert foot["length_difference"] == pytest.approx(10.0, abs=0.01)
    assert foot["length_difference_percent"] == pytest.approx(100 * 10 / 95, abs=0.01)
    assert foot["width_difference"] == pytest.approx(4.0, abs=0.01)
    assert foot["area_difference"] == pytest.approx(area * (1 - 0.81), abs=0.5)
    assert foot["splay"] == pytest.approx(0.0, abs=0.01)
    assert foot["apparent_length_difference"] == pytest.approx(10.0, abs=0.01)
    assert foot["toe_overlap"] == pytest.approx(-25.0, abs=0.01)


def test_axial_twist_and_overlap_grow_as_the_toes_turn_in() -> None:
    twists, overlaps = [], []
    for turn_in in (0.0, 15.0, 30.0, 45.0):
        rng = np.random.default_rng(3)
        foot = sample_foot(rng, held_out=False, lifted=True)
        claw = plain_claw(toe_length=120.0, turn_in=turn_in, axial_sweep=4.0)
        foot = replace(foot, outer=claw, inner=claw, gap=4.0, splay_outer=0.0, splay_inner=0.0)
        claws = place_claws(foot_numbers([foot], CPU))
        soles = [
            true_sole(claw.points[0].double().numpy(), np.array([0.0, sign]))
            for claw, sign in zip(claws, (-1.0, 1.0), strict=True)
        ]
        twists.append([sole.shape.values["axial_twist"] for sole in soles])
        overlaps.append(true_foot(*soles)["toe_overlap"])
    assert (np.diff(np.array(twists), axis=0) > 3.0).all()
    assert (np.diff(overlaps) > 8.0).all()
    assert np.ptp(np.array(twists), axis=1).max() < 1.5  # both claws alike


@dataclass(frozen=True)
class Afar:
    """A claw of a scene, seen square on from 20 m: its ``mask`` and what makes its true outline."""

    scenes: Scenes
    claw: PlacedClaw
    sole: TrueSole
    camera: Cameras
    mask: np.ndarray
    middle: np.ndarray

    def iou(self, outline: np.ndarray) -> float:
        """Return how well an outline (N, 3) in the foot frame agrees with the mask."""
        world = self.scenes.to_world(torch.tensor(outline[None], dtype=torch.float32))
        seen = self.camera.project(world)[0, :, :2].numpy()
        y, x = np.mgrid[0 : self.mask.shape[0], 0 : self.mask.shape[1]]
        filled = shapely.contains_xy(shapely.Polygon(seen), x, y)
        return float((self.mask & filled).sum() / (self.mask | filled).sum())


def seen_from_afar(seed: int, view: SceneView) -> list[Afar]:
    """Return the near claw of a side view, or both claws of a sole view."""
    stage = sample_stage(np.random.default_rng([seed, 5]), view, held_out=seed % 2 == 0)
    scenes = build([stage], 0, CPU)
    side = float(scenes.side[0])
    claws = {"outer": scenes.outer, "inner": scenes.inner}
    found = []
    for name in (stage.near,) if view == "side" else ("outer", "inner"):
        claw, sign = claws[name], 1.0 if name == "outer" else -1.0
        sole = true_sole(claw.points[0].double().numpy(), np.array([0.0, -sign]))
        x, y = sole.shape.axis.direction * [1.0, side]
        abaxial = np.array([-y, x, 0.0]) * sign * side
        direction, up = (
            (abaxial, np.array([0.0, 0, 1])) if view == "side" else (np.array([0.0, 0, -1]), np.array([x, y, 0]))
        )
        world = scenes.to_world(claw.points.flatten(1, 2))
        middle = 0.5 * (world.amin(dim=1) + world.amax(dim=1))[0].double().numpy()
        position = middle + 20000.0 * direction
        viewpoint = Viewpoint(0.8 * 1024 * 20000 / 250.0, position, look_at(position, middle, up, 0.0))
        camera = cameras([replace(stage, viewpoint=viewpoint)], 240, 320, CPU)
        mesh = scenes.mesh
        faces = mesh.faces[(mesh.kind == int(Kind.HORN)) & (mesh.part == (0 if name == "outer" else 1))]
        mask = (rasterise(camera.project(mesh.points), faces, 240, 320).face[0] >= 0).numpy()
        found.append(Afar(scenes, claw, sole, camera, mask, middle * [1.0, side, 1.0]))
    return found


@pytest.mark.parametrize("seed", range(4))
def test_rendered_side_mask_is_the_true_outline(seed: int) -> None:
    for seen in seen_from_afar(seed, "side"):
        ahead = seen.sole.shape.axis.direction
        beside = np.array([-ahead[1], ahead[0]])
        claw = seen.claw
        truth = true_profile(*(part[0].double().numpy() for part in (claw.points, claw.coronet, claw.bulb)), ahead)
        assert truth is not None
        ground = truth.outline[:, :1] * ahead + (seen.middle[:2] @ beside) * beside
        assert seen.iou(np.column_stack([ground, truth.outline[:, 1]])) > 0.98


@pytest.mark.parametrize("seed", range(4))
def test_rendered_sole_masks_are_the_true_outlines(seed: int) -> None:
    for seen in seen_from_afar(seed, "sole"):
        outline = seen.sole.outline
        assert seen.iou(np.column_stack([outline, np.full(len(outline), 20.0)])) > 0.98


def test_marks_are_where_the_truth_has_them() -> None:
    feet = [sample_foot(np.random.default_rng([seed, 9]), held_out=seed % 3 == 0, lifted=True) for seed in range(15)]
    stages = [
        replace(sample_stage(np.random.default_rng(seed), view, foot=foot, right_foot=False), near=near)
        for seed, foot in enumerate(feet)
        for view, near in (("side", "outer"), ("side", "inner"), ("sole", "outer"))
    ]
    claws = place_claws(foot_numbers([stage.foot for stage in stages], CPU))
    nothing: Any = None
    scenes = Scenes(tuple(stages), nothing, *claws, torch.ones(len(stages)), nothing, nothing, nothing, nothing)
    marks = marks_of(scenes).places.double().numpy()
    off: dict[str, list[float]] = {name: [] for name in ("C", "T", "B", "tip")}
    for index in range(0, len(stages), 3):
        for number, (claw, sign) in enumerate(zip(claws, (-1.0, 1.0), strict=True)):
            points, coronet, bulb = (
                values[index].double().numpy() for values in (claw.points, claw.coronet, claw.bulb)
            )
            sole = true_sole(points, np.array([0.0, sign]))
            ahead = sole.shape.axis.direction
            # a left foot's outer claw is claw_b
            off["tip"].append(float(np.hypot(*(marks[index + 2, 5 - number, :2] - sole.shape.axis.toe))))
            profile = true_profile(points, coronet, bulb, ahead)
            assert profile is not None
            for row, name in enumerate("CTB"):
                place = marks[index + number, row]
                off[name].append(float(np.hypot(*([place[:2] @ ahead, place[2]] - profile.landmarks[name]))))
    for name, values in off.items():
        assert np.quantile(values, 0.9) < 0.8, name
        assert max(values) < 6.0, name  # where a worn toe has two ends, a hair decides between them


def test_lean_of_a_claw_is_the_angle_of_its_axis_behind_the_plane_across_the_ray() -> None:
    """A claw's axis and the ray to it are known from the truth; the angle between them is plain trigonometry."""
    for seed in range(6):
        stage = sample_stage(np.random.default_rng(seed), "side")
        scenes = build([stage], 1, CPU)
        camera = cameras([stage], 300, 400, CPU)
        marks = marks_of(scenes)
        claw = scenes.outer if stage.near == "outer" else scenes.inner
        points = claw.points[0].double().numpy()
        sole = true_sole(points, np.array([0.0, -1.0 if stage.near == "outer" else 1.0]))
        forward = np.array([*sole.shape.axis.direction, 0.0]) * (1.0, float(scenes.side[0]), 1.0)
        c, b = (marks.places[0, row].double().numpy() for row in (0, 2))
        ray = 0.5 * (c + b) - stage.viewpoint.position
        between = np.degrees(np.arccos(forward @ ray / np.linalg.norm(ray) / np.linalg.norm(forward)))
        assert float(lean_of(marks, camera)[0]) == pytest.approx(90.0 - between, abs=0.6)


def test_other_views_have_no_lean() -> None:
    stage = sample_stage(np.random.default_rng(1), "sole")
    scenes = build([stage], 1, CPU)
    assert torch.isnan(lean_of(marks_of(scenes), cameras([stage], 300, 400, CPU))).all()
