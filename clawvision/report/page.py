"""What the report shows, in its order and its language, made from an assessment's record alone."""

from __future__ import annotations

import math
import re
from collections import Counter
from collections.abc import Mapping, Sequence
from functools import cache

import clawvision
from clawvision.compare.models import ComparedFootRecord
from clawvision.findings.book import packaged_rules
from clawvision.findings.profiles import Limb, Profile
from clawvision.findings.urgency import LEVELS
from clawvision.history.growth import FootGrowth
from clawvision.output.chain_words import number
from clawvision.output.explanation import feet_of
from clawvision.output.models import (
    AfterTrimRecord,
    AnimalRecord,
    AssessmentRecord,
    FootRecord,
    PhotoRecord,
    QuestionRecord,
    SpareRecord,
    UrgencyRecord,
)
from clawvision.report.catalogue import Catalogue, Said
from clawvision.report.grounds import Grounds
from clawvision.report.over_time import history_view
from clawvision.report.trimmed import trim_of, trimmed_view
from clawvision.report.views import (
    MOST_NAME,
    AfterView,
    AnimalView,
    FootView,
    HistoryView,
    Link,
    PageView,
    PhotoView,
    SoonRow,
    SpareView,
    Trim,
    TrimmedView,
    UrgencyView,
    shown,
)

_LIMBS: Mapping[str, Limb] = {"LF": "fore", "RF": "fore", "LH": "hind", "RH": "hind"}


