"""Every link in the pages leads somewhere."""

from __future__ import annotations

import re
from pathlib import Path
from xml.etree import ElementTree

import pytest

ROOT = Path(__file__).parents[2]
PAGES = sorted(
    path
    for path in [
        *ROOT.glob("*.md"),
        *ROOT.glob("docs/*.md"),
        *ROOT.glob("*/README.md"),
        *ROOT.glob("tests/*/README.md"),
    ]
    if not any(part.startswith(".") for part in path.relative_to(ROOT).parts)
)
_FENCE = re.compile(r"^```.*?^```", re.DOTALL | re.MULTILINE)
_LINK = re.compile(r"\]\(([^)\s]+)\)")


def _anchors(page: Path) -> set[str]:
    """Return the anchors that headings get on common hosts: lower case, punctuation dropped, blanks to hyphens."""
    text = _FENCE.sub("", page.read_text(encoding="utf-8"))
    heads = re.findall(r"^#+ (.+)$", text, re.MULTILINE)
    return {re.sub(r"[^\w\- ]", "", head.lower()).replace(" ", "-") for head in heads}


def _links(page: Path) -> list[str]:
    return _LINK.findall(_FENCE.sub("", page.read_text(encoding="utf-8")))


def test_pages_are_found() -> None:
    names = {path.relative_to(ROOT).as_posix() for path in PAGES}
    assert {
        "README.md",
        "DEVELOPERS.md",
        "docs/measures.md",
        "sample_images/README.md",
        "tests/truth/README.md",
    } <= names


@pytest.mark.parametrize("page", PAGES, ids=lambda path: path.relative_to(ROOT).as_posix())
def test_links_resolve(page: Path) -> None:
    for link in _links(page):
        if link.startswith(("http://", "https://")):
            continue
        target, _, anchor = link.partition("#")
        file = page if not target else page.parent / target
        assert file.exists(), f"{page.name} links to {link}"
        if anchor:
            assert anchor in _anchors(file), f"{page.name} links to {link}"


def test_every_page_is_reached_from_the_readme() -> None:
    reached = {(ROOT / link.partition("#")[0]).resolve() for link in _links(ROOT / "README.md")}
    assert {path.resolve() for path in ROOT.glob("docs/*.md")} <= reached


def test_every_drawing_is_used_and_is_plain_svg() -> None:
    used = {(page.parent / link).resolve() for page in PAGES for link in _links(page) if link.endswith(".svg")}
    drawings = {path.resolve() for path in ROOT.glob("docs/drawings/*.svg")}
    assert drawings == used
    for drawing in drawings:
        tags = {element.tag.rpartition("}")[2] for element in ElementTree.parse(drawing).iter()}
        assert "title" in tags
        assert not tags & {"script", "image", "foreignObject"}
