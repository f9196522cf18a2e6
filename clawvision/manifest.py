"""Which photos a run is about, and what is known of each: folders, files and the manifest."""

from __future__ import annotations

import os
import posixpath
import stat
from bisect import bisect_right
from collections import Counter
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from functools import cache
from itertools import accumulate
from pathlib import Path, PureWindowsPath
from typing import Literal, overload

from clawvision.columns import COLUMNS
from clawvision.errors import UsageError
from clawvision.output.paths import is_absolute
from clawvision.plain import did_you_mean, listed, plain
from clawvision.sheet import read_sheet
from clawvision.types import PhotoRequest

MANIFEST_NAME = "photos.csv"
PICTURE_SUFFIXES = (".jpg", ".jpeg", ".jpe", ".jfif", ".png", ".tif", ".tiff", ".heic", ".heif")
_SIDECAR_SUFFIX = ".outline.json"

_Real = Callable[[Path], str]
"""Follows the links of a path. One listing remembers what it found, since asking for each photo takes long."""


@dataclass(frozen=True, slots=True)
class Skipped:
    """A file that was seen and will not be read, and why."""

    name: str
    why: str


@dataclass(frozen=True, slots=True)
class _Pictures:
    """The pictures of a folder without a manifest: their names alone, since there may be very many."""

    folder: Path
    real: str
    files: tuple[str, ...]
    prefix: str = ""
    animal: str = ""

    def __len__(self) -> int:
        return len(self.files)

    def __getitem__(self, index: int) -> PhotoRequest:
        file = self.files[index]
        return PhotoRequest(path=self.folder / file, name=self.prefix + _printable_name(file), animal=self.animal)


class Requests(Sequence[PhotoRequest]):
    """The photos of a run in their order. Those of a folder without a manifest are made when they are asked for."""

    def __init__(self, parts: Iterable[_Pictures | tuple[PhotoRequest, ...]]) -> None:
        self._parts = tuple(parts)
        self._ends = tuple(accumulate(len(part) for part in self._parts))

    def __len__(self) -> int:
        return self._ends[-1] if self._ends else 0

    def __iter__(self) -> Iterator[PhotoRequest]:
        return (part[index] for part in self._parts for index in range(len(part)))

    @overload
    def __getitem__(self, index: int) -> PhotoRequest: ...

    @overload
    def __getitem__(self, index: slice) -> Sequence[PhotoRequest]: ...

    def __getitem__(self, index: int | slice) -> PhotoRequest | Sequence[PhotoRequest]:
        if isinstance(index, slice):
            return tuple(self[each] for each in range(len(self))[index])
        place = range(len(self))[index]
        number = bisect_right(self._ends, place)
        return self._parts[number][place - (self._ends[number - 1] if number else 0)]


@dataclass(frozen=True, slots=True)
class Collected:
    """The photos of a run in the order of their results, what the user should know of them, what is left out."""

    requests: Sequence[PhotoRequest]
    notes: tuple[str, ...] = ()
    skipped: tuple[Skipped, ...] = ()
    manifests: tuple[Path, ...] = ()


def read_manifest(path: Path) -> tuple[PhotoRequest, ...]:
    """Read a manifest: one request a row, in the order of the rows.

    Only the file itself is looked at. That a photo is there is for the reader to find out, so that one missing
    file does not stop the others.

    Parameters
    ----------
    path
        The CSV file; see ``clawvision.columns.COLUMNS`` for what it may hold. Photos are relative to its folder.

    Returns
    -------
    tuple of PhotoRequest
        ``name`` is the photo's path relative to the manifest, with ``/`` between its parts. An animal that the
        row leaves open is the name of the photo's folder.

    Raises
    ------
    UsageError
        If the file cannot be read as a manifest or any of its cells cannot be used. All bad rows are told at once.
    """
    return _name_animals(_read(path)[0], cache(os.path.realpath))


def read_rows(path: Path) -> tuple[PhotoRequest, ...]:
    """Read a manifest as `read_manifest` does, with an empty animal where the row leaves it open. Same errors."""
    return tuple(_read(path)[0])


