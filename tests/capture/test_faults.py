"""Every disk operation fails once, for a while and for ever: what was acknowledged is there, once, and nothing is invented.

The first, the second, … operation is made to fail until a run goes through without reaching the failure.
"""

from __future__ import annotations

import itertools
import os
import tempfile
from collections.abc import Iterator
from pathlib import Path

import pytest

from capture.errors import CaptureError
from capture.rawstream import Rx, StreamWriter, Torn, read_records, repair_stream, verify
from capture.rawstream import writer as writer_module
from tests.capture.faulty_disk import FaultyDisk

LINES = 24
PROFILE = {"use": "text-line"}


@pytest.fixture(autouse=True)
def by_hand(monkeypatch: pytest.MonkeyPatch) -> None:
    """Syncs happen where the test says so, and a new file is tried for at every chance."""
    monkeypatch.setattr(writer_module, "SYNC_S", 1e6)
    monkeypatch.setattr(writer_module, "RETRY_S", 0.0)


def drive(path: Path, disk: FaultyDisk, cuts: list[tuple[int, Path]] | None = None) -> tuple[int, StreamWriter | None]:
    """Write a stream; how many readings it acknowledged, and the writer.

    At each step `cuts` is given what was acknowledged by then, with what a power cut at that moment leaves.
    """
    told: list[str | None] = []
    try:
        w = StreamWriter(path, "typed", PROFILE, "", disk=disk, segment_bytes=260, on_trouble=told.append)
    except CaptureError:
        assert disk.failed
        return 0, None
    for n in range(LINES):
        w.rx(n, b"%d\r\n" % n)
        if n % 3 == 2:
            w.sync()
        if cuts is not None and n % 5 == 0:
            cuts.append((w.synced_lines - 1, disk.power_cut(path.parent / f"cut{n}")))
        assert w.lines == n + 2
        assert (w.failure is None) == (not told or told[-1] is None)
    w.sync()
    before = w.synced_lines
    w.close()
    assert w.synced_lines >= before
    if w.synced_lines < w.lines:
        assert w.failure
        assert "could not be put on the disk" in w.failure
        assert w.lost_lines == w.lines - w.synced_lines
        assert told[-1] == w.failure
    else:
        assert w.failure is None
        assert w.lost_lines == 0
    assert bool(w.troubles) == bool(told)
    return w.synced_lines - 1, w


def readings(path: Path) -> list[int]:
    """Readings of a stream; anything the reader refuses fails the test."""
    return [int(r.data) for r in read_records(path) if isinstance(r, Rx)]


def sound(path: Path, acknowledged: int) -> None:
    """Acknowledged readings are there, in order and once; others at most once, in order, and none that was not sent."""
    if not path.exists():
        assert acknowledged == 0
        return
    got = readings(path)
    assert got == list(range(len(got)))
    assert acknowledged <= len(got) <= LINES


def folders() -> Iterator[Path]:
    """New folders without end."""
    with tempfile.TemporaryDirectory() as top:
        for n in itertools.count():
            folder = Path(top) / str(n)
            folder.mkdir()
            yield folder


def test_without_a_fault_all_is_there_in_segments_with_their_sums(tmp_path: Path) -> None:
    disk = FaultyDisk()
    acknowledged, w = drive(tmp_path / "stream.jsonl", disk)
    assert acknowledged == LINES
    assert w is not None
    assert w.troubles == 0
    sound(tmp_path / "stream.jsonl", LINES)
    sound(disk.power_cut(tmp_path / "cut") / "stream.jsonl", LINES)
    files = sorted(tmp_path.glob("stream*.jsonl"))
    assert len(files) >= 3
    assert [verify(f) for f in files] == ["same"] * len(files)
    assert not list(tmp_path.glob("*.new"))


