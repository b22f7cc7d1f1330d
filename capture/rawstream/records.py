"""What the lines of a raw stream say."""

from __future__ import annotations

import json
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, Protocol

from capture.errors import StreamFormatError
from capture.received import Received

FORMAT = "shimwright-stream/1"
LATEST_S = 1e10
"""Three centuries: a later time, or one that is no number, is damage."""


@dataclass(frozen=True, slots=True)
class StreamHeader:
    """First line of a stream.

    `profile` is the profile table as recorded; `extra` holds keys this version does not know, and ``segment`` and ``follows`` of
    a later segment.
    """

    started: str
    source: str
    profile: dict[str, Any]
    extra: dict[str, Any] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class Rx:
    """Bytes received in one piece; a `Received` where some of them were damaged on the line."""

    t: float
    data: bytes


@dataclass(frozen=True, slots=True)
class Mark:
    """A mark made by the user."""

    t: float
    mark: str


@dataclass(frozen=True, slots=True)
class Link:
    """A change of the link."""

    t: float
    state: str
    why: str = ""


@dataclass(frozen=True, slots=True)
class Torn:
    """A last line that was cut off: the writer was stopped while writing it."""

    t: float
    text: str


Record = Rx | Mark | Link | Torn


class RecordTaker(Protocol):
    """Who is handed records one by one: a pipeline, or the sink of a source."""

    def chunk(self, t: float, data: bytes) -> None:
        """Bytes received in one piece."""
        ...

    def mark(self, t: float, mark: str) -> None:
        """A mark made by the user."""
        ...

    def link(self, t: float, state: str, why: str = "") -> None:
        """A change of the link."""
        ...


def hand_over(record: Record, to: RecordTaker) -> None:
    """Give a record to the method that is for it; a torn line is for nobody."""
    if isinstance(record, Rx):
        to.chunk(record.t, record.data)
    elif isinstance(record, Mark):
        to.mark(record.t, record.mark)
    elif isinstance(record, Link):
        to.link(record.t, record.state, record.why)


_DECODE = json.JSONDecoder().decode


def parse_header(path: Path, line: bytes) -> StreamHeader:
    """Header from its line.

    Raises
    ------
    StreamFormatError
        If the line is none, or of a version this program does not know.
    """
    try:
        # An editor that saved the file may have put a byte order mark before it.
        head = json.loads(line.decode("utf-8-sig"))
    except (ValueError, RecursionError):
        head = None
    if not isinstance(head, dict) or "format" not in head:
        which = " A set-up file is given with --setup." if path.suffix == ".toml" else ""
        if not line.strip():
            which = " Nothing was recorded in this file." if not line else " It was changed after it was recorded."
        raise StreamFormatError(
            f'{path}, line 1: not a raw stream; the first line must be an object with "format":"{FORMAT}".{which}'
        )
    if head["format"] != FORMAT:
        raise StreamFormatError(
            f"{path}, line 1: format is {head['format']!r}; this version reads {FORMAT!r}. Use the version that recorded it, or a newer one."
        )
    profile = head.get("profile")
    if not isinstance(profile, dict):
        raise StreamFormatError(
            f'{path}, line 1: "profile" is {profile!r}; it must be an object such as {{"use":"text-line"}}'
        )
    known = {"format", "started", "source", "profile"}
    extra = {k: v for k, v in head.items() if k not in known}
    return StreamHeader(str(head.get("started", "")), str(head.get("source", "")), profile, extra)


def parse_record(line: bytes) -> Rx | Mark | Link | tuple[()] | None:
    """A record from its line; ``()`` for one of an unknown kind, None for damage."""
    try:
        d = _DECODE(line.decode("utf-8"))
    except (ValueError, RecursionError):
        return None
    if not isinstance(d, dict):
        return None
    t = d.get("t")
    if isinstance(t, bool) or not isinstance(t, int | float):
        return None if any(k in d for k in ("rx", "mark", "link")) else ()
    if not abs(t) <= LATEST_S:
        return None
    if isinstance(d.get("rx"), str):
        data = d["rx"].encode("latin-1", "replace")
        return Rx(float(t), Received(data, _places(d["bad"], len(data))) if "bad" in d else data)
    if isinstance(d.get("mark"), str):
        return Mark(float(t), d["mark"])
    if isinstance(d.get("link"), str):
        return Link(float(t), d["link"], str(d.get("why", "")))
    return ()


def _places(given: object, length: int) -> list[int]:
    places = {n for n in given if type(n) is int and 0 <= n < length} if isinstance(given, list) else set()
    return sorted(places)


def line_of(record: dict[str, Any]) -> bytes:
    """A record as its line."""
    return json.dumps(record, ensure_ascii=False, separators=(",", ":")).encode("utf-8", "replace") + b"\n"
