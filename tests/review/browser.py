"""A served page and a chromium that drives it, for the tests marked ``browser``."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import time
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path
from typing import Any

_PATIENCE_S = 60.0


@contextmanager
def served(out: Path, photos: Path) -> Iterator[str]:
    """Run ``clawvision review`` and give the address that it prints; it must end by itself on an interrupt."""
    command = [sys.executable, "-m", "clawvision", "review", str(out), "--photos", str(photos), "--no-open"]
    environment = {**os.environ, "PYTHONUNBUFFERED": "1"}
    with subprocess.Popen(command, stdout=subprocess.PIPE, text=True, env=environment) as process:
        try:
            assert process.stdout is not None
            address = process.stdout.readline().strip()
            assert address.startswith("http://127.0.0.1:"), address
            yield address
        finally:
            process.send_signal(signal.SIGINT)
            status = process.wait(timeout=15)
        assert status == 0


def until(true: Callable[[], Any], what: str) -> None:
    """Wait until something holds. The page's policy forbids that the browser evaluates a text by itself."""
    end = time.monotonic() + _PATIENCE_S
    while not true():
        assert time.monotonic() < end, f"waited in vain for: {what}"
        time.sleep(0.02)


class Driven:
    """The page as a script uses it: points in pixels of the photo, each gesture counted."""

    def __init__(self, page: Any) -> None:
        self.page = page
        self.gestures = 0

    def settle(self) -> None:
        until(lambda: self.page.evaluate("Boolean(window.review && window.review.idle)"), "the page's answers")

    def open(self, name: str) -> None:
        self.settle()
        self.page.get_by_role("button", name=name).click()
        until(lambda: self.page.text_content("#title") == name, name)
        self.settle()

    def screen(self, point: Sequence[float]) -> tuple[float, float]:
        x, y = self.page.evaluate("point => window.review.toScreen(point)", [float(point[0]), float(point[1])])
        return float(x), float(y)

    def tool(self, name: str) -> None:
        self.page.get_by_label(name, exact=True).check()

    def drawing(self) -> dict[str, Any]:
        told: dict[str, Any] = self.page.evaluate("window.review.drawing")
        return told

    def stroke(self, points: Sequence[Sequence[float]]) -> None:
        """Press, move along points, release."""
        inside = [[float(point[0]), float(point[1])] for point in points]
        places = self.page.evaluate("points => points.map(window.review.toScreen)", inside)
        self.page.mouse.move(*places[0])
        self.page.mouse.down()
        for place in places[1:]:
            self.page.mouse.move(*place)
        self.page.mouse.up()
        self.gestures += 1
        self.settle()

    def click(self, point: Sequence[float]) -> None:
        self.page.mouse.click(*self.screen(point))
        self.gestures += 1
        self.settle()
