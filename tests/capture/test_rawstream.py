"""The raw stream keeps every byte, in order, whatever happens while it is written."""

from __future__ import annotations

import gzip
import hashlib
import json
import os
import resource
import signal
import subprocess
import sys
import tempfile
import threading
from collections.abc import Iterator
from contextlib import closing, contextmanager
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from capture.analyse import analyse_stream
from capture.errors import CaptureError, StreamFormatError
from capture.rawstream import (
    FORMAT,
    Link,
    Mark,
    Rx,
    StreamWriter,
    Torn,
    new_folder,
    read_header,
    read_records,
    reader,
    repair_folder,
    repair_stream,
    verify,
)
from capture.rawstream import writer as writer_module
from capture.rawstream.disk import Disk
from capture.store.loading import state_of
from tests.capture.live import LONG_S, until_blocking

STARTED = "2026-03-02T09:14:05Z"
PROFILE = {"use": "text-line", "unit": "mm", "resolution": 0.001, "rate": 10}
HEADER = json.dumps({"format": FORMAT, "started": STARTED, "source": "typed", "profile": PROFILE}) + "\n"


@contextmanager
def writing(path: Path) -> Iterator[StreamWriter]:
    """A writer that is closed whatever happens."""
    writer = StreamWriter(path, "serial:/dev/ttyUSB0", PROFILE, STARTED)
    try:
        yield writer
    finally:
        writer.close()


def stream(tmp_path: Path, *lines: str | bytes, header: str = HEADER) -> Path:
    """A stream file with these lines, as they are."""
    path = tmp_path / "stream.jsonl"
    path.write_bytes(b"".join(x.encode() if isinstance(x, str) else x for x in (header, *lines)))
    return path


# what is in the file


def test_header_is_the_first_line_and_comes_back(tmp_path: Path) -> None:
    path = tmp_path / "new" / "folder" / "stream.jsonl"
    with writing(path):
        pass
    assert json.loads(path.read_bytes().splitlines()[0]) == {
        "format": "shimwright-stream/1",
        "started": STARTED,
        "source": "serial:/dev/ttyUSB0",
        "profile": PROFILE,
    }
    header = read_header(path)
    assert (header.started, header.source, header.profile) == (STARTED, "serial:/dev/ttyUSB0", PROFILE)
    assert header.extra == {}


def test_the_lines_are_those_of_the_contract(tmp_path: Path) -> None:
    path = tmp_path / "stream.jsonl"
    with writing(path) as w:
        w.link(0.0, "opened")
        w.rx(0.1043124, b"+000.478\r\n")
        w.mark(3.2, "reseat")
        w.link(9.8, "lost", "indicator unplugged")
    lines = [json.loads(line) for line in path.read_text("utf-8").splitlines()[1:]]
    assert lines == [
        {"t": 0.0, "link": "opened"},
        {"t": 0.104312, "rx": "+000.478\r\n"},
        {"t": 3.2, "mark": "reseat"},
        {"t": 9.8, "link": "lost", "why": "indicator unplugged"},
    ]


def test_every_byte_value_is_kept_as_latin_1(tmp_path: Path) -> None:
    path = tmp_path / "stream.jsonl"
    every = bytes(range(256))
    with writing(path) as w:
        w.rx(0.1, every)
        for value in range(256):
            w.rx(0.2, bytes([value]))
    line = path.read_text("utf-8").split("\n")[1]
    assert json.loads(line)["rx"] == every.decode("latin-1")
    assert [r.data for r in read_records(path) if isinstance(r, Rx)] == [every, *(bytes([v]) for v in range(256))]


@settings(max_examples=60, deadline=None)
@given(st.lists(st.tuples(st.floats(0, 1e6), st.binary(min_size=1, max_size=300)), max_size=20))
def test_any_list_of_chunks_comes_back_with_its_edges(chunks: list[tuple[float, bytes]]) -> None:
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "stream.jsonl"
        with writing(path) as w:
            for t, data in chunks:
                w.rx(t, data)
        assert list(read_records(path)) == [Rx(round(t, 6), data) for t, data in chunks]


