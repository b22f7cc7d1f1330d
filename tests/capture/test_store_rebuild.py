"""What was put in while recording is what the raw streams give, row by row; putting in twice changes nothing."""

from __future__ import annotations

import gzip
import json
import shutil
from decimal import Decimal
from pathlib import Path

import pytest

from analysis.readings import Reading, Scale
from analysis.session import Session
from capture.analyse import analyse_stream
from capture.errors import CaptureError
from capture.pipeline import Pipeline
from capture.rawstream import Rx, StreamHeader, StreamWriter, read_header, read_records
from capture.store import models
from capture.store.database import Store
from capture.store.feed import StoreFeed
from capture.store.loading import end_interrupted, state_of
from capture.store.rows import reading_row, stream_id, stream_row
from capture.store.upkeep import Rebuilt, load_into, rebuild, recover, setup_beside, streams_in
from capture.store.writing import put, put_stream
from tests.capture.live import LONG_S, until_blocking
from tests.capture.store_live import HEADER, RECORDINGS, Live, all_rows, chunks, numbers, play

NAMES = sorted(p.parent.name for p in RECORDINGS.glob("*/stream.jsonl"))
VARIED = [
    "clean-mm",
    "clean-inch",
    "unit-in-text",
    "damaged-frames",
    "link-lost-and-back",
    "three-seatings-warming",
    "play-by-heading",
    "packed-decimal-damaged",
]
"""Both units, a unit that comes with the text, damage, a lost link, marks, a finding."""


def rebuilt(folder: Path, to: Path) -> Store:
    store = Store(to)
    told = list(rebuild(store, streams_in(folder)))
    assert told
    assert [r.problem for r in told] == [""] * len(told)
    return store


@pytest.mark.parametrize("with_result", [True, False], ids=["result-given", "result-worked-out"])
def test_rows_written_live_are_the_rows_of_a_rebuild(tmp_path: Path, with_result: bool) -> None:
    streams = tmp_path / "streams"
    feed = StoreFeed(tmp_path / "live.sqlite")
    for name in VARIED:
        play(name, streams, feed, with_result=with_result, results_every=97)
    assert feed.close(LONG_S)
    assert feed.failure is None
    with Store(tmp_path / "live.sqlite") as live, rebuilt(streams, tmp_path / "again.sqlite") as again:
        mine, theirs = all_rows(live), all_rows(again)
        assert {k: len(v) for k, v in mine.items()} == {k: len(v) for k, v in theirs.items()}
        assert mine == theirs
        assert len(mine["streams"]) == len(mine["sets"]) == len(VARIED)
        # A comparison of nothing with nothing would hold as well.
        assert all(mine.values())
        assert {s["state"] for s in live.streams()} == {"closed"}


def test_rows_are_what_the_raw_stream_says(tmp_path: Path) -> None:
    path = RECORDINGS / "clean-inch" / "stream.jsonl"
    with Store(tmp_path / "e.sqlite") as store:
        list(load_into(store, path))
        rows = all_rows(store)
        (stream,) = rows["streams"]
        expected = analyse_stream(path, setup_beside(path))
        got = store.result(stream[0])
    del expected["stream"]
    assert got == json.loads(json.dumps(expected))
    assert len(rows["readings"]) == expected["readings"] == stream[6]
    assert [r[0] for r in rows["sweeps"]] == [stream[0]] * len(expected["sweeps"])
    first_chunks = [r for r in read_records(path) if isinstance(r, Rx)]
    texts = b"".join(r.data for r in first_chunks).split(b"\r\n")
    # The first line after opening may be none, so the last one is compared.
    stream_no, n, t, counts, unit, step = rows["readings"][-1]
    assert (unit, Decimal(step)) == ("in", Decimal("0.00005"))
    assert Decimal(counts) * Decimal(step) == Decimal(texts[-2].decode().strip())
    assert (stream_no, n, t) == (stream[0], expected["readings"], first_chunks[-1].t)


def test_putting_in_twice_changes_nothing(tmp_path: Path) -> None:
    path = RECORDINGS / "link-lost-and-back" / "stream.jsonl"
    with Store(tmp_path / "e.sqlite") as store:
        list(load_into(store, path))
        once = all_rows(store)
        list(load_into(store, path))
        assert all_rows(store) == once
        stream = once["streams"][0][0]
        row = reading_row(stream, 5, Reading(1e6, 999, Scale(Decimal("0.01"), "mm")))
        with store.write() as c:
            put(c, models.StoredReading, [row, row])
        # A row that is there stays as it is.
        assert all_rows(store) == once


