"""A Dask cluster behind the same interface: photos are worked on by many machines that share their folders.

A worker of the cluster gives each photo to a child process of its own, as a plain run does, with the same limits: a
photo that crashes or takes too much costs no worker, and what comes out is the same.
"""

from __future__ import annotations

import logging
import os
import pickle
import secrets
import time
import uuid
from collections.abc import Callable, Iterable, Iterator, Sequence
from concurrent.futures import CancelledError, Executor, Future
from contextlib import contextmanager, suppress
from dataclasses import dataclass
from functools import lru_cache
from pathlib import Path
from typing import Any, ParamSpec, TypeVar, get_args

import clawvision
from clawvision import store
from clawvision.errors import ClawvisionError, MissingExtraError, OutputError, UsageError
from clawvision.executors.processes import Limits, ProcessExecutor
from clawvision.output.atomic import write_atomic
from clawvision.plain import listed, plain
from clawvision.types import Engine, Settings

P = ParamSpec("P")
T = TypeVar("T")

CONNECT_S = 10.0
"""How long to wait for the scheduler, and then for a first worker."""
_IDLE_S = 60.0
"""How long a worker keeps a process that has nothing to do."""
_MANY = 10_000
_FOLDERS_LOOKED_AT = 100


@dataclass(frozen=True, slots=True)
class Seen:
    """What a worker sees of what it will need."""

    version: str
    program: str
    model: str | None
    missing: tuple[str, ...]
    reads_out: bool
    writes_out: bool


class ClusterExecutor(Executor):
    """Works on calls in child processes of a cluster's workers.

    A worker that is lost costs nothing: its calls are made elsewhere. One whose program is not the one here fails
    its calls with `UsageError`.

    Parameters
    ----------
    client
        A ``distributed.Client``.
    limits
        What one call may take.
    """

    def __init__(self, client: Any, limits: Limits | None = None) -> None:
        self._client = client
        self._inner: Executor = client.get_executor(pure=False)  # the same call made again is made again
        self._limits = limits or Limits()
        self._folder = os.getcwd()  # noqa: PTH109 - as the system spells it

    def submit(self, fn: Callable[P, T], /, *args: P.args, **kwargs: P.kwargs) -> Future[T]:
        """Have ``fn(*args, **kwargs)`` called by one of the workers. See `concurrent.futures.Executor.submit`."""
        call = pickle.dumps((fn, args, kwargs))  # packed, since a worker need not know what it hands on
        name = {"key": f"clawvision-{uuid.uuid4()}"}
        return self._inner.submit(_in_child, call, self._limits, self._folder, _program(), **name)

    def shutdown(self, wait: bool = True, *, cancel_futures: bool = False) -> None:
        """Take no more calls. See `concurrent.futures.Executor.shutdown`; the cluster is left running."""
        self._inner.shutdown(wait=wait and not cancel_futures)

    def check(self, files: Iterable[Path], out: Path) -> None:
        """Find out before the first photo whether every worker can do the work.

        Parameters
        ----------
        files
            What has to be there for the workers as it is here: photos, calibrations. Of each folder the first counts.
        out
            The folder for the results.

        Raises
        ------
        UsageError
            If there is no worker, or one does not see the files or ``out``, or its program is not the one here.
        OutputError
            If ``out`` cannot be written.
        """
        deadline = time.monotonic() + CONNECT_S
        while not self._client.nthreads():
            if time.monotonic() > deadline:
                raise UsageError(
                    "The cluster has no workers.",
                    "Start some with dask worker on machines that see the folders of the photos and of the results.",
                )
            time.sleep(0.2)
        probe = Path(os.path.abspath(out)) / f".clawvision-{secrets.token_hex(6)}.part"  # noqa: PTH100 - keeps links
        token = secrets.token_hex(16)
        write_atomic(probe, token.encode())
        try:
            told = self._client.run(_look, _samples(files), str(probe), token, on_error="return")
        finally:
            with suppress(OSError):
                probe.unlink()
        problems = [
            f"{plain(worker)}: {what}" for worker, seen in sorted(told.items()) for what in _problems(seen, out)
        ]
        if problems:
            raise UsageError(
                f"The cluster cannot be used:\n{listed(problems)}\n",
                "Every worker needs the same clawvision with the same packages, and the same folders under the same "
                "names. Nothing was measured yet.",
            )


