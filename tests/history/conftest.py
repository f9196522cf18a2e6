"""Stores of both kinds for the tests of the history."""

from __future__ import annotations

import os
from collections.abc import Iterator
from pathlib import Path

import pytest

from tests.history import postgres


@pytest.fixture(scope="session")
def server() -> Iterator[postgres.Server]:
    """A PostgreSQL server; skips where the computer has none, but not where everything has to be tested."""
    folder = postgres.binaries()
    if folder is None:
        why = "no PostgreSQL server (initdb) is installed; on Debian: apt install postgresql"
        if os.environ.get("CI", "").lower() in ("1", "true", "yes"):
            pytest.fail(why)
        pytest.skip(why)
    with postgres.running(folder) as running:
        yield running


@pytest.fixture(params=["sqlite", "postgresql"])
def address(request: pytest.FixtureRequest, tmp_path: Path) -> str:
    """The address of a store that is not there yet, or of an empty database."""
    if request.param == "sqlite":
        return str(tmp_path / "history.sqlite")
    server: postgres.Server = request.getfixturevalue("server")
    return server.new_database()