@settings(max_examples=40, deadline=None)
@given(st.lists(st.text(max_size=80).filter(lambda s: s.isprintable() or s.isascii()), max_size=8))
def test_any_note_comes_back(notes: list[str]) -> None:
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "stream.jsonl"
        with writing(path) as w:
            for note in notes:
                w.mark(1.0, f"note:{note}")
                w.link(1.0, "lost", note)
        read = list(read_records(path))
        assert read == [r for note in notes for r in (Mark(1.0, f"note:{note}"), Link(1.0, "lost", note))]


def test_reading_takes_no_more_memory_for_a_longer_stream(tmp_path: Path) -> None:
    import tracemalloc

    def peak(lines: int) -> int:
        path = tmp_path / f"{lines}.jsonl"
        path.write_text(HEADER + '{"t":1.0,"rx":"+000.478\\r\\n"}\n' * lines, "utf-8")
        tracemalloc.start()
        try:
            assert sum(1 for _ in read_records(path)) == lines
            return tracemalloc.get_traced_memory()[1]
        finally:
            tracemalloc.stop()

    peak(10)
    assert peak(20_000) < peak(200) + 100_000


# what a reader puts up with, and what it does not


@pytest.mark.parametrize(
    "tail",
    [
        b'{"t":2.0,"rx":"+00',
        b"{",
        b'{"t":2.0,"rx":"\xc3',  # cut in the middle of a character
        b"\x00" * 512,  # what a file system leaves after a power cut
    ],
    ids=["half a line", "one byte", "half a character", "zeros"],
)
def test_a_torn_last_line_is_told_and_the_rest_is_there(tmp_path: Path, tail: bytes) -> None:
    path = stream(tmp_path, '{"t":1.0,"rx":"+000.478\\r\\n"}\n', tail)
    records = list(read_records(path))
    assert records == [Rx(1.0, b"+000.478\r\n"), Torn(1.0, tail.decode("utf-8", "replace"))]


def test_a_whole_last_line_that_lacks_only_its_end_counts(tmp_path: Path) -> None:
    path = stream(tmp_path, '{"t":1.0,"rx":"a"}\n', '{"t":2.0,"rx":"b"}')
    assert list(read_records(path)) == [Rx(1.0, b"a"), Rx(2.0, b"b")]


def test_unknown_keys_are_kept_and_unknown_lines_passed_over(tmp_path: Path) -> None:
    header = json.dumps(
        {"format": FORMAT, "started": STARTED, "source": "typed", "profile": PROFILE | {"hue": 3}, "bench": "left"}
    )
    path = stream(
        tmp_path,
        '{"t":1.0,"rx":"a","signal":-60}\n',
        '{"t":1.5,"battery":80}\n',
        '{"remark":"no time"}\n',
        "\n",
        '{"t":2,"mark":"reseat","by":"hand"}\n',
        header=header + "\n",
    )
    read = read_header(path)
    assert read.extra == {"bench": "left"}
    assert read.profile["hue"] == 3
    assert list(read_records(path)) == [Rx(1.0, b"a"), Mark(2.0, "reseat")]


