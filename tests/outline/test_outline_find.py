"""The whole stage on drawn scenes with exactly known outlines, and what a sidecar changes."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import cv2
import numpy as np
import pytest
import shapely

from clawvision.errors import PhotoRefused
from clawvision.outline.classical import ClassicalSegmenter
from clawvision.outline.find import find_outlines
from clawvision.outline.naming import Side
from clawvision.outline.segmenter import FoundClaw, Segmentation
from clawvision.outline.sidecar import Sidecar, SidecarClaw
from clawvision.types import (
    Camera,
    ClawOutline,
    Exif,
    FloatArray,
    Foot,
    Photo,
    PhotoRequest,
    Reference,
    Scale,
    Settings,
    View,
    frozen_array,
    frozen_mapping,
)

_MM = 0.5  # millimetres a pixel in the drawn scenes
_SIZE = (760, 620)
_CARD = np.array([(60.0, 40.0), (231.2, 40.0), (231.2, 148.0), (60.0, 148.0)])
_MIRRORED: dict[Foot, Foot] = {"LF": "RF", "RF": "LF", "LH": "RH", "RH": "LH"}


def scale_for(size: tuple[int, int], card: FloatArray) -> Scale:
    """Return the scale of a camera square on a card, 600 mm away."""
    width, height = size
    focal = 600.0 / _MM
    camera = Camera(width, height, focal, focal, (width - 1) / 2, (height - 1) / 2, source="calibration")
    across = card[1] - card[0]
    angle = float(np.arctan2(across[1], across[0]))
    rotation = np.array([[np.cos(angle), -np.sin(angle), 0], [np.sin(angle), np.cos(angle), 0], [0, 0, 1.0]])
    corner = np.append((card[0] - (camera.cx, camera.cy)) * _MM, 600.0)
    mm = np.array([(0.0, 0.0), (85.6, 0.0), (85.6, 53.98), (0.0, 53.98)])
    reference = Reference("card", frozen_array(card), frozen_array(mm), 0.1, frozen_array(card))
    return Scale(
        reference, camera, frozen_array(rotation), frozen_array(corner), frozen_array(np.eye(6) * 1e-6), 0.0, 1.0, 0.1
    )


def texture(size: tuple[int, int], colour: tuple[int, int, int], seed: int, grain: float, sigma: float) -> FloatArray:
    """Return a picture of a mottled surface, float64 (h, w, 3)."""
    random = np.random.default_rng(seed)
    noise = cv2.GaussianBlur(random.normal(size=(size[1], size[0])), (0, 0), sigma)
    noise *= grain / noise.std()
    return np.asarray(colour, dtype=np.float64) + noise[:, :, None]


def paint(picture: FloatArray, polygon: FloatArray, surface: FloatArray) -> None:
    """Draw a polygon filled with a surface, edges smoothed over a pixel."""
    mask = np.zeros(picture.shape[:2], np.uint8)
    cv2.fillPoly(mask, [np.round(polygon * 16).astype(np.int32)], 255, lineType=cv2.LINE_AA, shift=4)
    share = mask[:, :, None] / 255.0
    picture[:] = picture * (1 - share) + surface * share


def almond(heel: tuple[float, float], length: float, width: float, bend: float) -> FloatArray:
    """Return a sole with its heel's end at ``heel``, toe up, in pixels; ``bend`` moves the toe to the right."""
    u = 0.5 - 0.5 * np.cos(np.linspace(0, np.pi, 60))
    half = np.where(
        u < 0.36, np.sqrt(np.maximum(1 - ((0.36 - u) / 0.36) ** 2, 0)), 1 - (np.maximum(u - 0.36, 0) / 0.64) ** 2.2
    )
    middle = bend * u**2
    x = np.concatenate((middle - half * width / 2, (middle + half * width / 2)[-2:0:-1]))
    y = np.concatenate((u * length, u[-2:0:-1] * length))
    return np.stack((heel[0] + x, heel[1] - y), axis=-1)


