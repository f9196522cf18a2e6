"""Lays two outlines of one claw over one another by what a trim does not touch.

A rigid motion, rotation and shift, without scaling: the scale of each photo is measured, and a scale that was fitted
would hide what came off. Side view: the points C and B and the hairline between them. Sole view: the borders of the
rear half. All in mm, x right and y down as in the outlines; the outline from after is moved onto the one from before.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, replace

import numpy as np
import shapely

from clawvision.measure.curve import arc_positions, chain, resample_closed, resample_open
from clawvision.types import FloatArray

LIMIT_MM = 4.0
"""Residual beyond which two outlines are not laid over one another (status J): C, B and the hairline
of one claw came to 0.7 to 2.5 mm in rendered pairs of photos."""
MOST_NEW_SHARE = 0.12
"""More horn after a trim that was not there before, as a share of the outline, and it is not the same claw seen alike
(status J)."""

_POINTS = 360
_BORDER = 24
_EDGE = 0.08
"""Share of the hairline next to C and to B that is left out: there hair rounds the corner."""
_U_BORDER_MM = 1.2
"""Standard error of a hairline or a border across itself where a record does not tell (status J)."""
_INDEPENDENT = 3.0
"""An outline's errors are long waves: its many points count as so many independent ones (status J)."""
_REAR = 0.5
"""Share of the shorter sole, from the heel, whose borders a trim leaves alone."""
_ROUNDS, _SETTLED = 60, 1e-6
_HUBER = 1.5
_MIRROR_FROM_MM, _MIRROR_BETTER = 1.5, 0.6
"""Where a sole fits no better than this, and its mirror image with this share of the residual or less, it is taken
for a mirrored one (status J). Only for photos of one claw: two tell by the side on which the other lies."""
_OFF_MM = 15.0
"""Landmarks lie no farther off their outline, which hair hides by some mm, and no nearer to one another."""
_LEAST_AREA_MM2, _MOST_MM = 300.0, 2000.0
"""Smaller or farther out, an outline is no claw's."""


@dataclass(frozen=True, slots=True, eq=False)
class Seen:
    """A claw as one photo shows it: closed outline (N, 2) mm, landmarks mm with the standard error of C and B, mm."""

    outline: FloatArray
    marks: Mapping[str, FloatArray]
    u_marks: Mapping[str, float]
    u_outline: float = _U_BORDER_MM
    u_scale_rel: float = 0.0
    partner: FloatArray | None = None
    """The middle of the other claw, where the photo shows it."""


@dataclass(frozen=True, slots=True, eq=False)
class Fit:
    """The motion of the outline from after onto the one from before: ``p ↦ turn @ (p − about) + about + shift``.

    ``covariance`` (3, 3) is of the angle (rad) and the shift (mm). ``rms_mm`` is what is left between the untouched
    parts. ``refusal`` says why the two are not laid over one another, None where they are.
    """

    angle: float
    shift: FloatArray
    about: FloatArray
    covariance: FloatArray
    rms_mm: float
    mirrored: bool = False
    refusal: str | None = None

    def place(self, points: FloatArray) -> FloatArray:
        """Return points (N, 2) of the photo from after in the frame of the one from before."""
        moved: FloatArray = (points - self.about) @ rotation(self.angle).T + self.about + self.shift
        return moved


def rotation(angle: float) -> FloatArray:
    """Return the matrix (2, 2) that turns by ``angle`` from x towards y."""
    cosine, sine = math.cos(angle), math.sin(angle)
    return np.array([[cosine, -sine], [sine, cosine]])


def kabsch(source: FloatArray, target: FloatArray, weights: FloatArray) -> tuple[float, FloatArray]:
    """Return the angle and the shift of the weighted least-squares motion of matched points.

    Parameters
    ----------
    source, target : float64 (N, 2)
        Matched points.
    weights : float64 (N,)
        Of the squared distances.

    Returns
    -------
    angle : float
        From x towards y, about the weighted middle of ``source``.
    shift : float64 (2,)
        From that middle to the one of ``target``.
    """
    share = weights / weights.sum()
    one, other = share @ source, share @ target
    a, b = source - one, target - other
    # In the plane the singular value decomposition comes down to one arc tangent.
    dot = float((share * (a * b).sum(axis=1)).sum())
    cross = float((share * (a[:, 0] * b[:, 1] - a[:, 1] * b[:, 0])).sum())
    return math.atan2(cross, dot), other - one


