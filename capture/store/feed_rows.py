"""Transactions of a live capture; imported in the feed's thread only, for it needs the database library."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from pathlib import Path

from sqlalchemy import select

from capture.errors import CaptureError
from capture.store.database import Store
from capture.store.feed_queue import FedSet, Item
from capture.store.loading import state_of, sums_of
from capture.store.models import StoredLink, StoredMark, StoredReading, Stream
from capture.store.rows import canonical, link_row, mark_row, reading_row
from capture.store.upkeep import refuse_twin
from capture.store.writing import put, put_result, put_stream, whole_up_to


def put_begin(store: Store, s: FedSet) -> str:
    """Put a set's stream in; why that cannot be, or an empty text.

    Raises
    ------
    StoreError
    """
    with store.write() as c:
        before = c.execute(select(Stream.path).where(Stream.id == s.row["id"])).scalar()
        if before is not None:
            try:
                refuse_twin(Path(before), s.path)
            except (CaptureError, OSError) as e:
                return str(e)
        put_stream(c, s.row)
    return ""


def put_items(store: Store, items: Sequence[Item], bad_frames: Mapping[FedSet, int]) -> None:
    """Put records of one or more sets in, all or none.

    Raises
    ------
    StoreError
    """
    last = {x.of: x.n for x in items if x.kind == "reading"}
    readings = [reading_row(x.of.row["id"], x.n, x.what) for x in items if x.kind == "reading"]
    marks = [mark_row(x.of.row["id"], x.n, x.t, x.what) for x in items if x.kind == "mark"]
    links = [link_row(x.of.row["id"], x.n, x.t, x.what, x.why) for x in items if x.kind == "link"]
    with store.write() as c:
        for s, bad in bad_frames.items():
            put_stream(c, s.row | {"readings": last.get(s, s.committed), "bad_frames": bad})
        put(c, StoredReading, readings)
        put(c, StoredMark, marks)
        put(c, StoredLink, links)
    for s, n in last.items():
        s.committed = n


def put_last(store: Store, s: FedSet) -> tuple[bool, str]:
    """Put the result of a whole set in; whether all its rows are there, and what is worth knowing.

    Raises
    ------
    StoreError
    """
    assert s.last is not None
    said = ""
    try:
        state, sums = state_of(s.path), canonical(sums_of(s.path))
    except OSError as e:
        said = f"{s.path} is not there any more ({e.strerror}); its rows so far stay in the store."
        state, sums = "interrupted", "[]"
    stream = s.row["id"]
    with store.write() as c:
        have = [whole_up_to(c, m, stream) for m in (StoredReading, StoredMark, StoredLink)]
        if have != [s.readings, s.marks, s.links]:
            return False, said
        put_result(c, stream, s.last)
        put_stream(c, s.row | {"readings": s.readings, "bad_frames": s.bad_frames, "state": state, "sums": sums})
    return True, said
