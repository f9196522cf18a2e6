"""Files that are there whole or not at all."""

from __future__ import annotations

import errno
import os
import secrets
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import BinaryIO

from clawvision.errors import OutputError
from clawvision.plain import plain

_FULL = frozenset(getattr(errno, name) for name in ("ENOSPC", "EDQUOT", "EFBIG") if hasattr(errno, name))


def write_atomic(path: Path, data: bytes, *, settled: bool = True) -> None:
    """Write ``data`` to ``path``, so that a reader sees the old file or the new one, never a part.

    See `atomic_file`, whose parameter and errors it has.
    """
    with atomic_file(path, settled=settled) as stream:
        stream.write(data)


@contextmanager
def atomic_file(path: Path, *, settled: bool = True) -> Iterator[BinaryIO]:
    """Give a file to write to, which takes the place of ``path`` when the block ends without an error.

    Missing folders above ``path`` are made. The temporary file lies in the same folder, since a rename is
    atomic only within one file system.

    Parameters
    ----------
    path
        The file.
    settled
        Wait until the new name is on the disk too, so that it outlives a loss of power. What can be made again may
        do without: its bytes are on the disk before it has the name in any case.

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
        raise _output_error(path, error) from error
    except BaseException:  # interrupted: leave no part behind
        with suppress(OSError):
            temporary.unlink()
        raise
    if settled:
        _settle(path.parent)


@contextmanager
def scratch_file(folder: Path) -> Iterator[BinaryIO]:
    """Give a file without a name in ``folder``, which is gone when the block ends, however the process does.

    Raises
    ------
    OutputError
        If it cannot be written.
    """
    stream = None
    try:
        stream = tempfile.TemporaryFile(dir=folder)  # noqa: SIM115 - closing it may fail as writing does
        yield stream
    except OSError as error:
        raise _output_error(folder, error) from error
    finally:
        if stream is not None:
            with suppress(OSError):  # it is thrown away; on a full disk it cannot even be closed in order
                stream.close()


def _output_error(path: Path, error: OSError) -> OutputError:
    """Return in words why ``path`` cannot be written, and what to do."""
    message = f"{plain(path)} cannot be written: {error.strerror or error}."
    if error.errno in _FULL:
        return OutputError(message, f"Make room on the disk that holds {plain(path.parent)}, or choose another.")
    return OutputError(message, "Check that the folder may be written to and that the disk is not full.")


def _settle(folder: Path) -> None:
    if os.name == "nt":  # no folder can be opened there
        return
    with suppress(OSError):  # not every share can do it
        descriptor = os.open(folder, os.O_RDONLY)
        try:
            os.fsync(descriptor)
        finally:
            os.close(descriptor)
