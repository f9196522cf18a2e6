"""Copies of photos that an earlier version kept as they came, made bare."""

from __future__ import annotations

from contextlib import suppress
from pathlib import Path

from clawvision.apart import bare_apart
from clawvision.errors import PhotoRefused
from clawvision.output.atomic import write_atomic
from clawvision.photo.kept import remains
from clawvision.regular import read_regular
from clawvision.triage.inbox import SIDECAR_SUFFIX
from clawvision.triage.journal import TakenPhoto
from clawvision.types import Settings

AS_IT_CAME = "The copy that is kept of it could not be made bare: it still holds all that the camera wrote."


def made_bare(photo: TakenPhoto, folder: Path, settings: Settings) -> TakenPhoto:
    """Make the copy of a photo bare where it lies, and return what the journal has to say of it then.

    May be ended anywhere and begun again: until the journal is written, the copy is done anew, which changes nothing.

    Parameters
    ----------
    photo
        As the journal has it. One that is bare, or of which there is no copy, is returned as it is.
    folder
        That of the sender's copies.
    settings
        Limits, as for `clawvision.photo.bare.bare_copy`.

    Raises
    ------
    OutputError
        If it cannot be written.
    """
    if photo.bare or not photo.file:
        return photo
    old = folder / photo.file
    done = old.with_suffix(".png")
    path = old if old.is_file() else done
    try:
        data = read_regular(path, settings.max_file_bytes)
    except OSError:
        return photo
    if not photo.readable:
        write_atomic(old, remains(data))
        return photo.model_copy(update={"bare": True})
    try:
        made = bare_apart(data, suffix=path.suffix, settings=settings)
    except PhotoRefused:
        return photo.model_copy(update={"notes": tuple(dict.fromkeys((*photo.notes, AS_IT_CAME)))})
    new = path.with_suffix(made.suffix)
    write_atomic(new, made.data)
    if new != old:
        _move(old, new)
    notes = tuple(each for each in photo.notes if each != AS_IT_CAME)
    return photo.model_copy(update={"file": new.name, "bare": True, "notes": (*notes, *made.notes)})


def _move(old: Path, new: Path) -> None:
    """Take the outline file along to a copy of another name, and remove the copy of the old one."""
    sidecar = old.with_name(old.name + SIDECAR_SUFFIX)
    with suppress(OSError):
        sidecar.replace(new.with_name(new.name + SIDECAR_SUFFIX))
    with suppress(OSError):
        old.unlink()
