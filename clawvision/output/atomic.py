"""Files that are there whole or not at all."""

from __future__ import annotations

import os
import secrets
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import BinaryIO

from clawvision.errors import OutputError


def write_atomic(path: Path, data: bytes) -> None:
    """Write ``data`` to ``path``, so that a reader sees the old file or the new one, never a part.

    See `atomic_file`, whose errors it raises.
    """
    with atomic_file(path) as stream:
        stream.write(data)


@contextmanager
def atomic_file(path: Path) -> Iterator[BinaryIO]:
    """Give a file to write to, which takes the place of ``path`` when the block ends without an error.

    Missing folders above ``path`` are made. The temporary file lies in the same folder, since a rename is
    atomic only within one file system.

    Raises
    ------
    OutputError
        If the file cannot be written; names ``path``. No temporary file is left behind.
    """
    # No random name of the tempfile module: that makes files which only their owner may read.
    temporary = path.with_name(f".{path.name[:60]}.{secrets.token_hex(6)}.part")
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        with temporary.open("xb") as stream:
            yield stream
            stream.flush()
            os.fsync(stream.fileno())
        temporary.replace(path)
    except OSError as error:
        with suppress(OSError):
            temporary.unlink()
        raise OutputError(
            f"{path} cannot be written: {error.strerror or error}.",
            "Check that the folder may be written to and that the disk is not full.",
        ) from error
    except BaseException:  # interrupted: leave no part behind
        with suppress(OSError):
            temporary.unlink()
        raise
