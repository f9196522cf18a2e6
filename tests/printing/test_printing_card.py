"""The drawn card against its page of figures, ISO/IEC 7810 and OpenCV's own detector."""

import cv2
import numpy as np
import pytest
from fpdf import FPDF
from PIL import ImageFont

from clawvision.printing import printable
from clawvision.printing.card import GAP, scale_card
from clawvision.printing.drawing import Arc, Drawing, Line, Rect, Text
from clawvision.printing.markers import marker_bits
from clawvision.printing.page import PAPERS
from clawvision.printing.png import render
from clawvision.scale.calibrate import find_corners
from clawvision.scale.target import TARGETS
from clawvision.types import Exif, Photo

# The card's figures as published, typed here afresh: corners of the markers in mm.
MARKERS = {0: (4.00, 4.00), 1: (63.60, 4.00), 2: (63.60, 31.98), 3: (4.00, 31.98)}
MARKER_SIDE = 18.00
DPI = 300


pdf = FPDF(unit="mm")


def bounds(element):
    match element:
        case Rect(x, y, width, height):
            return x, y, x + width, y + height
        case Line():
            return bounds(element.as_rect())
        case Arc(x, y, radius, start, end, width):
            angles = np.radians(np.linspace(start, end, 50))
            xs, ys = x + radius * np.cos(angles), y + radius * np.sin(angles)
            return xs.min() - width / 2, ys.min() - width / 2, xs.max() + width / 2, ys.max() + width / 2
        case Text(x, y, content, size, anchor):
            # The wider of the two fonts that the writers use.
            pdf.set_font("Helvetica", size=size * 72 / 25.4)
            font = ImageFont.load_default(size=size * 10)
            width = max(pdf.get_string_width(content), font.getlength(content) / 10)
            left = x - {"start": 0, "middle": 0.5, "end": 1}[anchor] * width
            return left, y - 0.75 * size, left + width, y + (0 if content.isdigit() else 0.25 * size)


def page_markers(paper):
    return [
        element
        for element in printable("card", paper).elements
        if isinstance(element, Rect) and element.width == MARKER_SIDE
    ]


def test_card_is_of_id1_size():
    """ISO/IEC 7810:2019, ID-1: 85.60 mm × 53.98 mm, corner radius 2.88 mm to 3.48 mm."""
    outline = [e for e in scale_card() if isinstance(e, Line | Arc) and 0 < e.grey < 1]
    lines = [e for e in outline if isinstance(e, Line)]
    arcs = [e for e in outline if isinstance(e, Arc)]
    assert max(line.x2 for line in lines) - min(line.x1 for line in lines) == pytest.approx(85.60)
    assert max(line.y2 for line in lines) - min(line.y1 for line in lines) == pytest.approx(53.98)
    assert len(lines) == len(arcs) == 4
    assert all(2.88 <= arc.radius <= 3.48 for arc in arcs)
    # Each arc begins and ends where a line does, so the outline is closed.
    ends = {(round(x, 6), round(y, 6)) for line in lines for x, y in ((line.x1, line.y1), (line.x2, line.y2))}
    for arc in arcs:
        for angle in np.radians((arc.start, arc.end)):
            x, y = arc.x + arc.radius * np.cos(angle), arc.y + arc.radius * np.sin(angle)
            assert (round(x, 6), round(y, 6)) in ends


def test_nothing_lies_within_2_mm_of_a_marker():
    for x, y in MARKERS.values():
        for element in scale_card():
            if isinstance(element, Arc):  # follows the card's corner, and bends away from the marker's
                along = np.radians(np.linspace(element.start, element.end, 50))
                points = np.column_stack((np.cos(along), np.sin(along))) * element.radius + (element.x, element.y)
                beyond = np.maximum(np.maximum((x, y) - points, points - (x + MARKER_SIDE, y + MARKER_SIDE)), 0)
                assert np.hypot(*beyond.T).min() > 2
                continue
            left, top, right, bottom = bounds(element)
            inside = x <= left and y <= top and right <= x + MARKER_SIDE + 1e-9 and bottom <= y + MARKER_SIDE + 1e-9
            apart = right <= x - 2 or left >= x + MARKER_SIDE + 2 or bottom <= y - 2 or top >= y + MARKER_SIDE + 2
            assert inside or apart, element