def register_side(before: Seen, after: Seen) -> Fit:
    """Lay the side view from after onto the one from before by C, B and the hairline between them.

    Returns
    -------
    Fit
        ``rms_mm`` counts C, B and the hairline alike.
    """
    if (problem := _unfit(before, "CB") or _unfit(after, "CB")) is not None:
        return _refused(problem)
    if _handed(before) * _handed(after) < 0:
        return _refused("one of the two photos is mirrored, or they show the claw from opposite sides", mirrored=True)
    old, new = hairline(before.outline, before.marks), hairline(after.outline, after.marks)
    marks = [(name, math.hypot(before.u_marks[name], after.u_marks[name])) for name in "CB"]
    source = np.array([after.marks[name] for name, _ in marks])
    target = np.array([before.marks[name] for name, _ in marks])
    ends = np.vstack((source, resample_open(new, _BORDER)[2:-2]))
    onto = np.vstack((target, resample_open(old, _BORDER)[2:-2]))
    sigma = math.hypot(before.u_outline, after.u_outline) * math.sqrt(_BORDER / _INDEPENDENT)
    weights = np.array([1.0 / u**2 for _, u in marks] + [1.0 / sigma**2] * (len(ends) - 2))
    start = kabsch(ends, onto, weights)
    about = weights @ ends / weights.sum()
    inner = resample_open(new, _BORDER + 1)
    inner = inner[math.ceil(_EDGE * _BORDER) : -math.ceil(_EDGE * _BORDER)]
    return _refined(start, about, inner, old, sigma, source, target, np.array([u for _, u in marks]))


def register_sole(before: Seen, after: Seen) -> Fit:
    """Lay the sole view from after onto the one from before by the borders of its rear half.

    K and the long axis, which a shorter toe moves a little, only say where to begin.
    """
    if (problem := _unfit(before, "KT") or _unfit(after, "KT")) is not None:
        return _refused(problem)
    if before.partner is not None and after.partner is not None and _cleft(before) * _cleft(after) < 0:
        return _refused("one of the two photos is mirrored, or they show feet of opposite sides", mirrored=True)
    straight = _by_rear(before, after)
    if before.partner is None or after.partner is None:
        flipped = _by_rear(before, _flipped(after))
        if straight.rms_mm > _MIRROR_FROM_MM and flipped.rms_mm < _MIRROR_BETTER * straight.rms_mm:
            return _refused("one of the two photos looks mirrored", mirrored=True)
    return straight


def _by_rear(before: Seen, after: Seen) -> Fit:
    axes = [seen.marks["T"] - seen.marks["K"] for seen in (after, before)]
    turn = math.atan2(axes[1][1], axes[1][0]) - math.atan2(axes[0][1], axes[0][0])
    old, new = resample_closed(before.outline, _POINTS), resample_closed(after.outline, _POINTS)
    along = [line @ (axis / np.hypot(*axis)) for line, axis in ((new, axes[0]), (old, axes[1]))]
    length = min(float(np.ptp(each)) for each in along)
    rear = new[along[0] < along[0].min() + _REAR * length]
    about = rear.mean(axis=0)
    # Heels on heels: the rear ends, unlike K, do not move when the toe gets shorter.
    shift = before.marks["K"] - (rotation(turn) @ (after.marks["K"] - about) + about)
    unit = axes[1] / np.hypot(*axes[1])
    heel = float(((rear - about) @ rotation(turn).T @ unit).min() + about @ unit + shift @ unit)
    shift = shift + (float(along[1].min()) - heel) * unit
    sigma = math.hypot(before.u_outline, after.u_outline) * math.sqrt(len(rear) / _INDEPENDENT)
    none = np.zeros((0, 2))
    closed = np.vstack((old, old[:1]))
    return _refined((turn, shift), about, rear, closed, sigma, none, none, np.zeros(0))


def _refined(
    start: tuple[float, FloatArray],
    about: FloatArray,
    border: FloatArray,
    line: FloatArray,
    sigma: float,
    source: FloatArray,
    target: FloatArray,
    u_marks: FloatArray,
) -> Fit:
    """Return the motion by weighted least squares: matched points, and a border on the nearest place of a line.

    Gauss and Newton on the distances across the line, each border point weighted by Huber's function, so that a notch
    or a tuft does not carry the rest along. ``start`` is the angle and shift about ``about``.
    """
    angle, shift = start
    information = np.eye(3)
    across = np.zeros(len(border))
    apart = np.zeros_like(source)
    for _ in range(_ROUNDS):
        turn = rotation(angle)
        moved = (border - about) @ turn.T + about + shift
        nearest, normal = _nearest(line, moved)
        across = ((moved - nearest) * normal).sum(axis=1)
        rows = [_slopes(moved - about - shift, normal)]
        values = [across]
        weights = [np.minimum(1.0, _HUBER * _scale(across) / np.maximum(np.abs(across), 1e-9)) / sigma**2]
        if len(source):
            placed = (source - about) @ turn.T + about + shift
            apart = placed - target
            for axis in (0, 1):
                unit = np.zeros_like(apart)
                unit[:, axis] = 1.0
                rows.append(_slopes(placed - about - shift, unit))
                values.append(apart[:, axis])
                weights.append(1.0 / u_marks**2)
        slopes, residual, weight = np.vstack(rows), np.concatenate(values), np.concatenate(weights)
        information = slopes.T @ (weight[:, None] * slopes)
        step = np.linalg.lstsq(information, -slopes.T @ (weight * residual), rcond=None)[0]
        step[0] = np.clip(step[0], -0.2, 0.2)
        angle, shift = angle + float(step[0]), shift + step[1:]
        if abs(step[0]) * 100.0 + np.abs(step[1:]).max() < _SETTLED:
            break
    parts = [float(np.mean(across**2)), *(float(each @ each) for each in apart)]
    rms = math.sqrt(sum(parts) / len(parts))
    covariance: FloatArray = np.asarray(np.linalg.pinv(information), dtype=np.float64)
    # Where the parts lie farther apart than their stated errors explain, the motion is as much less sure.
    stated = math.sqrt(max(float(np.mean([sigma**2 * _INDEPENDENT / len(border), *u_marks**2])), 1e-12))
    covariance = covariance * max(1.0, (rms / stated) ** 2)
    refusal = None
    if not rms <= LIMIT_MM:
        refusal = f"the two photos do not fit on one another: {rms:.1f} mm; different claw or angle?"
    return Fit((angle + math.pi) % (2 * math.pi) - math.pi, shift, about, covariance, rms, refusal=refusal)


