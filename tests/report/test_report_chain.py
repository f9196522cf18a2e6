"""From a folder of photos to an open report in one command, with nothing of it stood in for but the browser."""

from __future__ import annotations

import csv
import shutil
import webbrowser
from pathlib import Path

import pytest
from click.testing import CliRunner, Result

from clawvision.cli import demo, main
from clawvision.cli.assess import Asked
from clawvision.output.read import read_assessment
from tests.report.made import Element, parsed
from tests.report.test_report_html import assert_contained, assert_traced

ANIMALS = ("Pebble", "Bracken", "Juniper")
"""Twelve photos: measured ones with findings, and two without a card, which are refused."""


@pytest.fixture(scope="module")
def photos(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("chain") / "photos"
    folder.mkdir()
    with (demo.SAMPLES / "photos.csv").open(newline="") as file:
        rows = list(csv.DictReader(file))
    kept = [row for row in rows if row["animal"] in ANIMALS]
    with (folder / "photos.csv").open("w", newline="") as file:
        writer = csv.DictWriter(file, rows[0])
        writer.writeheader()
        writer.writerows(kept)
    for row in kept:
        for name in (row["photo"], f"{Path(row['photo']).stem}.outline.json"):
            if (demo.SAMPLES / name).is_file():
                shutil.copy(demo.SAMPLES / name, folder)
    return folder


@pytest.fixture(scope="module")
def opened(photos: Path) -> tuple[Result, list[str]]:
    """Give the command once; return what it said and which addresses a browser was asked to open."""
    asked: list[str] = []
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(webbrowser, "open", lambda address: asked.append(address) or True)
        result = CliRunner().invoke(main, ["assess", str(photos), "--out", str(photos.parent / "out"), "--open"])
    return result, asked


@pytest.fixture(scope="module")
def page(photos: Path, opened: object) -> Element:
    return parsed((photos.parent / "out" / "report.html").read_text("utf-8"))


def test_one_command_opens_the_report(photos: Path, opened: tuple[Result, list[str]]) -> None:
    result, asked = opened
    assert result.exit_code == 3, result.output  # Juniper's photos show no card
    assert len(list(photos.glob("*.jpg"))) == 12
    assert asked == [(photos.parent / "out" / "report.html").resolve().as_uri()]
    assert "report.html written." in result.stderr
    assert result.stdout == ""


def test_every_finding_is_two_clicks_from_picture_numbers_and_source(photos: Path, page: Element) -> None:
    record = read_assessment(photos.parent / "out")
    assert record.run.command == ("clawvision", "assess", "photos")  # --open bears on nothing that it holds
    assert_contained(page)
    assert_traced(record, page)
    assert len(page.all("img")) == 12
    names = [each.text for each in page.all("h2")]
    assert set(ANIMALS) <= set(names)
    assert names.index("Juniper") == 1  # after the table of who has to be lifted: a veterinarian at once


def test_the_demo_gives_that_command(photos: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(demo, "SAMPLES", photos)
    given: list[tuple[tuple[Path, ...], Path, Asked]] = []
    monkeypatch.setattr(demo, "run", lambda photos, out, manifest, asked: given.append((photos, out, asked)) or 0)
    assert CliRunner().invoke(main, ["demo", "--out", str(tmp_path), "--open"]).exit_code == 0
    assert CliRunner().invoke(main, ["demo", "--out", str(tmp_path)]).exit_code == 0
    assert [each[:2] for each in given] == [((tmp_path / "photos",), tmp_path / "result")] * 2
    assert [each[2].show for each in given] == [True, False]
    assert len(list((tmp_path / "photos").glob("*.jpg"))) == 12


def test_where_no_browser_can_be_opened_it_says_so(
    photos: Path, opened: object, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(webbrowser, "open", lambda address: False)
    result = CliRunner().invoke(main, ["report", str(photos.parent / "out"), "--open", "--pictures", "none"])
    assert result.exit_code == 0
    assert "Open this file yourself" in result.stderr
