"""The files read back by other programs: pypdf, an XML parser, Pillow."""

import io
import sys
import xml.etree.ElementTree as ET
from itertools import pairwise

import numpy as np
import pytest
from click.testing import CliRunner
from PIL import Image
from pypdf import PdfReader
from pypdf.generic import NameObject

from clawvision.cli.card import card
from clawvision.errors import MissingExtraError, OutputError, UsageError
from clawvision.output.atomic import write_atomic
from clawvision.printing import printable, write_drawing
from clawvision.printing.drawing import Arc, Drawing, Rect, Text
from clawvision.printing.page import PAPERS

POINT_MM = 25.4 / 72
SVG = "{http://www.w3.org/2000/svg}"
KINDS = ("card", "charuco", "chessboard")


def filled_rectangles(page):
    """Return the page's filled rectangles as the PDF's operators give them: x, y, width, height in points, grey."""
    rectangles, grey = [], 0.0
    operations = page.get_contents().operations
    for (operands, operator), (_, following) in pairwise(operations):
        if operator in (b"g", b"rg"):
            grey = float(operands[0])
        elif operator == b"re" and following == b"f":
            rectangles.append((*map(float, operands), grey))
    return rectangles


@pytest.mark.parametrize("kind", KINDS)
@pytest.mark.parametrize("paper", ["a4", "letter"])
def test_pdf_rectangles_are_true_to_size(kind, paper):
    drawing = printable(kind, paper)
    reader = PdfReader(io.BytesIO(write_drawing(drawing, ".pdf")))
    (page,) = reader.pages
    short, long = (value / POINT_MM for value in PAPERS[paper])
    size = (short, long) if kind == "card" else (long, short)
    assert (float(page.mediabox.width), float(page.mediabox.height)) == pytest.approx(size, abs=0.01)
    expected = [e for e in drawing.elements if isinstance(e, Rect)]
    found = filled_rectangles(page)
    assert len(found) == len(expected)
    for (x, y, width, height, grey), rect in zip(found, expected, strict=True):
        # PDF counts upwards from the page's foot; fpdf2 gives the height downwards, as a negative number.
        top = float(page.mediabox.height) - max(y, y + height)
        points = np.array((min(x, x + width), top, abs(width), abs(height)))
        assert np.abs(points - np.array((rect.x, rect.y, rect.width, rect.height)) * 72 / 25.4).max() < 0.02
        assert grey == rect.grey


@pytest.mark.parametrize("kind", KINDS)
def test_pdf_asks_for_actual_size_and_holds_no_pixels(kind):
    reader = PdfReader(io.BytesIO(write_drawing(printable(kind, "a4"), ".pdf")))
    catalog = reader.trailer["/Root"].get_object()
    assert catalog["/ViewerPreferences"].get_object()["/PrintScaling"] == NameObject("/None")
    assert list(reader.pages[0].images) == []
    assert "/UserUnit" not in reader.pages[0]
    assert "100 mm" in reader.pages[0].extract_text()


@pytest.mark.parametrize("suffix", [".pdf", ".svg", ".png"])
def test_same_drawing_gives_same_bytes(suffix):
    assert write_drawing(printable("card", "a4"), suffix, 100) == write_drawing(printable("card", "a4"), suffix, 100)


def test_svg_is_in_mm_and_holds_every_rectangle():
    drawing = printable("card", "letter")
    root = ET.fromstring(write_drawing(drawing, ".svg"))
    assert (root.get("width"), root.get("height")) == ("215.9mm", "279.4mm")
    assert root.get("viewBox") == "0 0 215.9 279.4"
    found = [tuple(float(r.get(k, "0")) for k in ("x", "y", "width", "height")) for r in root.iter(f"{SVG}rect")]
    expected = [(e.x, e.y, e.width, e.height) for e in drawing.elements if isinstance(e, Rect)]
    assert np.allclose(found[1:], expected, atol=1e-4)
    assert [t.text for t in root.iter(f"{SVG}text")] == [e.content for e in drawing.elements if isinstance(e, Text)]
    assert root.findall(f".//{SVG}image") == []


