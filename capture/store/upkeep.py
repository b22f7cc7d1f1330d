"""Rows made again from the raw streams: rebuild, and repair after a crash."""

from __future__ import annotations

import filecmp
import time
from collections.abc import Callable, Iterable, Iterator
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

from sqlalchemy import select

from capture.errors import CaptureError, StreamFormatError
from capture.rawstream import read_header
from capture.rawstream.segments import open_stream
from capture.store import models
from capture.store.database import Store
from capture.store.errors import StoreError
from capture.store.loading import GROUP, Loading, end_interrupted, state_of, sums_of
from capture.store.rows import canonical, stream_row
from capture.store.writing import put, put_result, put_stream, table_of, trim, whole_up_to

if TYPE_CHECKING:
    from analysis.setup import Setup

GIVE_WAY_S = 0.005

SETUP = "setup.toml"
"""Set-up of a stream, beside it."""


def setup_beside(path: Path) -> Setup | None:
    """Set-up that lies beside a stream, if one does.

    Raises
    ------
    CaptureError
        If it cannot be used.
    """
    file = path.with_name(SETUP)
    if not file.is_file():
        return None
    from capture.setup_file import load_setup

    return load_setup(file)


def streams_in(folder: Path) -> list[Path]:
    """First files of all streams in a folder and below it, each once.

    Raises
    ------
    StoreError
        If there is no such folder.
    """
    if not folder.is_dir():
        raise StoreError(f"{folder} is no folder. Name the folder that holds the raw streams.")
    found: list[Path] = []
    for path in sorted([*folder.rglob("*.jsonl"), *folder.rglob("*.jsonl.gz")]):
        if path.suffix == ".gz" and path.with_suffix("").exists():
            continue
        if path.is_file() and not _is_something_else(path):
            found.append(path)
    return found


def _is_something_else(path: Path) -> bool:
    """Whether a file is no stream at all, or a later segment of one."""
    try:
        return bool(read_header(path).extra.get("segment", 1) != 1)
    except StreamFormatError:
        with suppress(StreamFormatError, OSError, EOFError), open_stream(path) as file:
            return b"shimwright-stream/" not in file.readline(4096)
        return False


def load_into(store: Store, path: Path, setup: Setup | None = None, *, group: int = GROUP) -> Iterator[int]:
    """Make a stream's rows those that its raw stream gives, one transaction a step.

    Stopped anywhere, it can be done again.  Rows beyond the raw stream are removed, unless it is still being recorded.
    Yields the number of readings so far.

    Parameters
    ----------
    store : Store
    path : Path
        First file of the stream.
    setup : Setup, optional
        Used if no set-up lies beside the stream.

    Raises
    ------
    CaptureError
    """
    loading = Loading(path, setup_beside(path) or setup)
    row = stream_row(path, loading.header)
    streams = table_of(models.Stream)
    with store.write() as c:
        before = c.execute(select(streams).where(streams.c.id == loading.id)).mappings().first()
        if before is None:
            put_stream(c, row)
        else:
            refuse_twin(Path(before["path"]), path)
            row["state"] = before["state"]
    for rows in loading.groups(group):
        with store.write() as c:
            put(c, models.StoredReading, rows.readings, replace=True)
            put(c, models.StoredMark, rows.marks, replace=True)
            put(c, models.StoredLink, rows.links, replace=True)
        yield loading.readings
    result = loading.result()
    state, sums = state_of(path), canonical(sums_of(path))
    with store.write() as c:
        row |= {"readings": loading.readings, "bad_frames": loading.bad_frames, "note": loading.note}
        # Once interrupted, always: a stream repaired by an earlier version does not say it.
        row["state"] = "interrupted" if row["state"] == "interrupted" else state
        row["sums"] = sums
        if state != "open":
            trim(c, models.StoredReading, loading.id, loading.readings)
            trim(c, models.StoredMark, loading.id, loading.marks)
            trim(c, models.StoredLink, loading.id, loading.links)
        if result is not None:
            put_result(c, loading.id, result)
        put_stream(c, row)


