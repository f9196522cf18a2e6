"""``clawvision report``: what it writes where, and what it says when it cannot."""

from __future__ import annotations

import json
import sys
from pathlib import Path

import pytest
from click.testing import CliRunner, Result
from pypdf import PdfReader

from clawvision.cli import main
from clawvision.output.record import dumps
from tests.output import made_feet
from tests.report.made import parsed
from tests.report.test_report_pictures import picture


def call(*words: object) -> Result:
    return CliRunner().invoke(main, ["report", *map(str, words)])


@pytest.fixture
def out(tmp_path: Path) -> Path:
    """An output folder with the invented cow."""
    folder = tmp_path / "out"
    folder.mkdir()
    (folder / "assessment.json").write_bytes(dumps(made_feet.assessment()))
    picture(folder / "annotated" / "side.jpg", 300, 200)
    return folder


def test_a_page_beside_the_assessment(out: Path) -> None:
    result = call(out)
    assert (result.exit_code, result.stdout) == (0, "")
    page = parsed((out / "report.html").read_text("utf-8"))
    assert page.all("html")[0].attributes["lang"] == "en"
    assert len(page.all("img")) == 1
    assert "annotated/side.jpg" in {each.attributes["href"] for each in page.all("a")}
    assert sorted(each.name for each in out.iterdir()) == ["annotated", "assessment.json", "report.html"]


def test_elsewhere_in_german_without_pictures(out: Path, tmp_path: Path) -> None:
    file = tmp_path / "new" / "herd.html"
    assert call(out, "--to", file, "--language", "de", "--pictures", "none", "--words", "exact").exit_code == 0
    page = parsed(file.read_text("utf-8"))
    assert page.all("html")[0].attributes["lang"] == "de"
    assert not page.all("img")
    assert "Solitary overgrowth." in page.all("article")[0].all("p")[0].text
    # From there no relative address leads to the pictures.
    assert all(each.attributes["href"].startswith("#") for each in page.all("a"))


def test_without_pictures_the_files_are_linked(out: Path) -> None:
    assert call(out, "--pictures", "none").exit_code == 0
    page = parsed((out / "report.html").read_text("utf-8"))
    assert not page.all("img")
    assert "annotated/side.jpg" in {each.attributes["href"] for each in page.all("a")}


def test_a_page_to_print_for_each_animal(out: Path, tmp_path: Path) -> None:
    data = json.loads((out / "assessment.json").read_text("utf-8"))
    data["animals"] = [{**data["animals"][0], "animal": name} for name in ("../../x", "Lindgard 7")]
    (out / "assessment.json").write_text(json.dumps(data), "utf-8")
    result = call(out, "--pdf", tmp_path / "pages")
    assert result.exit_code == 0
    files = sorted((tmp_path / "pages").iterdir())
    assert [each.name for each in files] == ["animal-001.pdf", "animal-002.pdf"]
    assert [len(PdfReader(each).pages) for each in files] == [1, 1]
    assert "2 pages written" in result.stderr


def test_pages_of_a_larger_report_do_not_stay(out: Path, tmp_path: Path) -> None:
    pages = tmp_path / "pages"
    pages.mkdir()
    for name in ("animal-002.pdf", "animal-1000.pdf", "animal-x.pdf", "animal-0002.pdf", "notes.pdf"):
        (pages / name).write_bytes(b"of somebody")
    assert call(out, "--pdf", pages).exit_code == 0
    kept = {"animal-001.pdf", "animal-x.pdf", "animal-0002.pdf", "notes.pdf"}  # only what is named as ours is
    assert {each.name for each in pages.iterdir()} == kept


def test_a_photo_whose_name_is_no_unicode(out: Path) -> None:
    data = json.loads((out / "assessment.json").read_text("utf-8"))
    data["photos"][0]["photo"] = "byre/\ud800.jpg"
    (out / "assessment.json").write_text(json.dumps(data), "utf-8")
    result = call(out)
    assert result.exit_code == 2
    assert "no assessment that this version can read" in result.stderr


@pytest.mark.parametrize(
    ("words", "status", "told"),
    [
        (["nowhere"], 2, "is not there"),
        (["--language", "xx"], 2, "'xx'"),
        (["--to", "."], 2, "directory"),
        (["--profiles", "nowhere"], 2, "nowhere"),
    ],
)
def test_wrong_usage(out: Path, words: list[str], status: int, told: str) -> None:
    result = call(*words) if words == ["nowhere"] else call(out, *words)
    assert result.exit_code == status
    assert told in result.stderr
    assert not (out / "report.html").exists()


def test_a_folder_for_printing_that_is_a_file(out: Path) -> None:
    result = call(out, "--pdf", out / "assessment.json")
    assert result.exit_code == 2
    assert "is a file" in result.stderr
    assert not (out / "report.html").exists()


@pytest.mark.parametrize(
    ("package", "extra", "words"), [("jinja2", "report", []), ("fpdf", "print", ["--pdf", "pages"])]
)
def test_a_missing_package(
    out: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, package: str, extra: str, words: list[str]
) -> None:
    monkeypatch.setitem(sys.modules, package, None)
    monkeypatch.chdir(tmp_path)
    result = call(out, *words)
    assert result.exit_code == 6
    assert f"clawvision[{extra}]" in result.stderr
    assert not (out / "report.html").exists()
