"""The difference of values from several photos, with an uncertainty that knows which errors they share.

Every measure carries signed contributions by cause. A cause that two photos share moves both values at once, and by
how much it cancels is its correlation (JCGM 100:2008, 5.2.2, eq. 13, with the contributions in place of
sensitivity times standard uncertainty).
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

from clawvision.measure.budget import COVERAGE_FACTOR
from clawvision.output.models import MeasureRecord, PhotoRecord

Shared = Literal["camera", "reference", "claw", "never"]


@dataclass(frozen=True, slots=True)
class Correlation:
    """How far two photos' errors of one cause go together. ``causes`` are beginnings of names."""

    causes: tuple[str, ...]
    value: float
    where: Shared
    basis: str


_J = "this project's judgement"
CORRELATIONS: tuple[Correlation, ...] = (
    Correlation(("focal_length",), 1.0, "camera", f"{_J}: one camera at one focal length is wrong by the same"),
    Correlation(("reference_size",), 1.0, "reference", f"{_J}: the same card, or cards of one print"),
    Correlation(("build_",), 1.0, "claw", f"{_J}: a claw keeps its build through a trim"),
    Correlation(("model",), 0.5, "claw", f"{_J}: half of what the model leaves belongs to the claw, half to the view"),
    Correlation(("hair_learned",), 0.5, "claw", f"{_J}: the same hair, parted anew"),
    Correlation(
        ("reference_pose_", "plane_", "outline_", "landmark_", "look"), 0.0, "never", f"{_J}: made anew in each photo"
    ),
)
"""A cause that is not listed counts as independent. All of status J."""


@dataclass(frozen=True, slots=True)
class Source:
    """What decides which errors two photos share: which photo it is, its camera and its reference."""

    photo: str
    camera: tuple[object, ...] | None
    reference: tuple[object, ...] | None


@dataclass(frozen=True, slots=True)
class Term:
    """A measured value with its weight in a sum; ``claw`` tells whose own causes it carries."""

    weight: float
    value: float
    uncertainty: float
    budget: tuple[tuple[str, float], ...]
    source: Source


@dataclass(frozen=True, slots=True)
class Change:
    """A sum of values with its expanded uncertainty (k = 2), and the causes that partly cancel in it."""

    value: float
    uncertainty: float
    cancelled: tuple[str, ...]

    @property
    def sign(self) -> int:
        """Return 1 or -1 where the value is beyond its uncertainty, else 0."""
        if abs(self.value) <= self.uncertainty:
            return 0
        return 1 if self.value > 0 else -1


def at_least(change: Change, smallest: float | None) -> Change:
    """Return the change with no smaller an uncertainty than what repeated photos differ by, where that is known."""
    if smallest is None or smallest <= change.uncertainty:
        return change
    return Change(change.value, smallest, change.cancelled)


def source_of(photo: PhotoRecord, print_scale: float) -> Source:
    """Return what a photo's errors come from.

    Two photos count as of one camera where maker or model is known and these, the source of the focal length, its
    size and that of the picture agree; as of one reference where its kind, the doubt of its size and the print scale
    agree. Two given points are of one reference never: each distance was measured by itself.
    """
    scale, exif = photo.scale, photo.exif
    if scale is None:
        return Source(photo.photo, None, None)
    camera: tuple[object, ...] | None = None
    if exif is not None and (exif.make or exif.model) and photo.width and photo.height:
        size = tuple(sorted((photo.width, photo.height)))
        relative = round(scale.focal_px / math.hypot(*size), 3)
        camera = (exif.make, exif.model, scale.focal_source, relative, scale.u_focal_rel, size)
    reference: tuple[object, ...] | None = None
    if scale.reference != "points":
        reference = (scale.reference, scale.u_size_rel, print_scale)
    return Source(photo.photo, camera, reference)


def term(weight: float, measure: MeasureRecord | None, source: Source) -> Term | None:
    """Return a measure as a term, None where it was not taken."""
    if measure is None or measure.value is None or measure.uncertainty is None:
        return None
    return Term(weight, measure.value, measure.uncertainty, tuple(measure.budget.items()), source)


def correlation(cause: str, one: Source, other: Source) -> float:
    """Return how far the errors of one cause in two photos go together.

    ``cause`` is the name in both budgets. Names of causes that belong to a claw end in the claw, so that those of
    different claws never meet here; photos are of one animal and foot.
    """
    if one.photo == other.photo:
        return 1.0
    row = next((each for each in CORRELATIONS if cause.startswith(each.causes)), None)
    if row is None:
        return 0.0
    if row.where == "camera":
        return row.value if one.camera is not None and one.camera == other.camera else 0.0
    if row.where == "reference":
        return row.value if one.reference is not None and one.reference == other.reference else 0.0
    return row.value


def combined(terms: Sequence[Term], without: tuple[str, ...] = ()) -> Change:
    """Return the weighted sum of values from one or several photos of one foot.

    Parameters
    ----------
    terms
        Values with their weights, all of one unit.
    without
        Beginnings of causes that are left out.

    Returns
    -------
    Change
        Contributions too small to be listed in a budget count as independent.
    """
    by_cause: dict[str, list[tuple[float, Source]]] = {}
    variance = 0.0
    for each in terms:
        listed = 0.0
        for cause, part in each.budget:
            listed += part**2
            if not without or not cause.startswith(without):
                by_cause.setdefault(cause, []).append((each.weight * part, each.source))
        rest = max((each.uncertainty / COVERAGE_FACTOR) ** 2 - listed, 0.0)
        variance += each.weight**2 * rest
    cancelled = []
    for cause, parts in by_cause.items():
        own = sum(part**2 for part, _ in parts)
        crossed = 0.0
        for index, (part, source) in enumerate(parts):
            for other, other_source in parts[:index]:
                crossed += 2.0 * part * other * correlation(cause, source, other_source)
        if crossed < -0.1 * own:
            cancelled.append(cause)
        variance += max(own + crossed, 0.0)
    value = sum(each.weight * each.value for each in terms)
    return Change(value, COVERAGE_FACTOR * math.sqrt(variance), tuple(cancelled))


def difference(before: MeasureRecord | None, after: MeasureRecord | None, then: Source, now: Source) -> Change | None:
    """Return after less before, None where either was not taken."""
    terms = [term(-1.0, before, then), term(1.0, after, now)]
    known = [each for each in terms if each is not None]
    return combined(known) if len(known) == len(terms) else None
