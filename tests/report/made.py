"""A report's HTML taken apart by the standard library's parser, and records to make one of."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from html.parser import HTMLParser
from typing import Any

from clawvision.findings.profiles import Profile
from clawvision.output.models import AssessmentRecord
from clawvision.report.catalogue import Language, load_catalogue
from clawvision.report.html import html_page
from clawvision.report.page import page_of
from clawvision.report.pictures import Thumbnail

VOID = {"meta", "img", "br", "link", "hr", "input"}


@dataclass
class Element:
    """A tag with its attributes, and all that stands in it."""

    tag: str
    attributes: dict[str, str]
    parent: Element | None
    children: list[Element | str] = field(default_factory=list)

    def walk(self) -> Iterator[Element]:
        yield self
        for child in self.children:
            if isinstance(child, Element):
                yield from child.walk()

    def all(self, *tags: str) -> list[Element]:
        return [each for each in self.walk() if each.tag in tags]

    @property
    def text(self) -> str:
        parts = [child if isinstance(child, str) else child.text for child in self.children]
        return " ".join("".join(parts).split())


class _Reader(HTMLParser):
    def __init__(self) -> None:
        super().__init__(convert_charrefs=True)
        self.root = self.at = Element("", {}, None)
        self.declarations: list[str] = []

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        element = Element(tag, {name: value or "" for name, value in attrs}, self.at)
        assert len(element.attributes) == len(attrs), f"an attribute twice in {tag}"
        self.at.children.append(element)
        if tag not in VOID:
            self.at = element

    def handle_endtag(self, tag: str) -> None:
        assert self.at.tag == tag, f"<{self.at.tag}> is ended by </{tag}>"
        assert self.at.parent is not None
        self.at = self.at.parent

    def handle_data(self, data: str) -> None:
        self.at.children.append(data)

    def handle_decl(self, decl: str) -> None:
        self.declarations.append(decl)

    def handle_comment(self, data: str) -> None:
        raise AssertionError("a comment")


def parsed(html: str) -> Element:
    """Return the page as a tree; every tag has to be closed where it was opened."""
    reader = _Reader()
    reader.feed(html)
    reader.close()
    assert reader.at is reader.root, f"<{reader.at.tag}> is not closed"
    assert reader.declarations == ["DOCTYPE html"]
    return reader.root


def report(
    record: AssessmentRecord,
    language: Language = "en",
    *,
    exact: bool = False,
    profiles: Mapping[str, Profile] | None = None,
    thumbnails: Mapping[str, Thumbnail] | None = None,
    links: Mapping[str, str] | None = None,
) -> str:
    catalogue = load_catalogue(language)
    page = page_of(record, catalogue, "invented", exact=exact, profiles=profiles)
    return html_page(page, catalogue, thumbnails=thumbnails or {}, links=links or {})


def changed(record: AssessmentRecord, **values: Any) -> AssessmentRecord:
    """Return the record with parts of its JSON replaced, read again as from a file."""
    data = record.model_dump(mode="json", by_alias=True)
    return AssessmentRecord.model_validate({**data, **values})
