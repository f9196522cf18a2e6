"""One printed page about an animal: what somebody at the crush needs, and no more."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from datetime import UTC, datetime
from importlib import resources
from io import BytesIO
from typing import Any

from clawvision.errors import MissingExtraError
from clawvision.report.catalogue import Catalogue
from clawvision.report.pictures import Thumbnail
from clawvision.report.views import AnimalView, FootView, PhotoView, capital

_WIDTH, _HEIGHT, _MARGIN = 210.0, 297.0, 12.0
_DATE = datetime(2000, 1, 1, tzinfo=UTC)
"""The same for every file: the same record makes the same bytes on every day."""
_SIZES = ((10.0, 70.0), (10.0, 56.0), (9.0, 60.0), (9.0, 50.0), (8.5, 46.0), (8.0, 40.0), (7.0, 34.0))
"""Letters in points and the height of a picture at most in mm: the first at which all fits is taken, else the last."""
_MAIN = ("toe_length", "toe_angle", "heel_height", "sole_length", "sole_width", "length_difference", "axial_twist")
_GAP = 2.0
_MOST_CAUTIONS = 130.0
_LEADING = 0.45
"""Height of a line, mm for a point of the letters."""
_MOST_FEET = 8
_MOST_PAIRS = 4
_LEAST_HIGH = 45.0
"""A picture of two outlines in mm: less tells nothing."""


def need_pdf() -> Callable[..., Any]:
    """Return what makes a PDF file.

    Raises
    ------
    MissingExtraError
        If the package fpdf2 is not installed.
    """
    try:
        from fpdf import FPDF
    except ImportError as error:
        raise MissingExtraError(
            "The package that writes PDF files is missing.", "Install it with: pip install 'clawvision[print]'."
        ) from error
    made: Callable[..., Any] = FPDF
    return made


def animal_pdf(
    animal: AnimalView,
    catalogue: Catalogue,
    thumbnails: Mapping[str, Thumbnail],
    day: str,
    drawn: Mapping[str, Thumbnail] | None = None,
) -> bytes:
    """Return one A4 page about an animal as PDF.

    Parameters
    ----------
    animal
        What is shown.
    catalogue
        The words around it.
    thumbnails
        Small pictures by the photo's name in the record; one that is not there is left out.
    day
        Date of the run.
    drawn
        Pictures of claws before and after a trim, by the anchors of their pairs; they come last, where there is room.

    Returns
    -------
    bytes
        The letters are made as small as it takes to fit; what does not fit even so is left out, and the page says so.
        How soon and what to be careful of always stand on it.

    Raises
    ------
    MissingExtraError
        If the package fpdf2 is not installed.
    """
    make = need_pdf()
    first = None
    for size, high in _SIZES:
        with _Sheet(make, size, high) as sheet:
            last = (size, high) == _SIZES[-1]
            _fill(sheet, animal, catalogue, thumbnails, day, whole=last)
            if not (sheet.fits or last):
                continue
            whole = all([_trimmed(sheet, foot, catalogue, drawn or {}) for foot in animal.feet])
            data = sheet.bytes(f"{animal.name}, {day}")
        if whole:
            return data
        # Smaller letters may leave room for what a trim came to; if none do, the largest that hold the rest count.
        first = first or data
    assert first is not None  # the last size is taken in any case
    return first


class _Sheet:
    """A page that is written from the top, and knows when something no longer fits above its foot."""

    def __init__(self, make: Callable[..., Any], size: float, high: float) -> None:
        pdf = make(unit="mm", format="A4")
        pdf.set_creation_date(_DATE)
        pdf.set_producer("clawvision")
        pdf.set_auto_page_break(False)
        pdf.set_margins(_MARGIN, _MARGIN, _MARGIN)
        pdf.add_page()
        font = resources.files("clawvision.output") / "fonts" / "labels.ttf"
        with resources.as_file(font) as file:
            pdf.add_font("labels", fname=str(file))
        self.pdf, self.size, self.high = pdf, size, high
        self.fits, self.floor = True, _HEIGHT - _MARGIN
        self.reached = self.room = 0.0

    def __enter__(self) -> _Sheet:
        return self

    def __exit__(self, *error: object) -> None:
        # The package itself leaves the file of the letters open.
        self.pdf.fonts["labels"].ttfont.close()

    @property
    def y(self) -> float:
        return float(self.pdf.get_y())

    def height(self, text: str, scale: float) -> float:
        """Return how high a paragraph is, mm."""
        self.pdf.set_font("labels", size=self.size * scale)
        return float(self._cells(text, scale, dry_run=True, output="HEIGHT"))

    def _cells(self, text: str, scale: float, **more: Any) -> Any:
        # A word longer than the line, such as a name without blanks, is broken by the cell itself.
        return self.pdf.multi_cell(_WIDTH - 2 * _MARGIN, self.size * scale * _LEADING, self._known(text), **more)

    def _known(self, text: str) -> str:
        """Return the text with what the letters do not have replaced, so that nothing is silently left out."""
        cmap = self.pdf.fonts["labels"].cmap
        return "".join(each if ord(each) in cmap else "?" for each in text)

    def text(self, text: str, *, scale: float = 1.0, ground: tuple[int, int, int] | None = None) -> bool:
        """Write a paragraph over the whole width; return False, and write nothing, where it does not fit."""
        if self.y + self.height(text, scale) > self.floor:
            self.fits = False
            return False
        if ground is not None:
            self.pdf.set_fill_color(*ground)
        self.pdf.set_x(_MARGIN)
        self._cells(text, scale, fill=ground is not None, align="L", new_x="LMARGIN", new_y="NEXT")
        return True

    def gap(self, height: float = _GAP) -> None:
        self.pdf.set_y(self.y + height)

    def line(self) -> None:
        self.pdf.set_draw_color(90)
        self.pdf.line(_MARGIN, self.y, _WIDTH - _MARGIN, self.y)
        self.gap(1.0)

    def pictures(self, shown: Sequence[tuple[Thumbnail, str]]) -> None:
        """Draw pictures beside one another, each with its caption, as large as the width allows."""
        if not shown:
            return
        width = min((_WIDTH - 2 * _MARGIN - _GAP * (len(shown) - 1)) / len(shown), 95.0)
        boxes = [self._box(small, width) for small, _ in shown]
        high = max(height for _, height in boxes)
        if self.y + high + 5 > self.floor:
            self.fits = False
            return
        top = self.y
        left = _MARGIN
        for (small, caption), (wide, height) in zip(shown, boxes, strict=True):
            self.pdf.image(BytesIO(small.data), x=left, y=top, w=wide, h=height)
            self.pdf.set_font("labels", size=self.size * 0.8)
            self.pdf.set_xy(left, top + high + 0.5)
            self.pdf.cell(wide, self.size * 0.4, self._cut(caption, wide))
            left += wide + _GAP
        self.pdf.set_xy(_MARGIN, top + high + 1.0 + self.size * 0.4)

    def _box(self, small: Thumbnail, width: float) -> tuple[float, float]:
        scale = min(width / small.width, self.high / small.height)
        return small.width * scale, small.height * scale

    def _cut(self, text: str, width: float) -> str:
        text = self._known(text)
        while text and self.pdf.get_string_width(text) > width:
            text = text[:-2] + "…" if len(text) > 2 else ""
        return text

    def bytes(self, title: str) -> bytes:
        self.pdf.set_title(title)
        return bytes(self.pdf.output())


def _fill(
    sheet: _Sheet,
    animal: AnimalView,
    catalogue: Catalogue,
    thumbnails: Mapping[str, Thumbnail],
    day: str,
    *,
    whole: bool,
) -> None:
    """Write the page; unless it is wanted ``whole``, leave off where it turns out not to fit."""
    words = catalogue.word
    cautions = list(dict.fromkeys(each.text for foot in animal.feet for each in foot.cautions))
    # What to be careful of is kept room for before anything else may take it.
    foot_lines: list[str] = []
    heights: list[float] = []
    for each in (words("pdf.caution"), *cautions):
        height = sheet.height(f"- {each}", 0.9)
        if sum(heights) + height > _MOST_CAUTIONS:
            sheet.fits = False
            break
        foot_lines.append(each)
        heights.append(height)
    sheet.floor = _HEIGHT - _MARGIN - sum(heights) - sheet.size * 1.2
    sheet.text(f"{animal.name}", scale=1.8)
    least = f" ({words('urgency.at_least')})" if animal.urgency.at_least else ""
    sheet.text(f"{animal.urgency.sign} {animal.urgency.word}{least}", scale=1.4, ground=(235, 235, 230))
    sheet.text(f"{animal.urgency.text.text} {words('foot.pattern')}: {animal.pattern.text}. {words('head.day')}: {day}")
    written = 0
    # Each foot as last seen, the most urgent first, so that what may not fit is what can wait.
    order = {row.link.anchor: place for place, row in enumerate(animal.soon)}
    for foot in sorted(animal.feet, key=lambda each: order.get(each.anchor, len(order)))[:_MOST_FEET]:
        written += _foot(sheet, foot, catalogue, thumbnails)
        if not (sheet.fits or whole):
            return
    for finding in animal.findings:
        sheet.text(f"{capital(finding.whose)}: {finding.title.text}. {finding.text.text}")
    if animal.urgency.questions:
        sheet.gap(1.0)
        sheet.text(f"{words('question.title')}:", scale=1.05)
        for place, (text, _) in enumerate(animal.urgency.questions[:3], 1):
            sheet.text(f"{place}. {text.text}")
    if written < len(animal.feet):
        sheet.fits = False
    missed = not sheet.fits
    sheet.reached, sheet.room = sheet.y, sheet.floor
    sheet.floor = _HEIGHT - _MARGIN
    sheet.pdf.set_y(_HEIGHT - _MARGIN - sum(heights) - sheet.size * 0.9)
    sheet.text(f"{words('trim.cautions')}{' – ' + words('pdf.more') if missed else ''}:", scale=0.95)
    for each in foot_lines:
        sheet.text(f"- {each}", scale=0.9)
    sheet.fits = not missed


def _foot(sheet: _Sheet, foot: FootView, catalogue: Catalogue, thumbnails: Mapping[str, Thumbnail]) -> bool:
    """Write what is said about a foot; return whether at least its name and how soon stand there."""
    words = catalogue.word
    sheet.gap(1.0)
    sheet.line()
    urgency = foot.urgency
    if not sheet.text(f"{capital(foot.name)}, {foot.when}, {foot.stage}: {urgency.sign} {urgency.word}", scale=1.15):
        return False
    if foot.veterinarian:
        sheet.text(f"{words('trim.veterinarian')}!", scale=1.05, ground=(235, 235, 230))
    for reason in urgency.reasons:
        sheet.text(f"- {reason.text}")
    main = [words(f"measure.{name}") for name in _MAIN]
    told: dict[str, list[tuple[int, str]]] = {}
    for part in foot.measures:
        told.setdefault(part.claw, []).extend(
            (main.index(each.name), f"{each.name} {each.value}") for each in part.taken if each.name in main
        )
    for claw, measures in told.items():
        if measures:
            sheet.text(f"{capital(claw)}: {'; '.join(text for _, text in sorted(measures))}")
    photos: list[tuple[PhotoView, Thumbnail]] = [
        (photo, thumbnails[photo.key]) for photo in foot.photos if photo.key in thumbnails
    ]
    sheet.gap(0.5)
    sheet.pictures([(small, f"{photo.name}: {photo.status_word}") for photo, small in photos[:4]])
    return True


def _trimmed(sheet: _Sheet, foot: FootView, catalogue: Catalogue, drawn: Mapping[str, Thumbnail]) -> bool:
    """Write what a trim came to into what room is left, and return whether all of it is there."""
    if foot.trimmed is None:
        return True
    if not sheet.fits:
        return False
    sheet.pdf.set_y(sheet.reached)
    sheet.floor = sheet.room
    shown = [(drawn[pair.anchor], pair.caption) for pair in foot.trimmed.pairs if pair.anchor in drawn][:_MOST_PAIRS]
    sheet.gap(1.0)
    title = f"{capital(foot.name)}: {catalogue.word('trimmed.title')}"
    told = " ".join(f"{each.text.removesuffix('.')}." for each in foot.trimmed.verdicts)
    if sheet.text(title, scale=1.05) and sheet.text(told, scale=0.9):
        usual, left = sheet.high, sheet.floor - sheet.y - 6.0
        # Drawn lower where that makes them fit, but not so low that nothing can be seen.
        sheet.high = max(min(usual, left), min(usual, _LEAST_HIGH))
        sheet.pictures(shown)
        sheet.high = usual
    whole = sheet.fits
    sheet.reached, sheet.fits = sheet.y, True
    return whole
