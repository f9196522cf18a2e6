"""What landmarks that a segmenter found change: on sample photos with their true outlines and landmarks."""

from __future__ import annotations

from dataclasses import replace
from functools import cache

import numpy as np
import pytest
import shapely

from clawvision.errors import PhotoRefused
from clawvision.measure import side_view
from clawvision.measure.claws import measure_claws
from clawvision.measure.side_landmarks import SideLandmarks
from clawvision.measure.side_view import measure_side_claw
from clawvision.measure.sole import find_long_axis, principal_axis
from clawvision.measure.sole_view import measure_sole_claws
from clawvision.photo.read import read_photo
from clawvision.scale.find import find_scale
from clawvision.scale.plane import mm_per_px
from clawvision.types import (
    ClawOutline,
    ClawResult,
    FloatArray,
    Landmark,
    Outlines,
    Scale,
    Settings,
    Twist,
    frozen_array,
    frozen_mapping,
)
from tests.measure.shapes import almond
from tests.truth import TruePhoto, true_photos

_SIDES = [photo for photo in true_photos() if photo.name in ("100_side.jpg", "101_side.jpg", "105_side.jpg")]
_SOLE = next(photo for photo in true_photos() if photo.name == "100_sole.jpg")


@cache
def scale_of(photo: TruePhoto) -> Scale:
    request = photo.request(true_offset=True)
    decoded, _ = read_photo(request.path, name=request.name, settings=Settings())
    return replace(find_scale(decoded, request, Settings()), offset_mm=photo.shown["offset_true_mm"])


def with_found(photo: TruePhoto, sigma_mm: float = 0.6, names: str = "CTB") -> ClawOutline:
    """Return the true outline with the true landmarks as a segmenter might find them."""
    claw = photo.outline(photo.claws[0])
    sigma = sigma_mm / mm_per_px(scale_of(photo), np.asarray(claw.outline_px).mean(axis=0))
    marks = photo.landmarks_px(photo.claws[0])
    found = {name: Landmark(float(marks[name][0]), float(marks[name][1]), sigma) for name in names}
    return replace(claw, source="automatic", found=frozen_mapping(found))


def value(result: ClawResult, measure: str) -> float:
    found = result.measures[measure].value
    assert found is not None
    return found


@pytest.mark.parametrize("photo", _SIDES, ids=lambda photo: photo.name)
def test_found_corners_and_corners_with_hair_led_on_count_by_halves(photo: TruePhoto) -> None:
    scale, claw = scale_of(photo), with_found(photo)
    result = measure_side_claw(claw, scale)
    truth = photo.measures(photo.claws[0])
    for name, true in truth.items():
        assert value(result, name) == pytest.approx(true, abs=result.measures[name].uncertainty), name
    # A segmenter that says something else moves C and B by half of the way, and by the change of corner beside it.
    for mark in "CB":
        said = claw.found[mark]
        moved = replace(said, x=said.x + 8.0, y=said.y - 6.0)
        other = measure_side_claw(replace(claw, found=frozen_mapping({**claw.found, mark: moved})), scale)
        step = float(np.hypot(*np.subtract(other.landmarks_px[mark], result.landmarks_px[mark])))
        assert 0.4 * 10.0 < step < 0.75 * 10.0
    causes = {cause.split(".")[0] for cause in result.measures["toe_length"].budget}
    assert {"landmark_C_x", "landmark_T_x", "build_hair_coronet", "hair_learned"} <= causes
    causes = {cause.split(".")[0] for cause in result.measures["heel_height"].budget}
    assert {"landmark_B_y", "build_hair_bulb"} <= causes
    assert "hairline_corrected" in result.measures["toe_length"].flags


