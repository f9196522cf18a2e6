"""What a reader may do with hostile input: return, or raise an error of the project, soon, and write nowhere else."""

from __future__ import annotations

import os
import sys
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Literal

from clawvision.errors import ClawvisionError, PhotoRefused

LIMIT_S = 5.0
"""An answer that takes longer is a hang."""

Kind = Literal["read", "refused", "crash", "hang", "write outside"]

_WRITES = os.O_WRONLY | os.O_RDWR | os.O_CREAT | os.O_TRUNC | os.O_APPEND
_CHANGES = {
    *("os.remove", "os.rename", "os.rmdir", "os.mkdir", "os.link", "os.symlink", "os.truncate", "os.chmod"),
    *("os.chown", "os.utime", "shutil.rmtree", "shutil.move", "shutil.copyfile", "os.setxattr"),
}
_STARTS = {"os.system", "os.exec", "os.posix_spawn", "subprocess.Popen", "os.spawn", "socket.connect"}


@dataclass(frozen=True, slots=True)
class Outcome:
    """What became of one input."""

    kind: Kind
    detail: str = ""
    seconds: float = 0.0

    @property
    def bad(self) -> bool:
        """Return whether the contract was broken."""
        return self.kind not in ("read", "refused")


class _Ears:
    """Hears of every file that Python opens to write, moves or removes. A hook cannot be taken away, so there is one.

    What a library writes without Python (a database, a decoder) is not heard; the readers are given no other place.
    """

    def __init__(self) -> None:
        self.place: str | None = None
        self.heard: list[str] = []
        sys.addaudithook(self._hear)

    def _hear(self, event: str, words: tuple[Any, ...]) -> None:
        if self.place is None:
            return
        if event == "open":
            path, mode, flags = words
            writes = any(sign in mode for sign in "wax+") if isinstance(mode, str) else bool(flags & _WRITES)
            if writes:
                self._note(event, path)
        elif event in _CHANGES:
            # A name may be relative to a folder that is open: its number stands behind names and mode.
            folders = [word for word in words[1:] if isinstance(word, int) and word >= 0]
            for path in words[1:2] if event in ("os.symlink", "os.link") else words[:2]:
                self._note(event, path, folders[-1] if folders and event != "os.chmod" else None)
        elif event in _STARTS:
            self.heard.append(event)

    def _note(self, event: str, path: Any, folder: int | None = None) -> None:
        if not isinstance(path, str | bytes | os.PathLike) or not path or self.place is None:
            return
        name = Path(os.fsdecode(path))
        if folder is not None:
            with suppress(OSError):
                name = Path(f"/proc/self/fd/{folder}").readlink() / name  # an absolute name stays as it is
        # A link that is itself moved or removed is not what it leads to.
        real = os.path.realpath(name) if event == "open" else str(Path(os.path.realpath(name.parent)) / name.name)
        if not f"{real}{os.sep}".startswith(self.place + os.sep) and real != os.devnull:
            self.heard.append(f"{event} {real}")


_ears: _Ears | None = None


@contextmanager
def listening(place: Path) -> Iterator[list[str]]:
    """Give a list that grows by every change of a file outside ``place``."""
    global _ears
    _ears = _ears or _Ears()
    _ears.heard = []
    _ears.place = os.path.realpath(place)
    try:
        yield _ears.heard
    finally:
        _ears.place = None


def tried(read: Callable[[bytes, Path], None], data: bytes, place: Path) -> Outcome:
    """Return what became of one input: ``read`` gets it and a folder that it may write to.

    An error of the project is a refusal. Whatever else is raised is a crash, running out of memory or of the stack too.
    """
    began = time.perf_counter()
    kind: Kind = "read"
    detail = ""
    with listening(place) as heard:
        try:
            read(data, place)
        except (ClawvisionError, PhotoRefused) as error:
            kind, detail = "refused", str(error)
        except Exception as error:
            kind, detail = "crash", _told(error)
    seconds = time.perf_counter() - began
    if kind != "crash" and heard:
        kind, detail = "write outside", "; ".join(heard[:3])
    elif kind != "crash" and seconds > LIMIT_S:
        kind, detail = "hang", f"{seconds:.1f} s"
    return Outcome(kind, detail, seconds)


def _told(error: BaseException) -> str:
    """Return an error with the innermost place in the project that it came through: what tells crashes apart."""
    place = ""
    trace = error.__traceback__
    while trace is not None:
        code = trace.tb_frame.f_code
        if "/clawvision/" in code.co_filename:
            place = f"{code.co_filename.rpartition('/clawvision/')[2]}:{trace.tb_lineno}"
        trace = trace.tb_next
    return f"{type(error).__name__} at {place}: {' '.join(str(error).split())[:160]}"