def sole_scene() -> tuple[Photo, Scale, dict[Side, FloatArray]]:
    """Return a drawn sole photo, its scale, and the outlines of the left and right claw with the toes up."""
    picture = texture(_SIZE, (112, 104, 92), 1, 6.0, 6.0)
    paint(
        picture,
        np.array([(330.0, 440.0), (530.0, 440.0), (500.0, 700.0), (370.0, 700.0)]),
        texture(_SIZE, (60, 36, 24), 2, 5.0, 1.2),
    )
    claws: dict[Side, FloatArray] = {
        "left": almond((372.0, 470.0), 250.0, 104.0, 8.0),
        "right": almond((488.0, 474.0), 262.0, 108.0, -8.0),
    }
    for polygon in claws.values():
        paint(picture, polygon, texture(_SIZE, (196, 184, 160), 3, 9.0, 8.0))
    paint(picture, _CARD, np.full((*_SIZE[::-1], 3), 240.0))
    return _photo(picture), scale_for(_SIZE, _CARD), claws


def side_scene() -> tuple[Photo, Scale, FloatArray]:
    """Return a drawn side photo, toe left, its scale and the claw's outline."""
    card = _CARD + np.array([30.0, 120.0])
    picture = texture(_SIZE, (150, 150, 146), 4, 5.0, 7.0)
    paint(
        picture,
        np.array([(-10.0, 440.0), (770.0, 440.0), (770.0, 640.0), (-10.0, 640.0)]),
        texture(_SIZE, (120, 112, 96), 5, 7.0, 5.0),
    )
    crown = [(468.0, 392.0), (592.0, 440.0)]
    leg = np.array([crown[0], crown[1], (606.0, 300.0), (640.0, -10.0), (500.0, -10.0), (470.0, 250.0)])
    paint(picture, leg, texture(_SIZE, (104, 58, 36), 6, 6.0, 1.2))
    t = np.linspace(0, np.pi / 2, 12)
    heel = np.stack((578.0 + 24.0 * np.sin(t), 470.0 + 36.0 * np.cos(t)), axis=-1)
    claw = np.concatenate((np.array([crown[0], (344.0, 506.0)]), heel, np.array([crown[1]])))
    paint(picture, claw, texture(_SIZE, (196, 176, 140), 7, 7.0, 5.0))
    paint(picture, card, np.full((*_SIZE[::-1], 3), 240.0))
    return _photo(picture), scale_for(_SIZE, card), claw


def _photo(picture: FloatArray) -> Photo:
    pixels = np.clip(np.round(picture), 0, 255).astype(np.uint8)
    pixels.flags.writeable = False
    return Photo("drawn.png", "", pixels, Exif(), (pixels.shape[1], pixels.shape[0]))


def request_for(view: View | None, foot: Foot | None = None, **more: object) -> PhotoRequest:
    return replace(PhotoRequest(Path("drawn.png"), "drawn.png"), view=view, foot=foot, **more)  # type: ignore[arg-type]


def iou(a: FloatArray, b: FloatArray) -> float:
    one, other = shapely.Polygon(a).buffer(0), shapely.Polygon(b).buffer(0)
    return float(one.intersection(other).area / one.union(other).area)


def codes(reasons: tuple[object, ...]) -> set[str]:
    return {reason.code for reason in reasons}  # type: ignore[attr-defined]


def outline(claw: ClawOutline) -> FloatArray:
    assert claw.outline_px is not None
    return claw.outline_px


# --- the segmenter on drawn scenes --------------------------------------------------------------------------------


def test_two_drawn_soles_are_found_and_named() -> None:
    photo, scale, truth = sole_scene()
    found = find_outlines(photo, scale, request_for("sole", "LH"), Settings(), segmenter=ClassicalSegmenter())
    assert [claw.name for claw in found.claws] == ["outer", "inner"]
    # Toes up in the picture of a left foot: outer on the right.
    assert iou(outline(found.claws[0]), truth["right"]) > 0.9
    assert iou(outline(found.claws[1]), truth["left"]) > 0.9
    for claw in found.claws:
        assert claw.source == "automatic"
        assert 0.0 <= claw.confidence <= 1.0
        assert 0.5 < claw.sigma_px * _MM < 5.0
        assert shapely.Polygon(outline(claw)).is_valid
    assert not {"one_claw_only", "claws_not_separated", "claw_cut"} & codes(found.reasons)


