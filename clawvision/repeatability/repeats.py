"""Which photos show the same claw: what is kept of each photo, and what counts as repeats."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import date
from typing import Literal, get_args

from clawvision.errors import UsageError
from clawvision.output.models import AssessmentRecord, MeasureRecord, PhotoRecord
from clawvision.plain import plain
from clawvision.types import ClawName, Foot, Stage, View

By = Literal["camera", "day", "operator", "stage"]
GROUPINGS: tuple[By, ...] = get_args(By)
LARGEST = 100_000.0
"""No claw has a larger length in mm, nor a larger area in mm²: a larger number is a slip."""


@dataclass(frozen=True, slots=True)
class Value:
    """One measured value of one photo."""

    value: float
    expanded: float
    unit: str


@dataclass(frozen=True, slots=True)
class Seen:
    """What one photo of a named foot tells. ``values`` is by claw (None for both) and measure."""

    photo: str
    sha256: str
    animal: str
    foot: Foot
    view: View
    stage: Stage
    day: date | None
    taken: str
    moment: str
    """When the camera says that it took the photo, to the second; empty where it does not say."""
    camera: str | None
    operator: str
    values: Mapping[tuple[ClawName | None, str], Value]

    def group(self, by: By) -> str | None:
        """Return the name of the photo's group; None where the photo does not tell."""
        if by == "day":
            return None if self.day is None else self.day.isoformat()
        return {"camera": self.camera, "operator": self.operator, "stage": self.stage}[by]


@dataclass(frozen=True, slots=True)
class Place:
    """What is measured: a claw (or both of a foot, None) in one view, and when. ``day`` None is a day not known."""

    animal: str
    foot: Foot
    claw: ClawName | None
    view: View
    stage: Stage | None
    day: date | None

    @property
    def claw_key(self) -> tuple[str, Foot, ClawName | None]:
        """Return which claw it is, whenever it was seen."""
        return (self.animal, self.foot, self.claw)

    def words(self) -> str:
        """Return the place in words."""
        parts = [self.animal, self.foot, self.claw or "both claws", self.view]
        if self.stage not in (None, "check"):
            parts.append(f"{self.stage} a trim")
        if self.day is not None:
            parts.append(self.day.isoformat())
        return " ".join(parts)


@dataclass(frozen=True, slots=True)
class LeftOut:
    """How many photos do not count, by why."""

    refused: int = 0
    unsure: int = 0
    unnamed: int = 0
    without_day: int = 0
    twice: int = 0

    def words(self) -> tuple[str, ...]:
        """Return a phrase for each ground that there is."""
        told = (
            (self.refused, "refused, so that nothing was measured"),
            (self.unsure, "in need of a look (--with-review counts them)"),
            (self.unnamed, "of which foot or claw is not named"),
            (self.without_day, "without a day, counted against hand measures only: fill the column taken"),
            (self.twice, "given more than once, counted once (by operator: once each)"),
        )
        return tuple(f"{count} {'photo' if count == 1 else 'photos'} {why}" for count, why in told if count)


@dataclass(frozen=True, slots=True)
class Gathered:
    """The photos that count, in an order of their own.

    ``seen`` holds each photo once, ``by_operator`` once for each operator who measured it.
    """

    seen: tuple[Seen, ...]
    by_operator: tuple[Seen, ...]
    left_out: LeftOut
    units: Mapping[tuple[str, View], str] = field(default_factory=dict)

    def doubts(self) -> tuple[str, ...]:
        """Return what makes it doubtful that photos are repeats: the same moment, as of one exposure saved twice."""
        moments = Counter(_moment(each) for each in self.seen if each.moment)
        count = sum(number for number in moments.values() if number > 1)
        if not count:
            return ()
        return (
            f"{count} photos were taken in the same second as another of the same claw: saved anew from one photo, or"
            " taken in one go, they are no repeats",
        )


def _moment(photo: Seen) -> tuple[object, ...]:
    return (photo.animal, photo.foot, photo.view, frozenset(claw for claw, _ in photo.values), photo.moment)


