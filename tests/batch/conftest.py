"""What tests of batches share: no process where none is needed, and no hashing of the whole program."""

from __future__ import annotations

import pytest

from clawvision import batch, store
from tests.batch.fakes import run_here


@pytest.fixture
def one_program(monkeypatch: pytest.MonkeyPatch) -> None:
    """Keep the tests from reading every source file again and again."""
    monkeypatch.setattr(store, "_program", lambda: ("this version",))


@pytest.fixture
def here(monkeypatch: pytest.MonkeyPatch) -> None:
    """Work in this process, which takes a second less to start."""
    monkeypatch.setattr(batch, "run_tasks", run_here)
