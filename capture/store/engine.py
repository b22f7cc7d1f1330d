"""Connections to the store: one writer, short readers, and errors in words that say what to do."""

from __future__ import annotations

import sqlite3
import time
from collections.abc import Iterator
from contextlib import contextmanager
from typing import Any, cast

from sqlalchemy import Connection, Engine, create_engine, event
from sqlalchemy.exc import DBAPIError, InterfaceError, OperationalError, SQLAlchemyError
from sqlalchemy.exc import TimeoutError as PoolTimeout
from sqlalchemy.pool import QueuePool

from capture.store.errors import StoreBusyError, StoreError, StoreUnreachableError
from capture.store.location import Location

BUSY_S = 5.0
"""Patience with another program that writes."""

READ_S = 5.0
"""Longest that a reader may take: while it reads, the journal grows."""

KEPT_JOURNAL = 64 * 1024 * 1024
WRITER_LOCK = 0x73_68_69_6D
"""PostgreSQL has no single writer by itself; who holds this number is it."""

_PROGRESS_STEPS = 20_000


class Engines:
    """The writer's and the readers' connections to one store.

    Parameters
    ----------
    location : Location
    busy_s, read_s : float, optional
        Patience with other writers, and longest reading, seconds.
    """

    def __init__(self, location: Location, *, busy_s: float = BUSY_S, read_s: float = READ_S) -> None:
        self.location = location
        self._busy_s, self._read_s = busy_s, read_s
        self.writer, self.reader = self._sqlite() if location.file is not None else self._postgres()

    @contextmanager
    def write(self) -> Iterator[Connection]:
        """One transaction that writes, committed at the end of the block.

        Raises
        ------
        StoreError
        """
        with self.explained(), self.writer.begin() as connection:
            yield connection

    @contextmanager
    def read(self) -> Iterator[Connection]:
        """One short reading transaction.

        Raises
        ------
        StoreError
            Also if it takes longer than `READ_S`.
        """
        with self.explained(), self.reader.begin() as connection:
            yield connection

    @contextmanager
    def explained(self) -> Iterator[None]:
        """Turn the database's errors into ours; after one, the next block gets a fresh connection."""
        try:
            yield
        except (SQLAlchemyError, sqlite3.Error) as e:
            self.close()
            raise explain(e, self.location) from e

    def close(self) -> None:
        """Close all connections that nobody uses; the engines open new ones when asked."""
        self.writer.dispose()
        self.reader.dispose()

    # the two kinds

    def _sqlite(self) -> tuple[Engine, Engine]:
        file = self.location.file
        assert file is not None

        def connect(reading: bool) -> sqlite3.Connection:
            # Never made here by accident: `schema` makes the file.
            c = sqlite3.connect(
                f"{file.as_uri()}?mode=rw",
                uri=True,
                timeout=self._busy_s,
                isolation_level=None,
                check_same_thread=False,
                cached_statements=64,
            )
            try:
                tune(c)
                if reading:
                    c.execute("PRAGMA query_only = ON")
            except BaseException:
                c.close()
                raise
            return c

        writer = create_engine(
            "sqlite://",
            creator=lambda: connect(False),
            poolclass=QueuePool,
            pool_size=1,
            max_overflow=0,
            pool_timeout=BUSY_S,
        )
        reader = create_engine(
            "sqlite://",
            creator=lambda: connect(True),
            poolclass=QueuePool,
            pool_size=2,
            max_overflow=6,
            pool_timeout=BUSY_S,
        )
        # From the start, not at the first write: a transaction that begins to write late is refused without any wait.
        event.listen(writer, "begin", lambda c: c.exec_driver_sql("BEGIN IMMEDIATE"))
        event.listen(reader, "begin", lambda c: _begin_reading(c, self._read_s))
        return writer, reader

    def _postgres(self) -> tuple[Engine, Engine]:
        def engine(options: str, size: int) -> Engine:
            return create_engine(
                self.location.url,
                pool_pre_ping=True,
                pool_size=size,
                max_overflow=0 if size == 1 else 6,
                pool_timeout=BUSY_S,
                connect_args={
                    "connect_timeout": 5,
                    "application_name": "shimwright",
                    "keepalives_idle": 5,
                    "keepalives_interval": 2,
                    "keepalives_count": 3,
                    "tcp_user_timeout": 10_000,
                    "options": options,
                },
            )

        wait = f"-c lock_timeout={int(self._busy_s * 1000)}"
        writer = engine(f"{wait} -c statement_timeout=60000", 1)
        reader = engine(
            f"{wait} -c statement_timeout={int(self._read_s * 1000)} -c default_transaction_read_only=on", 2
        )
        event.listen(writer, "begin", lambda c: c.exec_driver_sql(f"SELECT pg_advisory_xact_lock({WRITER_LOCK})"))
        return writer, reader