def test_check_ruler_has_51_ticks_over_50_mm():
    ticks = sorted(e.x1 for e in scale_card() if isinstance(e, Line) and e.x1 == e.x2 and e.grey == 0)
    assert len(ticks) == 51
    assert np.allclose(np.diff(ticks), 1.0)
    assert ticks[0] == pytest.approx(17.8)
    assert ticks[-1] == pytest.approx(67.8)


@pytest.mark.parametrize("paper", ["a4", "letter"])
def test_page_holds_as_many_cards_as_fit_with_gaps(paper):
    lefts = sorted({round(rect.x, 6) for rect in page_markers(paper)})
    tops = sorted({round(rect.y, 6) for rect in page_markers(paper)})
    assert len(page_markers(paper)) == 4 * 8
    columns, rows = lefts[::2], tops[::2]
    assert min(np.diff(columns)) - 85.60 >= 6.0 - 1e-6
    assert min(np.diff(rows)) - 53.98 >= 6.0 - 1e-6
    width, height = PAPERS[paper]
    assert columns[0] - 4.0 > 15 and columns[-1] - 4.0 + 85.60 < width - 8
    assert rows[-1] - 4.0 + 53.98 < height - 8
    # No third column and no fifth row would go in.
    assert width < 3 * 85.60 + 2 * GAP
    assert height < 5 * 53.98 + 4 * GAP + 34


@pytest.mark.parametrize("paper", ["a4", "letter"])
@pytest.mark.parametrize("kind", ["card", "charuco", "chessboard"])
def test_check_lines_are_100_mm_and_clear_of_the_rest(kind, paper):
    page = printable(kind, paper)
    lines = [e for e in page.elements if isinstance(e, Line)]
    across = [e for e in lines if e.x2 - e.x1 == pytest.approx(100.0)]
    down = [e for e in lines if e.y2 - e.y1 == pytest.approx(100.0)]
    assert len(across) == len(down) == 1
    things = [e for e in page.elements if isinstance(e, Rect)]
    for line in (*across, *down):
        assert all(abs(e.y - line.y1) > 2 or line.y1 != line.y2 for e in things)
        assert all(abs(e.x - line.x1) > 2 or line.x1 != line.x2 for e in things)
    for element in page.elements:
        left, top, right, bottom = bounds(element)
        assert left > 4 and top > 4 and right < page.width - 4 and bottom < page.height - 4, element


def test_page_says_what_to_do():
    words = " ".join(e.content for e in printable("card", "a4").elements if isinstance(e, Text))
    for needed in ("100 mm", "--print-scale 0.99", "Disinfect", "100 %"):
        assert needed in words
    assert "--square-mm" in " ".join(e.content for e in printable("charuco", "a4").elements if isinstance(e, Text))


@pytest.mark.parametrize("marker_id", range(4))
def test_marker_bits_are_opencvs(marker_id):
    dictionary = cv2.aruco.getPredefinedDictionary(cv2.aruco.DICT_4X4_50)
    drawn = cv2.aruco.generateImageMarker(dictionary, marker_id, 6)
    assert np.array_equal(marker_bits("DICT_4X4_50", marker_id), drawn[1:5, 1:5] > 0)


