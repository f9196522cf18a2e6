"""The review page itself, driven in a browser by mouse, touch and keyboard."""

from __future__ import annotations

import json
import time
from typing import Any

import numpy as np
import pytest
import shapely

from clawvision.measure.curve import resample_closed, resample_open
from clawvision.outline.sidecar import read_sidecar
from clawvision.types import FloatArray
from tests.browser.checker import violations
from tests.review.browser import Driven, served
from tests.review.conftest import Made
from tests.truth import true_photos

pytestmark = pytest.mark.browser
NAME = "101_side.jpg"
SCRIPT_S = 20.0
GESTURES = 10
WITHIN_MM = 1.5


def _truth() -> FloatArray:
    """Return the true outline of the side photo's claw, as its mask shows it."""
    photo = next(photo for photo in true_photos() if photo.name == NAME)
    outline = photo.outline("outer").outline_px
    assert outline is not None
    return outline


def _true_point(letter: str) -> FloatArray:
    return next(photo for photo in true_photos() if photo.name == NAME).landmarks_px("outer")[letter]


def _wrong(outline: FloatArray) -> FloatArray:
    """Return an outline that swallowed the ground before the toe: some 25 mm too much around the toe tip."""
    middle = outline.mean(axis=0)
    tip = _true_point("T")
    along = (tip - middle) / np.hypot(*(tip - middle))
    share = np.clip(((outline - middle) @ along) / np.hypot(*(tip - middle)), 0.0, None) ** 2
    return resample_closed(outline + 0.25 * np.hypot(*(tip - middle)) * share[:, None] * along, 300)


def _with_wrong_outline(made: Made) -> None:
    claws = {"outer": {"outline_px": _wrong(_truth()).tolist()}}
    (made.photos / f"{NAME}.outline.json").write_text(json.dumps({"view": "side", "claws": claws}))


def _page(browser: Any, address: str, **context: Any) -> tuple[Any, list[str]]:
    page = browser.new_context(viewport={"width": 1400, "height": 900}, **context).new_page()
    errors: list[str] = []
    page.on("pageerror", lambda error: errors.append(str(error)))
    page.on("console", lambda message: errors.append(message.text) if message.type == "error" else None)
    page.goto(address)
    return page, errors


def _apart_mm(made: Made, outline: FloatArray) -> float:
    """Return how far an outline and the true one lie apart at most, either way, mm."""
    record = next(photo for photo in made.record.photos if photo.photo == NAME)
    assert record.scale is not None and record.scale.mm_per_px is not None
    lines = [resample_closed(each, 600) for each in (outline, _truth())]
    ways = [
        shapely.distance(shapely.Polygon(line).exterior, shapely.points(other)).max()
        for line, other in (lines, lines[::-1])
    ]
    return float(max(ways)) * record.scale.mm_per_px


def _stretch_around(tip: FloatArray) -> FloatArray:
    """Return the true outline around the toe tip, as a hand draws along it: a place every 8 pixels."""
    outline = resample_closed(_truth(), 400)
    at = int(np.hypot(*(outline - tip).T).argmin())
    return resample_open(np.take(outline, np.arange(at - 110, at + 111), axis=0, mode="wrap"), 121)


def test_strokes_with_the_mouse_put_a_wrong_outline_right(fresh: Made, browser: Any) -> None:
    _with_wrong_outline(fresh)
    assert _apart_mm(fresh, _wrong(_truth())) > 10.0
    with served(fresh.out, fresh.photos) as address:
        page, errors = _page(browser, address)
        driven = Driven(page)
        driven.settle()
        driven.open(NAME)
        toe_before = page.text_content("[data-measure=toe_length]")
        began = time.monotonic()
        driven.tool("Redraw")
        driven.stroke(_stretch_around(_true_point("T")))
        assert page.text_content("[data-measure=toe_length]") != toe_before
        page.fill("#by", "Ash")
        page.click("#save")
        driven.settle()
        assert time.monotonic() - began <= SCRIPT_S
        assert driven.gestures <= GESTURES
        assert "Saved as" in page.text_content("#told")
        assert errors == []
    sidecar = read_sidecar(fresh.photos / NAME)
    assert sidecar is not None and sidecar.by == "Ash"
    drawn = sidecar.claws["outer"].outline_px
    assert drawn is not None
    assert _apart_mm(fresh, drawn) < WITHIN_MM


