"""The learned segmenter with a network that knows the truth of drawn scenes and of sample photos."""

from __future__ import annotations

from dataclasses import dataclass, replace

import cv2
import numpy as np
import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st

from clawvision.errors import PhotoRefused
from clawvision.outline.find import find_outlines
from clawvision.outline.learned import segmenter
from clawvision.outline.learned.contract import COARSE_SIZE, FINE_SIZE, Outputs
from clawvision.outline.learned.crop import Crop, Pose, Pyramid
from clawvision.outline.learned.look import glance, look_closer
from clawvision.outline.learned.pose import angle_between, other_ways, pose_of
from clawvision.outline.learned.read_out import outline_of
from clawvision.outline.learned.segmenter import LearnedSegmenter
from clawvision.outline.learned.snap import snap
from clawvision.outline.learned.together import together
from clawvision.outline.segmenter import FoundClaw, ViewTeller
from clawvision.outline.sidecar import Sidecar, SidecarClaw
from clawvision.photo.read import read_photo
from clawvision.types import FloatArray, Landmark, Photo, Scale, Settings, View, frozen_array, frozen_mapping
from tests.outline.sample_truth import truth_network
from tests.outline.test_outline_find import codes, iou, outline, request_for, scale_for, side_scene, sole_scene
from tests.outline.truth_network import TruthNetwork
from tests.truth import TruePhoto, true_photos

_SOLE = next(photo for photo in true_photos() if photo.name == "103_sole.jpg")
_SIDE = next(photo for photo in true_photos() if photo.name == "101_side.jpg")


def filled(polygon: FloatArray, size: tuple[int, int]) -> np.ndarray:
    mask = np.zeros(size[::-1], np.uint8)
    cv2.fillPoly(mask, [np.round(polygon * 16).astype(np.int32)], 1, shift=4)
    return mask


def sole_network(size: tuple[int, int], truth: dict[str, FloatArray], toe: tuple[float, float]) -> TruthNetwork:
    """Return a network that knows two soles by the side on which they lie with the toes up."""
    direction = np.array(toe)
    landmarks = {}
    for letter, side in (("a", "left"), ("b", "right")):
        along = truth[side] @ direction
        landmarks[f"tip_{letter}"] = tuple(truth[side][int(along.argmax())])
        landmarks[f"heel_{letter}"] = tuple(truth[side][int(along.argmin())])
    masks = {"claw_a": filled(truth["left"], size), "claw_b": filled(truth["right"], size)}
    return TruthNetwork(masks, landmarks, "sole", direction, np.array([0.0, 1.0]), twist_deg=(4.0, 31.0))


@pytest.mark.parametrize("turn", [0, 1, 2, 3])
def test_soles_are_outlined_and_named_however_the_photo_is_turned(turn: int) -> None:
    photo, scale, truth = sole_scene()
    toe = np.array([0.0, -1.0])
    pixels, card = photo.pixels, scale.reference.outline_px
    for _ in range(turn):  # a quarter turn counter-clockwise: (x, y) goes to (y, width - 1 - x)
        width = pixels.shape[1]
        pixels = np.ascontiguousarray(np.rot90(pixels))
        card, truth["left"], truth["right"] = (
            np.stack((points[:, 1], width - 1.0 - points[:, 0]), axis=-1)
            for points in (card, truth["left"], truth["right"])
        )
        toe = np.array([toe[1], -toe[0]])
    size = (pixels.shape[1], pixels.shape[0])
    network = sole_network(size, truth, (toe[0], toe[1]))
    found = find_outlines(
        replace(photo, pixels=pixels),
        scale_for(size, card),
        request_for("sole", "LH"),
        Settings(),
        segmenter=LearnedSegmenter(network),
    )
    assert [claw.name for claw in found.claws] == ["outer", "inner"]
    assert codes(found.reasons) == set()
    for claw, side, twist in ((found.claws[0], "right", 31.0), (found.claws[1], "left", 4.0)):
        assert iou(outline(claw), truth[side]) > 0.97
        assert claw.confidence > 0.9
        assert claw.twist is not None and claw.twist.value_deg == pytest.approx(twist, abs=1e-4)
        tip = truth[side][int((truth[side] @ toe).argmax())]
        assert np.hypot(claw.found["T"].x - tip[0], claw.found["T"].y - tip[1]) < 0.5


