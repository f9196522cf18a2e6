"""Functions for processes of their own."""

from __future__ import annotations

import hashlib
import os
import signal
import time


def square(number: int) -> int:
    return number * number


def dies_at_three(number: int) -> int:
    if number == 3:
        os._exit(7)
    return number


def raises_at_three(number: int) -> int:
    if number == 3:
        raise KeyError("three")
    return number


def sleeps_after_one(number: int) -> int:
    if number:
        time.sleep(60)
    return number


def sleeps_at_three(number: int) -> int:
    if number == 3:
        time.sleep(60)
    return number


def kills_its_worker_at_three(number: int) -> int:
    """End the process that started this one, which on a cluster is the worker itself."""
    if number == 3:
        os.kill(os.getppid(), signal.SIGKILL)
        time.sleep(60)
    return number


def own_pid(number: int) -> int:
    return os.getpid()


def opencv_threads(number: int) -> int:
    import cv2

    return int(cv2.getNumThreads())


def takes_gigabytes(number: int) -> int:
    return len(bytearray(number * 10**9))


def fails_oddly(number: int) -> int:
    """Raise what cannot be sent to another process."""

    class Local(Exception):
        pass

    raise Local("odd")


def computes(number: int) -> str:
    """Keep a core at work for about 0.3 s."""
    digest = b"%d" % number
    for _ in range(900_000):
        digest = hashlib.sha256(digest).digest()
    return digest.hex()
