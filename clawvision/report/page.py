"""What the report shows, in its order and its language, made from an assessment's record alone."""

from __future__ import annotations

import math
import re
import unicodedata
from collections import Counter
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from functools import cache
from typing import Any

import clawvision
from clawvision.findings.book import packaged_rules
from clawvision.findings.profiles import Limb, Profile, ProfileValue
from clawvision.findings.urgency import LEVELS
from clawvision.findings.values import PROFILE_VALUES
from clawvision.output.chain_words import amount, conditions, estimate, number
from clawvision.output.explanation import feet_of
from clawvision.output.models import (
    AfterTrimRecord,
    AnimalRecord,
    AssessmentRecord,
    FindingRecord,
    FootRecord,
    MeasureRecord,
    PhotoRecord,
    QuestionRecord,
    SpareRecord,
    UrgencyRecord,
)
from clawvision.output.wording import clean, value_text
from clawvision.report.catalogue import Catalogue, Said
from clawvision.types import Measure

_MOST_NAME = 80
_MOST_TEXT = 4000
_LIMBS: Mapping[str, Limb] = {"LF": "fore", "RF": "fore", "LH": "hind", "RH": "hind"}
_CLAW_NAME = re.compile(r"(outer|inner|left|right) ([a-z_]+)")
_RANGES: Mapping[str, tuple[str | None, str | None]] = {
    "toe_length": ("toe_length_usual_low", "toe_length_usual_high"),
    "toe_angle": ("toe_angle_usual_low", "toe_angle_usual_high"),
    "heel_height": ("heel_height_minimum", "heel_height_high"),
    "toe_lift": (None, "toe_lift_limit"),
    "dorsal_concavity": (None, "dorsal_concavity_limit"),
    "axial_twist": ("axial_twist_low", "axial_twist_high"),
    "helical_twist": (None, "helical_twist_high"),
    "roll": (None, "roll_high"),
    "sole_tilt": ("sole_tilt_low", "sole_tilt_high"),
    "splay": (None, "splay_limit"),
    "toe_overlap": (None, "toe_overlap_limit"),
}
"""Which values of a profile a measure is shown beside: lower and upper end."""


@dataclass(frozen=True, slots=True)
class Link:
    """Words that lead to a place of the page."""

    text: str
    anchor: str


@dataclass(frozen=True, slots=True)
class PhotoView:
    """A photo, where it is shown, and what is wrong with it."""

    anchor: str
    name: str
    status: str
    status_word: str
    caption: str
    reasons: tuple[tuple[Said, Said], ...]
    place: Link | None
    key: str
    """The photo's name in the record, by which its picture is found; never a path."""


@dataclass(frozen=True, slots=True)
class ChainView:
    """A row of the numbers behind something that is said."""

    what: Said
    value: str
    how: Said | None
    limit: str
    meaning: Said | None
    side: str
    source: Said | None
    status: str
    photo: Link | None


@dataclass(frozen=True, slots=True)
class FindingView:
    """A finding, in plain words and exact ones, with all that it rests on."""

    anchor: str
    whose: str
    title: Said
    text: Said
    folded_title: str
    folded: Said | None
    strength: str
    chain: tuple[ChainView, ...]
    asks: tuple[str, ...]
    rule: str
    basis: Said | None
    told: tuple[tuple[str, Said], ...]
    photos: tuple[Link, ...]


@dataclass(frozen=True, slots=True)
class UrgencyView:
    """How soon, and why."""

    level: str
    word: str
    sign: str
    at_least: bool
    text: Said
    reasons: tuple[Said, ...]
    questions: tuple[tuple[Said, str], ...]


@dataclass(frozen=True, slots=True)
class MeasureView:
    """A measure of one photo beside what is usual."""

    name: str
    claw: str
    value: str
    reason: Said | None
    usual: str
    against: str
    sources: tuple[tuple[Said, str], ...]
    photo: Link


@dataclass(frozen=True, slots=True)
class SpareView:
    """How much toe could be spare on a claw, or why that is not said."""

    claw: str
    text: str
    reason: Said | None
    chain: tuple[ChainView, ...]


@dataclass(frozen=True, slots=True)
class AfterView:
    """What a trim did."""

    compared: tuple[Link, ...]
    parts: tuple[tuple[str, tuple[Said, ...]], ...]
    next_look: str
    chain: tuple[ChainView, ...]


