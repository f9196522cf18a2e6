"""Measuring chains that take no time, for tests of what is around the real one. Importable by a fresh process."""

from __future__ import annotations

import os
import signal
import time
from collections.abc import Callable, Generator, Iterable
from concurrent.futures import Executor
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from clawvision.errors import OutputError
from clawvision.output.models import PhotoRecord
from clawvision.output.record import photo_record
from clawvision.reasons import reason
from clawvision.types import PhotoRequest, PhotoResult, Reason, Settings, Status

PICTURE = b"\xff\xd8\xff a picture of "


def run_here(
    function: Callable[[Any], Any], tasks: Iterable[Any], jobs: int, *, executor: Executor | None = None
) -> Generator[tuple[int, Any], None, None]:
    """Stand in for ``run_tasks`` without processes, which take a second to start."""
    yield from enumerate(map(function, tasks))


def result(request: PhotoRequest, status: Status, *reasons: Reason) -> PhotoRecord:
    return photo_record(
        PhotoResult(
            request=request,
            sha256=None,
            size=None,
            exif=None,
            view=request.view,
            view_inferred=False,
            taken=request.taken,
            status=status,
            reasons=reasons,
            scale=None,
            mm_per_px=None,
            claws={},
            foot_measures={},
        )
    )


def quick(request: PhotoRequest, settings: Settings) -> tuple[PhotoRecord, bytes | None]:
    """Refuse what is not there or begins with ``broken``; send what begins with ``doubt`` to review."""
    try:
        content = request.path.read_bytes()
    except FileNotFoundError:
        return result(request, "refused", reason("file_missing")), None
    except OSError as error:
        return result(request, "refused", reason("unreadable", detail=error.strerror or "")), None
    if content.startswith(b"broken"):
        return result(request, "refused", reason("truncated", detail="broken")), None
    if content.startswith(b"doubt"):
        return result(request, "review", reason("blurred")), PICTURE + content
    return result(request, "measured"), PICTURE + content


@dataclass(frozen=True)
class Logging:
    """``quick`` that leaves a line in a file for each photo, and may take its time."""

    log: Path
    seconds: float = 0.0

    def __call__(self, request: PhotoRequest, settings: Settings) -> tuple[PhotoRecord, bytes | None]:
        with self.log.open("a") as stream:
            stream.write(f"{request.name}\n")
        time.sleep(self.seconds)
        return quick(request, settings)


def logging_elsewhere(request: PhotoRequest, settings: Settings) -> tuple[PhotoRecord, bytes | None]:
    """Do what ``Logging`` does with a log and a time from the environment, so that they are no part of the chain."""
    return Logging(Path(os.environ["FAKE_LOG"]), float(os.environ["FAKE_SECONDS"]))(request, settings)


@dataclass(frozen=True)
class Dying:
    """``quick`` that dies on files that begin with ``die``, and raises on others; notes every try."""

    log: Path

    def __call__(self, request: PhotoRequest, settings: Settings) -> tuple[PhotoRecord, bytes | None]:
        content = request.path.read_bytes()
        if content.startswith(b"die"):
            with self.log.open("a") as stream:
                stream.write(f"{request.name}\n")
            os.kill(os.getpid(), signal.SIGKILL)
        if content.startswith(b"once"):
            with self.log.open("a") as stream:
                stream.write(f"{request.name}\n")
            if self.log.read_text().count(request.name) == 1:
                os._exit(3)
        if content.startswith(b"memory"):
            raise MemoryError
        if content.startswith(b"bug"):
            raise ZeroDivisionError("division by zero in /home/somebody/file")
        if content.startswith(b"full"):
            raise OutputError("The disk is full.", "Make room.")
        if content.startswith(b"print"):
            print("a library that prints", flush=True)
            os.write(1, b"and one that writes to the descriptor\n")
        return quick(request, settings)