def test_a_landmark_is_dragged_by_touch(fresh: Made, browser: Any) -> None:
    claws = {"outer": {"outline_px": _truth().tolist(), "landmarks_px": {"C": [820.0, 700.0]}}}
    (fresh.photos / f"{NAME}.outline.json").write_text(json.dumps({"view": "side", "claws": claws}))
    target = _true_point("C")
    with served(fresh.out, fresh.photos) as address:
        page, errors = _page(browser, address, has_touch=True)
        driven = Driven(page)
        driven.settle()
        driven.open(NAME)
        session = page.context.new_cdp_session(page)
        start, end = driven.screen([820.0, 700.0]), driven.screen(target)
        # A finger comes down a little beside the point, and takes it all the same.
        places = [
            (start[0] + 12 + share * (end[0] - start[0]), start[1] + share * (end[1] - start[1]))
            for share in (0.0, 0.5, 1.0)
        ]
        for kind, place in zip(("touchStart", "touchMove", "touchMove"), places, strict=True):
            session.send("Input.dispatchTouchEvent", {"type": kind, "touchPoints": [{"x": place[0], "y": place[1]}]})
        session.send("Input.dispatchTouchEvent", {"type": "touchEnd", "touchPoints": []})
        driven.settle()
        assert driven.drawing()["claws"]["outer"]["landmarks"]["C"] == pytest.approx(target, abs=1.0)
        assert errors == []


def test_points_are_moved_undone_and_saved_by_keyboard_alone(fresh: Made, browser: Any) -> None:
    with served(fresh.out, fresh.photos) as address:
        page, errors = _page(browser, address)
        driven = Driven(page)
        driven.settle()
        driven.open(NAME)
        page.focus("#by")
        page.keyboard.type("Ash s.")
        page.focus("#snap")
        before = driven.drawing()
        page.keyboard.press("Tab")
        label = page.evaluate("document.activeElement.getAttribute('aria-label')")
        assert label == "Landmark C, outer claw, found by the program"
        page.keyboard.press("Tab")
        shown = page.evaluate("window.review.result")["claws"]["outer"]["landmarks_px"]["T"]
        page.keyboard.press("ArrowLeft")
        page.keyboard.press("Shift+ArrowDown")
        driven.settle()
        tip = driven.drawing()["claws"]["outer"]["landmarks"]["T"]
        assert tip == pytest.approx([shown[0] - 1, shown[1] + 10], abs=0.02)
        assert "toe length" in page.text_content("#live")
        page.keyboard.press("Control+z")
        driven.settle()
        assert driven.drawing()["claws"]["outer"]["landmarks"]["T"] == pytest.approx([shown[0] - 1, shown[1]], abs=0.02)
        page.keyboard.press("Control+z")
        driven.settle()
        assert driven.drawing() == before
        page.keyboard.press("Control+y")
        page.keyboard.press("s")
        driven.settle()
        assert "Saved as" in page.text_content("#told")
        assert errors == []
    sidecar = read_sidecar(fresh.photos / NAME)
    assert sidecar is not None and sidecar.by == "Ash s."
    assert sidecar.claws["outer"].landmarks_px["T"] == pytest.approx((shown[0] - 1, shown[1]), abs=0.02)