@pytest.mark.parametrize(
    "line",
    [
        b"+000.478\r\n",
        b'{"t":2.0,"rx":"+00\n',
        b'["t",2.0]\n',
        b'{"rx":"a"}\n',
        b'{"t":"soon","rx":"a"}\n',
        b'{"t":true,"rx":"a"}\n',
        b'{"t":NaN,"rx":"a"}\n',
        b'{"t":1e999,"rx":"a"}\n',
        b'{"t":2.0,"rx":"\xff"}\n',
        b"\x00\x00\x00\n",
        b'{"t":' + b"1" * 5000 + b',"rx":"a"}\n',
        b"[" * 100_000 + b"\n",
    ],
    ids=[
        "bare reading",
        "half a line",
        "list",
        "no time",
        "time as text",
        "time as truth value",
        "time not a number",
        "time without end",
        "not UTF-8",
        "zeros",
        "time of 5000 digits",
        "nested without end",
    ],
)
def test_a_damaged_line_in_the_middle_is_an_error_with_its_number(tmp_path: Path, line: bytes) -> None:
    path = stream(tmp_path, '{"t":1.0,"rx":"a"}\n', line, '{"t":3.0,"rx":"b"}\n')
    read: list[object] = []
    with pytest.raises(StreamFormatError) as e:
        read.extend(read_records(path))
    assert f"{path}, line 3" in str(e.value)
    assert len(str(e.value)) < 400 + len(str(path))


