"""One round after another: take what has arrived whole, assess its sender's photos, renew the list and the answer."""

from __future__ import annotations

import hashlib
import json
import os
import time
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import contextmanager, suppress
from dataclasses import dataclass, field, replace
from datetime import UTC, datetime
from pathlib import Path, PurePosixPath

from clawvision import store
from clawvision.apart import bare_apart
from clawvision.batch import PhotoDone, assess_collected, check_profiles
from clawvision.errors import OutputError, PhotoRefused, UsageError
from clawvision.findings import load_profiles, load_rules
from clawvision.manifest import Collected, kind_of, read_rows
from clawvision.output.atomic import write_atomic
from clawvision.output.models import AssessmentRecord
from clawvision.output.paths import without_paths
from clawvision.output.record import load_assessment
from clawvision.photo.kept import PHOTOS, copy_name, remains
from clawvision.photo_task import Worker, measure_photo
from clawvision.plain import plain
from clawvision.triage.answers import answer_text
from clawvision.triage.inbox import SIDECAR_SUFFIX, Found, key_of, list_inbox, read_found, shown_name
from clawvision.triage.journal import Sender, TakenPhoto, Waiting, read_journal, write_journal
from clawvision.triage.lines import animal_lines
from clawvision.triage.names import safe_name
from clawvision.triage.older import made_bare
from clawvision.triage.worklist import worklist_of, write_worklist
from clawvision.types import PhotoRequest, Settings

SENDERS, ANSWERS, TABLE = "senders", "answers", "photos.csv"
_SMALL_FILE = 5_000_000
"""Tables and outline files are not read beyond this."""
_PERHAPS_ARRIVING = frozenset({"truncated", "file_empty", "not_a_photo"})
"""What a file that is still being copied looks like: cut short, empty, or laid out with zeros."""


@dataclass(frozen=True, slots=True)
class TriageSettings:
    """How photos are taken and judged; see `clawvision.batch.assess_folder` for those that it has too.

    ``settle_s`` is how long a file must stay as it is before it is taken, ``give_up_s`` how long one that cannot be
    decoded may be arriving before it is reported.
    """

    settings: Settings = field(default_factory=Settings)
    jobs: int = 1
    profile: str | None = None
    profile_dirs: tuple[Path, ...] = ()
    rules: Path | None = None
    settle_s: float = 2.0
    give_up_s: float = 600.0
    worker: Worker = measure_photo


@dataclass(frozen=True, slots=True)
class Told:
    """What a round did: photos taken by sender, files that are still arriving, whether it was stopped."""

    taken: Mapping[str, int]
    arriving: int
    stopped: bool


class _Stopped(Exception):
    """Asked to end; raised after the photo in hand."""


