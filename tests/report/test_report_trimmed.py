"""Before and after a trim in the report: what the comparison says, beside its picture, in the foot's own part."""

from __future__ import annotations

import re
from io import BytesIO
from pathlib import Path

import pytest
from click.testing import CliRunner
from pypdf import PdfReader

from clawvision.cli import main
from clawvision.compare.comparison import compared
from clawvision.compare.given import given_of
from clawvision.compare.models import ComparedFootRecord
from clawvision.findings.book import load_rules
from clawvision.findings.profiles import load_profiles
from clawvision.report.catalogue import LANGUAGES, Language, load_catalogue
from clawvision.report.page import page_of
from clawvision.report.pdf import animal_pdf
from clawvision.report.trimmed import compared_feet, trim_pictures
from tests.compare.synthetic import assessment, foot_photos, write
from tests.report.made import Element, parsed
from tests.report.test_report_html import assert_contained, by_id


@pytest.fixture(scope="module")
def out(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return write(tmp_path_factory.mktemp("trimmed") / "out", foot_photos())


@pytest.fixture(scope="module")
def found() -> ComparedFootRecord:
    (foot,) = compared([given_of(assessment(foot_photos()))], load_profiles(), load_rules(None)).feet
    return foot


def written(out: Path, *words: str) -> Element:
    result = CliRunner().invoke(main, ["report", str(out), *words])
    assert result.exit_code == 0, result.output
    return parsed((out / "report.html").read_text("utf-8"))


def part_of(page: Element, title: str) -> Element:
    """The part of the foot that has this heading."""
    (foot,) = [
        each
        for each in page.all("section")
        if each.attributes.get("class") == "foot" and title in [head.text for head in each.all("h4")]
    ]
    return foot


@pytest.mark.parametrize("language", LANGUAGES)
def test_the_comparison_stands_in_the_part_of_the_foot_after_the_trim(
    out: Path, found: ComparedFootRecord, language: Language
) -> None:
    page, words = written(out, "--language", language), load_catalogue(language)
    assert_contained(page)
    foot = part_of(page, words.word("trimmed.title"))
    assert words.word("stage.after") in foot.all("h3")[0].text
    assert len(found.verdicts) > 6
    for verdict in found.verdicts:
        said = words.phrase(verdict.text)
        assert said.language == language
        assert said.text in foot.text
    for pair in found.pairs:
        for change in pair.changes:
            if change.measure in ("toe_length", "sole_length"):
                assert words.number(f"{change.change.value:.1f}".replace("-", "−")) in foot.text


def test_each_pair_has_its_picture_and_leads_to_both_photos(out: Path, found: ComparedFootRecord) -> None:
    page = written(out)
    ids = by_id(page)
    foot = part_of(page, "Before and after the trim")
    figures = [each for each in foot.all("figure") if re.fullmatch(r"a\d+f\d+t\d+", each.attributes["id"])]
    assert len(figures) == len(found.pairs)
    drawn = [each for each in figures if each.all("img")]
    assert len(drawn) == sum(pair.claw is not None for pair in found.pairs) > 0
    for figure in drawn:
        assert "change" in figure.all("img")[0].attributes["alt"]
        targets = [ids[each.attributes["href"][1:]].text for each in figure.all("a")]
        assert "before" in targets[0] and "after" in targets[1]


def test_pictures_are_left_out_where_they_are_not_wanted_or_too_large(out: Path) -> None:
    foot = part_of(written(out, "--pictures", "none"), "Before and after the trim")
    assert not foot.all("img")
    record = assessment(foot_photos())
    page = page_of(record, load_catalogue("en"), "x", trims=compared_feet(record, load_profiles()))
    whole = trim_pictures(page.trims, record.photos, 10_000_000)
    sizes = [len(each.data) for each in whole.values()]
    assert len(trim_pictures(page.trims, record.photos, sum(sizes) - 1)) == len(sizes) - 1
    assert sum(sizes) < 60_000 * len(sizes)


def test_without_photos_of_both_stages_nothing_is_said(tmp_path: Path) -> None:
    page = written(write(tmp_path / "out", foot_photos()[3:]))
    assert "Before and after the trim" not in page.text


def test_a_profile_that_is_not_at_hand_does_not_keep_the_report_from_being_written(tmp_path: Path) -> None:
    record = assessment(foot_photos())
    strange = record.model_copy(
        update={
            "photos": tuple(
                each.model_copy(update={"asked": each.asked.model_copy(update={"profile": "elsewhere"})})
                for each in record.photos
            )
        }
    )
    assert compared_feet(record, load_profiles())
    assert not compared_feet(strange, load_profiles())


def test_the_printed_page_has_it_where_there_is_room(found: ComparedFootRecord) -> None:
    record = assessment(foot_photos())
    page = page_of(record, load_catalogue("en"), "x", trims=compared_feet(record, load_profiles()))
    drawn = trim_pictures(page.trims, record.photos, 10_000_000)
    (printed,) = PdfReader(BytesIO(animal_pdf(page.animals[0], load_catalogue("en"), {}, "x", drawn))).pages
    text = " ".join(printed.extract_text().split())
    assert "Before and after the trim" in text
    assert found.verdicts[0].text in text
    assert 0 < len(printed.images) <= 4