def test_rebuild_puts_right_what_is_wrong(tmp_path: Path) -> None:
    folder = tmp_path / "streams"
    shutil.copytree(RECORDINGS / "clean-mm", folder / "clean-mm")
    with rebuilt(folder, tmp_path / "e.sqlite") as store:
        right = all_rows(store)
        stream = right["streams"][0][0]
        with store.write() as c:
            c.exec_driver_sql("UPDATE readings SET counts = counts + 1 WHERE n = 7")
            c.exec_driver_sql("DELETE FROM readings WHERE n BETWEEN 20 AND 30")
            c.exec_driver_sql("DELETE FROM sets")
            c.exec_driver_sql("UPDATE sweeps SET minimum_mm = 1.0")
            put(c, models.StoredReading, [reading_row(stream, 99999, Reading(1.0, 1, Scale(Decimal("0.001"), "mm")))])
        assert all_rows(store) != right
        list(rebuild(store, streams_in(folder)))
        assert all_rows(store) == right


def test_segments_and_archives_are_one_stream(tmp_path: Path) -> None:
    """A stream in four segments, then compressed: the same rows but for the file names."""
    path = tmp_path / "long" / "stream.jsonl"
    writer = StreamWriter(path, HEADER.source, HEADER.profile, HEADER.started, segment_bytes=5000)
    for record in chunks(800):
        writer.rx(record.t, record.data)
        if writer.lines % 100 == 0:
            writer.sync()
    writer.close()
    assert len(list(path.parent.glob("*.jsonl"))) >= 4
    assert streams_in(tmp_path) == [path]
    with rebuilt(tmp_path, tmp_path / "plain.sqlite") as store:
        plain = all_rows(store)
    assert len(plain["readings"]) == 800
    assert len(json.loads(plain["streams"][0][9])) == len(list(path.parent.glob("*.sha256")))
    for file in list(path.parent.glob("*.jsonl")):
        packed = file.with_name(file.name + ".gz")
        packed.write_bytes(gzip.compress(file.read_bytes()))
        file.unlink()
    assert streams_in(tmp_path) == [path.with_name("stream.jsonl.gz")]
    with rebuilt(tmp_path, tmp_path / "packed.sqlite") as store:
        packed_rows = all_rows(store)
    assert packed_rows["readings"] == plain["readings"]
    assert packed_rows["sets"] == plain["sets"]
    assert packed_rows["streams"][0][:2] == plain["streams"][0][:2]
    assert packed_rows["streams"][0][3:] == plain["streams"][0][3:]


def test_identity_stays_when_recordings_are_moved(tmp_path: Path) -> None:
    a, b = tmp_path / "a" / "clean-mm", tmp_path / "b" / "deeper" / "clean-mm"
    for folder in (a, b):
        shutil.copytree(RECORDINGS / "clean-mm", folder)
    ids = {stream_id(p / "stream.jsonl", read_header(p / "stream.jsonl")) for p in (a, b)}
    assert len(ids) == 1
    assert 0 < ids.pop() < 1 << 53
    with Store(tmp_path / "e.sqlite") as store:
        list(load_into(store, a / "stream.jsonl"))
        shutil.rmtree(a)
        list(load_into(store, b / "stream.jsonl"))
        assert [s["path"] for s in store.streams()] == [str(b / "stream.jsonl")]


def test_two_recordings_with_one_name_are_refused(tmp_path: Path) -> None:
    paths = [tmp_path / x / "same" / "stream.jsonl" for x in "ab"]
    for n, path in enumerate(paths):
        writer = StreamWriter(path, HEADER.source, HEADER.profile, HEADER.started)
        for record in chunks(10 + n):
            writer.rx(record.t, record.data)
        writer.close()
    with Store(tmp_path / "e.sqlite") as store:
        told = list(rebuild(store, paths))
        assert told[0] == Rebuilt(paths[0], 10)
        assert "give its folder another name" in told[1].problem
        assert len(numbers(store, stream_id(paths[0], HEADER))) == 10


def test_a_stream_being_recorded_is_left_alone(tmp_path: Path) -> None:
    path = tmp_path / "now" / "stream.jsonl"
    writer = StreamWriter(path, HEADER.source, HEADER.profile, HEADER.started)
    writer.rx(0.1, b"+000.001\r\n")
    assert state_of(path) == "open"
    with Store(tmp_path / "e.sqlite") as store:
        (told,) = rebuild(store, [path])
        assert "being recorded" in told.problem
        assert store.streams() == []
        assert list(recover(store, tmp_path)) == []
    writer.close()
    assert state_of(path) == "closed"


