"""Making the tables, and upgrading those of an earlier release.

A new store and an upgraded one go through the same migrations.  alembic is imported only when there is something to do.
"""

from __future__ import annotations

import sqlite3
import threading
from pathlib import Path

from sqlalchemy import Connection, create_engine, event, inspect, text
from sqlalchemy.pool import NullPool

from capture.store.backup import copy_sqlite
from capture.store.engine import BUSY_S, Engines, tune
from capture.store.errors import StoreError
from capture.store.location import NETWORK_DISKS, Location, disk_kind

HEAD = "0001"
"""Release of the schema that this program works with."""

_one_at_a_time = threading.Lock()
"""alembic keeps the running upgrade in a place that all threads share."""

MIGRATIONS = Path(__file__).parent / "migrations"


def prepare(engines: Engines, *, make: bool, further: Path | None = None) -> None:
    """Have the store there, with the tables of this release.

    Parameters
    ----------
    engines : Engines
    make : bool
        Make a store that is not there yet.
    further : Path, optional
        Folder with further migrations than the packaged ones.

    Raises
    ------
    StoreError
        If there is none and none is to be made; if it is another program's, or a newer release's.
    """
    location = engines.location
    file = location.file
    if file is not None and not file.exists():
        if not make:
            raise StoreError(
                f"There is no evidence store at {location.shown}. Make it from the raw streams (shimwright store rebuild), "
                "or name another with --store."
            )
        _room_for(file, location)
    with engines.explained():
        found = _release(engines) if file is None or file.exists() else None
        if found == HEAD and further is None:
            return
        _upgrade(engines, found, further)


def _room_for(file: Path, location: Location) -> None:
    try:
        file.parent.mkdir(parents=True, exist_ok=True)
    except OSError as e:
        raise StoreError(
            f"The evidence store {location.shown} cannot be made: {e.strerror} ({e.filename}). Name another with --store."
        ) from None
    kind = disk_kind(file.parent)
    if kind in NETWORK_DISKS:
        raise StoreError(
            f"The evidence store {location.shown} would lie on a network disk ({kind}), where it could be damaged. "
            "Name a file on a local disk with --store, or use PostgreSQL."
        )


def _release(engines: Engines) -> str | None:
    """Release of the tables; None if there are none yet."""
    with engines.reader.connect() as c:
        tables = inspect(c).get_table_names()
        if "alembic_version" in tables:
            row = c.execute(text("SELECT version_num FROM alembic_version")).first()
            if row is not None:
                return str(row[0])
        if engines.location.file is not None and tables:
            raise StoreError(
                f"{engines.location.shown} is the database of another program. Name another file with --store."
            )
    return None


def _upgrade(engines: Engines, found: str | None, further: Path | None) -> None:
    from alembic.config import Config
    from alembic.script import ScriptDirectory

    config = Config()
    config.set_main_option("script_location", str(MIGRATIONS).replace("%", "%%"))
    config.set_main_option("path_separator", "newline")
    places = [MIGRATIONS / "versions"] + ([further] if further is not None else [])
    config.set_main_option("version_locations", "\n".join(str(p) for p in places).replace("%", "%%"))
    known = {s.revision for s in ScriptDirectory.from_config(config).walk_revisions()}
    if found is not None and found not in known:
        raise StoreError(
            f"The evidence store {engines.location.shown} was made by a newer version of this program (its tables are of "
            f"release {found}, this version knows {max(known)}). Use that version, or name another store with --store."
        )
    file = engines.location.file
    if file is None:
        with engines.writer.begin() as c:
            _run(config, c)
        return
    if found is not None:
        engines.close()
        kept = file.with_name(f"{file.stem}.release-{found}{file.suffix}")
        if not kept.exists():
            copy_sqlite(file, kept)

    def connect() -> sqlite3.Connection:
        c = sqlite3.connect(f"{file.as_uri()}?mode=rwc", uri=True, timeout=BUSY_S, isolation_level=None)
        try:
            tune(c)
            # A table that is made anew is dropped first, which must not take the rows that name it with it.
            c.execute("PRAGMA foreign_keys = OFF")
        except BaseException:
            c.close()
            raise
        return c

    engine = create_engine("sqlite://", creator=connect, poolclass=NullPool)
    event.listen(engine, "begin", lambda c: c.exec_driver_sql("BEGIN IMMEDIATE"))
    with engine.begin() as c:
        _run(config, c)
        if c.exec_driver_sql("PRAGMA foreign_key_check").first() is not None:
            raise StoreError(
                f"Upgrading {engines.location.shown} would leave rows without their stream; nothing was changed."
            )


def _run(config: object, connection: Connection) -> None:
    from alembic import command
    from alembic.config import Config

    assert isinstance(config, Config)
    config.attributes["connection"] = connection
    with _one_at_a_time:
        command.upgrade(config, "head")
