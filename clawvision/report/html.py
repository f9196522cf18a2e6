"""The report as one page of HTML: no script, nothing from elsewhere, every word from outside escaped."""

from __future__ import annotations

from collections.abc import Mapping
from importlib import import_module, resources
from pathlib import Path
from typing import Literal

from clawvision.errors import MissingExtraError
from clawvision.report.catalogue import Catalogue
from clawvision.report.pictures import Thumbnail, link_to
from clawvision.report.views import PageView, capital

Pictures = Literal["none", "small"]


def need_html() -> None:
    """Make sure that the page can be filled.

    Raises
    ------
    MissingExtraError
        If the package Jinja2 is not installed.
    """
    try:
        import_module("jinja2")
    except ImportError as error:
        raise MissingExtraError(
            "The package that fills the report's page is missing.",
            "Install it with: pip install 'clawvision[report]'",
        ) from error


def links_of(files: Mapping[str, Path], out: Path, page: Path) -> Mapping[str, str]:
    """Return the address of each photo's annotated picture, where the page lies beside the folder of them.

    ``files`` are those that `clawvision.report.pictures.annotated_files` finds in ``out``.
    """
    if page.resolve().parent != out.resolve():
        return {}
    return {name: link_to(file) for name, file in files.items()}


def html_page(
    page: PageView,
    catalogue: Catalogue,
    *,
    thumbnails: Mapping[str, Thumbnail],
    links: Mapping[str, str],
    pictures: Pictures = "small",
    drawn: Mapping[str, Thumbnail] | None = None,
) -> str:
    """Return the report as HTML.

    Parameters
    ----------
    page
        What it shows.
    catalogue
        The words around it.
    thumbnails
        Small pictures by the photo's name in the record.
    links
        Addresses of the full pictures, relative to the page, by the same names.
    pictures
        What was asked for, to say why a picture is not there.
    drawn
        Pictures of claws before and after a trim, by the anchors of their pairs.

    Raises
    ------
    MissingExtraError
        If the package Jinja2 is not installed.
    """
    need_html()
    from jinja2 import Environment, StrictUndefined
    from markupsafe import Markup

    folder = resources.files("clawvision.report") / "templates"
    css = (folder / "report.css").read_text("utf-8")
    # Escaped without asking for a file's suffix; a name that is not given is an error, not an empty place.
    environment = Environment(autoescape=True, undefined=StrictUndefined, trim_blocks=True, lstrip_blocks=True)
    environment.filters["cap"] = capital
    template = environment.from_string((folder / "report.html").read_text("utf-8"))
    return template.render(
        page=page,
        language=catalogue.language,
        w=catalogue.word,
        drawn=drawn or {},
        sketched=Markup,  # pictures that this package drew; the words in them are escaped
        css=Markup(css),  # the package's own file, and no other
        thumbnails=thumbnails,
        links=links,
        pictures=pictures,
    )
