"""``python -m tests.long.fuzz --seconds N``: bytes nobody sends, kept when they reach lines of the program nothing reached before.

Targets: every wire format with its settings, text lines with all of theirs, bytes that a serial line damaged, raw streams (plain,
compressed, in segments) and their repair, set-up files, profile files.  What is found goes to ``recorded_streams/found/`` and is played again by the tests.
"""

from __future__ import annotations

import argparse
import gzip
import hashlib
import random
import signal
import struct
import sys
import tempfile
import time
import tomllib
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from decimal import Decimal
from functools import lru_cache
from pathlib import Path
from types import FrameType
from typing import Any

from analysis.readings import Reading, Scale
from capture.decoders import Damaged, Frame, TextLine
from capture.decoders.attribute_packets import notified, read
from capture.decoders.line_form import LEARNT
from capture.errors import CaptureError, ProfileError, SetupFileError, StreamFormatError
from capture.pipeline import Pipeline
from capture.profiles import Profile, check_names, load_profile, packaged_names
from capture.rawstream import Rx, Torn, read_header, read_records, repair_stream
from capture.rawstream.records import line_of, parse_record
from capture.received import damaged_places
from capture.setup_file import load_setup
from capture.simulator.wires import frame_of
from capture.sources.line_errors import Unmarker

ROOT = Path(__file__).resolve().parents[2]
FOUND = ROOT / "recorded_streams" / "found"
SLOW_S = 2.0
"""Of the processor, so that a busy machine is no find."""
WATCHED = 8
"""Of so many inputs one is watched for what it reaches."""

LONGEST = {
    "text-line": 600,
    "decoders": 400,
    "damaged-line": 300,
    "stream": 2500,
    "setup-file": 3000,
    "profile-file": 1200,
}

Target = Callable[[bytes], None]

PATTERNS = (
    None,
    r"^(?P<sign>[+-])(?P<value>\d+\.\d+)\*(?P<sum>[0-9A-F]{2})$",
    r"(?P<value>.*)",
    r"(?P<sign>.)?(?P<value>\S*)(?P<unit>\S*)",
)
GOOD = b"+000.478\r\n"
_SCALES = (Scale(Decimal("0.001"), "mm"), Scale(Decimal("0.0005"), "in"), Scale(Decimal(1), "mm"))