def test_a_line_longer_than_any_chunk_does_not_end_the_stream_in_silence(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(reader, "LONGEST_LINE", 1000)
    path = stream(tmp_path, '{"t":1.0,"rx":"a"}\n', b"\x00" * 1500 + b"\n", '{"t":3.0,"rx":"b"}\n')
    with pytest.raises(StreamFormatError, match="line 3"):
        list(read_records(path))


@pytest.mark.parametrize("version", ["shimwright-stream/2", "shimwright-stream/0", 1, None])
def test_an_unknown_version_is_named_with_what_to_do(tmp_path: Path, version: object) -> None:
    path = stream(tmp_path, header=json.dumps({"format": version, "profile": PROFILE}) + "\n")
    for read in (read_header, lambda p: list(read_records(p))):
        with pytest.raises(StreamFormatError) as e:
            read(path)
        text = str(e.value)
        assert f"{path}, line 1" in text
        assert repr(version) in text
        assert "'shimwright-stream/1'" in text
        assert "newer" in text


@pytest.mark.parametrize(
    "first",
    [b"", b"\n", b"+000.478\r\n", b"[]\n", b'{"t":1}\n', b'{"format":"shimwright-st', b"\xff\xfe\n", b"PK\x03\x04\n"],
)
def test_a_file_of_another_kind_is_refused(tmp_path: Path, first: bytes) -> None:
    path = tmp_path / "stream.jsonl"
    path.write_bytes(first)
    with pytest.raises(StreamFormatError) as e:
        read_header(path)
    assert f"{path}, line 1: not a raw stream" in str(e.value)
    assert FORMAT in str(e.value)


def test_a_file_of_another_kind_is_told_what_it_is(tmp_path: Path) -> None:
    (tmp_path / "setup.toml").write_text("[gearset]\n", "utf-8")
    (tmp_path / "stream.jsonl").touch()
    with pytest.raises(StreamFormatError, match="A set-up file is given with --setup"):
        read_header(tmp_path / "setup.toml")
    with pytest.raises(StreamFormatError, match="Nothing was recorded in this file"):
        read_header(tmp_path / "stream.jsonl")


def test_a_byte_order_mark_of_an_editor_does_no_harm(tmp_path: Path) -> None:
    path = stream(tmp_path)
    want = read_header(path)
    path.write_bytes(b"\xef\xbb\xbf" + path.read_bytes())
    assert read_header(path) == want
    assert list(read_records(path)) == []


def test_a_line_broken_in_the_middle_is_shown_as_it_stands(tmp_path: Path) -> None:
    path = stream(tmp_path)
    path.write_bytes(path.read_bytes() + b'{"t": 5, "rx": "+00\n{"t":6,"mark":"reseat"}\n')
    with pytest.raises(StreamFormatError) as e:
        list(read_records(path))
    assert f'{path}, line 2: given {{"t": 5, "rx": "+00; allowed: a JSON object with its time' in str(e.value)
    assert "take another copy" in str(e.value)


@pytest.mark.parametrize("profile", ["text-line", None, 3, ["text-line"]])
def test_a_profile_that_is_no_table_is_refused(tmp_path: Path, profile: object) -> None:
    path = stream(tmp_path, header=json.dumps({"format": FORMAT, "profile": profile}) + "\n")
    with pytest.raises(StreamFormatError) as e:
        read_header(path)
    assert f"{path}, line 1" in str(e.value)
    assert repr(profile) in str(e.value)


def test_a_missing_file_and_a_folder_are_told_apart(tmp_path: Path) -> None:
    with pytest.raises(StreamFormatError, match="no such file"):
        read_header(tmp_path / "absent.jsonl")
    with pytest.raises(StreamFormatError, match="is a folder"):
        read_header(tmp_path)


# the writer


def test_a_stream_is_never_overwritten(tmp_path: Path) -> None:
    path = tmp_path / "stream.jsonl"
    path.write_text("evidence", "utf-8")
    with pytest.raises(CaptureError, match="never overwritten"):
        StreamWriter(path, "typed", PROFILE, STARTED)
    assert path.read_text("utf-8") == "evidence"


def test_a_folder_that_cannot_be_made_is_named(tmp_path: Path) -> None:
    (tmp_path / "file").write_text("x", "utf-8")
    with pytest.raises(CaptureError) as e:
        StreamWriter(tmp_path / "file" / "set" / "stream.jsonl", "typed", PROFILE, STARTED)
    assert str(tmp_path / "file") in str(e.value)
    assert "may write" in str(e.value)


def test_a_line_is_in_the_file_when_the_call_returns(tmp_path: Path) -> None:
    path = tmp_path / "stream.jsonl"
    with writing(path) as w:
        for n in range(5):
            w.rx(n, b"+000.478\r\n")
            assert len(path.read_bytes().splitlines()) == n + 2


def test_synced_after_so_many_bytes_a_second_when_asked_or_at_the_end(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    synced: list[int] = []
    real = os.fdatasync
    monkeypatch.setattr(os, "fdatasync", lambda fd: (synced.append(fd), real(fd))[1])
    monkeypatch.setattr(writer_module, "SYNC_S", 3600.0)
    with writing(tmp_path / "stream.jsonl") as w:
        assert w.synced_lines == w.lines == 1
        assert len(synced) == 1
        w.rx(0.1, b"a")
        assert (w.lines, w.synced_lines, len(synced)) == (2, 1, 1)
        w.mark(0.2, "reseat")
        w.sync()
        assert (w.lines, w.synced_lines, len(synced)) == (3, 3, 2)
        big = b"x" * 4000
        for _ in range(writer_module.SYNC_BYTES // 4000):
            w.rx(0.3, big)
        assert w.synced_lines < w.lines
        w.rx(0.3, big)
        until_blocking(lambda: w.synced_lines == w.lines)
        w.rx(0.4, b"b")
        assert w.synced_lines == w.lines - 1
        before = len(synced)
    assert len(synced) > before
    assert w.synced_lines == w.lines


def test_the_last_line_is_on_the_disk_soon_after_without_a_further_one(tmp_path: Path) -> None:
    with writing(tmp_path / "stream.jsonl") as w:
        for n in range(3):
            w.rx(n, b"+000.478\r\n")
            until_blocking(lambda: w.synced_lines == w.lines)


def test_several_threads_write_whole_lines_each_in_its_own_order(tmp_path: Path) -> None:
    path = tmp_path / "stream.jsonl"
    threads, each = 6, 250
    with writing(path) as w:
        gate = threading.Barrier(threads)

        def work(k: int) -> None:
            gate.wait()
            for n in range(each):
                if n % 50 == 49:
                    w.mark(n, f"note:{k}")
                w.rx(n, f"{k} {n}\r\n".encode())

        workers = [threading.Thread(target=work, args=(k,)) for k in range(threads)]
        for t in workers:
            t.start()
        for t in workers:
            t.join()
        assert w.lines == 1 + threads * (each + each // 50)
    seen: dict[int, list[int]] = {k: [] for k in range(threads)}
    for r in read_records(path):
        if isinstance(r, Rx):
            k, n = r.data.split()
            seen[int(k)].append(int(n))
    assert seen == {k: list(range(each)) for k in range(threads)}


def test_writing_after_the_end_does_nothing(tmp_path: Path) -> None:
    path = tmp_path / "stream.jsonl"
    with writing(path) as w:
        w.rx(0.1, b"a")
    before = path.read_bytes()
    w.rx(0.2, b"late")
    w.sync()
    w.close()
    assert path.read_bytes() == before


def test_a_full_disk_is_told_and_leaves_a_stream_that_can_be_read(tmp_path: Path) -> None:
    path = tmp_path / "stream.jsonl"
    soft, hard = resource.getrlimit(resource.RLIMIT_FSIZE)
    told: list[str | None] = []
    with closing(StreamWriter(path, "typed", PROFILE, STARTED, on_trouble=told.append)) as w:
        w.rx(0.1, b"+000.478\r\n")
        size = path.stat().st_size
        handler = signal.signal(signal.SIGXFSZ, signal.SIG_IGN)
        try:
            # The kernel takes half of the next line and refuses the rest, as a full disk does.
            resource.setrlimit(resource.RLIMIT_FSIZE, (size + 20, hard))
            w.rx(0.2, b"+000.479\r\n")
            w.rx(0.3, b"+000.480\r\n")
        finally:
            resource.setrlimit(resource.RLIMIT_FSIZE, (soft, hard))
            signal.signal(signal.SIGXFSZ, handler)
        assert w.failure is not None
        assert str(path) in w.failure
        assert "Make room" in w.failure
        assert w.synced_lines == 1 or w.synced_lines < w.lines
        assert len(list(read_records(path))) == 1
        w.rx(0.4, b"+000.481\r\n")
        until_blocking(lambda: w.synced_lines == w.lines)
        assert w.failure is None
        assert w.troubles == 1
    assert list(read_records(path)) == [Rx(n / 10, b"+000.%d\r\n" % (477 + n)) for n in range(1, 5)]
    assert told[0] is not None
    assert "Make room" in told[0]
    assert told[-1] is None


# segments, archives, sums, repair


def test_a_long_stream_goes_on_in_segments_that_read_as_one(tmp_path: Path) -> None:
    path = tmp_path / "stream.jsonl"
    with closing(StreamWriter(path, "typed", PROFILE, STARTED, segment_bytes=2000)) as w:
        for n in range(400):
            w.rx(n / 100, b"%+08.3f\r\n" % (n / 1000))
            if n % 20 == 0:
                w.sync()
    files = sorted(tmp_path.glob("*.jsonl"))
    assert len(files) >= 5
    assert all(verify(f) == "same" for f in files)
    assert [r.t for r in read_records(path)] == [n / 100 for n in range(400)]
    later = read_header(tmp_path / "stream.0003.jsonl")
    assert later.extra["segment"] == 3
    assert later.extra["follows"]["suspect"] is False
    assert (later.source, later.started, later.profile) == ("typed", STARTED, PROFILE)
    alone = list(read_records(tmp_path / "stream.0003.jsonl"))
    assert 0 < len(alone) < 100
    (tmp_path / "stream.0002.jsonl").unlink()
    with pytest.raises(StreamFormatError, match="segment 2 is missing"):
        list(read_records(path))


@pytest.mark.parametrize("kept", ["all", "last plain"])
def test_a_compressed_archive_reads_as_it_is(tmp_path: Path, kept: str) -> None:
    path = tmp_path / "stream.jsonl"
    with closing(StreamWriter(path, "typed", PROFILE, STARTED, segment_bytes=500)) as w:
        for n in range(60):
            w.rx(n / 10, b"%d\r\n" % n)
            w.sync()
    want = list(read_records(path))
    for f in sorted(tmp_path.glob("*.jsonl"))[: None if kept == "all" else -1]:
        f.with_name(f.name + ".gz").write_bytes(gzip.compress(f.read_bytes()))
        f.unlink()
    packed = tmp_path / "stream.jsonl.gz"
    if not packed.exists():
        packed = path
    assert read_header(packed).profile == PROFILE
    assert list(read_records(packed)) == want
    assert verify(packed) == "same"
    assert analyse_stream(packed)["readings"] == 60


def test_an_archive_that_is_cut_short_or_damaged_says_so(tmp_path: Path) -> None:
    whole = gzip.compress(stream(tmp_path, *['{"t":1.0,"rx":"a"}\n'] * 1000).read_bytes())
    path = tmp_path / "x.jsonl.gz"
    for hurt in (whole[:-20], whole[:60], whole[:40] + b"\x00\xff" + whole[42:], whole[:2]):
        path.write_bytes(hurt)
        with pytest.raises(StreamFormatError) as e:
            list(read_records(path))
        assert str(path) in str(e.value)
        (tmp_path / "x.jsonl.sha256").write_text("0" * 64 + "  x.jsonl\n", "utf-8")
        with pytest.raises(StreamFormatError, match="cut short or damaged") as e:
            verify(path)
        assert str(path) in str(e.value)


def test_a_changed_stream_no_longer_has_its_sum(tmp_path: Path) -> None:
    path = tmp_path / "stream.jsonl"
    with writing(path) as w:
        w.rx(0.1, b"+000.478\r\n")
    text = (tmp_path / "stream.jsonl.sha256").read_text("utf-8")
    assert text == f"{hashlib.sha256(path.read_bytes()).hexdigest()}  stream.jsonl\n"
    assert verify(path) == "same"
    path.write_bytes(path.read_bytes().replace(b"478", b"479"))
    assert verify(path) == "differs"


def test_two_recordings_in_the_same_second_get_folders_of_their_own(tmp_path: Path) -> None:
    made: list[Path] = []
    gate = threading.Barrier(8)

    def work() -> None:
        gate.wait()
        made.append(new_folder(tmp_path / "streams", "20260302T091405Z"))

    threads = [threading.Thread(target=work) for _ in range(8)]
    for t in threads:
        t.start()
    for t in threads:
        t.join()
    assert len(set(made)) == 8
    assert {p.name for p in made} == {"20260302T091405Z", *(f"20260302T091405Z-{n}" for n in range(2, 9))}


@pytest.mark.parametrize("tail", [b'{"t":2.0,"rx":"+00', b"{", b'{"t":2.0,"rx":"\xc3', b"\x00" * 512])
def test_a_torn_last_line_is_set_aside_at_the_next_start(tmp_path: Path, tail: bytes) -> None:
    folder = tmp_path / "one"
    folder.mkdir()
    path = stream(folder, '{"t":1.0,"rx":"0.478"}\n', tail)
    (said,) = repair_folder(tmp_path)
    assert str(path) in said
    assert (folder / "stream.jsonl.torn").read_bytes() == tail
    assert list(read_records(path)) == [Rx(1.0, b"0.478")]
    assert "middle of a line" in path.read_text("utf-8").splitlines()[-1]
    assert verify(path) == "same"
    before = path.read_bytes()
    assert repair_folder(tmp_path) == []
    assert path.read_bytes() == before


def test_a_last_line_that_lacks_only_its_end_gets_it(tmp_path: Path) -> None:
    path = stream(tmp_path, '{"t":1.0,"rx":"a"}\n', '{"t":2.0,"rx":"b"}')
    assert len(repair_stream(path)) == 1
    assert path.read_bytes().splitlines()[-2].endswith(b'"b"}')
    assert "before it closed the stream" in path.read_text("utf-8").splitlines()[-1]
    assert verify(path) == "same"


@pytest.mark.parametrize("lines", [[], ['{"t":1.0,"rx":"a"}\n']], ids=["header only", "one record"])
def test_a_stream_whose_writer_was_stopped_between_two_lines_says_so_once(tmp_path: Path, lines: list[str]) -> None:
    folder = tmp_path / "one"
    folder.mkdir()
    path = stream(folder, *lines)
    before = path.read_bytes()
    (said,) = repair_folder(tmp_path)
    assert said == f"{path}: its writer was stopped before it closed the stream"
    after = path.read_bytes()
    assert after == before + b'{"repair":"its writer was stopped before it closed the stream"}\n'
    assert verify(path) == "same"
    assert len(list(read_records(path))) == len(lines)
    # A repair that was itself stopped, before it wrote the sum.
    (folder / "stream.jsonl.sha256").unlink()
    assert repair_folder(tmp_path) == []
    assert path.read_bytes() == after
    assert verify(path) == "same"


def test_a_stream_is_held_until_it_has_its_sum(tmp_path: Path) -> None:
    # Between the two another program, or the evidence store, would take it for one whose writer was stopped, and mark it so.
    seen: list[str] = []

    class Watching(Disk):
        def make(self, path: Path) -> int:
            if path.name.endswith(".sha256.new"):
                seen.append(state_of(tmp_path / "stream.jsonl"))
            return super().make(path)

    writer = StreamWriter(tmp_path / "stream.jsonl", "test", PROFILE, STARTED, disk=Watching())
    writer.rx(0.1, b"+000.478\r\n")
    writer.close()
    assert seen == ["open"]
    assert state_of(tmp_path / "stream.jsonl") == "closed"


def test_repair_leaves_alone_what_is_being_written_and_what_is_no_stream(tmp_path: Path) -> None:
    (tmp_path / "a").mkdir()
    (tmp_path / "b").mkdir()
    (tmp_path / "b" / "notes.jsonl").write_bytes(b"half a note")
    with writing(tmp_path / "a" / "stream.jsonl") as w:
        w.rx(0.1, b"a")
        with open(tmp_path / "a" / "stream.jsonl", "ab") as f:
            f.write(b'{"t":1')
        before = (tmp_path / "a" / "stream.jsonl").read_bytes()
        assert repair_folder(tmp_path) == []
        assert (tmp_path / "a" / "stream.jsonl").read_bytes() == before
    assert (tmp_path / "b" / "notes.jsonl").read_bytes() == b"half a note"
    assert not list((tmp_path / "b").glob("*.sha256"))


def test_nothing_acknowledged_is_lost_when_the_writer_is_killed(tmp_path: Path) -> None:
    path = tmp_path / "stream.jsonl"
    code = (
        "import sys, pathlib\n"
        "from capture.rawstream import StreamWriter\n"
        f"w = StreamWriter(pathlib.Path({str(path)!r}), 'typed', {{'use': 'text-line'}}, '')\n"
        "n = 0\n"
        "while True:\n"
        "    w.rx(n, b'%d\\n' % n)\n"
        "    sys.stdout.write('%d\\n' % n)\n"
        "    sys.stdout.flush()\n"
        "    n += 1\n"
    )
    with subprocess.Popen([sys.executable, "-c", code], stdout=subprocess.PIPE) as process:
        assert process.stdout is not None
        acknowledged = -1
        while acknowledged < 200:
            acknowledged = int(process.stdout.readline())
        process.kill()
        rest = process.stdout.read().split(b"\n")[:-1]
        process.wait(LONG_S)
    acknowledged = max([acknowledged, *map(int, rest)])
    values = [int(r.data) for r in read_records(path) if isinstance(r, Rx)]
    assert values[: acknowledged + 1] == list(range(acknowledged + 1))
    assert len(values) <= acknowledged + 2
