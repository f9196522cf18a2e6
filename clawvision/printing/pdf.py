"""Drawings as PDF: vectors only, true to size, and printed so unless a person overrules it."""

from __future__ import annotations

from datetime import UTC, datetime

from clawvision.errors import MissingExtraError
from clawvision.printing.drawing import Arc, Drawing, Line, Rect, Text

_DATE = datetime(2000, 1, 1, tzinfo=UTC)
"""The same for every file: the same drawing makes the same bytes on every day."""
_POINTS_PER_MM = 72 / 25.4


def write_pdf(drawing: Drawing) -> bytes:
    """Return the drawing as a one-page PDF file.

    ``/PrintScaling /None`` (ISO 32000-1, table 150) asks the print dialogue for "actual size".

    Raises
    ------
    MissingExtraError
        If the package fpdf2 is not installed.
    """
    try:
        from fpdf import FPDF, ViewerPreferences
    except ImportError as error:
        raise MissingExtraError(
            "The package that writes PDF files is missing.",
            "Install it with: pip install 'clawvision[print]', or write an .svg or .png file instead.",
        ) from error
    pdf = FPDF(unit="mm", format=(drawing.width, drawing.height))
    pdf.set_creation_date(_DATE)
    pdf.set_title(drawing.title)
    pdf.set_producer("clawvision")
    pdf.viewer_preferences = ViewerPreferences(print_scaling="None")
    pdf.set_auto_page_break(False)
    pdf.add_page()
    for element in drawing.elements:
        match element:
            case Rect(x, y, width, height, grey):
                pdf.set_fill_color(round(grey * 255))
                pdf.rect(x, y, width, height, style="F")
            case Line(x1, y1, x2, y2, width, grey):
                pdf.set_draw_color(round(grey * 255))
                pdf.set_line_width(width)
                pdf.line(x1, y1, x2, y2)
            case Arc(x, y, radius, start, end, width, grey):
                pdf.set_draw_color(round(grey * 255))
                pdf.set_line_width(width)
                pdf.arc(x - radius, y - radius, 2 * radius, start, end)
            case Text(x, y, content, size, anchor):
                pdf.set_font("Helvetica", size=size * _POINTS_PER_MM)
                shift = {"start": 0.0, "middle": 0.5, "end": 1.0}[anchor] * pdf.get_string_width(content)
                pdf.text(x - shift, y, content)
    return bytes(pdf.output())