def side_network(photo: Photo, truth: FloatArray) -> TruthNetwork:
    marks = {"C": truth[0], "T": truth[1], "B": truth[-1]}
    down = np.array([0.2, 1.0]) / np.hypot(0.2, 1.0)
    toe = (marks["T"] - marks["B"]) / np.hypot(*(marks["T"] - marks["B"]))
    marks["H"] = truth[int((truth @ (down - toe)).argmax())]
    return TruthNetwork(
        {"claw_a": filled(truth, (photo.width, photo.height))},
        {name: (float(xy[0]), float(xy[1])) for name, xy in marks.items()},
        "side",
        toe,
        down,
    )


@pytest.mark.parametrize("mirrored", [False, True])
def test_a_side_view_comes_to_the_network_with_its_toe_to_the_left_and_its_sole_down(mirrored: bool) -> None:
    photo, scale, truth = side_scene()
    if mirrored:
        photo = replace(photo, pixels=np.ascontiguousarray(photo.pixels[:, ::-1]))
        truth = truth * (-1.0, 1.0) + (photo.width - 1.0, 0.0)
    network = side_network(photo, truth)
    network.down[0] *= -1.0 if mirrored else 1.0
    found = find_outlines(photo, scale, request_for("side", "LF"), Settings(), segmenter=LearnedSegmenter(network))
    (claw,) = found.claws
    assert iou(outline(claw), truth) > 0.97
    assert set(claw.found) == {"C", "T", "B"}
    for crop in network.crops[1:]:
        coronet, toe, bulb = crop.from_photo(np.array([truth[0], truth[1], truth[-1]]))
        assert toe[0] < coronet[0] < bulb[0]
        assert coronet[1] < toe[1]


def test_the_view_costs_one_glance() -> None:
    photo, scale, truth = sole_scene()
    network = sole_network((photo.width, photo.height), truth, (0.0, -1.0))  # type: ignore[arg-type]
    segmenter = LearnedSegmenter(network)
    assert isinstance(segmenter, ViewTeller)
    found = find_outlines(photo, scale, request_for(None, "LH"), Settings(), segmenter=segmenter)
    assert found.view == "sole"
    assert codes(found.reasons) == {"view_inferred"}
    assert [crop.size for crop in network.crops] == [COARSE_SIZE, FINE_SIZE, FINE_SIZE]
    network.view_logit = 0.5
    doubtful = find_outlines(photo, scale, request_for(None, "LH"), Settings(), segmenter=LearnedSegmenter(network))
    assert "outline_doubtful" in codes(doubtful.reasons)


def test_a_drawn_claw_keeps_its_outline_and_gets_the_twist_that_the_network_tells() -> None:
    photo, scale, truth = sole_scene()
    network = sole_network((photo.width, photo.height), truth, (0.0, -1.0))  # type: ignore[arg-type]
    elsewhere = truth["left"] + (-120.0, 0.0)
    for left, twist in ((truth["left"] + 1.0, 4.0), (elsewhere, None)):
        drawn = {
            name: SidecarClaw(frozen_array(points), frozen_mapping())
            for name, points in (("left", left), ("right", truth["right"]))
        }
        found = find_outlines(
            photo,
            scale,
            request_for("sole", "LH"),
            Settings(),
            Sidecar("drawn.outline.json", "sole", frozen_mapping(drawn)),
            segmenter=LearnedSegmenter(network),
        )
        outer, inner = found.claws
        np.testing.assert_array_equal(inner.outline_px, left)
        assert (inner.source, inner.confidence, dict(inner.found)) == ("sidecar", 1.0, {})
        assert outer.twist is not None and outer.twist.value_deg == pytest.approx(31.0, abs=1e-4)
        assert (inner.twist and pytest.approx(inner.twist.value_deg, abs=1e-4)) == twist
        assert not codes(found.reasons)


