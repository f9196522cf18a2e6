"""Names from outside, made into names of files that every system takes and none leads astray."""

from __future__ import annotations

import hashlib
import re
import unicodedata
from collections.abc import Iterable

_RESERVED = re.compile(r"(con|prn|aux|nul|com\d|lpt\d)(\..*)?", re.IGNORECASE)
_KEPT = frozenset("-_. ")
_MOST_BYTES = 80


def safe_name(name: str, taken: Iterable[str] = ()) -> str:
    """Return a file name, without suffix, for what somebody is called.

    Letters and digits of any script stay. Whatever else is not a hyphen, an underscore, a point or a blank becomes an
    underscore. Where that, the length, a name that a system keeps for itself, or one in ``taken`` that differs in
    capitals only would let two be mistaken for each other, eight digits of the name's hash follow.

    Parameters
    ----------
    name
        Any text, such as the name of a folder.
    taken
        File names that are in use for others.
    """
    composed = unicodedata.normalize("NFC", name)
    fit = "".join(each if each.isalnum() or each in _KEPT else "_" for each in composed)
    fit = fit.encode("utf-8", "replace")[:_MOST_BYTES].decode("utf-8", "ignore").strip(". ")
    alike = {_folded(each) for each in taken}
    if fit and fit == name and not _RESERVED.fullmatch(fit) and _folded(fit) not in alike:
        return fit
    digest = hashlib.sha256(name.encode("utf-8", "surrogatepass")).hexdigest()
    return f"{fit or 'sender'}-{digest[:8]}" if not _RESERVED.fullmatch(fit) else f"sender-{fit}-{digest[:8]}"


def _folded(name: str) -> str:
    return unicodedata.normalize("NFC", name).casefold()
