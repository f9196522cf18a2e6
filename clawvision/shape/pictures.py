"""Pictures of shapes as SVG, for papers and screens: vectors only, letters as paths, the same bytes on every day.

Every line has a stroke and a word of its own; colours only help (Okabe and Ito's, which colour-blind eyes tell apart).
Matplotlib is needed only here: ``pip install 'clawvision[plots]'``.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

import numpy as np

from clawvision.errors import UsageError
from clawvision.plain import plain
from clawvision.plotting import COLOURS, FAINT, INK, MARKERS, STROKES, styled, svg
from clawvision.plotting import figure as new_figure
from clawvision.shape.change import ShapePath
from clawvision.shape.components import Components, outline_at
from clawvision.shape.frame import StandardShape
from clawvision.types import FloatArray

if TYPE_CHECKING:
    from matplotlib.axes import Axes

MOST_LINES = len(COLOURS)
"""More lines than strokes cannot be told apart."""
_CAUTION = "Another view angle, hair or dirt changes an outline too:\na difference is not growth by itself."


def _height(drawn: Sequence[FloatArray], width: float, most: float) -> float:
    """Return how high a panel of ``width`` inches is for points (N, 2) at one scale, at most ``most``."""
    across, up = np.ptp(np.vstack(drawn), axis=0)
    return float(min(most, width * up / across))


def _closed(points: FloatArray) -> tuple[FloatArray, FloatArray]:
    line = np.vstack((points, points[:1]))
    return line[:, 0], line[:, 1]


def _mm_axes(axes: Axes, across: str, up: str) -> None:
    axes.set_aspect("equal", adjustable="box")
    axes.set_xlabel(across)
    axes.set_ylabel(up)


def components_picture(found: Components, count: int = 3, deviations: float = 2.0) -> bytes:
    """Draw the mean outline and the mean moved along each of the first components, as SVG.

    Parameters
    ----------
    found : Components
        Those of `components`.
    count : int
        How many components, at most; the panels lie side by side.
    deviations : float
        How many standard deviations to either side.

    Raises
    ------
    MissingExtraError
        If matplotlib is not installed.
    """
    if count < 1 or deviations <= 0:
        raise UsageError("There is nothing to draw.", "Ask for one component or more, and for deviations above 0.")
    shown = min(count, len(found.variances))
    size = "at mean size" if found.kind == "shape" else "size included"
    lines = (
        (0.0, INK, STROKES[0], "mean", 1.2),
        (-deviations, COLOURS[0], STROKES[1], f"mean − {deviations:g} SD", 1.6),
        (deviations, COLOURS[1], STROKES[2], f"mean + {deviations:g} SD", 1.8),
    )
    outlines = [[outline_at(found, index, line[0]) for line in lines] for index in range(shown)]
    with styled():
        figure = new_figure(3.4 * shown + 0.4, 1.8 + _height([p for panel in outlines for p in panel], 3.0, 4.5))
        panels = figure.subplots(1, shown, squeeze=False, sharex=True, sharey=True)[0]
        for index, axes in enumerate(panels):
            for points, (_, colour, stroke, word, width) in zip(outlines[index], lines, strict=True):
                x, y = _closed(points)
                axes.plot(x, y, color=colour, linestyle=stroke, label=word, linewidth=width)
            larger = "more" if found.shares[index] > found.chance[index] else "not more"
            axes.set_title(
                f"Component {index + 1}: {100 * found.shares[index]:.1f} % of the variance,\n"
                f"{larger} than a broken stick ({100 * found.chance[index]:.1f} %)"
            )
            _mm_axes(axes, f"mm from the centre ({size})", "mm" if index == 0 else "")
        handles, words = panels[0].get_legend_handles_labels()
        figure.legend(handles, words, loc="outside lower center", ncols=3)
        return svg(figure, "Mean outline and principal components of claws")


def scores_picture(found: Components, paths: Sequence[ShapePath] = (), first: int = 0, second: int = 1) -> bytes:
    """Draw the scores of all shapes on two components, and how claws move through them with days, as SVG.

    Left the two components, with a ring around the first day of each claw; right, where there are paths, the ``first``
    component over days. Scores are given in mm per point: the root mean square by which the outline's points are moved.

    Raises
    ------
    MissingExtraError
        If matplotlib is not installed.
    """
    if max(first, second) >= len(found.variances) or first == second or min(first, second) < 0:
        raise UsageError(f"There are {len(found.variances)} components to choose two from.", "Choose two unlike ones.")
    if len(paths) > MOST_LINES:
        raise UsageError(f"{len(paths)} paths cannot be told apart in one picture.", f"Choose at most {MOST_LINES}.")
    if any(path.scores.shape[1] != len(found.variances) for path in paths):
        raise UsageError("A path has other components than the picture.", "Make both from the same components.")
    per_point = found.mm / float(np.sqrt(len(found.mean)))
    kept = "at mean size" if found.kind == "shape" else "size included"
    words = [f"Component {index + 1} ({100 * found.shares[index]:.1f} %), mm per point" for index in (first, second)]
    with styled():
        figure = new_figure(9.6 if paths else 5.6, 4.8)
        plane, *rest = figure.subplots(1, 2 if paths else 1, squeeze=False)[0]
        x, y = (per_point * found.scores[:, index] for index in (first, second))
        plane.plot(x, y, linestyle="none", marker="x", color=FAINT, markersize=5, label="each shape of the sample")
        for path, colour, stroke, marker in zip(paths, COLOURS, STROKES, MARKERS, strict=False):
            x, y = (per_point * path.scores[:, index] for index in (first, second))
            look: dict[str, Any] = {"color": colour, "linestyle": stroke, "marker": marker, "markersize": 5}
            plane.plot(x, y, label=path.name, **look)
            plane.plot(x[:1], y[:1], linestyle="none", marker="o", markersize=11, markerfacecolor="none", color=INK)
            for axes in rest:
                axes.plot(path.days, x, **look)
                for day, across, verdict in zip(path.days[1:], x[1:], path.verdicts, strict=True):
                    if verdict == "beyond repeats":
                        axes.annotate("*", (day, across), xytext=(0, 4), textcoords="offset points", fontsize=13)
        _mm_axes(plane, f"{words[0]}, {kept}", words[1])
        plane.set_adjustable("datalim")
        plane.margins(0.08)
        for axes in rest:
            axes.set_xlabel("day")
            axes.set_ylabel(words[0])
            axes.margins(0.08)
        notes = ["A ring marks a claw's first day."] if paths else []
        if any("beyond repeats" in path.verdicts for path in paths):
            notes.append("* on all components that were compared, farther from the first day than repeated photos are")
        if any(path.p is None for path in paths):
            notes.append("Whether a path exceeds what repeated photos differ cannot be told.")
        figure.legend(loc="outside lower center", ncols=2, title="\n".join(notes) or None, title_fontsize=8)
        return svg(figure, "Scores of claws on two principal components")


def outlines_picture(shapes: Sequence[StandardShape]) -> bytes:
    """Draw a claw's outlines over time over one another in the standard frame, as SVG.

    Side views lie on the same bearing line with their heels at 0, sole views on the same K and long axis.

    Raises
    ------
    MissingExtraError
        If matplotlib is not installed.
    """
    if not shapes or len({shape.source.name for shape in shapes}) > 1 or len({s.source.view for s in shapes}) > 1:
        raise UsageError("The outlines are not those of one claw in one view.", "Give one claw at a time.")
    if len(shapes) > MOST_LINES:
        raise UsageError(
            f"{len(shapes)} outlines cannot be told apart in one picture.", f"Choose at most {MOST_LINES}."
        )
    days = [shape.source.day for shape in shapes]
    ordered = sorted(shapes, key=lambda shape: -1.0 if shape.source.day is None else shape.source.day)
    source = shapes[0].source
    with styled():
        wide = 6.0 if source.view == "side" else 3.6
        figure = new_figure(wide + 0.8, 2.0 + _height([shape.outline for shape in shapes], wide, 7.0))
        axes = figure.subplots()
        for shape, colour, stroke, marker in zip(ordered, COLOURS, STROKES, MARKERS, strict=False):
            day = shape.source.day
            x, y = _closed(shape.outline)
            toe = shape.at["T"]
            axes.plot(
                x,
                y,
                color=colour,
                linestyle=stroke,
                marker=marker,
                markevery=[toe],
                markersize=5,
                label="day not given" if day is None else f"day {day:g}",
            )
        if source.view == "side":
            axes.axhline(0.0, color=INK, linewidth=0.8)
            _mm_axes(axes, "mm along the bearing line, from the heel to the toe", "mm above the bearing line")
        else:
            axes.axvline(0.0, color=INK, linewidth=0.8)
            _mm_axes(axes, "mm from the long axis, towards the cleft", "mm along the long axis, from K to the toe")
        known = sum(day is not None for day in days)
        heading = f"{source.name}, {source.view} view" + (f", {known} outlines" if known > 1 else "")
        axes.set_title(plain(heading) + "\n" + _CAUTION, fontsize=8)
        figure.legend(loc="outside lower center", ncols=3, title="The marks are the toe tips.", title_fontsize=8)
        return svg(figure, f"Outlines of {source.name} over time")
