"""Entries written together are all there or none, wherever the disk or the machine stops; and writing goes on afterwards."""

from __future__ import annotations

import errno
import json
import os
from pathlib import Path

import pytest

from capture.jobs import JobFile, JobFileError, JobFolder
from capture.jobs.folder import Row
from capture.jobs.journal import NAME, read_journal

ROWS: list[Row] = [("note", {"text": f"line {n} " + "x" * 40}, None) for n in range(1, 6)]


@pytest.fixture
def job(tmp_path: Path) -> JobFile:
    file = JobFolder(tmp_path / "shop").new("j")
    file.add("note", {"text": "first"}, "AB")
    return file


def test_wherever_the_machine_stops_none_or_all_of_them(job: JobFile) -> None:
    file = job.path / NAME
    before = file.read_bytes()
    job.add_all(ROWS, "AB")
    whole = file.read_bytes()
    assert [e.n for e in read_journal(file).entries] == [1, 2, 3, 4, 5, 6]
    for end in range(len(before), len(whole)):
        file.write_bytes(whole[:end])
        # The line's end may be missing, the last line's content may not.
        assert len(read_journal(file).entries) == (6 if end == len(whole) - 1 else 1)
        if end % 17:
            continue
        # What comes afterwards goes on from the last entry there is, and all of it can be read.
        again = JobFile(job.path)
        count = len(again.journal().entries)
        again.add("note", {"text": "afterwards"}, "AB")
        again.add_all(ROWS[:2], "AB")
        journal = read_journal(file)
        assert [e.n for e in journal.entries] == list(range(1, count + 4))
        assert journal.altered == []
        assert all(f.same for f in again.check())


@pytest.mark.parametrize("room", [0, 1, 150, 400, 700])
def test_a_disk_that_fills_up_takes_none(job: JobFile, room: int, monkeypatch: pytest.MonkeyPatch) -> None:
    real, left = os.write, [room]

    def write(fd: int, data: bytes) -> int:
        if left[0] <= 0:
            raise OSError(errno.ENOSPC, "No space left on device")
        n = real(fd, bytes(data)[: left[0]])
        left[0] -= n
        return n

    with monkeypatch.context() as m:
        m.setattr("capture.jobs.journal.os.write", write)
        with pytest.raises(JobFileError, match="Make room, then write it again"):
            job.add_all(ROWS, "AB")
    assert [e.data["text"] for e in JobFile(job.path).journal().entries] == ["first"]
    job.add_all(ROWS, "AB")
    assert len(JobFile(job.path).journal().entries) == 6
    assert all(f.same for f in job.check())


def test_a_sync_that_fails_is_told(job: JobFile, monkeypatch: pytest.MonkeyPatch) -> None:
    def sync(_: int) -> None:
        raise OSError(errno.EIO, "Input/output error")

    with monkeypatch.context() as m:
        m.setattr("capture.jobs.journal.os.fsync", sync)
        with pytest.raises(JobFileError, match="could not be put on the disk"):
            job.add("note", {"text": "x"}, "AB")


def test_one_entry_bears_no_number_of_a_last(job: JobFile) -> None:
    assert "last" not in json.loads((job.path / NAME).read_text("utf-8").splitlines()[-1])
    job.add_all(ROWS[:2], "AB")
    assert json.loads((job.path / NAME).read_text("utf-8").splitlines()[-2])["last"] == 3


def test_a_line_missing_amid_entries_written_together_is_told(job: JobFile) -> None:
    job.add_all(ROWS, "AB")
    file = job.path / NAME
    lines = file.read_bytes().splitlines(keepends=True)
    file.write_bytes(b"".join(lines[:3] + lines[4:]))
    with pytest.raises(JobFileError, match="a line is missing or doubled"):
        read_journal(file)
