"""The process at the other end of the pipe: reads calls, and writes what they return or raise."""

from __future__ import annotations

import os
import pickle
import signal
import traceback
from contextlib import suppress
from typing import BinaryIO

_OUT_OF_MEMORY = pickle.dumps((False, MemoryError()))  # made while there is some


def main() -> None:
    """Answer calls until the pipe closes, which it also does when the parent is killed."""
    # An interrupt from the keyboard reaches the whole group; the parent decides what becomes of it.
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    # Whatever a library prints goes to standard error: the pipe holds results alone.
    calls = os.fdopen(os.dup(0), "rb")
    answers = os.fdopen(os.dup(1), "wb")
    nothing = os.open(os.devnull, os.O_RDONLY)
    os.dup2(nothing, 0)
    os.dup2(2, 1)
    with calls, answers:
        try:
            _limit_memory(pickle.load(calls))
            _send(True, answers)  # this process works; what ends it from now on is the call's doing
            while True:
                _send(_answer(pickle.load(calls)), answers)
        except EOFError:
            return
        except BrokenPipeError:
            os._exit(1)  # the parent is gone; closing would only fail again


def _limit_memory(limit: int | None) -> None:
    """Let this process alone feel it when a photo asks for more memory than any should."""
    if limit is None:
        return
    try:
        import resource
    except ImportError:  # Windows has none
        return
    with suppress(OSError, ValueError):  # such as a limit that is lower already
        _, hard = resource.getrlimit(resource.RLIMIT_AS)
        resource.setrlimit(resource.RLIMIT_AS, (limit, hard))


def _answer(call: bytes) -> bytes:
    try:
        function, args, kwargs = pickle.loads(call)
        return pickle.dumps((True, function(*args, **kwargs)))
    except MemoryError:
        return _OUT_OF_MEMORY
    except Exception as error:
        if os.environ.get("CLAWVISION_TRACEBACK"):
            traceback.print_exc()
        try:
            return pickle.dumps((False, error))
        except Exception:  # it holds what cannot be sent
            return pickle.dumps((False, RuntimeError(f"{type(error).__name__}: {error}")))


def _send(answer: object, answers: BinaryIO) -> None:
    answers.write(pickle.dumps(answer))
    answers.flush()
