"""Words from outside, made safe to show on a terminal."""

from __future__ import annotations

from collections.abc import Sequence
from difflib import get_close_matches


def plain(text: object) -> str:
    """Return ``text`` with everything that does not print (escape codes, line ends) written as an escape."""
    return "".join(
        character if character.isprintable() else character.encode("unicode_escape").decode("ascii")
        for character in str(text)
    )


def did_you_mean(word: str, allowed: Sequence[str]) -> str:
    """Return `` Did you mean "x"?`` for the allowed word nearest to ``word``, or an empty string."""
    near = get_close_matches(word, allowed, n=1, cutoff=0.5)
    return f' Did you mean "{plain(near[0])}"?' if near else ""


def listed(items: Sequence[str], limit: int = 20) -> str:
    """Return the items one a line, indented, cut after ``limit`` of them with the number left out."""
    lines = [f"  {item}" for item in items[:limit]]
    if len(items) > limit:
        lines.append(f"  … and {len(items) - limit} more")
    return "\n".join(lines)
