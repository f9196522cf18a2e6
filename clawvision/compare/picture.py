"""One picture a pair: both outlines over one another in millimetres, what came off, and both photos beside it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from io import BytesIO

import cv2
import numpy as np
import shapely
from PIL import Image, ImageDraw

from clawvision.compare.models import ComparedFootRecord, PairRecord
from clawvision.compare.overlay import below_hairline, polygon
from clawvision.compare.register import hairline
from clawvision.compare.wording import QUESTIONS_OF, change_text, horn_text, title_of
from clawvision.measure.side import find_bearing
from clawvision.output.drawing import SHORT_DASH, Canvas, arc
from clawvision.output.labels import Placer
from clawvision.output.models import ClawRecord
from clawvision.output.panel import Panel
from clawvision.output.style import (
    ANGLE,
    DARK,
    FAINT,
    GROUND,
    INK,
    LENGTH,
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
from clawvision.output.wording import CAUTION, clean, measure_word
from clawvision.types import FloatArray, Photo

WIDTH = 1600
_SIZE = 27
_PHOTOS = 470
"""Width of the column of photos, where there are any."""
_MOST_HIGH = 900
_ROOM_MM = 24.0
_GRID_MM = 10.0
_HATCH_MM = 2.2
_LEAST_MM = 0.9
"""Half the width of what is hatched at least: thinner strips are the outlines' own doubt."""
_SHOWN = {"side": ("toe_length", "toe_angle", "heel_height"), "sole": ("sole_length", "sole_width")}
_TABLE = {
    "side": (
        "toe_length",
        "toe_angle",
        "heel_height",
        "dorsal_height",
        "bearing_length",
        "diagonal",
        "dorsal_concavity",
    ),
    "sole": ("sole_length", "sole_width", "sole_area", "axial_twist", "helical_twist"),
}
_HORN: Colour = (233, 222, 196)
_STRONG_RULE: Colour = (172, 176, 180)


@dataclass(frozen=True, slots=True, eq=False)
class Shown:
    """One of the two photos: its pixels, where they are at hand, and the claw as it was found in it."""

    photo: Photo | None
    claw: ClawRecord
    words: str


def pair_picture(foot: ComparedFootRecord, pair: PairRecord, shown: tuple[Shown, Shown]) -> Image.Image:
    """Return the picture of a pair that shows one claw.

    Parameters
    ----------
    foot, pair
        What was found.
    shown
        The photo from before, and the one from after.

    Returns
    -------
    PIL.Image.Image
        RGB, without any metadata.
    """
    head = _head(foot, pair)
    photos = [_crop(each, str(pair.claw)) for each in shown if each.photo is not None]
    column = _column(photos) if photos else None
    room = (WIDTH, 0) if column is None else (WIDTH - _PHOTOS, column.height)
    drawing = _drawing(pair, *room) if pair.outline_before_mm else None
    middle_height = max(0 if drawing is None else drawing.height, 0 if column is None else column.height)
    below = _below(foot, pair)
    top = sum(panel.height for panel in head)
    picture = Image.new("RGB", (WIDTH, top + middle_height + sum(panel.height for panel in below)), PAPER)
    pen = ImageDraw.Draw(picture)
    at = 0
    for panel in head:
        panel.draw(pen, at)
        at += panel.height
    if drawing is not None:
        picture.paste(drawing, (0, at))
    if column is not None:
        picture.paste(column, (WIDTH - _PHOTOS, at))
    at += middle_height
    for panel in below:
        panel.draw(pen, at)
        at += panel.height
    return picture


def picture_bytes(foot: ComparedFootRecord, pair: PairRecord, shown: tuple[Shown, Shown]) -> bytes:
    """Return the picture of a pair as PNG, without any metadata."""
    buffer = BytesIO()
    pair_picture(foot, pair, shown).save(buffer, "PNG", optimize=True)
    return buffer.getvalue()


# --- strips above and below


