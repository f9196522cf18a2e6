"""Before and after a trim in the report: what `clawvision.compare` finds in the photos of one assessment."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence

from clawvision.compare.comparison import compared
from clawvision.compare.given import given_of
from clawvision.compare.models import ChangeRecord, ComparedFootRecord, PairRecord
from clawvision.compare.picture import Shown, pair_picture
from clawvision.compare.wording import balance_word
from clawvision.errors import UsageError
from clawvision.findings.book import packaged_rules
from clawvision.findings.profiles import Profile
from clawvision.output.models import AssessmentRecord, FootRecord, PhotoRecord
from clawvision.output.wording import value_text
from clawvision.report.catalogue import Catalogue, Said
from clawvision.report.pictures import Thumbnail, small_picture
from clawvision.report.views import Link, PairView, Trim, TrimmedView, said, shown
from clawvision.types import Measure

_TOLD = ("toe_length", "toe_angle", "heel_height", "sole_length", "sole_width", "length_difference", "width_difference")
_SIDE, _QUALITY = 720, 60
_MOST_DRAWN = 60
"""Drawing one takes a good part of a second; a herd's whole trim is for clawvision compare."""


def compared_feet(record: AssessmentRecord, profiles: Mapping[str, Profile]) -> tuple[ComparedFootRecord, ...]:
    """Return the feet of which photos from before and after one trim are there; none where a profile is not at hand."""
    if not {"before", "after"} <= {photo.stage for photo in record.photos if photo.status != "refused"}:
        return ()
    try:
        return compared([given_of(record)], profiles, packaged_rules()).feet
    except UsageError:
        # A profile of the herd's own that was not named: what the record itself says of the trim is shown all the same.
        return ()


def trim_of(feet: Sequence[ComparedFootRecord], foot: FootRecord) -> ComparedFootRecord | None:
    """Return the comparison whose photos from after are those of this foot."""
    if foot.stage != "after":
        return None
    own = set(foot.photos)
    return next((each for each in feet if any(pair.after in own for pair in each.pairs)), None)


def trimmed_view(trim: Trim, words: Catalogue, links: Mapping[str, Link]) -> TrimmedView:
    """Return a comparison in the report's words; ``links`` lead to the photos by their names."""
    pairs = tuple(_pair(f"{trim.anchor}t{place}", pair, words, links) for place, pair in enumerate(trim.foot.pairs, 1))
    # What is decided first: what is not known or too close would else stand in its way.
    ordered = sorted(trim.foot.verdicts, key=lambda each: each.answer not in ("yes", "no"))
    told = [said(verdict.text, words) for verdict in ordered]
    balance = [
        Said(_change(_word(each.measure, words) or balance_word(each), each, words), words.language)
        for each in trim.foot.balance
    ]
    return TrimmedView(pairs, (*told, *balance))


def trim_pictures(trims: Sequence[Trim], photos: Sequence[PhotoRecord], most: int) -> Mapping[str, Thumbnail]:
    """Return the pictures of both outlines, by the pairs' anchors, as many as go into so many bytes."""
    known = {photo.photo: photo for photo in photos}
    found: dict[str, Thumbnail] = {}
    total = 0
    for anchor, foot, pair in _drawn(trims):
        if len(found) >= _MOST_DRAWN or pair.claw is None:
            break
        before, after = (Shown(None, known[name].claws[pair.claw], "") for name in (pair.before, pair.after))
        small = small_picture(pair_picture(foot, pair, (before, after)), _SIDE, _QUALITY)
        total += len(small.data)
        if total > most:
            break
        found[anchor] = small
    return found


def _drawn(trims: Sequence[Trim]) -> Iterator[tuple[str, ComparedFootRecord, PairRecord]]:
    for trim in trims:
        for place, pair in enumerate(trim.foot.pairs, 1):
            if _is_drawn(pair):
                yield f"{trim.anchor}t{place}", trim.foot, pair


def _is_drawn(pair: PairRecord) -> bool:
    return pair.claw is not None and bool(pair.outline_before_mm)


def _pair(anchor: str, pair: PairRecord, words: Catalogue, links: Mapping[str, Link]) -> PairView:
    claw = words.word(f"claw.{pair.claw or 'both'}")
    notes = []
    if pair.fit is not None and not pair.fit.overlaid and pair.fit.reason:
        notes.append(Said(words.word("trimmed.not_laid"), words.language))
        notes.append(said(pair.fit.reason, words))
    if pair.horn is not None:
        net = pair.horn.net
        key = "trimmed.horn" if net.value > net.uncertainty else "trimmed.horn_doubt"
        area = words.number(value_text(Measure(net.value, net.uncertainty, "mm2")))
        notes.append(Said(words.word(key, area=area), words.language))
    if pair.look_first:
        names = ", ".join(shown(name, 80) for name in pair.look_first)
        notes.append(Said(words.word("trimmed.look_first", photos=names), words.language))
    return PairView(
        anchor=anchor,
        caption=words.word("trimmed.pair", claw=claw, view=words.word(f"view.{pair.view}")),
        photos=tuple(links[name] for name in (pair.before, pair.after) if name in links),
        changes=tuple(
            _change(_word(each.measure, words) or each.measure, each, words)
            for each in pair.changes
            if each.measure in _TOLD
        ),
        notes=tuple(notes),
        drawn=_is_drawn(pair),
    )


def _change(name: str, change: ChangeRecord, words: Catalogue) -> str:
    before, after, by = (
        words.number(value_text(Measure(each.value, each.uncertainty, change.unit)))
        for each in (change.before, change.after, change.change)
    )
    text = words.word("trimmed.change", name=name, before=before, after=after, by=by)
    if abs(change.change.value) <= change.change.uncertainty:
        text += f", {words.word('trimmed.too_close')}"
    return text


def _word(measure: str, words: Catalogue) -> str:
    key = f"measure.{measure}"
    return words.word(key) if words.has(key) else ""