def collect(photos: Sequence[Path], manifest: Path | None = None) -> Collected:
    """Find the photos of a run.

    A folder is searched for pictures, its subfolders are not. Where it holds a ``photos.csv``, or ``manifest`` names
    one, only the rows' photos are run, and the folder's other pictures are told in a note. A photo named on its
    own is run in any case, with what its row says of it.

    Parameters
    ----------
    photos
        Folders and files.
    manifest
        The manifest of all of them, instead of the folders' own.

    Raises
    ------
    UsageError
        If a path is not there, nothing is found, or a manifest cannot be used.
    """
    missing = [path for path in photos if kind_of(path) is None]
    if missing:
        raise UsageError(f"Not there, or not to be read:\n{listed([plain(path) + _near(path) for path in missing])}")
    search = _Search()
    folders = [path for path in photos if kind_of(path) == "folder"]
    files = [path for path in photos if kind_of(path) == "file"]
    for path in files:
        if path.suffix.casefold() == ".csv":
            raise UsageError(f"{plain(path)} is a table, not a photo.", f"Name it with --manifest {plain(path)}.")
    if manifest is not None:
        search.one_manifest(manifest, folders, files)
    else:
        for folder in folders:
            search.folder(folder)
        search.files(files)
    requests = search.requests()
    if not requests:
        seen = listed([f"{plain(item.name)}: {item.why}" for item in search.skipped])
        raise UsageError(
            f"No photos in {', '.join(plain(path) for path in photos)}." + (f"\n{seen}\n" if seen else ""),
            f"Photos end in {' '.join(PICTURE_SUFFIXES)}.",
        )
    return Collected(requests, tuple(search.notes), tuple(search.skipped), tuple(search.manifests))


def kind_of(path: Path) -> Literal["file", "folder"] | None:
    """Return what a path leads to; None where there is nothing or it may not be known. Pipes and devices are files."""
    try:
        return "folder" if stat.S_ISDIR(path.stat().st_mode) else "file"
    except (OSError, ValueError):
        return None


def _read(path: Path) -> tuple[list[PhotoRequest], tuple[str, ...]]:
    sheet = read_sheet(path, tuple(COLUMNS), "photo")
    place = _Placer(path.parent)
    problems: list[str] = []
    requests: list[PhotoRequest] = []
    lines: dict[str, int] = {}
    for row in sheet.rows:
        values: dict[str, object] = {}
        bad: list[str] = []
        for column, reader in COLUMNS.items():
            try:
                if column in row.cells:
                    values[column] = reader(row.cells[column])
                elif column == "photo":
                    raise ValueError("it names no photo.")
                if column == "photo":
                    values["name"] = name = place(str(values.pop("photo")))
                    if name in lines:
                        raise ValueError(f'"{plain(name)}" already stands in line {lines[name]}.')
                    lines[name] = row.line
            except ValueError as error:
                bad.append(f"line {row.line}, column {column}: {error}")
        if not bad:
            request = PhotoRequest(path=path.parent / str(values["name"]), **values)  # type: ignore[arg-type]
            if request.trimmed and request.taken and request.trimmed.isoformat() > request.taken[:10]:
                bad.append(
                    f"line {row.line}, column trimmed: {request.trimmed} lies after the photo ({request.taken[:10]}); "
                    "the last trim before the photo is meant."
                )
            requests.append(request)
        problems += bad
    if problems:
        raise UsageError(f"{plain(path)} cannot be used:\n{listed(problems)}\n", "Nothing was measured yet.")
    return requests, sheet.notes