@dataclass(frozen=True, slots=True)
class Rebuilt:
    """What became of one stream."""

    path: Path
    readings: int
    problem: str = ""
    """Why its rows are not those of the raw stream; empty if they are."""


def rebuild(
    store: Store,
    paths: Iterable[Path],
    setup: Setup | None = None,
    *,
    progress: Callable[[Path, int], None] | None = None,
) -> Iterator[Rebuilt]:
    """Make the rows of streams again from the raw streams, while live ones go on being written.

    Parameters
    ----------
    store : Store
    paths : iterable of Path
        First files of streams (`streams_in`).
    setup : Setup, optional
        For streams without one beside them.
    progress : callable, optional
        Told the stream and its readings so far.

    Raises
    ------
    StoreError
    """
    for path in paths:
        count = 0
        try:
            if state_of(path) == "open":
                yield Rebuilt(path, 0, f"{path} is being recorded now; its rows are left to whoever records it.")
                continue
            for done in load_into(store, path, setup):
                count = done
                if progress is not None:
                    progress(path, count)
                # A live writer that waits looks in from time to time: leave it a gap to find.
                time.sleep(GIVE_WAY_S)
            yield Rebuilt(path, count)
        except StoreError:
            raise
        except (CaptureError, OSError) as e:
            yield Rebuilt(path, count, str(e))


def catch_up(store: Store, path: Path, *, group: int = GROUP) -> Iterator[int]:
    """Add the rows of a stream that is still being recorded and that were passed over, one transaction a step.

    Raises
    ------
    CaptureError
    """
    loading = Loading(path)
    with store.write() as c:
        done = whole_up_to(c, models.StoredReading, loading.id)
    for rows in loading.groups(group):
        missing = [r for r in rows.readings if r["n"] > done]
        with store.write() as c:
            put(c, models.StoredReading, missing)
            put(c, models.StoredMark, rows.marks)
            put(c, models.StoredLink, rows.links)
        yield loading.readings


def refuse_twin(before: Path, now: Path) -> None:
    """Two different recordings must not become one.

    Raises
    ------
    CaptureError
    """
    if before == now.absolute() or not before.is_file():
        return
    if not filecmp.cmp(before, now, shallow=False) and before.suffix == now.suffix:
        raise CaptureError(
            f"{now} has the name and the header of {before}, but other content: give its folder another name."
        )


def unsettled(store: Store, folder: Path | None) -> list[Path]:
    """Streams whose rows may be missing: begun and never ended in the store, or in the folder and not in the store."""
    t = table_of(models.Stream)
    with store.read() as c:
        known = {Path(path): state for path, state in c.execute(select(t.c.path, t.c.state))}
    paths = [path for path, state in known.items() if state == "open"]
    if folder is not None and folder.is_dir():
        paths += [p for p in streams_in(folder) if p.absolute() not in known]
    return paths


def recover(store: Store, folder: Path | None = None) -> Iterator[str]:
    """Complete what a crash left: streams never ended, and streams that never reached the store; one transaction a step.

    Yields a sentence for each stream that was completed or could not be, and an empty text in between.

    Raises
    ------
    StoreError
    """
    for path in unsettled(store, folder):
        try:
            if not path.is_file():
                _missing(store, path)
                yield f"{path} is not there any more; its readings so far stay in the store, as interrupted."
                continue
            if state_of(path) == "open":
                continue
            with suppress(OSError, StreamFormatError):
                end_interrupted(path)
            count = 0
            for done in load_into(store, path):
                count = done
                yield ""
            yield f"{path}: {count} readings completed from the raw stream."
        except StoreError:
            raise
        except (CaptureError, OSError) as e:
            yield f"{path} cannot be completed: {e}"


def _missing(store: Store, path: Path) -> None:
    t = table_of(models.Stream)
    with store.write() as c:
        c.execute(
            t.update()
            .where(t.c.path == str(path), t.c.state == "open")
            .values(state="interrupted", note="its raw stream is not there any more")
        )