@pytest.mark.parametrize("paper", ["a4", "letter"])
def test_detector_finds_every_marker_of_the_page_in_place(paper):
    """Within 0.05 mm, by OpenCV's detector on the page as pixels."""
    picture = np.asarray(render(printable("card", paper), DPI))
    parameters = cv2.aruco.DetectorParameters()
    parameters.cornerRefinementMethod = cv2.aruco.CORNER_REFINE_SUBPIX
    dictionary = cv2.aruco.getPredefinedDictionary(cv2.aruco.DICT_4X4_50)
    corners, ids, _ = cv2.aruco.ArucoDetector(dictionary, parameters).detectMarkers(picture)
    assert sorted(np.ravel(ids)) == sorted([0, 1, 2, 3] * 8)
    # Pixel centres are whole numbers: the page's corner is half a pixel before the first.
    found = {(int(i), *np.round(np.reshape(c, (4, 2))[0] / 5)) for i, c in zip(np.ravel(ids), corners, strict=True)}
    assert len(found) == 32
    origin = min((r.x, r.y) for r in page_markers(paper))
    origin = (origin[0] - 4.0, origin[1] - 4.0)
    for marker_id, quad in zip(np.ravel(ids), corners, strict=True):
        mm = (np.reshape(quad, (4, 2)) + 0.5) * 25.4 / DPI - origin
        x, y = MARKERS[int(marker_id)]
        expected = np.array([(x, y), (x + 18, y), (x + 18, y + 18), (x, y + 18)])
        place = np.round((mm[0] - expected[0]) / (85.60 + GAP, 53.98 + GAP)) * (85.60 + GAP, 53.98 + GAP)
        assert np.abs(mm - place - expected).max() < 0.05


def test_card_is_no_part_of_the_lens_target():
    picture = np.asarray(render(printable("charuco", "a4"), 100))
    card = cv2.aruco.ArucoDetector(cv2.aruco.getPredefinedDictionary(cv2.aruco.DICT_4X4_50))
    assert np.size(card.detectMarkers(picture)[1] if card.detectMarkers(picture)[1] is not None else []) == 0


@pytest.mark.parametrize("kind", ["charuco", "chessboard"])
@pytest.mark.parametrize("paper", ["a4", "letter"])
def test_target_corners_lie_where_the_detector_sees_them(kind, paper):
    target, page = TARGETS[kind], printable(kind, paper)
    picture = np.asarray(render(page, 150))
    squares = [e for e in page.elements if isinstance(e, Rect) and e.width == target.square_mm]
    origin = np.array((min(s.x for s in squares), min(s.y for s in squares)))
    expected = target.inner_corners() + origin
    photo = Photo("page", "", np.repeat(picture[:, :, None], 3, axis=2), Exif(), picture.shape[::-1])
    corners, _ = find_corners(photo, target)
    assert len(corners) == len(expected)
    mm = (corners + 0.5) * 25.4 / 150
    if np.linalg.norm(mm[0] - expected[-1]) < 1:  # a chessboard may be read from its other end
        mm = mm[::-1]
    assert np.abs(mm - expected).max() < 0.05


def test_charuco_is_drawn_as_opencv_draws_it():
    target = TARGETS["charuco"]
    page = printable("charuco", "a4")
    squares = [e for e in page.elements if isinstance(e, Rect) and e.width == target.square_mm]
    picture = np.asarray(render(page, 254))  # 10 px a mm
    left, top = round(min(s.x for s in squares) * 10), round(min(s.y for s in squares) * 10)
    drawn = picture[top : top + 1750, left : left + 2450]
    expected = target.board().generateImage((2450, 1750))
    # OpenCV rounds edges to whole pixels: 0.1 to 0.3 mm beside an edge are left out.
    inner = cv2.morphologyEx(expected, cv2.MORPH_GRADIENT, np.ones((7, 7), np.uint8)) == 0
    assert inner.mean() > 0.9
    assert np.array_equal(drawn[inner], expected[inner])


def test_lines_run_along_the_axes_and_text_is_plain():
    with pytest.raises(ValueError, match="along"):
        Line(0, 0, 1, 1)
    with pytest.raises(ValueError, match="fonts"):
        Text(0, 0, "85.60 × 53.98", 3)


def test_edges_within_a_pixel_are_shaded_by_their_share():
    pixels = np.asarray(render(Drawing(4, 1, "", (Rect(0.25, 0, 2, 1),)), 25.4))
    assert pixels.tolist() == [[64, 0, 191, 255]]
