"""What a run says while it goes and when it ends: text for people, on standard error."""

from __future__ import annotations

import shlex
from collections import Counter
from collections.abc import Container, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path
from typing import Generic, TypeVar

import click
from rich.console import Console
from rich.progress import BarColumn, MofNCompleteColumn, Progress, TextColumn, TimeRemainingColumn

from clawvision.batch import PhotoDone
from clawvision.manifest import Collected, kind_of
from clawvision.output.models import AnimalRecord, FootRecord, PhotoRecord
from clawvision.plain import plain, wrapped

_MOST_PHOTOS = 50
_MOST_ANIMALS = 20
_MOST_FEET = 100
_MOST_TROUBLES = 100
_SOON = ("today", "within 48 hours", "this week")
_REFUSED_OR_REVIEW = ("refused", "review")


T = TypeVar("T")


class Teller:
    """Counts the photos as they are done, and shows a bar where somebody watches."""

    def __init__(self, bar: Progress | None, total: int) -> None:
        self.kept = 0
        self._bar = bar
        self._task = None if bar is None else bar.add_task("", total=total)

    def __call__(self, photo: PhotoDone) -> None:
        self.kept += photo.kept
        if self._bar is not None and self._task is not None:
            self._bar.update(self._task, advance=1, description=plain(photo.name)[-40:])


@contextmanager
def telling(total: int, *, quiet: bool) -> Iterator[Teller]:
    """Give a teller for so many photos; its bar shows on a terminal only."""
    console = Console(stderr=True)
    if quiet or not console.is_terminal:
        yield Teller(None, total)
        return
    columns = (
        BarColumn(),
        MofNCompleteColumn(),
        TimeRemainingColumn(),
        TextColumn("{task.description}", markup=False),
    )
    with Progress(*columns, console=console, transient=True) as bar:
        yield Teller(bar, total)


def notes(collected: Collected) -> str:
    """Return the warnings about manifest and photos, one a line, or an empty string."""
    return "\n".join(f"Note: {note}" for note in collected.notes)


def dry_run(collected: Collected) -> str:
    """Return which files would be read with which context, and why others would not."""
    lines = [f"{len(collected.requests)} photos would be read:"]
    for request in collected.requests:
        known = {
            "animal": request.animal,
            "foot": request.foot,
            "view": request.view,
            "claw": request.claw,
            "stage": request.stage,
            "taken": request.taken,
            "profile": request.profile,
            "offset_mm": request.offset_mm,
            "trimmed": request.trimmed,
            "locomotion": request.locomotion,
            "signs": " ".join(request.signs) or None,
            "tick_mm": request.tick_mm,
            "points": None if request.points is None else " ".join(f"{value:g}" for value in request.points),
        }
        told = ", ".join(f"{name} {plain(value)}" for name, value in known.items() if value is not None)
        missing = "" if kind_of(request.path) else " (not there: it would be refused)"
        lines.append(f"  {plain(request.name)}{missing}: {told}")
    if collected.skipped:
        lines.append(f"{len(collected.skipped)} would not be read:")
        lines += [f"  {plain(item.name)}: {plain(item.why)}" for item in collected.skipped]
    return "\n".join(lines)


@dataclass(slots=True)
class _Some(Generic[T]):
    """The first of many, and how many there were."""

    most: int
    shown: list[T] = field(default_factory=list)
    count: int = 0

    def add(self, one: T) -> None:
        self.count += 1
        if len(self.shown) < self.most:
            self.shown.append(one)

    @property
    def more(self) -> str:
        left = self.count - len(self.shown)
        return f" and {left} more" if left else ""


