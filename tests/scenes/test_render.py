from __future__ import annotations

from dataclasses import replace
from functools import cache

import cv2
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

torch = pytest.importorskip("torch")

from clawvision.scenes.build import Scenes, build  # noqa: E402
from clawvision.scenes.cameras import Cameras, cameras  # noqa: E402
from clawvision.scenes.marks import LABELS, LANDMARKS, labels_of, marks_of  # noqa: E402
from clawvision.scenes.props import ABSENT, HAND_TUBES, hand  # noqa: E402
from clawvision.scenes.render import lit_by, surfels_of  # noqa: E402
from clawvision.scenes.stage import BLOCK, PLANK, Stage, sample_stage  # noqa: E402
from clawvision.scenes.surfels import Kind, Surfels  # noqa: E402
from clawvision.scenes.viewpoint import VIEWS, SceneView, Viewpoint, look_at  # noqa: E402

CPU = torch.device("cpu")
HEIGHT, WIDTH = 120, 160


def some_cameras(seed: int, count: int = 3, bend: float = 0.05) -> Cameras:
    """Return cameras that look about at the world's origin from 500 mm."""
    rng = np.random.default_rng(seed)
    positions = rng.normal(0.0, 1.0, (count, 3))
    positions = positions / np.linalg.norm(positions, axis=1, keepdims=True) * 500.0
    turned = [
        look_at(place, rng.normal(0, 20, 3), np.array([0.1, 0.3, 0.9]), rng.uniform(0, 360)) for place in positions
    ]

    def tensor(values: object):
        return torch.tensor(np.array(values), dtype=torch.float32)

    return Cameras(
        tensor(rng.uniform(120, 300, count)),
        (0.5 * (WIDTH - 1), 0.5 * (HEIGHT - 1)),
        tensor(positions),
        tensor(turned),
        tensor(rng.uniform(-bend, bend, count)),
    )


@settings(deadline=None, max_examples=15)
@given(st.integers(0, 2**31))
def test_projection_agrees_with_opencv(seed: int) -> None:
    camera = some_cameras(seed)
    points = np.random.default_rng(seed + 1).uniform(-90.0, 90.0, (40, 3))
    found = camera.project(torch.tensor(points, dtype=torch.float32).expand(3, -1, -1)).numpy()
    for index in range(3):
        turn = camera.rotation[index].double().numpy()
        place = camera.position[index].double().numpy()
        focal, bend = float(camera.focal[index]), float(camera.distortion[index])
        matrix = np.array([[focal, 0, camera.centre[0]], [0, focal, camera.centre[1]], [0, 0, 1]])
        seen, _ = cv2.projectPoints(points, cv2.Rodrigues(turn)[0], -turn @ place, matrix, np.array([bend, 0, 0, 0]))
        assert found[index, :, :2] == pytest.approx(seen.reshape(-1, 2), abs=0.02)
        assert found[index, :, 2] == pytest.approx(((points - place) @ turn.T)[:, 2], abs=0.02)


@pytest.mark.parametrize("seed", range(3))
def test_rays_invert_projection(seed: int) -> None:
    camera = some_cameras(seed)
    rays = camera.rays(HEIGHT, WIDTH)
    assert rays.norm(dim=-1).numpy() == pytest.approx(1.0, abs=1e-5)
    points = camera.position[:, None] + 700.0 * rays.reshape(3, -1, 3)
    seen = camera.project(points)[..., :2].reshape(3, HEIGHT, WIDTH, 2).numpy()
    y, x = np.mgrid[0:HEIGHT, 0:WIDTH]
    assert np.abs(seen - np.stack([x, y], axis=-1)).max() < 0.02


def stage_of(view: SceneView, seed: int = 1, **changes: object) -> Stage:
    return sample_stage(np.random.default_rng([seed, 77]), view, **changes)  # type: ignore[arg-type]


@cache
def scenes_of_all_views() -> tuple[Scenes, Cameras, Surfels]:
    """Return one scene of every view, built and seen."""
    stages = [stage_of(view) for view in VIEWS]
    scenes = build(stages, 3, CPU)
    camera = cameras(stages, HEIGHT, WIDTH, CPU)
    return scenes, camera, surfels_of(scenes, camera, HEIGHT, WIDTH)


