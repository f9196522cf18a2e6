"""Every package that the program asks for is on the page of licences, under one that is allowed."""

from __future__ import annotations

import re
from importlib import metadata

import pytest
from packaging.utils import canonicalize_name

from tests.docs import licences

PAGE = licences.PAGE.read_text(encoding="utf-8")
RENEW = "read its licence, then: python -m tests.docs.licences (and see the end of docs/licences.md)"
DECLARED = [(extra, each) for extra, wanted in licences.declared().items() for each in wanted]


@pytest.mark.parametrize(("extra", "wanted"), DECLARED, ids=lambda value: getattr(value, "name", value) or "core")
def test_what_pyproject_names_is_on_the_page_under_an_allowed_licence(extra: str, wanted: licences.Requirement) -> None:
    name = canonicalize_name(wanted.name)
    licence = licences.rows(PAGE).get(name)
    assert licence is not None, f"{name} is not on docs/licences.md: {RENEW}"
    assert licences.allowed(licence, core=not extra), f"{name}: {licence} is not allowed here: {RENEW}"


def test_every_extra_is_covered() -> None:
    assert set(licences.declared()) == {"", *licences.USED, *licences.MAKING}, "name the new extra in licences.py"


@pytest.mark.parametrize("extra", ["", *licences.USED])
def test_what_is_installed_for_it_is_under_an_allowed_licence(extra: str) -> None:
    """Those that come with others too, in whatever version is installed here."""
    for name, part in licences.needed(licences.declared()[extra]).items():
        if part.version:
            assert licences.allowed(part.licence, core=not extra), f"{name} {part.version}: {part.licence}; {RENEW}"


def test_the_page_says_of_installed_packages_what_they_say_themselves() -> None:
    said = licences.rows(PAGE)
    for extra in ("", *licences.USED):
        for name, part in licences.needed(licences.declared()[extra]).items():
            if part.version and part.declared:
                assert said[name] == part.licence, f"{name} has changed its licence or how it writes it: {RENEW}"


def test_what_the_wheels_bring_is_named_where_they_tell_it() -> None:
    """The page's words on bundled libraries are held against the notices of the wheels that are installed here."""
    for package, notice, words in (
        ("opencv-python-headless", "3RD-PARTY", "FFmpeg"),
        ("shapely", "GEOS", "LESSER GENERAL PUBLIC LICENSE|Lesser General Public License|LGPL"),
        ("pillow-heif", "bundled", "x265"),
    ):
        try:
            files = metadata.files(package) or []
        except metadata.PackageNotFoundError:
            continue
        texts = [each.read_text(encoding="utf-8") for each in files if notice in each.name and "dist-info" in str(each)]
        if texts:  # built from source there are none
            assert re.search(words, texts[0]), f"{package} brings other libraries now: {RENEW}"
            assert re.search(rf"\| {package}\b", PAGE)


@pytest.mark.parametrize(
    ("licence", "core", "may"),
    [
        ("MIT", True, True),
        ("BSD-3-Clause AND 0BSD AND MIT", True, True),
        ("GPL-2.0-only OR MIT", True, True),
        ("MIT AND GPL-3.0-only", False, False),
        ("LGPL-3.0-only", False, True),
        ("LGPL-3.0-only", True, False),
        ("unknown", False, False),
        ("AGPL-3.0", False, False),
    ],
)
def test_which_licences_may_be_used(licence: str, core: bool, may: bool) -> None:
    assert licences.allowed(licence, core=core) is may


def test_what_is_shipped_is_named() -> None:
    for part in ("labels.ttf", "claw_outline.onnx"):
        assert part in PAGE
    shipped = {path.suffix for path in (licences.ROOT / "clawvision").rglob("*") if path.is_file()}
    known = {"", ".py", ".pyc", ".toml", ".json", ".html", ".css", ".js", ".svg", ".ttf", ".txt", ".onnx", ".typed"}
    assert shipped <= known, "a new kind of file is shipped: tell its origin and licence on docs/licences.md"
