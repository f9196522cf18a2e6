"""``clawvision`` with the chain that takes no time: python -m tests.triage.run_fake LOG SECONDS ARGUMENTS."""

from __future__ import annotations

import sys
from pathlib import Path

import clawvision.cli.triage as command
from clawvision.cli import main
from tests.triage.fakes import Noting

if __name__ == "__main__":
    command.WORKER = Noting(Path(sys.argv[1]), float(sys.argv[2]))
    main(sys.argv[3:])