def tune(c: sqlite3.Connection) -> None:
    """Durable, and checked: a commit is on the disk, and no row names a stream that is not there.

    Raises
    ------
    sqlite3.Error
    """
    mode = c.execute("PRAGMA journal_mode").fetchone()[0]
    until = time.monotonic() + BUSY_S
    while mode != "wal":
        try:
            mode = c.execute("PRAGMA journal_mode = WAL").fetchone()[0]
            break
        except sqlite3.OperationalError as e:
            # Another program that makes the store at this moment: here the database itself does not wait.
            if e.sqlite_errorcode & 0xFF != sqlite3.SQLITE_BUSY or time.monotonic() > until:
                raise
            time.sleep(0.01)
    if mode != "wal":
        raise sqlite3.OperationalError(
            f"its journal stays {mode!r} where 'wal' is needed; keep the store on a local disk"
        )
    c.execute("PRAGMA synchronous = FULL")
    c.execute("PRAGMA foreign_keys = ON")
    c.execute(f"PRAGMA journal_size_limit = {KEPT_JOURNAL}")


def _begin_reading(connection: Connection, limit_s: float) -> None:
    raw = cast(sqlite3.Connection, connection.connection.dbapi_connection)
    until = time.monotonic() + limit_s
    raw.set_progress_handler(lambda: int(time.monotonic() > until), _PROGRESS_STEPS)
    connection.exec_driver_sql("BEGIN")


def explain(error: Exception, location: Location) -> StoreError:
    """The error in words: what, where, what to do."""
    where = f"The evidence store {location.shown}"
    if isinstance(error, PoolTimeout):
        return StoreBusyError(f"{where} is in use by another part of this program. Try again.")
    cause: Any = error.orig if isinstance(error, DBAPIError) else error
    if isinstance(cause, sqlite3.Error):
        return _explain_sqlite(cause, where)
    text = " ".join(str(cause).split())
    state = getattr(cause, "sqlstate", None)
    if state in ("55P03", "40P01", "40001"):
        return StoreBusyError(f"{where} is being written by another program. Try again.")
    if state == "57014":
        return StoreBusyError(f"{where} took too long to answer. Try again, or ask for less.")
    if state in ("53100", "53200"):
        return StoreUnreachableError(f"{where}: its server is out of room ({text}). Make room there.")
    if state in ("42501", "25006"):
        return StoreError(f"{where} may not be written by this user ({text}). Have its owner grant that.")
    if isinstance(error, OperationalError | InterfaceError):
        return StoreUnreachableError(
            f"{where} cannot be reached ({text}). Start its server, or correct the address; the raw streams are complete without it."
        )
    return StoreError(f"{where} failed: {text}")


def _explain_sqlite(cause: sqlite3.Error, where: str) -> StoreError:
    code = getattr(cause, "sqlite_errorcode", None)
    primary = None if code is None else code & 0xFF
    if primary in (sqlite3.SQLITE_BUSY, sqlite3.SQLITE_LOCKED):
        return StoreBusyError(
            f"{where} is locked: another program has been writing for some seconds. Close that program or try again."
        )
    if primary == sqlite3.SQLITE_INTERRUPT:
        return StoreBusyError(f"{where} took too long to answer. Ask for less.")
    if primary in (sqlite3.SQLITE_READONLY, sqlite3.SQLITE_PERM):
        return StoreError(
            f"{where} is read-only. Give yourself write permission on the file and its folder, or name another with --store."
        )
    if primary == sqlite3.SQLITE_FULL:
        return StoreUnreachableError(f"{where}: the disk is full. Make room on it.")
    if primary == sqlite3.SQLITE_CANTOPEN:
        return StoreError(
            f"{where} cannot be opened. See that its folder exists and may be written to, or name another with --store."
        )
    if primary in (sqlite3.SQLITE_CORRUPT, sqlite3.SQLITE_NOTADB):
        what = "is no database" if primary == sqlite3.SQLITE_NOTADB else "is damaged"
        return StoreError(
            f"{where} {what} ({cause}). Move it away and make it again from the raw streams: shimwright store rebuild"
        )
    if primary == sqlite3.SQLITE_IOERR:
        return StoreUnreachableError(f"{where}: its disk does not answer as it should ({cause}). Look after this disk.")
    return StoreError(f"{where} failed: {cause}")