def test_a_damaged_stream_gives_what_can_be_read_and_says_so(tmp_path: Path) -> None:
    path = tmp_path / "hurt" / "stream.jsonl"
    shutil.copytree(RECORDINGS / "clean-mm", path.parent)
    lines = path.read_bytes().splitlines(keepends=True)
    lines[200] = b"\xff\x00 not a line\n"
    path.write_bytes(b"".join(lines))
    with Store(tmp_path / "e.sqlite") as store:
        list(load_into(store, path))
        (s,) = store.streams()
        assert 150 < s["readings"] < 200
        assert "line 201" in s["note"]
        assert numbers(store, s["id"]) == list(range(1, s["readings"] + 1))


@pytest.mark.parametrize("where", ["decoder", "judge"])
def test_a_fault_of_the_program_keeps_no_row_out(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, where: str) -> None:
    path = tmp_path / "x" / "stream.jsonl"
    shutil.copytree(RECORDINGS / "clean-mm", path.parent)
    real = Pipeline.chunk

    def chunk(self: Pipeline, t: float, data: bytes) -> None:
        if t > 10.0:
            raise ZeroDivisionError("never thought of")
        real(self, t, data)

    def result(self: Session) -> dict[str, object]:
        raise ZeroDivisionError("never thought of")

    with monkeypatch.context() as m:
        m.setattr(Pipeline, "chunk", chunk) if where == "decoder" else m.setattr(Session, "result", result)
        with Store(tmp_path / "e.sqlite") as store:
            list(load_into(store, path))
            (s,) = store.streams()
            assert "ZeroDivisionError: never thought of" in s["note"]
            assert s["readings"] == len(numbers(store, s["id"])) > 100
            assert (s["accepted"] is None) == (where == "judge")
    with Store(tmp_path / "e.sqlite") as store:
        list(load_into(store, path))
        (s,) = store.streams()
        assert (s["note"], s["readings"], s["accepted"]) == ("", 357, 8)


def test_what_cannot_be_used_is_named_and_the_rest_goes_in(tmp_path: Path) -> None:
    shutil.copytree(RECORDINGS / "clean-mm", tmp_path / "good")
    for name, first in (("future", '{"format":"shimwright-stream/9","profile":{}}'), ("strange", '{"no":"stream"}')):
        (tmp_path / name).mkdir()
        (tmp_path / name / "stream.jsonl").write_text(first + "\n")
    (tmp_path / "lost-profile").mkdir()
    head = {
        "format": "shimwright-stream/1",
        "started": "2026-03-02T09:14:05Z",
        "source": "x",
        "profile": {"use": "gone"},
    }
    (tmp_path / "lost-profile" / "stream.jsonl").write_text(json.dumps(head) + "\n")
    with Store(tmp_path / "e.sqlite") as store:
        told = {r.path.parent.name: r.problem for r in rebuild(store, streams_in(tmp_path))}
        assert set(told) == {"future", "good", "lost-profile"}
        assert "Use the version that recorded it" in told["future"]
        assert "gone" in told["lost-profile"]
        assert told["good"] == ""
        assert [s["name"] for s in store.streams()] == ["good/stream.jsonl"]


def test_no_folder_is_an_error(tmp_path: Path) -> None:
    with pytest.raises(CaptureError, match="is no folder"):
        streams_in(tmp_path / "nowhere")


def test_odd_text_and_huge_counts_are_kept_as_well_as_can_be(tmp_path: Path) -> None:
    header = StreamHeader("2026-03-02T09:14:05Z", "odd \x00 \ud800 source", {"use": "text-line", "resolution": 1e-17})
    path = tmp_path / "odd" / "stream.jsonl"
    writer = StreamWriter(path, header.source, header.profile | {"unit": "mm"}, header.started)
    writer.link(0.0, "opened", "why \x00")
    writer.mark(0.05, "note:half \ud83d a face")
    writer.rx(0.1, b"\r\n+0000000000000123.5\r\n")
    writer.close()
    with Store(tmp_path / "e.sqlite") as store:
        list(load_into(store, path))
        rows = all_rows(store)
        assert rows["streams"][0][3] == "odd ␀ ? source"
        assert rows["links"][0][4] == "why ␀"
        assert rows["marks"][0][3] == "note:half ? a face"
        # 123.5 mm in steps of 1e-17 mm passes 2^63.
        assert [r[3] for r in rows["readings"]] == [None]