@contextmanager
def cluster_executor(address: str, limits: Limits | None = None) -> Iterator[ClusterExecutor]:
    """Connect to a cluster for the time of a block; what is still in work then is cancelled.

    Parameters
    ----------
    address
        Of the scheduler, such as ``tcp://host:8786``.
    limits
        What one call may take.

    Raises
    ------
    MissingExtraError
        If the package that talks to a cluster is missing.
    UsageError
        If no scheduler answers.
    ClawvisionError
        If the connection is lost within the block.
    """
    try:
        from distributed import Client
    except ImportError as error:
        raise MissingExtraError(
            "The package that talks to a cluster is missing.", "Install it with: pip install 'clawvision[cluster]'"
        ) from error
    with _quiet_dask():
        try:
            client = Client(address, timeout=CONNECT_S, set_as_default=False)
        except (OSError, ValueError, TypeError, RuntimeError):  # TimeoutError is an OSError
            raise UsageError(
                f"No Dask scheduler answers at {plain(address)}.",
                "Start one with dask scheduler, and give the address that it prints, such as tcp://host:8786.",
            ) from None
        executor = ClusterExecutor(client, limits)
        try:
            yield executor
        except CancelledError as error:  # by nobody here
            raise ClawvisionError(
                f"The connection to the cluster at {plain(address)} was lost.",
                "Finished photos are kept: once it is there again, the same command goes on with the others.",
            ) from error
        finally:
            with suppress(Exception):  # whatever a broken connection raises, the way out is the block's
                executor.shutdown(cancel_futures=True)
            with suppress(Exception):
                client.close(timeout=CONNECT_S)


@contextmanager
def _quiet_dask() -> Iterator[None]:
    """Keep pages of Dask's tracebacks off the terminal: what they come to is told in a sentence."""
    names = [name for name in logging.root.manager.loggerDict if name.partition(".")[0] == "distributed"]
    levels = {name: logging.getLogger(name).level for name in names}
    for name in names:
        logging.getLogger(name).setLevel(logging.CRITICAL)
    try:
        yield
    finally:
        for name, level in levels.items():
            logging.getLogger(name).setLevel(level)


@lru_cache(maxsize=1)
def _program() -> str:
    """Return hashes of all of the program that bears on a photo, and its libraries: one for each engine there is."""
    keys = []
    for engine in get_args(Engine):
        with suppress(MissingExtraError):
            keys.append(store.settings_key(Settings(engine=engine), None))
    return " ".join(keys)


@lru_cache(maxsize=2)
def _children(limits: Limits, folder: str | None) -> ProcessExecutor:
    return ProcessExecutor(_MANY, limits, idle_s=_IDLE_S, folder=folder)  # one a thread of the worker, and no more


def _in_child(call: bytes, limits: Limits, folder: str, program: str) -> Any:
    """Make a call in a child process of this worker, in the folder where the command was given."""
    if _program() != program:  # a worker that came after the check
        raise UsageError(
            "A worker of the cluster runs another program than the one here.",
            "Every worker needs the same clawvision with the same packages.",
        )
    children = _children(limits, folder if Path(folder).is_dir() else None)
    return children.submit(_call, call).result()


def _call(call: bytes) -> Any:
    function, args, kwargs = pickle.loads(call)
    return function(*args, **kwargs)


def _samples(files: Iterable[Path]) -> list[tuple[str, int]]:
    """Return the first file of each folder, by its whole path, with its size."""
    found: dict[Path, tuple[str, int]] = {}
    for file in files:
        if file.parent not in found and len(found) < _FOLDERS_LOOKED_AT:
            with suppress(OSError):
                found[file.parent] = (os.path.abspath(file), file.stat().st_size)  # noqa: PTH100 - keeps links
    return list(found.values())


def _look(samples: Sequence[tuple[str, int]], probe: str, token: str) -> Seen:
    """Look, on a worker, for what it will need."""
    missing = []
    for path, size in samples:
        try:
            there = Path(path).stat().st_size == size
        except OSError:
            there = False
        if not there:
            missing.append(path)
    try:
        reads_out = Path(probe).read_text() == token
    except (OSError, ValueError):
        reads_out = False
    writes_out = False
    if reads_out:
        own = Path(f"{probe[: -len('.part')]}-{secrets.token_hex(6)}.part")
        try:
            write_atomic(own, b"")
            own.unlink()
            writes_out = True
        except (OSError, OutputError):
            pass
    return Seen(clawvision.__version__, _program(), store.model_sha256(), tuple(missing), reads_out, writes_out)


def _problems(seen: Seen | Exception, out: Path) -> list[str]:
    if isinstance(seen, ModuleNotFoundError):
        return [f"the package {plain(seen.name)} is not installed there"]
    if not isinstance(seen, Seen):
        return [f"it failed ({plain(type(seen).__name__)}), which another version may do"]
    problems = []
    if seen.version != clawvision.__version__:
        problems.append(f"it runs clawvision {plain(seen.version)}, not {clawvision.__version__}")
    elif seen.model != store.model_sha256():
        problems.append("its network for outlines is another one")
    elif seen.program != _program():
        problems.append("its program or the packages it uses are other versions than here")
    problems += [f"{plain(path)} is not there, or is another file" for path in seen.missing[:3]]
    if not seen.reads_out:
        problems.append(f"{plain(out)} is not the folder that it is here")
    elif not seen.writes_out:
        problems.append(f"{plain(out)} cannot be written there")
    return problems
