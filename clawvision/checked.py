"""What `clawvision.check` tells of a photo: apart from it, so that who only shows it need not load what looks."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from clawvision.types import Reason, View

Answer = Literal["will do", "will do, but", "take it again"]
AskedView = Literal["side", "sole"]


@dataclass(frozen=True, slots=True)
class Checked:
    """What was told of one photo. ``reasons`` are the most important first; ``view`` is None where it is not known."""

    photo: str
    answer: Answer
    view: View | None
    reasons: tuple[Reason, ...]
