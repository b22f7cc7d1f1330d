"""Whether the store is sound, and agrees with the raw streams."""

from __future__ import annotations

import time
import zlib
from collections.abc import Callable, Iterator
from pathlib import Path

from sqlalchemy import func, select

from capture.doctor import Finding
from capture.errors import StreamFormatError
from capture.rawstream import verify
from capture.store import models
from capture.store.database import Store
from capture.store.engine import KEPT_JOURNAL, Engines
from capture.store.loading import files_of, state_of
from capture.store.schema import HEAD
from capture.store.writing import table_of

NO_LIMIT_S = 24 * 3600.0

LARGEST_IN_A_HURRY = 50_000_000
"""Bytes of a store that are looked through in about a second."""

ALL = "shimwright store check"
REBUILD = "Make its rows again: shimwright store rebuild"


def check(
    store: Store, progress: Callable[[int, int], None] | None = None, limit_s: float | None = None
) -> Iterator[Finding]:
    """Everything looked at, in order; nothing is changed.

    Parameters
    ----------
    store : Store
    progress : callable, optional
        Told streams done and streams in all.
    limit_s : float, optional
        Longest time to look.  What there was no time for is said; the newest streams come first then.

    Raises
    ------
    StoreError
        If the store cannot be read at all.
    """
    # Looking at every page takes as long as it takes.
    engines = Engines(store.location, read_s=NO_LIMIT_S)
    until = None if limit_s is None else time.monotonic() + limit_s
    try:
        yield from _sound(engines, until is not None)
        yield from _journal(engines)
        yield from _rows(engines, progress, until)
    finally:
        engines.close()


def _sound(engines: Engines, in_a_hurry: bool) -> Iterator[Finding]:
    shown = engines.location.shown
    file = engines.location.file
    if file is None:
        yield Finding(f"{shown}: tables of release {HEAD}", "fine")
        return
    if in_a_hurry and file.stat().st_size > LARGEST_IN_A_HURRY:
        yield Finding(
            f"{shown}: tables of release {HEAD}; too large to be looked through here",
            "note",
            f"{ALL} looks through it.",
        )
        return
    with engines.read() as c:
        told = [str(r[0]) for r in c.exec_driver_sql("PRAGMA integrity_check(20)")]
        orphans = c.exec_driver_sql("PRAGMA foreign_key_check").all()
    if told != ["ok"]:
        yield Finding(
            f"{shown} is damaged: {'; '.join(told)}",
            "wrong",
            "Move it away and make it again from the raw streams: shimwright store rebuild",
        )
    elif orphans:
        yield Finding(f"{shown}: {len(orphans)} rows name a stream that is not there", "wrong", REBUILD)
    else:
        yield Finding(f"{shown}: sound, tables of release {HEAD}", "fine")


def _journal(engines: Engines) -> Iterator[Finding]:
    file = engines.location.file
    if file is None:
        return
    journal = file.with_name(file.name + "-wal")
    try:
        size = journal.stat().st_size
    except OSError:
        return
    if size > 2 * KEPT_JOURNAL:
        yield Finding(
            f"{journal} has grown to {size // 1_000_000} MB",
            "note",
            "Some program reads the store without an end: close what else has it open.",
        )


def _rows(engines: Engines, progress: Callable[[int, int], None] | None, until: float | None) -> Iterator[Finding]:
    s = table_of(models.Stream)
    with engines.read() as c:
        streams = list(c.execute(select(s).order_by(s.c.started, s.c.name)).mappings())
    if until is not None:
        streams.reverse()
    wrong = 0
    for done, row in enumerate(streams, start=1):
        if until is not None and time.monotonic() > until:
            yield Finding(
                f"the newest {done - 1} of {len(streams)} streams were looked at, then time was up",
                "note",
                f"{ALL} looks at all of them.",
            )
            return
        found = _stream(engines, dict(row), until)
        if found is not None:
            wrong += found.state == "wrong"
            yield found
        if progress is not None:
            progress(done, len(streams))
    if not wrong:
        yield Finding(f"{len(streams)} streams: rows complete", "fine")


def _stream(engines: Engines, row: dict[str, object], until: float | None) -> Finding | None:
    name, state, path = row["name"], row["state"], Path(str(row["path"]))
    t = table_of(models.StoredReading)
    with engines.read() as c:
        count, last = c.execute(select(func.count(), func.max(t.c.n)).where(t.c.stream == row["id"])).one()
    if state == "open":
        try:
            if state_of(path) == "open":
                return None
        except OSError:
            pass
        return Finding(
            f"{name}: whoever recorded it was stopped",
            "note",
            "It is completed at the next start, or by: shimwright store rebuild",
        )
    if not count == (last or 0) == row["readings"]:
        return Finding(f"{name}: {row['readings']} readings stated, {count} there", "wrong", REBUILD)
    return _against_raw(str(name), path, row["sums"] != "[]", until)


def _against_raw(name: str, path: Path, closed: bool, until: float | None) -> Finding | None:
    if not path.is_file():
        packed = path.with_name(path.name + ".gz")
        if not packed.is_file():
            return Finding(
                f"{name}: its raw stream is not at {path}",
                "note",
                "Bring the file back if there is a copy: it is the evidence. If it was moved: shimwright store rebuild FOLDER",
            )
        path = packed
    try:
        told = {verify(file, until) for file in files_of(path)} if closed else set()
    except (StreamFormatError, OSError, EOFError, zlib.error) as e:
        return Finding(
            f"{name}: its raw stream cannot be read ({e})", "wrong", "Take a copy of the raw stream from a backup."
        )
    if "differs" in told:
        return Finding(
            f"{name}: its raw stream is not what it was when it was closed",
            "wrong",
            "Take a copy of the raw stream from a backup; the rows here are from before the change.",
        )
    return None
