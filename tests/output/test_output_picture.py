"""The annotated picture: what it shows, what it must never show, and whether it can be read."""

from __future__ import annotations

import unicodedata
from collections.abc import Callable
from dataclasses import replace
from io import BytesIO
from pathlib import Path
from string import Formatter

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from PIL import Image
from skimage.color import deltaE_ciede2000, rgb2lab

from clawvision.output import wording
from clawvision.output.labels import Placer
from clawvision.output.picture import LONG_SIDE, annotate, picture_bytes
from clawvision.output.style import (
    DARK,
    FAINT,
    INK,
    OVERLAY_COLOURS,
    PAPER,
    STATUS_COLOURS,
    STATUS_INK,
    font,
    lines_of,
)
from clawvision.output.wording import clean, spoken, subject, value_text
from clawvision.reasons import REASONS
from clawvision.types import Exif, Measure, Photo, PhotoResult, frozen_array, frozen_mapping
from tests.output import made

GOLDEN = Path(__file__).parent / "golden"
CASES: dict[str, Callable[[], PhotoResult]] = {
    "side": made.side_result,
    "sole": made.sole_result,
    "refused": made.refused_result,
}


def small(picture: Image.Image) -> np.ndarray:
    """Return the picture at a quarter of its size, as the golden ones are stored."""
    return np.asarray(picture.reduce(4), dtype=np.float64)


def unlike(picture: np.ndarray, golden: np.ndarray) -> tuple[float, float]:
    """Return the mean absolute difference and the share of pixels that are plainly another colour."""
    if picture.shape != golden.shape:
        return 255.0, 1.0
    difference = np.abs(picture - golden)
    return float(difference.mean()), float((difference.max(axis=2) > 48).mean())


def golden(name: str) -> np.ndarray:
    with Image.open(GOLDEN / f"{name}.png") as stored:
        return np.asarray(stored.convert("RGB"), dtype=np.float64)


@pytest.mark.parametrize("name", CASES)
def test_the_picture_is_the_golden_one(name: str) -> None:
    mean, share = unlike(small(annotate(made.photo(), CASES[name]())), golden(name))
    # Rounding of curves and letters between releases of the libraries; one label is ten times as much.
    assert mean < 0.6 and share < 0.002


def test_the_comparison_with_the_golden_one_sees_a_missing_label() -> None:
    side = made.side_result()
    claw = side.claws["outer"]
    fewer = {name: measure for name, measure in claw.measures.items() if name != "heel_height"}
    fewer["another"] = claw.measures["heel_height"]
    changed = replace(side, claws=frozen_mapping({"outer": replace(claw, measures=fewer)}))
    _, share = unlike(small(annotate(made.photo(), changed)), golden("side"))
    assert share > 0.006


def test_the_same_result_gives_the_same_bytes() -> None:
    assert picture_bytes(made.photo(), made.sole_result()) == picture_bytes(made.photo(), made.sole_result())


@pytest.mark.parametrize("name", CASES)
def test_no_metadata_leaves_with_the_picture(name: str) -> None:
    data = picture_bytes(made.photo(), CASES[name]())
    with Image.open(BytesIO(data)) as picture:
        assert (picture.format, picture.mode) == ("JPEG", "RGB")
        assert not picture.getexif() and not {"exif", "xmp", "icc_profile", "comment"} & set(picture.info)
    assert b"Exif" not in data and b"GPS" not in data and b"http" not in data


def test_the_photo_itself_is_left_alone() -> None:
    photo = made.photo()
    before = photo.pixels.copy()
    annotate(photo, made.side_result())
    assert np.array_equal(photo.pixels, before)


def test_a_file_that_could_not_be_read_has_its_picture_too() -> None:
    picture = annotate(None, made.unread_result())
    red = np.array(STATUS_COLOURS["refused"])
    assert np.array_equal(np.asarray(picture)[3, 3], red)
    assert picture.width >= 900


