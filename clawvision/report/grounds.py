"""What stands behind what the report says: measures beside what is usual, and the numbers, limits and sources."""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from typing import Any

from clawvision.findings.profiles import Limb, Profile, ProfileValue
from clawvision.findings.values import PROFILE_VALUES
from clawvision.output.chain_words import amount, estimate
from clawvision.output.models import FindingRecord, MeasureRecord, PhotoRecord
from clawvision.output.wording import value_text
from clawvision.report.catalogue import Catalogue, Said
from clawvision.report.views import (
    ChainView,
    FindingView,
    Link,
    MeasuresView,
    MeasureView,
    ReferenceView,
    RuleView,
    SourceView,
    UsualView,
    capital,
    said,
    shown,
)
from clawvision.types import Measure

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
_COMPUTED = "computed"
"""The source of a row that a formula made: the formula itself stands in the row."""


class Grounds:
    """Makes the views of numbers; keeps each source and each rule once, in the order in which they are first named."""

    def __init__(self, words: Catalogue, exact: bool, photo_link: Callable[[str], Link | None]) -> None:
        self.words, self.exact, self.photo_link = words, exact, photo_link
        self._sources: dict[tuple[str, str], SourceView] = {}
        self._usuals: dict[tuple[str, str], UsualView] = {}
        self._rules: dict[tuple[str, str], RuleView] = {}

    @property
    def sources(self) -> tuple[SourceView, ...]:
        """Return all sources that were named so far."""
        return tuple(self._sources.values())

    @property
    def rules(self) -> tuple[RuleView, ...]:
        """Return all rules that were named so far and that tell what they stand on."""
        return tuple(self._rules.values())

    @property
    def usuals(self) -> tuple[UsualView, ...]:
        """Return what is usual by each profile and limb that was named so far."""
        return tuple(self._usuals.values())

    def phrase(self, text: str) -> Said:
        """Return a text of the record in the report's language, where it is known."""
        return said(text, self.words)

    # --- measures

    def measures(
        self, photos: Sequence[PhotoRecord], profile: Profile | None, limb: Limb | None
    ) -> Iterator[MeasuresView]:
        """Give what each photo measured, claw by claw, beside what the profile calls usual."""
        for photo in photos:
            link = self.photo_link(photo.photo)
            if photo.status == "refused" or link is None:
                continue
            told: list[tuple[str, Mapping[str, MeasureRecord]]] = [
                (claw, record.measures) for claw, record in photo.claws.items()
            ]
            for claw, measures in (*told, ("both", photo.foot_measures)):
                if measures:
                    yield self._measures(claw, measures, link, profile, limb)

    def _measures(
        self, claw: str, measures: Mapping[str, MeasureRecord], link: Link, profile: Profile | None, limb: Limb | None
    ) -> MeasuresView:
        missing: dict[str, list[str]] = {}
        for name, measure in measures.items():
            if measure.value is None:
                missing.setdefault(measure.reason or "", []).append(self._measure_word(name))
        return MeasuresView(
            claw=self.words.word(f"claw.{claw}"),
            photo=link,
            taken=tuple(
                self._measure(name, measure, profile, limb)
                for name, measure in measures.items()
                if measure.value is not None
            ),
            missing=tuple((", ".join(names), self.phrase(why) if why else None) for why, names in missing.items()),
            missed=sum(map(len, missing.values())),
        )

    def _measure(self, name: str, measure: MeasureRecord, profile: Profile | None, limb: Limb | None) -> MeasureView:
        low, high = (
            profile.value(limb, each) if profile and limb and each else None for each in _RANGES.get(name, (None, None))
        )
        against = _against(measure, low, high)
        return MeasureView(
            name=self._measure_word(name),
            value=self.words.number(value_text(Measure(measure.value, measure.uncertainty, measure.unit))),
            usual=self._usual(low, high),
            against=self.words.word(f"against.{against}") if against else "",
        )

    def usual(self, profile: Profile | None, limb: Limb | None) -> Link | None:
        """Return a link to what is usual for a limb by a profile, which is kept to be told once."""
        if profile is None or limb is None:
            return None
        view = self._usuals.get((profile.name, limb))
        if view is None:
            title = self.phrase(profile.title).text or profile.name
            view = UsualView(
                Link(f"{title}: {self.words.word(f'limb.{limb}')}", f"u{len(self._usuals) + 1}"),
                tuple(self._usual_rows(profile, limb)),
            )
            self._usuals[(profile.name, limb)] = view
        return view.link

    def _usual_rows(self, profile: Profile, limb: Limb) -> Iterator[tuple[str, str, tuple[ReferenceView, ...]]]:
        for name, ends in _RANGES.items():
            low, high = (profile.value(limb, each) if each else None for each in ends)
            known = [each for each in (low, high) if each is not None]
            if known:
                references = dict.fromkeys(self._reference(each.source, each.status) for each in known)
                yield self._measure_word(name), self._usual(low, high), tuple(references)

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

    def findings(self, anchor: str, findings: Sequence[FindingRecord], together: str) -> Iterator[FindingView]:
        """Give the findings of a foot, or those of all feet ``together``, each with what it rests on."""
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
            links = [self.photo_link(str(name)) for name in names]
            yield FindingView(
                anchor=f"{anchor}x{place}",
                whose=words.word(f"claw.{finding.claw}") if finding.claw else together,
                title=self.phrase(finding.title or finding.code),
                text=first,
                folded_title=words.word("finding.plain" if self.exact else "finding.exact"),
                folded=second,
                strength=words.word(f"strength.{finding.strength}"),
                chain=self.chain(finding.chain),
                rule=self._rule(finding),
                told=tuple((words.word(key), self.phrase(text)) for key, text in told if text),
                photos=tuple(link for link in links if link is not None and link.anchor),
            )

    def _rule(self, finding: FindingRecord) -> Link:
        name = finding.rule or finding.code
        if not finding.basis:
            return Link(shown(name, 80), "")
        view = self._rules.get((name, finding.basis))
        if view is None:
            view = RuleView(f"r{len(self._rules) + 1}", shown(name, 80), self.phrase(finding.basis))
            self._rules[(name, finding.basis)] = view
        return Link(view.name, view.anchor)

    def chain(self, rows: Sequence[Mapping[str, Any]]) -> tuple[ChainView, ...]:
        """Return what was measured, then values that went in, then what was computed, then each comparison.

        What a comparison tells already, its measure and its limit, is not told a second time by itself.
        """
        told = {part for row in rows if _text(row, "condition") for part in _told(row)}
        kept = [
            row
            for row in rows
            if _text(row, "condition") or _text(row, "formula") or not _told(row) or not told.issuperset(_told(row))
        ]
        ordered = sorted(((_rank(row), self._chain_row(row)) for row in kept), key=lambda each: each[0])
        return tuple(dict.fromkeys(view for _, view in ordered))

    def _chain_row(self, row: Mapping[str, Any]) -> ChainView:
        words = self.words
        unit, value, limit = _text(row, "unit"), _number(row, "value"), _number(row, "limit")
        limit_name, source, status = _text(row, "limit_name"), _text(row, "source"), _text(row, "status")
        formula, side = _text(row, "formula"), f"side.{_text(row, 'condition')}"
        kind = PROFILE_VALUES.get(limit_name)
        named = _text(row, "measure") or _text(row, "fact")
        reference = None
        if source and not (formula and source == _COMPUTED):
            reference = self._reference(source, status)
        elif limit is not None or (status and not formula):
            reference = ReferenceView(Link(words.word("chain.no_source"), ""), self._short(status))
        return ChainView(
            # A value that goes in has its meaning for a name, where there is one.
            what=self._quantity(named) if named or kind is None else self._meaning(kind.meaning),
            value="" if value is None else self._amount(estimate(value, _number(row, "uncertainty"), unit)),
            how=Said(shown(formula, 400), "en") if formula else None,
            limit="" if limit is None else self._amount(amount(limit, unit)),
            meaning=self.phrase(kind.meaning) if kind is not None and named else None,
            side=words.word(side) if words.has(side) else "",
            reference=reference,
            photo=self.photo_link(_text(row, "photo")),
        )

    def _reference(self, source: str, status: str) -> ReferenceView:
        """Return a link to a source, which is kept to be told once."""
        view = self._sources.get((source, status))
        if view is None:
            number = len(self._sources) + 1
            key = f"value_status.{status}"
            view = SourceView(
                Link(self.words.word("chain.source", number=number), f"s{number}"),
                self.phrase(source),
                self.words.word(key) if self.words.has(key) else shown(status, 40),
            )
            self._sources[(source, status)] = view
        return ReferenceView(view.link, self._short(status))

    def _short(self, status: str) -> str:
        key = f"value_status_short.{status}"
        return self.words.word(key) if self.words.has(key) else shown(status, 40)

    def _amount(self, text: str) -> str:
        text = self.words.number(shown(text, 120))
        for unit in ("mm a month", "months", "days"):
            if text.endswith(f" {unit}"):
                return text.removesuffix(unit) + self.words.word(f"filled.{unit}")
        return text

    def _meaning(self, text: str) -> Said:
        plain = self.phrase(text)
        return Said(capital(plain.text), plain.language)

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

    def phrases(self, texts: Iterable[str]) -> tuple[Said, ...]:
        """Return several texts of the record."""
        return tuple(self.phrase(text) for text in texts)


def _against(measure: MeasureRecord, low: ProfileValue | None, high: ProfileValue | None) -> str:
    """Return on which side of what is usual a value lies with its whole interval; empty where nothing is usual."""
    if measure.value is None or measure.uncertainty is None or not (low or high):
        return ""
    least, most = measure.value - measure.uncertainty, measure.value + measure.uncertainty
    if high is not None and least > high.value:
        return "above"
    if low is not None and most < low.value:
        return "below"
    inside = (low is None or least >= low.value) and (high is None or most <= high.value)
    return "within" if inside else "close"


def _told(row: Mapping[str, Any]) -> tuple[tuple[object, ...], ...]:
    """Return what a row tells: its measure with its value, and its limit with its source."""
    parts: list[tuple[object, ...]] = []
    if _number(row, "value") is not None:
        parts.append((_text(row, "measure"), row["value"], row.get("uncertainty"), _text(row, "photo")))
    if _number(row, "limit") is not None:
        parts.append((_text(row, "limit_name"), row["limit"], _text(row, "source"), _text(row, "status")))
    return tuple(parts)


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
