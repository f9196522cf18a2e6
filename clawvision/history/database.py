"""Opens a store's database, brings it to this version, and turns what a database says into one message."""

from __future__ import annotations

import sqlite3
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Literal

from alembic import command
from alembic.config import Config
from alembic.script import ScriptDirectory
from sqlalchemy import Connection, Engine, create_engine, event, inspect, text
from sqlalchemy.exc import DBAPIError, OperationalError
from sqlalchemy.pool import NullPool, QueuePool

from clawvision.errors import ClawvisionError, OutputError, UsageError
from clawvision.history import need
from clawvision.history.address import Address
from clawvision.history.schema import HEAD, METADATA, VERSION_TABLE
from clawvision.plain import plain

Purpose = Literal["read", "write", "create"]
"""What a store is opened for; only the last makes one where there is none."""

TIMEOUT_S = 30.0
"""How long another program that is writing is waited for."""

_MIGRATIONS = Path(__file__).parent / "migrations"
_LOCK = 0x636C6177
"""Of PostgreSQL's advisory locks, the one that whoever writes to a store holds."""
_SQLITE_SAYS = {
    sqlite3.SQLITE_NOTADB: ("is no database.", "Name a file that clawvision history add made, or a new one."),
    sqlite3.SQLITE_CORRUPT: ("is damaged.", "Take a backup of it, or a new file and what was exported before."),
    sqlite3.SQLITE_BUSY: ("is in use by another program.", "Try again when that has ended; nothing is lost."),
    sqlite3.SQLITE_LOCKED: ("is in use by another program.", "Try again when that has ended; nothing is lost."),
    sqlite3.SQLITE_FULL: ("cannot be written: the disk is full.", "Make room and do it again; nothing is lost."),
    sqlite3.SQLITE_READONLY: ("may not be written to.", "Check the rights of the file and of its folder."),
    sqlite3.SQLITE_PERM: ("may not be opened.", "Check the rights of the file and of its folder."),
    sqlite3.SQLITE_CANTOPEN: ("cannot be opened.", "Check its name, and the rights of the file and of its folder."),
    sqlite3.SQLITE_IOERR: ("cannot be read or written: the disk fails or is full.", "Check the disk and try again."),
}
_POSTGRESQL_SAYS = {
    "53100": ("cannot be written: its disk is full.", "Make room and do it again; nothing is lost."),
    "55P03": ("is in use by another program.", "Try again when that has ended; nothing is lost."),
    "25006": ("may not be written to.", "Use a server and a user that may write."),
    "42501": ("may not be used so by this user.", "Ask for the rights to make tables and to write."),
}
_ALWAYS_USAGE = (sqlite3.SQLITE_NOTADB, sqlite3.SQLITE_CORRUPT)


@dataclass(frozen=True, slots=True, eq=False)
class Store:
    """An open store: its place, and where connections to it come from."""

    address: Address
    engine: Engine

    @contextmanager
    def reading(self) -> Iterator[Connection]:
        """Give a connection that sees the store as it is at one moment.

        Raises
        ------
        UsageError
            If the database cannot be read.
        """
        with _told(self.address, "read"), self.engine.connect() as connection:
            if self.address.path is None:
                connection.execute(text("SET TRANSACTION ISOLATION LEVEL REPEATABLE READ, READ ONLY"))
            yield connection

    @contextmanager
    def writing(self) -> Iterator[Connection]:
        """Give a connection in a transaction of its own, one at a time; it ends with the block, whole or not at all.

        Raises
        ------
        OutputError
            If the database cannot be written.
        """
        with _told(self.address, "write"), _transaction(self) as connection:
            yield connection

    def close(self) -> None:
        """Let go of the database."""
        self.engine.dispose()


@contextmanager
def connected(address: Address, purpose: Purpose, timeout_s: float = TIMEOUT_S) -> Iterator[Store]:
    """Open a store at this version. An older one is migrated.

    Raises
    ------
    UsageError
        If there is none, it is something else, or a newer version wrote it; where it is opened to read, also if it
        cannot be.
    OutputError
        If it was opened to write and cannot be.
    MissingExtraError
        If it is on a PostgreSQL server and psycopg is not installed.
    """
    store = Store(address, _engine(address, purpose, timeout_s))
    try:
        with _told(address, purpose):
            _prepare(store, purpose)
        yield store
    finally:
        store.close()


def _engine(address: Address, purpose: Purpose, timeout_s: float) -> Engine:
    if address.path is not None:
        return _sqlite_engine(address, address.path, purpose, timeout_s)
    assert address.url is not None
    need("postgresql")
    engine = create_engine(
        address.url,
        hide_parameters=True,
        poolclass=NullPool,
        connect_args={"connect_timeout": 10},
    )

    @event.listens_for(engine, "connect")
    def _settle(connection: Any, record: Any) -> None:
        with connection.cursor() as cursor:
            cursor.execute("SET client_encoding TO 'UTF8'")
            cursor.execute(f"SET lock_timeout TO {round(timeout_s * 1000)}")
        connection.commit()

    return engine