class Closing:
    """Gathers the closing words from the records of a run as they are told.

    It keeps only what the words hold, so that they can close a run of any number of photos. The feet of an animal come
    before the animal, and all of them before the photos.
    """

    def __init__(self) -> None:
        self.statuses: Counter[str] = Counter()
        self._unsure: dict[str, dict[tuple[str, ...], _Some[str]]] = {status: {} for status in _REFUSED_OR_REVIEW}
        self._other: Counter[str] = Counter()
        self._soon: dict[str, _Some[FootRecord]] = {level: _Some(_MOST_FEET) for level in _SOON}
        self._unknown: _Some[str] = _Some(_MOST_FEET)
        self._asked: dict[str, _Some[str]] = {}
        self._animals: set[str] = set()
        self._cautions: dict[str, None] = {}
        self._look_at: set[str] = set()
        self._doubtful: set[str] = set()

    def __call__(self, record: PhotoRecord | FootRecord | AnimalRecord) -> None:
        """Take in one record."""
        if isinstance(record, PhotoRecord):
            self._photo(record)
        elif isinstance(record, FootRecord):
            self._foot(record)
        elif record.animal in self._animals and record.urgency.questions:
            # What is most worth asking about the animal; those with the same question are told together.
            question = record.urgency.questions[0].text
            self._asked.setdefault(question, _Some(_MOST_ANIMALS)).add(record.animal)

    def _photo(self, photo: PhotoRecord) -> None:
        self.statuses[photo.status] += 1
        if photo.status in _REFUSED_OR_REVIEW:
            words = (f"{each.message} {each.advice}" for each in photo.reasons if each.effect in _REFUSED_OR_REVIEW)
            trouble, troubles = tuple(words), self._unsure[photo.status]
            if trouble in troubles or len(troubles) < _MOST_TROUBLES:
                troubles.setdefault(trouble, _Some(_MOST_PHOTOS)).add(plain(photo.photo))
            else:
                self._other[photo.status] += 1
        if photo.status == "review" and photo.photo in self._look_at:
            self._doubtful.add(photo.photo)

    def _foot(self, foot: FootRecord) -> None:
        self._cautions.update(dict.fromkeys(foot.trim.cautions))
        level = foot.urgency.level
        if level in self._soon:
            self._soon[level].add(foot)
            if self._soon[level].shown[-1] is foot:
                self._look_at.update(foot.photos)
        elif level == "unknown":
            self._unknown.add(_name(foot))
        else:
            return
        self._animals.add(foot.animal)

    def words(self, out: Path, kept: int) -> str:
        """Return what was done, which photos and which feet need a person, the cautions."""
        count = self.statuses
        head = (
            f"Photos: {count.total()}. Measured: {count['measured']}, measured but in need of a look: "
            f"{count['review']}, refused: {count['refused']}."
        )
        if kept:
            head += f" Kept from an earlier run: {kept}."
        parts = [wrapped(head)]
        photos = [line for status in _REFUSED_OR_REVIEW for line in self._photo_lines(status)]
        if photos:
            parts.append("\n".join(["Photos that need a person:", *photos]))
        feet = [line for level, some in self._soon.items() for line in self._foot_lines(level, some)]
        if feet:
            parts.append("\n".join(["Feet to lift:", *feet]))
        if self._unknown.count:
            names = ", ".join(self._unknown.shown) + self._unknown.more
            parts.append(wrapped(f"Not known from these photos, so look yourself: {names}.", "", "  "))
        if self._asked:
            lines = [
                wrapped(f"{', '.join(some.shown)}{some.more}: {text}", "  ", "    ")
                for text, some in self._asked.items()
            ]
            parts.append("\n".join(["To know more:", *lines]))
        if self._cautions:
            lines = [wrapped(caution, "  - ", "    ") for caution in self._cautions]
            parts.append("\n".join(["Before anybody cuts:", *lines]))
        results = f"Results: {plain(out / 'assessment.json')}, measures.csv and annotated/ beside it."
        why = f"Why, and what to look for: clawvision explain {plain(shlex.quote(str(out)))} ANIMAL"
        parts.append(f"{results}\n{why}")
        return "\n\n".join(parts)

    def _photo_lines(self, status: str) -> Iterator[str]:
        """Give the photos by what is wrong with them, each group with its advice once."""
        for words, some in self._unsure[status].items():
            more = f"{some.more}, see assessment.json" if some.more else ""
            yield wrapped(f"{status}: {', '.join(some.shown)}{more}", "  ", "    ")
            yield from (wrapped(word, "    - ", "      ") for word in words)
        if self._other[status]:
            yield f"  {status} for still other reasons: {self._other[status]} photos, see assessment.json"

    def _foot_lines(self, level: str, some: _Some[FootRecord]) -> Iterator[str]:
        yield from (_foot(foot, self._doubtful) for foot in some.shown)
        if some.more:
            yield wrapped(f"{some.more.strip()} {level}, see assessment.json.", "  … ", "    ")


def _foot(foot: FootRecord, doubtful: Container[str]) -> str:
    """Return how soon and why: what a person saw, if that is the first reason, then all that is shown, by claw."""
    titles: dict[str, list[str]] = {}
    for finding in foot.findings:
        whose = f"{finding.claw} claw" if finding.claw else "both claws"
        titles.setdefault(whose.capitalize(), []).append(finding.title or finding.code)
    shown = {f"{whose}: {title}." for whose, own in titles.items() for title in own}
    seen = [reason for reason in foot.urgency.reasons[:1] if reason not in shown]
    # A title may hold a comma itself.
    found = [f"{whose}: {'; '.join(own)}." for whose, own in titles.items()]
    look = [photo for photo in foot.photos if photo in doubtful]
    if found and look:
        found.append(f"Look at these photos first: {', '.join(look)}.")
    return wrapped(f"{_name(foot)}: {' '.join((foot.urgency.text, *seen, *found))}", "  ", "    ")


def _name(foot: FootRecord) -> str:
    seen = ", ".join(word for word in (foot.date, foot.stage if foot.stage != "check" else None) if word)
    return f"{foot.animal} {foot.foot or '(foot not named)'}" + (f" ({seen})" if seen else "")


def tell(text: str, *, quiet: bool) -> None:
    """Say something on standard error, unless nothing is to be said."""
    if text and not quiet:
        click.echo(text, err=True)
