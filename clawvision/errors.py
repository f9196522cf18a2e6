"""The errors a user can meet. Anything else that is raised is a defect of the program."""

from __future__ import annotations

from clawvision.types import Reason


class ClawvisionError(Exception):
    """An error to be shown as one message: what is wrong, and what to do about it.

    Parameters
    ----------
    message
        Which file or option, and what is wrong with it.
    remedy
        What the user can do.
    """

    exit_code = 1

    def __init__(self, message: str, remedy: str = "") -> None:
        super().__init__(message)
        self.message = message
        self.remedy = remedy

    def __str__(self) -> str:
        return f"{self.message} {self.remedy}".strip()


class UsageError(ClawvisionError):
    """Wrong options, a manifest or a profile that cannot be used."""

    exit_code = 2


class OutputError(ClawvisionError):
    """The output cannot be written."""

    exit_code = 5


class MissingExtraError(ClawvisionError):
    """An optional package is missing; the remedy holds the install line."""

    exit_code = 6


class PhotoRefused(Exception):
    """A photo that cannot be measured. Caught by the pipeline, which records ``reason``."""

    def __init__(self, reason: Reason) -> None:
        super().__init__(reason.message)
        self.reason = reason

    def __reduce__(self) -> tuple[type[PhotoRefused], tuple[Reason]]:
        return (type(self), (self.reason,))
