"""Photos in an object store, or in any other place that fsspec reads: listed there, fetched one at a time.

Where the photos are only bears on how they are read. What is said of them, and what is kept, is the same as for a
folder of this computer.
"""

from __future__ import annotations

import posixpath
import re
import tempfile
from collections.abc import Callable, Iterator, Mapping
from concurrent.futures import Executor, Future
from contextlib import contextmanager
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any, Generic, ParamSpec, TypeVar

from clawvision.errors import MissingExtraError, UsageError
from clawvision.executors import NotFetched
from clawvision.manifest import MANIFEST_NAME, Collected, Skipped, collect, read_rows
from clawvision.photo_task import PhotoTask
from clawvision.plain import plain

P = ParamSpec("P")
T = TypeVar("T")

_SMALL_BYTES = 5_000_000
"""Limit for outline files and the manifest."""
_BLOCK = 1 << 20
_UNFIT = re.compile(r"[\x00-\x1f\x7f/\\?#]")
_LONGEST_NAME = 200


@dataclass(frozen=True, slots=True)
class RemoteFile:
    """A file as the place lists it."""

    path: str
    name: str
    size: int | None


@dataclass(frozen=True, slots=True)
class Source:
    """Photos of a place: what a run needs to know of them, and what is needed to fetch them.

    The paths in ``collected`` lead to empty files below ``root``, which stand for those of the place.
    """

    collected: Collected
    file_system: Any
    root: Path
    files: Mapping[str, RemoteFile]

    def of(self, photo: Path) -> tuple[RemoteFile, ...]:
        """Return the photo's file and those of its outlines that are there."""
        name = photo.relative_to(self.root).as_posix()
        stem = posixpath.splitext(name)[0]
        names = dict.fromkeys((name, f"{name}.outline.json", f"{stem}.outline.json"))
        return tuple(self.files[each] for each in names if each in self.files)


class FetchingExecutor(Executor):
    """Hands photos' tasks on to another executor, each with its photo fetched before and removed after.

    Parameters
    ----------
    inner
        Where the tasks are worked on, and the photos fetched.
    source
        Where the photos come from.
    max_file_bytes
        A larger photo is not fetched; it is refused for its size.
    """

    def __init__(self, inner: Executor, source: Source, max_file_bytes: int) -> None:
        self._inner = inner
        self._source = source
        self._max_file_bytes = max_file_bytes

    def submit(self, fn: Callable[P, T], /, *args: P.args, **kwargs: P.kwargs) -> Future[T]:
        """Have ``fn`` called with its photo's task. See `concurrent.futures.Executor.submit`."""
        (task,) = args
        assert isinstance(task, PhotoTask)
        source = self._source
        files = source.of(task.request.path)
        call = _Fetched(fn, source.file_system, files, self._max_file_bytes, source.root.parent)
        return self._inner.submit(call, task)

    def shutdown(self, wait: bool = True, *, cancel_futures: bool = False) -> None:
        """Shut down the other executor. See `concurrent.futures.Executor.shutdown`."""
        self._inner.shutdown(wait=wait, cancel_futures=cancel_futures)


def is_url(text: str) -> bool:
    """Tell a place that fsspec reads from a path."""
    return "://" in text


def shown(url: str) -> str:
    """Return a URL without what might be secret: who reads it, with which password, and what follows a ``?``.

    What cannot be told apart for certain is left out.
    """
    parts = url.split("::")
    if any("://" not in part and not re.fullmatch(r"[a-z0-9]+", part) for part in parts):
        return f"{url.split('://')[0]}://…" if re.match(r"[a-z0-9]+://", url) else "…"
    return "::".join(_bare(part) for part in parts)


def _bare(part: str) -> str:
    scheme, separator, rest = part.partition("://")
    who, at, place = rest.rpartition("@")
    if at and re.search(r"[?#]", who):
        return f"{scheme}://…"
    return scheme + separator + re.split(r"[?#]", place)[0]


@contextmanager
def found(url: str, manifest: Path | None = None) -> Iterator[Source]:
    """List the photos of a place, for the time of a block.

    What a folder's ``photos.csv`` and outline files are on this computer they are there. Folders inside it are
    looked into only where the manifest names a photo in them.

    Parameters
    ----------
    url
        A folder, as fsspec writes it, such as ``s3://bucket/folder``.
    manifest
        A manifest of this computer instead of the place's own.

    Raises
    ------
    MissingExtraError
        If fsspec, or the package that it needs for this place, is not installed.
    UsageError
        If the place cannot be listed, there are no photos, or the manifest cannot be fetched or used.
    """
    file_system, top = _open(url)
    with tempfile.TemporaryDirectory(prefix="clawvision-", ignore_cleanup_errors=True) as temporary:
        root = Path(temporary).resolve() / _folder_name(top)
        root.mkdir()
        place = _Place(file_system, top, root, shown(url))
        place.listen("")
        own = root / MANIFEST_NAME
        if MANIFEST_NAME in place.files and manifest is None:
            try:
                _fetch_into(file_system, place.files[MANIFEST_NAME], own, _SMALL_BYTES)
            except NotFetched as error:
                raise UsageError(
                    f"{plain(place.told(str(own)))} cannot be used: {error.detail}.",
                    "Check the connection, and that you may read there. Nothing was measured yet.",
                ) from None
        try:
            table = manifest or (own if MANIFEST_NAME in place.files else None)
            folders = {posixpath.dirname(row.name) for row in read_rows(table)} if table is not None else set()
            for folder in sorted(folders - {""}):
                place.listen(folder)
            collected = collect([root], manifest)
        except UsageError as error:
            raise UsageError(place.told(error.message), place.told(error.remedy)) from None
        yield Source(place.tell(collected), file_system, root, place.files)


