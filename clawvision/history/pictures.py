"""A foot's toe lengths over time as a picture, for the screen and for print. Black and white tells the same.

Matplotlib is needed: ``pip install 'clawvision[plots]'``.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, timedelta
from typing import TYPE_CHECKING, Any

import numpy as np

from clawvision.errors import UsageError
from clawvision.findings.herd import counted
from clawvision.findings.quantities import DAYS_PER_MONTH
from clawvision.growth import Forecast, lengths_ahead, limb_of
from clawvision.growth.rate import Z
from clawvision.history.growth import ClawGrowth, FootGrowth, LimitName
from clawvision.output.wording import FOOT_WORDS
from clawvision.plain import plain
from clawvision.plotting import COLOURS, FAINT, INK, MARKERS, STROKES, figure, png, styled, svg

if TYPE_CHECKING:
    from matplotlib.axes import Axes

_WIDTH, _HEIGHT = 7.2, 4.6
"""Inches: as wide as a journal's page between its margins."""
_AHEAD_LEAST, _AHEAD_MOST = 60, 548
"""Days: how far the picture looks ahead, whatever the dates are. Farther, the past would be squeezed."""
_MOST_TICKS = 8
_STEP_MM = 1.4
"""How far above the limit, and above one another, the intervals of dates lie."""
_ASIDE = 0.003
"""Claws of one day are drawn this share of the picture's time aside, so that their bars do not cover one another."""
_HATCHES = ("////", "\\\\\\\\")
_LIMIT_WORDS = {"watch": "worth watching", "flag": "clearly overgrown"}


@dataclass(frozen=True, slots=True)
class FootPicture:
    """One picture in both forms."""

    svg: bytes
    png: bytes


def foot_picture(foot: FootGrowth, limit: LimitName = "watch") -> FootPicture:
    """Draw the toe length of each claw of a foot over time: U as bars, trims as breaks, and when a limit is met.

    Parameters
    ----------
    foot
        As `clawvision.history.growth.foot_growth` tells it.
    limit
        To which of the profile's lengths its forecasts go.

    Raises
    ------
    UsageError
        If there is no length to draw.
    MissingExtraError
        If matplotlib is not installed.
    """
    claws = [claw for claw in foot.claws if claw.readings.series.readings]
    if not claws:
        raise UsageError(f"{foot.animal} {foot.foot} has no toe length to draw.", "Choose another foot.")
    name = f"{plain(foot.animal)}, {FOOT_WORDS[foot.foot]} foot"
    with styled():
        drawn = figure(_WIDTH, _HEIGHT)
        axes = drawn.subplots()
        first = min(claw.readings.series.readings[0].day for claw in claws)
        last = max(claw.readings.series.readings[-1].day for claw in claws)
        end = _end(last, [claw.forecast for claw in claws])
        start = first - timedelta(days=_margin(first, end))
        axes.set_xlim(start.toordinal(), end.toordinal())
        _trims(axes, claws, end)
        for place, claw in enumerate(claws):
            _band(axes, claw, place, end)
        for place, claw in enumerate(claws):
            _lengths(axes, claw, place, _ASIDE * (end - start).days * (2 * place - len(claws) + 1))
        low, high = _limits(axes, foot, claws, limit)
        axes.set_ylim(low, high)
        _time_axis(axes, start, end)
        axes.set_ylabel("toe length, mm")
        axes.set_title(name, loc="left", fontsize=12, fontweight="bold", pad=18)
        drawn.legend(loc="outside lower center", ncols=2, title=_caption(claws), title_fontsize=8)
        title = f"Toe length over time: {name}"
        return FootPicture(svg(drawn, title), png(drawn))


