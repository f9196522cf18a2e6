"""A foot's history in the report: the store's own numbers, a picture without colour, and plain words where none."""

from __future__ import annotations

import re
from pathlib import Path

import pytest
from click.testing import CliRunner

from clawvision.cli import main
from clawvision.findings.profiles import load_profiles
from clawvision.history.due import read_herd
from clawvision.history.growth import claw_readings, foot_growth, herd_feet, herd_history
from clawvision.history.store import open_store
from clawvision.output.models import AssessmentRecord
from clawvision.output.record import dumps
from clawvision.report.catalogue import LANGUAGES, Language, load_catalogue
from clawvision.report.over_time import history_view
from tests.history import made
from tests.history.over_time import day, herd, line, row, side_photo, stored
from tests.report.made import Element, parsed
from tests.report.test_report_html import CSS, assert_contained, by_id

EVIL = "<script>alert(1)</script>"


@pytest.fixture(scope="module")
def store(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return herd(tmp_path_factory.mktemp("herd") / "herd.sqlite")


def assessment() -> AssessmentRecord:
    """An assessment of the last day: two feet of the store, and one that is not in it."""
    photos = [
        side_photo("Invented 1", "LH", "outer", *line(9.0, 78.0)[-1]),
        side_photo("Invented 2", "LH", "outer", 180, 84.0),
        side_photo("Invented 9", "RF", "outer", 180, 84.0),
    ]
    return made.assessment(photos, made.run(f"{day(185)}T00:00:00+00:00"))


def written(tmp_path: Path, store: Path, *words: str) -> Element:
    (tmp_path / "out").mkdir(exist_ok=True)
    (tmp_path / "out" / "assessment.json").write_bytes(dumps(assessment()))
    result = CliRunner().invoke(main, ["report", str(tmp_path / "out"), "--history", str(store), *words])
    assert result.exit_code == 0, result.output
    return parsed((tmp_path / "out" / "report.html").read_text("utf-8"))


def sections(page: Element) -> dict[str, Element]:
    """Return the part of each animal, by its name."""
    return {each.all("h2")[0].text: each for each in page.all("section") if each.attributes.get("class") == "animal"}


@pytest.mark.parametrize("language", LANGUAGES)
def test_each_foot_has_its_picture_and_its_rate_or_says_that_there_is_none(
    tmp_path: Path, store: Path, language: Language
) -> None:
    page, words = written(tmp_path, store, "--language", language), load_catalogue(language)
    assert_contained(page)
    told = sections(page)
    assert [len(told[name].all("svg")) for name in ("Invented 1", "Invented 2", "Invented 9")] == [1, 1, 0]
    assert words.word("history.none") in told["Invented 9"].text
    with open_store(str(store)) as opened:
        feet = foot_growth(read_herd(opened, load_profiles(), day(185)), "Invented 1")
    for claw in feet[0].claws:
        rate = claw.claw.estimate
        assert rate is not None
        assert words.number(f"{rate.value:.1f}") in told["Invented 1"].text
    english = [each for each in told["Invented 1"].walk() if each.attributes.get("lang") not in (None, language)]
    assert "mm a month" not in " ".join(each.text for each in english)
    for shown in told["Invented 1"], told["Invented 2"]:
        assert words.word("history.caution") in shown.text


def test_the_picture_is_told_to_those_who_do_not_see_it(tmp_path: Path, store: Path) -> None:
    page = written(tmp_path, store)
    ids = by_id(page)
    for picture in page.all("svg"):
        assert picture.attributes["role"] == "img"
        title, described = (ids[each] for each in picture.attributes["aria-labelledby"].split())
        assert title.tag == "title" and described.tag == "desc"
    described = sections(page)["Invented 1"].all("desc")[0].text
    for number, length in line(9.0, 78.0):
        assert f"{length:.1f} ± 2.0 mm on {day(number)}" in described


def test_the_picture_needs_no_colour(tmp_path: Path, store: Path) -> None:
    picture = sections(written(tmp_path, store))["Invented 1"].all("svg")[0]
    inks = {each.attributes[name] for each in picture.walk() for name in ("fill", "stroke") if name in each.attributes}
    assert inks == {"none", "currentColor"}
    marks = [each.attributes["class"] for each in picture.all("path") if "class" in each.attributes]
    assert marks.count("full") == marks.count("open") == 5  # four lengths of a claw, and one in the legend
    assert ".sketch .full { fill: currentColor; }" in CSS


def test_lines_end_at_trims(tmp_path: Path, store: Path) -> None:
    picture = sections(written(tmp_path, store))["Invented 2"].all("svg")[0]
    lines = [each.attributes["d"] for each in picture.all("path") if each.attributes.get("stroke-width")]
    assert [each.count("M") for each in lines] == [2, 2]
    assert "trim" in [each.text for each in picture.all("text")]


def test_a_trim_known_by_its_photos_alone_is_marked() -> None:
    rows = [row(0, 80.0), row(60, 84.0, stage="before"), row(60, 76.0, stage="after"), row(120, 80.0)]
    (foot,) = herd_feet(herd_history(claw_readings(rows), load_profiles())).values()
    svg = history_view(foot, load_catalogue("en"), "x").svg
    assert svg.count(">trim</text>") == 1
    way = re.search(r'stroke-width="1.6" d="([^"]+)"', svg)
    assert way is not None and way[1].count("M") == 2


@pytest.mark.parametrize("language", LANGUAGES)
def test_a_claw_that_may_be_long_already_is_told_also_without_a_rate(language: Language) -> None:
    words = load_catalogue(language)
    said = {}
    for length in (90.0, 99.0):
        (foot,) = herd_feet(herd_history(claw_readings([row(0, length)]), load_profiles())).values()
        said[length] = [each.text for each in history_view(foot, words, "x").told]
    may_be = words.word("history.may_be", claw=words.word("claw.outer"), limit="100")
    may_be = may_be[:1].upper() + may_be[1:]
    assert may_be in said[99.0] and may_be not in said[90.0]


def test_photos_left_out_are_counted() -> None:
    for count, words in ((1, "one photo is left out"), (2, "2 photos are left out")):
        rows = [row(0, 80.0), *(row(30 + each, 82.0, status="review") for each in range(count))]
        (foot,) = herd_feet(herd_history(claw_readings(rows), load_profiles())).values()
        assert words in " ".join(each.text for each in history_view(foot, load_catalogue("en"), "x").told)


def test_what_is_drawn_is_to_scale() -> None:
    rows = [row(number, 80.0 + number / 10, animal="Invented 5") for number in (0, 50, 100)]
    (foot,) = herd_feet(herd_history(claw_readings(rows), load_profiles())).values()
    svg = history_view(foot, load_catalogue("en"), "x").svg
    way = re.search(r'stroke-width="1.6" d="([^"]+)"', svg)
    assert way is not None
    points = [tuple(map(float, each.split())) for each in way[1].removeprefix("M").split("L")]
    (x0, y0), (x1, y1), (x2, y2) = points
    assert x1 - x0 == pytest.approx(x2 - x1, abs=0.2) and x2 > x0
    assert y0 - y1 == pytest.approx(y1 - y2, abs=0.2) and y2 < y0  # longer is higher


def test_it_is_small(tmp_path: Path, store: Path) -> None:
    written(tmp_path, store)
    text = (tmp_path / "out" / "report.html").read_text("utf-8")
    assert max(len(each) for each in re.findall(r"<svg.*?</svg>", text, re.DOTALL)) < 4000


def test_names_are_only_words(tmp_path: Path) -> None:
    photos = [side_photo(EVIL, "LH", "outer", *each) for each in line(4.0)]
    store = stored(tmp_path / "evil.sqlite", photos)
    (tmp_path / "out").mkdir()
    (tmp_path / "out" / "assessment.json").write_bytes(
        dumps(made.assessment(photos[-1:], made.run(f"{day(185)}T00:00:00+00:00")))
    )
    assert CliRunner().invoke(main, ["report", str(tmp_path / "out"), "--history", str(store)]).exit_code == 0
    page = parsed((tmp_path / "out" / "report.html").read_text("utf-8"))
    assert_contained(page)
    assert len(page.all("svg")) == 1


def test_photos_of_later_days_do_not_count(tmp_path: Path) -> None:
    photos = [side_photo("Invented 1", "LH", "outer", *each) for each in line(9.0, 78.0, (0, 60, 180, 240))]
    page = written(tmp_path, stored(tmp_path / "late.sqlite", photos))
    described = sections(page)["Invented 1"].all("desc")[0].text
    assert str(day(180)) in described and str(day(240)) not in described


def test_without_a_store_nothing_is_said(tmp_path: Path) -> None:
    (tmp_path / "out").mkdir()
    (tmp_path / "out" / "assessment.json").write_bytes(dumps(assessment()))
    assert CliRunner().invoke(main, ["report", str(tmp_path / "out")]).exit_code == 0
    assert "Over time" not in (tmp_path / "out" / "report.html").read_text("utf-8")


def test_a_store_that_is_not_there(tmp_path: Path) -> None:
    (tmp_path / "out").mkdir()
    (tmp_path / "out" / "assessment.json").write_bytes(dumps(assessment()))
    result = CliRunner().invoke(main, ["report", str(tmp_path / "out"), "--history", str(tmp_path / "none.sqlite")])
    assert result.exit_code == 2
    assert "There is no store" in result.stderr
    assert not (tmp_path / "out" / "report.html").exists()
