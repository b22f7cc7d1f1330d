"""The feed: quick for the capture, complete in the end, loud when the store does not take rows."""

from __future__ import annotations

import sqlite3
import subprocess
import sys
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import closing
from decimal import Decimal
from itertools import islice
from pathlib import Path
from typing import Any

import pytest

from analysis.readings import Reading, Scale
from capture.rawstream import StreamHeader, StreamWriter
from capture.store import feed_rows, feed_worker, upkeep, writing
from capture.store.database import Store
from capture.store.errors import StoreUnreachableError
from capture.store.feed import GROUP_S, StoreFeed
from capture.store.rows import stream_id
from capture.store.upkeep import rebuild, streams_in
from tests.capture.live import LONG_S
from tests.capture.store_live import HEADER, Live, all_rows, chunks, numbers, play

STEP = Scale(Decimal("0.001"), "mm")


def until(true: Callable[[], bool], seconds: float = LONG_S) -> None:
    end = time.monotonic() + seconds
    while not true():
        assert time.monotonic() < end, "did not happen in time"
        time.sleep(0.005)


def same_as_rebuilt(tmp_path: Path, live_file: Path) -> None:
    with Store(live_file) as live, Store(tmp_path / "again.sqlite") as again:
        assert [r.problem for r in rebuild(again, streams_in(tmp_path / "s"))] == [""] * len(live.streams())
        assert all_rows(live) == all_rows(again)


class Locked:
    """Another program that writes."""

    def __init__(self, file: Path) -> None:
        self._c = sqlite3.connect(file, isolation_level=None, check_same_thread=False)
        self._c.execute("BEGIN IMMEDIATE")

    def release(self) -> None:
        self._c.execute("ROLLBACK")
        self._c.close()


