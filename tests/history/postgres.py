"""A PostgreSQL server of the tests' own: in a temporary folder, on a free port of this computer only."""

from __future__ import annotations

import os
import pwd
import secrets
import shutil
import socket
import subprocess
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any

PASSWORD = "s3cret-" + "pass/word"
"""Has to be percent-encoded in an address, and may be seen nowhere."""
USER = "byre"
_TRIES = 3


@dataclass(frozen=True)
class Server:
    """A running server."""

    port: int

    def address(self, database: str = "postgres", password: str = PASSWORD) -> str:
        return f"postgresql://{USER}:{password.replace('/', '%2F')}@127.0.0.1:{self.port}/{database}"

    def execute(self, statement: str, database: str = "postgres") -> list[Any]:
        import psycopg

        with psycopg.connect(
            host="127.0.0.1", port=self.port, user=USER, password=PASSWORD, dbname=database, autocommit=True
        ) as connection:
            cursor = connection.execute(statement)  # type: ignore[arg-type]
            return cursor.fetchall() if cursor.description else []

    def new_database(self) -> str:
        """Make an empty database and return its address."""
        name = f"d{secrets.token_hex(6)}"
        self.execute(f"CREATE DATABASE {name}")
        return self.address(name)


def binaries() -> Path | None:
    """Return the folder with initdb and pg_ctl, the newest of several; Debian does not put it on the path."""
    on_path = shutil.which("initdb")
    if on_path:
        return Path(on_path).resolve().parent
    found = [
        path.parent
        for pattern in ("/usr/lib/postgresql/*/bin", "/usr/pgsql-*/bin", "/opt/homebrew/opt/postgresql*/bin")
        for path in Path("/").glob(f"{pattern[1:]}/initdb")
    ]
    return max(found, key=lambda path: [int(part) for part in path.parts if part.isdigit()], default=None)


@contextmanager
def running(folder: Path) -> Iterator[Server]:
    """Start a server of the binaries in ``folder`` and end it with the block. A server does not run as root."""
    root = Path(tempfile.mkdtemp(prefix="clawvision-pg-"))
    person = _person()
    try:
        if person is not None:
            os.chown(root, person.pw_uid, person.pw_gid)
        (root / "password").write_text(PASSWORD)
        (root / "password").chmod(0o644)
        _run(
            [folder / "initdb", "-D", root / "data", "-U", USER, "--pwfile", root / "password", "-A", "scram-sha-256",
             "-E", "UTF8", "--locale=C", "--no-sync"],
            person, root,
        )  # fmt: skip
        port = _started(folder, root, person)
        try:
            yield Server(port)
        finally:
            _run([folder / "pg_ctl", "-D", root / "data", "-m", "immediate", "-w", "stop"], person, root)
    finally:
        shutil.rmtree(root, ignore_errors=True)


def _started(folder: Path, root: Path, person: pwd.struct_passwd | None) -> int:
    for attempt in range(_TRIES):
        with socket.socket() as free:
            free.bind(("127.0.0.1", 0))
            port = int(free.getsockname()[1])
        options = (
            f"-p {port} -c listen_addresses=127.0.0.1 -c unix_socket_directories='' -c fsync=off "
            "-c max_connections=40 -c shared_buffers=32MB"
        )
        start = [folder / "pg_ctl", "-D", root / "data", "-l", root / "log", "-o", options, "-w", "-t", "60", "start"]
        try:
            _run(start, person, root)
            return port
        except RuntimeError:  # another program may have taken the port meanwhile
            if attempt == _TRIES - 1:
                raise
    raise AssertionError


def _person() -> pwd.struct_passwd | None:
    """Return whom to run the server as: None where that is the tests' own user."""
    if os.geteuid() != 0:
        return None
    for name in ("postgres", "nobody"):
        try:
            return pwd.getpwnam(name)
        except KeyError:
            continue
    raise RuntimeError("There is no user but root to run a PostgreSQL server as.")


def _run(command: list[Any], person: pwd.struct_passwd | None, root: Path) -> None:
    who: dict[str, Any] = {} if person is None else {"user": person.pw_uid, "group": person.pw_gid, "extra_groups": []}
    # To a file: a server that pg_ctl leaves running would keep a pipe open.
    with (root / "said").open("ab") as said:
        done = subprocess.run(
            [str(word) for word in command],
            cwd=root,
            env={"PATH": os.environ.get("PATH", ""), "LC_ALL": "C"},
            stdin=subprocess.DEVNULL,
            stdout=said,
            stderr=said,
            timeout=120,
            check=False,
            **who,
        )
    if done.returncode:
        log = root / "log"
        words = [path.read_text("utf-8", "replace")[-2000:] for path in (root / "said", log) if path.exists()]
        raise RuntimeError("\n".join([f"{Path(command[0]).name} failed ({done.returncode})", *words]))
