"""What a run says while it goes and when it ends: text for people, on standard error."""

from __future__ import annotations

import shlex
from collections import Counter
from collections.abc import Container, Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path

import click
from rich.console import Console
from rich.progress import BarColumn, MofNCompleteColumn, Progress, TextColumn, TimeRemainingColumn

from clawvision.batch import PhotoDone
from clawvision.manifest import Collected, kind_of
from clawvision.output.models import AssessmentRecord, FootRecord, PhotoRecord
from clawvision.plain import plain, wrapped

_MOST_PHOTOS = 50
_MOST_ANIMALS = 20
_SOON = ("today", "within 48 hours", "this week")
_REFUSED_OR_REVIEW = ("refused", "review")


class Teller:
    """Counts the photos as they are done, and shows a bar where somebody watches."""

    def __init__(self, bar: Progress | None, total: int) -> None:
        self.kept = 0
        self._bar = bar
        self._task = None if bar is None else bar.add_task("", total=total)

    def __call__(self, photo: PhotoDone) -> None:
        self.kept += photo.kept
        if self._bar is not None and self._task is not None:
            self._bar.update(self._task, advance=1, description=plain(photo.record.photo)[-40:])


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


def summary(record: AssessmentRecord, out: Path, kept: int) -> str:
    """Return the closing words: what was done, which photos and which feet need a person, the cautions."""
    count = Counter(photo.status for photo in record.photos)
    head = (
        f"Photos: {len(record.photos)}. Measured: {count['measured']}, measured but in need of a look: "
        f"{count['review']}, refused: {count['refused']}."
    )
    if kept:
        head += f" Kept from an earlier run: {kept}."
    parts = [wrapped(head)]
    unsure = [photo for status in _REFUSED_OR_REVIEW for photo in record.photos if photo.status == status]
    if unsure:
        parts.append("\n".join(["Photos that need a person:", *_photos(unsure)]))
    doubtful = {photo.photo for photo in unsure if photo.status == "review"}
    soon = [foot for level in _SOON for foot in record.feet if foot.urgency.level == level]
    if soon:
        parts.append("\n".join(["Feet to lift:", *(_foot(foot, doubtful) for foot in soon)]))
    unknown = [foot for foot in record.feet if foot.urgency.level == "unknown"]
    if unknown:
        names = ", ".join(_name(foot) for foot in unknown)
        parts.append(wrapped(f"Not known from these photos, so look yourself: {names}.", "", "  "))
    questions = _questions(record, {foot.animal for foot in (*soon, *unknown)})
    if questions:
        parts.append("\n".join(["To know more:", *questions]))
    cautions = list(dict.fromkeys(caution for foot in record.feet for caution in foot.trim.cautions))
    if cautions:
        parts.append("\n".join(["Before anybody cuts:", *(wrapped(caution, "  - ", "    ") for caution in cautions)]))
    results = f"Results: {plain(out / 'assessment.json')}, measures.csv and annotated/ beside it."
    why = f"Why, and what to look for: clawvision explain {plain(shlex.quote(str(out)))} ANIMAL"
    parts.append(f"{results}\n{why}")
    return "\n\n".join(parts)


def _photos(photos: Sequence[PhotoRecord]) -> list[str]:
    """Return the photos by what is wrong with them, each group with its advice once."""
    groups: dict[tuple[str, ...], list[str]] = {}
    for photo in photos:
        words = [f"{each.message} {each.advice}" for each in photo.reasons if each.effect in _REFUSED_OR_REVIEW]
        groups.setdefault((photo.status, *words), []).append(plain(photo.photo))
    lines = []
    for (status, *words), names in groups.items():
        more = f" and {len(names) - _MOST_PHOTOS} more, see assessment.json" if len(names) > _MOST_PHOTOS else ""
        lines.append(wrapped(f"{status}: {', '.join(names[:_MOST_PHOTOS])}{more}", "  ", "    "))
        lines += [wrapped(word, "    - ", "      ") for word in words]
    return lines


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


def _questions(record: AssessmentRecord, animals: Container[str]) -> list[str]:
    """Return what is most worth asking about each of the animals, those with the same question together."""
    asked: dict[str, list[str]] = {}
    for animal in record.animals:
        if animal.animal in animals and animal.urgency.questions:
            asked.setdefault(animal.urgency.questions[0].text, []).append(animal.animal)
    lines = []
    for text, names in asked.items():
        more = f" and {len(names) - _MOST_ANIMALS} more" if len(names) > _MOST_ANIMALS else ""
        lines.append(wrapped(f"{', '.join(names[:_MOST_ANIMALS])}{more}: {text}", "  ", "    "))
    return lines


def _name(foot: FootRecord) -> str:
    seen = ", ".join(word for word in (foot.date, foot.stage if foot.stage != "check" else None) if word)
    return f"{foot.animal} {foot.foot or '(foot not named)'}" + (f" ({seen})" if seen else "")


def tell(text: str, *, quiet: bool) -> None:
    """Say something on standard error, unless nothing is to be said."""
    if text and not quiet:
        click.echo(text, err=True)