@pytest.mark.parametrize(
    "size", [(4000, 3000), (3000, 4000), (340, 260), (120, 2400), (2400, 60), (3201, 1801), (1, 1)]
)
def test_any_size_of_photo_is_drawn_at_its_place(size: tuple[int, int]) -> None:
    width, height = size
    factor = np.array([width / made.WIDTH, height / made.HEIGHT])
    side = made.side_result()
    claw = side.claws["outer"]
    assert claw.outline_px is not None and side.scale is not None
    moved = replace(
        claw,
        outline_px=claw.outline_px * factor,
        landmarks_px={name: (x * factor[0], y * factor[1]) for name, (x, y) in claw.landmarks_px.items()},
        guides_px={name: points * factor for name, points in claw.guides_px.items()},
    )
    result = replace(side, size=size, claws=frozen_mapping({"outer": moved}), mm_per_px=0.263 / factor[0])
    pixels = np.full((height, width, 3), 128, dtype=np.uint8)
    picture = annotate(Photo("x", made.SHA, pixels, Exif(), size), result)
    long = max(size)
    shown = LONG_SIDE if long > LONG_SIDE else max(long, 1000)
    assert picture.width == max(round(width * shown / long), 900)
    if min(size) > 1000:
        bare = replace(result, claws=frozen_mapping({"outer": replace(moved, landmarks_px={}, guides_px={})}))
        drawn = np.asarray(annotate(Photo("x", made.SHA, pixels, Exif(), size), bare)).astype(int)
        rows, columns = np.nonzero(np.all(np.abs(drawn - OVERLAY_COLOURS["outer"]) < 40, axis=2))
        # The outline is some 4 pixels wide.
        assert columns.min() == pytest.approx(350 * factor[0] * shown / long, abs=4)
        assert columns.max() == pytest.approx(860 * factor[0] * shown / long, abs=4)
        assert rows.max() - rows.min() == pytest.approx(312 * factor[1] * shown / long, abs=6)


def test_what_cannot_be_drawn_is_left_out_and_the_rest_is_drawn() -> None:
    side = made.side_result()
    claw = side.claws["outer"]
    nan = float("nan")
    blank = Photo("x", made.SHA, np.full((750, 1000, 3), 90, dtype=np.uint8), Exif(), (1000, 750))
    for changes in (
        {"outline_px": None},
        {"outline_px": np.full((5, 2), nan)},
        {"landmarks_px": {}},
        {"landmarks_px": {"C": (nan, 3.0), "T": (860.0, 860.0), "B": (1e9, -1e9)}},
        {"guides_px": {}},
        {"guides_px": {"bearing_line": np.array([(0.0, 0.0), (0.0, 0.0)]), "dorsal_border": np.zeros((0, 2))}},
        {"measures": {}},
        {"outline_px": None, "landmarks_px": {}, "guides_px": {}, "measures": {}},
    ):
        broken = replace(side, claws=frozen_mapping({"outer": replace(claw, **changes)}))  # type: ignore[arg-type]
        assert annotate(blank, broken).width == 1000
    for view in ("front", "rear", None):
        assert annotate(blank, replace(side, view=view)).width == 1000  # type: ignore[arg-type]


@given(st.text(max_size=200))
@settings(deadline=None, max_examples=150)
def test_drawn_text_is_one_line_without_hidden_signs(text: str) -> None:
    shown = clean(text, 30)
    assert len(shown) <= 30
    assert all(unicodedata.category(character)[0] != "C" for character in shown)
    assert shown == " ".join(shown.split())


def test_names_cannot_be_turned_around_or_run_on() -> None:
    assert clean("cow\u202egnp.exe\u202c\x07\n7\u200b\ufeff", 40) == "cowgnp.exe 7"
    assert clean("x" * 50, 10) == "x" * 9 + "…"
    long = made.side_result()
    long = replace(long, request=replace(long.request, name="a" * 5000 + ".jpg", animal="\u202e" + "W" * 5000))
    assert annotate(made.photo(), long).width == made.WIDTH


def test_every_sign_in_use_can_be_written() -> None:
    face = font(40)
    missing = bytes(face.getmask("\ue000"))
    texts = [
        wording.CAUTION,
        "±°·…−×²%–0123456789",
        "äöüßéèñøåçłřğşžŠ ЖукІї Αθήνα Ơữ",
        *wording.MEASURE_WORDS.values(),
        *wording.FOOT_WORDS.values(),
        *("".join(part[0] for part in Formatter().parse(kind.message + kind.advice)) for kind in REASONS.values()),
    ]
    for character in sorted(set("".join(texts)) - {" "}):
        assert bytes(face.getmask(character)) != missing, character


