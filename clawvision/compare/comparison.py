"""From the photos of assessments to the record of what trims changed. Pure."""

from __future__ import annotations

import statistics
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

import clawvision
from clawvision.compare.change import (
    CORRELATIONS,
    Change,
    Source,
    Term,
    at_least,
    combined,
    difference,
    source_of,
    term,
)
from clawvision.compare.models import (
    AfterRecord,
    AreaRecord,
    ChangeRecord,
    ComparedFootRecord,
    ComparisonRecord,
    CorrelationRecord,
    FitRecord,
    PairRecord,
    UnpairedRecord,
    ValueRecord,
    VerdictRecord,
)
from clawvision.compare.overlay import lay_over, not_alike
from clawvision.compare.pairs import Pair, Shot, Trimmed, pair_photos
from clawvision.compare.register import LIMIT_MM, Fit, Seen, register_side, register_sole
from clawvision.compare.verdicts import Verdict, advice, days_of, judge, verdicts
from clawvision.errors import UsageError
from clawvision.findings.book import RuleBook
from clawvision.findings.profiles import Profile, choose_profile
from clawvision.output.models import ClawRecord, MeasureRecord, PhotoRecord
from clawvision.output.rounding import rounded
from clawvision.output.wording import CAUTION
from clawvision.repeatability.smallest import NONE_KNOWN, SmallestChanges
from clawvision.types import ClawName, FloatArray, PhotoFacts

_CLAWS: tuple[ClawName, ...] = ("outer", "inner")
_BY = {
    "side": "C, B and the hairline between them",
    "sole": "the borders of the rear half",
}
_U_MARK_MM, _LEAST_U_MM = 1.5, 0.5
"""Standard error of C and B where a record does not tell it, and the least that is believed (status J)."""
_U_OUTLINE_MM, _OUTLINE_RANGE_MM = 1.0, (0.3, 1.6)
"""Standard error of an outline across itself where a record does not tell it, and the range believed (status J):
where a bearing line may rest on either of two parts of a sole, heights tell more than the outline's own error."""
_WHOLE = 0.7
"""`outline_1` moves an outline in or out by this share of its error."""
_OUTLINE_BY = {
    "side": (("heel_height", 1.0), ("dorsal_height", 1.0)),
    "sole": (("sole_width", 2.0), ("sole_length", 2.0)),
}
"""Measures that change when the outline moves in or out as a whole, and by how many times that."""
_MOST_U_EDGE_MM = 1.8
"""More than this the lower edge is not off (status J): where heights are less sure, the bearing line may rest on either
of two parts of an uneven sole, while the edge itself is seen."""
_NOT_OF_THE_EDGE = ("landmark_", "build_hair", "build_round", "hair_learned", "outline_")
"""What moves C and B, or is counted around the whole outline already."""


@dataclass(frozen=True, slots=True)
class Given:
    """The photos of one assessment, with what holds for all of them."""

    photos: tuple[PhotoRecord, ...]
    facts: tuple[PhotoFacts, ...]
    """Of each photo, the profile that the whole run named filled in."""
    print_scale: float = 1.0


def compared(
    given: Sequence[Given],
    profiles: Mapping[str, Profile],
    book: RuleBook,
    smallest: SmallestChanges = NONE_KNOWN,
) -> ComparisonRecord:
    """Compare photos from before and after trims.

    Parameters
    ----------
    given
        Assessments; a photo that is in several of them counts once.
    profiles, book
        What the feet are judged by.
    smallest
        Smallest detectable changes from repeated photos: no change's uncertainty is taken to be less.

    Raises
    ------
    UsageError
        If different photos have one name, or a photo asks for a profile that is not there.
    """
    photos, facts, sources = _together(given)
    feet, unpaired = pair_photos(photos.values())
    records = [_foot(each, facts, sources, _profile(each, facts, profiles), book, smallest) for each in feet]
    return ComparisonRecord(
        version=clawvision.__version__,
        correlations=tuple(
            CorrelationRecord(causes=row.causes, correlation=row.value, where=row.where, basis=row.basis)
            for row in CORRELATIONS
        ),
        feet=tuple(records),
        unpaired=tuple(UnpairedRecord(photo=each.photo, why=each.why) for each in unpaired),
        caution=CAUTION,
    )