def test_small_horn_is_looked_at_again_from_nearer() -> None:
    photo, _, truth = sole_scene()
    pixels = np.full((1500, 2400, 3), 90, np.uint8)
    corner = np.array([1500.0, 700.0])
    pixels[700 : 700 + photo.height, 1500 : 1500 + photo.width] = photo.pixels
    for side in ("left", "right"):
        truth[side] = truth[side] + corner
    scale = scale_for((2400, 1500), np.array([(60.0, 40.0), (231.2, 40.0), (231.2, 148.0), (60.0, 148.0)]) + corner)
    network = sole_network((2400, 1500), truth, (0.0, -1.0))  # type: ignore[arg-type]
    found = LearnedSegmenter(network).segment(replace(photo, pixels=pixels), scale, "sole")
    assert [crop.size for crop in network.crops] == [COARSE_SIZE, COARSE_SIZE, FINE_SIZE, FINE_SIZE]
    assert network.crops[1].scale > 2.0 * network.crops[0].scale
    for claw in found.claws:
        assert claw.side is not None and iou(claw.outline_px, truth[claw.side]) > 0.97


@dataclass(eq=False)
class WrongAtFirst(TruthNetwork):
    """Takes the foot's pose in the coarse picture for another one, and in a fine one sees only what it was trained for.

    ``wrong_deg`` and ``overturned`` change what it says of the pose; ``placed`` tells whether the coarse picture's
    landmarks say what is true, ``lost_px`` how unsure they are in a fine picture of an unusual pose.
    """

    wrong_deg: float = 0.0
    overturned: bool = False
    placed: bool = True
    lost_px: float = 60.0

    def run(self, crop: Crop) -> Outputs:
        said = super().run(crop)
        facts = said.facts
        if crop.size == COARSE_SIZE:
            a = np.radians(self.wrong_deg)
            facts[5:7] = np.array([[np.cos(a), -np.sin(a)], [np.sin(a), np.cos(a)]]) @ facts[5:7]
            facts[7:9] *= -1.0 if self.overturned else 1.0
            if not self.placed:
                said.landmarks[:] = 0.0
            return said
        if facts[5] > -np.cos(np.radians(25.0)) or (self.view == "side" and facts[8] < 0.0):
            facts[11:20] = np.log(self.lost_px)
        facts[5:7], facts[7:9] = (-1.0, 0.0), (0.0, 1.0)
        return said


def wrong_at_first(plain: TruthNetwork, **how: object) -> WrongAtFirst:
    return WrongAtFirst(plain.masks, plain.landmarks, plain.view, plain.toe, plain.down, **how)  # type: ignore[arg-type]


@pytest.mark.parametrize("placed", [True, False], ids=["landmarks right", "landmarks lost"])
@pytest.mark.parametrize(("wrong", "fine"), [(5.0, 2), (40.0, 3), (90.0, 3), (-170.0, 3)])
def test_a_sole_taken_for_lying_otherwise_is_put_right(wrong: float, fine: int, placed: bool) -> None:
    """Where the landmarks are lost as well, the fine picture's own landmarks tell that the toes are not left."""
    photo, scale, truth = sole_scene()
    plain = sole_network((photo.width, photo.height), truth, (0.0, -1.0))  # type: ignore[arg-type]
    network = wrong_at_first(plain, wrong_deg=wrong, placed=placed, lost_px=40.0)
    found = LearnedSegmenter(network).segment(photo, scale, "sole")
    assert [crop.size for crop in network.crops].count(FINE_SIZE) == fine
    last = network.crops[-1]
    assert -(last.matrix[:, :2] @ plain.toe)[0] / last.scale > np.cos(np.radians(10.0))
    for claw in found.claws:
        assert claw.confidence > 0.9
        assert claw.side is not None and iou(claw.outline_px, truth[claw.side]) > 0.97


@pytest.mark.parametrize("wrong", [0.0, 180.0, -90.0])
@pytest.mark.parametrize("overturned", [True, False])
@pytest.mark.parametrize("placed", [True, False], ids=["landmarks right", "landmarks lost"])
def test_a_side_view_taken_for_lying_otherwise_is_put_right(wrong: float, overturned: bool, placed: bool) -> None:
    photo, scale, truth = side_scene()
    network = wrong_at_first(side_network(photo, truth), wrong_deg=wrong, overturned=overturned, placed=placed)
    (claw,) = LearnedSegmenter(network).segment(photo, scale, "side").claws
    assert iou(claw.outline_px, truth) > 0.97
    assert claw.confidence > 0.9
    last = network.crops[-1]
    coronet, toe, bulb = last.from_photo(np.array([truth[0], truth[1], truth[-1]]))
    assert toe[0] < coronet[0] < bulb[0]
    assert coronet[1] < toe[1]