@pytest.mark.parametrize("how", ["mirrored", "turned", "upside down"])
def test_names_and_outlines_do_not_depend_on_how_the_picture_is_turned(how: str) -> None:
    photo, _, truth = sole_scene()
    width, height = _SIZE
    foot: Foot = "LH"
    if how == "mirrored":
        pixels = photo.pixels[:, ::-1]

        def move(points: FloatArray) -> FloatArray:
            return points * (-1.0, 1.0) + (width - 1.0, 0.0)

        card, foot, size = move(_CARD)[[1, 0, 3, 2]], _MIRRORED[foot], _SIZE
    elif how == "turned":
        pixels = np.rot90(photo.pixels)  # counter-clockwise: (x, y) goes to (y, width - 1 - x)

        def move(points: FloatArray) -> FloatArray:
            return np.stack((points[:, 1], width - 1.0 - points[:, 0]), axis=-1)

        card, size = move(_CARD), (height, width)
    else:
        pixels = np.rot90(photo.pixels, 2)

        def move(points: FloatArray) -> FloatArray:
            return np.array([width - 1.0, height - 1.0]) - points

        card, size = move(_CARD), _SIZE
    changed = replace(photo, pixels=np.ascontiguousarray(pixels))
    found = find_outlines(
        changed, scale_for(size, card), request_for("sole", foot), Settings(), segmenter=ClassicalSegmenter()
    )
    assert [claw.name for claw in found.claws] == ["outer", "inner"]
    assert iou(outline(found.claws[0]), move(truth["right"])) > 0.88
    assert iou(outline(found.claws[1]), move(truth["left"])) > 0.88


@pytest.mark.parametrize("mirrored", [False, True])
def test_a_drawn_side_view_is_found(mirrored: bool) -> None:
    photo, scale, truth = side_scene()
    foot: Foot = "LF"
    if mirrored:
        width = _SIZE[0]
        photo = replace(photo, pixels=np.ascontiguousarray(photo.pixels[:, ::-1]))
        truth = truth * (-1.0, 1.0) + (width - 1.0, 0.0)
        card = (scale.reference.outline_px * (-1.0, 1.0) + (width - 1.0, 0.0))[[1, 0, 3, 2]]
        scale, foot = scale_for(_SIZE, card), "RF"
    found = find_outlines(photo, scale, request_for("side", foot), Settings(), segmenter=ClassicalSegmenter())
    (claw,) = found.claws
    assert claw.name == "outer"
    assert "claw_assumed" in codes(found.reasons)
    assert iou(outline(claw), truth) > 0.88


def test_the_same_photo_gives_the_same_outline() -> None:
    photo, scale, _ = side_scene()
    first, second = (
        find_outlines(photo, scale, request_for("side", "LF"), Settings(), segmenter=ClassicalSegmenter())
        for _ in range(2)
    )
    np.testing.assert_array_equal(outline(first.claws[0]), outline(second.claws[0]))
    assert first.claws[0].confidence == second.claws[0].confidence


def test_a_picture_without_a_claw_is_refused_or_doubted() -> None:
    picture = texture(_SIZE, (112, 104, 92), 1, 6.0, 6.0)
    paint(picture, _CARD, np.full((*_SIZE[::-1], 3), 240.0))
    for view in ("side", "sole"):
        try:
            found = find_outlines(
                _photo(picture), scale_for(_SIZE, _CARD), request_for(view), Settings(), segmenter=ClassicalSegmenter()
            )  # type: ignore[arg-type]
        except PhotoRefused as refused:
            assert refused.reason.code == "no_claw"
        else:
            assert "outline_doubtful" in codes(found.reasons)


# --- naming, filling in and reasons, with a segmenter of known answers --------------------------------------------


_NOTHING = Segmentation(())


