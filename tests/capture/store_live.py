"""A capture as a station does it, for tests of the evidence store: raw stream first, then decoder, session and feed."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import Any

from sqlalchemy import select

from analysis.readings import Reading
from analysis.session import Session
from capture.pipeline import Pipeline
from capture.profiles import load_profile
from capture.rawstream import Link, Mark, Rx, StreamHeader, StreamWriter, read_header, read_records
from capture.store import models
from capture.store.database import Store
from capture.store.feed import StoreFeed
from capture.store.upkeep import setup_beside
from capture.store.writing import table_of

RECORDINGS = Path(__file__).parents[2] / "recorded_streams"

Rows = dict[str, list[tuple[Any, ...]]]


class Live:
    """One set being recorded."""

    def __init__(self, path: Path, header: StreamHeader, feed: StoreFeed) -> None:
        self.path, self.feed = path, feed
        self.writer = StreamWriter(path, header.source, header.profile, header.started)
        self.session = Session(setup_beside(path))
        self.pipe = Pipeline(load_profile(header.profile, "test"), self.session, self._heard)
        self._bad = 0
        feed.begin_set(path, header)

    def _heard(self, r: Reading, shown: str) -> None:
        del shown
        self.feed.reading(r)

    def take(self, record: object) -> None:
        """One record: written, decoded, fed."""
        if isinstance(record, Rx):
            self.writer.rx(record.t, record.data)
            self.pipe.chunk(record.t, record.data)
            bad = self.session._bad
            for _ in range(bad - self._bad):
                self.feed.damaged()
            self._bad = bad
        elif isinstance(record, Mark):
            self.writer.mark(record.t, record.mark)
            self.pipe.mark(record.t, record.mark)
            self.feed.mark(record.t, record.mark)
        elif isinstance(record, Link):
            self.writer.link(record.t, record.state, record.why)
            self.pipe.link(record.t, record.state, record.why)
            self.feed.link(record.t, record.state, record.why)

    def end(self, *, with_result: bool = True) -> None:
        """Close everything in the order a station does."""
        self.session.close()
        self.writer.close()
        self.feed.end_set(self.session.result() if with_result else None)


def play(name: str, folder: Path, feed: StoreFeed, *, with_result: bool = True, results_every: int = 0) -> Path:
    """Record a recording again, live; path of the new raw stream."""
    source = RECORDINGS / name
    path = folder / name / "stream.jsonl"
    path.parent.mkdir(parents=True)
    if (source / "setup.toml").exists():
        path.with_name("setup.toml").write_bytes((source / "setup.toml").read_bytes())
    live = Live(path, read_header(source / "stream.jsonl"), feed)
    for n, record in enumerate(read_records(source / "stream.jsonl"), start=1):
        live.take(record)
        if results_every and n % results_every == 0:
            feed.result(live.session.result())
    live.end(with_result=with_result)
    return path


def all_rows(store: Store) -> Rows:
    """Every row of every table, in the order of its key."""
    out: Rows = {}
    with store.read() as c:
        for table in models.Base.metadata.sorted_tables:
            keys = list(table.primary_key.columns)
            out[table.name] = [tuple(r) for r in c.execute(select(table).order_by(*keys))]
    return out


def numbers(store: Store, stream: int) -> list[int]:
    """Numbers of a stream's readings in the store."""
    t = table_of(models.StoredReading)
    with store.read() as c:
        return list(c.execute(select(t.c.n).where(t.c.stream == stream).order_by(t.c.n)).scalars())


def chunks(count: int, *, every_s: float = 0.01) -> Iterator[Rx]:
    """Text lines of an invented indicator swung to and fro, one chunk each."""
    import math

    for i in range(count):
        value = 60.0 * (1.0 / math.cos(0.3 * math.sin(i / 15.0)) - 1.0)
        yield Rx(round(i * every_s, 6), f"{value:+08.3f}\r\n".encode())


HEADER = StreamHeader(
    "2026-03-02T09:14:05Z",
    "serial:simulated-bench",
    {"use": "text-line", "unit": "mm", "resolution": 0.001, "rate": 100.0},
)