def test_what_a_pixel_shows_lies_on_its_ray() -> None:
    _, camera, surfels = scenes_of_all_views()
    rays = camera.rays(HEIGHT, WIDTH)
    there = surfels.kind != int(Kind.SKY)
    assert there.float().mean() > 0.5
    away = surfels.point - camera.position[:, None, None]
    along = (away * rays).sum(dim=-1, keepdim=True)
    beside = (away - along * rays).norm(dim=-1)
    # edges are straight in the picture, though the lens bends them a little: a share of the distance
    assert float((beside / along[..., 0])[there].max()) < 2e-3
    assert (along[..., 0][there] > 0).all()
    assert torch.equal(surfels.point[~there], rays[~there])
    facing = (surfels.normal * rays).sum(dim=-1)
    assert float(facing[there].max()) <= 0.0
    assert surfels.normal.norm(dim=-1).numpy() == pytest.approx(1.0, abs=1e-4)
    assert torch.isfinite(surfels.attr).all()
    assert torch.isfinite(surfels.local).all()


def test_ground_and_wall_show_where_their_planes_are() -> None:
    scenes, camera, surfels = scenes_of_all_views()
    for index, kind in ((0, Kind.GROUND), (1, Kind.WALL)):
        shows = surfels.kind == int(kind)
        assert shows.any()
        point, normal = (scenes.planes[:, index, part][:, None, None] for part in (0, 1))
        off = ((surfels.point - point) * normal).sum(dim=-1).abs() / (
            surfels.point - camera.position[:, None, None]
        ).norm(dim=-1)
        assert float(off[shows].max()) < 1e-3


def test_each_view_shows_what_it_is_named_after() -> None:
    _, _, surfels = scenes_of_all_views()
    horn = (surfels.kind == int(Kind.HORN)) & (surfels.part < 2)
    share = horn.float().mean(dim=(1, 2))
    assert (share[:4] > 0.01).all()
    assert share[4] == 0
    assert not ((surfels.kind[4] == int(Kind.LEG)) | (surfels.kind[4] == int(Kind.HAIR))).any()
    sole = surfels.attr[..., 1]
    assert sole[1][horn[1]].mean() > 0.5
    assert sole[0][horn[0]].mean() < 0.2


def test_what_a_scene_lacks_shows_nowhere() -> None:
    stages = [stage_of(view, 2, reference_size=None) for view in VIEWS[:4]]
    scenes = build(stages, 3, CPU)
    surfels = surfels_of(scenes, cameras(stages, HEIGHT, WIDTH, CPU), HEIGHT, WIDTH)
    assert not (surfels.kind == int(Kind.CARD)).any()
    for index, stage in enumerate(stages):
        seen = set(surfels.kind[index].unique().tolist())
        if (stage.stalks[:, :2] < -1e5).all():
            assert int(Kind.STRAW) not in seen
        if (stage.boxes[:, 0] < -1e5).all():
            assert int(Kind.WOOD) not in seen
        if (stage.paths < -1e5).all():
            assert not seen & {int(kind) for kind in (Kind.SKIN, Kind.GLOVE, Kind.SLEEVE, Kind.PIPE, Kind.ROPE)}
        if stage.neighbour is None:
            assert not ((surfels.kind[index] == int(Kind.HORN)) & (surfels.part[index] > 1)).any()


def test_hands_are_gloved_as_the_stage_has_them() -> None:
    stage = stage_of("side")
    ahead = stage.viewpoint.rotation[2]
    paths, wide = np.full_like(stage.paths, ABSENT), stage.wide.copy()
    spot = stage.viewpoint.position + 200.0 * ahead
    paths[:HAND_TUBES], wide[:HAND_TUBES] = hand(np.random.default_rng(1), spot, stage.viewpoint.rotation[1], -ahead)
    stages = [replace(stage, paths=paths, wide=wide, bare_hands=(bare, bare)) for bare in (True, False)]
    surfels = surfels_of(build(stages, 0, CPU), cameras(stages, HEIGHT, WIDTH, CPU), HEIGHT, WIDTH)
    assert (surfels.kind[0] == int(Kind.SKIN)).sum() > 200
    assert not (surfels.kind[0] == int(Kind.GLOVE)).any()
    assert torch.equal(surfels.kind[0] == int(Kind.SKIN), surfels.kind[1] == int(Kind.GLOVE))