def _open(url: str) -> tuple[Any, str]:
    try:
        from fsspec.core import url_to_fs
    except ImportError as error:
        raise MissingExtraError(
            "The package that reads photos from elsewhere is missing.",
            "Install it with: pip install 'clawvision[remote]'",
        ) from error
    try:
        file_system, top = url_to_fs(url)
    except ImportError as error:
        raise MissingExtraError(
            f"A package that reads {shown(url)} is missing.", f"fsspec says: {plain(error)}."
        ) from None
    except Exception as error:  # each kind of place has errors of its own
        raise UsageError(
            f"{plain(shown(url))} is not a place to read from ({type(error).__name__}).", "Check how it is spelt."
        ) from None
    return file_system, str(top).rstrip("/")


def _folder_name(top: str) -> str:
    """Return the last part of a place's path, after which an animal without a name is called."""
    name = re.sub(r"[^\w .-]", "_", posixpath.basename(top))[:_LONGEST_NAME].strip(". ")
    return name or "photos"


class _Place:
    """What has been seen of a place, and the empty files that stand for it here."""

    def __init__(self, file_system: Any, top: str, root: Path, name: str) -> None:
        self._file_system = file_system
        self._top = top
        self._root = root
        self._name = name
        self._unfit: list[Skipped] = []
        self.files: dict[str, RemoteFile] = {}

    def listen(self, folder: str) -> None:
        """List one folder. One inside the place that is not there holds no photos, which is told of each."""
        path = f"{self._top}/{folder}" if folder and self._top else folder or self._top
        try:
            entries = self._file_system.ls(path, detail=True)
        except FileNotFoundError:
            if folder:
                return
            raise UsageError(f"There is no folder {plain(self._name)}.", "Check how it is spelt.") from None
        except Exception as error:  # each kind of place has errors of its own, some with secrets in their words
            raise UsageError(
                f"{plain(self._name)} cannot be listed ({type(error).__name__}).",
                "Check the connection, and that you may read there.",
            ) from None
        (self._root / folder).mkdir(parents=True, exist_ok=True)
        for entry in entries:
            self._add(folder, entry)

    def _add(self, folder: str, entry: Mapping[str, Any]) -> None:
        path = str(entry["name"])
        if path.rstrip("/") == self._top.rstrip("/") and entry["type"] == "file":
            if not folder and entry.get("size"):
                raise UsageError(f"{plain(self._name)} is a file.", "Name the folder that the photos are in.")
            return  # some stores list a folder's own empty file within it
        name = path.rstrip("/").rsplit("/", 1)[-1]
        key = f"{folder}/{name}" if folder else name
        target = self._root / key
        if name in ("", ".", "..") or _UNFIT.search(name) or len(name.encode("utf-8", "replace")) > _LONGEST_NAME:
            self._unfit.append(Skipped(self._name, "a file whose name cannot be one here"))
            return
        try:
            if entry["type"] == "directory":
                target.mkdir(exist_ok=True)
                return
            target.touch()
        except (OSError, ValueError):
            self._unfit.append(Skipped(self._name, "a file whose name cannot be one here"))
            return
        size = entry.get("size")
        self.files[key] = RemoteFile(path, name, None if size is None else int(size))

    def told(self, text: str) -> str:
        """Return a text with the place's name where the empty files are."""
        return text.replace(str(self._root), plain(self._name))

    def tell(self, collected: Collected) -> Collected:
        unfit = [f"{len(self._unfit)} files have names that cannot be used and are left out."] if self._unfit else []
        return replace(
            collected,
            notes=tuple(self.told(note) for note in [*collected.notes, *unfit]),
            skipped=tuple(Skipped(self.told(each.name), self.told(each.why)) for each in collected.skipped)
            + tuple(self._unfit),
        )


@dataclass(frozen=True, slots=True)
class _Fetched(Generic[T]):
    """Calls a function with a photo's task, the photo and its outlines in a private folder as long as it takes."""

    function: Callable[..., T]
    file_system: Any
    files: tuple[RemoteFile, ...]
    max_file_bytes: int
    within: Path
    """Where the private folder is made, if that is on this machine: it is removed with it should this process die."""

    def __call__(self, task: PhotoTask) -> T:
        name = task.request.path.name
        with tempfile.TemporaryDirectory(prefix="photo-", dir=self.within if self.within.is_dir() else None) as folder:
            for file in self.files:
                limit = self.max_file_bytes if file.name == name else _SMALL_BYTES
                _fetch_into(self.file_system, file, Path(folder) / file.name, limit)
            return self.function(replace(task, request=replace(task.request, path=Path(folder) / name), listed=False))


def _fetch_into(file_system: Any, file: RemoteFile, target: Path, limit: int) -> None:
    """Fetch a file that is within the limit. Of a larger one comes an empty file of its size, which is then refused."""
    try:
        with target.open("wb") as stream:
            if file.size is not None and file.size > limit:
                stream.truncate(file.size)
                return
            with file_system.open(file.path, "rb") as source:
                left = limit + 1  # the list may be wrong
                while left > 0 and (block := source.read(min(left, _BLOCK))):
                    left -= stream.write(block)
    except FileNotFoundError:
        target.unlink(missing_ok=True)
    except MemoryError:
        raise
    except Exception as error:  # each kind of place has errors of its own, some with secrets in their words
        raise NotFetched(f"it could not be fetched ({type(error).__name__})") from None