@dataclass(frozen=True, slots=True)
class FootView:
    """All about one foot at one stage and date."""

    anchor: str
    name: str
    when: str
    stage: str
    profile: str
    photos: tuple[PhotoView, ...]
    elsewhere: tuple[Link, ...]
    """Photos of this foot that are shown at another place."""
    urgency: UrgencyView
    findings: tuple[FindingView, ...]
    measures: tuple[MeasureView, ...]
    references_known: bool
    sources: tuple[tuple[str, Said, str], ...]
    trim: tuple[Said, ...]
    veterinarian: bool
    spare: tuple[SpareView, ...]
    steps: tuple[Said, ...]
    slow_down: tuple[Said, ...]
    feel_for: tuple[Said, ...]
    cautions: tuple[Said, ...]
    trim_chain: tuple[ChainView, ...]
    after: AfterView | None


@dataclass(frozen=True, slots=True)
class SoonRow:
    """A foot in the table of who has to be lifted."""

    link: Link
    word: str
    reasons: tuple[tuple[str, tuple[Said, ...]], ...]
    """What a person saw, under no name, then the findings' titles by claw."""


@dataclass(frozen=True, slots=True)
class AnimalView:
    """All about one animal."""

    anchor: str
    name: str
    urgency: UrgencyView
    pattern: Said
    findings: tuple[FindingView, ...]
    feet: tuple[FootView, ...]
    soon: tuple[SoonRow, ...]
    ask: Said | None


@dataclass(frozen=True, slots=True)
class PageView:
    """The whole report."""

    title: str
    herd: str
    day: str
    command: str
    version: str
    counts: Mapping[str, int]
    animals: tuple[AnimalView, ...]
    unsure: tuple[PhotoView, ...]
    strays: tuple[PhotoView, ...]
    exact: bool


def shown(text: str, most: int = _MOST_TEXT) -> str:
    """Return text from outside without what does not print or turns its direction, on one line."""
    return clean(text, most)


def capital(text: str) -> str:
    """Return text with its first letter as a capital, the rest as it is."""
    return text[:1].upper() + text[1:]


def page_of(
    record: AssessmentRecord,
    catalogue: Catalogue,
    folder: str,
    *,
    exact: bool = False,
    profiles: Mapping[str, Profile] | None = None,
) -> PageView:
    """Return what the report shows.

    Parameters
    ----------
    record
        The assessment.
    catalogue
        The words of the language that it is read in.
    folder
        Name of the assessment's folder, for the title where the record does not name the photos' folder.
    exact
        Findings in a veterinarian's words first, the plain ones folded; else the other way round.
    profiles
        Profiles by name. One is used only where it is what the run compared with, by its title and sources.

    Returns
    -------
    PageView
        The animals with the most urgent first; each one's feet with the latest first.
    """
    return _Maker(record, catalogue, exact, profiles or {}).page(folder)