def _head(foot: ComparedFootRecord, pair: PairRecord) -> list[Panel]:
    refused = pair.fit is not None and not pair.fit.overlaid
    status = "review" if refused or pair.look_first else "measured"
    bar = Panel(WIDTH, _SIZE, STATUS_COLOURS[status])
    bar.gap(0.4)
    bar.paragraph("BEFORE AND AFTER THE TRIM", STATUS_INK[status], 1.25, most=1)
    bar.paragraph(clean(title_of(foot, pair), 200), STATUS_INK[status], most=2)
    bar.gap(0.4)
    panels = [bar]
    notes = Panel(WIDTH, _SIZE)
    notes.gap(0.3)
    if refused and pair.fit is not None and pair.fit.reason:
        notes.paragraph(clean(f"Not laid over one another: {pair.fit.reason}.", 300), INK, 1.0)
    if pair.look_first:
        names = ", ".join(clean(each, 60) for each in pair.look_first)
        notes.paragraph(f"Look at the photo first, it may be wrong: {names}.", INK, 1.0)
    if len(notes.texts):
        notes.gap(0.3)
        panels.append(notes)
    return panels


def _below(foot: ComparedFootRecord, pair: PairRecord) -> list[Panel]:
    panels: list[Panel] = []
    if pair.outline_before_mm:
        panels.append(_legend(pair))
    said = Panel(WIDTH, _SIZE)
    said.gap(0.4)
    for text in (off_text for off_text in (horn_text(pair),) if off_text):
        said.paragraph(text, INK, 1.0, most=3)
    asked = QUESTIONS_OF.get(pair.view, ())
    for verdict in foot.verdicts:
        if verdict.question in asked and verdict.claw in (pair.claw, None):
            said.paragraph(f"·  {clean(verdict.text, 240)}", INK, 0.92, most=2)
    said.gap(0.3)
    panels.append(said)
    panels.append(_table(pair))
    caution = Panel(WIDTH, _SIZE, DARK)
    caution.gap(0.4)
    for text in foot.trim if foot.veterinarian else ():
        caution.paragraph(clean(text, 400), PAPER, 0.85)
    caution.paragraph(CAUTION, PAPER, 0.85)
    caution.gap(0.4)
    panels.append(caution)
    return panels


def _table(pair: PairRecord) -> Panel:
    panel = Panel(WIDTH, _SIZE)
    panel.gap(0.2)
    lefts = (panel.margin, WIDTH * 0.20, WIDTH * 0.41, WIDTH * 0.63)
    rows: list[tuple[str, ...]] = [("", "before", "after", "change")]
    known = {each.measure: each for each in pair.changes}
    rows += [(measure_word(name), *change_text(known[name])) for name in _TABLE.get(pair.view, ()) if name in known]
    height = round(_SIZE * 1.36)
    for index, row in enumerate(rows):
        if index:
            panel.boxes.append(((panel.margin, panel.height, WIDTH - panel.margin, panel.height + 1), RULE))
        for column, (left, text) in enumerate(zip(lefts, row, strict=True)):
            colour = FAINT if index == 0 or column == 0 else INK
            panel.texts.append((left, panel.height + height / 2, text, _SIZE, colour))
        panel.height += height
    panel.gap(0.5)
    return panel


def _legend(pair: PairRecord) -> Panel:
    """Return the strip that says what the lines are; the samples are drawn by `_samples`."""
    panel = Panel(WIDTH, _SIZE)
    panel.gap(0.35)
    letters, left = round(_SIZE * 0.85), float(panel.margin)
    middle = panel.height + letters * 0.7
    words = [("before", "before"), ("after", "after"), ("off", "came off")]
    words += [("coronet", "hairline, the same in both")] if pair.view == "side" else []
    for kind, text in words:
        left += _sample(panel, kind, left, middle, str(pair.claw))
        panel.texts.append((left, middle, text, letters, INK))
        left += text_width(text, letters) + _SIZE * 1.2
    fit = pair.fit
    if fit is not None and fit.rms_mm is not None:
        text = f"grid 10 mm · fits to {fit.rms_mm:.1f} mm"
        panel.texts.append((left, middle, text, letters, FAINT))
    panel.height += round(letters * 1.5)
    return panel


def _sample(panel: Panel, kind: str, left: float, middle: float, claw: str) -> float:
    """Draw a sample of a line or a hatching of boxes; return the room it takes."""
    wide, half = _SIZE * 2.2, _SIZE * 0.13
    colours = {"before": PAPER, "after": claw_colour(claw), "coronet": GROUND}
    if kind == "off":
        panel.boxes.append(((left, middle - half * 3.4, left + wide, middle + half * 3.4), (252, 226, 211)))
        for step in range(1, 8):
            x = left + wide * step / 8
            panel.boxes.append(((x - 1, middle - half * 3.4, x + 1, middle + half * 3.4), ANGLE))
    else:
        spans = ((0.0, 0.26), (0.37, 0.63), (0.74, 1.0)) if kind == "before" else ((0.0, 1.0),)
        for begin, end in spans:
            box = (left + begin * wide, middle - half, left + end * wide, middle + half)
            panel.boxes.append(((box[0] - 2, box[1] - 2, box[2] + 2, box[3] + 2), DARK))
            panel.boxes.append((box, colours[kind]))
    return wide + _SIZE * 0.5


