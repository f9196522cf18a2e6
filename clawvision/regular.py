"""Reading files from outside: whole, but never more than was agreed, and never a pipe, which would be waited for."""

from __future__ import annotations

import errno
import os
import stat
from pathlib import Path


def read_regular(path: Path, limit: int) -> bytes:
    """Return the bytes of a file, of a larger one the first ``limit`` and one more.

    Parameters
    ----------
    path
        The file, or a link to one.
    limit
        How many bytes it may have.

    Raises
    ------
    OSError
        If it cannot be read, or is a folder, a pipe or a device; ``strerror`` says so.
    """
    # A pipe is opened at once and not waited for; some systems know no such files.
    flags = os.O_RDONLY | getattr(os, "O_NONBLOCK", 0) | getattr(os, "O_BINARY", 0) | getattr(os, "O_CLOEXEC", 0)
    try:
        number = os.open(path, flags)
    except ValueError as error:  # a name that no file can have
        raise OSError(errno.EINVAL, str(error)) from None
    with os.fdopen(number, "rb") as stream:
        if not stat.S_ISREG(os.fstat(number).st_mode):
            raise OSError(errno.EINVAL, "it is a folder, a pipe or a device, not a file")
        return stream.read(limit + 1)