def simulated(colour: tuple[int, int, int], matrix: np.ndarray) -> np.ndarray:
    """Return CIELAB of a colour as a dichromat sees it; the matrices act on linear RGB."""
    encoded = np.array(colour) / 255.0
    linear = np.where(encoded <= 0.04045, encoded / 12.92, ((encoded + 0.055) / 1.055) ** 2.4)
    seen = np.clip(matrix @ linear, 0.0, 1.0)
    again = np.where(seen <= 0.0031308, seen * 12.92, 1.055 * seen ** (1 / 2.4) - 0.055)
    return np.asarray(rgb2lab(again.reshape(1, 1, 3)).reshape(3))


# Machado, Oliveira & Fernandes 2009, IEEE Trans. Vis. Comput. Graph. 15:1291–1298, severity 1.0.
DEUTERANOPIA = np.array(
    [[0.367322, 0.860646, -0.227968], [0.280085, 0.672501, 0.047413], [-0.011820, 0.042940, 0.968881]]
)
PROTANOPIA = np.array(
    [[0.152286, 1.052583, -0.204868], [0.114503, 0.786281, 0.099216], [-0.003882, -0.048116, 1.051998]]
)


@pytest.mark.parametrize("matrix", [np.eye(3), DEUTERANOPIA, PROTANOPIA], ids=["usual", "deuteranopia", "protanopia"])
def test_colours_stay_apart_for_colour_blind_eyes(matrix: np.ndarray) -> None:
    seen = {name: simulated(colour, matrix) for name, colour in OVERLAY_COLOURS.items()}
    names = sorted(seen)
    near = {(a, b): float(deltaE_ciede2000(seen[a], seen[b])) for i, a in enumerate(names) for b in names[i + 1 :]}
    # A CIEDE2000 difference of 1 is about the least that is seen side by side; lines lie apart.
    assert min(near.values()) > 18.0, min(near, key=lambda pair: near[pair])


def contrast(a: tuple[int, int, int], b: tuple[int, int, int]) -> float:
    """Return the contrast ratio of WCAG 2.2 (W3C Recommendation), section 'contrast ratio'."""

    def luminance(colour: tuple[int, int, int]) -> float:
        encoded = np.array(colour) / 255.0
        linear = np.where(encoded <= 0.04045, encoded / 12.92, ((encoded + 0.055) / 1.055) ** 2.4)
        return float(linear @ [0.2126, 0.7152, 0.0722])

    light, dark = sorted((luminance(a), luminance(b)), reverse=True)
    return (light + 0.05) / (dark + 0.05)


def test_texts_have_the_contrast_that_wcag_asks_for() -> None:
    # Success criterion 1.4.3: at least 4.5 to 1.
    plate_on_white = tuple(round(0.84 * d + 0.16 * 255) for d in DARK)
    pairs = [(INK, PAPER), (FAINT, PAPER), (PAPER, DARK), (PAPER, plate_on_white), (INK, OVERLAY_COLOURS["outer"])]
    pairs += [(INK, OVERLAY_COLOURS["inner"]), *((STATUS_COLOURS[s], STATUS_INK[s]) for s in STATUS_COLOURS)]
    for ink, ground in pairs:
        assert contrast(ink, ground) >= 4.5, (ink, ground)  # type: ignore[arg-type]