def test_setup_beside_the_stream_comes_before_the_one_given(tmp_path: Path) -> None:
    shutil.copytree(RECORDINGS / "clean-mm", tmp_path / "with")
    shutil.copytree(RECORDINGS / "clean-mm", tmp_path / "without")
    given = setup_beside(tmp_path / "with" / "stream.jsonl")
    (tmp_path / "without" / "setup.toml").unlink()
    with Store(tmp_path / "e.sqlite") as store:
        list(rebuild(store, streams_in(tmp_path)))
        depths = {s["name"]: s["distance_mm"] for s in store.streams()}
        assert depths["with/stream.jsonl"] is not None
        assert depths["without/stream.jsonl"] is None
        list(rebuild(store, streams_in(tmp_path), given))
        depths = {s["name"]: s["distance_mm"] for s in store.streams()}
        assert depths["without/stream.jsonl"] == depths["with/stream.jsonl"]
        (tmp_path / "with" / "setup.toml").write_text("[gearset]\nnominal = 'wide'\n")
        told = {r.path.parent.name: r.problem for r in rebuild(store, streams_in(tmp_path), given)}
        assert "nominal" in told["with"]


def test_interrupted_streams_are_shown_and_completed_at_the_next_start(tmp_path: Path) -> None:
    """The writer is stopped between two lines, and in the middle of one; the store had half of the rows."""
    paths = [tmp_path / "streams" / x / "stream.jsonl" for x in ("whole", "torn")]
    with Store(tmp_path / "e.sqlite") as store:
        for path in paths:
            writer = StreamWriter(path, HEADER.source, HEADER.profile, HEADER.started)
            for record in chunks(100):
                writer.rx(record.t, record.data)
            writer.close()
            path.with_name("stream.jsonl.sha256").unlink()
            with store.write() as c:
                put_stream(c, stream_row(path, HEADER) | {"readings": 50})
                put(
                    c,
                    models.StoredReading,
                    [
                        reading_row(stream_id(path, HEADER), n, Reading(1.0, 1, Scale(Decimal("0.001"), "mm")))
                        for n in (*range(1, 51), 101)  # the last never reached the raw stream
                    ],
                )
        with open(paths[1], "ab") as file:
            file.write(b'{"t":1.01,"rx":"+00')
        assert {s["state"] for s in store.streams()} == {"open"}
        told = [x for x in recover(store, tmp_path / "streams") if x]
        assert len(told) == 2
        assert all("100 readings completed" in x for x in told)
        for s in store.streams():
            assert (s["state"], s["readings"], s["note"]) == ("interrupted", 100, "")
            assert numbers(store, s["id"]) == list(range(1, 101))
        assert list(recover(store, tmp_path / "streams")) == []
        rows = all_rows(store)
    # The raw stream says itself that it was interrupted: a new store shows it too.
    with rebuilt(tmp_path / "streams", tmp_path / "again.sqlite") as again:
        assert all_rows(again) == rows
        assert {s["state"] for s in again.streams()} == {"interrupted"}


def test_streams_that_never_reached_the_store_are_brought_in(tmp_path: Path) -> None:
    shutil.copytree(RECORDINGS / "clean-mm", tmp_path / "streams" / "clean-mm")
    with Store(tmp_path / "e.sqlite") as store:
        told = [x for x in recover(store, tmp_path / "streams") if x]
        assert len(told) == 1
        assert len(store.streams()) == 1


def test_a_stream_that_is_gone_keeps_its_rows_as_interrupted(tmp_path: Path) -> None:
    path = tmp_path / "gone" / "stream.jsonl"
    with Store(tmp_path / "e.sqlite") as store:
        with store.write() as c:
            put_stream(c, stream_row(path, HEADER))
        (told,) = recover(store)
        assert "is not there any more" in told
        (s,) = store.streams()
        assert s["state"] == "interrupted"
        assert "not there any more" in s["note"]


def test_ending_an_interrupted_stream_leaves_others_alone(tmp_path: Path) -> None:
    path = tmp_path / "a" / "stream.jsonl"
    writer = StreamWriter(path, HEADER.source, HEADER.profile, HEADER.started)
    before = path.read_bytes()
    end_interrupted(path)  # held
    assert path.read_bytes() == before
    writer.close()
    closed = path.read_bytes()
    end_interrupted(path)  # closed
    assert path.read_bytes() == closed


def test_live_rows_before_the_end_can_be_asked_for(tmp_path: Path) -> None:
    feed = StoreFeed(tmp_path / "e.sqlite")
    live = Live(tmp_path / "s" / "stream.jsonl", HEADER, feed)
    for record in chunks(50):
        live.take(record)
    until_blocking(lambda: feed.committed == 50)
    with Store(tmp_path / "e.sqlite") as store:
        (s,) = store.streams()
        assert (s["state"], s["readings"]) == ("open", 50)
        assert len(numbers(store, s["id"])) == 50
    live.end()
    assert feed.close(LONG_S)