class _Maker:
    """Makes the views of one record; holds what every part needs."""

    def __init__(
        self, record: AssessmentRecord, catalogue: Catalogue, exact: bool, profiles: Mapping[str, Profile]
    ) -> None:
        self.record, self.words, self.exact = record, catalogue, exact
        self.photos = {photo.photo: photo for photo in record.photos}
        self.anchors = {photo.photo: f"p{place}" for place, photo in enumerate(record.photos, 1)}
        self.profiles = {name: each for name, each in profiles.items() if self._is_the_runs(each)}
        own = {source.name: source.title for source in record.run.reference_profiles}
        self.titles = {name: self.phrase(title).text for name, title in own.items() if title}
        self.places: dict[str, Link] = {}

    def _is_the_runs(self, profile: Profile) -> bool:
        """Return whether a profile at hand is the one that the run used, by all that the record tells of it."""
        values = [value for limb in profile.values.values() for value in limb.values()]
        sources = tuple(dict.fromkeys(f"{value.source} [{value.status}]" for value in values))
        return self.record.run.version == clawvision.__version__ and any(
            (each.name, each.title, each.sources) == (profile.name, profile.title, sources)
            for each in self.record.run.reference_profiles
        )

    def phrase(self, text: str) -> Said:
        said = self.words.phrase(text)
        return Said(shown(said.text), said.language)

    def phrases(self, texts: Iterable[str]) -> tuple[Said, ...]:
        return tuple(self.phrase(text) for text in texts)

    def page(self, folder: str) -> PageView:
        record, run = self.record, self.record.run
        order = sorted(range(len(record.animals)), key=lambda place: -LEVELS.index(record.animals[place].urgency.level))
        by_animal: dict[str, list[FootRecord]] = {}
        for foot in record.feet:
            by_animal.setdefault(foot.animal, []).append(foot)
        animals = tuple(
            self._animal(f"a{place}", record.animals[each], by_animal) for place, each in enumerate(order, 1)
        )
        herd = shown(_photo_folder(run.command) or folder, _MOST_NAME)
        count = Counter(photo.status for photo in record.photos)
        return PageView(
            title=self.words.word("head.title", herd=herd),
            herd=herd,
            day=shown(run.started[:10], 10),
            command=shown(" ".join(run.command), 400),
            version=shown(run.version, 40),
            counts={status: count[status] for status in ("measured", "review", "refused")},
            animals=animals,
            unsure=tuple(
                self._photo(photo)
                for status in ("refused", "review")
                for photo in record.photos
                if photo.status == status
            ),
            strays=tuple(self._photo(photo) for name, photo in self.photos.items() if name not in self.places),
            exact=self.exact,
        )

    # --- animals and feet

    def _animal(self, anchor: str, animal: AnimalRecord, by_animal: Mapping[str, Sequence[FootRecord]]) -> AnimalView:
        own = self.record.model_copy(update={"feet": tuple(by_animal.get(animal.animal, ()))})
        records = feet_of(own, animal.animal, all_dates=True)
        latest = {id(foot) for foot in feet_of(own, animal.animal)}
        for place, foot in enumerate(records, 1):
            for photo in foot.photos:
                self.places.setdefault(
                    photo, Link(f"{shown(animal.animal, _MOST_NAME)} {self._foot_short(foot)}", f"{anchor}f{place}")
                )
        feet = tuple(self._foot(f"{anchor}f{place}", foot) for place, foot in enumerate(records, 1))
        soon = [self._soon(foot, view) for foot, view in zip(records, feet, strict=True) if id(foot) in latest]
        questions = animal.urgency.questions
        return AnimalView(
            anchor=anchor,
            name=shown(animal.animal, _MOST_NAME),
            urgency=self._urgency(animal.urgency),
            pattern=self.phrase(animal.pattern),
            findings=tuple(self._findings(anchor, animal.findings, self.words.word("foot.together"))),
            feet=feet,
            soon=tuple(row for _, row in sorted(soon, key=lambda each: -each[0])),
            ask=self.phrase(questions[0].text) if questions else None,
        )

    def _soon(self, foot: FootRecord, view: FootView) -> tuple[int, SoonRow]:
        """Return how urgent a foot is, and its row: what a person saw, and what the photos show."""
        seen = [text for text in foot.urgency.reasons if any(each.fullmatch(text) for each in _observed())]
        if foot.urgency.level == "unknown" and not seen:
            # What is open is then the reason.
            seen = list(foot.urgency.reasons[:1])
        reasons: dict[str, list[Said]] = {}
        if seen:
            reasons[""] = [self.phrase(text) for text in seen]
        for each in view.findings:
            reasons.setdefault(each.whose, []).append(each.title)
        rows = tuple(
            (whose, tuple(Said(text.text.removesuffix("."), text.language) for text in texts))
            for whose, texts in reasons.items()
        )
        return LEVELS.index(foot.urgency.level), SoonRow(
            Link(self._foot_name(foot), view.anchor), view.urgency.word, rows
        )

    def _foot_short(self, foot: FootRecord) -> str:
        return foot.foot or self.words.word("foot.unnamed")

    def _foot_name(self, foot: FootRecord) -> str:
        return self.words.word(f"foot.{foot.foot}") if foot.foot else self.words.word("foot.unnamed")

    def _foot(self, anchor: str, foot: FootRecord) -> FootView:
        words = self.words
        names = dict.fromkeys(foot.photos)
        photos = [self.photos[name] for name in names if name in self.photos]
        own = [photo for photo in photos if self.places[photo.photo].anchor == anchor]
        elsewhere = [self._photo_link(name) for name in names if self.places[name].anchor != anchor]
        profile = self.profiles.get(foot.profile)
        title = self.titles.get(foot.profile)
        trim = foot.trim
        measures = tuple(self._measures(photos, profile, _LIMBS.get(foot.foot or "")))
        return FootView(
            anchor=anchor,
            name=self._foot_name(foot),
            when=shown(foot.date, 10) if foot.date else words.word("foot.no_day"),
            stage=words.word(f"stage.{foot.stage}"),
            profile=shown(f"{title} ({foot.profile})" if title else foot.profile, 300),
            photos=tuple(self._photo(photo) for photo in own),
            elsewhere=tuple(link for link in elsewhere if link is not None),
            urgency=self._urgency(foot.urgency),
            findings=tuple(self._findings(anchor, foot.findings, words.word("claw.both"))),
            measures=measures,
            sources=tuple(dict.fromkeys((each.name, *source) for each in measures for source in each.sources)),
            references_known=profile is not None and foot.foot is not None,
            trim=self.phrases(trim.text),
            veterinarian=trim.veterinarian,
            spare=tuple(self._spare(claw, spare) for claw, spare in trim.spare.items()),
            steps=self.phrases(trim.steps),
            slow_down=self.phrases(trim.slow_down),
            feel_for=self.phrases(trim.feel_for),
            cautions=self.phrases(trim.cautions),
            trim_chain=self._chain(trim.chain),
            after=None if foot.after_trim is None else self._after(foot.after_trim),
        )

    def _urgency(self, urgency: UrgencyRecord) -> UrgencyView:
        words = self.words
        key = urgency.level.replace(" ", "_")
        return UrgencyView(
            level=key,
            word=words.word(f"level.{key}"),
            sign=words.word(f"level_sign.{key}"),
            at_least=urgency.at_least,
            text=self.phrase(urgency.text),
            reasons=self.phrases(urgency.reasons),
            questions=tuple((self.phrase(each.text), self._worth(each, urgency)) for each in urgency.questions),
        )

    def _worth(self, question: QuestionRecord, urgency: UrgencyRecord) -> str:
        words = self.words
        if question.could_become != urgency.level:
            could = words.word("question.could", level=words.word(f"level.{question.could_become.replace(' ', '_')}"))
        else:
            could = words.word("question.no_sooner")
        if not question.settles:
            return could
        rules = "question.settles_one" if question.settles == 1 else "question.settles"
        return f"{could}; {words.word(rules, count=question.settles)}"

    # --- photos

    def _photo(self, photo: PhotoRecord) -> PhotoView:
        words = self.words
        name = shown(photo.photo, _MOST_NAME)
        told = [
            shown(photo.animal, _MOST_NAME),
            words.word(f"foot.{photo.foot}") if photo.foot else words.word("foot.unnamed"),
            words.word(f"claw.{photo.claw}") if photo.claw and photo.view == "side" else "",
            words.word(f"view.{photo.view}") if photo.view else "",
            words.word(f"stage.{photo.stage}"),
        ]
        return PhotoView(
            anchor=self.anchors[photo.photo],
            name=name,
            status=photo.status,
            status_word=words.word(f"status.{photo.status}"),
            caption=", ".join(each for each in told if each),
            reasons=tuple((self.phrase(each.message), self.phrase(each.advice)) for each in photo.reasons),
            place=self.places.get(photo.photo),
            key=photo.photo,
        )

    def _photo_link(self, name: str) -> Link | None:
        if not name:
            return None
        return Link(shown(name, _MOST_NAME), self.anchors.get(name, ""))

    def _measures(
        self, photos: Sequence[PhotoRecord], profile: Profile | None, limb: Limb | None
    ) -> Iterator[MeasureView]:
        for photo in photos:
            if photo.status == "refused":
                continue
            rows: list[tuple[str, str, MeasureRecord]] = [
                (claw, name, measure)
                for claw, record in photo.claws.items()
                for name, measure in record.measures.items()
            ]
            rows += [("both", name, measure) for name, measure in photo.foot_measures.items()]
            link = self._photo_link(photo.photo)
            assert link is not None  # a photo has a name
            for claw, name, measure in rows:
                yield self._measure(claw, name, measure, link, profile, limb)

    def _measure(
        self, claw: str, name: str, measure: MeasureRecord, link: Link, profile: Profile | None, limb: Limb | None
    ) -> MeasureView:
        low, high = (
            profile.value(limb, each) if profile and limb and each else None for each in _RANGES.get(name, (None, None))
        )
        text = value_text(Measure(measure.value, measure.uncertainty, measure.unit))
        return MeasureView(
            name=self._measure_word(name),
            claw=self.words.word(f"claw.{claw}"),
            value=self.words.number(text) if measure.value is not None else self.words.word("measure_table.not_taken"),
            reason=self.phrase(measure.reason) if measure.reason else None,
            usual=self._usual(low, high),
            against=self.words.word(f"against.{_against(measure, low, high)}"),
            sources=tuple(
                dict.fromkeys(
                    (self.phrase(each.source), self.words.word(f"value_status.{each.status}"))
                    for each in (low, high)
                    if each
                )
            ),
            photo=link,
        )

    def _usual(self, low: ProfileValue | None, high: ProfileValue | None) -> str:
        ends = [self.words.number(amount(each.value, each.unit)) if each else "" for each in (low, high)]
        if all(ends):
            return self.words.word("measure_table.between", low=ends[0], high=ends[1])
        if ends[0]:
            return self.words.word("measure_table.at_least", low=ends[0])
        return self.words.word("measure_table.at_most", high=ends[1]) if ends[1] else ""

    def _measure_word(self, name: str) -> str:
        key = f"measure.{name}"
        return self.words.word(key) if self.words.has(key) else shown(name.replace("_", " "), 60)

    # --- findings and their chains

    def _findings(self, anchor: str, findings: Sequence[FindingRecord], together: str) -> Iterator[FindingView]:
        words = self.words
        for place, finding in enumerate(findings, 1):
            exact = self.phrase(finding.exact) if finding.exact else None
            plain = self.phrase(finding.text)
            first, second = (exact, plain) if self.exact and exact is not None else (plain, exact)
            told = [
                ("finding.also", finding.also_explained_by),
                ("finding.where", finding.where),
                ("finding.look_for", finding.look_for),
                ("finding.term", finding.icar_term or ""),
            ]
            names = dict.fromkeys(
                row["photo"] for row in finding.chain if isinstance(row.get("photo"), str) and row["photo"]
            )
            links = [self._photo_link(str(name)) for name in names]
            yield FindingView(
                anchor=f"{anchor}x{place}",
                whose=words.word(f"claw.{finding.claw}") if finding.claw else together,
                title=self.phrase(finding.title or finding.code),
                text=first,
                folded_title=words.word("finding.plain" if self.exact else "finding.exact"),
                folded=second,
                strength=words.word(f"strength.{finding.strength}"),
                chain=self._chain(finding.chain),
                asks=tuple(shown(each, 300) for each in conditions(finding.chain, finding.rule)),
                rule=shown(finding.rule or finding.code, 80),
                basis=self.phrase(finding.basis) if finding.basis else None,
                told=tuple((words.word(key), self.phrase(text)) for key, text in told if text),
                photos=tuple(link for link in links if link is not None and link.anchor),
            )

    def _chain(self, rows: Sequence[Mapping[str, Any]]) -> tuple[ChainView, ...]:
        """Return what was measured, then values that went in, then what was computed, then each comparison."""
        told = [(_rank(row), self._chain_row(row)) for row in rows]
        ordered = [view for _, view in sorted(told, key=lambda each: each[0])]
        return tuple(dict.fromkeys(ordered))

    def _chain_row(self, row: Mapping[str, Any]) -> ChainView:
        words = self.words
        unit, value, limit = _text(row, "unit"), _number(row, "value"), _number(row, "limit")
        limit_name, source, status = _text(row, "limit_name"), _text(row, "source"), _text(row, "status")
        kind = PROFILE_VALUES.get(limit_name)
        measure = _text(row, "measure")
        name = measure or limit_name or _text(row, "fact")
        return ChainView(
            what=self._quantity(name),
            value="" if value is None else self._amount(estimate(value, _number(row, "uncertainty"), unit)),
            how=Said(shown(_text(row, "formula"), 400), "en") if _text(row, "formula") else None,
            limit="" if limit is None else self._amount(amount(limit, unit)),
            meaning=self.phrase(kind.meaning) if kind else None,
            side=words.word(f"side.{_text(row, 'condition')}") if words.has(f"side.{_text(row, 'condition')}") else "",
            source=self.phrase(source) if source else None,
            status=words.word(f"value_status.{status}") if words.has(f"value_status.{status}") else shown(status, 40),
            photo=self._photo_link(_text(row, "photo")),
        )

    def _amount(self, text: str) -> str:
        text = self.words.number(shown(text, 120))
        for unit in ("mm a month", "months", "days"):
            if text.endswith(f" {unit}"):
                return text.removesuffix(unit) + self.words.word(f"filled.{unit}")
        return text

    def _quantity(self, name: str) -> Said:
        """Return a quantity in words, with its claw, or its name as it is where there are none."""
        match = _CLAW_NAME.fullmatch(name)
        claw, bare = (match[1], match[2]) if match else ("", name)
        for group in ("measure", "quantity"):
            key = f"{group}.{bare}"
            if self.words.has(key):
                text = self.words.word(key)
                return Said(
                    capital(f"{self.words.word(f'claw.{claw}')}: {text}" if claw else text), self.words.language
                )
        return Said(shown(name, 120), "en")

    # --- trimming

    def _spare(self, claw: str, spare: SpareRecord) -> SpareView:
        words = self.words
        whose = words.word(f"claw.{claw}")
        if spare.most is None:
            reason = self.phrase(spare.reason) if spare.reason else None
            return SpareView(whose, words.word("trim.spare_not"), reason, self._chain(spare.chain))
        # Rounded down: it is the most.
        most = words.number(f"{number(math.floor(spare.most * 10) / 10, 1)} {spare.unit}")
        return SpareView(whose, words.word("trim.spare_most", most=most), None, self._chain(spare.chain))

    def _after(self, after: AfterTrimRecord) -> AfterView:
        parts = {
            "after.achieved": after.achieved,
            "after.open": after.open,
            "after.harm": after.harm,
            "after.expectation": after.expectation,
        }
        links = [self._photo_link(name) for name in after.compared_with]
        return AfterView(
            compared=tuple(link for link in links if link is not None),
            parts=tuple((self.words.word(key), self.phrases(texts)) for key, texts in parts.items() if texts),
            next_look=shown(after.next_look or "", 10),
            chain=self._chain(after.chain),
        )


