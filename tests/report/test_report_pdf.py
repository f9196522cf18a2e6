"""The printed page of an animal: one page, whatever there is to say."""

from __future__ import annotations

from dataclasses import replace
from io import BytesIO

import pytest
from PIL import Image
from pypdf import PdfReader

from clawvision.report.catalogue import Said, load_catalogue
from clawvision.report.page import page_of
from clawvision.report.pdf import animal_pdf
from clawvision.report.pictures import Thumbnail
from clawvision.report.views import AnimalView
from tests.output import made_feet

ENGLISH = load_catalogue("en")


def animal(language: str = "en") -> AnimalView:
    return page_of(made_feet.assessment(), load_catalogue(language), "x").animals[0]  # type: ignore[arg-type]


def small(shade: int) -> Thumbnail:
    stream = BytesIO()
    Image.new("RGB", (600, 900), (shade, 120, 60)).save(stream, "JPEG")
    return Thumbnail(stream.getvalue(), 600, 900)


def text_of(data: bytes) -> str:
    pages = PdfReader(BytesIO(data)).pages
    assert len(pages) == 1
    box = pages[0].mediabox
    assert (round(box.width * 25.4 / 72), round(box.height * 25.4 / 72)) == (210, 297)
    return " ".join(pages[0].extract_text().split())


def test_what_stands_on_it() -> None:
    shown = animal()
    photos = [photo for foot in shown.feet for photo in foot.photos]
    pictures = {photo.key: small(40 * place) for place, photo in enumerate(photos)}
    data = animal_pdf(shown, ENGLISH, pictures, "2031-04-02")
    text = text_of(data)
    for part in (
        made_feet.COW,
        "this week",
        "or sooner: the gait is not known",
        "Outer claw: toe overgrown.",
        "Right hind foot (RH)",
        "How does she walk?",
        "Never less than 5 mm of sole.",
        "2031-04-02",
    ):
        assert part in text
    assert "More is in the report." not in text
    assert len(PdfReader(BytesIO(data)).pages[0].images) == 2


def test_in_german() -> None:
    text = text_of(animal_pdf(animal("de"), load_catalogue("de"), {}, "2031-04-02"))
    assert "diese Woche" in text
    assert "Bevor jemand schneidet" in text


def test_the_same_page_is_the_same_bytes() -> None:
    assert animal_pdf(animal(), ENGLISH, {}, "2031-04-02") == animal_pdf(animal(), ENGLISH, {}, "2031-04-02")


def test_too_much_to_say_is_one_page_and_says_so() -> None:
    shown = animal()
    crowded = replace(shown, feet=shown.feet * 9)
    text = text_of(animal_pdf(crowded, ENGLISH, {}, "2031-04-02"))
    assert "More is in the report." in text
    assert "Never less than 5 mm of sole." in text
    assert shown.urgency.word in text


def test_the_most_urgent_foot_comes_first() -> None:
    shown = animal()
    assert [foot.urgency.level for foot in shown.feet] == ["no_sign_in_the_photo", "this_week", "no_sign_in_the_photo"]
    text = text_of(animal_pdf(shown, ENGLISH, {}, "x"))
    assert text.index("Right hind foot (RH), 2031-04-02") < text.index("Left hind foot (LH), 2031-04-02")
    assert text.index("Left hind foot (LH), 2031-04-02") < text.index("Right hind foot (RH), 2030-11-20")


def test_endless_cautions_leave_room_for_how_soon() -> None:
    shown = animal()
    many = tuple(Said(f"Caution number {each}: {'word ' * 60}", "en") for each in range(60))
    text = text_of(animal_pdf(replace(shown, feet=(replace(shown.feet[0], cautions=many),)), ENGLISH, {}, "x"))
    assert "More is in the report." in text
    assert shown.urgency.word in text


@pytest.mark.parametrize("name", ["<b>{{7*7}}</b> **x** __y__", "牛 🐄", "a" * 80, "(x) \\) endobj", "ß Ä ö"])
def test_any_name(name: str) -> None:
    text = text_of(animal_pdf(replace(animal(), name=name), ENGLISH, {}, "x"))
    if name.isascii() or name.startswith("ß"):
        assert name.replace(" ", "") in text.replace(" ", "")
    else:
        assert text.startswith("? ? ")  # a letter that cannot be drawn is not left out in silence