def test_landmarks_say_which_way_round_the_outline_runs() -> None:
    (photo,) = _SIDES[:1]
    claw = with_found(photo)
    assert claw.outline_px is not None
    there = measure_side_claw(claw, scale_of(photo))
    back = measure_side_claw(replace(claw, outline_px=frozen_array(claw.outline_px[::-1])), scale_of(photo))
    assert value(back, "dorsal_arc") == pytest.approx(value(there, "dorsal_arc"), abs=0.1)
    # C and B exchanged: the dorsal border is then the one that does not pass B, whatever the shape looks like.
    swapped = {**claw.found, "C": claw.found["B"], "B": claw.found["C"]}
    other = measure_side_claw(replace(claw, found=frozen_mapping(swapped)), scale_of(photo))
    ring = shapely.LinearRing(claw.outline_px).simplify(1.5)
    at = {name: ring.project(shapely.Point(mark.x, mark.y)) for name, mark in swapped.items()}
    ways = [(at["C"] - at["T"]) % ring.length, (at["T"] - at["C"]) % ring.length]
    if (at["B"] - at["T"]) % ring.length < ways[0]:
        ways.reverse()
    clear, past_bulb = np.array(ways) * mm_per_px(scale_of(photo), claw.outline_px.mean(axis=0))
    # Half of it is read off where hair would have ended, so that it is not the very same length.
    assert abs(value(other, "dorsal_arc") - clear) < 0.15 * abs(past_bulb - clear)


def test_a_landmark_less_sure_makes_the_measure_less_sure() -> None:
    (photo,) = _SIDES[:1]
    lengths = [
        measure_side_claw(with_found(photo, sigma), scale_of(photo)).measures["toe_length"] for sigma in (0.3, 1.0, 3.0)
    ]
    stated = [length.uncertainty for length in lengths]
    assert stated == sorted(stated)  # type: ignore[type-var]
    # C alone, along the wall: 3 mm (k = 1) on C, which counts by half, cannot leave less than 1.5 mm on the length.
    assert stated[2] is not None and stated[2] >= 3.0


def test_the_tip_is_weighed_between_outline_and_network() -> None:
    (photo,) = _SIDES[:1]
    scale = scale_of(photo)
    claw = with_found(photo)
    mark = claw.found["T"]
    plain = measure_side_claw(
        replace(claw, found=frozen_mapping({**claw.found, "T": replace(mark, sigma_px=1e6)})), scale
    )
    moved = Landmark(mark.x + 12.0, mark.y + 3.0, 0.01)
    pulled = measure_side_claw(replace(claw, found=frozen_mapping({**claw.found, "T": moved})), scale)
    np.testing.assert_allclose(pulled.landmarks_px["T"], (moved.x, moved.y), atol=0.2)
    half = Landmark(mark.x + 12.0, mark.y + 3.0, 3.0 * claw.sigma_px)
    between = measure_side_claw(replace(claw, found=frozen_mapping({**claw.found, "T": half})), scale)
    middle = (np.array(plain.landmarks_px["T"]) + np.array(pulled.landmarks_px["T"])) / 2
    np.testing.assert_allclose(between.landmarks_px["T"], middle, atol=0.5)
    # Where the tip is hidden the outline ends too early, and only the network can tell.
    hidden = measure_side_claw(replace(claw, found=frozen_mapping({**claw.found, "T": half}), hidden_tip=0.9), scale)
    np.testing.assert_allclose(hidden.landmarks_px["T"], (half.x, half.y), atol=0.2)


def test_what_a_person_placed_wins() -> None:
    (photo,) = _SIDES[:1]
    claw = with_found(photo)
    given = (claw.found["C"].x + 5.0, claw.found["C"].y - 4.0)
    result = measure_side_claw(replace(claw, given=frozen_mapping({"C": given})), scale_of(photo))
    assert result.landmarks_px["C"] == given
    assert not [cause for cause in result.measures["toe_length"].budget if cause.startswith("landmark_C")]


def test_helical_twist_is_as_told_but_never_negative_and_never_surer_than_the_floor() -> None:
    (photo,) = _SIDES[:1]
    claw = replace(with_found(photo), twist=Twist(22.0, 4.0))
    twist = measure_side_claw(claw, scale_of(photo)).measures["helical_twist"]
    assert (twist.value, twist.unit) == (
        pytest.approx(0.9 * 22.0),
        "deg",
    )  # of claws without a twist it is told too much
    assert twist.uncertainty is not None and twist.uncertainty > 10.0
    unsure = measure_side_claw(replace(claw, twist=Twist(22.0, 12.0)), scale_of(photo)).measures["helical_twist"]
    assert unsure.uncertainty is not None and unsure.uncertainty > twist.uncertainty
    assert "helical_twist" not in measure_side_claw(with_found(photo), scale_of(photo)).measures
    soles = tuple(replace(_SOLE.outline(name), twist=Twist(-3.0, 2.0)) for name in _SOLE.claws)
    claws, _, _ = measure_sole_claws(soles, scale_of(_SOLE))
    assert [claw.measures["helical_twist"].value for claw in claws.values()] == [0.0, 0.0]


