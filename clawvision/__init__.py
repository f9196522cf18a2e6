"""Measures cattle claws from plain photos and says which need a look for lameness.

``assess_photo`` measures one photo, ``assess_folder`` a whole folder as the command line does.
"""

__version__ = "0.1.0"

from importlib import import_module
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
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

_ELSEWHERE = {
    "assess_photo": "clawvision.api",
    "assess_folder": "clawvision.batch",
    **dict.fromkeys(("ClawvisionError", "MissingExtraError", "OutputError", "UsageError"), "clawvision.errors"),
}


def __getattr__(name: str) -> Any:
    """Load what is asked for when it is: a command that looks at one photo need not wait for all the rest."""
    if name not in __all__:
        raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
    value = getattr(import_module(_ELSEWHERE.get(name, "clawvision.types")), name)
    globals()[name] = value
    return value


def __dir__() -> list[str]:
    return sorted({*globals(), *__all__})