def _together(
    given: Sequence[Given],
) -> tuple[dict[str, PhotoRecord], dict[str, PhotoFacts], dict[str, Source]]:
    photos: dict[str, PhotoRecord] = {}
    facts: dict[str, PhotoFacts] = {}
    sources: dict[str, Source] = {}
    for one in given:
        for photo, fact in zip(one.photos, one.facts, strict=True):
            other = photos.get(photo.photo)
            if other is not None and other.sha256 != photo.sha256:
                raise UsageError(
                    f"Two different photos are called {photo.photo}.",
                    "Assess them together from one folder, or give them different names.",
                )
            photos[photo.photo], facts[photo.photo] = photo, fact
            sources[photo.photo] = source_of(photo, one.print_scale)
    return photos, facts, sources


def _profile(trimmed: Trimmed, facts: Mapping[str, PhotoFacts], profiles: Mapping[str, Profile]) -> Profile:
    named = [facts[each.photo.photo].request.profile for each in (*trimmed.after, *trimmed.before)]
    wanted = next((each for each in named if each), None)
    if wanted is not None and wanted not in profiles:
        raise UsageError(
            f"There is no profile '{wanted}', by which {trimmed.animal} was assessed.",
            "Name its folder with --profiles.",
        )
    return choose_profile(wanted, profiles)


def _foot(
    trimmed: Trimmed,
    facts: Mapping[str, PhotoFacts],
    sources: Mapping[str, Source],
    profile: Profile,
    book: RuleBook,
    smallest: SmallestChanges,
) -> ComparedFootRecord:
    judged = judge(trimmed, facts, profile, book)
    before, after = days_of(trimmed)
    veterinarian, texts, cautions = advice(judged)
    told = judged.after_trim
    return ComparedFootRecord(
        animal=trimmed.animal,
        foot=trimmed.foot,
        before=before.isoformat(),
        after=after.isoformat(),
        profile=profile.name,
        pairs=tuple(record for pair in trimmed.pairs for record in _pair(pair, sources, smallest)),
        balance=_balance(trimmed, sources),
        verdicts=tuple(_verdict(each) for each in verdicts(judged, _heel_changes(trimmed, sources, smallest))),
        after_trim=None
        if told is None
        else AfterRecord(
            achieved=told.achieved,
            open=told.open,
            harm=told.harm,
            expectation=told.expectation,
            next_look=told.next_look,
        ),
        veterinarian=veterinarian,
        trim=texts,
        cautions=cautions,
    )


def _pair(pair: Pair, sources: Mapping[str, Source], smallest: SmallestChanges) -> list[PairRecord]:
    """Return the records of a pair: one a claw, and for a sole one of both claws together."""
    old, new = pair.before.photo, pair.after.photo
    known = {name: value for (view, name), value in smallest.items() if view == pair.before.view}
    shown = [pair.before.claw] if pair.before.claw else [c for c in _CLAWS if c in old.claws and c in new.claws]
    records = []
    for claw in shown:
        then, now = sources[old.photo], sources[new.photo]
        changes = _changes(old.claws[claw].measures, new.claws[claw].measures, then, now, known)
        record = _record(pair, claw, changes)
        length = next((each for each in changes if each.measure == "toe_length"), None)
        off = None if length is None else _value(-length.change.value, length.change.uncertainty)
        records.append(_laid_over(record.model_copy(update={"off_the_toe": off}), pair, claw, then, now))
    both = _changes(old.foot_measures, new.foot_measures, sources[old.photo], sources[new.photo], known)
    if both:
        records.append(_record(pair, None, both))
    return records


def _record(pair: Pair, claw: ClawName | None, changes: tuple[ChangeRecord, ...]) -> PairRecord:
    return PairRecord(
        view=pair.before.view,
        claw=claw,
        before=pair.before.photo.photo,
        after=pair.after.photo.photo,
        days_apart=pair.days_apart,
        candidates_before=pair.candidates_before,
        candidates_after=pair.candidates_after,
        look_first=tuple(each.photo.photo for each in (pair.before, pair.after) if each.photo.status == "review"),
        fit=None,
        changes=changes,
    )


