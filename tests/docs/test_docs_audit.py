"""What is said of an audit: nothing good of what was not looked up."""

from __future__ import annotations

import importlib.util
from pathlib import Path
from typing import Any

import pytest

_FILE = Path(__file__).parents[2] / ".ci" / "audit.py"
_SPEC = importlib.util.spec_from_file_location("audit", _FILE)
assert _SPEC is not None and _SPEC.loader is not None
audit = importlib.util.module_from_spec(_SPEC)
_SPEC.loader.exec_module(audit)

GOOD = {"name": "good", "version": "1", "vulns": []}
BAD = {"name": "bad", "version": "2", "vulns": [{"id": "PYSEC-0", "fix_versions": ["2.1"]}]}
UNKNOWN = {"name": "unknown", "skip_reason": "not found"}
OWN = {"name": "clawvision", "skip_reason": "not found"}


@pytest.mark.parametrize(
    ("packages", "status", "words", "never"),
    [
        ([GOOD, OWN], 0, "No known vulnerability in 1 packages.", "NOT AUDITED"),
        ([GOOD, UNKNOWN], 0, "NOT AUDITED: unknown.", "clawvision"),
        ([GOOD, BAD, UNKNOWN], 1, "bad 2: PYSEC-0, better in 2.1", "No known"),
        ([UNKNOWN, OWN], 0, "NOT AUDITED", "No known"),
        ([], 0, "NOT AUDITED", "No known"),
    ],
)
def test_what_is_told(packages: list[dict[str, Any]], status: int, words: str, never: str) -> None:
    told = audit.judged({"dependencies": packages})
    assert told[0] == status
    assert words in told[1] and never not in told[1]