# --- the drawing


@dataclass(frozen=True, slots=True, eq=False)
class _Frame:
    """From the common frame of a pair, mm, to pixels of the drawing."""

    turn: FloatArray
    origin: FloatArray
    px_per_mm: float
    width: int
    height: int

    def at(self, points: FloatArray) -> FloatArray:
        placed: FloatArray = (np.atleast_2d(points) @ self.turn.T - self.origin) * self.px_per_mm
        return placed


def _drawing(pair: PairRecord, width: int, least_high: int) -> Image.Image:
    before, after = np.array(pair.outline_before_mm), np.array(pair.outline_after_mm)
    old = {name: np.array(place) for name, place in pair.landmarks_before_mm.items()}
    new = {name: np.array(place) for name, place in pair.landmarks_after_mm.items()}
    frame = _frame(pair.view, before, after, new, (width, least_high))
    canvas = Canvas(np.full((frame.height, frame.width, 3), PAPER, dtype=np.uint8), 3.0)
    _grid(canvas, frame)
    _fill(canvas, frame.at(after), _HORN)
    off = polygon(before).difference(polygon(after))
    if pair.view == "side":
        off = off.intersection(below_hairline(before, old, after, new))
    _hatch(canvas, frame, off.buffer(-_LEAST_MM).buffer(_LEAST_MM))
    canvas.line(frame.at(before), PAPER, strokes=SHORT_DASH, closed=True, weight=1.1)
    canvas.line(frame.at(after), claw_colour(str(pair.claw)), closed=True, weight=1.5)
    if pair.view == "side":
        canvas.line(frame.at(hairline(after, new)), GROUND, weight=1.3)
    placer = Placer(frame.width, frame.height)
    for line in (before, after):
        placer.claw(frame.at(line))
    texts = _measures(pair, canvas, frame, placer, old, new)
    texts += _letters(pair, canvas, frame, placer, old, new)
    picture = Image.fromarray(canvas.pixels)
    pen = ImageDraw.Draw(picture)
    for x, y, text, size, colour, anchor in texts:
        pen.text((x, y), text, font=font(size), fill=colour, anchor=anchor)
    return picture


_Text = tuple[float, float, str, int, Colour, str]


def _frame(
    view: str, before: FloatArray, after: FloatArray, marks: dict[str, FloatArray], room: tuple[int, int]
) -> _Frame:
    """Turn a side view so that the claw from after stands on level ground, a sole so that its toe points up."""
    if view == "side":
        bearing = find_bearing(after, marks["T"], marks["C"], marks["B"])
        up = bearing.upward if bearing is not None else np.array([0.0, -1.0])
    else:
        up = marks["T"] - marks["K"]
    up = up / np.hypot(*up)
    # A turn, never a mirror image: the row for x is the one at right angles to up that keeps the hand.
    turn = np.array([[-up[1], up[0]], [-up[0], -up[1]]])
    both = np.vstack((before, after)) @ turn.T
    low, high = both.min(axis=0) - _ROOM_MM, both.max(axis=0) + _ROOM_MM
    width, least_high = room
    px_per_mm = min(width / (high[0] - low[0]), max(_MOST_HIGH, least_high) / (high[1] - low[1]))
    height = max(round(float((high[1] - low[1]) * px_per_mm)), least_high)
    spare = np.array([width, height]) / px_per_mm - (high - low)
    return _Frame(turn, low - spare / 2.0, float(px_per_mm), width, height)


def _grid(canvas: Canvas, frame: _Frame) -> None:
    for axis, length in ((0, frame.width), (1, frame.height)):
        first = float(np.ceil(frame.origin[axis] / _GRID_MM)) * _GRID_MM
        for value in np.arange(first, frame.origin[axis] + length / frame.px_per_mm, _GRID_MM):
            at = round(float((value - frame.origin[axis]) * frame.px_per_mm))
            strong = round(float(value)) % 50 == 0
            ends = ((at, 0), (at, frame.height)) if axis == 0 else ((0, at), (frame.width, at))
            cv2.line(canvas.pixels, ends[0], ends[1], _STRONG_RULE if strong else RULE, 2 if strong else 1)