def _laid_over(record: PairRecord, pair: Pair, claw: ClawName, then: Source, now: Source) -> PairRecord:
    """Return the record with both outlines laid over one another, or why they are not."""
    view = pair.before.view
    if view not in _BY:
        return record
    seen = [_seen(each, claw) for each in (pair.before, pair.after)]
    if isinstance(seen[0], str) or isinstance(seen[1], str):
        why = next(each for each in seen if isinstance(each, str))
        return record.model_copy(update={"fit": FitRecord(overlaid=False, reason=why, limit_mm=LIMIT_MM, by=_BY[view])})
    before, after = seen[0], seen[1]
    fit = (register_side if view == "side" else register_sole)(before, after)
    if fit.refusal is not None:
        return record.model_copy(update={"fit": _fit(fit, view, fit.refusal)})
    old, new = pair.before.photo.claws[claw].measures, pair.after.photo.claws[claw].measures
    laid = lay_over(before, after, fit, view, _u_edge(old, new, then, now) if view == "side" else 0.0)
    strange = not_alike(laid)
    if strange is not None:
        return record.model_copy(update={"fit": _fit(fit, view, strange)})
    net, u_net = laid.net_mm2, laid.u_net_mm2
    area = next((each for each in record.changes if each.measure == "sole_area"), None)
    if area is not None:
        net, u_net = -area.change.value, area.change.uncertainty
    return record.model_copy(
        update={
            "fit": _fit(fit, view, None),
            "horn": AreaRecord(off=_number(laid.off_mm2), new=_number(laid.new_mm2), net=_value(net, u_net)),
            "outline_before_mm": _points(laid.before),
            "outline_after_mm": _points(laid.after),
            "landmarks_before_mm": _marks(before.marks),
            "landmarks_after_mm": _marks({name: fit.place(place[None])[0] for name, place in after.marks.items()}),
        }
    )


def _seen(shot: Shot, claw: ClawName) -> Seen | str:
    """Return a claw as it can be laid over another, or why it cannot."""
    record = shot.photo.claws[claw]
    if record.outline_mm is None or len(record.outline_mm) < 8:
        return f"{shot.photo.photo} holds no outline in mm (assess it again with this version)"
    other = next((each for name, each in shot.photo.claws.items() if name != claw), None)
    partner = None
    if other is not None and other.outline_mm is not None and len(other.outline_mm) > 2:
        partner = np.array(other.outline_mm).mean(axis=0)
    return Seen(
        outline=np.array(record.outline_mm),
        marks={name: np.array(place) for name, place in record.landmarks_mm.items()},
        u_marks={name: _u_mark(record, *by) for name, by in (("C", ("toe_length",)), ("B", ("diagonal",)))},
        u_outline=_u_outline(record, shot.view),
        u_scale_rel=_u_scale(shot.photo),
        partner=partner,
    )


def _u_mark(record: ClawRecord, name: str) -> float:
    """Return the standard error of C or B, mm, from what it does to the length that ends there.

    Contributions of a landmark moved along x and along y are the two parts of its error along that length. What hair
    hides is the same in both photos of a pair and leaves the fit alone.
    """
    mark = {"toe_length": "C", "diagonal": "B"}[name]
    measure = record.measures.get(name)
    budget = {} if measure is None else measure.budget
    parts = [part for cause, part in budget.items() if cause.startswith((f"landmark_{mark}_", "hair_learned"))]
    return max(float(np.hypot.reduce(parts)), _LEAST_U_MM) if parts else _U_MARK_MM


def _u_outline(record: ClawRecord, view: str) -> float:
    """Return the standard error of an outline across itself, mm: what moving it in or out does to lengths tells."""
    found = []
    for name, times in _OUTLINE_BY[view]:
        measure = record.measures.get(name)
        parts = [] if measure is None else [p for cause, p in measure.budget.items() if cause.startswith("outline_1.")]
        found += [abs(part) / (times * _WHOLE) for part in parts]
    return float(np.clip(statistics.median(found), *_OUTLINE_RANGE_MM)) if found else _U_OUTLINE_MM


def _u_scale(photo: PhotoRecord) -> float:
    """Return the relative standard uncertainty of a photo's scale at the claw."""
    scale = photo.scale
    if scale is None or not scale.mm_per_px or scale.u_mm_per_px is None:
        return 0.0
    return scale.u_mm_per_px / scale.mm_per_px


def _u_edge(old: Mapping[str, MeasureRecord], new: Mapping[str, MeasureRecord], then: Source, now: Source) -> float:
    """Return the standard uncertainty of how far the bearing edge came up, mm, less what C and B themselves leave."""
    terms: list[Term] = []
    for name in ("heel_height", "dorsal_height"):
        two = [term(-0.5, old.get(name), then), term(0.5, new.get(name), now)]
        terms += [each for each in two if each is not None]
    if len(terms) < 4:
        return _MOST_U_EDGE_MM
    return min(combined(terms, without=_NOT_OF_THE_EDGE).uncertainty / 2.0, _MOST_U_EDGE_MM)


