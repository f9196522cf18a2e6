"""A chromium for the tests marked ``browser``; they are skipped where there is none."""

from __future__ import annotations

import shutil
from collections.abc import Iterator
from typing import Any

import pytest

CHROMIUM = next((path for name in ("chromium", "chromium-browser") if (path := shutil.which(name))), None)


@pytest.fixture(scope="session")
def browser() -> Iterator[Any]:
    if CHROMIUM is None:
        pytest.skip("no chromium is installed (Debian: apt install chromium)")
    driver = pytest.importorskip("playwright.sync_api", reason="Playwright is not installed (pip install '.[browser]')")
    with driver.sync_playwright() as playwright:
        # As root, as in a container, chromium's own sandbox does not start.
        chromium = playwright.chromium.launch(executable_path=CHROMIUM, args=["--no-sandbox"])
        yield chromium
        chromium.close()
