"""Measures cattle claws from plain photos and says which need a look for lameness.

``assess_photo`` measures one photo, ``assess_folder`` a whole folder as the command line does.
"""

__version__ = "0.1.0"

from clawvision.api import assess_photo
from clawvision.batch import assess_folder
from clawvision.errors import ClawvisionError, MissingExtraError, OutputError, UsageError
from clawvision.types import (
    ClawResult,
    Exif,
    Finding,
    FootResult,
    Measure,
    PhotoRequest,
    PhotoResult,
    Reason,
    Scale,
    Settings,
    Trim,
    Urgency,
)

__all__ = [
    "ClawResult",
    "ClawvisionError",
    "Exif",
    "Finding",
    "FootResult",
    "Measure",
    "MissingExtraError",
    "OutputError",
    "PhotoRequest",
    "PhotoResult",
    "Reason",
    "Scale",
    "Settings",
    "Trim",
    "Urgency",
    "UsageError",
    "__version__",
    "assess_folder",
    "assess_photo",
]