def gather(assessments: Iterable[tuple[str, AssessmentRecord]], *, with_review: bool = False) -> Gathered:
    """Gather the photos of named feet with their values.

    Parameters
    ----------
    assessments
        Name of the operator, or of the folder, and what was assessed.
    with_review
        Count photos that need a person's look as well.

    Raises
    ------
    UsageError
        If a value is larger than any claw's.
    """
    refused = unsure = unnamed = 0
    photos: list[Seen] = []
    for operator, record in assessments:
        for photo in record.photos:
            if photo.status == "refused":
                refused += 1
            elif photo.status == "review" and not with_review:
                unsure += 1
            elif (seen := _seen(photo, operator)) is None:
                unnamed += 1
            else:
                photos.append(seen)
    # In an order that does not depend on that of the assessments.
    photos.sort(key=lambda each: (each.taken, each.photo, each.sha256, each.operator))
    by_operator = {(each.sha256, each.operator): each for each in reversed(photos)}
    single = {each.sha256: each for each in reversed(photos)}
    kept = tuple(reversed(single.values()))
    units: dict[tuple[str, View], str] = {}
    for each in kept:
        for (_, name), value in each.values.items():
            units.setdefault((name, each.view), value.unit)
    left_out = LeftOut(refused, unsure, unnamed, sum(each.day is None for each in kept), len(photos) - len(single))
    return Gathered(kept, tuple(reversed(by_operator.values())), left_out, units)


def _seen(photo: PhotoRecord, operator: str) -> Seen | None:
    claws = {name: claw for name, claw in photo.claws.items() if name in ("outer", "inner")}
    if photo.foot is None or photo.view is None or photo.sha256 is None or (photo.claws and not claws):
        return None
    values: dict[tuple[ClawName | None, str], Value] = {}
    for name, claw in claws.items():
        values |= {(name, key): each for key, each in _values(photo.photo, claw.measures)}
    values |= {(None, key): each for key, each in _values(photo.photo, photo.foot_measures)}
    exif = photo.exif
    camera = " ".join(word for word in ((exif.make, exif.model) if exif else ()) if word)
    return Seen(
        photo=photo.photo,
        sha256=photo.sha256,
        animal=photo.animal,
        foot=photo.foot,
        view=photo.view,
        stage=photo.stage,
        day=_day(photo.taken),
        taken=photo.taken or "",
        moment=next((each for each in (exif and exif.taken, photo.taken) if each and "T" in each), ""),
        camera=camera or None,
        operator=operator,
        values=values,
    )


def _values(photo: str, measures: Mapping[str, MeasureRecord]) -> Iterable[tuple[str, Value]]:
    for name, each in measures.items():
        if each.value is not None and each.uncertainty is not None:
            if max(abs(each.value), each.uncertainty) > LARGEST:
                raise UsageError(
                    f"{plain(photo)}: {plain(name[:60])} is {each.value:g} ± {each.uncertainty:g}, which no claw has.",
                    "Leave that assessment out, or assess the photo again.",
                )
            yield name, Value(each.value, each.uncertainty, each.unit)


def _day(taken: str | None) -> date | None:
    try:
        return date.fromisoformat(taken[:10]) if taken else None
    except ValueError:
        return None


@dataclass(frozen=True, slots=True)
class Reading:
    """One value with the photo that it is from."""

    photo: Seen
    value: float
    expanded: float


def by_place(photos: Sequence[Seen], measure: str, view: View, without: By | None = None) -> dict[Place, list[Reading]]:
    """Return the values of a measure by what was measured; ``without`` day or stage, those are not told apart."""
    places: dict[Place, list[Reading]] = {}
    for photo in photos:
        if photo.view != view:
            continue
        for (claw, name), value in photo.values.items():
            if name == measure:
                stage = None if without == "stage" else photo.stage
                day = None if without == "day" else photo.day
                place = Place(photo.animal, photo.foot, claw, view, stage, day)
                places.setdefault(place, []).append(Reading(photo, value.value, value.expanded))
    return places
