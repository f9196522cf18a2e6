"""What is said about one animal and why, as text: from the records alone, nothing is judged again here."""

from __future__ import annotations

import json
import math
from collections.abc import Iterable, Iterator, Mapping, Sequence

from clawvision.output.chain_words import chain_words, conditions, number
from clawvision.output.models import (
    AfterTrimRecord,
    AnimalRecord,
    AssessmentRecord,
    CheckedRecord,
    FindingRecord,
    FootRecord,
    OneAnimalRecord,
    QuestionRecord,
    SpareRecord,
    TrimRecord,
    UrgencyRecord,
)
from clawvision.output.record import dumps
from clawvision.output.wording import FOOT_WORDS, STAGE_WORDS
from clawvision.plain import WIDTH, plain, wrapped
from clawvision.types import Foot, Stage, Status

_STATES = ("shown", "cannot tell", "not shown")
_STAGES: tuple[Stage, ...] = ("before", "check", "after")
_FEET = (*FOOT_WORDS, None)
_BESIDE = ("limb: ", "stage: ", "parity: ", "gait: ", "sign: ")
"""How a reason in ``checked`` begins that tells of something known beside the measures."""
_STATUS_WORDS: Mapping[Status, str] = {"measured": "measured", "review": "to be looked at first", "refused": "refused"}
_NO_FINDING = "No finding in these photos. They tell nothing of pain, nor of what lies under the horn."
_CAUTION = (
    "A finding is a reason to look and never says what a cow suffers from. No length here is a length to take: a photo "
    "shows neither how thin the sole is nor what hurts."
)


def feet_of(
    record: AssessmentRecord, animal: str, foot: Foot | None = None, *, all_dates: bool = False
) -> tuple[FootRecord, ...]:
    """Return an animal's feet, the latest first.

    Parameters
    ----------
    record
        The assessment.
    animal
        The animal's name.
    foot
        Only this foot.
    all_dates
        Also what was seen of a foot earlier; otherwise each named foot counts once, as last seen. Feet that are not
        named cannot be told apart and all count.

    Returns
    -------
    tuple of FootRecord
        By date, then foot.
    """
    own = [each for each in record.feet if each.animal == animal and foot in (None, each.foot)]
    # Each sort keeps the order of the one before among equals.
    own.sort(key=lambda each: _STAGES.index(each.stage), reverse=True)
    own.sort(key=lambda each: _FEET.index(each.foot))
    own.sort(key=lambda each: each.date or "", reverse=True)
    if all_dates:
        return tuple(own)
    latest: list[FootRecord] = []
    for each in own:
        if each.foot is None or all(each.foot != later.foot for later in latest):
            latest.append(each)
    return tuple(latest)


def one_animal_json(animal: AnimalRecord, feet: Sequence[FootRecord]) -> str:
    """Return the records of an animal and its feet as JSON in which nothing acts on a terminal."""
    text = dumps(OneAnimalRecord(animal=animal, feet=tuple(feet))).decode("utf-8")
    # What does not print can only stand in a string, where its escape says the same.
    return "".join(each if each.isprintable() or each == "\n" else json.dumps(each)[1:-1] for each in text).rstrip("\n")


def explanation(
    record: AssessmentRecord,
    animal: AnimalRecord,
    feet: Sequence[FootRecord],
    *,
    exact: bool = False,
    checked: bool = False,
    one_foot: bool = False,
) -> str:
    """Return what is said about an animal and why.

    Parameters
    ----------
    record
        The assessment that the animal is of.
    animal
        The animal.
    feet
        Its feet to speak of, in this order.
    exact
        Findings in a veterinarian's words.
    checked
        Also tell what every rule came to.
    one_foot
        The questions are those about the foot, not those about the animal.

    Returns
    -------
    str
        Lines of at most 100 characters, except where a single word is longer. Nothing in it acts on a terminal.
    """
    photos: dict[str, Status] = {photo.photo: photo.status for photo in record.photos}
    titles = {profile.name: profile.title for profile in record.run.reference_profiles}
    lines = [*_heading(animal.animal, "="), *_animal(animal, photos, exact=exact, questions=not one_foot)]
    if checked:
        lines += ["", *_checked(animal.checked, "Every rule about the feet together")]
    for foot in feet:
        lines += ["", *_foot(foot, photos, titles, exact=exact, checked=checked, questions=one_foot)]
    lines += ["", *_wrapped(_CAUTION)]
    return "\n".join(lines)