def _margin(first: date, end: date) -> int:
    return max(10, (end - first).days // 40)


def _end(last: date, told: Sequence[Forecast]) -> date:
    ends = [each.late or each.expected for each in told if each.beyond != "shown"]
    dated = [each + timedelta(days=20) for each in ends if each is not None]
    wanted = max([last + timedelta(days=_AHEAD_LEAST), *dated])
    return min(wanted, last + timedelta(days=_AHEAD_MOST))


def _lengths(axes: Axes, claw: ClawGrowth, place: int, aside: float) -> None:
    series = claw.readings.series
    look: dict[str, Any] = {
        "color": COLOURS[place],
        "marker": MARKERS[place],
        "markerfacecolor": COLOURS[place] if place == 0 else "white",
        "markersize": 5.5,
        "zorder": 4 + place,
    }
    stroke = STROKES[place]
    for number, part in enumerate(claw.between_trims):
        axes.errorbar(
            [each.day.toordinal() + aside for each in part],
            [each.length_mm for each in part],
            yerr=[2 * each.u_mm for each in part],
            linestyle=stroke,
            elinewidth=0.9,
            capsize=2.5 + 1.5 * place,
            label=f"{series.claw} claw" if number == 0 else None,
            **look,
        )


def _trims(axes: Axes, claws: Sequence[ClawGrowth], end: date) -> None:
    """Mark the days of known trims by a line, and drops that nobody noted by a question mark."""
    days = {day for claw in claws for day in claw.trim_days}
    start = min(claw.readings.series.readings[0].day for claw in claws)
    doubted = {
        each.last + (each.next - each.last) / 2
        for claw in claws
        for each in claw.claw.own.breaks
        if each.kind == "trim not noted?"
    }
    for words, these in (("trim", {day for day in days if start <= day <= end}), ("trim?", doubted)):
        for day in these:
            axes.axvline(day.toordinal(), color=FAINT, linewidth=0.9, linestyle=(0, (1, 2)), zorder=1)
            axes.annotate(
                words,
                (day.toordinal(), 1.0),
                xycoords=("data", "axes fraction"),
                xytext=(0, 2),
                textcoords="offset points",
                ha="center",
                fontsize=8,
                color=INK,
            )


def _band(axes: Axes, claw: ClawGrowth, place: int, end: date) -> None:
    """Draw where the length is foretold to be, up to the limit, and the interval of dates above the limit."""
    told = claw.forecast
    if not _foretold(claw) or told.limit_mm is None or told.last is None:
        return
    stop = min(end, told.late or end)
    days = np.linspace(0.0, (stop - told.last).days, 60)
    mean, u = lengths_ahead(claw.claw, days / DAYS_PER_MONTH)
    low, high = (np.minimum(mean + side * Z * u, told.limit_mm) for side in (-1, 1))
    at = [told.last.toordinal() + day for day in days]
    axes.fill_between(
        at,
        low,
        high,
        facecolor="none",
        edgecolor=COLOURS[place],
        hatch=_HATCHES[place % len(_HATCHES)],
        alpha=0.45,
        linewidth=0.6,
        zorder=2,
    )
    below = mean <= told.limit_mm
    axes.plot(np.array(at)[below], mean[below], color=COLOURS[place], linewidth=0.9, linestyle=STROKES[2], zorder=3)
    if told.early is not None:
        span = [told.early, min(told.late or end, end)]
        height = told.limit_mm + _STEP_MM * (place + 1)
        axes.plot(
            [day.toordinal() for day in span],
            [height, height],
            color=COLOURS[place],
            linewidth=2.2,
            solid_capstyle="butt",
            linestyle=STROKES[place],
            zorder=3,
        )
        if told.expected is not None and told.expected <= end:
            axes.plot(
                told.expected.toordinal(),
                height,
                marker=MARKERS[place],
                markersize=7,
                markerfacecolor="white",
                color=COLOURS[place],
                zorder=6,
            )


def _foretold(claw: ClawGrowth) -> bool:
    told = claw.forecast
    return told.rate is not None and told.reason is None and told.beyond != "shown"


def _limits(axes: Axes, foot: FootGrowth, claws: Sequence[ClawGrowth], limit: LimitName) -> tuple[float, float]:
    """Draw the profile's minimum and limit with their names; return the range of lengths to show."""
    readings = [each for claw in claws for each in claw.readings.series.readings]
    shown = [each.length_mm + side * 2 * each.u_mm for each in readings for side in (-1, 1)]
    lines = (
        ("toe_length_minimum", "minimum", STROKES[3]),
        (f"toe_length_{limit}", _LIMIT_WORDS[limit], STROKES[0]),
    )
    for name, words, stroke in lines:
        value = None if foot.profile is None else foot.profile.value(limb_of(foot.foot), name)
        if value is None:
            continue
        shown.append(value.value)
        axes.axhline(value.value, color=INK, linewidth=1.0, linestyle=stroke, zorder=1)
        axes.annotate(
            f"{value.value:g} mm\n{words}",
            (1.0, value.value),
            xycoords=("axes fraction", "data"),
            xytext=(4, 0),
            textcoords="offset points",
            va="center",
            fontsize=8,
            annotation_clip=False,
        )
    return min(shown) - 3, max(shown) + 2 * _STEP_MM + 2


def _caption(claws: Sequence[ClawGrowth]) -> str:
    lines = []
    for claw in claws:
        lines.append(f"{claw.readings.series.claw} claw{_dates(claw.forecast)}")
    left = sum(claw.readings.review + claw.readings.unusable for claw in claws)
    if left:
        photos = counted(left, "photo is", "photos are")
        lines.append(f"{photos} left out: a person has to look first, or there is no length.")
    hatched = " Hatched: where the length is foretold (95 %); growth less wear."
    lines.append(f"Bars: uncertainty (k = 2).{hatched if any(map(_foretold, claws)) else ''}")
    lines.append("A date to look at the foot by. No length here is a line or a length to cut to.")
    return "\n".join(lines)


def _dates(told: Forecast) -> str:
    text = told.text.rstrip(".")
    if told.limit_mm is None or told.reason is not None or told.beyond == "shown":
        return f": {text}"
    return f", {told.limit_mm:g} mm: {text}"


def _time_axis(axes: Axes, start: date, end: date) -> None:
    """Mark the first days of months. In figures only, since names of months depend on the computer's language."""
    months = range(12 * start.year + start.month, 12 * end.year + end.month)
    step = next((each for each in (1, 2, 3, 6) if len(months) <= _MOST_TICKS * each), 12)
    ticks = [date(month // 12, month % 12 + 1, 1) for month in months if month % step == 0]
    axes.set_xticks([each.toordinal() for each in ticks], [f"{each:%Y-%m}" for each in ticks])
