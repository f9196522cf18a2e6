"""What a reader of what comes from outside is here, and what several of them need."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from tests.fuzz import mutate

ROOT = Path(__file__).parents[2]
SAMPLES = ROOT / "sample_images"


@dataclass(frozen=True, slots=True)
class Reader:
    """A reader: ``read`` gets an input and a folder of its own, which is empty the first time and stays."""

    read: Callable[[bytes, Path], None]
    seeds: Callable[[], Sequence[bytes]]
    mutate: mutate.Mutator


def write(place: Path, name: str, data: bytes) -> Path:
    path = place / name
    path.write_bytes(data)
    return path


def thin(value: Any) -> None:
    """Shorten long lists of points, which would take most of the changes."""
    for key, part in list(value.items() if isinstance(value, dict) else enumerate(value)):
        if isinstance(part, list) and len(part) > 12 and all(isinstance(each, list) for each in part):
            value[key] = part[:: len(part) // 9]
        elif isinstance(part, list | dict):
            thin(part)
    if isinstance(value, dict) and isinstance(value.get("checked"), list):
        value["checked"] = value["checked"][:2]
