"""All vignettes, what the program makes of them, and every text of it."""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping
from dataclasses import fields, is_dataclass
from functools import cache
from typing import Any

import pytest

from clawvision.findings import assess_feet
from clawvision.types import AnimalResult, FootResult
from tests.findings import (
    vignettes_after,
    vignettes_animal,
    vignettes_inputs,
    vignettes_length,
    vignettes_ordinary,
    vignettes_profiles,
    vignettes_proportion,
    vignettes_shape,
)
from tests.findings.photos import PROFILES
from tests.findings.vignettes import Vignette

_THEMES = (
    vignettes_ordinary,
    vignettes_length,
    vignettes_proportion,
    vignettes_shape,
    vignettes_profiles,
    vignettes_animal,
    vignettes_inputs,
    vignettes_after,
)
VIGNETTES: dict[str, Vignette] = {each.name: each for theme in _THEMES for each in theme.VIGNETTES}
COUNT = sum(len(theme.VIGNETTES) for theme in _THEMES)

Result = tuple[tuple[FootResult, ...], tuple[AnimalResult, ...]]


@cache
def assessed(name: str) -> Result:
    """What the program makes of a vignette."""
    return assess_feet(VIGNETTES[name].photos, PROFILES)


def foot_of(name: str) -> FootResult:
    """The foot that a vignette is about: that of its first photo."""
    photo = VIGNETTES[name].photos[0].request.name
    return next(foot for foot in assessed(name)[0] if photo in foot.photos)


def strings(value: Any, where: str = "") -> Iterator[tuple[str, str]]:
    """Every string in a result, with the place where it stands; whatever field may be added is walked too."""
    if isinstance(value, str):
        yield where, value
    elif is_dataclass(value) and not isinstance(value, type):
        for each in fields(value):
            yield from strings(getattr(value, each.name), f"{where}.{each.name}")
    elif isinstance(value, Mapping):
        for key, each in value.items():
            yield from strings(each, f"{where}[{key}]")
    elif isinstance(value, list | tuple):
        for each in value:
            yield from strings(each, f"{where}[]")


_NOT_SPOKEN = re.compile(
    r"\.(?:animal|foot|stage|date|profile|photos|compared_with|next_look|code|rule|claw|unit|level|could_become)"
    r"(?:\[\])?$|\.chain\[\]|\.checked\[\]|\.strength$|\.icar_term$|\.basis$|\.state$"
)


def spoken(value: Any) -> list[tuple[str, str]]:
    """The sentences of a result: all strings but names, keys, sources and the record of what was checked."""
    return [(where, text) for where, text in strings(value) if text and not _NOT_SPOKEN.search(where)]


every_vignette = pytest.mark.parametrize("name", VIGNETTES)
