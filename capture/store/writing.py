"""Putting rows in, so that putting them in twice changes nothing."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from functools import lru_cache
from typing import Any, cast

from sqlalchemy import Connection, Table, delete, func, select
from sqlalchemy.dialects import postgresql, sqlite
from sqlalchemy.sql.dml import Insert

from capture.store import models
from capture.store.rows import Row, gap_rows, set_row, sweep_rows


def table_of(model: type[models.Base]) -> Table:
    """The table behind a class."""
    table = model.__table__
    assert isinstance(table, Table)
    return table


@lru_cache(maxsize=64)
def _insert(dialect: str, model: type[models.Base], replace: bool) -> Insert:
    table = table_of(model)
    statement: Any = (postgresql if dialect == "postgresql" else sqlite).insert(table)
    key = list(table.primary_key.columns)
    if not replace:
        return cast(Insert, statement.on_conflict_do_nothing(index_elements=key))
    change = {c.name: statement.excluded[c.name] for c in table.columns if not c.primary_key}
    return cast(Insert, statement.on_conflict_do_update(index_elements=key, set_=change))


def put(connection: Connection, model: type[models.Base], rows: Sequence[Row], *, replace: bool = False) -> None:
    """Put rows in; a row that is there already is left, or with `replace` made like the new one."""
    if rows:
        connection.execute(_insert(connection.dialect.name, model, replace), rows)


def put_stream(connection: Connection, row: Row) -> None:
    """Put a stream in, or bring its row up to date."""
    put(connection, models.Stream, [row], replace=True)


def put_result(connection: Connection, stream: int, result: Mapping[str, Any]) -> None:
    """Make set, sweeps and gaps of a stream those of a result."""
    sweeps, gaps = sweep_rows(stream, result), gap_rows(stream, result)
    put(connection, models.StoredSet, [set_row(stream, result)], replace=True)
    put(connection, models.StoredSweep, sweeps, replace=True)
    put(connection, models.StoredGap, gaps, replace=True)
    trim(connection, models.StoredSweep, stream, len(sweeps))
    trim(connection, models.StoredGap, stream, len(gaps))


def trim(connection: Connection, model: type[models.Base], stream: int, count: int) -> None:
    """Remove a stream's rows numbered above `count`."""
    t = table_of(model)
    connection.execute(delete(t).where(t.c.stream == stream, t.c.n > count))


def whole_up_to(connection: Connection, model: type[models.Base], stream: int) -> int:
    """Number up to which no row of a stream is missing, or 0 if that takes a look at each."""
    t = table_of(model)
    count, last = connection.execute(select(func.count(), func.max(t.c.n)).where(t.c.stream == stream)).one()
    return int(count) if count == last else 0