def _animal(animal: AnimalRecord, photos: Mapping[str, Status], *, exact: bool, questions: bool) -> Iterator[str]:
    yield from _how_soon(animal.urgency, questions=questions)
    yield ""
    yield from _wrapped(f"The feet seen together: {animal.pattern}.")
    for finding in animal.findings:
        yield ""
        yield from _finding(finding, "feet together", animal.checked, photos, exact=exact)


def _foot(
    foot: FootRecord,
    photos: Mapping[str, Status],
    titles: Mapping[str, str],
    *,
    exact: bool,
    checked: bool,
    questions: bool,
) -> Iterator[str]:
    name = f"{foot.foot}, {FOOT_WORDS[foot.foot]} foot" if foot.foot else "Foot not named"
    yield from _heading(f"{name}, {foot.date or 'day not known'}, {STAGE_WORDS[foot.stage]}", "-")
    seen = [f"{photo} ({_STATUS_WORDS[photos[photo]]})" if photo in photos else photo for photo in foot.photos]
    yield from _wrapped(f"Photos: {', '.join(seen)}.")
    title = titles.get(foot.profile)
    yield from _wrapped(f"Compared with: {foot.profile}{f' ({title})' if title else ''}.")
    yield ""
    yield from _how_soon(foot.urgency, questions=questions)
    if not foot.findings:
        yield ""
        yield from _wrapped(_NO_FINDING)
    for finding in foot.findings:
        yield ""
        whose = f"{finding.claw} claw" if finding.claw else "both claws"
        yield from _finding(finding, whose, foot.checked, photos, exact=exact)
    if foot.after_trim is not None:
        yield ""
        yield from _after_trim(foot.after_trim, photos)
    yield ""
    yield from _trim(foot.trim, photos)
    if checked:
        yield ""
        yield from _checked(foot.checked, "Every rule about this foot")


def _how_soon(urgency: UrgencyRecord, *, questions: bool) -> Iterator[str]:
    least = " (or sooner: the gait is not known)" if urgency.at_least else ""
    yield f"How soon: {urgency.level}{least}"
    yield from _wrapped(urgency.text, "  ")
    yield from _listed(urgency.reasons)
    if questions and urgency.questions:
        yield ""
        yield from _wrapped("To know more, what could change most first:")
        for place, each in enumerate(urgency.questions, 1):
            yield from _wrapped(f"{place}. {each.text} ({_worth(each, urgency)})", "  ", "     ")


def _worth(question: QuestionRecord, urgency: UrgencyRecord) -> str:
    sooner = question.could_become != urgency.level
    could = f"could become: {question.could_become}" if sooner else "would not make it sooner"
    rules = "rule" if question.settles == 1 else "rules"
    return f"{could}; decides {question.settles} {rules}" if question.settles else could


def _finding(
    finding: FindingRecord, whose: str, checked: Sequence[CheckedRecord], photos: Mapping[str, Status], *, exact: bool
) -> Iterator[str]:
    yield from _wrapped(f"* {whose.capitalize()}: {finding.title or finding.code}", "", "  ")
    yield from _wrapped((exact and finding.exact) or finding.text, "  ")
    yield from _wrapped("Why:", "  ")
    yield from _listed(chain_words(finding.chain, photos), "    ")
    yield from _listed(_rule(finding, checked), "    ")
    told = {
        "Strength": finding.strength,
        "Also explained by": finding.also_explained_by,
        "Where to look": finding.where,
        "What to look for": finding.look_for,
        "Term (suspected)": finding.icar_term,
    }
    for name, text in told.items():
        if text:
            yield from _wrapped(f"{name}: {text}", "  ", "    ")