def _fit(fit: Fit, view: str, refusal: str | None) -> FitRecord:
    known = bool(np.isfinite(fit.rms_mm))
    return FitRecord(
        overlaid=refusal is None,
        reason=refusal,
        mirrored=fit.mirrored,
        angle_deg=_number(np.degrees(fit.angle)) if known else None,
        shift_mm=(_number(fit.shift[0]), _number(fit.shift[1])) if known else None,
        rms_mm=_number(fit.rms_mm) if known else None,
        limit_mm=LIMIT_MM,
        by=_BY[view],
    )


def _changes(
    old: Mapping[str, MeasureRecord],
    new: Mapping[str, MeasureRecord],
    then: Source,
    now: Source,
    smallest: Mapping[str, float],
) -> tuple[ChangeRecord, ...]:
    found = []
    for name, measure in old.items():
        other = new.get(name)
        change = difference(measure, other, then, now)
        if change is not None and other is not None and other.unit == measure.unit:
            found.append(_change_record(name, measure, other, at_least(change, smallest.get(name))))
    return tuple(found)


def _change_record(name: str, old: MeasureRecord, new: MeasureRecord, change: Change) -> ChangeRecord:
    assert old.value is not None and old.uncertainty is not None  # there is a change
    assert new.value is not None and new.uncertainty is not None
    return ChangeRecord(
        measure=name,
        unit=old.unit,
        before=_value(old.value, old.uncertainty),
        after=_value(new.value, new.uncertainty),
        change=_value(change.value, change.uncertainty),
        cancelled=change.cancelled,
    )


def _balance(trimmed: Trimmed, sources: Mapping[str, Source]) -> tuple[ChangeRecord, ...]:
    """Return the outer claw's toe length less the inner one's, before and after, from two side views each."""
    sides = {pair.before.claw: pair for pair in trimmed.pairs if pair.before.view == "side"}
    if not set(_CLAWS) <= set(sides):
        return ()
    terms: dict[str, list[Term]] = {}
    for claw, weight in (("outer", 1.0), ("inner", -1.0)):
        pair = sides[claw]  # type: ignore[index]
        for stage, shot in (("before", pair.before), ("after", pair.after)):
            measure = shot.photo.claws[claw].measures.get("toe_length")  # type: ignore[index]
            each = term(weight, measure, sources[shot.photo.photo])
            if each is None:
                return ()
            terms.setdefault(stage, []).append(each)
    old, new = combined(terms["before"]), combined(terms["after"])
    minus = [Term(-e.weight, e.value, e.uncertainty, e.budget, e.source) for e in terms["before"]]
    change = combined([*terms["after"], *minus])
    return (
        ChangeRecord(
            measure="toe_length_difference",
            unit="mm",
            before=_value(old.value, old.uncertainty),
            after=_value(new.value, new.uncertainty),
            change=_value(change.value, change.uncertainty),
            cancelled=change.cancelled,
        ),
    )


def _heel_changes(trimmed: Trimmed, sources: Mapping[str, Source], smallest: SmallestChanges) -> dict[ClawName, Change]:
    found: dict[ClawName, Change] = {}
    for pair in trimmed.pairs:
        claw = pair.before.claw
        if pair.before.view != "side" or claw is None:
            continue
        old, new = (each.photo.claws[claw].measures.get("heel_height") for each in (pair.before, pair.after))
        change = difference(old, new, sources[pair.before.photo.photo], sources[pair.after.photo.photo])
        if change is not None:
            found[claw] = at_least(change, smallest.get(("side", "heel_height")))
    return found


def _verdict(verdict: Verdict) -> VerdictRecord:
    return VerdictRecord(
        question=verdict.question,
        claw=verdict.claw,
        answer=verdict.answer,
        text=verdict.text,
        why=verdict.why,
        look_first=verdict.look_first,
        chain=tuple(
            {name: rounded(value) if isinstance(value, float) else value for name, value in row.items()}
            for row in verdict.chain
        ),
    )


def _number(value: float) -> float:
    result = rounded(float(value))
    assert result is not None
    return result


def _value(value: float, uncertainty: float) -> ValueRecord:
    return ValueRecord(value=_number(value), uncertainty=_number(uncertainty))


def _points(points: FloatArray) -> tuple[tuple[float, float], ...]:
    return tuple((round(float(x), 2) + 0.0, round(float(y), 2) + 0.0) for x, y in points)


def _marks(marks: Mapping[str, FloatArray]) -> dict[str, tuple[float, float]]:
    return dict(zip(marks, _points(np.array(list(marks.values()))), strict=True))