@given(
    st.lists(st.tuples(st.floats(0, 1600), st.floats(0, 1200)), min_size=1, max_size=12),
    st.tuples(st.floats(200, 1400), st.floats(200, 1000), st.floats(50, 800), st.floats(50, 800)),
)
@settings(deadline=None, max_examples=25)
def test_labels_cover_neither_the_claw_nor_each_other(
    anchors: list[tuple[float, float]], claw: tuple[float, float, float, float]
) -> None:
    placer = Placer(1600, 1200)
    x, y, wide, high = claw
    left, right, top, bottom = x - wide / 2, x + wide / 2, y - high / 2, y + high / 2
    placer.claw(np.array([(left, top), (right, top), (right, bottom), (left, bottom)]))
    boxes = [place.box for anchor in anchors if (place := placer.place(np.array(anchor), 300, 80)) is not None]
    for index, (l1, t1, r1, b1) in enumerate(boxes):
        assert min(l1, t1) >= 0 and r1 <= 1600 and b1 <= 1200
        on_claw = max(0.0, min(r1, right) - max(l1, left)) * max(0.0, min(b1, bottom) - max(t1, top))
        assert on_claw <= 0.12 * 300 * 80
        for l2, t2, r2, b2 in boxes[:index]:
            assert r1 <= l2 or r2 <= l1 or b1 <= t2 or b2 <= t1


def test_a_label_without_room_is_left_to_the_table() -> None:
    placer = Placer(800, 600)
    placer.claw(np.array([(-10.0, -10.0), (810.0, -10.0), (810.0, 610.0), (-10.0, 610.0)]))
    assert placer.place(np.array([400.0, 300.0]), 200, 60) is None
    assert Placer(100, 100).place(np.array([50.0, 50.0]), 200, 60) is None


@pytest.mark.parametrize(
    ("value", "uncertainty", "unit", "text"),
    [
        (75.34, 1.23, "mm", "75.3 ± 1.2 mm"),
        (-0.04, 0.5, "mm", "0.0 ± 0.5 mm"),
        (-3.21, 0.04, "mm", "−3.2 ± 0.1 mm"),
        (48.26, 1.1, "deg", "48.3 ± 1.1°"),
        (5118.6, 240.0, "mm2", "51.2 ± 2.4 cm²"),
        (123.4, 12.6, "mm", "123 ± 13 mm"),
        (9.5, 2.0, "percent", "9.5 ± 2.0 %"),
    ],
)
def test_values_are_written_as_sure_as_they_are(value: float, uncertainty: float, unit: str, text: str) -> None:
    assert value_text(made.measure(value, uncertainty, unit)) == text


def test_a_difference_within_its_uncertainty_is_never_called_one() -> None:
    assert spoken("length_difference", made.measure(4.2, 2.0)) == ("outer longer by", "4.2 ± 2.0 mm")
    assert spoken("length_difference", made.measure(-4.2, 2.0)) == ("outer shorter by", "4.2 ± 2.0 mm")
    assert spoken("length_difference", made.measure(-1.9, 2.0)) == ("outer about as long", "1.9 ± 2.0 mm")
    missing = Measure(None, None, "mm", reason="one claw only")
    assert spoken("length_difference", missing) == ("difference of length", "not taken")


def test_the_subject_is_told_in_words() -> None:
    assert subject(made.side_result()) == (
        "Lindgard 7 · right hind · outer claw, side view · before trimming · 2031-04-02"
    )
    assert subject(made.unread_result()) == "foot not named · check"


@given(st.text(alphabet="abc defgh", max_size=400), st.integers(40, 600))
@settings(deadline=None, max_examples=40)
def test_wrapped_lines_fit(text: str, width: int) -> None:
    lines = lines_of(text, 20, width, 3)
    assert len(lines) <= 3
    assert all(font(20).getlength(line) <= width for line in lines)


def test_the_letters_licence_lies_beside_them() -> None:
    from importlib.resources import files

    text = files("clawvision.output").joinpath("fonts/LICENSE.txt").read_text("utf-8")
    assert "Permission is hereby granted" in text and font(20).getname()[0].startswith("DejaVu")


def test_frozen_outline_is_enough() -> None:
    # Landmarks given by a person, no outline: letters and lines are still drawn.
    side = made.side_result()
    claw = replace(
        side.claws["outer"], outline_px=None, guides_px={"bearing_line": frozen_array([(420, 850), (820, 872)])}
    )
    with_letters = np.asarray(annotate(made.photo(), replace(side, claws={"outer": claw})))
    yellow = np.all(np.abs(with_letters.astype(int) - OVERLAY_COLOURS["outer"]) < 30, axis=2)
    assert yellow.sum() > 500
