"""Reads an assessment that a run left on file, from wherever it comes: its size first, then its form."""

from __future__ import annotations

from pathlib import Path

from pydantic import ValidationError

from clawvision.errors import UsageError
from clawvision.output.models import AssessmentRecord
from clawvision.output.record import load_assessment

ASSESSMENT = "assessment.json"
MAX_ASSESSMENT_BYTES = 128_000_000
"""Some 8000 photos; a larger file is more likely something else, and takes more memory than many computers have."""


def read_assessment(path: Path) -> AssessmentRecord:
    """Return the assessment in a file, or in a folder that ``clawvision assess`` wrote.

    Raises
    ------
    UsageError
        If there is none, it is too large, or it is something else; the message names the file.
    """
    file = path / ASSESSMENT if path.is_dir() else path
    remedy = f"Name an {ASSESSMENT}, or a folder that clawvision assess wrote."
    if not file.is_file():
        raise UsageError(f"{file} is not there, or is no file.", remedy)
    try:
        with file.open("rb") as stream:
            data = stream.read(MAX_ASSESSMENT_BYTES + 1)
    except OSError as error:
        raise UsageError(f"{file} cannot be read: {error.strerror}.", "Check that you may read it.") from error
    if len(data) > MAX_ASSESSMENT_BYTES:
        raise UsageError(
            f"{file} is larger than {MAX_ASSESSMENT_BYTES // 1_000_000} MB.",
            "Assess the photos in several folders and name each of them.",
        )
    try:
        return load_assessment(data)
    except (ValidationError, RecursionError) as error:
        detail = ""
        if isinstance(error, ValidationError):
            first = error.errors(include_url=False, include_input=False, include_context=False)[0]
            key = ".".join(str(part) for part in first["loc"])[:120]
            detail = f" (key '{key}': {first['msg'][:200]})"
        raise UsageError(
            f"{file} is no assessment that this version can read{detail}.",
            f"{remedy} If another version wrote it, assess the photos again.",
        ) from error