class Triage:
    """Works an inbox off, in rounds. Keeps in memory which files of the inbox are known, and the journal.

    Parameters
    ----------
    inbox
        A folder with a folder for each sender.
    out
        Folder for the results; made if it is not there. It may neither hold the inbox nor lie in it.
    asked
        How photos are taken and judged.
    stop
        Asked after each photo; True ends the round there.
    clock, now
        A clock that never goes back, seconds; the time of the day, UTC.

    Raises
    ------
    UsageError
        If the inbox is not a folder, or profiles, rules or an older journal cannot be used.
    """

    def __init__(
        self,
        inbox: Path,
        out: Path,
        asked: TriageSettings | None = None,
        *,
        stop: Callable[[], bool] = lambda: False,
        clock: Callable[[], float] = time.monotonic,
        now: Callable[[], datetime] = lambda: datetime.now(UTC),
    ) -> None:
        self._inbox, self._out, self._asked = inbox, out, asked or TriageSettings()
        self._stop, self._clock, self._now = stop, clock, now
        _check_folders(inbox, out)
        check_profiles((), self._asked.profile, load_profiles(self._asked.profile_dirs))
        load_rules(self._asked.rules)
        self._journal = read_journal(out)
        _sweep(out)
        self._known = {
            (each.source, each.size, each.mtime_ns) for sender in self._journal.senders for each in sender.photos
        }
        self._since: dict[tuple[str, int, int], float] = {}
        self._first: dict[str, str] = {}
        self._undecoded: set[tuple[str, int, int]] = set()
        self._notes: tuple[str, ...] = ()
        self._older = True

    def round(self) -> Told:
        """Take and assess what is there and whole.

        Raises
        ------
        OutputError
            If the results cannot be written.
        """
        if self._older:
            self._make_bare()
            self._older = False
        try:
            listing = list_inbox(self._inbox)
        except OSError as error:
            self._notes = (f"The inbox cannot be read ({error.strerror}).",)
            self._write()
            return Told({}, 0, False)
        files = (*listing.pictures, *listing.tables, *listing.sidecars)
        settled = self._settled(files)
        self._forget({each.state for each in listing.pictures})
        arriving = sum(each.state not in settled and each.state not in self._known for each in files)
        notes = list(listing.notes)
        common = next((each for each in listing.tables if not each.sender), None)
        if common is not None and common.state not in settled:  # what it says of all photos is still arriving
            self._notes = tuple(notes)
            self._write()
            return Told({}, arriving, False)
        rows = {plain(row.name): row for row in self._rows(self._out / TABLE, common, notes)}
        grouped, homeless = self._by_sender(listing.pictures, rows)
        if homeless:
            notes.append(
                f"{len(homeless)} photos lie in no sender's folder and are named in no {TABLE}: "
                + ", ".join(each.source for each in homeless[:3])
            )
        self._notes = tuple(notes)
        taken: dict[str, int] = {}
        tables = {each.sender: each for each in listing.tables if each.sender}
        names = {sender.name for sender in self._journal.senders}
        order = {*grouped, *(name for name in (*tables, *self._open()) if name in names)}
        for name in sorted(order, key=lambda name: (self._waiting_since(grouped.get(name, ())), name)):
            if self._stop():
                self._write()
                return Told(taken, arriving, True)
            table = tables.get(name)
            if table is not None and table.state not in settled:
                continue  # what it says of the photos is still arriving
            count = self._take(name, [each for each in grouped.get(name, ()) if each.state in settled])
            sidecars = [each for each in listing.sidecars if each.sender in (name, "") and each.state in settled]
            if count:
                taken[name] = count
            if not self._assess(name, table, sidecars, rows):
                return Told(taken, arriving, True)
        self._write()
        return Told(taken, arriving + len(self._journal.waiting), False)

    def _make_bare(self) -> None:
        """Make bare what an earlier version has kept."""
        for sender in self._journal.senders:
            folder = self._place(sender) / PHOTOS
            photos = tuple(made_bare(photo, folder, self._asked.settings) for photo in sender.photos)
            if photos != sender.photos:
                self._put(sender.model_copy(update={"photos": photos, "open": True}))

    # --- what is new

    def _settled(self, files: Sequence[Found]) -> set[tuple[str, int, int]]:
        """Return what has stayed as it is for long enough."""
        now = self._clock()
        self._since = {each.state: self._since.get(each.state, now) for each in files}
        self._first = {each.source: self._first.get(each.source, self._time()) for each in files}
        return {state for state, since in self._since.items() if now - since >= self._asked.settle_s}

    def _forget(self, present: set[tuple[str, int, int]]) -> None:
        self._known &= present | {
            (each.source, each.size, each.mtime_ns) for sender in self._journal.senders for each in sender.photos
        }
        self._undecoded &= present
        sources = {source for source, _, _ in present}
        waiting = tuple(each for each in self._journal.waiting if each.source in sources)
        if waiting != self._journal.waiting:
            self._journal = self._journal.model_copy(update={"waiting": waiting})

    def _waiting_since(self, files: Sequence[Found]) -> str:
        """Return when the first of what is new was seen; what sorts behind every time where nothing is."""
        return min((self._first[each.source] for each in files if each.state not in self._known), default="~")

    def _open(self) -> list[str]:
        return [sender.name for sender in self._journal.senders if sender.open]

    def _rows(self, copy: Path, found: Found | None, notes: list[str]) -> tuple[PhotoRequest, ...]:
        """Return the rows of a table. Its last good copy is kept, and used where it is gone or no longer good."""
        if found is not None and (data := read_found(found, _SMALL_FILE)) is not None and data != _bytes(copy):
            trial = copy.with_name("photos.new.csv")
            write_atomic(trial, data)
            try:
                read_rows(trial)
                trial.replace(copy)
            except UsageError as error:
                with suppress(OSError):
                    trial.unlink()
                text = " ".join(str(error).replace(str(trial), found.source).split())
                notes.append(f"{found.source} is not used: {without_paths(text)}")
        try:
            return read_rows(copy) if copy.exists() else ()
        except UsageError as error:
            notes.append(f"The kept copy of {TABLE} cannot be used: {' '.join(error.message.split())}")
            return ()

    def _by_sender(
        self, pictures: Sequence[Found], rows: Mapping[str, PhotoRequest]
    ) -> tuple[dict[str, list[Found]], list[Found]]:
        grouped: dict[str, list[Found]] = {}
        homeless = []
        for each in pictures:
            row = rows.get(each.source)
            name = each.sender or (key_of(row.animal) if row is not None and row.animal else "")
            if name:
                grouped.setdefault(name, []).append(each)
            else:
                homeless.append(each)
        return grouped, homeless

    def _sender(self, name: str) -> Sender:
        for sender in self._journal.senders:
            if sender.name == name:
                return sender
        return Sender(name=name, folder=safe_name(name, [each.folder for each in self._journal.senders]))

    def _put(self, sender: Sender) -> None:
        others = tuple(each for each in self._journal.senders if each.name != sender.name)
        self._journal = self._journal.model_copy(update={"senders": (*others, sender)})
        write_journal(self._out, self._journal)

    def _take(self, name: str, files: Sequence[Found]) -> int:
        """Copy what is new, so that it stays whatever becomes of the inbox; note it in the journal."""
        sender = self._sender(name)
        photos = list(sender.photos)
        waiting = {each.source: each for each in self._journal.waiting}
        before = len(photos), dict(waiting)
        count = 0
        for each in files:
            if each.state in self._known:
                waiting.pop(each.source, None)
                continue
            taken = self._look(sender, each, photos, waiting)
            if taken is not None:
                # A file that was given up and has changed since has arrived now.
                photos = [old for old in photos if old.readable or old.source != each.source]
                photos.append(taken)
                count += 1
        if waiting != before[1]:
            self._journal = self._journal.model_copy(update={"waiting": tuple(waiting.values())})
            if not count:
                write_journal(self._out, self._journal)
        if count:
            self._put(sender.model_copy(update={"photos": tuple(photos), "open": True}))
        return count

    def _look(
        self, sender: Sender, found: Found, photos: Sequence[TakenPhoto], waiting: dict[str, Waiting]
    ) -> TakenPhoto | None:
        """Return the photo if it is new and whole, or has been arriving for too long."""
        late = found.source in waiting and self._waited(waiting[found.source]) >= self._asked.give_up_s
        if found.state in self._undecoded and not late:
            return None
        large = found.size > self._asked.settings.max_file_bytes
        data = None if large else read_found(found, self._asked.settings.max_file_bytes)
        if data is None and not large:
            self._wait(found, "The file cannot be opened, or changes.", waiting)
            return None
        digest = hashlib.sha256(data if data is not None else repr(found.state).encode()).hexdigest()
        if any(old.sha256 == digest for old in photos):
            self._known.add(found.state)
            waiting.pop(found.source, None)
            return None
        file, readable, remarks = "", True, tuple[str, ...]()
        if data is not None:
            suffix = Path(found.path.name).suffix.casefold()
            try:
                made = bare_apart(data, suffix=suffix, settings=self._asked.settings)
            except PhotoRefused as refusal:
                readable = refusal.reason.code not in _PERHAPS_ARRIVING
                if not readable and not late:
                    self._undecoded.add(found.state)
                    self._wait(found, refusal.reason.message, waiting)
                    return None
                if not readable:  # nothing can be had from it but the reason why
                    file = f"{digest[:20]}{suffix}"
                    write_atomic(self._place(sender) / PHOTOS / file, remains(data))
            else:
                file = copy_name(hashlib.sha256(made.data).hexdigest(), made.suffix)
                if any(old.file == file for old in photos):  # sent again by a way that left off what is not kept
                    self._known.add(found.state)
                    waiting.pop(found.source, None)
                    return None
                write_atomic(self._place(sender) / PHOTOS / file, made.data)
                remarks = made.notes
        began = waiting.pop(found.source, None)
        self._known.add(found.state)
        name = _unused(shown_name(found.path.name), {old.name for old in photos if old.readable})
        return TakenPhoto(
            name=name,
            source=found.source,
            sha256=digest,
            size=found.size,
            mtime_ns=found.mtime_ns,
            came=began.since if began is not None else self._first[found.source],
            file=file,
            readable=readable,
            notes=remarks,
            bare=bool(file),
        )

    def _wait(self, found: Found, why: str, waiting: dict[str, Waiting]) -> None:
        since = waiting[found.source].since if found.source in waiting else self._time()
        waiting[found.source] = Waiting(sender=found.sender, source=found.source, since=since, why=why)

    def _waited(self, waiting: Waiting) -> float:
        return (self._now() - datetime.fromisoformat(waiting.since)).total_seconds()

    def _time(self) -> str:
        return self._now().isoformat(timespec="seconds")

    def _place(self, sender: Sender) -> Path:
        return self._out / SENDERS / sender.folder

    # --- what it says

    def _assess(
        self, name: str, table: Found | None, sidecars: Sequence[Found], rows: Mapping[str, PhotoRequest]
    ) -> bool:
        """Assess a sender's photos where any, or what is known of them, is new. False where it was stopped."""
        sender = self._sender(name)
        if not sender.photos:
            return True
        notes = [f"{photo.name}: {note}" for photo in sender.photos for note in photo.notes]
        own = {plain(row.name): row for row in self._rows(self._place(sender) / TABLE, table, notes)}
        self._copy_sidecars(sender, sidecars)
        requests = tuple(self._request(sender, photo, own, rows) for photo in sender.photos)
        context = _context(requests, notes, self._asked)
        if not sender.open and context == sender.context:
            return True
        if not sender.open:
            sender = sender.model_copy(update={"open": True})
            self._put(sender)
        try:
            record = self._run(sender, requests, notes)
        except _Stopped:
            self._write()
            return False
        answer = f"{ANSWERS}/{sender.folder}.txt"
        came = {photo.name: photo.came for photo in sender.photos}
        lines = animal_lines(record, sender.name, came, self._pictures(sender, requests), answer)
        sender = sender.model_copy(
            update={"animals": lines, "context": context, "open": False, "notes": tuple(dict.fromkeys(notes))}
        )
        write_atomic(self._out / answer, answer_text(sender, record, lines).encode("utf-8"))
        self._put(sender)
        self._write()
        return True

    def _request(
        self,
        sender: Sender,
        photo: TakenPhoto,
        own: Mapping[str, PhotoRequest],
        rows: Mapping[str, PhotoRequest],
    ) -> PhotoRequest:
        path = self._place(sender) / PHOTOS / photo.file if photo.file else self._inbox / photo.source
        row = own.get(PurePosixPath(photo.source).name) or rows.get(photo.source)
        if row is None:
            return PhotoRequest(path=path, name=photo.name, animal=sender.name)
        return replace(row, path=path, name=photo.name, animal=plain(row.animal) if row.animal else sender.name)

    def _copy_sidecars(self, sender: Sender, sidecars: Sequence[Found]) -> None:
        """Put outline files beside the copies of their photos; of several of one name beside the latest.

        As beside any photo the file with the full name counts where there are two.
        """
        by_place = {each.source.removesuffix(SIDECAR_SUFFIX): each for each in sidecars}
        latest = {photo.source: photo for photo in sender.photos}
        for source, photo in latest.items():
            found = by_place.get(source) or by_place.get(source.removesuffix(PurePosixPath(source).suffix))
            if found is None or not photo.file:
                continue
            target = self._place(sender) / PHOTOS / (photo.file + SIDECAR_SUFFIX)
            data = read_found(found, _SMALL_FILE)
            if data is not None and data != _bytes(target):
                write_atomic(target, data)

    def _run(self, sender: Sender, requests: Sequence[PhotoRequest], notes: list[str]) -> AssessmentRecord:
        try:
            return self._assessed(sender, requests)
        except UsageError as error:
            # A row that asks for what is not there must not keep the others, or this photo, from being looked at.
            notes.append(f"What the table says of profiles and points was left out: {' '.join(str(error).split())}")
            return self._assessed(sender, [replace(each, profile=None, points=None) for each in requests])

    def _assessed(self, sender: Sender, requests: Sequence[PhotoRequest]) -> AssessmentRecord:
        asked = self._asked
        written = assess_collected(
            Collected(tuple(requests)),
            self._place(sender),
            settings=asked.settings,
            jobs=asked.jobs,
            profile=asked.profile,
            profile_dirs=asked.profile_dirs,
            rules=asked.rules,
            command=("clawvision", "triage"),
            progress=self._after_photo,
            worker=asked.worker,
        )
        return load_assessment(written.read_bytes())

    def _after_photo(self, done: PhotoDone) -> None:
        if self._stop() and done.done < done.total:
            raise _Stopped

    def _pictures(self, sender: Sender, requests: Sequence[PhotoRequest]) -> dict[str, str]:
        found = {}
        for request, slot in zip(requests, store.slots(requests, self._place(sender)), strict=True):
            for suffix in (".jpg", ".png"):
                path = slot.picture.with_name(slot.picture.name + suffix)
                if path.is_file():
                    found[request.name] = path.relative_to(self._out).as_posix()
        return found

    def _write(self) -> None:
        write_worklist(self._out, worklist_of(self._journal, self._notes))


