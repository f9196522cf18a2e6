"""What is kept of photos that came from elsewhere, and where the file of a measured one lies."""

from __future__ import annotations

from pathlib import Path, PurePosixPath

PHOTOS = "photos"
"""Folder, below the one with their assessment, for the copies of photos that arrived."""
_DIGITS = 20
_STARTS = (b"\xff\xd8\xff", b"\x89PNG\r\n\x1a\n", b"II*\0", b"MM\0*", b"GIF8", b"BM", b"%PDF", b"PK\x03\x04")


def remains(data: bytes) -> bytes:
    """Return what is kept of a file that is no picture, or not whole: by what mark it begins, and nothing else."""
    if not data:
        return b""
    if data[4:8] == b"ftyp":
        return b"\0\0\0\x10ftypheic\0\0\0\0"
    return next((start for start in _STARTS if data.startswith(start)), bytes(8))


def copy_name(sha256: str, suffix: str) -> str:
    """Return how the copy is called that is kept of a photo, by the copy's own hash."""
    return f"{sha256[:_DIGITS]}{suffix}"


def photo_file(folder: Path, name: str, sha256: str | None) -> Path:
    """Return the file of a photo in a folder: the one of its name, and where that is not there, a copy of it.

    Parameters
    ----------
    folder
        Where photos lie, or copies of them.
    name
        The photo's name in its record.
    sha256
        Hash of the file that was measured, None where it was not read.

    Returns
    -------
    Path
        Perhaps of no file: the caller looks.
    """
    path = folder / name
    if sha256 is None or _is_file(path):
        return path
    suffixes = dict.fromkeys((PurePosixPath(name).suffix.casefold(), ".png"))
    copies = (folder / copy_name(sha256, suffix) for suffix in suffixes)
    return next((copy for copy in copies if _is_file(copy)), path)


def _is_file(path: Path) -> bool:
    try:
        return path.is_file()
    except OSError:  # a name too long for the file system, which a record on file may hold
        return False
