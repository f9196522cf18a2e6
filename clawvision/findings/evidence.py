"""Gathers what the photos of one foot say into one place, one value a measure."""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import date
from types import MappingProxyType

from clawvision.types import ClawName, Foot, Measure, PhotoFacts, Sign, Stage, View

CLAWS: tuple[ClawName, ...] = ("outer", "inner", "left", "right")
PARTNER: dict[ClawName, ClawName] = {"outer": "inner", "inner": "outer", "left": "right", "right": "left"}
STAGES: tuple[Stage, ...] = ("before", "check", "after")
JOINED: Mapping[str, float] = MappingProxyType({"helical_twist": 0.3})
"""Measures that a side and a sole photo tell together better than either: the correlation of the two views' errors.
The same network reads both, of the same claw, but from sides that show other parts of it (status J)."""


@dataclass(frozen=True, slots=True)
class Observed:
    """A measure's value for a foot, from the photo that measured it best.

    ``uncertainty`` is expanded (k = 2). ``doubtful`` is True where a person has to look first: the photo's
    status is ``review``. ``rivals`` are the values of other photos, no less to be trusted, that say something else
    beyond both uncertainties, ``others`` those that do not contradict it. A value made of two photos names the surer
    one; ``parts`` are the values of both. ``budget`` are the signed standard contributions by cause (k = 1), for
    differences within one photo.
    """

    value: float
    uncertainty: float
    unit: str
    photo: str
    doubtful: bool = False
    view: View | None = None
    parts: tuple[Observed, ...] = ()
    rivals: tuple[Observed, ...] = ()
    others: tuple[Observed, ...] = ()
    budget: Mapping[str, float] = field(default_factory=lambda: MappingProxyType({}))


@dataclass(frozen=True, slots=True, eq=False)
class FootEvidence:
    """One foot at one stage and date: measures and context of all of its photos.

    ``claws`` is by claw, then measure; ``foot_measures`` by measure. ``taken`` is the photos' day, or None where
    it is unknown or unreadable. Photos that were refused give no measures, but what a person wrote beside
    them (signs, gait, last trim) holds all the same.
    """

    animal: str
    foot: Foot | None
    stage: Stage
    taken: date | None
    photos: tuple[str, ...]
    profile: str | None
    trimmed: date | None
    locomotion: int | None
    signs: tuple[Sign, ...]
    claws: Mapping[ClawName, Mapping[str, Observed]]
    foot_measures: Mapping[str, Observed]
    review_photos: tuple[str, ...] = ()
    refused_photos: tuple[str, ...] = ()
    notes: tuple[str, ...] = ()
    sore_feet: int = 0
    """On how many feet of the animal somebody saw a sign that day."""
    earlier: FootEvidence | None = None
    """The same foot as last seen before, where foot and days are known."""

    @property
    def hind(self) -> bool | None:
        """Return whether this is a hind foot; None where the foot is not known."""
        return None if self.foot is None else self.foot.endswith("H")


def group_feet(facts: Sequence[PhotoFacts]) -> tuple[FootEvidence, ...]:
    """Gather photos into feet, by animal, foot, stage and day.

    Parameters
    ----------
    facts
        What is known of each photo, in any order.

    Returns
    -------
    tuple of FootEvidence
        Sorted by animal, day (unknown days first, each foot's together), foot and stage. A gait that is given
        with one photo of an animal on a day counts for all of its feet on that day.
    """
    groups: dict[tuple[str, date | None, str, str], list[PhotoFacts]] = {}
    gaits: dict[tuple[str, date], int] = {}
    sore: dict[tuple[str, date | None], set[str]] = {}
    for each in sorted(facts, key=lambda fact: fact.request.name):
        request, day = each.request, _day(each.taken)
        groups.setdefault((request.animal, day, request.foot or "", request.stage), []).append(each)
        if request.signs and request.foot is not None:
            sore.setdefault((request.animal, day), set()).add(request.foot)
        if day is not None and request.locomotion is not None:
            gaits[request.animal, day] = max(request.locomotion, gaits.get((request.animal, day), 0))
    order = sorted(
        groups, key=lambda key: (key[0], key[1] or date.min, key[2], STAGES.index(groups[key][0].request.stage))
    )
    feet: list[FootEvidence] = []
    last: dict[tuple[str, Foot | None], FootEvidence] = {}
    for key in order:
        foot = replace(_gather(key[1], groups[key], gaits), sore_feet=len(sore.get(key[:2], ())))
        if foot.foot is not None and foot.taken is not None:
            # The order puts before ahead of after on one day, and days in their order.
            name = (foot.animal, foot.foot)
            foot = replace(foot, earlier=last.get(name))
            last[name] = foot
        feet.append(foot)
    return tuple(feet)


def _day(taken: str | None) -> date | None:
    try:
        return date.fromisoformat(taken[:10]) if taken else None
    except ValueError:
        return None