def test_svg_escapes_text_and_draws_arcs_by_their_ends():
    drawing = Drawing(10, 10, "a < b & c", (Text(1, 1, '<b> & "', 2), Arc(5, 5, 2, 180, 270)))
    root = ET.fromstring(write_drawing(drawing, ".SVG"))
    assert root.findtext(f"{SVG}title") == "a < b & c"
    assert root.findtext(f"{SVG}text") == '<b> & "'
    assert root.find(f"{SVG}path").get("d") == "M 3 5 A 2 2 0 0 1 5 3"


@pytest.mark.parametrize(("paper", "size"), [("a4", (2480, 3508)), ("letter", (2550, 3300))])
def test_png_states_its_resolution(paper, size):
    """A4 and Letter at 300 dpi have these sizes by definition (210 × 297 mm, 8.5 × 11 inch)."""
    picture = Image.open(io.BytesIO(write_drawing(printable("card", paper), ".png", 300)))
    assert picture.size == size
    assert picture.info["dpi"] == pytest.approx((300, 300), abs=0.01)  # pHYs counts whole pixels a metre


def test_unknown_ending_is_a_usage_error():
    with pytest.raises(UsageError, match=r"\.docx.*\.pdf"):
        write_drawing(printable("card", "a4"), ".docx")


def test_missing_package_names_the_install_line(monkeypatch):
    monkeypatch.setitem(sys.modules, "fpdf", None)
    with pytest.raises(MissingExtraError, match=r"pip install 'clawvision\[print\]'") as caught:
        write_drawing(printable("card", "a4"), ".pdf")
    assert caught.value.exit_code == 6


@pytest.mark.parametrize(
    ("arguments", "name", "start"),
    [
        ([], "scale-card.pdf", b"%PDF-"),
        (["--target", "chessboard"], "lens-target-chessboard.pdf", b"%PDF-"),
        (["--out", "new/card.svg", "--paper", "letter"], "new/card.svg", b"<?xml"),
        (["--out", "card.png", "--dpi", "100"], "card.png", b"\x89PNG"),
    ],
)
def test_command_writes_the_file_and_keeps_stdout_clean(tmp_path, monkeypatch, arguments, name, start):
    monkeypatch.chdir(tmp_path)
    result = CliRunner().invoke(card, arguments, catch_exceptions=False)
    assert result.exit_code == 0
    assert result.stdout == ""
    assert "100 %" in result.stderr
    assert (tmp_path / name).read_bytes().startswith(start)
    assert [p for p in (tmp_path / name).parent.iterdir() if p.name.endswith(".part")] == []


def test_command_refuses_unknown_choices():
    assert CliRunner().invoke(card, ["--paper", "a5"]).exit_code == 2
    assert "Exit status" in CliRunner().invoke(card, ["--help"]).stdout


def test_write_atomic_replaces_and_names_what_cannot_be_written(tmp_path):
    path = tmp_path / "a" / "b.txt"
    write_atomic(path, b"one")
    write_atomic(path, b"two")
    assert path.read_bytes() == b"two"
    assert [p.name for p in path.parent.iterdir()] == ["b.txt"]
    with pytest.raises(OutputError, match=r"b\.txt"):
        write_atomic(path / "below-a-file", b"")
    (tmp_path / "folder").mkdir()
    (tmp_path / "folder" / "full").touch()
    with pytest.raises(OutputError, match="folder cannot be written"):
        write_atomic(tmp_path / "folder", b"")
    assert sorted(p.name for p in tmp_path.iterdir()) == ["a", "folder"]


def test_interrupted_write_leaves_the_old_file(tmp_path, monkeypatch):
    path = tmp_path / "kept.txt"
    write_atomic(path, b"old")

    def interrupted(*_):
        raise KeyboardInterrupt

    monkeypatch.setattr("os.fsync", interrupted)
    with pytest.raises(KeyboardInterrupt):
        write_atomic(path, b"new")
    assert path.read_bytes() == b"old"
    assert [p.name for p in tmp_path.iterdir()] == ["kept.txt"]
