"""The strips above and below the photo: who it is, what is wrong, every measure, and the caution."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

from PIL import ImageDraw

from clawvision.output.style import (
    DARK,
    FAINT,
    INK,
    OUTER,
    PAPER,
    RULE,
    STATUS_COLOURS,
    STATUS_INK,
    Colour,
    claw_colour,
    font,
    lines_of,
    text_width,
)
from clawvision.output.wording import (
    CAUTION,
    LANDMARK_WORDS,
    STATUS_WORDS,
    clean,
    measure_word,
    spoken,
    subject,
    value_text,
)
from clawvision.types import Measure, PhotoResult, Reason

_MOST_REASONS = 4


@dataclass(slots=True)
class Panel:
    """A strip under construction: rectangles, then texts, at offsets from its own top."""

    width: int
    size: int
    ground: Colour = PAPER
    height: int = 0
    boxes: list[tuple[tuple[float, float, float, float], Colour]] = field(default_factory=list)
    texts: list[tuple[float, float, str, int, Colour]] = field(default_factory=list)

    @property
    def margin(self) -> int:
        return round(self.size * 0.6)

    def paragraph(self, text: str, colour: Colour, scale: float = 1.0, *, most: int = 4, indent: float = 0.0) -> None:
        """Add wrapped text below what is there; ``indent`` in letters' heights."""
        letters = round(self.size * scale)
        left = self.margin + round(indent * self.size)
        for line in lines_of(text, letters, self.width - left - self.margin, most):
            self.texts.append((left, self.height + letters * 0.65, line, letters, colour))
            self.height += round(letters * 1.3)

    def gap(self, scale: float = 0.3) -> None:
        """Add empty height."""
        self.height += round(self.size * scale)

    def draw(self, pen: ImageDraw.ImageDraw, top: int) -> None:
        """Draw the strip with its top at ``top``."""
        pen.rectangle((0, top, self.width, top + self.height), fill=self.ground)
        for (left, above, right, below), colour in self.boxes:
            pen.rectangle((left, top + above, right, top + below), fill=colour)
        for x, y, text, letters, colour in self.texts:
            pen.text((x, top + y), text, font=font(letters), fill=colour, anchor="lm")


def head(result: PhotoResult, width: int, size: int) -> list[Panel]:
    """Return the strips above the photo: status and subject, then what is wrong and what to do."""
    ink = STATUS_INK[result.status]
    title = Panel(width, size, STATUS_COLOURS[result.status])
    title.gap(0.45)
    letters = round(size * 1.3)
    word = STATUS_WORDS[result.status]
    # The sign's place is left free: ``sign`` draws it there.
    left = title.margin + round(size * 1.9)
    title.texts.append((left, title.height + letters * 0.6, word, letters, ink))
    name_left = left + text_width(word, letters) + size
    name = _fit_middle(clean(result.request.name, 120), size, width - name_left - title.margin)
    name_width = text_width(name, size)
    title.texts.append((width - title.margin - name_width, title.height + letters * 0.6, name, size, ink))
    title.height += round(letters * 1.35)
    title.paragraph(subject(result), ink, most=2)
    title.gap(0.4)
    panels = [title]
    wrong = [reason for reason in result.reasons if reason.effect != "note"]
    # The gravest first; among like ones the order of the chain.
    wrong.sort(key=lambda reason: reason.effect != "refused")
    if wrong:
        panels.append(_reasons(wrong, width, size, 1.1 if result.status == "refused" else 1.0))
    return panels