class _Placer:
    """Turns a cell into a path below one folder, and refuses what would leave it."""

    def __init__(self, root: Path) -> None:
        self._root = root
        self._real_root = os.path.realpath(root)
        self._inside: dict[str, bool] = {}

    def __call__(self, cell: str) -> str:
        windows = PureWindowsPath(cell)
        if windows.drive or windows.root or is_absolute(cell):
            raise ValueError(f'"{plain(cell[:200])}" is an absolute path; name the photo relative to the manifest.')
        name = posixpath.normpath(cell.replace("\\", "/"))
        if name == "." or name.split("/")[0] == "..":
            raise ValueError(f'"{plain(cell[:200])}" lies outside the manifest\'s folder.')
        path = self._root / name
        try:
            outside = not self._is_inside(path.parent) or (path.is_symlink() and not self._is_inside(path))
            folder = path.is_dir()
        except (OSError, ValueError):  # such as a name too long for the file system
            raise ValueError(f'"{plain(cell[:200])}" cannot be the name of a file.') from None
        if outside:
            raise ValueError(f'"{plain(cell[:200])}" is a link that leads out of the manifest\'s folder.')
        if folder:
            raise ValueError(f'"{plain(cell[:200])}" is a folder, not a photo.')
        return name

    def _is_inside(self, path: Path) -> bool:
        key = str(path)
        if key not in self._inside:
            real = os.path.realpath(path)
            self._inside[key] = os.path.commonpath([real, self._real_root]) == self._real_root
        return self._inside[key]