@pytest.mark.parametrize("how", ["error", "full", "half"])
@pytest.mark.parametrize("count", [1, 2, 7, 10**6], ids=["once", "twice", "for a while", "for ever"])
def test_any_operation_may_fail(how: str, count: int) -> None:
    runs = 0
    for first, folder in enumerate(folders()):
        disk = FaultyDisk(first, count, how)
        acknowledged, w = drive(folder / "stream.jsonl", disk)
        sound(folder / "stream.jsonl", acknowledged)
        sound(disk.power_cut(folder / "cut") / "stream.jsonl", acknowledged)
        if not disk.failed:
            assert acknowledged == LINES
            break
        runs += 1
        # Once the disk works again, nothing is missing in the end.
        if count < 10 and w is not None and disk.done > first + count + 20:
            assert acknowledged == LINES
    assert runs > 50


@pytest.mark.parametrize("only", ["write", "sync", "rename", "sync_folder", "truncate", "make"])
def test_one_kind_of_operation_may_fail_for_ever(only: str) -> None:
    for first, folder in enumerate(folders()):
        disk = FaultyDisk(first, 10**6, "error", only)
        cuts: list[tuple[int, Path]] = []
        acknowledged, _ = drive(folder / "stream.jsonl", disk, cuts)
        sound(folder / "stream.jsonl", acknowledged)
        for known, cut in cuts:
            sound(cut / "stream.jsonl", known)
        if not disk.failed:
            break
    assert first >= (1 if only == "truncate" else 3) or only == "truncate"


def test_after_a_failed_sync_the_old_file_is_marked_and_the_rest_is_written_again(tmp_path: Path) -> None:
    path = tmp_path / "stream.jsonl"
    disk = FaultyDisk(2, 1, "error", "sync")  # the first makes the file, the second is that of line 2
    told: list[str | None] = []
    w = StreamWriter(path, "typed", PROFILE, "", disk=disk, on_trouble=told.append)
    w.rx(0, b"0")
    w.sync()
    w.rx(1, b"1")
    w.rx(2, b"2")
    w.sync()
    assert told[0] is not None
    assert "not safe on the disk" in told[0]
    assert told[-1] is None
    assert w.synced_lines == w.lines == 4
    w.rx(3, b"3")
    w.close()
    second = (tmp_path / "stream.0002.jsonl").read_text("utf-8").splitlines()
    safe = len(path.read_bytes().splitlines(keepends=True)[0]) + len(b'{"t":0,"rx":"0"}\n')
    assert f'"follows":{{"segment":1,"bytes":{safe},"why":' in second[0]
    assert '"suspect":true' in second[0]
    assert [x[:6] for x in second[1:]] == ['{"t":1', '{"t":2', '{"t":3']
    assert readings(path) == [0, 1, 2, 3]
    assert verify(path) == "no sum"
    assert verify(tmp_path / "stream.0002.jsonl") == "same"
    # After the cut the old file ends in nothing, and is still read right.
    assert readings(disk.power_cut(tmp_path / "cut") / "stream.jsonl") == [0, 1, 2, 3]


def test_syncs_that_fail_again_in_the_new_file_lose_nothing_acknowledged(tmp_path: Path) -> None:
    path = tmp_path / "stream.jsonl"
    disk = FaultyDisk(how="error", only="sync")
    w = StreamWriter(path, "typed", PROFILE, "", disk=disk)
    for n in range(12):
        w.rx(n, b"%d" % n)
        disk.first = disk.done  # this file's sync fails, that of the next file succeeds
        w.sync()
        assert w.synced_lines == n + 2
        assert readings(path) == list(range(n + 1))
        assert readings(disk.power_cut(tmp_path / f"cut{n}") / "stream.jsonl") == list(range(n + 1))
    assert w.troubles == 12
    w.close()
    assert w.failure is None
    assert len(list(tmp_path.glob("stream.*.jsonl"))) == 12


def test_after_a_failed_write_the_file_is_not_trusted_either(tmp_path: Path) -> None:
    disk = FaultyDisk(how="error", only="write")
    w = StreamWriter(tmp_path / "stream.jsonl", "typed", PROFILE, "", disk=disk)
    disk.first = disk.done
    w.rx(0, b"0")
    w.rx(1, b"1")
    w.close()
    assert readings(tmp_path / "stream.jsonl") == [0, 1]
    assert (tmp_path / "stream.0002.jsonl").exists()


