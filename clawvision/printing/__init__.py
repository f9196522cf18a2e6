"""Things to print: the scale card and the lens targets, as PDF, SVG or PNG files of true size."""

from __future__ import annotations

from typing import Literal

from clawvision.errors import UsageError
from clawvision.printing.card import card_page
from clawvision.printing.drawing import Drawing
from clawvision.printing.page import Paper
from clawvision.printing.pdf import write_pdf
from clawvision.printing.png import write_png
from clawvision.printing.svg import write_svg
from clawvision.printing.target import target_page

PrintKind = Literal["card", "charuco", "chessboard"]


def printable(kind: PrintKind, paper: Paper) -> Drawing:
    """Return the page to print: scale cards, or one of the lens targets."""
    return card_page(paper) if kind == "card" else target_page(kind, paper)


def write_drawing(drawing: Drawing, suffix: str, dpi: int = 600) -> bytes:
    """Return the drawing as a file of the kind that ``suffix`` (``.pdf``, ``.svg``, ``.png``) names.

    The same drawing gives the same bytes. ``dpi`` counts for PNG alone.

    Raises
    ------
    UsageError
        If no writer knows the suffix.
    MissingExtraError
        If PDF is asked for and fpdf2 is not installed.
    """
    match suffix.lower():
        case ".pdf":
            return write_pdf(drawing)
        case ".svg":
            return write_svg(drawing)
        case ".png":
            return write_png(drawing, dpi)
        case _:
            raise UsageError(
                f"A drawing cannot be written as {suffix or 'a file without ending'}.",
                "Name a file that ends in .pdf, .svg or .png.",
            )


__all__ = ["PrintKind", "printable", "write_drawing", "write_pdf", "write_png", "write_svg"]
