"""The store as a whole."""

from __future__ import annotations

import json
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path
from types import TracebackType
from typing import Any, Self

from sqlalchemy import Connection, delete, select

from capture.store import models
from capture.store.backup import Progress, copy_sqlite, reserved
from capture.store.engine import BUSY_S, READ_S, Engines
from capture.store.location import Location, locate
from capture.store.schema import prepare
from capture.store.writing import table_of

_COPIED = 5000


class Store:
    """An evidence store, opened; safe to use from several threads.

    Parameters
    ----------
    where : str or Path or None
        File name or PostgreSQL URL; the user's own store if None.
    make : bool, optional
        Make it if it is not there.
    busy_s, read_s : float, optional
        Patience with other writers, and longest reading, seconds.

    Raises
    ------
    StoreError
        If it cannot be opened.
    """

    def __init__(
        self,
        where: str | Path | Location | None = None,
        *,
        make: bool = True,
        busy_s: float = BUSY_S,
        read_s: float = READ_S,
        migrations: Path | None = None,
    ) -> None:
        self.location = where if isinstance(where, Location) else locate(where)
        self.engines = Engines(self.location, busy_s=busy_s, read_s=read_s)
        try:
            prepare(self.engines, make=make, further=migrations)
        except BaseException:
            self.engines.close()
            raise

    def __enter__(self) -> Self:
        return self

    def __exit__(self, kind: type[BaseException] | None, e: BaseException | None, where: TracebackType | None) -> None:
        self.close()

    @contextmanager
    def write(self) -> Iterator[Connection]:
        """One transaction that writes, committed at the end of the block.

        Raises
        ------
        StoreError
        """
        with self.engines.write() as connection:
            yield connection

    @contextmanager
    def read(self) -> Iterator[Connection]:
        """One short transaction that reads.

        Raises
        ------
        StoreError
        """
        with self.engines.read() as connection:
            yield connection

    def close(self) -> None:
        """Close all connections."""
        self.engines.close()

    # what is asked most

    def streams(self) -> list[dict[str, Any]]:
        """All streams with what their sets say, the newest last."""
        s, r = table_of(models.Stream), table_of(models.StoredSet)
        wanted = [c for c in r.columns if c.name not in ("stream", "result")]
        query = select(s, *wanted).select_from(s.outerjoin(r, s.c.id == r.c.stream)).order_by(s.c.started, s.c.name)
        with self.read() as c:
            rows = [dict(row) for row in c.execute(query).mappings()]
        for row in rows:
            row["profile"], row["sums"] = json.loads(row["profile"]), json.loads(row["sums"])
        return rows

    def result(self, stream: int) -> dict[str, Any] | None:
        """Whole result of a stream's set, as ``analyse --json`` gives it; None if there is none."""
        t = table_of(models.StoredSet)
        with self.read() as c:
            text = c.execute(select(t.c.result).where(t.c.stream == stream)).scalar()
        return None if text is None else json.loads(text)

    def forget(self, stream: int) -> None:
        """Remove a stream's rows; the raw stream stays."""
        t = table_of(models.Stream)
        with self.write() as c:
            c.execute(delete(t).where(t.c.id == stream))

    def backup(self, to: Path, progress: Progress | None = None) -> None:
        """Copy the whole store into a new SQLite file while writers go on.

        The copy is the store as it was at one moment, checked, and there whole or not at all.

        Raises
        ------
        StoreError
            If `to` exists or cannot be written.
        """
        with self.engines.explained():
            if self.location.file is not None:
                copy_sqlite(self.location.file, to, progress)
                return
            reserved(to)
            rows = to.with_name(to.name + ".rows")
            _remove(rows)
            try:
                with Store(Location(rows, "sqlite://", str(rows))) as copy, copy.write() as into:
                    self._copy_rows(into, progress)
                copy_sqlite(rows, to)
            finally:
                _remove(rows)

    def _copy_rows(self, into: Connection, progress: Progress | None) -> None:
        tables = models.Base.metadata.sorted_tables
        # One moment for all tables, however long it takes.
        with self.engines.writer.connect().execution_options(isolation_level="REPEATABLE READ") as c:
            c.exec_driver_sql("SET TRANSACTION READ ONLY")
            for done, table in enumerate(tables, start=1):
                rows = c.execution_options(stream_results=True, yield_per=_COPIED).execute(select(table))
                for part in rows.mappings().partitions():
                    into.execute(table.insert(), [dict(row) for row in part])
                if progress is not None:
                    progress(done, len(tables))


def _remove(file: Path) -> None:
    for end in ("", "-wal", "-shm"):
        with suppress(OSError):
            file.with_name(file.name + end).unlink()