def test_a_full_disk_is_told_at_once_stops_acknowledging_and_loses_nothing_once_there_is_room(tmp_path: Path) -> None:
    path = tmp_path / "stream.jsonl"
    disk = FaultyDisk(how="full", only="write")
    told: list[str | None] = []
    w = StreamWriter(path, "typed", PROFILE, "", disk=disk, on_trouble=told.append)
    w.rx(0, b"0")
    w.sync()
    disk.first, disk.count = disk.done, 10**6
    w.rx(1, b"1")
    assert len(told) == 1
    assert told[0] == w.failure
    for n in range(2, 8):
        w.rx(n, b"%d" % n)
        w.sync()
        assert w.synced_lines == 2
    assert len(told) == 1
    assert readings(path) == [0]
    disk.count = 0
    w.sync()
    assert w.synced_lines == w.lines == 9
    assert told[1:] == [None]
    w.close()
    assert readings(path) == list(range(8))
    assert verify(path) == "same"
    assert not (tmp_path / "stream.0002.jsonl").exists()


def test_when_memory_for_held_lines_runs_out_the_stream_says_what_is_missing(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(writer_module, "MOST_HELD", 400)
    path = tmp_path / "stream.jsonl"
    disk = FaultyDisk(how="full", only="write")
    w = StreamWriter(path, "typed", PROFILE, "", disk=disk)
    disk.first, disk.count = disk.done, 10**6
    for n in range(100):
        w.rx(n, b"%d" % n)
    assert w.lost_lines > 50
    held = w.lines - 1
    assert held + w.lost_lines == 100
    disk.count = 0
    w.sync()
    w.rx(100, b"100")
    w.close()
    assert readings(path) == [*range(held), 100]
    assert f'"gap":{{"since":{held}}}' in path.read_text("utf-8")


# repair at start


TORN = b'{"t":3,"rx":"+00'


def interrupted(folder: Path) -> Path:
    """A stream whose writer was killed while it wrote a line."""
    w = StreamWriter(folder / "stream.jsonl", "typed", PROFILE, "")
    for n in range(3):
        w.rx(n, b"%d" % n)
    w.close()
    path = folder / "stream.jsonl"
    (folder / "stream.jsonl.sha256").unlink()
    with open(path, "ab") as f:
        f.write(TORN)
    return path


def test_repair_may_fail_at_any_operation_and_is_done_the_next_time(monkeypatch: pytest.MonkeyPatch) -> None:
    real_open = os.open
    for first, folder in enumerate(folders()):
        for count in (1, 10**6):
            place = folder / str(count)
            place.mkdir()
            path = interrupted(place)
            disk = FaultyDisk(first, count)

            def opened(name: object, flags: int, *more: int, path: Path = path, disk: FaultyDisk = disk) -> int:
                fd = real_open(name, flags, *more)  # type: ignore[arg-type]
                if name == path:
                    disk.adopt(path, fd)
                return fd

            with monkeypatch.context() as m:
                m.setattr(os, "open", opened)
                try:
                    repair_stream(path, disk)
                except OSError:
                    assert disk.failed
            records = list(read_records(path))
            assert [r.data for r in records if isinstance(r, Rx)] == [b"0", b"1", b"2"]
            torn = b"".join(r.text.encode() for r in records if isinstance(r, Torn))
            side = place / "stream.jsonl.torn"
            assert TORN in (torn, side.read_bytes() if side.exists() else b"")
            repair_stream(path)
            assert readings(path) == [0, 1, 2]
            assert not [r for r in read_records(path) if isinstance(r, Torn)]
            assert side.read_bytes() == TORN
            assert verify(path) == "same"
            assert path.read_bytes().count(b'{"repair":') == 1
        if not disk.failed:
            break
    assert first > 5