def text_line(data: bytes) -> None:
    """No bytes raise; how they are cut makes no difference; good lines are found again after them."""
    if len(data) < 3:
        return
    how, cut, data = data[0], data[1], data[2:]
    made: dict[str, Any] = {
        "end": ("any", "crlf", "cr", "lf")[how & 3],
        "places": (None, None, 0, 3)[how >> 2 & 3],
        "checksum": ("none", "none", "xor-hex", "sum-hex")[how >> 4 & 3],
        "pattern": PATTERNS[how >> 6],
    }
    scale = _SCALES[cut % 3]
    whole = TextLine(scale, **made)
    pieces = TextLine(scale, **made)
    for d in (whole, pieces):
        if cut & 128:
            d.reset()
    once = whole.feed(data)
    size = 1 + cut % 7
    many = [i for n in range(0, len(data), size) for i in pieces.feed(data[n : n + size])]
    assert once == many, "how the bytes are cut makes a difference"
    assert all(isinstance(i, Frame | Damaged) for i in once)
    if made["checksum"] == "none" and how >> 6 == 0 and cut % 3 == 0 and made["end"] in ("any", "crlf"):
        # A form that was learnt is given up in the end, and that lines bore their unit too.
        after = whole.feed(b"\r\n" + GOOD * (10 + LEARNT + len(once) // 8))
        assert isinstance(after[-1], Frame), "good lines are not found again"
        assert after[-1].counts == 478


def decoders(data: bytes) -> None:
    """No bytes raise in any wire format; how they are cut makes no difference."""
    if len(data) < 2:
        return
    profile = _profile(data[0])
    size = 1 + data[1] % 7
    one, two = profile.decoder(), profile.decoder()
    if data[1] & 128:
        one.reset()
        two.reset()
    once = one.feed(data[2:])
    assert once == [i for n in range(2, len(data), size) for i in two.feed(data[n : n + size])], (
        f"{profile.kind}: how the bytes are cut makes a difference"
    )


VARIANTS: tuple[dict[str, Any], ...] = (
    {"use": "counted-binary", "packets": "attribute"},
    {
        "use": "counted-binary",
        "packets": "attribute",
        "layout": "vvvvss",
        "sign": "unsigned",
        "check": "none",
        "plus": [0],
        "minus": [1],
    },
    {"use": "counted-binary", "layout": "02vvvvuucc03", "endian": "big", "check": "xor", "mm": [0], "inch": [1]},
    {"use": "counted-binary", "layout": "vvvvcc", "check": "sum"},
    {"use": "packed-decimal", "nibbles": "low-first"},
    {"use": "packed-decimal", "nibbles": "one-a-byte", "bits": "low-first"},
    {"use": "packed-decimal", "layout": "Esddddddpu", "point_from": "left", "digits": "low-first"},
    {"use": "json-lines", "value_key": "a.b", "unit_key": "a.u", "step_key": "s"},
    {"use": "text-line", "pattern": PATTERNS[1], "checksum": "sum-hex"},
    {"use": "text-line", "places": 3, "end": "cr"},
)


@lru_cache
def _profiles() -> list[Profile]:
    return [load_profile(t) for t in (*packaged_names(), *VARIANTS)]


def _profile(n: int) -> Profile:
    return _profiles()[n % len(_profiles())]


def damaged_line(data: bytes) -> None:
    """Whatever a driver hands over, marked or not, is taken in; how it is cut makes no difference to readings or recording."""
    if len(data) < 2:
        return
    profile, size = _profile(data[0]), 1 + data[1] % 7
    wire = data[2:]
    pieces = [wire[n : n + size] for n in range(0, len(wire), size)]
    results = []
    for cut in ([wire], pieces):
        unmarker = Unmarker()
        taker = _Taker()
        pipe = Pipeline(profile, taker)
        whole, bad = b"", []
        for piece in cut:
            got = unmarker.take(piece)
            bad += [len(whole) + n for n in damaged_places(got)]
            whole += got
            record = parse_record(line_of({"t": 1.0, "rx": got.decode("latin-1"), "bad": list(damaged_places(got))}))
            assert isinstance(record, Rx)
            assert (record.data, damaged_places(record.data)) == (got, damaged_places(got)), "it is recorded otherwise"
            pipe.chunk(1.0, got)
        results.append((whole, bad, taker.readings, taker.damages))
    assert results[0] == results[1], f"{profile.kind}: how the bytes are cut makes a difference"


class _Taker:
    """Takes what a pipeline hands over."""

    def __init__(self) -> None:
        self.readings: list[int] = []
        self.damages: list[str] = []

    def reading(self, r: Reading) -> None:
        self.readings.append(r.counts)

    def damaged(self, t: float, why: str) -> None:
        self.damages.append(why)

    def mark(self, t: float, mark: str) -> None:
        """None are made."""

    def link(self, t: float, state: str, why: str = "") -> None:
        """None are made."""


def stream(data: bytes) -> None:
    """A file is read, or refused with its name; repairing it changes no record."""
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "stream.jsonl"
        first, _, second = data.partition(b"\x00SEGMENT\x00")
        if second:
            path.with_name("stream.0002.jsonl").write_bytes(second)
        packed = first[:1] == b"Z"
        path.write_bytes(gzip.compress(first[1:]) if packed else first)
        before = _records(path)
        if packed or second or before is None:
            return
        repair_stream(path)
        after = _records(path)
        assert after is not None, "repair broke the stream"
        kept = [r for r in before if not isinstance(r, Torn)]
        assert after == kept, "repair changed the records"


def _records(path: Path) -> list[Any] | None:
    refused = ""
    try:
        read_header(path)
        found = list(read_records(path))
    except StreamFormatError as e:
        refused = str(e)
    if refused:
        assert str(path.parent) in refused
        return None
    assert all(not isinstance(r, Rx) or isinstance(r.data, bytes) for r in found)
    return found


def setup_file(data: bytes) -> None:
    """A set-up file gives a set-up, or an error that names it."""
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "setup.toml"
        path.write_bytes(data)
        refused = ""
        try:
            setup = load_setup(path)
        except SetupFileError as e:
            refused = str(e)
        if refused:
            assert str(path) in refused
            return
        assert setup.units in ("mm", "in")
        _ = (setup.target, setup.tolerance_mm, setup.aim_mm, setup.reading_sense, setup.swing_radius_mm)


def profile_file(data: bytes) -> None:
    """A profile gives a decoder that takes anything, or an error that says where."""
    try:
        table = tomllib.loads(data.decode("utf-8"))
    except (ValueError, RecursionError):
        return
    try:
        check_names(table, "file")
        decoder = load_profile(table, "file").decoder()
    except ProfileError:
        return
    for piece in (data[:200], GOOD, b"\x5a\xc3\xed" * 5, b"\r\n{}\n" * 2):
        decoder.feed(piece)
    decoder.reset()


TARGETS: dict[str, Target] = {
    f.__name__.replace("_", "-"): f for f in (text_line, decoders, damaged_line, stream, setup_file, profile_file)
}


def seeds(name: str) -> list[bytes]:
    """Good input to begin with."""
    recordings = sorted((ROOT / "recorded_streams").glob("*/stream.jsonl"))
    if name == "setup-file":
        return [p.read_bytes() for p in sorted((ROOT / "recorded_streams").glob("*/setup.toml"))] + [
            (ROOT / "capture" / "simulator" / "demo.toml").read_bytes()
        ]
    if name == "profile-file":
        return [p.read_bytes() for p in sorted((ROOT / "capture" / "profiles").glob("*.toml"))] + [
            b'use = "text-line"\npattern = "(?P<value>[0-9.]+)"\nplaces = 3\nend = "cr"\npoll = "?\\r"\ninterval = 0.1\n'
        ]
    if name == "stream":
        heads = [p.read_bytes()[:1500] for p in recordings[:8]]
        second = (
            b'{"format":"shimwright-stream/1","source":"x","profile":{"use":"text-line"},"segment":2,'
            b'"follows":{"segment":1,"bytes":400}}\n{"t":9.0,"rx":"+000.478\\r\\n"}\n{"t":9.1,"mark":"reseat"}\n'
        )
        return [*heads, heads[0] + b"\x00SEGMENT\x00" + second, b"Z" + heads[0]]
    bytes_ = [b"".join(r.data for r, _ in zip(_rx(p), range(12), strict=False)) for p in recordings]
    if name in ("decoders", "damaged-line"):
        # What each format means, under the number of its own profile.
        each = [_meant(p) for p in _profiles()]
        bytes_ += (
            each if name == "decoders" else [b[:9] + b"\xff\x00" + b[9:20] + b"\xff\xff\xff" + b[20:] for b in each]
        )
        start = len(bytes_) - len(each)
        return [bytes([max(0, n - start), 7 * n % 256]) + b for n, b in enumerate(bytes_)]
    return [bytes([n % 256, 7 * n % 256]) + b for n, b in enumerate(bytes_)] + [
        bytes([h, c]) + b"+000.478\r\n-0,478 mm\r0.0188in\n12\r\n" for h in (0, 1, 4, 64, 96, 200) for c in (0, 129)
    ]


def _meant(profile: Profile) -> bytes:
    """Something the profile makes readings of, or nearly."""
    wire = {"packed-decimal": "packed", "counted-binary": "counted", "json-lines": "json"}.get(profile.kind, "plain")
    frames = [frame_of(c, 0.001, "mm", wire) for c in range(478, 484)]
    if profile.packets:
        about = read(14, struct.pack("<BbHBH", 0x10, -6, 0x2701, 1, 0))
        frames = [about + notified(11, c.to_bytes(4, "little", signed=True)) for c in (478, -479, 480)] + [
            notified(11, f) for f in frames
        ]
    return b"".join(frames)


def _rx(path: Path) -> Iterator[Rx]:
    return (r for r in read_records(path) if isinstance(r, Rx))


_TOKENS = {
    "stream": [b'{"t":', b'"rx":"', b'"}\n', b'"link":"lost"', b'"mark":"', b"\n", b"NaN", b"1e400", b"\\u0000", b"\x00",
               b"\x00SEGMENT\x00", b'"segment":', b'"follows":', b'"bytes":', b"Z", b"[" * 50, b"9" * 40, b"\xed\xa0\x80"],
    "setup-file": [b"[gearset]\n", b"[shims]\n", b"[[shims.stock]]\n", b"inf", b"nan", b"-0", b"1e400", b"= ", b'"in"', b"0x7f",
                   b"{ ", b" }", b"true", b"[]", b"1979-05-27", b"etched = ", b"stock = ", b"from = ", b'"+3"', b"9" * 40],
    "profile-file": [b"use = ", b"pattern = ", b"layout = ", b"(?P<value>", b"(?P<unit>", b")*", b"inf", b"nan", b"1e400", b"[]",
                     b"{ }", b"crc = ", b"= -1\n", b"9" * 40, b'"low-first"', b"plus = [0]\n", b"places = 6\n"],
}  # fmt: skip
_COMMON = [b"\r\n", b"\r", b"\n", b"+", b"-", b".", b",", b" mm", b"in", b'"', b"''", b"\x80", b"\xff", b"\x00", b"0", b"9" * 20,
           b"\x5a\xc3", b"\xed", b'{"value": 1.5}', b" " * 40, b"x" * 256, b"*B6"]  # fmt: skip


def mutate(rng: random.Random, corpus: list[bytes], tokens: list[bytes], longest: int) -> bytes:
    """One of the corpus, changed in a few places or spliced with another."""
    data = bytearray(rng.choice(corpus))
    for _ in range(1 << rng.randrange(5)):
        at = rng.randrange(len(data) + 1)
        kind = rng.randrange(9)
        if kind == 0 and data:
            data[at % len(data)] ^= 1 << rng.randrange(8)
        elif kind == 1 and data:
            data[at % len(data)] = rng.randrange(256)
        elif kind == 2:
            del data[at : at + rng.randrange(1, 20)]
        elif kind == 3:
            data[at:at] = bytes(rng.randrange(256) for _ in range(rng.randrange(1, 5)))
        elif kind in (4, 5):
            data[at:at] = rng.choice(tokens)
        elif kind == 6:
            piece = data[at : at + rng.randrange(1, 60)]
            data[at:at] = piece * rng.randrange(1, 4)
        elif kind == 7:
            other = rng.choice(corpus)
            data[at:] = other[rng.randrange(len(other) + 1) :]
        elif data:
            a = at % len(data)
            text = bytes(data[a : a + 1])
            if text.isdigit():
                data[a : a + 1] = str(rng.choice([0, 1, 9, 10, 255, 65536, -1, 10**12])).encode()
    return bytes(data[:longest])


class Reached:
    """Which lines of the program an input reaches, and after which."""

    def __init__(self) -> None:
        self.seen: set[tuple[int, int]] = set()
        self._now: set[tuple[int, int]] = set()
        self._mine: dict[Any, bool] = {}

    def _trace(self, frame: FrameType, event: str, _: Any) -> Any:
        code = frame.f_code
        mine = self._mine.get(code)
        if mine is None:
            name = code.co_filename
            mine = self._mine[code] = f"{ROOT}/capture/" in name or f"{ROOT}/analysis/" in name
        if not mine:
            return None
        last = 0
        key = id(code)

        def line(frame: FrameType, event: str, _: Any) -> Any:
            nonlocal last
            if event == "line":
                self._now.add((key, last << 16 | frame.f_lineno))
                last = frame.f_lineno
            return line

        return line

    @contextmanager
    def watching(self) -> Iterator[None]:
        """Watch what runs."""
        self._now.clear()
        before = sys.gettrace()
        sys.settrace(self._trace)
        try:
            yield
        finally:
            sys.settrace(before)

    def news(self) -> bool:
        """Whether anything was reached that nothing had reached before."""
        more = self._now - self.seen
        self.seen |= more
        return bool(more)


@dataclass
class Outcome:
    """What fuzzing a target gave."""

    name: str
    runs: int = 0
    seconds: float = 0.0
    corpus: int = 0
    reached: int = 0
    finds: dict[str, bytes] = field(default_factory=dict)

    def __str__(self) -> str:
        rate = self.runs / self.seconds if self.seconds else 0.0
        return (
            f"{self.name:14}{self.runs:>9} runs {rate:>7.0f}/s {self.reached:>6} steps reached {self.corpus:>5} inputs kept "
            f"{len(self.finds):>3} finds"
        )


class TooSlowError(AssertionError):
    """An input that takes too long."""


def _alarm(*_: Any) -> None:
    raise TooSlowError(f"takes longer than {SLOW_S} s")


def play(name: str, data: bytes) -> None:
    """Run one input.

    Raises
    ------
    Exception
        Whatever the input shows to be wrong.
    """
    kept = signal.signal(signal.SIGVTALRM, _alarm)
    signal.setitimer(signal.ITIMER_VIRTUAL, SLOW_S)
    try:
        TARGETS[name](data)
    finally:
        signal.setitimer(signal.ITIMER_VIRTUAL, 0)
        signal.signal(signal.SIGVTALRM, kept)


def fuzz(name: str, seconds: float, seed: int, until_find: bool = False) -> Outcome:
    """Fuzz one target for so long, or until something is found."""
    rng = random.Random(seed)
    out = Outcome(name)
    reached = Reached()
    corpus = seeds(name)
    tokens = _TOKENS.get(name, []) + _COMMON
    begin = time.monotonic()
    waiting = list(corpus)
    while time.monotonic() - begin < seconds and not (until_find and out.finds):
        first = bool(waiting)
        data = waiting.pop() if first else mutate(rng, corpus, tokens, LONGEST[name])
        out.runs += 1
        try:
            # Watching costs ten times the run itself: most inputs are only tried.
            if first or out.runs % WATCHED == 0:
                with reached.watching():
                    play(name, data)
            else:
                play(name, data)
                continue
        except Exception as e:
            out.finds.setdefault(_where(e), data)
        if reached.news() and data not in corpus:
            corpus.append(data)
    out.seconds, out.corpus, out.reached = time.monotonic() - begin, len(corpus), len(reached.seen)
    return out


def _where(e: Exception) -> str:
    """The place of a failure: two inputs that fail in one place are one find."""
    tb = e.__traceback__
    while tb is not None and tb.tb_next is not None:
        tb = tb.tb_next
    line = f"{Path(tb.tb_frame.f_code.co_filename).name}:{tb.tb_lineno}" if tb is not None else "?"
    return (
        f"{type(e).__name__} at {line}: {str(e)[:100]}"
        if not isinstance(e, CaptureError)
        else f"{type(e).__name__} at {line}"
    )


def keep(name: str, data: bytes) -> Path:
    """Put a find where the tests play it."""
    FOUND.mkdir(exist_ok=True)
    path = FOUND / f"{name}-{hashlib.sha256(data).hexdigest()[:10]}"
    path.write_bytes(data)
    return path


def main(arguments: list[str] | None = None) -> int:
    """Exit code."""
    parser = argparse.ArgumentParser(prog="python -m tests.long.fuzz")
    parser.add_argument("--seconds", type=float, default=60.0, help="for all targets together")
    parser.add_argument("--only", choices=sorted(TARGETS))
    parser.add_argument("--seed", type=int, default=None)
    a = parser.parse_args(arguments)
    seed = random.SystemRandom().randrange(1 << 32) if a.seed is None else a.seed
    names = [a.only] if a.only else list(TARGETS)
    bad = runs = 0
    sys.stdout.write(f"seed {seed}\n")
    for name in names:
        out = fuzz(name, a.seconds / len(names), seed)
        sys.stdout.write(f"{out}\n")
        sys.stdout.flush()
        runs += out.runs
        for what, data in out.finds.items():
            bad += 1
            sys.stdout.write(f"    {what}\n    {keep(name, data)}\n")
    sys.stdout.write(f"{runs} runs, {bad} finds\n")
    return 1 if bad else 0


if __name__ == "__main__":
    raise SystemExit(main())
