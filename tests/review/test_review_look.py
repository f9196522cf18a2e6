"""The page's files: nothing from elsewhere, all of them served, and colours that can be read."""

from __future__ import annotations

import re
from importlib.resources import files

import pytest

from clawvision.review.app import _PAGES

_PAGE = files("clawvision.review").joinpath("page")
_STYLE = _PAGE.joinpath("style.css").read_text(encoding="utf-8")


def _luminance(colour: str) -> float:
    """Relative luminance, WCAG 2.2."""
    parts = [int(colour[i : i + 2], 16) / 255 for i in (1, 3, 5)]
    linear = [part / 12.92 if part <= 0.04045 else ((part + 0.055) / 1.055) ** 2.4 for part in parts]
    return 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]


def _contrast(one: str, other: str) -> float:
    high, low = sorted((_luminance(one), _luminance(other)), reverse=True)
    return (high + 0.05) / (low + 0.05)


def _named(name: str) -> str:
    found = re.search(rf"--{name}: (#[0-9a-f]{{6}});", _STYLE)
    assert found is not None, name
    return found[1]


def test_every_file_of_the_page_is_served_and_packaged() -> None:
    assert {entry.name for entry in _PAGE.iterdir()} == set(_PAGES)


@pytest.mark.parametrize("name", sorted(_PAGES))
def test_the_page_asks_nothing_of_elsewhere(name: str) -> None:
    text = _PAGE.joinpath(name).read_text(encoding="utf-8")
    assert not [url for url in re.findall(r"(?:https?:)?//[\w.]+\.\w+[^\s\"')]*", text) if "www.w3.org" not in url]
    assert not re.search(r"\son\w+=|style=|<script(?![^>]*src=)|\beval\(|innerHTML", text)


@pytest.mark.parametrize("text", ["ink", "faint"])
@pytest.mark.parametrize("ground", ["back", "panel"])
def test_text_has_the_contrast_of_wcag_aaa(text: str, ground: str) -> None:
    assert _contrast(_named(text), _named(ground)) >= 7.0


def test_buttons_and_focus_are_told_apart() -> None:
    button = re.search(
        r"button, select, input \{[^}]*background: (#[0-9a-f]{6}); border: 1px solid (#[0-9a-f]{6})", _STYLE
    )
    assert button is not None
    assert _contrast(_named("ink"), button[1]) >= 7.0
    assert _contrast(button[2], _named("panel")) >= 3.0  # WCAG 2.2, 1.4.11
    assert _contrast(_named("focus"), _named("panel")) >= 3.0
    assert _contrast("#14181e", _named("go")) >= 7.0