def _gather(day: date | None, photos: Sequence[PhotoFacts], gaits: Mapping[tuple[str, date], int]) -> FootEvidence:
    first = photos[0].request
    notes: list[str] = []
    seen: dict[tuple[ClawName | None, str], list[Observed]] = {}
    for photo in photos:
        if photo.status == "refused":
            continue
        for each in CLAWS:
            for name, measure in photo.claws.get(each, {}).items():
                _collect(seen, (each, name), measure, photo)
        for name, measure in photo.foot_measures.items():
            _collect(seen, (None, name), measure, photo)
    claws: dict[ClawName, dict[str, Observed]] = {}
    foot_measures: dict[str, Observed] = {}
    for (claw, name), values in seen.items():
        best = _best(values)
        if name in JOINED and not best.rivals:
            # What either view shows by itself is not lost in the mean.
            together = joined(name, values)
            best = best if together is None else replace(together, others=together.parts)
        if best.rivals:
            notes.append(_dispute_note(claw, name, values))
        if claw is None:
            foot_measures[name] = best
        else:
            claws.setdefault(claw, {})[name] = best
    locomotions = [photo.request.locomotion for photo in photos if photo.request.locomotion is not None]
    if day is not None and (first.animal, day) in gaits:
        locomotions.append(gaits[first.animal, day])
    trims = sorted({photo.request.trimmed for photo in photos if photo.request.trimmed is not None})
    if len(trims) > 1:
        notes.append("The photos name different days of the last trim; the latest was used.")
    profiles = list(dict.fromkeys(photo.request.profile for photo in photos if photo.request.profile))
    if len(profiles) > 1:
        notes.append(f"The photos name different profiles; {profiles[0]} was used.")
    signs: dict[Sign, None] = {sign: None for photo in photos for sign in photo.request.signs}
    return FootEvidence(
        animal=first.animal,
        foot=first.foot,
        stage=first.stage,
        taken=day,
        photos=tuple(photo.request.name for photo in photos),
        profile=profiles[0] if profiles else None,
        trimmed=trims[-1] if trims else None,
        locomotion=max(locomotions) if locomotions else None,
        signs=tuple(signs),
        claws=MappingProxyType({claw: MappingProxyType(measures) for claw, measures in claws.items()}),
        foot_measures=MappingProxyType(foot_measures),
        review_photos=tuple(photo.request.name for photo in photos if photo.status == "review"),
        refused_photos=tuple(photo.request.name for photo in photos if photo.status == "refused"),
        notes=tuple(notes),
    )


def _collect(
    seen: dict[tuple[ClawName | None, str], list[Observed]],
    key: tuple[ClawName | None, str],
    measure: Measure,
    photo: PhotoFacts,
) -> None:
    """Add a measure; one without a finite value and uncertainty says nothing and is left out."""
    value, uncertainty = measure.value, measure.uncertainty
    if value is None or uncertainty is None or not (math.isfinite(value) and math.isfinite(uncertainty)):
        return
    if uncertainty >= 0.0:
        doubtful = photo.status == "review"
        name = photo.request.name
        found = Observed(value, uncertainty, measure.unit, name, doubtful, photo.view, budget=measure.budget)
        seen.setdefault(key, []).append(found)


def _best(values: Sequence[Observed]) -> Observed:
    """Return the surest value: of a photo that needs no look if there is one, then the least uncertain."""
    best = _surest(values)
    beside = [each for each in _rivals(values, best) if each is not best]
    contradict = [each for each in beside if _disagree(best, each)]
    agree = [each for each in beside if not _disagree(best, each)]
    return replace(best, rivals=tuple(contradict), others=tuple(agree))


def _surest(values: Sequence[Observed]) -> Observed:
    return min(values, key=lambda each: (each.doubtful, each.uncertainty, each.photo))


def _rivals(values: Sequence[Observed], best: Observed) -> list[Observed]:
    """Return the values that count beside the best: a photo under review cannot cast doubt on one that is not."""
    return [each for each in values if each.doubtful == best.doubtful]


def joined(name: str, values: Sequence[Observed]) -> Observed | None:
    """Return the value that a side and a sole photo of one claw tell together.

    Parameters
    ----------
    name
        A measure of `JOINED`.
    values
        What the photos say, of one foot and claw.

    Returns
    -------
    Observed or None
        Weighted by the inverse of the two values' covariance matrix, in which their correlation is that of `JOINED`;
        never less sure than the surer value alone (JCGM 100:2008, 5.2.2; weights between 0 and 1). None where either
        view is missing, or only given by a photo under review while the other is not.
    """
    rivals = _rivals(values, _surest(values))
    views = [[each for each in rivals if each.view == view] for view in ("side", "sole")]
    if not all(views):
        return None
    one, other = sorted((_surest(each) for each in views), key=lambda each: (each.uncertainty, each.photo))
    shared = JOINED[name] * one.uncertainty * other.uncertainty
    spread = one.uncertainty**2 + other.uncertainty**2 - 2.0 * shared
    weight = min((other.uncertainty**2 - shared) / spread, 1.0) if spread > 0.0 else 0.5
    variance = (weight * one.uncertainty) ** 2 + ((1.0 - weight) * other.uncertainty) ** 2
    variance += 2.0 * weight * (1.0 - weight) * shared
    return replace(
        one,
        value=weight * one.value + (1.0 - weight) * other.value,
        uncertainty=math.sqrt(variance),
        view=None,
        parts=(one, other),
    )


def _disagree(one: Observed, other: Observed) -> bool:
    return abs(one.value - other.value) > math.hypot(one.uncertainty, other.uncertainty)


def _dispute_note(claw: ClawName | None, name: str, values: Iterable[Observed]) -> str:
    whose = f" of the {claw} claw" if claw else ""
    photos = ", ".join(sorted({each.photo for each in values}))
    return f"Photos disagree about {name}{whose} beyond their uncertainties; look at them: {photos}."