def test_labels_name_the_claws_as_the_contract_has_them() -> None:
    for seed in range(2):
        stages = [stage_of(view, seed, plain=True) for view in ("side", "sole", "front", "rear")]
        scenes = build(stages, 0, CPU)
        camera = cameras(stages, HEIGHT, WIDTH, CPU)
        marks = marks_of(scenes)
        surfels = surfels_of(scenes, camera, HEIGHT, WIDTH)
        labels = labels_of(surfels, marks.swapped)
        assert int(labels.max()) < len(LABELS)
        side = labels[0]
        if (side == 1).any() and (side == 2).any():  # claw_a is the near one
            away = (surfels.point[0] - camera.position[0]).norm(dim=-1)
            assert away[side == 1].mean() < away[side == 2].mean()
        place = marks.places[1]
        toes = camera.project(torch.stack([place[4:8], place[4:8], place[4:8], place[4:8]]))[1, :, :2]
        up = (toes[0] + toes[1] - toes[2] - toes[3]).numpy()
        to_b = (toes[3] - toes[2]).numpy()
        assert up[0] * to_b[1] - up[1] * to_b[0] > 0  # with the toes up, claw_b lies on the right
        for index in (2, 3):
            columns = [(labels[index] == claw).nonzero()[:, 1].float().mean() for claw in (1, 2)]
            assert columns[0] < columns[1] or any(torch.isnan(column) for column in columns)


def test_a_block_between_the_claws_lies_before_them_and_a_plank_is_ground() -> None:
    blocked = (stage for seed in range(200) if (stage := stage_of("sole", seed)).boxes[BLOCK, 0, 0] > -1e5)
    planked = (stage for seed in range(200) if (stage := stage_of("side", seed)).boxes[PLANK, 0, 0] > -1e5)
    for stages, part, name in ((blocked, BLOCK, "occluder"), (planked, PLANK, "background")):
        stage = next(stages)
        scenes = build([stage], 0, CPU)
        surfels = surfels_of(scenes, cameras([stage], HEIGHT, WIDTH, CPU), HEIGHT, WIDTH)
        wood = (surfels.kind == int(Kind.WOOD)) & (surfels.part == part)
        assert wood.any()
        assert (labels_of(surfels, marks_of(scenes).swapped)[wood] == LABELS.index(name)).all()


def test_each_label_is_of_its_kind() -> None:
    scenes, _, surfels = scenes_of_all_views()
    labels = labels_of(surfels, marks_of(scenes).swapped)
    own = surfels.part == 0
    expected = {
        Kind.CARD: "reference",
        Kind.SKIN: "occluder",
        Kind.SLEEVE: "occluder",
        Kind.PIPE: "occluder",
        Kind.STRAW: "background",
        Kind.GROUND: "background",
        Kind.SKY: "background",
    }
    for kind, name in expected.items():
        assert (labels[surfels.kind == int(kind)] == LABELS.index(name)).all(), kind
    for kind, name in {Kind.LEG: "leg", Kind.HAIR: "leg", Kind.DEWCLAW: "dewclaw"}.items():
        mine = surfels.kind == int(kind)
        assert (labels[mine & own] == LABELS.index(name)).all()
        assert (labels[mine & ~own] == 0).all()


def square_on(stage: Stage, direction: np.ndarray, up: np.ndarray) -> Stage:
    """Return a stage seen from far away in a direction, without lens distortion."""
    middle = np.array([60.0, 0.0, 30.0])
    position = middle + 20000.0 * direction
    focal = 0.6 * 1024.0 * 20000.0 / 230.0
    return replace(stage, viewpoint=Viewpoint(focal, position, look_at(position, middle, up, 0.0)))