def test_clicks_on_horn_and_beside_it_outline_the_claw_anew(fresh: Made, browser: Any) -> None:
    _with_wrong_outline(fresh)
    truth = shapely.Polygon(_truth()).buffer(0)
    with served(fresh.out, fresh.photos) as address:
        page, errors = _page(browser, address)
        driven = Driven(page)
        driven.settle()
        driven.open(NAME)
        began = time.monotonic()
        driven.tool("Not horn −")
        while driven.gestures < GESTURES:
            drawn = shapely.Polygon(driven.drawing()["claws"]["outer"]["outline"]).buffer(0)
            wrong = max(shapely.get_parts(drawn.difference(truth)), key=lambda part: part.area)
            if drawn.intersection(truth).area / drawn.union(truth).area >= 0.95:
                break
            driven.click(shapely.maximum_inscribed_circle(wrong).coords[0])
        assert time.monotonic() - began <= SCRIPT_S
        assert drawn.intersection(truth).area / drawn.union(truth).area >= 0.95
        assert 0 < driven.gestures <= GESTURES
        assert errors == []


def test_a_rear_view_is_drawn_from_nothing(fresh: Made, browser: Any) -> None:
    """The photo shows a side; told to be a rear view, it has no outline of the program's, and everything is drawn."""
    turn = np.linspace(0.0, 2 * np.pi, 40)
    rounds = [np.column_stack((x + 100 * np.cos(turn), 600 + 130 * np.sin(turn))) for x in (450, 700)]
    with served(fresh.out, fresh.photos) as address:
        page, errors = _page(browser, address)
        driven = Driven(page)
        driven.settle()
        driven.open(NAME)
        page.select_option("#view", "rear")
        driven.settle()
        page.click("#fit")
        for name, line in zip(("outer", "inner"), rounds, strict=True):
            page.get_by_label(name, exact=True).check()
            driven.tool("Redraw")
            driven.stroke(line)
        driven.tool("Landmark")
        driven.click([575, 100])
        driven.click([590, 400])
        drawing = driven.drawing()
        assert drawing["legAxis"] == [pytest.approx([575, 100], abs=2), pytest.approx([590, 400], abs=2)]
        assert set(drawing["claws"]) == {"outer", "inner"}
        told = page.evaluate("window.review.result")
        assert told["view"] == "rear"
        assert told["claws"]["outer"]["measures"]["sole_tilt"]["value"] is not None
        assert errors == []


def test_claws_get_their_names_with_the_foot_and_keep_them(fresh: Made, browser: Any) -> None:
    with served(fresh.out, fresh.photos) as address:
        page, errors = _page(browser, address)
        driven = Driven(page)
        driven.settle()
        driven.open("101_sole.jpg")
        before = driven.drawing()["claws"]
        assert set(before) == {"left", "right"}
        page.select_option("#foot", "LH")
        driven.settle()
        named = driven.drawing()["claws"]
        # From below with the toes up, the outer claw of a left foot lies on the right.
        assert named["outer"]["outline"] == before["right"]["outline"]
        assert named["inner"]["outline"] == before["left"]["outline"]
        page.fill("#by", "Ash")
        page.click("#save")
        driven.settle()
        driven.open(NAME)
        driven.open("101_sole.jpg")
        assert set(driven.drawing()["claws"]) == {"outer", "inner"}
        assert page.input_value("#foot") == "LH"
        assert errors == []
    sidecar = read_sidecar(fresh.photos / "101_sole.jpg")
    assert sidecar is not None and sidecar.foot == "LH" and set(sidecar.claws) == {"outer", "inner"}


def test_an_automatic_checker_finds_nothing_and_no_request_leaves(fresh: Made, browser: Any) -> None:
    with served(fresh.out, fresh.photos) as address:
        context = browser.new_context(viewport={"width": 1400, "height": 900}, bypass_csp=True)
        page = context.new_page()
        asked: list[str] = []
        page.on("request", lambda request: asked.append(request.url))
        page.goto(address)
        Driven(page).open(NAME)
        assert violations(page) == []
        assert len(asked) > 3 and all(
            each.startswith((address.split("?")[0].rstrip("/"), "data:", "blob:")) for each in asked
        )
        context.close()