class _Search:
    """What has been found so far. A photo reached twice is run once."""

    def __init__(self) -> None:
        self.notes: list[str] = []
        self.skipped: list[Skipped] = []
        self.manifests: list[Path] = []
        self._real: _Real = cache(os.path.realpath)
        self._parts: list[_Pictures | list[PhotoRequest]] = []
        self._seen: dict[str, set[str]] = {}

    def requests(self) -> Requests:
        """Return what was found, each photo with a name of its own and an animal."""
        parts = _unique_names(self._parts, self._real)
        open_folders = {
            folder
            for part in parts
            for folder in ((part.real,) if isinstance(part, _Pictures) else _unnamed(part, self._real))
        }
        labels = _labels(open_folders)
        return Requests(
            replace(part, animal=labels[part.real])
            if isinstance(part, _Pictures)
            else _name_animals(part, self._real, labels)
            for part in parts
        )

    def add(self, request: PhotoRequest) -> None:
        if self._is_new(request.path):
            if not self._parts or isinstance(self._parts[-1], _Pictures):
                self._parts.append([])
            part = self._parts[-1]
            assert isinstance(part, list)
            part.append(request)

    def _is_new(self, path: Path) -> bool:
        """Note a photo by its place, with links in its folder followed, but not the photo itself if it is a link."""
        seen = self._seen.setdefault(self._real(path.parent), set())
        if path.name in seen:
            self.skipped.append(Skipped(str(path), "named twice; it is run once"))
            return False
        seen.add(path.name)
        return True

    def _whereabouts(self, path: Path) -> str:
        return os.path.join(self._real(path.parent), path.name)  # noqa: PTH118 - a plain string is five times faster

    def rows(self, manifest: Path) -> list[PhotoRequest]:
        requests, notes = _read(manifest)
        self.notes += notes
        self.manifests.append(manifest)
        return requests

    def folder(self, folder: Path) -> None:
        manifest = _manifest_of(folder)
        if manifest is None:
            files = tuple(name for name in self._pictures(folder) if self._is_new(folder / name))
            if files:
                self._parts.append(_Pictures(folder, self._real(folder), files))
            return
        rows = self.rows(manifest)
        for request in rows:
            self.add(request)
        self._tell_missing(manifest, rows)
        self._tell_unnamed(folder, manifest)

    def files(self, files: Iterable[Path]) -> None:
        tables: dict[Path, Mapping[str, PhotoRequest]] = {}
        for path in files:
            manifest = _manifest_of(path.parent)
            if manifest is not None and manifest not in tables:
                tables[manifest] = {self._whereabouts(row.path): row for row in self.rows(manifest)}
            self._file(path, tables[manifest] if manifest else {}, manifest)

    def one_manifest(self, manifest: Path, folders: Sequence[Path], files: Sequence[Path]) -> None:
        rows = [self._find(row, folders) for row in self.rows(manifest)]
        real_folders = [os.path.realpath(folder) for folder in folders]
        asked_files = {self._whereabouts(path) for path in files}
        left: dict[str, None] = {}
        for row in rows:
            where = self._whereabouts(row.path)
            inside = any(os.path.commonpath([where, folder]) == folder for folder in real_folders)
            missing = kind_of(row.path) is None
            if inside or (missing and folders):
                self.add(row)
            elif where not in asked_files:
                left[row.name] = None
        if left:
            self.skipped += [Skipped(name, "not among the photos named") for name in left]
            self.notes.append(f"{len(left)} rows of {plain(manifest)} name photos that were not asked for.")
        by_place = {self._whereabouts(row.path): row for row in rows}
        for path in files:
            self._file(path, by_place, manifest)
        self._tell_missing(manifest, [row for row in rows if row.name not in left])
        for folder in folders:
            self._tell_unnamed(folder, manifest)

    def _file(self, path: Path, rows: Mapping[str, PhotoRequest], manifest: Path | None) -> None:
        row = rows.get(self._whereabouts(path))
        if row is None and manifest is not None:
            self.notes.append(f"{plain(path)} is not in {plain(manifest)}: foot, view and the rest are not known.")
        self.add(row or PhotoRequest(path=path, name=_printable_name(path.name)))

    def _find(self, row: PhotoRequest, folders: Sequence[Path]) -> PhotoRequest:
        """Look in the folders for a photo that is not beside a manifest kept elsewhere."""
        if os.path.lexists(row.path):
            return row
        for folder in folders:
            if kind_of(folder / row.name) == "file":
                try:
                    _Placer(folder)(row.name)
                except ValueError as error:
                    raise UsageError(f"{plain(row.name)}: {error}") from None
                return replace(row, path=folder / row.name)
        return row

    def _pictures(self, folder: Path) -> list[str]:
        pictures: list[str] = []
        for name, is_folder in _listing(folder):
            why = _why_not(folder / name, is_folder)
            if why is None:
                pictures.append(name)
            elif why:
                self.skipped.append(Skipped(str(folder / name), why))
                if is_folder and _holds_pictures(folder / name):
                    self.notes.append(
                        f"{plain(folder / name)} was not searched: folders inside a folder are not. Name it as well."
                    )
        return pictures

    def _tell_unnamed(self, folder: Path, manifest: Path) -> None:
        seen = self._seen.get(self._real(folder), set())
        unnamed = [name for name in self._pictures(folder) if name not in seen]
        if unnamed:
            self.skipped += [Skipped(str(folder / name), f"not named in {manifest}") for name in unnamed]
            some = ", ".join(plain(name) for name in unnamed[:3]) + (", …" if len(unnamed) > 3 else "")
            self.notes.append(
                f"{len(unnamed)} pictures in {plain(folder)} are not named in {plain(manifest.name)} and are left "
                f"out: {some}"
            )

    def _tell_missing(self, manifest: Path, rows: Sequence[PhotoRequest]) -> None:
        missing = [row.path for row in rows if kind_of(row.path) is None]
        if missing:
            shown = listed([plain(path.name) + _near(path) for path in missing[:5]])
            more = f"\n  … and {len(missing) - 5} more" if len(missing) > 5 else ""
            self.notes.append(f"{len(missing)} photos named in {plain(manifest)} are not there:\n{shown}{more}")


def _listing(folder: Path) -> list[tuple[str, bool]]:
    try:
        with os.scandir(folder) as entries:
            return sorted((entry.name, _is_folder(entry)) for entry in entries)
    except OSError as error:
        raise UsageError(f"{plain(folder)} cannot be read ({error.strerror}).", "Check that you may read it.") from None


def _is_folder(entry: os.DirEntry[str]) -> bool:
    """Return whether an entry leads to a folder, mostly from the listing alone: asking a share takes long."""
    try:
        return entry.is_dir()
    except OSError:  # a link in a circle
        return False


def _why_not(path: Path, is_folder: bool) -> str | None:
    """Return why a folder's entry is no photo of the run: None if it is one, empty if that needs no word."""
    if is_folder:
        return "a folder inside a folder is not searched; name it as well"
    if path.name == MANIFEST_NAME or path.name.endswith(_SIDECAR_SUFFIX):
        return ""
    if path.name.startswith("."):
        return "a hidden file"
    if path.suffix.casefold() not in PICTURE_SUFFIXES:
        return f"its name does not end in {' '.join(PICTURE_SUFFIXES)}"
    return None


