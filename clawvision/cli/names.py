"""Finding an animal by the name that somebody typed."""

from __future__ import annotations

from collections.abc import Sequence

from clawvision.errors import UsageError
from clawvision.plain import nearest, plain

_MOST_NAMES = 10


def known_animal(name: str, names: Sequence[str], where: str) -> str:
    """Return the animal of this name, or of one that is shown so because it holds what does not print.

    Raises
    ------
    UsageError
        If there is none; names those that are like it.
    """
    if name in names:
        return name
    for each in names:
        if plain(each) == name:
            return each
    if not names:
        raise UsageError(f"{where} holds no animals.", "Name another one.")
    near = nearest(name, names)
    if near:
        remedy = f"Did you mean {' or '.join(_quoted(each) for each in near)}?"
    else:
        more = f" and {len(names) - _MOST_NAMES} more" if len(names) > _MOST_NAMES else ""
        remedy = f"There are: {', '.join(_quoted(each) for each in names[:_MOST_NAMES])}{more}."
    raise UsageError(f"{where} holds no animal {_quoted(name)}.", remedy)


def _quoted(name: str) -> str:
    return f'"{plain(name)[:80]}"'