def test_readings_that_come_slowly_share_a_transaction_and_the_last_waits_for_no_other(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """At ten readings a second a transaction each took as much of the processor as all the rest of listening."""
    groups: list[int] = []
    put = feed_rows.put_items

    def counted(store: Store, items: Any, bad_frames: Any) -> None:
        groups.append(len(items))
        put(store, items, bad_frames)

    monkeypatch.setattr(feed_rows, "put_items", counted)
    feed = StoreFeed(tmp_path / "e.sqlite")
    live = Live(tmp_path / "s" / "stream.jsonl", HEADER, feed)
    until(lambda: feed.ready)
    groups.clear()
    begin = time.monotonic()
    for record in chunks(21):
        live.take(record)
        time.sleep(0.1)
    until(lambda: feed.committed == 21)
    assert sum(groups) >= 21
    # However long the machine took for it: each group is waited for.
    assert len(groups) <= (time.monotonic() - begin) / GROUP_S + 2
    live.end()
    assert feed.close(LONG_S)


def test_feeding_never_waits_for_a_locked_store(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """While another program holds the store, feeding goes on at full speed, the trouble is told, and afterwards nothing is missing."""
    monkeypatch.setattr(feed_worker, "BUSY_S", 0.2)
    file = tmp_path / "e.sqlite"
    Store(file).close()
    told: list[str | None] = []
    feed = StoreFeed(file, on_trouble=told.append, most_waiting=50)
    play("clean-mm", tmp_path / "s", feed)
    until(lambda: not feed.busy)
    lock, away, write = Locked(file), threading.Event(), Store.write

    def held(self: Store) -> Any:
        assert away.wait(LONG_S)
        return write(self)

    # The lock is waited for until all is fed: whoever waited along would never come to the end.
    monkeypatch.setattr(Store, "write", held)
    live = Live(tmp_path / "s" / "locked" / "stream.jsonl", HEADER, feed)
    before = feed.passed_over

    def feeding() -> None:
        for record in chunks(300):
            live.writer.rx(record.t, record.data)
            live.pipe.chunk(record.t, record.data)

    feeder = threading.Thread(target=feeding)
    feeder.start()
    feeder.join(LONG_S / 2)
    waits = feeder.is_alive()
    away.set()
    feeder.join(LONG_S)
    assert not waits, "feeding waits for the store"
    until(lambda: feed.failure is not None)
    assert feed.passed_over - before == 250
    assert told[0] is not None
    assert "locked: another program has been writing" in told[0]
    lock.release()
    # The queue is taken up again and what was passed over is read from the raw stream, while the set still runs.
    until(lambda: feed.failure is None)
    with Store(file) as store:
        until(lambda: len(numbers(store, stream_id(live.path, HEADER))) == 300)
    for record in chunks(20):
        live.writer.rx(10.0 + record.t, record.data)
        live.pipe.chunk(10.0 + record.t, record.data)
    live.end()
    assert feed.close(LONG_S)
    assert told[-1] is None
    assert feed.troubles == 1
    same_as_rebuilt(tmp_path, file)


def test_a_set_that_ends_while_rows_are_passed_over_is_whole(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(feed_worker, "BUSY_S", 0.2)
    file = tmp_path / "e.sqlite"
    Store(file).close()
    lock = Locked(file)
    feed = StoreFeed(file, most_waiting=10)
    for name in ("clean-mm", "link-lost-and-back", "three-seatings-warming"):
        play(name, tmp_path / "s", feed)
    until(lambda: feed.failure is not None)
    lock.release()
    until(lambda: not feed.busy)
    assert feed.close(LONG_S)
    same_as_rebuilt(tmp_path, file)


def test_what_was_not_put_in_at_the_end_is_put_in_at_the_next_start(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(feed_worker, "BUSY_S", 0.1)
    file = tmp_path / "e.sqlite"
    Store(file).close()
    lock = Locked(file)
    feed = StoreFeed(file)
    play("clean-mm", tmp_path / "s", feed)
    assert feed.close(0.5) is False
    lock.release()
    notes: list[str] = []
    feed = StoreFeed(file, folder=tmp_path / "s", on_note=notes.append)
    until(lambda: bool(notes))
    assert feed.close(LONG_S)
    assert len(notes) == 1
    assert "readings completed from the raw stream" in notes[0]
    same_as_rebuilt(tmp_path, file)


def test_a_store_that_cannot_be_used_is_told_and_the_capture_goes_on(tmp_path: Path) -> None:
    file = tmp_path / "e.sqlite"
    file.write_bytes(b"this is no database, and long enough to be looked at as one" * 20)
    told: list[str | None] = []
    feed = StoreFeed(file, on_trouble=told.append)
    path = play("clean-mm", tmp_path / "s", feed)
    until(lambda: bool(told))
    assert "is no database" in str(told[0])
    # Once it is out of the way, the feed makes a new one by itself.
    file.unlink()
    until(lambda: feed.failure is None)
    assert feed.close(LONG_S)
    assert path.with_name("stream.jsonl.sha256").exists()
    same_as_rebuilt(tmp_path, file)


def test_unforeseen_failures_are_told_too(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    told: list[str | None] = []
    real, bad = Store.write, [True]

    def write(self: Store) -> object:
        if bad[0]:
            raise RuntimeError("never thought of")
        return real(self)

    monkeypatch.setattr(Store, "write", write)
    feed = StoreFeed(tmp_path / "e.sqlite", on_trouble=told.append)
    play("clean-mm", tmp_path / "s", feed)
    until(lambda: bool(told))
    assert "RuntimeError: never thought of" in str(told[0])
    bad[0] = False
    until(lambda: feed.failure is None)
    assert feed.close(LONG_S)
    same_as_rebuilt(tmp_path, tmp_path / "e.sqlite")


def test_a_given_result_with_missing_rows_is_not_believed(tmp_path: Path) -> None:
    """Readings that were in the raw stream and were never fed: the set is read from the raw stream instead."""
    feed = StoreFeed(tmp_path / "e.sqlite")
    live = Live(tmp_path / "s" / "x" / "stream.jsonl", HEADER, feed)
    records = list(chunks(60))
    for record in records[:30]:
        live.take(record)
    for record in records[30:]:
        live.writer.rx(record.t, record.data)
    live.session.close()
    live.writer.close()
    feed.running.readings += 30  # type: ignore[union-attr]
    feed.end_set(live.session.result())
    assert feed.close(LONG_S)
    same_as_rebuilt(tmp_path, tmp_path / "e.sqlite")


def test_results_so_far_are_in_the_store_while_the_set_runs(tmp_path: Path) -> None:
    feed = StoreFeed(tmp_path / "e.sqlite")
    live = Live(tmp_path / "s" / "x" / "stream.jsonl", HEADER, feed)
    for record in chunks(400):
        live.take(record)
    expected = live.session.result()
    feed.result(expected)
    with Store(tmp_path / "e.sqlite") as store:
        until(lambda: bool(store.streams()) and store.result(stream_id(live.path, HEADER)) is not None)
        rows = all_rows(store)
        assert len(rows["sweeps"]) == len(expected["sweeps"]) > 3  # type: ignore[arg-type]
    live.end()
    assert feed.close(LONG_S)
    same_as_rebuilt(tmp_path, tmp_path / "e.sqlite")


def test_many_threads_feed_at_once_and_numbers_have_no_holes(tmp_path: Path) -> None:
    feed = StoreFeed(tmp_path / "e.sqlite")
    live = Live(tmp_path / "s" / "x" / "stream.jsonl", HEADER, feed)

    def work(k: int) -> None:
        for n in range(500):
            feed.reading(Reading(n * 0.01, k, STEP))
            if n % 100 == 0:
                feed.mark(n * 0.01, "zero")
                feed.link(n * 0.01, "stale")
                feed.damaged(n * 0.01, "x")

    threads = [threading.Thread(target=work, args=(k,)) for k in range(4)]
    for t in threads:
        t.start()
    for t in threads:
        t.join()
    until(lambda: feed.committed == 2000)
    with Store(tmp_path / "e.sqlite") as store:
        assert numbers(store, stream_id(live.path, HEADER)) == list(range(1, 2001))
        rows = all_rows(store)
        assert len(rows["marks"]) == len(rows["links"]) == 20
        assert rows["streams"][0][6:8] == (2000, 20)
    live.writer.close()
    assert feed.close(LONG_S)


def test_nothing_is_taken_outside_a_set(tmp_path: Path) -> None:
    feed = StoreFeed(tmp_path / "e.sqlite")
    feed.reading(Reading(0.0, 1, STEP))
    feed.mark(0.0, "zero")
    feed.link(0.0, "opened")
    feed.damaged()
    feed.result({})
    feed.end_set()
    assert feed.committed == 0
    assert feed.close(LONG_S)
    if (tmp_path / "e.sqlite").exists():
        with Store(tmp_path / "e.sqlite") as store:
            assert store.streams() == []


def test_a_twin_is_refused_and_the_next_set_goes_in(tmp_path: Path) -> None:
    notes: list[str] = []
    feed = StoreFeed(tmp_path / "e.sqlite", on_note=notes.append)
    for root in "ab":
        live = Live(tmp_path / root / "same" / "stream.jsonl", HEADER, feed)
        for record in chunks(20 if root == "a" else 30):
            live.take(record)
            if root == "b":
                until(lambda: not feed.to_begin)
        feed.result(live.session.result())
        live.end()
        until(lambda: not feed.busy)
    other = StreamHeader("2026-03-02T10:00:00Z", HEADER.source, HEADER.profile)
    live = Live(tmp_path / "b" / "next" / "stream.jsonl", other, feed)
    for record in chunks(5):
        live.take(record)
    live.end()
    assert feed.close(LONG_S)
    assert len(notes) == 1
    assert "give its folder another name" in notes[0]
    with Store(tmp_path / "e.sqlite") as store:
        assert [(s["name"], s["readings"]) for s in store.streams()] == [
            ("same/stream.jsonl", 20),
            ("next/stream.jsonl", 5),
        ]


def test_a_raw_stream_that_vanished_does_not_hold_up_the_next_set(tmp_path: Path) -> None:
    notes: list[str] = []
    feed = StoreFeed(tmp_path / "e.sqlite", on_note=notes.append)
    live = Live(tmp_path / "s" / "gone" / "stream.jsonl", HEADER, feed)
    for record in chunks(20):
        live.take(record)
    live.session.close()
    live.writer.close()
    result = live.session.result()
    live.path.unlink()
    feed.end_set(result)
    play("clean-mm", tmp_path / "s", feed)
    assert feed.close(LONG_S)
    with Store(tmp_path / "e.sqlite") as store:
        assert [(s["state"], s["readings"]) for s in store.streams()] == [("interrupted", 20), ("closed", 357)]
    assert "not there any more" in notes[0]


def test_beginning_to_listen_does_not_import_the_database_library(tmp_path: Path) -> None:
    code = (
        "import sys, pathlib\n"
        "import capture.store.feed\n"
        "assert not [m for m in sys.modules if m.split('.')[0] in ('sqlalchemy', 'alembic')]\n"
    )
    subprocess.run([sys.executable, "-c", code], check=True, timeout=60)


def test_commands_without_a_store_do_not_import_the_database_library(tmp_path: Path) -> None:
    stream = tmp_path / "short" / "stream.jsonl"
    writer = StreamWriter(stream, HEADER.source, HEADER.profile, HEADER.started)
    for record in chunks(20):
        writer.rx(record.t, record.data)
    writer.close()
    for arguments in (["analyse", str(stream), "--json"], ["listen", f"replay:{stream}"]):
        code = (
            "import sys\n"
            "from web.cli.main import app\n"
            f"sys.argv = ['shimwright', *{arguments!r}]\n"
            "try:\n    app()\nexcept SystemExit as e:\n    assert e.code == 0, e.code\n"
            "found = [m for m in sys.modules if m.split('.')[0] in ('sqlalchemy', 'alembic')]\n"
            "assert not found, found\n"
        )
        done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, timeout=60, check=False)
        assert done.returncode == 0, done.stderr
        assert done.stdout


def test_the_journal_does_not_outlive_the_feed(tmp_path: Path) -> None:
    feed = StoreFeed(tmp_path / "e.sqlite")
    play("clean-mm", tmp_path / "s", feed)
    assert feed.close(LONG_S)
    assert not (tmp_path / "e.sqlite-wal").exists()
    with closing(sqlite3.connect(tmp_path / "e.sqlite")) as c:
        assert c.execute("PRAGMA integrity_check").fetchone() == ("ok",)


def test_another_process_that_rebuilds_at_the_same_time_costs_no_row(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Two processes write one store: a rebuild over and over, and a live set."""
    monkeypatch.setattr(feed_worker, "BUSY_S", LONG_S)
    file = tmp_path / "e.sqlite"
    other = tmp_path / "other" / "long" / "stream.jsonl"
    writer = StreamWriter(other, HEADER.source, HEADER.profile, HEADER.started)
    for record in chunks(20_000):
        writer.rx(record.t, record.data)
    writer.close()
    Store(file).close()
    code = (
        "import sys\nfrom pathlib import Path\nfrom capture.store.database import Store\n"
        "from capture.store.upkeep import rebuild\n"
        f"with Store(sys.argv[1], busy_s={LONG_S}) as store:\n"
        "    while True:\n"
        "        assert [r.problem for r in rebuild(store, [Path(sys.argv[2])])] == ['']\n"
        "        print('done', flush=True)\n"
    )
    child = subprocess.Popen(
        [sys.executable, "-c", code, str(file), str(other)], stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True
    )
    told: list[str | None] = []
    try:
        assert child.stdout is not None
        assert child.stdout.readline() == "done\n"
        feed = StoreFeed(file, on_trouble=told.append)
        live = Live(tmp_path / "s" / "x" / "stream.jsonl", HEADER, feed)
        for record in chunks(300):
            live.take(record)
            time.sleep(0.005)
        assert child.stdout.readline() == "done\n"
        live.end()
        assert feed.close(LONG_S)
        assert child.poll() is None
    finally:
        child.kill()
        child.communicate()
    assert told == []
    with Store(file) as store:
        assert [(s["readings"], s["state"]) for s in store.streams() if s["name"] == "x/stream.jsonl"] == [
            (300, "closed")
        ]


def fails(times: int, error: Exception, real: Callable[..., object]) -> Callable[..., object]:
    left = [times]

    def work(*args: object, **more: object) -> object:
        left[0] -= 1
        if left[0] >= 0:
            raise error
        return real(*args, **more)

    return work


@pytest.mark.parametrize(
    ("error", "times", "whole"),
    [
        (StoreUnreachableError("the disk is full"), 3, True),
        (RuntimeError("never thought of"), 2, True),
        (RuntimeError("never thought of"), 99, False),
        (OSError(5, "the raw stream cannot be read"), 1, False),
    ],
    ids=["store-away", "fault-passes", "fault-stays", "stream-away"],
)
def test_settling_a_set_is_tried_again_and_holds_up_no_other(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, error: Exception, times: int, whole: bool
) -> None:
    """What could not be settled is settled at the next start."""
    monkeypatch.setattr(feed_worker, "RETRY_S", (0.01, 0.02))
    notes: list[str] = []
    told: list[str | None] = []
    feed = StoreFeed(tmp_path / "e.sqlite", on_note=notes.append, on_trouble=told.append)
    until(lambda: feed.ready and not feed.busy)
    with monkeypatch.context() as m:
        m.setattr(upkeep, "load_into", fails(times, error, upkeep.load_into))
        play("too-fast", tmp_path / "s", feed, with_result=False)
        until(lambda: not feed.busy)
        play("clean-mm", tmp_path / "s", feed)
        assert feed.close(LONG_S)
    if isinstance(error, OSError):
        assert "the raw stream cannot be read" in notes[0]
    else:
        assert str(error) in str(told[0])
    with Store(tmp_path / "e.sqlite") as store:
        states = {s["name"].partition("/")[0]: s["state"] for s in store.streams()}
        assert states == {"too-fast": "closed" if whole else "open", "clean-mm": "closed"}
        list(upkeep.recover(store))
    same_as_rebuilt(tmp_path, tmp_path / "e.sqlite")


def test_a_result_that_could_not_be_put_in_is_put_in_later(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(feed_worker, "RETRY_S", (0.01, 0.02))
    told: list[str | None] = []
    feed = StoreFeed(tmp_path / "e.sqlite", on_trouble=told.append)
    live = Live(tmp_path / "s" / "x" / "stream.jsonl", HEADER, feed)
    for record in chunks(200):
        live.take(record)
    until(lambda: feed.committed == 200)
    monkeypatch.setattr(writing, "put_result", fails(2, StoreUnreachableError("away"), writing.put_result))
    feed.result(live.session.result())
    with Store(tmp_path / "e.sqlite") as store:
        until(lambda: store.result(stream_id(live.path, HEADER)) is not None)
    assert "away" in told
    live.end()
    assert feed.close(LONG_S)


def test_closing_does_not_wait_for_streams_of_before(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """One that is in the middle when it is closed: whoever waited for its end would wait for ever."""
    real, steps = upkeep.recover, [0]

    def without_end(store: Store, folder: Path | None = None) -> Iterator[str]:
        for _ in islice(real(store, folder), 2):
            yield ""
        while True:
            steps[0] += 1
            yield ""

    path = tmp_path / "s" / "long" / "stream.jsonl"
    writer = StreamWriter(path, HEADER.source, HEADER.profile, HEADER.started)
    for record in chunks(6_000):
        writer.rx(record.t, record.data)
    writer.close()
    with monkeypatch.context() as m:
        m.setattr(upkeep, "recover", without_end)
        feed = StoreFeed(tmp_path / "e.sqlite", folder=tmp_path / "s")
        until(lambda: steps[0] > 0)
        assert feed.close(LONG_S)
    with Store(tmp_path / "e.sqlite") as store:
        list(upkeep.recover(store, tmp_path / "s"))
    same_as_rebuilt(tmp_path, tmp_path / "e.sqlite")
