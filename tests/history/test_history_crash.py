"""A program that is killed while it adds loses nothing that it had committed, and can be started again."""

from __future__ import annotations

import json
import os
import subprocess
import sys
from pathlib import Path

import pytest

TIMES = 20


@pytest.mark.skipif(not hasattr(os, "fork"), reason="kills processes that it forks")
def test_killed_at_random_moments(tmp_path: Path) -> None:
    seed = int.from_bytes(os.urandom(4), "big")
    done = subprocess.run(
        [sys.executable, "-m", "tests.history.killed", str(tmp_path), str(TIMES), str(seed)],
        cwd=Path(__file__).parents[2],
        capture_output=True,
        text=True,
        timeout=300,
        check=False,
    )
    assert done.returncode == 0, f"seed {seed}\n{done.stderr}"
    told = json.loads(done.stdout)
    assert (told["lost"], told["torn"], told["unequal"]) == (0, 0, 0), f"seed {seed}: {told}"
    # The kills fell where they mean something: before the end, and with different amounts done.
    assert told["killed"] >= TIMES // 4 and len(set(told["midway"])) >= 3, f"seed {seed}: {told}"
