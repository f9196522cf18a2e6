"""The process at the other end of the pipe: reads a function, then tasks, and writes results."""

from __future__ import annotations

import os
import pickle
import signal
import traceback
from collections.abc import Callable
from typing import Any, BinaryIO


def main() -> None:
    """Answer tasks until the pipe closes, which it also does when the parent is killed."""
    # An interrupt from the keyboard reaches the whole group; the parent decides what becomes of it.
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    # Whatever a library prints goes to standard error: the pipe holds results alone.
    tasks = os.fdopen(os.dup(0), "rb")
    results = os.fdopen(os.dup(1), "wb")
    nothing = os.open(os.devnull, os.O_RDONLY)
    os.dup2(nothing, 0)
    os.dup2(2, 1)
    with tasks, results:
        try:
            function = pickle.load(tasks)
            _send(True, results)  # this process works; what ends it from now on is the task's doing
            while True:
                _answer(function, pickle.load(tasks), results)
        except EOFError:
            return
        except BrokenPipeError:
            os._exit(1)  # the parent is gone; closing would only fail again


def _answer(function: Callable[[Any], Any], task: Any, results: BinaryIO) -> None:
    try:
        answer = function(task)
    except MemoryError:
        from clawvision.pool import Crashed

        answer = Crashed("it ran out of memory")
    except Exception as error:
        if os.environ.get("CLAWVISION_TRACEBACK"):
            traceback.print_exc()
        answer = error
    _send(answer, results)


def _send(answer: object, results: BinaryIO) -> None:
    results.write(pickle.dumps(answer))
    results.flush()
