"""What of an assessment on file a comparison goes by."""

from __future__ import annotations

from dataclasses import replace

from clawvision.compare.comparison import Given
from clawvision.output.models import AssessmentRecord
from clawvision.output.record import photo_facts


def given_of(record: AssessmentRecord) -> Given:
    """Return what counts of a record. A profile that the whole run named holds for photos that name none."""
    named = record.run.parameters.get("profile")
    profile = named if isinstance(named, str) else None
    print_scale = record.run.parameters.get("print_scale", 1.0)
    facts = [photo_facts(photo) for photo in record.photos]
    return Given(
        photos=record.photos,
        facts=tuple(
            replace(fact, request=replace(fact.request, profile=fact.request.profile or profile)) for fact in facts
        ),
        print_scale=float(print_scale) if isinstance(print_scale, (int, float)) else 1.0,
    )
