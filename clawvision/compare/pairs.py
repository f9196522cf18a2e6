"""Which photos belong together: the same claw in the same view, before and after one trim."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import date
from itertools import product

from clawvision.findings.after import SAME_TRIM_DAYS
from clawvision.output.models import PhotoRecord
from clawvision.types import ClawName, Foot, View

MOST_DAYS = SAME_TRIM_DAYS
"""A photo from before and one from after show one trim if they are no farther apart (status J)."""
_SUREST_BY = {"side": "toe_length", "sole": "sole_length", "front": "roll", "rear": "sole_tilt"}
_NAMED: tuple[ClawName, ...] = ("outer", "inner")


@dataclass(frozen=True, slots=True)
class Shot:
    """A photo with what pairing needs to know of it. ``claw`` is None where a photo shows both claws."""

    photo: PhotoRecord
    day: date
    view: View
    claw: ClawName | None

    @property
    def doubt(self) -> tuple[bool, float, str]:
        """Return what sorts the surest photo first: measured ones, then the least uncertain length."""
        name = _SUREST_BY[self.view]
        shown = [self.claw] if self.claw else list(_NAMED)
        found = [self.photo.claws[claw].measures.get(name) for claw in shown if claw in self.photo.claws]
        told = [each.uncertainty for each in found if each is not None and each.uncertainty is not None]
        worst = max(told) if told and len(told) == len(found) else float("inf")
        return (self.photo.status != "measured", worst, self.photo.photo)


@dataclass(frozen=True, slots=True)
class Pair:
    """The two photos that are compared, and all that could have been."""

    before: Shot
    after: Shot
    candidates_before: tuple[str, ...]
    candidates_after: tuple[str, ...]

    @property
    def days_apart(self) -> int:
        """Return how many days lie between the two photos."""
        return (self.after.day - self.before.day).days


@dataclass(frozen=True, slots=True)
class Trimmed:
    """One foot at one trim: its pairs, and all photos of it from before and after."""

    animal: str
    foot: Foot
    pairs: tuple[Pair, ...]
    before: tuple[Shot, ...]
    after: tuple[Shot, ...]


@dataclass(frozen=True, slots=True)
class Unpaired:
    """A photo that is compared with none, and why."""

    photo: str
    why: str


def pair_photos(photos: Iterable[PhotoRecord]) -> tuple[tuple[Trimmed, ...], tuple[Unpaired, ...]]:
    """Find the photos that show the same claw in the same view before and after one trim.

    Parameters
    ----------
    photos
        Of one or several assessments.

    Returns
    -------
    feet : tuple of Trimmed
        Sorted by animal, foot and day. Of several photos of the same thing the surest is compared.
    unpaired : tuple of Unpaired
        In the photos' order.
    """
    why: dict[str, str] = {}
    order = []
    feet: dict[tuple[str, Foot], list[Shot]] = {}
    for photo in photos:
        order.append(photo.photo)
        shot = _shot(photo)
        if isinstance(shot, str):
            why[photo.photo] = shot
        else:
            assert photo.foot is not None  # a shot has one
            feet.setdefault((photo.animal, photo.foot), []).append(shot)
    found: list[Trimmed] = []
    for (animal, foot), shots in sorted(feet.items()):
        for trim in _trims(shots):
            pairs, alone = _pairs(trim)
            why |= alone
            if pairs:
                sides = [tuple(each for each in trim if each.photo.stage == stage) for stage in ("before", "after")]
                found.append(Trimmed(animal, foot, pairs, *sides))
    return tuple(found), tuple(Unpaired(name, why[name]) for name in order if name in why)


def _shot(photo: PhotoRecord) -> Shot | str:
    """Return the photo as it can be paired, or why it cannot."""
    if photo.stage == "check":
        return "neither from before nor from after a trim (stage check)"
    if photo.status == "refused":
        first = next((each.message for each in photo.reasons if each.effect == "refused"), "")
        return f"refused: {first}".rstrip(": ")
    if photo.foot is None:
        return "it is not said which foot it shows (column foot)"
    if photo.view is None:
        return "its view is not known"
    try:
        day = date.fromisoformat((photo.taken or "")[:10])
    except ValueError:
        return "it is not known on which day it was taken (column taken)"
    shown = [claw for claw in _NAMED if claw in photo.claws]
    if not shown:
        return "no outer or inner claw was measured in it"
    return Shot(photo, day, photo.view, shown[0] if photo.view == "side" else None)


def _trims(shots: Sequence[Shot]) -> list[list[Shot]]:
    """Part a foot's photos into trims: a photo from before on a later day than one from after begins the next one."""
    trims: list[list[Shot]] = []
    for shot in sorted(shots, key=lambda each: (each.day, each.photo.stage != "before", each.photo.photo)):
        last = trims[-1][-1] if trims else None
        again = last is not None and last.photo.stage == "after" and shot.photo.stage == "before"
        if last is None or again or (shot.day - last.day).days > MOST_DAYS:
            trims.append([])
        trims[-1].append(shot)
    return trims


def _pairs(trim: Sequence[Shot]) -> tuple[tuple[Pair, ...], dict[str, str]]:
    pairs: list[Pair] = []
    alone: dict[str, str] = {}
    views = sorted({(each.view, each.claw) for each in trim}, key=lambda key: (key[0], key[1] != "outer"))
    for view, claw in views:
        shots = [each for each in trim if (each.view, each.claw) == (view, claw)]
        before = [each for each in shots if each.photo.stage == "before"]
        after = [each for each in shots if each.photo.stage == "after"]
        near = [(one, other) for one, other in product(before, after) if 0 <= (other.day - one.day).days <= MOST_DAYS]
        what = f"this {view} view" + (f" of the {claw} claw" if claw else "")
        if not near:
            for each in shots:
                other = "after" if each.photo.stage == "before" else "before"
                alone[each.photo.photo] = (
                    f"no photo of {what} from {other} the trim, of the same day or at most {MOST_DAYS} days apart"
                )
            continue
        first, second = min(near, key=lambda two: (_both(two), two[0].doubt, two[1].doubt))
        fit_before, fit_after = (tuple(sorted({two[side].photo.photo for two in near})) for side in (0, 1))
        pairs.append(Pair(first, second, fit_before, fit_after))
        for each in shots:
            if each.photo.photo not in (*fit_before, *fit_after):
                alone[each.photo.photo] = f"more than {MOST_DAYS} days from the photos on the other side of the trim"
    return tuple(pairs), alone


def _both(two: tuple[Shot, Shot]) -> tuple[int, float]:
    """Return what sorts the surest two photos first."""
    return sum(each.doubt[0] for each in two), sum(each.doubt[1] ** 2 for each in two)