def test_an_outline_that_reaches_to_the_horizon_is_refused() -> None:
    """Of a camera that looks 80° aside the plane's horizon lies in the picture; no point beyond it has a place."""
    (photo,) = _SIDES[:1]
    scale = scale_of(photo)
    lean = np.radians(80.0)
    turn = np.array([[1, 0, 0], [0, np.cos(lean), -np.sin(lean)], [0, np.sin(lean), np.cos(lean)]])
    aside = replace(scale, rotation=frozen_array(turn @ scale.rotation))
    outlines = Outlines("side", False, (photo.outline("outer"),))
    assert measure_claws(outlines, scale).claws
    with pytest.raises(PhotoRefused) as caught:
        measure_claws(outlines, aside)
    assert caught.value.reason.code == "outline_beyond_plane"


def test_found_ends_tell_which_end_of_a_sole_is_the_heel() -> None:
    """A blunt, broad toe over a narrow heel deceives the rule of areas."""
    backwards = almond(120.0, 50.0) * (-1.0, 1.0)  # broad at the right, pointed at the left
    assert principal_axis(backwards) @ (-1.0, 0.0) > 0.9
    told = find_long_axis(backwards, principal_axis(backwards, np.array([1.0, 0.2])))
    assert told.direction @ (1.0, 0.0) > 0.9
    assert told.toe[0] > told.heel_centre[0]


def test_sole_measures_hardly_change_with_found_ends() -> None:
    plain = tuple(_SOLE.outline(name) for name in _SOLE.claws)
    marked = []
    for claw in plain:
        marks = _SOLE.landmarks_px(claw.name)
        found = {"T": marks["T"], "heel": 1.3 * marks["K"] - 0.3 * marks["T"]}
        marked.append(
            replace(claw, found=frozen_mapping({k: Landmark(float(p[0]), float(p[1]), 2.0) for k, p in found.items()}))
        )
    before, _, _ = measure_sole_claws(plain, scale_of(_SOLE))
    after, _, _ = measure_sole_claws(tuple(marked), scale_of(_SOLE))
    for name, claw_result in before.items():
        for measure in claw_result.measures:
            assert value(after[name], measure) == pytest.approx(value(claw_result, measure)), measure


@pytest.mark.parametrize("photo", _SIDES, ids=lambda photo: photo.name)
def test_found_landmarks_tell_which_way_the_outline_runs(photo: TruePhoto, monkeypatch: pytest.MonkeyPatch) -> None:
    """The shape alone may take the sole for the dorsal border, which would make that border half again as long."""
    claw, scale = with_found(photo), scale_of(photo)
    right = measure_side_claw(claw, scale)
    find = side_view.find_side_landmarks

    def the_wrong_way(points: FloatArray, up: FloatArray) -> SideLandmarks:
        told, last = find(points, up), len(points) - 1
        return SideLandmarks(last - told.toe, last - told.coronet, last - told.bulb, not told.flipped)

    monkeypatch.setattr(side_view, "find_side_landmarks", the_wrong_way)
    mended = measure_side_claw(claw, scale)
    for name in right.measures:
        assert value(mended, name) == pytest.approx(value(right, name), abs=0.4), name


def test_a_length_known_to_a_few_centimetres_only_asks_for_another_photo() -> None:
    (photo,) = _SIDES[:1]
    scale = scale_of(photo)
    rough, fine = (
        measure_claws(Outlines("side", False, (with_found(photo, sigma),)), scale).reasons for sigma in (18.0, 0.6)
    )
    assert [why.code for why in rough] == ["imprecise"]
    assert rough[0].effect == "review" and "toe length of the outer claw" in rough[0].message
    assert not fine
