"""Looks for known vulnerabilities of the installed packages: ``python .ci/audit.py PIP_AUDIT SITE_PACKAGES``.

Ends with 1 where there is one. Where the service that knows of them cannot be reached, which is no fault of the
program, it says so and ends with 0: "nothing known" is said only of packages that were really looked up.
"""

from __future__ import annotations

import json
import subprocess
import sys
from typing import Any


def judged(told: dict[str, Any]) -> tuple[int, str]:
    """Return the exit status and what to say of pip-audit's answer."""
    packages = told.get("dependencies", [])
    looked_up = [each for each in packages if "skip_reason" not in each]
    # This project's own package is on no index.
    left = sorted(each["name"] for each in packages if "skip_reason" in each and each["name"] != "clawvision")
    found = [
        f"{each['name']} {each['version']}: {vulnerability['id']}, better in "
        f"{', '.join(vulnerability.get('fix_versions') or ['no version yet'])}"
        for each in looked_up
        for vulnerability in each.get("vulns", [])
    ]
    if found:
        return 1, "Known vulnerabilities:\n" + "\n".join(found)
    if not looked_up:
        return 0, "NOT AUDITED: the service of known vulnerabilities knows none of the packages, or was not reached."
    words = f"No known vulnerability in {len(looked_up)} packages."
    return 0, words + (f" NOT AUDITED: {', '.join(left)}." if left else "")


def main() -> int:
    """Ask pip-audit about a folder of packages and tell what it found."""
    tool, folder = sys.argv[1:]
    try:
        words = [tool, "--path", folder, "--format", "json", "--progress-spinner", "off", "--timeout", "10"]
        done = subprocess.run(words, capture_output=True, text=True, check=False, timeout=300)
        status, text = judged(json.loads(done.stdout))
    except (OSError, subprocess.TimeoutExpired, ValueError) as error:
        status, text = 0, f"NOT AUDITED: pip-audit gave no answer ({type(error).__name__}); is there a network?"
    print(text)
    return status


if __name__ == "__main__":
    sys.exit(main())
