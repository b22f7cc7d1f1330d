"""A byte that the serial line damaged makes no reading: from the driver's marking to the recording and its replay."""

from __future__ import annotations

import asyncio
import os
import random
import termios
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from analysis.session import Session
from capture.analyse import replay_into
from capture.errors import ProfileError, SourceError
from capture.pipeline import ON_THE_LINE, Pipeline
from capture.profiles import load_profile
from capture.rawstream import Rx, StreamWriter, read_records
from capture.received import Received, damaged_places
from capture.simulator.pty_bench import PtyBench
from capture.simulator.wires import frame_of
from capture.sources import open_source
from capture.sources import serial_port as port_module
from capture.sources.line_errors import Unmarker
from capture.sources.serial_port import SerialSource
from tests.capture.live import line, listening, records, stream_files, until

END = b"\r\n"


# the driver's marking


def marked(data: bytes, bad: set[int]) -> bytes:
    """What a driver hands over: POSIX termios, PARMRK with INPCK."""
    out = bytearray()
    for n, b in enumerate(data):
        out += b"\xff\x00" + bytes([b]) if n in bad else b"\xff\xff" if b == 0xFF else bytes([b])
    return bytes(out)


@given(st.data())
def test_the_marking_is_taken_out_however_it_is_cut(data: Any) -> None:
    sent = bytes(data.draw(st.lists(st.sampled_from([0, 0x30, 0xFF]), max_size=40)))
    bad = data.draw(st.sets(st.integers(0, max(0, len(sent) - 1)))) if sent else set()
    wire = marked(sent, bad)
    cuts = sorted(data.draw(st.sets(st.integers(0, len(wire)))))
    unmarker = Unmarker()
    got, places = b"", []
    for a, b in zip([0, *cuts], [*cuts, len(wire)], strict=True):
        piece = unmarker.take(wire[a:b])
        places += [len(got) + n for n in damaged_places(piece)]
        got += piece
    assert (got, places) == (sent, sorted(bad))


@given(st.lists(st.binary(max_size=12)))
def test_bytes_that_no_driver_hands_over_lose_nothing_but_the_marking(pieces: list[bytes]) -> None:
    unmarker = Unmarker()
    whole = b"".join(pieces)
    got = b"".join(unmarker.take(p) for p in pieces)
    assert len(got) <= len(whole)
    assert [b for b in got if b not in (0, 0xFF)] == [
        b for b in whole[: len(whole) - len(unmarker._held)] if b not in (0, 0xFF)
    ]


@given(st.binary(max_size=30), st.data())
def test_pieces_of_damaged_bytes_know_which_they_are(data: bytes, draw: Any) -> None:
    bad = sorted(draw.draw(st.sets(st.integers(0, max(0, len(data) - 1))))) if data else []
    a, b = draw.draw(st.integers(-35, 35)), draw.draw(st.integers(-35, 35))
    piece = Received(data, bad)[a:b]
    assert piece == data[a:b]
    begin = range(len(data))[a:b].start
    assert [n + begin for n in damaged_places(piece)] == [n for n in bad if n in range(len(data))[a:b]]


# settings of the port


def flags(name: Path) -> int:
    """Input flags of a terminal."""
    fd = os.open(name, os.O_RDWR | os.O_NOCTTY)
    try:
        return int(termios.tcgetattr(fd)[0])
    finally:
        os.close(fd)


@pytest.mark.parametrize(
    ("keys", "checked"),
    [
        ({}, False),
        ({"parity": "even", "bytesize": 7}, True),
        ({"parity": "odd"}, True),
        ({"parity": "even", "line_errors": "ignore"}, False),
        ({"line_errors": "check"}, True),
    ],
)
def test_damage_is_marked_where_there_is_a_parity_or_it_is_asked_for(
    bench: PtyBench, keys: dict[str, Any], checked: bool
) -> None:
    with SerialSource(str(bench.link), load_profile({"use": "text-line", **keys})).opened():
        now = flags(bench.link)
        assert bool(now & termios.INPCK) is checked
        assert bool(now & termios.PARMRK) is checked
        if checked:
            assert not now & (termios.IGNPAR | termios.IGNBRK | termios.BRKINT | termios.ISTRIP)


def test_every_byte_comes_through_a_port_that_marks_damage(bench: PtyBench) -> None:
    # The system doubles FF on a port that marks; a terminal that is none does so too.
    every_byte = bytes(range(256)) * 3
    with SerialSource(str(bench.link), load_profile({"use": "text-line", "parity": "even"})).opened() as read:
        assert bench.write(every_byte)
        got = b""
        while len(got) < len(every_byte):
            piece = read()
            assert not damaged_places(piece)
            got += piece
    assert got == every_byte


