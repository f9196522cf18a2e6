"""The table of measures of a whole assessment at once."""

from __future__ import annotations

from clawvision.output.models import AssessmentRecord
from clawvision.output.table import MeasuresTable


def measures_csv(record: AssessmentRecord, *, delimiter: str = ",", decimal: str = ".") -> bytes:
    """Return what a run writes as ``measures.csv``."""
    table = MeasuresTable(delimiter, decimal)
    return table.header() + b"".join(table.rows(photo) for photo in record.photos)
