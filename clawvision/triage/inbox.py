"""What lies in the inbox: senders' folders and their pictures. Everything in it may come from anybody."""

from __future__ import annotations

import hashlib
import os
import stat
from dataclasses import dataclass
from pathlib import Path

from clawvision.manifest import MANIFEST_NAME, PICTURE_SUFFIXES
from clawvision.output.paths import is_absolute
from clawvision.plain import plain

SIDECAR_SUFFIX = ".outline.json"
_PASSING = (".part", ".partial", ".tmp", ".temp", ".crdownload", ".download", "~")
"""Endings of what a program is still writing, or leaves beside a file."""


@dataclass(frozen=True, slots=True)
class Found:
    """A file of a sender. ``sender`` is empty for one that lies in no sender's folder."""

    sender: str
    path: Path
    source: str
    """Its place in the inbox, made printable, ``/`` between its parts."""
    size: int
    mtime_ns: int

    @property
    def state(self) -> tuple[str, int, int]:
        """Return what tells that a file is as it was."""
        return self.source, self.size, self.mtime_ns


@dataclass(frozen=True, slots=True)
class Listing:
    """The inbox at one time: pictures, tables of what is known, outline files, and what is wrong with it."""

    pictures: tuple[Found, ...]
    tables: tuple[Found, ...]
    sidecars: tuple[Found, ...]
    notes: tuple[str, ...]


def key_of(name: str) -> str:
    """Return what a sender is called: the name itself, where it prints, and else with what tells it from others."""
    shown = plain(name)
    if shown == name and "\\" not in name:
        return name
    return f"{shown} ({hashlib.sha256(name.encode('utf-8', 'surrogatepass')).hexdigest()[:8]})"


def shown_name(name: str) -> str:
    """Return a file's name as a record takes it: printable, and never like an absolute path."""
    shown = plain(name)
    return f"./{shown}" if is_absolute(shown) else shown


def list_inbox(inbox: Path) -> Listing:
    """Look through the inbox. Only its folders are searched, not the folders in them; links are not followed.

    Raises
    ------
    OSError
        If the inbox itself cannot be listed.
    """
    listing = _Listing()
    with os.scandir(inbox) as entries:
        own = sorted(entries, key=lambda entry: entry.name)
    for entry in own:
        if _passing(entry.name):
            continue
        if entry.is_symlink():
            listing.notes.append(f"{plain(entry.name)} is a link; links are not followed.")
        elif entry.is_dir(follow_symlinks=False):
            listing.folder(entry)
        else:
            listing.file("", entry, entry.name)
    return Listing(
        tuple(listing.pictures), tuple(listing.tables), tuple(listing.sidecars), tuple(dict.fromkeys(listing.notes))
    )


def read_found(found: Found, limit: int) -> bytes | None:
    """Return the bytes of a file that is as it was when it was found; None where it is not, or cannot be read.

    Never follows a link and never waits for a pipe.
    """
    flags = os.O_RDONLY | getattr(os, "O_NOFOLLOW", 0) | getattr(os, "O_NONBLOCK", 0) | getattr(os, "O_BINARY", 0)
    try:
        with os.fdopen(os.open(found.path, flags), "rb") as stream:
            status = os.fstat(stream.fileno())
            if not stat.S_ISREG(status.st_mode):
                return None
            data = stream.read(limit + 1)
            after = os.fstat(stream.fileno())
    except (OSError, ValueError):
        return None
    same = (status.st_size, status.st_mtime_ns) == (found.size, found.mtime_ns) == (after.st_size, after.st_mtime_ns)
    return data if same and len(data) == found.size else None


def _passing(name: str) -> bool:
    return name.startswith((".", "~")) or name.casefold().endswith(_PASSING)


class _Listing:
    def __init__(self) -> None:
        self.pictures: list[Found] = []
        self.tables: list[Found] = []
        self.sidecars: list[Found] = []
        self.notes: list[str] = []

    def folder(self, folder: os.DirEntry[str]) -> None:
        try:
            with os.scandir(folder.path) as entries:
                inside = sorted(entries, key=lambda entry: entry.name)
        except OSError as error:
            self.notes.append(f"{plain(folder.name)} cannot be read ({error.strerror}): its photos are not known.")
            return
        for entry in inside:
            if _passing(entry.name):
                continue
            where = f"{folder.name}/{entry.name}"
            if entry.is_symlink():
                self.notes.append(f"{plain(where)} is a link; links are not followed.")
            elif entry.is_dir(follow_symlinks=False):
                self.notes.append(f"{plain(where)} is not searched: folders inside a sender's folder are not.")
            else:
                self.file(key_of(folder.name), entry, where)

    def file(self, sender: str, entry: os.DirEntry[str], where: str) -> None:
        try:
            status = entry.stat(follow_symlinks=False)
        except OSError as error:  # gone since, or not to be known
            self.notes.append(f"{plain(where)} cannot be read ({error.strerror}).")
            return
        if not stat.S_ISREG(status.st_mode):
            self.notes.append(f"{plain(where)} is a pipe or a device, not a file.")
            return
        found = Found(sender, Path(entry.path), plain(where), status.st_size, status.st_mtime_ns)
        if entry.name == MANIFEST_NAME:
            self.tables.append(found)
        elif entry.name.endswith(SIDECAR_SUFFIX):
            self.sidecars.append(found)
        elif Path(entry.name).suffix.casefold() in PICTURE_SUFFIXES:
            self.pictures.append(found)
        else:
            self.notes.append(f"{plain(where)} is no photo: photos end in {' '.join(PICTURE_SUFFIXES)}.")