def _sqlite_engine(address: Address, path: Path, purpose: Purpose, timeout_s: float) -> Engine:
    missing = UsageError(f"There is no store {address.shown}.", "clawvision history add makes one.")
    try:
        if path.is_dir():
            raise UsageError(f"{address.shown} is a folder, not a store.", "Name a file in it.")
        there = path.exists()
        if not there and purpose == "create":
            path.parent.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise OutputError(f"{address.shown} cannot be made: {error.strerror}.", "Name another file.") from error
    if not there and purpose != "create":
        raise missing
    place = path.absolute().as_uri()
    mode = "rwc" if purpose == "create" else "rw"

    def open_file() -> sqlite3.Connection:
        if purpose != "read":
            connection = _open_sqlite(f"{place}?mode={mode}", timeout_s)
            # Another program that opens it at this moment sets the same.
            with suppress(sqlite3.OperationalError):
                connection.execute("PRAGMA journal_mode = WAL")
            return connection
        try:
            return _open_sqlite(f"{place}?mode={mode}", timeout_s)
        except sqlite3.OperationalError as error:
            # Where no file may be written beside it, SQLite reads only what it is told that nobody changes.
            log = path.with_name(path.name + "-wal")
            if error.sqlite_errorcode & 0xFF == sqlite3.SQLITE_BUSY or (log.exists() and log.stat().st_size):
                raise
            return _open_sqlite(f"{place}?immutable=1", timeout_s)

    # One connection is kept: closing the last one would write the whole log into the file, after every transaction.
    engine = create_engine("sqlite://", creator=open_file, hide_parameters=True, poolclass=QueuePool, pool_size=1)

    @event.listens_for(engine, "begin")
    def _begin(connection: Connection) -> None:
        connection.exec_driver_sql(connection.get_execution_options().get("clawvision_begin", "BEGIN"))

    return engine


def _open_sqlite(uri: str, timeout_s: float) -> sqlite3.Connection:
    connection = sqlite3.connect(uri, timeout=timeout_s, isolation_level=None, uri=True, check_same_thread=False)
    try:
        for pragma in (
            "foreign_keys = ON",
            "synchronous = FULL",
            "cache_size = -65536",
            "trusted_schema = OFF",
            "wal_autocheckpoint = 8000",
        ):
            connection.execute(f"PRAGMA {pragma}")
        connection.execute("SELECT 1 FROM sqlite_master").fetchall()
    except BaseException:
        connection.close()
        raise
    return connection


@contextmanager
def _transaction(store: Store) -> Iterator[Connection]:
    engine = store.engine.execution_options(clawvision_begin="BEGIN IMMEDIATE")
    with engine.begin() as connection:
        if store.address.path is None:
            connection.execute(text(f"SELECT pg_advisory_xact_lock({_LOCK})"))
        yield connection


def _prepare(store: Store, purpose: Purpose) -> None:
    """Bring the database to this version, or say why it cannot be used."""
    with store.engine.connect() as connection:
        if _version(store.address, connection) == HEAD:
            return
    if purpose != "create":
        with store.engine.connect() as connection:
            if _version(store.address, connection) is None:
                raise UsageError(f"{store.address.shown} holds no history yet.", "clawvision history add makes one.")
    with _transaction(store) as connection:
        if _version(store.address, connection) != HEAD:  # another program may have been first
            migrate(connection)


def migrate(connection: Connection, to: str = "head") -> None:
    """Bring the database of an open transaction to a version."""
    config = Config()
    config.set_main_option("script_location", str(_MIGRATIONS))
    config.set_main_option("path_separator", "os")
    config.attributes["connection"] = connection
    command.upgrade(config, to)


def _version(address: Address, connection: Connection) -> str | None:
    """Return the database's version, None where it is empty.

    Raises
    ------
    UsageError
        If it holds something else, or a version that is not known here.
    """
    tables = set(inspect(connection).get_table_names())
    if VERSION_TABLE not in tables:
        own = tables & set(METADATA.tables)
        if own or (tables and address.path is not None):
            raise UsageError(
                f"{address.shown} holds other tables ({', '.join(sorted(own or tables)[:3])}), and no history.",
                "Name a file, a database or a schema of its own.",
            )
        return None
    version = connection.execute(text(f"SELECT version_num FROM {VERSION_TABLE}")).scalar()
    if version != HEAD and version not in _versions():
        raise UsageError(
            f"{address.shown} was written by a newer version of clawvision (tables {str(version)[:20]}, here {HEAD}).",
            "Use that version, or a newer one.",
        )
    return str(version)


def _versions() -> set[str]:
    return {script.revision for script in ScriptDirectory(str(_MIGRATIONS)).walk_revisions()}


@contextmanager
def _told(address: Address, purpose: Purpose) -> Iterator[None]:
    """Turn an error of the database into one of the house; all others pass."""
    try:
        yield
    except DBAPIError as error:
        raise _said(address, purpose, error) from None


def _said(address: Address, purpose: Purpose, error: DBAPIError) -> ClawvisionError:
    kind: type[ClawvisionError] = UsageError if purpose == "read" else OutputError
    code = getattr(error.orig, "sqlite_errorcode", None)
    if isinstance(code, int) and code & 0xFF in _SQLITE_SAYS:
        if code & 0xFF in _ALWAYS_USAGE:
            kind = UsageError
        what, remedy = _SQLITE_SAYS[code & 0xFF]
        return kind(f"{address.shown} {what}", remedy)
    state = getattr(error.orig, "sqlstate", None)
    if state in _POSTGRESQL_SAYS:
        what, remedy = _POSTGRESQL_SAYS[state]
        return kind(f"{address.shown} {what}", remedy)
    lines = address.scrubbed(str(error.orig)).strip().splitlines() or [type(error.orig).__name__]
    remedy = "Check the address, and that the server runs and lets you in."
    said = plain(lines[0][:300]).rstrip(".")
    return kind(f"{address.shown} cannot be used: {said}.", remedy if isinstance(error, OperationalError) else "")
