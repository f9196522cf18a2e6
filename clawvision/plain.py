"""Words from outside, made safe to show on a terminal."""

from __future__ import annotations

import textwrap
from collections.abc import Sequence
from difflib import get_close_matches

WIDTH = 100
"""Columns of what is said on a terminal."""
_COMPARED = 80


def plain(text: object) -> str:
    """Return ``text`` with everything that does not print (escape codes, line ends) written as an escape."""
    return "".join(
        character if character.isprintable() else character.encode("unicode_escape").decode("ascii")
        for character in str(text)
    )


def wrapped(text: str, first: str = "", others: str | None = None) -> str:
    """Return ``text`` made plain, in lines of at most `WIDTH` columns.

    ``first`` stands before the first line and ``others`` before the others, as the first where it is None. No word is
    broken.
    """
    return textwrap.fill(
        plain(text),
        WIDTH,
        initial_indent=first,
        subsequent_indent=first if others is None else others,
        break_long_words=False,
        break_on_hyphens=False,
    )


def did_you_mean(word: str, allowed: Sequence[str]) -> str:
    """Return `` Did you mean "x"?`` for the allowed word nearest to ``word``, or an empty string."""
    near = get_close_matches(word, allowed, n=1, cutoff=0.5)
    return f' Did you mean "{plain(near[0])}"?' if near else ""


def nearest(word: str, allowed: Sequence[str], count: int = 3) -> tuple[str, ...]:
    """Return those of the allowed words that are most like ``word``, at most ``count``, in capitals or not."""
    # Names from outside may be of any length, and comparing takes its square.
    folded = {each[:_COMPARED].casefold(): each for each in reversed(allowed)}
    return tuple(folded[each] for each in get_close_matches(word[:_COMPARED].casefold(), folded, n=count, cutoff=0.5))


def listed(items: Sequence[str], limit: int = 20) -> str:
    """Return the items one a line, indented, cut after ``limit`` of them with the number left out."""
    lines = [f"  {item}" for item in items[:limit]]
    if len(items) > limit:
        lines.append(f"  … and {len(items) - limit} more")
    return "\n".join(lines)