class Fixed:
    """A segmenter that finds what it is told."""

    def __init__(self, side: Segmentation = _NOTHING, sole: Segmentation = _NOTHING) -> None:
        self._answers = {"side": side, "sole": sole}
        self.asked: list[tuple[View, Side | None]] = []

    def segment(self, photo: Photo, scale: Scale, view: View, *, toe: Side | None = None) -> Segmentation:
        self.asked.append((view, toe))
        return self._answers.get(view, _NOTHING)


def _box(x: float, y: float) -> FloatArray:
    t = 2 * np.pi * np.arange(24) / 24
    return np.stack((x + 40 * np.cos(t), y + 80 * np.sin(t)), axis=-1)


_LEFT, _RIGHT = _box(300, 300), _box(400, 300)


def _both(confidence: float = 0.95, separated: bool = True) -> Segmentation:
    return Segmentation(
        (FoundClaw(_LEFT, confidence, 2.0, "left"), FoundClaw(_RIGHT, confidence, 2.0, "right")), separated
    )


def _find(segmenter: Fixed, request: PhotoRequest, sidecar: Sidecar | None = None) -> object:
    photo, scale, _ = side_scene()
    return find_outlines(photo, scale, request, Settings(), sidecar, segmenter=segmenter)


def _sidecar(view: View | None = None, **claws: SidecarClaw) -> Sidecar:
    named = {None if name == "bare" else name: claw for name, claw in claws.items()}
    return Sidecar("drawn.outline.json", view, frozen_mapping(named))  # type: ignore[arg-type]


def _drawn(points: FloatArray | None, **landmarks: tuple[float, float]) -> SidecarClaw:
    return SidecarClaw(None if points is None else frozen_array(points), frozen_mapping(landmarks))


def test_a_right_foot_has_its_outer_claw_on_the_left() -> None:
    found = _find(Fixed(sole=_both()), request_for("sole", "RF"))
    np.testing.assert_array_equal(found.claws[0].outline_px, _LEFT)  # type: ignore[attr-defined]
    assert not codes(found.reasons)  # type: ignore[attr-defined]


def test_an_unknown_foot_is_noted() -> None:
    found = _find(Fixed(sole=_both()), request_for("sole"))
    assert [claw.name for claw in found.claws] == ["left", "right"]  # type: ignore[attr-defined]
    assert codes(found.reasons) == {"foot_unknown"}  # type: ignore[attr-defined]


def test_the_view_is_inferred_from_the_evidence() -> None:
    side = Segmentation((FoundClaw(_LEFT, 0.8, 2.0),))
    found = _find(Fixed(side, replace(_both(), evidence=5.0)), request_for(None, "LF"))
    assert (found.view, found.view_inferred) == ("sole", True)  # type: ignore[attr-defined]
    assert codes(found.reasons) == {"view_inferred"}  # type: ignore[attr-defined]
    found = _find(Fixed(side, replace(_both(), evidence=-5.0)), request_for(None, "LF"))
    assert found.view == "side"  # type: ignore[attr-defined]
    assert found.claws[0].confidence == 0.8  # type: ignore[attr-defined]
    # Little evidence either way: a person must look.
    found = _find(Fixed(side, replace(_both(), evidence=0.5)), request_for(None, "LF"))
    assert found.view == "sole"  # type: ignore[attr-defined]
    assert "outline_doubtful" in codes(found.reasons)  # type: ignore[attr-defined]
    found = _find(Fixed(side, _NOTHING), request_for(None, "LF"))
    assert found.view == "side"  # type: ignore[attr-defined]


def test_doubt_is_said() -> None:
    found = _find(Fixed(sole=_both(0.3, separated=False)), request_for("sole", "LF"))
    assert {"outline_doubtful", "claws_not_separated"} <= codes(found.reasons)  # type: ignore[attr-defined]
    one = Segmentation((FoundClaw(_LEFT, 0.95, 2.0, "left"),))
    found = _find(Fixed(sole=one), request_for("sole", "LF"))
    assert codes(found.reasons) == {"one_claw_only"}  # type: ignore[attr-defined]
    cut = Segmentation((FoundClaw(np.maximum(_box(20, 300), 0.0), 0.95, 2.0),))
    found = _find(Fixed(cut), request_for("side", "LF", claw="outer"))
    assert codes(found.reasons) == {"claw_cut"}  # type: ignore[attr-defined]


