"""The automatic checker of accessibility (axe-core, as a package of PyPI carries it)."""

from __future__ import annotations

from typing import Any

import pytest

WCAG = ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa"]
"""The rules of WCAG 2.2, levels A and AA."""


def violations(page: Any) -> list[str]:
    """Return what the checker finds wrong on a page whose context lets scripts in (``bypass_csp``)."""
    axe = pytest.importorskip("axe_playwright_python.sync_playwright", reason="axe is not installed")
    found = axe.Axe().run(page, options={"runOnly": WCAG}).response
    assert found["passes"], "the checker looked at nothing"
    return [f"{each['id']}: {each['nodes'][0]['html']}" for each in found["violations"]]
