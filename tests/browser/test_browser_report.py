"""The report in a real browser: accessible by an automatic checker, silent on the network, deaf to scripts in names."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest

from clawvision.findings.profiles import load_profiles
from clawvision.report.catalogue import LANGUAGES
from clawvision.report.write import Wanted, write_page
from tests.browser.checker import violations
from tests.compare.synthetic import assessment, foot_photos
from tests.history.over_time import herd
from tests.output import made_feet
from tests.report import test_report_over_time
from tests.report.made import changed, report
from tests.report.test_report_html import HOSTILE

pytestmark = pytest.mark.browser


def _written(folder: Path, html: str) -> str:
    path = folder / "report.html"
    path.write_text(html, "utf-8")
    return path.as_uri()


@pytest.mark.parametrize("width", [360, 1200])
@pytest.mark.parametrize("language", LANGUAGES)
def test_an_automatic_checker_finds_nothing(browser: Any, tmp_path: Path, language: Any, width: int) -> None:
    html = report(made_feet.assessment(), language)
    # The checker is a script, which the page's own policy would not let in.
    context = browser.new_context(viewport={"width": width, "height": 800}, bypass_csp=True)
    page = context.new_page()
    page.goto(_written(tmp_path, html))
    page.evaluate("document.querySelectorAll('details').forEach(each => { each.open = true })")
    assert violations(page) == []
    assert page.evaluate("document.documentElement.scrollWidth <= window.innerWidth")
    context.close()


@pytest.mark.parametrize(("shown", "width"), [("trim", 360), ("trim", 1200), ("history", 360), ("history", 1200)])
def test_nor_where_a_trim_or_a_history_is_shown(browser: Any, tmp_path: Path, shown: str, width: int) -> None:
    if shown == "trim":
        record, store = assessment(foot_photos()), None
    else:
        record, store = test_report_over_time.assessment(), str(herd(tmp_path / "herd.sqlite"))
    file = tmp_path / "report.html"
    write_page(record, tmp_path, file, Wanted("de", profiles=load_profiles(), history=store))
    context = browser.new_context(viewport={"width": width, "height": 800}, bypass_csp=True)
    page = context.new_page()
    asked: list[str] = []
    page.on("request", lambda request: asked.append(request.url))
    page.goto(file.as_uri())
    page.evaluate("document.querySelectorAll('details').forEach(each => { each.open = true })")
    assert page.locator("figure img" if shown == "trim" else "svg").count() >= 2
    assert [each for each in asked if not each.startswith("data:")] == [file.as_uri()]
    assert violations(page) == []
    assert page.evaluate("document.documentElement.scrollWidth <= window.innerWidth")
    context.close()


def test_a_page_of_many_animals_shows_its_top_at_once(browser: Any, tmp_path: Path) -> None:
    """Of a herd only what is seen is laid out, and a link into it still leads to its place."""
    record = made_feet.assessment()
    animals = tuple(record.animals[0].model_copy(update={"animal": f"Invented {number}"}) for number in range(150))
    feet = tuple(
        foot.model_copy(update={"animal": each.animal, "photos": ()}) for each in animals for foot in record.feet
    )
    context = browser.new_context(viewport={"width": 390, "height": 800})
    page = context.new_page()
    page.goto(_written(tmp_path, report(changed(record, animals=animals, feet=feet))))
    # The aim is 2 s for 500 animals on a free machine (tests/benchmarks/report.py); this one may be busy.
    assert page.evaluate("performance.getEntriesByName('first-contentful-paint')[0].startTime") < 2000
    page.locator("#soon a[href='#a120']").click()
    assert page.locator("#a120 h2").is_visible()
    assert abs(page.locator("#a120").bounding_box()["y"]) < 400
    context.close()


def test_the_checker_can_find_something(browser: Any, tmp_path: Path) -> None:
    html = report(made_feet.assessment()).replace("<html lang=", "<html data-lang=", 1)
    context = browser.new_context(bypass_csp=True)
    page = context.new_page()
    page.goto(_written(tmp_path, html))
    assert any(each.startswith("html-has-lang") for each in violations(page))
    context.close()


def test_nothing_is_asked_of_any_network_and_nothing_runs(browser: Any, tmp_path: Path) -> None:
    """Names full of markup: the page asks for itself alone, and no script of theirs comes to life."""
    record = made_feet.assessment()
    for number, payload in enumerate(HOSTILE):
        named = changed(record, animals=tuple(each.model_copy(update={"animal": payload}) for each in record.animals))
        address = _written(tmp_path, report(named))
        context = browser.new_context()
        page = context.new_page()
        asked: list[str] = []
        alive: list[str] = []
        page.on("request", lambda request, to=asked: to.append(request.url))
        page.on("dialog", lambda dialog, to=alive: (to.append(dialog.message), dialog.dismiss()))
        page.goto(address)
        assert [each for each in asked if not each.startswith(("data:", address))] == [], payload
        assert alive == [], payload
        assert page.locator("script, iframe, object, embed, form, base").count() == 0, (number, payload)
        context.close()