def _scale(residuals: FloatArray) -> float:
    """Return a standard deviation that outliers do not bear on, at least a tenth of a millimetre."""
    return max(1.4826 * float(np.median(np.abs(residuals))), 0.1)


def _slopes(arms: FloatArray, direction: FloatArray) -> FloatArray:
    """Return how a distance along ``direction`` (N, 2) changes with angle and shift, (N, 3)."""
    turned = np.column_stack((-arms[:, 1], arms[:, 0]))
    return np.column_stack(((turned * direction).sum(axis=1), direction))


def _nearest(line: FloatArray, points: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Return for each point (N, 2) the nearest place on an open line and the line's unit normal there."""
    start, along = line[:-1], np.diff(line, axis=0)
    length = np.maximum((along**2).sum(axis=1), 1e-12)
    share = np.clip(((points[:, None] - start) * along).sum(axis=2) / length, 0.0, 1.0)
    places = start + share[:, :, None] * along
    best = np.argmin(((points[:, None] - places) ** 2).sum(axis=2), axis=1)
    chosen = along[best] / np.sqrt(length[best])[:, None]
    return places[np.arange(len(points)), best], np.column_stack((-chosen[:, 1], chosen[:, 0]))


def hairline(outline: FloatArray, marks: Mapping[str, FloatArray]) -> FloatArray:
    """Return the border of a side view's outline between C and B that does not pass the toe, from C to B, (M, 2)."""
    line = resample_closed(outline, _POINTS)
    at = {name: int(np.argmin(np.hypot(*(line - marks[name]).T))) for name in "CBT" if name in marks}
    there, back = chain(line, at["C"], at["B"]), chain(line, at["B"], at["C"])[::-1]
    if "T" in at:
        passes = (at["T"] - at["C"]) % _POINTS <= (at["B"] - at["C"]) % _POINTS
        found = back if passes else there
    else:
        found = min(there, back, key=lambda each: float(arc_positions(each, closed=False)[-1]))
    # A chain of one point has no direction.
    return found if len(found) > 3 else np.array([marks["C"], marks["B"]])


def _handed(seen: Seen) -> float:
    """Return which way round C, T and B lie: the sign tells a photo from its mirror image."""
    if "T" not in seen.marks:
        return 0.0
    one, other = seen.marks["T"] - seen.marks["C"], seen.marks["B"] - seen.marks["C"]
    return float(np.sign(one[0] * other[1] - one[1] * other[0]))


def _cleft(seen: Seen) -> float:
    """Return on which hand of the long axis the other claw lies."""
    assert seen.partner is not None
    axis, arm = seen.marks["T"] - seen.marks["K"], seen.partner - seen.marks["K"]
    return float(np.sign(axis[0] * arm[1] - axis[1] * arm[0]))


def _flipped(seen: Seen) -> Seen:
    mirror = np.array([-1.0, 1.0])
    marks = {name: point * mirror for name, point in seen.marks.items()}
    return replace(seen, outline=seen.outline * mirror, marks=marks)


def _unfit(seen: Seen, names: str) -> str | None:
    """Return why an outline cannot be laid over another, None where it can."""
    outline = seen.outline
    if len(outline) < 8 or not np.isfinite(outline).all() or np.ptp(outline, axis=0).max() > _MOST_MM:
        return "an outline is not one of a claw"
    if shapely.Polygon(outline).buffer(0).area < _LEAST_AREA_MM2:
        return "an outline is not one of a claw"
    missing = [name for name in names if name not in seen.marks]
    if missing:
        return f"the landmark {missing[0]} is not known"
    places = np.array(list(seen.marks.values()))
    low, high = outline.min(axis=0) - _OFF_MM, outline.max(axis=0) + _OFF_MM
    one, other = (seen.marks[name] for name in names)
    if not ((places >= low) & (places <= high)).all() or not np.hypot(*(one - other)) > _OFF_MM:
        return "the landmarks are not those of the outline"
    return None


def _refused(why: str, *, mirrored: bool = False) -> Fit:
    nowhere = np.zeros(2)
    return Fit(0.0, nowhere, nowhere, np.full((3, 3), np.nan), float("nan"), mirrored, why)