def _rule(finding: FindingRecord, checked: Sequence[CheckedRecord]) -> Iterator[str]:
    """Return the rule, what it asks, and what it stands on."""
    asked = list(conditions(finding.chain, finding.rule))
    for row in checked:
        if (row.rule, row.claw, row.state) == (finding.rule, finding.claw, "shown"):
            beside = [part for part in row.why.split("; ") if part.startswith(_BESIDE)]
            # A rule about the feet together compares nothing itself: its reason names the patterns.
            asked += beside if asked else [row.why]
    rule = f"rule {finding.rule or finding.code}"
    yield f"{rule}, which asks: {' and '.join(asked)}" if asked else rule
    if finding.basis:
        yield f"it stands on: {finding.basis}"


def _trim(trim: TrimRecord, photos: Mapping[str, Status]) -> Iterator[str]:
    yield "Trimming"
    yield from _listed(trim.text)
    if trim.spare:
        yield "  How much toe could be spare:"
    for claw, spare in trim.spare.items():
        yield from _wrapped(f"- {claw} claw: {_spare(spare)}", "    ", "      ")
        yield from _listed(chain_words(spare.chain, photos), "      ")
    if trim.steps:
        yield "  In this order:"
        for place, step in enumerate(trim.steps, 1):
            yield from _wrapped(f"{place}. {step}", "    ", "       ")
    yield from _under("Slow down:", trim.slow_down)
    yield from _under("Feel for:", trim.feel_for)
    yield from _under("Before anybody cuts:", trim.cautions)
    yield from _under("Where the numbers in these sentences come from:", chain_words(trim.chain, photos))


def _spare(spare: SpareRecord) -> str:
    if spare.most is None:
        return f"not said. {spare.reason or ''}".strip()
    # Rounded down: it is the most.
    most = f"{number(math.floor(spare.most * 10) / 10, 1)} {spare.unit}"
    return f"the most that could be spare, were it an ordinary claw: {most}. No length to take: the sole decides."


def _after_trim(after: AfterTrimRecord, photos: Mapping[str, Status]) -> Iterator[str]:
    yield "After the trim"
    compared = f"Compared with: {', '.join(after.compared_with)}." if after.compared_with else ""
    yield from _wrapped(compared or "No photos from before the trim to compare with.", "  ")
    yield from _under("What it achieved:", after.achieved)
    yield from _under("Still open:", after.open)
    yield from _under("Now too short or unequal:", after.harm)
    yield from _under("What to expect:", after.expectation)
    if after.next_look:
        yield from _wrapped(f"Look again by: {after.next_look}", "  ")
    yield from _under("Why:", chain_words(after.chain, photos))


def _checked(rows: Sequence[CheckedRecord], title: str) -> Iterator[str]:
    yield title if rows else f"{title}: not on record"
    for state in _STATES:
        own = [row for row in rows if row.state == state]
        if own:
            yield f"  {state}:"
            yield from _listed((f"{row.rule}{_of(row)}: {row.why}" for row in own), "    ")


def _of(row: CheckedRecord) -> str:
    return f", {row.claw} claw" if row.claw else ""


def _under(title: str, texts: Sequence[str]) -> Iterator[str]:
    if texts:
        yield f"  {title}"
        yield from _listed(texts, "    ")


def _listed(texts: Iterable[str], indent: str = "  ") -> Iterator[str]:
    for text in texts:
        yield from _wrapped(f"- {text}", indent, indent + "  ")


def _heading(text: str, line: str) -> Iterator[str]:
    text = plain(text)
    yield text
    yield line * min(len(text), WIDTH)


def _wrapped(text: str, first: str = "", others: str | None = None) -> list[str]:
    return wrapped(text, first, others).splitlines()
