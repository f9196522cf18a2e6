"""Absolute paths tell of the machine and the person at it; they are kept out of every output."""

from __future__ import annotations

import re
from pathlib import PurePosixPath, PureWindowsPath

_ABSOLUTE = re.compile(r"file:|/|\\|[A-Za-z]:[\\/]")
_QUOTED = re.compile(r"(['\"])((?:file:|/|[A-Za-z]:[\\/]|\\\\)[^'\"]*)\1")
_PART = r"[^\s/\\'\"<>|:;,()]+"
# Within a sentence a path ends at white space or a quote. Two parts at least, so that "and /or" stays.
_BARE = re.compile(
    rf"(?<![\w/\\.:])(?:(?:file://)?/{_PART}(?:/{_PART})+/?|[A-Za-z]:(?:[\\/]{_PART})+|\\\\{_PART}(?:\\{_PART})+)"
)


def is_absolute(text: str) -> bool:
    """Return whether ``text`` is an absolute path of any system."""
    return _ABSOLUTE.match(text) is not None


def _last_part(text: str) -> str:
    # The root alone tells nothing of a machine; it stays.
    return (PureWindowsPath(text) if "\\" in text else PurePosixPath(text)).name or text


def without_paths(text: str, *, whole: bool = False) -> str:
    """Return ``text`` with absolute paths cut to their last part.

    Parameters
    ----------
    text
        A sentence, or a word of a command line.
    whole
        Take ``text``, or what stands behind its ``=``, as one path if it begins like one, blanks included.
    """
    if whole:
        option, equals, value = text.partition("=") if text.startswith("-") else ("", "", text)
        if is_absolute(value):
            return f"{option}{equals}{_last_part(value)}"
    text = _QUOTED.sub(lambda match: f"{match[1]}{_last_part(match[2])}{match[1]}", text)
    return _BARE.sub(lambda match: _last_part(match[0]), text)