def test_line_errors_are_refused_where_nothing_tells_of_them(monkeypatch: pytest.MonkeyPatch) -> None:
    profile = load_profile({"use": "text-line", "line_errors": "check"})
    with pytest.raises(SourceError, match="line_errors is 'check', and damage on the line is not told of here"):
        open_source("rfc2217://127.0.0.1:9", profile)
    monkeypatch.setattr(port_module.sys, "platform", "win32")
    with pytest.raises(SourceError, match="allowed: 'ignore'"):
        open_source("serial:COM3", profile)
    open_source("serial:COM3", load_profile({"use": "text-line", "parity": "even"}))
    with pytest.raises(ProfileError, match='line_errors: given \'no\'; allowed: "check", "ignore"'):
        load_profile({"use": "text-line", "line_errors": "no"})


# from the port to the recording and back


def test_a_damaged_byte_spoils_its_reading_and_the_recording_says_the_same(
    tmp_path: Path, bench: PtyBench, monkeypatch: pytest.MonkeyPatch
) -> None:
    # A pseudo-terminal has no parity to damage: what the driver would hand over is sent through it as it is.
    monkeypatch.setattr(port_module, "mark_damage", lambda fd: None)

    async def main() -> None:
        async with listening(
            f"serial:{bench.link}", record_to=tmp_path / "streams", parity="even", bytesize=7
        ) as heard:
            await heard.wait("link", state="opened")
            bench.write(END + line(478) + b"+000.\xff\x0074" + b"79\r\n" + line(480))
            await heard.wait("reading", counts=480)
            # The end of a line itself: the two lines it parted are both doubtful.
            bench.write(b"+000.481\xff\x00\x0d" + b"\xff\x00\x0a" + line(482) + line(483))
            await heard.wait("reading", counts=483)
            await until(lambda: heard.station.counters.damaged == 2)
            assert [e["counts"] for e in heard.of("reading")] == [478, 480, 483]
            assert heard.station.failure is None

    asyncio.run(main())
    data = b"".join(r.data for r in records(tmp_path / "streams") if isinstance(r, Rx))
    assert data == END + line(478) + b"+000.7479\r\n" + line(480) + b"+000.481\r\n" + line(482) + line(483)
    at, bad = 0, []
    for r in records(tmp_path / "streams"):
        if isinstance(r, Rx):
            bad += [at + n for n in damaged_places(r.data)]
            at += len(r.data)
    assert [data[n : n + 1] for n in bad] == [b"7", b"\r", b"\n"]
    (path,) = stream_files(tmp_path / "streams")
    replayed = replay_into(path).result()
    assert (replayed["readings"], replayed["bad_frames"]) == (3, 2)


def test_what_a_stream_says_of_damage_is_read_with_care(tmp_path: Path) -> None:
    path = tmp_path / "s" / "stream.jsonl"
    w = StreamWriter(path, "serial:x", {"use": "text-line"}, "2026-03-02T09:14:05Z")
    w.rx(0.1, Received(b"\r\n+000.478\r\n", (4, 5)))
    w.rx(0.2, b"+000.479\r\n")
    w.close()
    assert '"bad":[4,5]' in path.read_text("utf-8")
    extra = ['[99,-1,3,3,"4",true,null]', '{"4":1}', '"4"', "null", "[]"]
    with open(path, "a", encoding="utf-8") as f:
        f.writelines(f'{{"t":0.3,"rx":"+000.480\\r\\n","bad":{x}}}\n' for x in extra)
    found = [damaged_places(r.data) for r in read_records(path) if isinstance(r, Rx)]
    assert found == [(4, 5), (), (3,), (), (), (), ()]


@pytest.mark.parametrize(
    ("keys", "wire"),
    [
        ({"use": "text-line"}, "plain"),
        ({"use": "text-line"}, "unit"),
        ({"use": "json-lines"}, "json"),
        ({"use": "packed-decimal"}, "packed"),
        ({"use": "counted-binary"}, "counted"),
    ],
)
def test_no_reading_is_made_of_a_damaged_byte_by_any_decoder(keys: dict[str, Any], wire: str) -> None:
    profile = load_profile(keys)
    true = [1000 + 137 * n for n in range(12)]
    frames = [frame_of(c, 0.001, "mm", wire) for c in true]
    data = b"".join(frames)
    rng = random.Random(7)
    for at in range(len(data)):
        hurt = bytearray(data)
        hurt[at] ^= rng.randrange(1, 256)
        session, got, told = Session(None), [], []
        pipe = Pipeline(profile, session, lambda r, _: got.append(r.counts), lambda t, d: told.append(d.why))  # noqa: B023
        pipe.chunk(0.0, Received(bytes(hurt), [at]))
        assert told == [ON_THE_LINE]
        left = iter(true)
        assert all(c in left for c in got), f"a reading that was never sent, with byte {at} damaged: {got}"
        which = next(n for n in range(12) if at < sum(map(len, frames[: n + 1])))
        # A return alone ends a line: the line feed after it is no part of the reading.
        assert true[which] not in got or data[at : at + 1] == b"\n" == data[at - 1 : at].replace(b"\r", b"\n")
        assert len(got) >= 12 - 5, "it finds its feet again"