def _fill(canvas: Canvas, points: FloatArray, colour: Colour) -> None:
    layer = canvas.pixels.copy()
    cv2.fillPoly(layer, [np.rint(points).astype(np.int32)], colour, cv2.LINE_AA)
    # The grid stays to be seen through it.
    cv2.addWeighted(layer, 0.72, canvas.pixels, 0.28, 0.0, dst=canvas.pixels)


def _hatch(canvas: Canvas, frame: _Frame, shape: shapely.Geometry) -> None:
    parts = [part for part in shapely.get_parts(shape) if part.geom_type == "Polygon" and part.area > 1.0]
    for part in parts:
        ring = frame.at(np.asarray(part.exterior.coords))
        _fill(canvas, ring, (250, 214, 192))
        flat = shapely.Polygon(ring).buffer(0)
        left, top, right, bottom = flat.bounds
        step = _HATCH_MM * frame.px_per_mm
        for start in np.arange(left - (bottom - top), right, step):
            line = shapely.LineString([(start, bottom), (start + bottom - top, top)])
            for piece in shapely.get_parts(flat.intersection(line)):
                if piece.geom_type == "LineString":
                    ends = np.rint(np.asarray(piece.coords) * 16).astype(np.int32)
                    cv2.polylines(canvas.pixels, [ends], False, ANGLE, 2, cv2.LINE_AA, 4)


