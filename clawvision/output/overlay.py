"""What is drawn on the photo itself: outlines, landmarks, dimension lines and their labels."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from clawvision.output.drawing import DASH_DOT, DOTS, LONG_DASH, SHORT_DASH, SOLID, Canvas, arc
from clawvision.output.labels import Place, Placer
from clawvision.output.style import (
    ANGLE,
    CARD,
    DARK,
    GROUND,
    INK,
    LENGTH,
    OUTER,
    PAPER,
    Colour,
    claw_colour,
    text_width,
)
from clawvision.output.wording import measure_word, spoken, value_text
from clawvision.types import ClawResult, FloatArray, PhotoResult, Reduction

_REFERENCE_WORDS = {"card": "scale card", "id1": "plain card", "ruler": "ruler", "points": "given points"}
_BAR_MM = 50


@dataclass(frozen=True, slots=True)
class Text:
    """A text to be written on the finished lines: its left and the middle of its height."""

    x: float
    y: float
    text: str
    size: int
    colour: Colour
    centred: bool = False


@dataclass(frozen=True, slots=True)
class _Label:
    anchor: FloatArray
    name: str
    value: str
    colour: Colour
    sides: tuple[FloatArray, FloatArray] | None = None
    """Middle of the claw that it belongs to, and of the other one."""


class Overlay:
    """Draws one result on its photo.

    Parameters
    ----------
    canvas : Canvas
        The reduced photo.
    result : PhotoResult
        What was measured, in pixels of the file.
    factor : float
        Size of the canvas's photo divided by that of the decoded one.
    reduction : Reduction
        How the decoded photo lies in the file's picture.
    size : int
        Height of the labels' letters, pixels.
    """

    def __init__(self, canvas: Canvas, result: PhotoResult, factor: float, reduction: Reduction, size: int) -> None:
        self._canvas, self._result, self._size = canvas, result, size
        self._factor, self._reduction = factor, reduction
        self._placer = Placer(canvas.width, canvas.height)
        self._labels: list[_Label] = []
        self.texts: list[Text] = []
        """What ``draw`` leaves to be written."""

    def draw(self) -> None:
        """Draw everything but the letters, which ``texts`` then holds."""
        claws = list(self._result.claws.values())
        outlines = [(claw, outline) for claw in claws if (outline := self._outline(claw)) is not None]
        for _, outline in outlines:
            self._placer.claw(outline)
        self._reference()
        for claw, outline in outlines:
            colour = claw_colour(claw.name)
            strokes = SOLID if colour is OUTER else LONG_DASH
            self._canvas.line(outline, colour, strokes=strokes, closed=True, weight=1.1)
        for claw in claws:
            if self._result.view == "side":
                self._side(claw)
            else:
                self._sole(claw, claws)
        self._foot()
        for claw in claws:
            self._landmarks(claw)
        self._scale_bar()
        self._put_labels()

    # --- from the file's picture to the one drawn on

    def _at(self, points: FloatArray) -> FloatArray:
        # The centre of a pixel is at whole numbers in both pictures.
        decoded = self._reduction.to_photo(np.asarray(points, dtype=np.float64).reshape(-1, 2))
        moved: FloatArray = (decoded + 0.5) * self._factor - 0.5
        return moved

    def _guide(self, guides: Mapping[str, FloatArray], name: str) -> FloatArray | None:
        points = guides.get(name)
        if points is None or len(points) < 2 or not np.isfinite(points).all():
            return None
        return self._at(points)

    def _outline(self, claw: ClawResult) -> FloatArray | None:
        points = claw.outline_px
        if points is None or len(points) < 3 or not np.isfinite(points).all():
            return None
        return self._at(points)

    def _landmark(self, claw: ClawResult, name: str) -> FloatArray | None:
        point = claw.landmarks_px.get(name)
        if point is None or not np.isfinite(point).all():
            return None
        place: FloatArray = self._at(np.array([point]))[0]
        return place

    # --- lines

    def _line(
        self, points: FloatArray, colour: Colour, strokes: tuple[float, ...] = SOLID, weight: float = 1.0
    ) -> None:
        self._canvas.line(points, colour, strokes=strokes, weight=weight)
        self._placer.line(points)

    def _dimension(self, a: FloatArray, b: FloatArray, shift: FloatArray) -> FloatArray:
        """Draw the length a–b as a line moved aside by ``shift``; return the middle of it."""
        begin, end = a + shift, b + shift
        if float(np.hypot(*shift)) > 1.0:
            for near, far in ((a, begin), (b, end)):
                self._canvas.line(np.array([near, far]), LENGTH, weight=0.5)
        self._line(np.array([begin, end]), LENGTH)
        self._canvas.ends(begin, end, LENGTH)
        middle: FloatArray = (begin + end) / 2
        return middle

    def _name(self, claw: ClawResult, name: str, anchor: FloatArray) -> None:
        measure = claw.measures.get(name)
        if measure is None or measure.value is None:
            return
        others = [self._middle(other) for other in self._result.claws.values() if other is not claw]
        own, other = self._middle(claw), others[0] if others else None
        sides = None if own is None or other is None else (own, other)
        words = measure_word(name) if sides is None else f"{claw.name} {measure_word(name)}"
        colour = ANGLE if measure.unit == "deg" else LENGTH
        self._labels.append(_Label(anchor, words, value_text(measure), colour, sides))

    # --- the views

    def _side(self, claw: ClawResult) -> None:
        toe, coronet, bulb = (self._landmark(claw, name) for name in "TCB")
        bearing = self._guide(claw.guides_px, "bearing_line")
        border = self._guide(claw.guides_px, "dorsal_border")
        wall = self._guide(claw.guides_px, "wall_line")
        if border is not None:
            self._canvas.line(border, LENGTH, strokes=DOTS, weight=1.2)
        if wall is not None:
            self._canvas.line(wall, ANGLE, strokes=SHORT_DASH, weight=0.8)
        if toe is None:
            return
        heelwards: FloatArray | None = None
        if bearing is not None:
            heelwards = _unit(bearing[1] - bearing[0])
            behind = bulb if bulb is not None else bearing.mean(axis=0)
            if float((behind - toe) @ heelwards) < 0:
                heelwards = -heelwards
            self._bearing(bearing[0], heelwards, [p for p in (toe, coronet, bulb) if p is not None])
        if coronet is not None:
            self._toe(claw, toe, coronet, heelwards)
        if bulb is not None:
            self._line(np.array([toe, bulb]), LENGTH, LONG_DASH, 0.7)
            self._name(claw, "diagonal", toe + 0.62 * (bulb - toe))
        if bearing is not None and heelwards is not None:
            aside = heelwards * self._canvas.unit * 14
            if bulb is not None and _value(claw, "heel_height") is not None:
                foot = _foot_of(bulb, bearing[0], heelwards)
                self._name(claw, "heel_height", self._dimension(bulb, foot, self._inside(bulb, aside)))
            if coronet is not None and _value(claw, "dorsal_height") is not None:
                foot = _foot_of(coronet, bearing[0], heelwards)
                self._line(np.array([coronet, foot]), LENGTH, SHORT_DASH, 0.7)
                self._name(claw, "dorsal_height", coronet + 0.8 * (foot - coronet))

    def _toe(self, claw: ClawResult, toe: FloatArray, coronet: FloatArray, heelwards: FloatArray | None) -> None:
        """Draw the toe's length, moved off the claw, and the angle at the toe."""
        chord = coronet - toe
        across = _unit(np.array([-chord[1], chord[0]]))
        middle = self._middle(claw)
        if middle is not None and float((middle - toe) @ across) > 0:
            across = -across
        shift = self._inside((toe + coronet) / 2, across * self._canvas.unit * 12)
        self._name(claw, "toe_length", self._dimension(coronet, toe, shift))
        if heelwards is None or _value(claw, "toe_angle") is None:
            return
        radius = 0.36 * float(np.hypot(*chord))
        sweep = arc(toe, heelwards, chord, radius)
        self._canvas.line(np.array([toe, coronet]), ANGLE, weight=0.6)
        self._canvas.line(np.array([toe, toe + heelwards * radius * 1.25]), ANGLE, weight=0.8)
        self._line(sweep, ANGLE, weight=1.3)
        self._name(claw, "toe_angle", sweep[len(sweep) // 3])

    def _bearing(self, start: FloatArray, along: FloatArray, points: list[FloatArray]) -> None:
        reach = [float((point - start) @ along) for point in points]
        spare = self._canvas.unit * 22
        ends = np.array([start + (min(reach) - spare) * along, start + (max(reach) + spare) * along])
        self._line(ends, GROUND, DASH_DOT)

    def _sole(self, claw: ClawResult, claws: list[ClawResult]) -> None:
        axis = self._guide(claw.guides_px, "axis")
        width = self._guide(claw.guides_px, "width")
        midline = self._guide(claw.guides_px, "midline")
        if axis is not None:
            self._line(axis, GROUND, DASH_DOT, 0.8)
            outline = self._outline(claw)
            if outline is not None and _value(claw, "sole_length") is not None:
                self._sole_length(claw, claws, axis, outline)
        if midline is not None:
            self._turn(claw, midline)
        if width is not None:
            self._line(width, LENGTH)
            self._canvas.ends(width[0], width[1], LENGTH)
            self._name(claw, "sole_width", self._abaxial(claw, claws, width))

    def _sole_length(self, claw: ClawResult, claws: list[ClawResult], axis: FloatArray, outline: FloatArray) -> None:
        """Draw the extent along the axis beside the claw, on the side away from its partner."""
        along = _unit(axis[-1] - axis[0])
        across = np.array([-along[1], along[0]])
        partner = [self._middle(other) for other in claws if other is not claw]
        if partner and partner[0] is not None and float((partner[0] - axis[0]) @ across) > 0:
            across = -across
        reach, aside = (outline - axis[0]) @ along, (outline - axis[0]) @ across
        level = float(aside.max()) + self._canvas.unit * 7
        begin, end = (axis[0] + float(r) * along for r in (reach.min(), reach.max()))
        middle = self._dimension(begin, end, self._inside((begin + end) / 2, across * level))
        self._name(claw, "sole_length", middle + (end - begin) * 0.25)

    def _turn(self, claw: ClawResult, midline: FloatArray) -> None:
        """Draw the midline, and the two lines whose angle is the turn of the toe."""
        self._canvas.line(midline, ANGLE, strokes=DOTS, weight=1.2)
        if len(midline) < 8 or _value(claw, "axial_twist") is None:
            return
        # The midline runs from 10 to 90 % of the length; the two fits are of 10–50 % and 60–90 %.
        heel = _fit(midline[: round((len(midline) - 1) * 0.5) + 1])
        toe = _fit(midline[round((len(midline) - 1) * 0.625) :])
        long = float(np.hypot(*(midline[-1] - midline[0])))
        self._canvas.line(np.array([heel[0], heel[1] + _unit(heel[1] - heel[0]) * long * 0.6]), ANGLE, weight=0.7)
        end = toe[1] + _unit(toe[1] - toe[0]) * long * 0.22
        self._line(np.array([toe[0], end]), ANGLE, weight=1.3)
        self._name(claw, "axial_twist", toe.mean(axis=0))

    def _foot(self) -> None:
        for name, strokes in (("cleft", DASH_DOT), ("foot_axis", DOTS)):
            guide = self._guide(self._result.foot_guides_px, name)
            if guide is not None:
                self._line(guide, GROUND, strokes)
        toes = [toe for toe in (self._landmark(c, "T") for c in self._result.claws.values()) if toe is not None]
        difference = self._result.foot_measures.get("length_difference")
        if len(toes) == 2 and difference is not None and difference.value is not None:
            self._labels.append(_Label((toes[0] + toes[1]) / 2, *spoken("length_difference", difference), LENGTH))

    # --- what stands beside the lines

    def _reference(self) -> None:
        scale = self._result.scale
        if scale is None:
            return
        outline = self._at(scale.reference.outline_px)
        self._canvas.line(outline, CARD, strokes=SHORT_DASH, closed=True, weight=1.2)
        self._placer.area(outline)
        corner = outline[int(np.argmax(outline[:, 1]))]
        tilt = f"tilt {scale.tilt_deg:.0f}°"
        self._labels.append(_Label(corner, _REFERENCE_WORDS[scale.reference.kind], tilt, CARD))

    def _landmarks(self, claw: ClawResult) -> None:
        middle = self._middle(claw)
        radius = self._size * 0.56
        for name in claw.landmarks_px:
            point = self._landmark(claw, name)
            if point is None:
                continue
            away = np.array([0.0, -1.0]) if middle is None else _unit(point - middle)
            centre = self._placer.spot(point, away, radius * 1.9, radius)
            self._canvas.line(np.array([point, centre]), PAPER, weight=0.5)
            self._canvas.disc(point, self._canvas.unit * 1.3, PAPER, DARK)
            self._canvas.disc(centre, radius, claw_colour(claw.name), DARK)
            self.texts.append(Text(float(centre[0]), float(centre[1]), name[:2], round(radius * 1.4), INK, True))

    def _scale_bar(self) -> None:
        size = self._result.mm_per_px
        if size is None or not size > 0:
            return
        length = _BAR_MM / (size * self._reduction.by) * self._factor
        text = f"{_BAR_MM} mm at the claw"
        letters = round(self._size * 0.8)
        width = round(max(length, text_width(text, letters)) + self._size)
        corner = np.array([0.0, float(self._canvas.height)])
        place = self._placer.place(corner, width, round(letters * 2.5), leader=False)
        if place is None or not 8.0 < length < self._canvas.width * 0.9:
            return
        left, top, _, bottom = place.box
        self._canvas.plate(place.box, DARK)
        x, y = left + self._size / 2, bottom - letters * 0.65
        self._canvas.bar(x, y, length, letters * 0.3)
        self.texts.append(Text(x, top + letters * 0.85, text, letters, PAPER))

    def _put_labels(self) -> None:
        """Place all labels, then draw leaders, then plates: no leader crosses a text."""
        small, pad = round(self._size * 0.74), round(self._size * 0.3)
        edge = np.array([self._canvas.width - 1.0, self._canvas.height - 1.0])
        placed: list[tuple[_Label, FloatArray, Place]] = []
        for label in self._labels:
            longest = max(text_width(label.name, small), text_width(label.value, self._size))
            anchor = np.clip(label.anchor, 0.0, edge)
            place = self._placer.place(anchor, round(longest) + 3 * pad, round(self._size * 2.15), sides=label.sides)
            if place is not None:
                placed.append((label, anchor, place))
        for label, anchor, place in placed:
            self._canvas.line(np.array([anchor, place.leader_end]), label.colour, weight=0.5)
            self._canvas.disc(anchor, self._canvas.unit * 1.1, label.colour, DARK)
        for label, _, place in placed:
            self._canvas.plate(place.box, label.colour)
            left, top = place.box[0] + 2 * pad, place.box[1]
            self.texts.append(Text(left, top + self._size * 0.58, label.name, small, PAPER))
            self.texts.append(Text(left, top + self._size * 1.48, label.value, self._size, PAPER))

    # --- small geometry

    def _middle(self, claw: ClawResult) -> FloatArray | None:
        points = self._outline(claw)
        if points is None:
            places = [self._landmark(claw, name) for name in claw.landmarks_px]
            known = [place for place in places if place is not None]
            if not known:
                return None
            points = np.array(known)
        middle: FloatArray = (points.min(axis=0) + points.max(axis=0)) / 2
        return middle

    def _inside(self, point: FloatArray, shift: FloatArray) -> FloatArray:
        """Return ``shift``, or nothing where it would lead out of the picture."""
        x, y = point + shift
        inside = 0 <= x < self._canvas.width and 0 <= y < self._canvas.height
        return shift if inside else np.zeros(2)

    def _abaxial(self, claw: ClawResult, claws: list[ClawResult], ends: FloatArray) -> FloatArray:
        """Return the end of a cross-section that is farther from the other claw."""
        partner = [self._middle(other) for other in claws if other is not claw]
        if not partner or partner[0] is None:
            either: FloatArray = ends[0]
            return either
        away = np.hypot(*(ends - partner[0]).T)
        farther: FloatArray = ends[int(np.argmax(away))]
        return farther


def _value(claw: ClawResult, name: str) -> float | None:
    measure = claw.measures.get(name)
    return None if measure is None else measure.value


def _unit(vector: FloatArray) -> FloatArray:
    size = float(np.hypot(*vector))
    direction: FloatArray = np.array([1.0, 0.0]) if size < 1e-9 else vector / size
    return direction


def _foot_of(point: FloatArray, start: FloatArray, along: FloatArray) -> FloatArray:
    """Return the foot of the perpendicular from ``point`` on the line, as it shows in the picture."""
    foot: FloatArray = start + float((point - start) @ along) * along
    return foot


def _fit(points: FloatArray) -> FloatArray:
    """Return the ends of the least-squares line through ``points``, in their order, (2, 2)."""
    middle = points.mean(axis=0)
    direction = np.linalg.svd(points - middle, full_matrices=False)[2][0]
    if float((points[-1] - points[0]) @ direction) < 0:
        direction = -direction
    reach = (points - middle) @ direction
    ends: FloatArray = middle + np.array([[reach.min()], [reach.max()]]) * direction
    return ends