def horn_alone(scenes: Scenes, part: int) -> Scenes:
    """Return scenes of which nothing is left but one claw."""
    mesh = scenes.mesh
    keep = (mesh.kind == int(Kind.HORN)) & (mesh.part == part)
    return replace(scenes, mesh=replace(mesh, faces=mesh.faces[keep], kind=mesh.kind[keep], part=mesh.part[keep]))


def edge_distance(mask: np.ndarray, place: np.ndarray) -> float:
    """Return how far a place lies from the edge of a mask, pixels."""
    inside = cv2.distanceTransform(mask.astype(np.uint8), cv2.DIST_L2, cv2.DIST_MASK_PRECISE)
    outside = cv2.distanceTransform(1 - mask.astype(np.uint8), cv2.DIST_L2, cv2.DIST_MASK_PRECISE)
    x, y = place.round().astype(int)
    return float(max(inside[y, x], outside[y, x]))


@pytest.mark.parametrize("seed", range(3))
def test_side_landmarks_lie_on_the_horns_edge(seed: int) -> None:
    stage = stage_of("side", seed)
    stage = replace(stage, foot=replace(stage.foot, splay_outer=0.0, splay_inner=0.0, roll_outer=0.0, roll_inner=0.0))
    outwards = (1.0 if stage.near == "outer" else -1.0) * (-1.0 if stage.right_foot else 1.0)
    stage = square_on(stage, np.array([0.0, outwards, 0.0]), np.array([0.0, 0.0, 1.0]))
    scenes = build([stage], 0, CPU)
    camera = cameras([stage], 240, 320, CPU)
    part = 0 if stage.near == "outer" else 1
    surfels = surfels_of(horn_alone(scenes, part), camera, 240, 320)
    mask = (surfels.kind[0] == int(Kind.HORN)).numpy()
    marks = marks_of(scenes)
    seen = camera.project(marks.places)[0, :, :2].numpy()
    assert np.isnan(seen[4:]).all()
    for name in "CTBH":
        assert edge_distance(mask, seen[LANDMARKS.index(name)]) < 1.6, name
    c, t, b, h = seen[:4]
    toes = np.sign(t[0] - b[0])
    assert toes * (c[0] - b[0]) > 0
    assert toes * (t[0] - c[0]) > 0
    assert c[1] < b[1] < h[1]


@pytest.mark.parametrize("seed", range(3))
def test_sole_landmarks_lie_on_the_horns_edge(seed: int) -> None:
    stage = square_on(stage_of("sole", seed), np.array([0.0, 0.0, -1.0]), np.array([1.0, 0.0, 0.0]))
    scenes = build([stage], 0, CPU)
    camera = cameras([stage], 240, 320, CPU)
    marks = marks_of(scenes)
    seen = camera.project(marks.places)[0, :, :2].numpy()
    assert np.isnan(seen[:4]).all()
    masks = []
    for claw in (0, 1):
        part = claw ^ int(marks.swapped[0])
        surfels = surfels_of(horn_alone(scenes, part), camera, 240, 320)
        mask = (surfels.kind[0] == int(Kind.HORN)).numpy()
        masks.append(mask)
        assert edge_distance(mask, seen[4 + claw]) < 1.6
        assert edge_distance(mask, seen[6 + claw]) < 1.6
        assert seen[4 + claw][1] < seen[6 + claw][1]  # toes are up
    columns = [np.nonzero(mask)[1].mean() for mask in masks]
    assert columns[0] < seen[8, 0] < columns[1]


def test_a_claw_throws_its_shadow_away_from_the_light() -> None:
    scenes = build([stage_of("front", 2)], 0, CPU)
    up = torch.tensor([[0.0, 0.0, 1.0]])
    claw = scenes.to_world(scenes.outer.points.flatten(1, 2)).mean(dim=1)[0]
    below = claw - claw * up[0] - 5.0 * up[0]
    far = torch.tensor([900.0, 900.0, 0.0])
    places = torch.stack([below, far]).view(1, 1, 2, 3)
    assert lit_by(scenes, up, places, up.view(1, 1, 1, 3).expand_as(places)).flatten().tolist() == [0.0, 1.0]
    assert lit_by(scenes, -up, places, -up.view(1, 1, 1, 3).expand_as(places)).flatten().tolist() == [1.0, 1.0]