def _measures(
    pair: PairRecord,
    canvas: Canvas,
    frame: _Frame,
    placer: Placer,
    old: dict[str, FloatArray],
    new: dict[str, FloatArray],
) -> list[_Text]:
    """Draw the lines that the labels speak of, and put the labels."""
    known = {each.measure: each for each in pair.changes}
    anchors: dict[str, FloatArray] = {}
    after = np.array(pair.outline_after_mm)
    if pair.view == "side":
        bearing = find_bearing(after, new["T"], new["C"], new["B"])
        coronet, toe = frame.at(new["C"])[0], frame.at(new["T"])[0]
        canvas.line(np.array([coronet, toe]), LENGTH, weight=0.8)
        anchors["toe_length"] = (coronet + toe) / 2.0
        if bearing is not None:
            level = frame.at(np.array([bearing.point, bearing.point + bearing.forward]))
            along = (level[1] - level[0]) / np.hypot(*(level[1] - level[0]))
            heelwards = -along
            canvas.line(np.array([toe, toe + heelwards * 34 * frame.px_per_mm]), ANGLE, weight=0.8)
            sweep = arc(toe, heelwards, coronet - toe, 22 * frame.px_per_mm)
            canvas.line(sweep, ANGLE, weight=1.1)
            anchors["toe_angle"] = sweep[len(sweep) // 2]
            bulb = frame.at(new["B"])[0]
            foot = level[0] + float((bulb - level[0]) @ along) * along
            canvas.line(np.array([bulb, foot]), LENGTH, weight=0.8)
            canvas.ends(bulb, foot, LENGTH)
            anchors["heel_height"] = (bulb + foot) / 2.0
    else:
        heel, toe = frame.at(after)[:, 1].max(), frame.at(after)[:, 1].min()
        middle = float(frame.at(new["K"])[0][0])
        ends = np.array([(middle, heel), (middle, toe)])
        canvas.line(ends, LENGTH, weight=0.8)
        canvas.ends(ends[0], ends[1], LENGTH)
        anchors["sole_length"] = ends.mean(axis=0)
        points = frame.at(after)
        widest = points[int(np.argmax(points[:, 0]))]
        anchors["sole_width"] = widest
    texts: list[_Text] = []
    placed = []
    for name in _SHOWN[pair.view]:
        if name not in anchors or name not in known:
            continue
        words, then, now, change = measure_word(name), *change_text(known[name])
        lines = (words, f"{then} → {now}", change)
        small = round(_SIZE * 0.78)
        wide = round(max(text_width(lines[0], small), *(text_width(each, _SIZE) for each in lines[1:]))) + 24
        place = placer.place(anchors[name], wide, round(_SIZE * 3.5))
        if place is not None:
            placed.append((name, anchors[name], place, lines, small))
    for name, anchor, place, _, _ in placed:
        colour = ANGLE if name.endswith("angle") else LENGTH
        canvas.line(np.array([anchor, place.leader_end]), colour, weight=0.5)
        canvas.disc(anchor, 4.0, colour, DARK)
    for name, _, place, lines, small in placed:
        canvas.plate(place.box, ANGLE if name.endswith("angle") else LENGTH)
        x, y = place.box[0] + 14, place.box[1]
        texts.append((x, y + _SIZE * 0.6, lines[0], small, PAPER, "lm"))
        texts.append((x, y + _SIZE * 1.65, lines[1], _SIZE, PAPER, "lm"))
        texts.append((x, y + _SIZE * 2.75, lines[2], _SIZE, PAPER, "lm"))
    return texts


def _letters(
    pair: PairRecord,
    canvas: Canvas,
    frame: _Frame,
    placer: Placer,
    old: dict[str, FloatArray],
    new: dict[str, FloatArray],
) -> list[_Text]:
    texts: list[_Text] = []
    middle = frame.at(np.array(pair.outline_before_mm)).mean(axis=0)
    radius = _SIZE * 0.56
    both = [("T", old, PAPER), *((name, new, claw_colour(str(pair.claw))) for name in ("C", "T", "B") if name in new)]
    for name, marks, colour in both:
        if name not in marks:
            continue
        point = frame.at(marks[name])[0]
        away = (point - middle) / max(float(np.hypot(*(point - middle))), 1.0)
        centre = placer.spot(point, away, radius * 2.0, radius)
        canvas.line(np.array([point, centre]), PAPER, weight=0.5)
        canvas.disc(point, 4.0, PAPER, DARK)
        canvas.disc(centre, radius, colour, DARK)
        texts.append((float(centre[0]), float(centre[1]), name, round(radius * 1.4), INK, "mm"))
    return texts


# --- the photos


def _crop(shown: Shown, claw: str) -> Image.Image:
    """Return the part of a photo that shows the claw, with its outline and landmarks drawn in."""
    assert shown.photo is not None  # looked at by the caller
    pixels = shown.photo.pixels
    wide, high = _PHOTOS - 24, 380
    outline = np.array(shown.claw.outline_px or [(0.0, 0.0), (shown.photo.width - 1.0, shown.photo.height - 1.0)])
    low, top = outline.min(axis=0), outline.max(axis=0)
    half = np.maximum(top - low, 20.0) * 0.72
    middle = (low + top) / 2.0
    # As wide as the column allows for its height.
    half = np.array([max(half[0], half[1] * wide / high), max(half[1], half[0] * high / wide)])
    first = np.clip(np.floor(middle - half), 0, [shown.photo.width - 2, shown.photo.height - 2]).astype(int)
    last = np.clip(np.ceil(middle + half), first + 2, [shown.photo.width, shown.photo.height]).astype(int)
    part = pixels[first[1] : last[1], first[0] : last[0]]
    factor = min(wide / part.shape[1], high / part.shape[0])
    size = (max(1, round(part.shape[1] * factor)), max(1, round(part.shape[0] * factor)))
    way = cv2.INTER_AREA if factor < 1 else cv2.INTER_LINEAR
    canvas = Canvas(np.ascontiguousarray(cv2.resize(part, size, interpolation=way), dtype=np.uint8), 1.6)
    at = (outline - first + 0.5) * factor - 0.5
    if shown.claw.outline_px:
        canvas.line(at, claw_colour(claw), closed=True, weight=1.2)
    for place in shown.claw.landmarks_px.values():
        canvas.disc((np.array(place) - first + 0.5) * factor - 0.5, 3.0, PAPER, DARK)
    image = Image.fromarray(canvas.pixels)
    letters = round(_SIZE * 0.8)
    framed = Image.new("RGB", (_PHOTOS, image.height + round(letters * 1.8)), PAPER)
    words = lines_of(clean(shown.words, 60), letters, wide, 1)[0]
    ImageDraw.Draw(framed).text((12, letters * 0.9), words, font=font(letters), fill=INK, anchor="lm")
    framed.paste(image, ((_PHOTOS - image.width) // 2, round(letters * 1.8)))
    return framed


def _column(photos: Sequence[Image.Image]) -> Image.Image:
    column = Image.new("RGB", (_PHOTOS, sum(each.height for each in photos) + 12), PAPER)
    at = 6
    for each in photos:
        column.paste(each, (0, at))
        at += each.height
    return column