def _holds_pictures(folder: Path) -> bool:
    try:
        with os.scandir(folder) as entries:
            return any(_why_not(Path(each.path), _is_folder(each)) is None for each in entries)
    except OSError:
        return True


def _manifest_of(folder: Path) -> Path | None:
    path = folder / MANIFEST_NAME
    return path if kind_of(path) == "file" else None


def _near(path: Path) -> str:
    try:
        names = [entry.name for entry in path.parent.iterdir()]
    except OSError:
        return ""
    same = [name for name in names if name.casefold() == path.name.casefold()]
    return did_you_mean(path.name, same or names)


def _printable_name(name: str) -> str:
    """Return a file name as a record takes it: odd bytes written as escapes, and never like an absolute path."""
    shown = name.encode("utf-8", "surrogateescape").decode("utf-8", "backslashreplace")
    return f"./{shown}" if is_absolute(shown) else shown


def _unique_names(parts: Sequence[_Pictures | list[PhotoRequest]], real: _Real) -> list[_Pictures | list[PhotoRequest]]:
    """Put the folder's name before the names of photos of folders that share a name."""
    clashing = _clashing(parts, real)
    if not clashing:
        return list(parts)
    labels = _labels(clashing)

    def named(part: _Pictures | list[PhotoRequest]) -> _Pictures | list[PhotoRequest]:
        if isinstance(part, _Pictures):
            return replace(part, prefix=f"{labels[part.real]}/") if part.real in labels else part
        roots = ((_root(request, real), request) for request in part)
        return [
            replace(request, name=f"{labels[root]}/{request.name}") if root in labels else request
            for root, request in roots
        ]

    return [named(part) for part in parts]


def _clashing(parts: Sequence[_Pictures | list[PhotoRequest]], real: _Real) -> set[str]:
    """Return the folders of which another has a photo of the same name."""
    clashing: set[str] = set()
    if len(parts) == 1 and isinstance(parts[0], _Pictures):
        return clashing
    first: dict[str, str] = {}
    for part in parts:
        for request in (part[index] for index in range(len(part))):
            root = part.real if isinstance(part, _Pictures) else _root(request, real)
            other = first.setdefault(request.name, root)
            if other != root:
                clashing |= {other, root}
    return clashing


def _root(request: PhotoRequest, real: _Real) -> str:
    """Return the folder that the photo's name is relative to."""
    folder = request.path.absolute().parent
    for _ in range(request.name.count("/")):
        folder = folder.parent
    return real(folder)


def _labels(folders: Iterable[str]) -> dict[str, str]:
    """Return for each folder as few of the last parts of its path as tell it from the others."""
    parts = {folder: Path(folder).parts[1:] or (folder,) for folder in folders}
    labels: dict[str, str] = {}
    longest = max(map(len, parts.values()), default=0)
    for count in range(1, longest + 1):
        tails = {folder: "/".join(parts[folder][-count:]) for folder in parts if folder not in labels}
        taken = Counter(tails.values())
        labels.update({f: t for f, t in tails.items() if taken[t] == 1 or count >= len(parts[f])})
    return {folder: _printable_name(label) for folder, label in labels.items()}


def _unnamed(requests: Iterable[PhotoRequest], real: _Real) -> set[str]:
    """Return the folders of photos whose animal the manifest leaves open."""
    return {real(request.path.parent) for request in requests if not request.animal}


def _name_animals(
    requests: Sequence[PhotoRequest], real: _Real, labels: Mapping[str, str] | None = None
) -> tuple[PhotoRequest, ...]:
    """Take one animal a folder where the manifest names none. ``labels`` are names of the folders."""
    names = _labels(_unnamed(requests, real)) if labels is None else labels
    return tuple(
        request if request.animal else replace(request, animal=names[real(request.path.parent)]) for request in requests
    )