@contextmanager
def alone(out: Path) -> Iterator[None]:
    """Hold an output folder for this process, where the system can tell; two would undo each other's journal.

    Raises
    ------
    UsageError
        If another one holds it.
    OutputError
        If the folder cannot be written.
    """
    try:
        import fcntl
    except ImportError:  # a system without such locks
        yield
        return
    try:
        out.mkdir(parents=True, exist_ok=True)
        stream = (out / ".triage.lock").open("ab")
    except OSError as error:
        raise OutputError(
            f"The output folder {plain(out)} cannot be written ({error.strerror}).",
            "Check its name and rights, or choose another with --out.",
        ) from None
    with stream:
        try:
            fcntl.flock(stream, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except BlockingIOError:
            raise UsageError(
                f"Another clawvision triage is working with {plain(out)}.", "End it first, or use another --out."
            ) from None
        except OSError:  # a share that knows no locks
            pass
        yield


def _check_folders(inbox: Path, out: Path) -> None:
    if kind_of(inbox) != "folder":
        raise UsageError(f"{plain(inbox)} is not a folder.", "Name the folder in which photos arrive.")
    a, b = Path(os.path.realpath(inbox)), Path(os.path.realpath(out))
    if a == b or a in b.parents or b in a.parents:
        raise UsageError(
            f"{plain(out)} and {plain(inbox)} lie in one another: results would be taken for photos that arrive.",
            "Name a folder beside the inbox with --out.",
        )


def _sweep(out: Path) -> None:
    """Remove what a killed run had begun to write."""
    for pattern in (".*.part", f"{ANSWERS}/.*.part", f"{SENDERS}/*/.*.part", f"{SENDERS}/*/{PHOTOS}/.*.part"):
        for path in out.glob(pattern):
            with suppress(OSError):
                path.unlink()


def _bytes(path: Path) -> bytes | None:
    try:
        return path.read_bytes()
    except OSError:
        return None


def _unused(name: str, taken: set[str]) -> str:
    """Return the name, with a number where another photo has it."""
    whole = PurePosixPath(name)
    number, tried = 2, name
    while tried in taken:
        tried = f"{name.removesuffix(whole.suffix)} ({number}){whole.suffix}"
        number += 1
    return tried


def _context(requests: Sequence[PhotoRequest], notes: Sequence[str], asked: TriageSettings) -> str:
    """Return a hash of all that bears on a sender's answer and pictures besides the program.

    Calibrations and profiles count by their folders and names; what is in them is not looked into.
    """
    sidecars = [
        hashlib.sha256(_bytes(each.path.with_name(each.path.name + SIDECAR_SUFFIX)) or b"").hexdigest()
        for each in requests
    ]
    rules = _bytes(asked.rules) if asked.rules is not None else None
    judged = [asked.settings, asked.profile, asked.profile_dirs, rules]
    words = [[repr(replace(each, path=Path(each.path.name))) for each in requests], sidecars, list(notes), repr(judged)]
    return hashlib.sha256(json.dumps(words).encode("utf-8", "surrogatepass")).hexdigest()