@cache
def _observed() -> tuple[re.Pattern[str], ...]:
    """Return how the sentences look that tell what a person saw."""
    texts = [row.text.split("{value}") for row in packaged_rules().observed]
    return tuple(re.compile(".{1,20}".join(re.escape(part) for part in parts)) for parts in texts)


def _against(measure: MeasureRecord, low: ProfileValue | None, high: ProfileValue | None) -> str:
    """Return on which side of what is usual a value lies with its whole interval."""
    if measure.value is None or measure.uncertainty is None or not (low or high):
        return "none"
    least, most = measure.value - measure.uncertainty, measure.value + measure.uncertainty
    if high is not None and least > high.value:
        return "above"
    if low is not None and most < low.value:
        return "below"
    inside = (low is None or least >= low.value) and (high is None or most <= high.value)
    return "within" if inside else "close"


def _rank(row: Mapping[str, Any]) -> int:
    if _text(row, "condition"):
        return 3
    if _text(row, "formula"):
        return 2
    return 0 if _number(row, "value") is not None else 1


def _text(row: Mapping[str, Any], name: str) -> str:
    value = row.get(name)
    return unicodedata.normalize("NFC", value) if isinstance(value, str) else ""


def _number(row: Mapping[str, Any], name: str) -> float | None:
    value = row.get(name)
    if isinstance(value, bool) or not isinstance(value, (int, float)) or abs(value) > 1e300:
        return None
    return float(value)


def _photo_folder(command: Sequence[str]) -> str:
    """Return the folder that an assess command named first, or an empty string."""
    words = list(command)
    if "assess" not in words:
        return ""
    rest = words[words.index("assess") + 1 :]
    return rest[0] if rest and not rest[0].startswith("-") else ""
