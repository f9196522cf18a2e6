"""Quality of made-up photos whose flaw is known because it was put in."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import cv2
import numpy as np
import pytest

from clawvision.photo.quality import SURE_OUTLINE, judge_quality, too_dark_to_see
from clawvision.photo.sharpness import edge_blur
from clawvision.types import Camera, ClawOutline, Exif, FloatArray, Outlines, Photo, Reference, Scale, frozen_array

WIDTH, HEIGHT = 1600, 1200
CARD = np.array([(1100.0, 300.0), (1450.0, 300.0), (1450.0, 520.0), (1100.0, 520.0)])


def ellipse(centre: tuple[float, float], half: tuple[float, float]) -> FloatArray:
    angle = np.linspace(0, 2 * np.pi, 400, endpoint=False)
    return np.column_stack((centre[0] + half[0] * np.cos(angle), centre[1] + half[1] * np.sin(angle)))


NOISE = np.random.default_rng(5).normal(0, 1, (300, 400)).astype(np.float32)
CLAW = ellipse((600.0, 700.0), (270.0, 140.0))


def fill(picture: Any, polygon: FloatArray, level: float) -> None:
    """Fill with smooth edges: sub-pixel places, drawn at twice the size and averaged."""
    big = np.zeros((HEIGHT * 2, WIDTH * 2), np.uint8)
    cv2.fillPoly(big, [np.round(polygon * 2 + 0.5).astype(np.int32)], 255)
    share = cv2.resize(big, (WIDTH, HEIGHT), interpolation=cv2.INTER_AREA).astype(np.float32) / 255.0
    picture += share * (level - picture)


@pytest.fixture(scope="module")
def sharp() -> np.ndarray:
    """Grey picture, float32: mottled ground, a grained claw, a card with print."""
    generator = np.random.default_rng(3)
    mottle = generator.normal(0, 1, (HEIGHT // 8, WIDTH // 8)).astype(np.float32)
    picture = 125 + 10 * cv2.resize(mottle, (WIDTH, HEIGHT), interpolation=cv2.INTER_CUBIC)
    fill(picture, CLAW, 75)
    for angle in np.linspace(0, np.pi, 9)[:-1]:  # scratches and rings of the horn, in every direction
        along = 100 * np.array([np.cos(angle), np.sin(angle)])
        across = 3 * np.array([-np.sin(angle), np.cos(angle)])
        middle = np.array([600.0, 700.0])
        stripe = np.array([middle - along - across, middle + along - across, middle + along + across, middle - along])
        fill(picture, stripe, 105)
    fill(picture, CARD, 225)
    for x, y in ((1120, 320), (1360, 320), (1360, 430), (1120, 430)):
        fill(picture, np.array([(x, y), (x + 70, y), (x + 70, y + 70), (x, y + 70)], dtype=float), 30)
    return picture


def photo_of(grey: np.ndarray, *, noise: float = 1.0) -> Photo:
    height, width = grey.shape
    tiled = cv2.repeat(NOISE, -(-height // NOISE.shape[0]), -(-width // NOISE.shape[1]))[:height, :width]
    levels = cv2.convertScaleAbs(np.maximum(grey + noise * tiled, 0).astype(np.float32))
    pixels = cv2.cvtColor(levels, cv2.COLOR_GRAY2RGB)
    pixels.flags.writeable = False
    return Photo("a.jpg", "0" * 64, pixels, Exif(), (grey.shape[1], grey.shape[0]))


def outlines_of(*polygons: FloatArray) -> Outlines:
    names = ("outer", "inner")
    claws = tuple(
        ClawOutline(name, frozen_array(polygon), 1.0, 1.0, "sidecar")  # type: ignore[arg-type]
        for name, polygon in zip(names, polygons, strict=False)
    )
    return Outlines("side", False, claws)


def scale_of(*, tilt: float = 0.0, outline: FloatArray = CARD, kind: Any = "card") -> Scale:
    turn = np.radians(tilt)
    rotation = np.array([[1, 0, 0], [0, np.cos(turn), -np.sin(turn)], [0, np.sin(turn), np.cos(turn)]])
    reference = Reference(kind, outline, outline * 0.25, 0.1, outline)
    camera = Camera(WIDTH, HEIGHT, 1200.0, 1200.0, 799.5, 599.5)
    return Scale(reference, camera, rotation, np.array([0.0, 0.0, 300.0]), np.eye(6), 0.0, 1.0, 0.1)


def codes(photo: Photo, outlines: Outlines | None = None, scale: Scale | None = None) -> list[str]:
    found = judge_quality(photo, outlines or outlines_of(CLAW), scale or scale_of())
    assert all(reason.message and "{" not in reason.message for reason in found)
    return [reason.code for reason in found]


def shaken(grey: np.ndarray, length: int, angle_deg: float) -> np.ndarray:
    kernel = np.zeros((length + 2, length + 2), np.float32)
    kernel[(length + 2) // 2, 1 : length + 1] = 1.0 / length
    middle = ((length + 1) / 2, (length + 1) / 2)
    turned = cv2.warpAffine(kernel, cv2.getRotationMatrix2D(middle, angle_deg, 1.0), kernel.shape[::-1])
    return cv2.filter2D(grey, -1, turned / turned.sum())


def exposed(grey: np.ndarray, stops: float) -> np.ndarray:
    """Change the light by so many stops; grey levels follow it with an exponent of 1 / 2.2."""
    return np.clip(255 * (np.clip(grey, 0, 255) / 255) * 2 ** (stops / 2.2), 0, 255)


def test_a_good_photo_is_not_blamed(sharp: np.ndarray) -> None:
    assert codes(photo_of(sharp)) == []
    assert codes(photo_of(sharp, noise=4.0)) == []
    assert codes(photo_of(sharp), outlines_of(CLAW + 4.0)) == []  # nor for an outline a little off


# --- blur


@pytest.mark.parametrize("sigma", [1.0, 1.5, 2.0, 3.0])
def test_the_blur_of_edges_is_measured(sharp: np.ndarray, sigma: float) -> None:
    # The scene's own edges are averaged over a pixel, which adds about 1/12 px² to the variance.
    measured = edge_blur(photo_of(cv2.GaussianBlur(sharp, (0, 0), sigma)).pixels, [CARD])
    assert measured == pytest.approx(np.hypot(sigma, 12**-0.5), rel=0.12)


def test_blur_is_judged_by_its_share_of_the_picture(sharp: np.ndarray) -> None:
    blurred = cv2.GaussianBlur(sharp, (0, 0), 1.8)
    large = cv2.resize(blurred, None, fx=2.5, fy=2.5, interpolation=cv2.INTER_CUBIC)
    small = edge_blur(photo_of(blurred).pixels, [CARD])
    assert edge_blur(photo_of(large).pixels, [CARD * 2.5 + 0.75]) == pytest.approx(small, rel=0.15)


@pytest.mark.parametrize("sigma", [1.6, 2.5, 4.0, 8.0])
def test_defocus_is_found(sharp: np.ndarray, sigma: float) -> None:
    assert codes(photo_of(cv2.GaussianBlur(sharp, (0, 0), sigma))) == ["blurred"]


@pytest.mark.parametrize("length", [7, 21])
@pytest.mark.parametrize("angle", [0.0, 45.0, 90.0])
def test_a_shake_in_any_direction_is_found(sharp: np.ndarray, length: int, angle: float) -> None:
    assert codes(photo_of(shaken(sharp, length, angle))) == ["blurred"]


def test_a_claw_out_of_focus_behind_a_sharp_card_is_found(sharp: np.ndarray) -> None:
    mixed = cv2.GaussianBlur(sharp, (0, 0), 3.0)
    mixed[250:570, 1050:1500] = sharp[250:570, 1050:1500]
    assert codes(photo_of(mixed)) == ["blurred"]


def test_sharpness_elsewhere_does_not_count(sharp: np.ndarray) -> None:
    background_blurred = cv2.GaussianBlur(sharp, (0, 0), 5.0)
    for x0, y0, x1, y1 in ((280, 500, 920, 900), (1050, 250, 1500, 570)):
        background_blurred[y0:y1, x0:x1] = sharp[y0:y1, x0:x1]
    assert codes(photo_of(background_blurred)) == []


def test_a_region_without_edges_has_no_blur_to_tell() -> None:
    flat = np.full((HEIGHT, WIDTH, 3), 120, np.uint8)
    assert edge_blur(flat, [CLAW]) is None
    assert edge_blur(flat, [CLAW * 0.0]) is None
    assert edge_blur(flat, [CLAW + 5000.0]) is None


# --- light


@pytest.mark.parametrize("stops", [-4.0, -3.0])
def test_too_little_light(sharp: np.ndarray, stops: float) -> None:
    assert codes(photo_of(exposed(sharp, stops))) == ["too_dark"]


@pytest.mark.parametrize("stops", [-0.5, 0.5])
def test_a_little_more_or_less_light_is_no_flaw(sharp: np.ndarray, stops: float) -> None:
    assert codes(photo_of(exposed(sharp, stops))) == []


@pytest.mark.parametrize("stops", [4.0, 5.0])
def test_too_much_light(sharp: np.ndarray, stops: float) -> None:
    assert "too_bright" in codes(photo_of(exposed(sharp, stops)))


def test_glare_on_the_claw(sharp: np.ndarray) -> None:
    glaring = sharp.copy()
    fill(glaring, ellipse((600.0, 700.0), (160.0, 80.0)), 255.0)
    assert codes(photo_of(glaring)) == ["too_bright"]


def test_black_horn_on_lit_ground_is_not_too_dark(sharp: np.ndarray) -> None:
    black = sharp.copy()
    fill(black, CLAW, 25)
    assert "too_dark" not in codes(photo_of(black))


def test_a_photo_in_which_nothing_can_be_seen(sharp: np.ndarray) -> None:
    assert too_dark_to_see(photo_of(sharp)) is None
    assert too_dark_to_see(photo_of(exposed(sharp, -3.0))) is None
    refused = too_dark_to_see(photo_of(exposed(sharp, -7.0)))
    assert refused is not None and refused.effect == "refused"


# --- framing


@pytest.mark.parametrize("shift", [(-331.0, 0.0), (731.0, 0.0), (0.0, -561.0), (0.0, 360.0)])
def test_a_claw_at_the_frame_is_cut(sharp: np.ndarray, shift: tuple[float, float]) -> None:
    moved = np.clip(CLAW + shift, 0, (WIDTH - 1, HEIGHT - 1))
    reasons = judge_quality(photo_of(sharp), outlines_of(CLAW, moved), scale_of())
    cut = [reason for reason in reasons if reason.code == "claw_cut"]
    assert len(cut) == 1 and "inner" in cut[0].message


def test_a_claw_near_the_frame_is_whole(sharp: np.ndarray) -> None:
    assert "claw_cut" not in codes(photo_of(sharp), outlines_of(CLAW - (320.0, 0.0)))


def test_a_small_claw(sharp: np.ndarray) -> None:
    small = ellipse((600.0, 700.0), (70.0, 35.0))
    assert "claw_small" in codes(photo_of(sharp), outlines_of(small))
    assert "claw_small" not in codes(photo_of(sharp), outlines_of(CLAW, small))


def test_landmarks_stand_in_for_an_outline(sharp: np.ndarray) -> None:
    given = {"C": (500.0, 590.0), "T": (860.0, 720.0), "B": (350.0, 700.0)}
    claw = ClawOutline("outer", None, 1.0, 1.0, "sidecar", given)
    outlines = Outlines("side", False, (claw,))
    assert codes(photo_of(sharp), outlines) == []
    assert codes(photo_of(cv2.GaussianBlur(sharp, (0, 0), 3.0)), outlines) == ["blurred"]
    assert codes(photo_of(sharp), replace(outlines, claws=(replace(claw, given={"T": (1.0, 2.0)}),))) == []
    assert codes(photo_of(sharp), replace(outlines, claws=())) == []


# --- the reference


@pytest.mark.parametrize(
    ("tilt", "expected"),
    [
        (0.0, []),
        (29.0, []),
        (31.0, ["reference_oblique"]),
        (54.0, ["reference_oblique"]),
        (56.0, ["reference_too_oblique"]),
    ],
)
def test_an_oblique_reference(sharp: np.ndarray, tilt: float, expected: list[str]) -> None:
    assert codes(photo_of(sharp), scale=scale_of(tilt=tilt)) == expected


def test_a_small_reference(sharp: np.ndarray) -> None:
    tiny = CARD[0] + (CARD - CARD[0]) * 0.3
    found = judge_quality(photo_of(sharp), outlines_of(CLAW), scale_of(outline=tiny))
    assert [reason.code for reason in found if reason.code.startswith("reference")] == ["reference_small"]
    assert "105 pixels" in next(reason.message for reason in found if reason.code == "reference_small")


def test_two_points_are_no_thing_with_edges(sharp: np.ndarray) -> None:
    points = np.array([(100.0, 100.0), (400.0, 100.0)])
    assert codes(photo_of(sharp), scale=scale_of(kind="points", outline=points)) == []
    near = codes(photo_of(sharp), scale=scale_of(kind="points", outline=points * (0.3, 1.0)))
    assert near == ["reference_small"]


def test_sharp_print_vouches_for_a_picture_of_smooth_horn(sharp: np.ndarray) -> None:
    """A claw a little softer than its sharp card is no blur; a claw far out of focus is, and so is a soft card."""

    def softened(polygon: FloatArray, sigma: float) -> np.ndarray:
        mask = np.zeros(sharp.shape[:2], np.uint8)
        grown = polygon.mean(axis=0) + 1.2 * (polygon - polygon.mean(axis=0))
        cv2.fillPoly(mask, [grown.astype(np.int32)], 1)
        return np.where(mask > 0, cv2.GaussianBlur(sharp, (0, 0), sigma), sharp)

    assert "blurred" not in codes(photo_of(softened(CLAW, 1.1)))
    assert "blurred" in codes(photo_of(softened(CLAW, 1.1)), scale=scale_of(kind="points", outline=CARD[:2]))
    assert "blurred" in codes(photo_of(softened(CLAW, 2.5)))
    assert "blurred" in codes(photo_of(softened(CARD, 1.6)))


def test_a_card_in_shade_beside_a_lit_claw_is_no_dark_photo(sharp: np.ndarray) -> None:
    shaded = exposed(sharp, -2.5)
    mask = np.zeros(sharp.shape[:2], np.uint8)
    cv2.fillPoly(mask, [CARD.astype(np.int32)], 1)
    assert "too_dark" not in codes(photo_of(np.where(mask > 0, shaded, sharp)))
    assert "too_dark" in codes(photo_of(shaded))


# --- outlines that the program itself is sure of


def found_with(confidence: float) -> Outlines:
    drawn = outlines_of(CLAW)
    claws = tuple(replace(claw, confidence=confidence, source="automatic") for claw in drawn.claws)
    return replace(drawn, claws=claws)


def test_dim_light_is_a_note_where_the_outline_is_sure(sharp: np.ndarray) -> None:
    dim = photo_of(exposed(sharp, -3.0))
    assert codes(dim, found_with(SURE_OUTLINE)) == ["dark"]
    assert codes(dim, found_with(SURE_OUTLINE - 0.01)) == ["too_dark"]
    assert [each.effect for each in judge_quality(dim, found_with(SURE_OUTLINE), scale_of())] == ["note"]


def test_one_doubtful_claw_of_two_keeps_the_reason(sharp: np.ndarray) -> None:
    sure = found_with(SURE_OUTLINE)
    both = replace(sure, claws=(sure.claws[0], replace(sure.claws[0], name="inner", confidence=0.9)))
    assert "too_dark" in codes(photo_of(exposed(sharp, -3.0)), both)


def test_glare_is_a_note_where_the_outline_is_sure_but_what_hides_a_claw_never_is(sharp: np.ndarray) -> None:
    glaring = sharp.copy()
    fill(glaring, ellipse((600.0, 700.0), (160.0, 80.0)), 255.0)
    assert codes(photo_of(glaring), found_with(0.99)) == ["glare"]
    beside = scale_of(outline=CARD + (CLAW.mean(axis=0) - CARD.mean(axis=0)))
    assert "claw_hidden" in codes(photo_of(sharp), found_with(1.0), beside)


def test_blur_and_a_cut_claw_stay_reasons_to_look(sharp: np.ndarray) -> None:
    blurred = photo_of(cv2.GaussianBlur(sharp, (0, 0), 4.0))
    assert codes(blurred, found_with(1.0)) == ["blurred"]
    cut = replace(found_with(1.0), claws=(replace(found_with(1.0).claws[0], outline_px=CLAW - (CLAW.min(axis=0))),))
    assert "claw_cut" in codes(photo_of(sharp), cut)