def test_landmarks_that_lie_otherwise_than_the_foot_lower_the_confidence() -> None:
    photo, scale, truth = sole_scene()
    plain = sole_network((photo.width, photo.height), truth, (0.0, -1.0))  # type: ignore[arg-type]
    askew = {name: plain.landmarks[other] for name, other in (("tip_a", "tip_a"), ("tip_b", "tip_a"))}
    askew |= {"heel_a": plain.landmarks["heel_b"], "heel_b": plain.landmarks["heel_b"]}
    sure = LearnedSegmenter(plain).segment(photo, scale, "sole").claws
    unsure = LearnedSegmenter(replace(plain, crops=[], landmarks=askew)).segment(photo, scale, "sole").claws
    for before, after in zip(sure, unsure, strict=True):
        assert after.confidence < Settings().min_confidence < before.confidence


@given(toe=st.floats(-180.0, 180.0), mirrored=st.booleans(), wrong=st.floats(-180.0, 180.0), sigma=st.floats(0.1, 12.0))
@settings(deadline=None, max_examples=60)
def test_a_pose_is_read_from_landmarks_however_the_foot_lies(
    toe: float, mirrored: bool, wrong: float, sigma: float
) -> None:
    a = np.radians(toe)
    turn = np.array([[np.cos(a), -np.sin(a)], [np.sin(a), np.cos(a)]]) @ np.diag([1.0, -1.0 if mirrored else 1.0])
    places = {"H": (0.0, 0.0), "T": (100.0, 0.0), "C": (40.0, -60.0), "B": (-5.0, -35.0)}
    marks = {
        name: Landmark(*(float(part) for part in turn @ xy + (300.0, 200.0)), sigma) for name, xy in places.items()
    }
    b = np.radians(wrong)
    told = Pose(np.array([np.cos(b), np.sin(b)]), np.array([-np.sin(b), np.cos(b)]))
    pose = pose_of(marks, told)
    assert pose is not None and pose.down is not None
    np.testing.assert_allclose(pose.toe, turn @ (1.0, 0.0), atol=1e-9)
    np.testing.assert_allclose(pose.down, turn @ (0.0, 1.0), atol=1e-9)
    assert angle_between(pose, pose) < 1e-6
    for other in other_ways(pose):
        assert angle_between(pose, other) > np.radians(170.0)
    for mark in marks.values():
        unsure = {name: replace(each, sigma_px=90.0 if each is mark else sigma) for name, each in marks.items()}
        again = pose_of(unsure, told)
        assert (again is None) == (mark in (marks["H"], marks["T"]))


def test_no_horn_is_refused() -> None:
    photo, scale, _ = sole_scene()
    nothing = TruthNetwork({}, {}, "none", np.array([1.0, 0.0]), np.array([0.0, 1.0]))  # type: ignore[arg-type]
    for view in ("side", "sole", None):
        with pytest.raises(PhotoRefused) as caught:
            find_outlines(photo, scale, request_for(view), Settings(), segmenter=LearnedSegmenter(nothing))  # type: ignore[arg-type]
        assert caught.value.reason.code == "no_claw"


@pytest.mark.parametrize(
    "doubt",
    [
        {"iou_logit": -3.0},
        {"usable_logit": -6.0},
        {"hidden_logit": 3.0},
        {"view": "side"},
        {"sigma_px": 30.0},
        {"wobble_px": 14.0, "iou_logit": 2.5},
    ],
    ids=lambda doubt: next(iter(doubt)),
)
def test_each_cause_of_doubt_lowers_the_confidence(doubt: dict[str, object]) -> None:
    photo, scale, truth = sole_scene()
    network = sole_network((photo.width, photo.height), truth, (0.0, -1.0))  # type: ignore[arg-type]
    sure = LearnedSegmenter(network).segment(photo, scale, "sole")
    unsure = LearnedSegmenter(replace(network, crops=[], **doubt)).segment(photo, scale, "sole")  # type: ignore[arg-type]
    assert len(sure.claws) == len(unsure.claws) == 2
    for before, after in zip(sure.claws, unsure.claws, strict=True):
        assert after.confidence < Settings().min_confidence < before.confidence


