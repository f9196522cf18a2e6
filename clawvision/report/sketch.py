"""A foot's toe lengths over time as a small SVG in the ink of the page: strokes and marks tell the claws apart.

It says in little what `clawvision.history.pictures` draws to print, and weighs some two kilobytes, so that a page can
hold one for every foot.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date
from html import escape

from clawvision.growth.series import ToeReading

_WIDTH, _HEIGHT = 340, 170
_LEFT, _RIGHT, _TOP, _BOTTOM = 34, 8, 16, 40
_MARGIN_MM = 3.0


@dataclass(frozen=True, slots=True)
class Line:
    """A claw's readings between its trims, drawn as one line each, and what the claw is called."""

    name: str
    parts: tuple[tuple[ToeReading, ...], ...]


@dataclass(frozen=True, slots=True)
class Words:
    """What stands in the picture and what is said instead of it."""

    title: str
    described: str
    limit: str
    trim: str


def sketch(lines: Sequence[Line], trims: Sequence[date], limit_mm: float | None, words: Words, key: str) -> str:
    """Return the picture as SVG; all words in it are escaped.

    Parameters
    ----------
    lines
        The first is drawn with full marks and strokes, the second with open and broken ones.
    trims
        Days on which the foot was trimmed.
    limit_mm
        The length from which a toe is worth watching, where it is known.
    words
        Title, description and labels.
    key
        Beginning of the names within the picture, one of its own on the page.
    """
    readings = [each for line in lines for part in line.parts for each in part]
    days = [each.day.toordinal() for each in readings]
    low = min([each.length_mm - 2 * each.u_mm for each in readings] + ([limit_mm] if limit_mm else [])) - _MARGIN_MM
    high = max([each.length_mm + 2 * each.u_mm for each in readings] + ([limit_mm] if limit_mm else [])) + _MARGIN_MM
    first, last = min(days), max(days)

    def x(day: date) -> float:
        if first == last:
            return _LEFT + (_WIDTH - _LEFT - _RIGHT) / 2
        room = _WIDTH - _LEFT - _RIGHT - 16
        return round(_LEFT + 8 + (day.toordinal() - first) / (last - first) * room, 1)

    def y(length: float) -> float:
        return round(_TOP + (high - length) / (high - low) * (_HEIGHT - _TOP - _BOTTOM), 1)

    ground = _HEIGHT - _BOTTOM
    drawn = [f'<path d="M{_LEFT} {_TOP}V{ground}H{_WIDTH - _RIGHT}"/>']
    ticks = sorted({round(low + _MARGIN_MM), round(high - _MARGIN_MM)})
    drawn += [_text(_LEFT - 4, y(tick) + 4, f"{tick}", "end") for tick in ticks]
    ends = sorted({date.fromordinal(first), date.fromordinal(last)})
    for day, anchor in zip(ends, ("start", "end") if len(ends) == 2 else ("middle",), strict=True):
        drawn.append(_text(x(day), ground + 14, day.isoformat(), anchor))
    if limit_mm is not None:
        drawn.append(f'<path stroke-dasharray="8 3 2 3" d="M{_LEFT} {y(limit_mm)}H{_WIDTH - _RIGHT}"/>')
        drawn.append(_text(_LEFT + 4, y(limit_mm) - 3, words.limit, "start"))
    for day in sorted(set(trims)):
        if first < day.toordinal() <= last:
            drawn.append(f'<path stroke-dasharray="1 3" d="M{x(day)} {_TOP}V{ground}"/>')
            drawn.append(_text(x(day), _TOP - 4, words.trim, "middle"))
    for place, line in enumerate(lines):
        stroke = ' stroke-dasharray="5 3"' if place else ""
        way = "".join("M" + "L".join(f"{x(each.day)} {y(each.length_mm)}" for each in part) for part in line.parts)
        drawn.append(f'<path{stroke} stroke-width="1.6" d="{way}"/>')
        bars = "".join(
            f"M{x(each.day)} {y(each.length_mm + 2 * each.u_mm)}V{y(each.length_mm - 2 * each.u_mm)}"
            for part in line.parts
            for each in part
        )
        drawn.append(f'<path d="{bars}"/>')
        drawn += [_mark(x(each.day), y(each.length_mm), place) for part in line.parts for each in part]
        at = _LEFT + 10 + place * (_WIDTH - _LEFT) / 2
        drawn += [_mark(at, _HEIGHT - 12, place), _text(at + 9, _HEIGHT - 8, line.name, "start")]
    return (
        f'<svg class="sketch" role="img" aria-labelledby="{key}t {key}d" viewBox="0 0 {_WIDTH} {_HEIGHT}" '
        f'fill="none" stroke="currentColor"><title id="{key}t">{escape(words.title)}</title>'
        f'<desc id="{key}d">{escape(words.described)}</desc>{"".join(drawn)}</svg>'
    )


def _text(x: float, y: float, text: str, anchor: str) -> str:
    return f'<text x="{x:g}" y="{y:g}" text-anchor="{anchor}">{escape(text)}</text>'


def _mark(x: float, y: float, place: int) -> str:
    if place:
        return f'<path class="open" d="M{x - 3.5:g} {y - 3.5:g}h7v7h-7z"/>'
    return f'<path class="full" d="M{x - 4:g} {y:g}a4 4 0 1 0 8 0a4 4 0 1 0 -8 0z"/>'
