"""What the report shows, as plain frozen values: every word in its language, every place with its anchor."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from clawvision.compare.models import ComparedFootRecord
from clawvision.output.wording import clean
from clawvision.report.catalogue import Catalogue, Said

MOST_NAME = 80
_MOST_TEXT = 4000


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
    key: str
    """The photo's name in the record, by which its picture is found; never a path."""


@dataclass(frozen=True, slots=True)
class SourceView:
    """A source with its status, told once for all places that lead to it."""

    link: Link
    text: Said
    status: str


@dataclass(frozen=True, slots=True)
class RuleView:
    """A rule and what it stands on, told once for all findings that it made."""

    anchor: str
    name: str
    basis: Said


@dataclass(frozen=True, slots=True)
class UsualView:
    """What is usual for the fore or the hind feet by one profile, told once for all feet that are compared with it.

    ``rows`` are the measure, the range, and where its ends come from.
    """

    link: Link
    rows: tuple[tuple[str, str, tuple[ReferenceView, ...]], ...]


@dataclass(frozen=True, slots=True)
class ReferenceView:
    """Where a number comes from: a link to its source, or a word where there is none, and its status in short."""

    link: Link
    status: str


@dataclass(frozen=True, slots=True)
class ChainView:
    """A row of the numbers behind something that is said."""

    what: Said
    value: str
    how: Said | None
    limit: str
    meaning: Said | None
    side: str
    reference: ReferenceView | None
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
    rule: Link
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
    """A measure beside what is usual; ``against`` is empty where nothing is known to be usual."""

    name: str
    value: str
    usual: str
    against: str


@dataclass(frozen=True, slots=True)
class MeasuresView:
    """What one photo tells of one claw, or of both together.

    ``missing`` holds the measures that were not taken, those with the same reason together; ``missed`` counts them.
    """

    claw: str
    photo: Link
    taken: tuple[MeasureView, ...]
    missing: tuple[tuple[str, Said | None], ...]
    missed: int

    @property
    def others(self) -> tuple[MeasureView, ...]:
        """Return what was taken and has nothing usual to stand beside."""
        return tuple(each for each in self.taken if not each.usual)


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
class PairView:
    """Two photos of one claw from before and after a trim: what changed, and a picture of both outlines.

    ``drawn`` tells whether there is something to draw; the picture goes by the anchor.
    """

    anchor: str
    caption: str
    photos: tuple[Link, ...]
    changes: tuple[str, ...]
    notes: tuple[Said, ...]
    drawn: bool


@dataclass(frozen=True, slots=True)
class TrimmedView:
    """A foot before and after a trim: its pairs of photos, and what the trim came to, line by line."""

    pairs: tuple[PairView, ...]
    verdicts: tuple[Said, ...]


@dataclass(frozen=True, slots=True)
class HistoryView:
    """A foot over time: a picture as SVG, empty where there is nothing to draw, and what is said beside it."""

    svg: str
    told: tuple[Said, ...]
    note: str


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
    measures: tuple[MeasuresView, ...]
    usual: Link | None
    """Where the sources of the usual values stand; None where it is not known what is usual."""
    trim: tuple[Said, ...]
    veterinarian: bool
    spare: tuple[SpareView, ...]
    steps: tuple[Said, ...]
    slow_down: tuple[Said, ...]
    feel_for: tuple[Said, ...]
    cautions: tuple[Said, ...]
    trim_chain: tuple[ChainView, ...]
    after: AfterView | None
    trimmed: TrimmedView | None
    history: HistoryView | None
    """None where no store was named."""

    @property
    def measure_count(self) -> int:
        """Return how many measures the table shows, also those that were not taken."""
        return sum(len(part.taken) + part.missed for part in self.measures)


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


@dataclass(frozen=True, slots=True, eq=False)
class Trim:
    """A foot that was compared before and after a trim, and the anchor that its pairs begin with."""

    foot: ComparedFootRecord
    anchor: str


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
    sources: tuple[SourceView, ...]
    rules: tuple[RuleView, ...]
    usual: tuple[UsualView, ...]
    unsure: tuple[PhotoView, ...]
    strays: tuple[PhotoView, ...]
    trims: tuple[Trim, ...]


def shown(text: str, most: int = _MOST_TEXT) -> str:
    """Return text from outside without what does not print or turns its direction, on one line."""
    return clean(text, most)


def said(text: str, words: Catalogue) -> Said:
    """Return a text of the program in the report's language where it is known, fit to be shown."""
    found = words.phrase(text)
    return Said(shown(found.text), found.language)


def capital(text: str) -> str:
    """Return text with its first letter as a capital, the rest as it is."""
    return text[:1].upper() + text[1:]