def sign(pen: ImageDraw.ImageDraw, result: PhotoResult, size: int, top: int) -> None:
    """Draw the status as a shape: a dimension line, an exclamation mark in a triangle, or a cross.

    A tick for ``measured`` would be read as "this claw is sound".
    """
    side = size * 1.45
    left, above = size * 0.6, top + size * 0.5
    ink, ground = STATUS_INK[result.status], STATUS_COLOURS[result.status]
    thick = max(2, round(size * 0.2))

    def at(x: float, y: float) -> tuple[float, float]:
        return (left + x * side, above + y * side)

    if result.status == "measured":
        for bar in ([at(0.05, 0.5), at(0.95, 0.5)], [at(0.05, 0.15), at(0.05, 0.85)], [at(0.95, 0.15), at(0.95, 0.85)]):
            pen.line(bar, fill=ink, width=thick)
    elif result.status == "review":
        pen.polygon([at(0.5, 0.0), at(1.0, 0.95), at(0.0, 0.95)], fill=ink)
        pen.line([at(0.5, 0.34), at(0.5, 0.66)], fill=ground, width=thick)
        pen.line([at(0.5, 0.75), at(0.5, 0.86)], fill=ground, width=thick)
    else:
        pen.line([at(0.1, 0.1), at(0.9, 0.9)], fill=ink, width=thick)
        pen.line([at(0.9, 0.1), at(0.1, 0.9)], fill=ink, width=thick)


def foot(result: PhotoResult, width: int, size: int) -> list[Panel]:
    """Return the strips below the photo: measures, notes, what the letters mean, the caution."""
    panels: list[Panel] = []
    if result.status != "refused":
        panels += _measures(result, width, size)
    notes = Panel(width, size)
    for reason in [reason for reason in result.reasons if reason.effect == "note"][:_MOST_REASONS]:
        notes.paragraph(clean(f"Note: {reason.message}", 240), FAINT, 0.78, most=2)
    letters = sorted({name for claw in result.claws.values() for name in claw.landmarks_px} & set(LANDMARK_WORDS))
    if letters and result.status != "refused":
        notes.paragraph(" · ".join(f"{name} {LANDMARK_WORDS[name]}" for name in letters), FAINT, 0.78)
    if notes.height:
        notes.gap(0.4)
        panels.append(notes)
    caution = Panel(width, size, DARK)
    caution.gap(0.4)
    caution.paragraph(CAUTION, PAPER, 0.85)
    caution.gap(0.4)
    panels.append(caution)
    return panels


def _reasons(reasons: Sequence[Reason], width: int, size: int, scale: float) -> Panel:
    panel = Panel(width, size)
    panel.gap(0.4)
    for reason in reasons[:_MOST_REASONS]:
        panel.paragraph(clean(reason.message, 300), INK, scale)
        panel.paragraph(clean(f"What to do: {reason.advice}", 300), FAINT, scale * 0.88)
        panel.gap(0.35)
    if len(reasons) > _MOST_REASONS:
        panel.paragraph(f"… and {len(reasons) - _MOST_REASONS} more in the assessment.", FAINT, 0.85)
        panel.gap(0.3)
    return panel


def _measures(result: PhotoResult, width: int, size: int) -> list[Panel]:
    claws = result.claws
    names = list(dict.fromkeys(name for claw in claws.values() for name in claw.measures))
    panel = Panel(width, size)
    panel.gap(0.4)
    if len(claws) > 1:
        _grid(
            panel,
            ["", *claws],
            [[measure_word(name), *(_cell(c.measures, name) for c in claws.values())] for name in names],
        )
    elif names:
        claw = next(iter(claws.values()))
        _pairs(panel, [spoken(name, claw.measures[name]) for name in names])
    pairs = _foot_pairs(result.foot_measures)
    if pairs:
        panel.gap(0.3)
        _pairs(panel, pairs)
    panel.gap(0.3)
    groups = [(f" ({claw.name} claw)", claw.measures) for claw in claws.values()] + [("", result.foot_measures)]
    for whose, measures in groups:
        missing: dict[str, list[str]] = {}
        for name, measure in measures.items():
            if measure.value is None and not name.endswith("_percent"):
                missing.setdefault(measure.reason or "", []).append(measure_word(name))
        for why, which in missing.items():
            text = f"Not taken{whose}: {', '.join(which)}: {why}."
            panel.paragraph(clean(text, 300), FAINT, 0.78, most=3)
    panel.gap(0.3)
    return [panel] if panel.texts else []