def page_of(
    record: AssessmentRecord,
    catalogue: Catalogue,
    folder: str,
    *,
    exact: bool = False,
    profiles: Mapping[str, Profile] | None = None,
    history: Mapping[tuple[str, str], FootGrowth] | None = None,
    trims: Sequence[ComparedFootRecord] = (),
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
    history
        What a store tells of each foot, by animal and foot; None where there is no store.
    trims
        Feet that were compared before and after a trim.

    Returns
    -------
    PageView
        The animals with the most urgent first; each one's feet with the latest first.
    """
    return _Maker(record, catalogue, exact, profiles or {}, history, trims).page(folder)


class _Maker:
    """Makes the views of one record; holds what every part needs."""

    def __init__(
        self,
        record: AssessmentRecord,
        catalogue: Catalogue,
        exact: bool,
        profiles: Mapping[str, Profile],
        history: Mapping[tuple[str, str], FootGrowth] | None,
        trims: Sequence[ComparedFootRecord],
    ) -> None:
        self.history, self.trims = history, trims
        self.trimmed: list[Trim] = []
        self.record, self.words = record, catalogue
        self.photos = {photo.photo: photo for photo in record.photos}
        self.anchors = {photo.photo: f"p{place}" for place, photo in enumerate(record.photos, 1)}
        self.grounds = Grounds(catalogue, exact, self._photo_link)
        self.phrase, self.phrases = self.grounds.phrase, self.grounds.phrases
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

    def page(self, folder: str) -> PageView:
        record, run = self.record, self.record.run
        order = sorted(range(len(record.animals)), key=lambda place: -LEVELS.index(record.animals[place].urgency.level))
        by_animal: dict[str, list[FootRecord]] = {}
        for foot in record.feet:
            by_animal.setdefault(foot.animal, []).append(foot)
        animals = tuple(
            self._animal(f"a{place}", record.animals[each], by_animal) for place, each in enumerate(order, 1)
        )
        herd = shown(_photo_folder(run.command) or folder, MOST_NAME)
        count = Counter(photo.status for photo in record.photos)
        return PageView(
            title=self.words.word("head.title", herd=herd),
            herd=herd,
            day=shown(run.started[:10], 10),
            command=shown(" ".join(run.command), 400),
            version=shown(run.version, 40),
            counts={status: count[status] for status in ("measured", "review", "refused")},
            animals=animals,
            sources=self.grounds.sources,
            rules=self.grounds.rules,
            usual=self.grounds.usuals,
            unsure=tuple(
                self._photo(photo)
                for status in ("refused", "review")
                for photo in record.photos
                if photo.status == status
            ),
            strays=tuple(self._photo(photo) for name, photo in self.photos.items() if name not in self.places),
            trims=tuple(self.trimmed),
        )

    # --- animals and feet

    def _animal(self, anchor: str, animal: AnimalRecord, by_animal: Mapping[str, Sequence[FootRecord]]) -> AnimalView:
        own = self.record.model_copy(update={"feet": tuple(by_animal.get(animal.animal, ()))})
        records = feet_of(own, animal.animal, all_dates=True)
        latest = {id(foot) for foot in feet_of(own, animal.animal)}
        for place, foot in enumerate(records, 1):
            for photo in foot.photos:
                self.places.setdefault(
                    photo, Link(f"{shown(animal.animal, MOST_NAME)} {self._foot_short(foot)}", f"{anchor}f{place}")
                )
        feet = tuple(self._foot(f"{anchor}f{place}", foot) for place, foot in enumerate(records, 1))
        soon = [self._soon(foot, view) for foot, view in zip(records, feet, strict=True) if id(foot) in latest]
        questions = animal.urgency.questions
        return AnimalView(
            anchor=anchor,
            name=shown(animal.animal, MOST_NAME),
            urgency=self._urgency(animal.urgency),
            pattern=self.phrase(animal.pattern),
            findings=tuple(self.grounds.findings(anchor, animal.findings, self.words.word("foot.together"))),
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
        limb = _LIMBS.get(foot.foot or "")
        return FootView(
            anchor=anchor,
            name=self._foot_name(foot),
            when=shown(foot.date, 10) if foot.date else words.word("foot.no_day"),
            stage=words.word(f"stage.{foot.stage}"),
            profile=shown(f"{title} ({foot.profile})" if title else foot.profile, 300),
            photos=tuple(self._photo(photo) for photo in own),
            elsewhere=tuple(link for link in elsewhere if link is not None),
            urgency=self._urgency(foot.urgency),
            findings=tuple(self.grounds.findings(anchor, foot.findings, words.word("claw.both"))),
            measures=tuple(self.grounds.measures(photos, profile, limb)),
            usual=self.grounds.usual(profile, limb),
            trim=self.phrases(trim.text),
            veterinarian=trim.veterinarian,
            spare=tuple(self._spare(claw, spare) for claw, spare in trim.spare.items()),
            steps=self.phrases(trim.steps),
            slow_down=self.phrases(trim.slow_down),
            feel_for=self.phrases(trim.feel_for),
            cautions=self.phrases(trim.cautions),
            trim_chain=self.grounds.chain(trim.chain),
            after=None if foot.after_trim is None else self._after(foot.after_trim),
            trimmed=self._trimmed(anchor, foot),
            history=self._history(anchor, foot),
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
        """Return what an answer could change; nothing where it would make nothing more urgent."""
        words = self.words
        if question.could_become == urgency.level:
            return ""
        could = words.word("question.could", level=words.word(f"level.{question.could_become.replace(' ', '_')}"))
        if not question.settles:
            return could
        rules = "question.settles_one" if question.settles == 1 else "question.settles"
        return f"{could}; {words.word(rules, count=question.settles)}"

    def _trimmed(self, anchor: str, foot: FootRecord) -> TrimmedView | None:
        found = trim_of(self.trims, foot)
        if found is None or any(each.foot is found for each in self.trimmed):
            return None
        self.trimmed.append(Trim(found, anchor))
        names = [name for pair in found.pairs for name in (pair.before, pair.after)]
        links = {name: Link(shown(name, MOST_NAME), self.anchors[name]) for name in names if name in self.anchors}
        return trimmed_view(self.trimmed[-1], self.words, links)

    def _history(self, anchor: str, foot: FootRecord) -> HistoryView | None:
        if self.history is None:
            return None
        return history_view(self.history.get((foot.animal, foot.foot or "")), self.words, f"{anchor}h")

    # --- photos

    def _photo(self, photo: PhotoRecord) -> PhotoView:
        words = self.words
        name = shown(photo.photo, MOST_NAME)
        told = [
            shown(photo.animal, MOST_NAME),
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
            key=photo.photo,
        )

    def _photo_link(self, name: str) -> Link | None:
        if not name:
            return None
        return Link(shown(name, MOST_NAME), self.anchors.get(name, ""))

    # --- trimming

    def _spare(self, claw: str, spare: SpareRecord) -> SpareView:
        words = self.words
        whose = words.word(f"claw.{claw}")
        if spare.most is None:
            reason = self.phrase(spare.reason) if spare.reason else None
            return SpareView(whose, words.word("trim.spare_not"), reason, self.grounds.chain(spare.chain))
        # Rounded down: it is the most.
        most = words.number(f"{number(math.floor(spare.most * 10) / 10, 1)} {spare.unit}")
        return SpareView(whose, words.word("trim.spare_most", most=most), None, self.grounds.chain(spare.chain))

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
            chain=self.grounds.chain(after.chain),
        )


@cache
def _observed() -> tuple[re.Pattern[str], ...]:
    """Return how the sentences look that tell what a person saw."""
    texts = [row.text.split("{value}") for row in packaged_rules().observed]
    return tuple(re.compile(".{1,20}".join(re.escape(part) for part in parts)) for parts in texts)


def _photo_folder(command: Sequence[str]) -> str:
    """Return the folder that an assess command named first, or an empty string."""
    words = list(command)
    if "assess" not in words:
        return ""
    rest = words[words.index("assess") + 1 :]
    return rest[0] if rest and not rest[0].startswith("-") else ""