def test_looks_that_differ_widen_the_uncertainty() -> None:
    photo, scale, truth = sole_scene()
    network = sole_network((photo.width, photo.height), truth, (0.0, -1.0))  # type: ignore[arg-type]
    network.iou_logit = 2.5
    sure = LearnedSegmenter(network).segment(photo, scale, "sole")
    shaky = LearnedSegmenter(replace(network, crops=[], wobble_px=4.0)).segment(photo, scale, "sole")
    for before, after in zip(sure.claws, shaky.claws, strict=True):
        assert after.sigma_px > 1.5 * before.sigma_px


def test_the_horn_is_looked_at_twice_in_slightly_different_cuts() -> None:
    photo, scale, truth = sole_scene()
    network = sole_network((photo.width, photo.height), truth, (0.0, -1.0))  # type: ignore[arg-type]
    LearnedSegmenter(network).segment(photo, scale, "sole")
    one, other = (crop for crop in network.crops if crop.size == FINE_SIZE)
    assert other.scale == pytest.approx(0.93 * one.scale, rel=0.01)
    turned = one.matrix[:, :2] @ np.linalg.inv(other.matrix[:, :2])
    assert abs(np.degrees(np.arctan2(turned[1, 0], turned[0, 0]))) == pytest.approx(4.0, abs=0.1)


# --- sample photos ------------------------------------------------------------------------------------------------


def looked_at(photo: TruePhoto, wobble_cells: float) -> tuple[Photo, Pyramid, TruthNetwork, float]:
    decoded, _ = read_photo(photo.folder / photo.name, name=photo.name, settings=Settings())
    pyramid = Pyramid(decoded.pixels)
    network = truth_network(photo)
    seen = glance(network, pyramid)
    assert seen is not None
    cell = 2.0 / look_closer(network, pyramid, seen, photo.view)[-1].crop.scale  # type: ignore[arg-type]
    return decoded, pyramid, truth_network(photo, wobble_px=wobble_cells * cell, seed=5), cell


def away_from(truth: FloatArray, points: FloatArray) -> FloatArray:
    ring = shapely.LinearRing(truth)
    shapely.prepare(ring)
    out: FloatArray = shapely.distance(ring, shapely.points(points))
    return out


@pytest.mark.parametrize("photo", [_SIDE, _SOLE], ids=lambda photo: photo.name)
@pytest.mark.parametrize("wobble_cells", [0.0, 0.6])
def test_snapping_brings_a_shaky_outline_nearer_and_leaves_a_true_one(photo: TruePhoto, wobble_cells: float) -> None:
    _, pyramid, network, cell = looked_at(photo, wobble_cells)
    seen = glance(network, pyramid)
    assert seen is not None
    view: View = "side" if photo.view == "side" else "sole"
    told = together(look_closer(network, pyramid, seen, view))
    contours, _ = cv2.findContours(network.masks["claw_a"].astype(np.uint8), cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE)
    true_line = np.reshape(max(contours, key=cv2.contourArea), (-1, 2)).astype(np.float64)
    mask = outline_of(told.claws[0], told.outputs, told.look.crop, None)
    assert mask is not None
    raw = np.asarray(mask.polygon.exterior.coords)[:-1]
    (snapped,) = snap(pyramid, [raw], cell, told.leg_at)
    before, after = (away_from(true_line, points).mean() / cell for points in (raw, snapped))
    if wobble_cells:
        assert after < 0.97 * before
    else:
        assert after < before + 0.05