def _foot_pairs(measures: Mapping[str, Measure]) -> list[tuple[str, str]]:
    """Return the two-claw measures in words, each percentage behind the value that it belongs to."""
    pairs = []
    for name, measure in measures.items():
        if name.endswith("_percent") and name.removesuffix("_percent") in measures:
            continue
        words, value = spoken(name, measure)
        percent = measures.get(f"{name}_percent")
        if measure.value is not None and percent is not None and percent.value is not None:
            value += f" ({abs(percent.value):.0f} %)"
        pairs.append((words, value))
    return pairs


def _cell(measures: Mapping[str, Measure], name: str) -> str:
    measure = measures.get(name)
    return "–" if measure is None else value_text(measure)


def _grid(panel: Panel, heads: list[str], rows: list[list[str]]) -> None:
    columns = len(heads)
    first = panel.width * 0.36
    lefts = [panel.margin, *(first + index * (panel.width - first) / (columns - 1) for index in range(columns - 1))]
    height = round(panel.size * 1.36)
    for index, row in enumerate([heads, *rows]):
        if index:
            panel.boxes.append(((panel.margin, panel.height, panel.width - panel.margin, panel.height + 1), RULE))
        for left, text, is_first in zip(lefts, row, [True] + [False] * (columns - 1), strict=True):
            shift = 0.0
            if index == 0 and not is_first:
                shift = _swatch(panel, left, panel.height + height / 2, text)
            colour = FAINT if is_first else INK
            panel.texts.append((left + shift, panel.height + height / 2, text, panel.size, colour))
        panel.height += height


def _swatch(panel: Panel, left: float, middle: float, claw: str) -> float:
    """Show the claw's line, full or dashed as on the photo; return the width used."""
    size = panel.size
    parts = ((0.0, 1.9),) if claw_colour(claw) is OUTER else ((0.0, 0.8), (1.1, 1.9))
    for begin, end in parts:
        box = (left + begin * size, middle - 0.2 * size, left + end * size, middle + 0.2 * size)
        panel.boxes.append((box, DARK))
        inner = (box[0] + 0.08 * size, box[1] + 0.08 * size, box[2] - 0.08 * size, box[3] - 0.08 * size)
        panel.boxes.append((inner, claw_colour(claw)))
    return 2.4 * size


def _pairs(panel: Panel, pairs: Sequence[tuple[str, str]]) -> None:
    """Add names and values in two columns, the first filled first."""
    height = round(panel.size * 1.36)
    half = (len(pairs) + 1) // 2
    column = (panel.width - 2 * panel.margin) / 2
    for index, (name, value) in enumerate(pairs):
        left = panel.margin + (index // half) * (column + panel.margin / 2)
        top = panel.height + (index % half) * height
        right = left + column - panel.margin / 2
        size, small = _side_by_side(name, value, panel.size, right - left)
        panel.texts.append((left, top + height / 2, name, small, FAINT))
        panel.texts.append((right - text_width(value, size), top + height / 2, value, size, INK))
        panel.boxes.append(((left, top + height - 1, right, top + height), RULE))
    panel.height += half * height


def _side_by_side(name: str, value: str, size: int, width: float) -> tuple[int, int]:
    """Return the letters' heights, of the value and of its name, with which the two stand apart in a width."""
    while True:
        small = round(size * 0.88)
        if size <= 8 or text_width(name, small) + text_width(value, size) + 0.4 * size <= width:
            return size, small
        size -= 1


def _fit_middle(text: str, size: int, width: float) -> str:
    """Shorten a file's name in its middle: both ends tell photos apart."""
    keep = len(text)
    shown = text
    while text_width(shown, size) > width and keep > 4:
        keep -= 1
        shown = f"{text[: keep // 2]}…{text[-(keep - keep // 2) :]}"
    return shown
