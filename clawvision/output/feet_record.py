"""From what is said about feet and animals to their records."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import asdict
from typing import Any

import numpy as np

from clawvision.output.models import (
    AfterTrimRecord,
    AnimalRecord,
    CheckedRecord,
    FindingRecord,
    FootRecord,
    QuestionRecord,
    SpareRecord,
    TrimRecord,
    UrgencyRecord,
)
from clawvision.output.rounding import rounded
from clawvision.types import AfterTrim, AnimalResult, CheckedRule, Finding, FootResult, Spare, Trim, Urgency

_Chain = tuple[dict[str, Any], ...]


def foot_record(foot: FootResult) -> FootRecord:
    """Return the record of one foot."""
    return FootRecord(
        animal=foot.animal,
        foot=foot.foot,
        stage=foot.stage,
        date=foot.date,
        photos=foot.photos,
        profile=foot.profile,
        findings=tuple(_finding(finding) for finding in foot.findings),
        urgency=_urgency(foot.urgency),
        trim=_trim(foot.trim),
        checked=_checked(foot.checked),
        after_trim=None if foot.after_trim is None else _after(foot.after_trim),
    )


def animal_record(animal: AnimalResult) -> AnimalRecord:
    """Return the record of one animal's feet seen together."""
    return AnimalRecord(
        animal=animal.animal,
        pattern=animal.pattern,
        findings=tuple(_finding(finding) for finding in animal.findings),
        urgency=_urgency(animal.urgency),
        checked=_checked(animal.checked),
    )


def _finding(finding: Finding) -> FindingRecord:
    return FindingRecord(
        code=finding.code,
        claw=finding.claw,
        text=finding.text,
        chain=_chain(finding.chain),
        also_explained_by=finding.also_explained_by,
        look_for=finding.look_for,
        where=finding.where,
        strength=finding.strength,
        icar_term=finding.icar_term,
        title=finding.title,
        exact=finding.exact,
        rule=finding.rule,
        basis=finding.basis,
    )


def _chain(rows: Sequence[Mapping[str, Any]]) -> _Chain:
    return tuple({name: _round_in(value) for name, value in row.items()} for row in rows)


def _round_in(value: Any) -> Any:
    """Round the numbers of a chain's row as measures are rounded; everything else stays."""
    if isinstance(value, (float, np.floating)):
        return rounded(float(value))
    return value


def _checked(rows: Sequence[CheckedRule]) -> tuple[CheckedRecord, ...]:
    return tuple(CheckedRecord(**asdict(row)) for row in rows)


def _urgency(urgency: Urgency) -> UrgencyRecord:
    return UrgencyRecord(
        level=urgency.level,
        at_least=urgency.at_least,
        text=urgency.text,
        reasons=urgency.reasons,
        questions=tuple(QuestionRecord(**asdict(each)) for each in urgency.questions),
    )


def _trim(trim: Trim) -> TrimRecord:
    return TrimRecord(
        text=trim.text,
        cautions=trim.cautions,
        veterinarian=trim.veterinarian,
        spare={claw: _spare(spare) for claw, spare in trim.spare.items()},
        steps=trim.steps,
        slow_down=trim.slow_down,
        feel_for=trim.feel_for,
        chain=_chain(trim.chain),
    )


def _spare(spare: Spare) -> SpareRecord:
    return SpareRecord(
        least=rounded(spare.least),
        most=rounded(spare.most),
        unit=spare.unit,
        minimum=spare.minimum,
        chain=_chain(spare.chain),
        reason=spare.reason,
    )


def _after(after: AfterTrim) -> AfterTrimRecord:
    return AfterTrimRecord(
        achieved=after.achieved,
        open=after.open,
        harm=after.harm,
        expectation=after.expectation,
        next_look=after.next_look,
        compared_with=after.compared_with,
        chain=_chain(after.chain),
    )