def test_sample_photos_are_outlined_where_their_masks_say() -> None:
    for photo in (_SIDE, _SOLE):
        decoded, _, network, _ = looked_at(photo, 0.3)
        scale = _flat_scale(photo)
        found = LearnedSegmenter(network).segment(decoded, scale, photo.view)  # type: ignore[arg-type]
        assert len(found.claws) == len(photo.claws)
        for claw in found.claws:
            assert shapely.Polygon(claw.outline_px).is_valid
            best = max(iou(claw.outline_px, outline(photo.outline(name))) for name in photo.claws)
            assert best > 0.94


def _flat_scale(photo: TruePhoto) -> Scale:
    height, width = photo.mask.shape
    return scale_for((width, height), np.array(photo.shown["reference_px"]["corners_3d"]))


@pytest.mark.parametrize(("wave", "expected"), [(0.0, 0.0), (3.0, 3.0 / np.sqrt(2.0)), (6.0, 6.0 / np.sqrt(2.0))])
def test_an_uneven_dorsal_border_is_told_by_its_root_mean_square(wave: float, expected: float) -> None:
    """A wall that bends as a parabola, and the same with eight waves along it: their root mean square, or nothing."""
    along = np.linspace(0.0, 1.0, 200)
    bend = -60.0 * along * (1.0 - along)
    border = np.column_stack((100.0 + 400.0 * along, 400.0 - 300.0 * along + bend + wave * np.sin(16 * np.pi * along)))
    rest = np.array([(620.0, 260.0), (640.0, 400.0), (400.0, 420.0)])
    outline = np.vstack((border, rest))
    marks = {"T": border[0], "C": border[-1], "B": rest[0]}
    found = FoundClaw(outline, 1.0, 1.0, landmarks={name: Landmark(*map(float, xy), 1.0) for name, xy in marks.items()})
    # across the chord a wave of the height is lower by the slope's cosine
    assert segmenter._unevenness(found) == pytest.approx(expected * 0.8, abs=0.25)
    turned = replace(found, outline_px=outline[::-1])
    assert segmenter._unevenness(turned) == pytest.approx(segmenter._unevenness(found), abs=0.05)
    assert segmenter._unevenness(replace(found, landmarks={})) == 0.0


def test_a_heel_that_lies_on_beyond_what_covers_it_lowers_the_confidence() -> None:
    """A hand over the rear third: the mask ends at it, while the heel is said to lie where it truly does."""
    photo, scale, truth = sole_scene()
    whole = sole_network((photo.width, photo.height), truth, (0.0, -1.0))  # type: ignore[arg-type]
    low, high = truth["left"].min(axis=0), truth["left"].max(axis=0)
    limit = int(high[1] - 0.3 * (high[1] - low[1]))
    hand = np.zeros((photo.height, photo.width), np.uint8)
    hand[limit : int(high[1]) + 60, int(low[0]) - 20 : int(high[0]) - 8] = 1
    covered = {**whole.masks, "occluder": hand, "claw_a": whole.masks["claw_a"] * (1 - hand)}
    sure = LearnedSegmenter(whole).segment(photo, scale, "sole").claws
    unsure = (
        LearnedSegmenter(replace(whole, crops=[], masks=covered, _distances={})).segment(photo, scale, "sole").claws
    )
    assert unsure[0].confidence < Settings().min_confidence < sure[0].confidence
    # a bar that passes behind the heel hides nothing of it
    behind = {**whole.masks, "occluder": hand * (1 - whole.masks["claw_a"])}
    seen = LearnedSegmenter(replace(whole, crops=[], masks=behind, _distances={})).segment(photo, scale, "sole").claws
    assert seen[0].confidence > Settings().min_confidence


def test_how_the_claw_turns_from_the_camera_is_told_of_side_views_alone() -> None:
    photo, scale, truth = side_scene()
    network = side_network(photo, truth)
    network.lean_deg = 12.0
    (claw,) = LearnedSegmenter(network).segment(photo, scale, "side").claws
    assert claw.lean is not None
    assert (claw.lean.value_deg, claw.lean.sigma_deg) == (pytest.approx(12.0, abs=1e-3), pytest.approx(5.0, abs=1e-3))
    photo, scale, soles = sole_scene()
    network = sole_network((photo.width, photo.height), soles, (0.0, -1.0))  # type: ignore[arg-type]
    assert all(claw.lean is None for claw in LearnedSegmenter(network).segment(photo, scale, "sole").claws)
