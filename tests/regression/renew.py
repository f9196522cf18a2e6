"""Writes the kept table anew and tells what changed: ``python -m tests.regression.renew``.

Read what it prints before storing the table: every line of it must be meant.
"""

from __future__ import annotations

import json
import tempfile
from pathlib import Path

from tests.regression import table


def main() -> None:
    """Assess the set, print what drifted beyond the tolerance, and store the new table."""
    before = json.loads(table.TABLE.read_text(encoding="utf-8")) if table.TABLE.exists() else {}
    with tempfile.TemporaryDirectory() as out:
        after = table.assessed(Path(out))
    found = table.drifts(before, after) if before else []
    print(table.listed(found) or "Nothing drifted beyond the tolerance.")
    if found or not before or before["made_with"] != after["made_with"]:
        table.TABLE.write_text(table.dumps(after), encoding="utf-8")
        print(f"{len(found)} values changed; {table.TABLE.name} written.")


if __name__ == "__main__":
    main()
