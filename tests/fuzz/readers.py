"""The readers of what comes from outside, each with inputs to begin with and a way to change them.

Each stands in the module of its kind, ``read_….py``, and there in its ``READERS``.
"""

from __future__ import annotations

from tests.fuzz import (
    read_assessments,
    read_findings,
    read_page,
    read_photos,
    read_store,
    read_tables,
    read_triage,
)
from tests.fuzz.read_findings import _calibration_seeds
from tests.fuzz.read_store import _kept_seeds
from tests.fuzz.read_triage import _journal_seeds
from tests.fuzz.reader import Reader

__all__ = ["READERS", "Reader", "_calibration_seeds", "_journal_seeds", "_kept_seeds"]

READERS: dict[str, Reader] = {
    **read_photos.READERS,
    **read_tables.READERS,
    **read_findings.READERS,
    **read_assessments.READERS,
    **read_store.READERS,
    **read_triage.READERS,
    **read_page.READERS,
}