def test_nothing_found_is_refused() -> None:
    for view in ("side", "sole", "front", "rear"):
        with pytest.raises(PhotoRefused) as caught:
            _find(Fixed(), request_for(view))
        assert caught.value.reason.code == "no_claw"


def test_a_sidecar_wins_and_the_segmenter_fills_in_the_other_claw() -> None:
    segmenter = Fixed(sole=_both(0.7))
    mine = _box(405, 305)
    found = _find(segmenter, request_for("sole", "LF"), _sidecar(outer=_drawn(mine, T=(405.0, 225.0))))
    outer, inner = found.claws  # type: ignore[attr-defined]
    np.testing.assert_array_equal(outer.outline_px, mine)
    assert (outer.source, outer.confidence, dict(outer.given)) == ("sidecar", 1.0, {"T": (405.0, 225.0)})
    assert (inner.source, inner.name) == ("automatic", "inner")
    np.testing.assert_array_equal(inner.outline_px, _LEFT)


def test_a_sidecar_tells_which_claw_is_which_where_the_foot_is_unknown() -> None:
    found = _find(Fixed(sole=_both(0.7)), request_for("sole"), _sidecar(inner=_drawn(_box(405, 305))))
    assert [claw.name for claw in found.claws] == ["outer", "inner"]  # type: ignore[attr-defined]
    np.testing.assert_array_equal(found.claws[0].outline_px, _LEFT)  # type: ignore[attr-defined]


def test_the_segmenter_is_not_asked_where_everything_is_drawn() -> None:
    segmenter = Fixed()
    found = _find(segmenter, request_for("side", "LF"), _sidecar(bare=_drawn(_LEFT)))
    assert not segmenter.asked
    assert found.claws[0].name == "outer"  # type: ignore[attr-defined]
    assert codes(found.reasons) == {"claw_assumed"}  # type: ignore[attr-defined]
    found = _find(segmenter, request_for("front"), _sidecar(outer=_drawn(_LEFT), inner=_drawn(_RIGHT)))
    assert len(found.claws) == 2 and not segmenter.asked  # type: ignore[attr-defined]


def test_landmarks_alone_take_the_automatic_outline_if_there_is_one() -> None:
    side = Segmentation((FoundClaw(_LEFT, 0.8, 2.0),))
    drawn = _sidecar(bare=_drawn(None, C=(320.0, 240.0)))
    found = _find(Fixed(side), request_for("side", "LF", claw="inner"), drawn)
    (claw,) = found.claws  # type: ignore[attr-defined]
    assert (claw.name, claw.source, dict(claw.given)) == ("inner", "automatic", {"C": (320.0, 240.0)})
    found = _find(Fixed(), request_for("side", "LF", claw="inner"), drawn)
    (claw,) = found.claws  # type: ignore[attr-defined]
    assert (claw.outline_px, claw.source, claw.confidence) == (None, "sidecar", 1.0)


@pytest.mark.parametrize(
    ("view", "claws"),
    [
        ("sole", {"bare": _drawn(_LEFT)}),
        ("side", {"left": _drawn(_LEFT)}),
        ("front", {"left": _drawn(_LEFT)}),
        ("side", {"inner": _drawn(_LEFT)}),
        ("side", {"outer": _drawn(_box(-300, 300))}),
    ],
)
def test_a_sidecar_that_does_not_fit_the_photo_is_refused(view: View, claws: dict[str, SidecarClaw]) -> None:
    with pytest.raises(PhotoRefused) as caught:
        _find(Fixed(), request_for(view, "LF", claw="outer" if view == "side" else None), _sidecar(**claws))
    assert caught.value.reason.code == "sidecar_invalid"


def test_the_toe_is_looked_for_on_the_side_that_the_foot_tells() -> None:
    segmenter = Fixed(Segmentation((FoundClaw(_LEFT, 0.8, 2.0),)))
    _find(segmenter, request_for("side", "RH", claw="inner"))
    _find(segmenter, request_for("side"))
    assert segmenter.asked == [("side", "left"), ("side", None)]
