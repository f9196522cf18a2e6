"""The smallest detectable changes of a study, for the commands that compare photos of different days or stages."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from types import MappingProxyType

from pydantic import ValidationError

from clawvision.errors import UsageError
from clawvision.plain import plain
from clawvision.regular import read_regular
from clawvision.repeatability.record import RepeatabilityRecord
from clawvision.repeatability.variance import SDC_FACTOR
from clawvision.types import View

SmallestChanges = Mapping[tuple[View, str], float]
"""By view and measure, in the measure's unit: two photos have to differ by more than this."""

NONE_KNOWN: SmallestChanges = MappingProxyType({})
MAX_BYTES = 20_000_000
SEM_SHARE = 1.0 / SDC_FACTOR
"""Standard error of one measurement over the smallest detectable change of two."""


def read_smallest(path: Path) -> SmallestChanges:
    """Read ``repeatability.json``.

    Only measures with as many repeats as the figures should rest on count: a change is not called shown, nor hidden,
    on the strength of a handful.

    Raises
    ------
    UsageError
        If the file cannot be read or is not such a file.
    """
    try:
        data = read_regular(path, MAX_BYTES)
    except OSError as error:
        raise UsageError(f"{plain(path)} cannot be read: {error.strerror}.", "Check its name and rights.") from error
    try:
        if len(data) > MAX_BYTES:
            raise ValueError("too large")
        record = RepeatabilityRecord.model_validate_json(data)
    except (ValidationError, ValueError) as error:
        raise UsageError(
            f"{plain(path)} is no repeatability.json of this version.",
            "Make it with clawvision repeatability, and name that file.",
        ) from error
    known = {
        (each.view, each.measure): each.sdc.value
        for each in record.measures
        if each.enough and each.sdc.value is not None
    }
    return MappingProxyType(known)
