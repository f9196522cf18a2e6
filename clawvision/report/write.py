"""From an assessment on file to the report's files."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path

from clawvision.findings.profiles import Profile
from clawvision.output.atomic import write_atomic
from clawvision.output.models import AssessmentRecord
from clawvision.report.catalogue import Catalogue, Language, load_catalogue
from clawvision.report.html import Pictures, html_page, links_of
from clawvision.report.over_time import read_history
from clawvision.report.page import page_of
from clawvision.report.pdf import animal_pdf, need_pdf
from clawvision.report.pictures import (
    MOST_BYTES,
    Thumbnail,
    annotated_files,
    picture_bytes,
    printed_pictures,
    thumbnails_of,
)
from clawvision.report.trimmed import compared_feet, trim_pictures
from clawvision.report.views import AnimalView, PageView, PhotoView

PAGE = "report.html"


@dataclass(frozen=True, slots=True)
class Wanted:
    """How a report is to be."""

    language: Language = "en"
    exact: bool = False
    pictures: Pictures = "small"
    profiles: Mapping[str, Profile] = field(default_factory=dict)
    history: str | None = None
    """Address of a store of earlier photos."""


def write_page(record: AssessmentRecord, folder: Path, file: Path, wanted: Wanted) -> PageView:
    """Write the page about an assessment, and return what it shows.

    Parameters
    ----------
    record
        The assessment.
    folder
        Where it lies, with the annotated pictures.
    file
        The page to write.
    wanted
        How it is to be.

    Raises
    ------
    MissingExtraError
        If the package Jinja2 is not installed.
    OutputError
        If the file cannot be written.
    """
    catalogue = load_catalogue(wanted.language)
    page = page_of(
        record,
        catalogue,
        folder.resolve().name,
        exact=wanted.exact,
        profiles=wanted.profiles,
        trims=compared_feet(record, wanted.profiles),
        history=None if wanted.history is None else read_history(wanted.history, record, wanted.profiles),
    )
    text = _html(record, folder, file, wanted, page, catalogue)
    # A name may hold half of a surrogate pair, which UTF-8 has no bytes for.
    write_atomic(file, text.encode("utf-8", "replace"))
    return page


def _html(
    record: AssessmentRecord, folder: Path, file: Path, wanted: Wanted, page: PageView, catalogue: Catalogue
) -> str:
    files = annotated_files(record.photos, folder)
    links = links_of(files, folder, file)
    bare = html_page(page, catalogue, thumbnails={}, links=links, pictures=wanted.pictures)
    if wanted.pictures == "none":
        return bare
    most = picture_bytes(
        len(bare.encode("utf-8", "replace")), len(files) + sum(len(trim.foot.pairs) for trim in page.trims)
    )
    drawn = trim_pictures(page.trims, record.photos, most // 2)
    most -= sum(len(each.data) for each in drawn.values())
    small = thumbnails_of(files, picture_order(page), most)
    return html_page(page, catalogue, thumbnails=small, links=links, pictures=wanted.pictures, drawn=drawn)


def picture_order(page: PageView) -> tuple[str, ...]:
    """Return the photos in the order in which they get pictures: those of the most urgent animals first."""
    return tuple(photo.key for animal in page.animals for photo in _photos(animal))


def write_pdfs(record: AssessmentRecord, folder: Path, pdf: Path, page: PageView, language: Language) -> int:
    """Write a printed page for each animal, and return how many.

    Pages that a larger report left there are removed: under their number nobody is told of any more.

    Raises
    ------
    MissingExtraError
        If the package fpdf2 is not installed.
    OutputError
        If a file cannot be written.
    """
    need_pdf()
    catalogue = load_catalogue(language)
    files = annotated_files(record.photos, folder)
    # Numbered, not named: no name of an animal becomes a path.
    for place, animal in enumerate(page.animals, 1):
        anchors = {foot.anchor for foot in animal.feet}
        drawn = trim_pictures([each for each in page.trims if each.anchor in anchors], record.photos, MOST_BYTES)
        pictures: Mapping[str, Thumbnail] = printed_pictures(files, [photo.key for photo in _photos(animal)])
        write_atomic(pdf / f"animal-{place:03d}.pdf", animal_pdf(animal, catalogue, pictures, page.day, drawn))
    for file in pdf.glob("animal-*.pdf"):
        number = file.stem.removeprefix("animal-")
        if number.isdecimal() and file.name == f"animal-{int(number):03d}.pdf" and int(number) > len(page.animals):
            file.unlink(missing_ok=True)
    return len(page.animals)


def _photos(animal: AnimalView) -> list[PhotoView]:
    return [photo for foot in animal.feet for photo in foot.photos]
