"""Colours and letters of the annotated picture.

The colours stay apart for eyes that do not tell red from green (a test simulates them), and no meaning
hangs on colour alone: lines differ by their strokes, claws and states are named in words.
"""

from __future__ import annotations

from functools import lru_cache
from importlib.resources import files
from io import BytesIO
from typing import Any

from PIL import ImageFont

Colour = tuple[int, int, int]
_KEPT_TEXTS = 48
"""Texts kept of each size of letters; a line across the picture takes some 50 kB."""

OUTER: Colour = (255, 240, 0)
"""Yellow, full line: the outer claw, or the left one."""
INNER: Colour = (0, 203, 255)
"""Sky blue, long dashes: the inner claw, or the right one."""
LENGTH: Colour = (255, 255, 255)
"""White: every length."""
ANGLE: Colour = (255, 92, 0)
"""Orange: every angle."""
GROUND: Colour = (218, 92, 132)
"""Rose, dash and dot: lines that the measures refer to (bearing line, axis, cleft)."""
CARD: Colour = (86, 98, 255)
"""Blue violet, short dashes: the reference of known size."""
OVERLAY_COLOURS: dict[str, Colour] = {
    "outer": OUTER,
    "inner": INNER,
    "length": LENGTH,
    "angle": ANGLE,
    "ground": GROUND,
    "card": CARD,
}

DARK: Colour = (18, 22, 28)
PAPER: Colour = (250, 250, 247)
INK: Colour = (20, 24, 30)
FAINT: Colour = (92, 98, 106)
RULE: Colour = (205, 208, 210)
STATUS_COLOURS: dict[str, Colour] = {"measured": (0, 92, 152), "review": (242, 176, 0), "refused": (158, 32, 22)}
STATUS_INK: dict[str, Colour] = {"measured": PAPER, "review": INK, "refused": PAPER}


def claw_colour(name: str) -> Colour:
    """Return the colour of a claw's outline."""
    return OUTER if name in ("outer", "left") else INNER


@lru_cache(maxsize=1)
def _font_file() -> bytes:
    return files("clawvision.output").joinpath("fonts/labels.ttf").read_bytes()


class _Lettering(ImageFont.FreeTypeFont):
    """A font that keeps the texts drawn last: the same words stand on every picture, and drawing letters is slow."""

    def __init__(self, size: int) -> None:
        super().__init__(BytesIO(_font_file()), size, layout_engine=ImageFont.Layout.BASIC)
        self._drawn = lru_cache(maxsize=_KEPT_TEXTS)(super().getmask2)

    def getmask2(self, text: Any, *options: Any, **named: Any) -> Any:
        """See ``PIL.ImageFont.FreeTypeFont.getmask2``."""
        try:
            return self._drawn(text, *options, **named)
        except TypeError:  # an option that cannot be a key
            return super().getmask2(text, *options, **named)


@lru_cache(maxsize=32)
def font(size: int) -> ImageFont.FreeTypeFont:
    """Return the lettering at ``size`` pixels. Shipped with the package, so that every machine draws alike."""
    return _Lettering(size)


@lru_cache(maxsize=2048)
def text_width(text: str, size: int) -> float:
    """Return the width of ``text`` in letters of ``size`` pixels. Kept, since most texts come on every picture."""
    return font(size).getlength(text)


@lru_cache(maxsize=256)
def lines_of(text: str, size: int, width: float, most: int) -> tuple[str, ...]:
    """Break ``text`` into lines no wider than ``width`` pixels, at most ``most`` of them.

    A word that is too wide for a line is broken; text that is left over is marked by an ellipsis.
    """
    lines = [""]
    words = text.split()
    for word in words:
        trial = f"{lines[-1]} {word}".strip()
        if text_width(trial, size) <= width:
            lines[-1] = trial
            continue
        if lines[-1]:
            lines.append("")
        while text_width(word, size) > width and len(word) > 1:
            cut = len(word) - 1
            while cut > 1 and text_width(word[:cut], size) > width:
                cut -= 1
            lines[-1] = word[:cut]
            word = word[cut:]
            lines.append("")
        lines[-1] = word
    if len(lines) > most:
        lines = lines[:most]
        while lines[-1] and text_width(lines[-1] + "…", size) > width:
            lines[-1] = lines[-1][:-1]
        lines[-1] += "…"
    return tuple(lines)
