"""Imported before the program: with ``--guided`` its modules tell atheris which of their lines are reached."""

from __future__ import annotations

import importlib
import sys

_MODULES = (
    *("photo.read", "photo.exif", "photo.structure", "manifest", "sheet", "columns", "outline.sidecar"),
    *("scale.calibration", "findings", "findings.book", "output.read", "output.record", "output.models"),
    *("output.table", "history.exchange", "history.entry", "repeatability.hand", "triage.rounds", "triage.inbox"),
    *("review.app", "store"),
)

if "--guided" in sys.argv:
    import atheris

    with atheris.instrument_imports(include=["clawvision"]):
        for name in _MODULES:
            importlib.import_module(f"clawvision.{name}")
