"""Listening to an indicator at the usual speeds and formats."""

from __future__ import annotations

import threading
import time
from collections.abc import Callable
from dataclasses import dataclass, field
from typing import Any

from capture.clock import Clock
from capture.errors import CaptureError, SourceError, SourceTextError
from capture.identify.proposing import proposals
from capture.identify.ranking import Candidate, Sample, rank
from capture.identify.watching import LOOK_S, Watch
from capture.profiles import load_profile
from capture.sources import open_source

SPEEDS = (9600, 4800, 2400, 1200, 19200, 38400, 57600, 115200)
"""The commonest first."""

USUAL_S = 40.0
"""Longest time to listen unless told otherwise: enough for every speed and format."""

FORMATS: tuple[dict[str, Any], ...] = (
    {"bytesize": 8, "parity": "none"},
    {"bytesize": 7, "parity": "even"},
    {"bytesize": 7, "parity": "odd"},
    {"bytesize": 8, "parity": "even"},
    {"bytesize": 8, "parity": "odd"},
)
ENOUGH_BYTES = 600
SHARE_S = 0.8
"""Time at one setting: most indicators send ten times a second."""

ENOUGH_CHUNKS = 5.5
"""Pieces to wait for at one setting; from those that send but once a second that takes longer."""

LONGEST_SHARE_S = 6.0

Listen = Callable[[dict[str, Any], float], Sample]
"""Listens for a while over a link so set; stops early once there is enough."""


@dataclass
class Finding:
    """What came of it.

    Attributes
    ----------
    candidates : list of Candidate
        The best first.
    received : int
        Bytes that came in all.
    unexplained : bytes
        Some of them, if no profile explains any.
    """

    candidates: list[Candidate] = field(default_factory=list)
    received: int = 0
    unexplained: bytes = b""


def identify(source: str, seconds: float = USUAL_S, poll: str | None = None, watch: Watch | None = None) -> Finding:
    """Listen to a source and rank the profiles that explain it.

    Parameters
    ----------
    source : str
        SOURCE text.
    seconds : float
        Longest time to listen, in all.
    poll : str, optional
        Bytes to send to ask for a reading, as in a profile; nothing is sent without.
    watch : Watch, optional
        Is told how far the search is, and can end it.

    Raises
    ------
    CaptureError
        If the source cannot be opened.
    SearchCancelledError
        If `watch` was cancelled.
    """
    watch = Watch() if watch is None else watch
    if source.startswith("ble:"):
        from capture.identify.bluetooth import listen_to_all

        return ranked(listen_to_all(source, seconds, watch))
    asking = {"poll": poll} if poll is not None else {}

    def listen(line: dict[str, Any], limit: float) -> Sample:
        watch.trying(line)
        return hear(source, {**line, **asking}, limit, watch)

    if source.startswith(("serial:", "rfc2217:")):
        return sniff(listen, seconds, asking)
    if source in ("typed", "push"):
        raise SourceTextError(
            f"{source} has nothing to identify; allowed: a port, a socket, a Bluetooth indicator, a recording"
        )
    return ranked([listen({}, seconds)])


def sniff(listen: Listen, seconds: float, asking: dict[str, Any] | None = None) -> Finding:
    """Try every speed, then the formats at those that gave bytes, until a profile explains everything or time is up.

    A profile that would not see characters spoilt by the wrong format is only believed once every format was tried.  A layout that
    was made up from the bytes of a moment is made up anew from those of a while.
    """
    begin = time.monotonic()
    best = _search(listen, begin + seconds, asking or {})
    found = best.candidates[0].table if best.candidates else {}
    left = begin + seconds - time.monotonic()
    if "layout" not in found or left < SHARE_S:
        return best
    line = {k: found[k] for k in ("baud", "bytesize", "parity")}
    sample = listen(line, min(LONGEST_SHARE_S, left))
    again = ranked([Sample(sample.chunks, {**line, **(asking or {})})])
    return _together(again if again.candidates else best, best, again)


def _search(listen: Listen, until: float, asking: dict[str, Any]) -> Finding:
    begin = time.monotonic()
    best = Finding()
    speaking: dict[int, float] = {}
    pieces = 0

    def tried(speed: int, form: dict[str, Any], limit: float) -> bool:
        """Whether there is no need or no time to go on."""
        nonlocal best, pieces
        left = until - time.monotonic()
        if left <= 0:
            return True
        line = {"baud": speed, **form}
        try:
            sample = listen(line, min(limit, left))
        except CaptureError:
            # Not every port can be set to everything; one that cannot be opened at all shows at the first setting.
            if line == {"baud": SPEEDS[0], **FORMATS[0]}:
                raise
            return False
        if sample.chunks:
            speaking[speed] = max(speaking.get(speed, 0.0), _like_text(sample.data))
        pieces += len(sample.chunks)
        now = ranked([Sample(sample.chunks, {**line, **asking})])
        if now.candidates and now.candidates[0].sure:
            speaking[speed] = 2.0
        best = _better(best, now)
        return _sure(best) and best.candidates[0].proven

    for speed in SPEEDS:
        if tried(speed, FORMATS[0], SHARE_S):
            return best
        if _sure(best):
            break
    gap = (time.monotonic() - begin) / max(1, pieces)
    share = min(LONGEST_SHARE_S, max(SHARE_S, ENOUGH_CHUNKS * gap))
    # The most promising speed first.
    for speed in sorted(speaking, key=lambda s: -speaking[s]):
        if any(tried(speed, form, share) for form in FORMATS[1:]) or tried(speed, FORMATS[0], share) or _sure(best):
            break
    return best


def _sure(found: Finding) -> bool:
    return bool(found.candidates) and found.candidates[0].sure


def _like_text(data: bytes) -> float:
    """Share of bytes that are text once a parity bit is taken off."""
    return sum(32 <= b & 127 < 127 or b & 127 in (10, 13) for b in data) / len(data)


def _better(old: Finding, new: Finding) -> Finding:
    """The one whose first candidate explains more; bytes are counted over both."""

    def worth(f: Finding) -> tuple[float, float, int]:
        if not f.candidates:
            return (-1.0, 0.0, 0)
        c = f.candidates[0]
        if c.made_up:
            # Any setting that garbles has as much to say for it: the commonest stays, which was tried first.
            return (c.worth, 0.0, 0)
        return (c.worth, 0.0 if c.proven else -round(c.zeros, 1), c.readings)

    return _together(new if worth(new) > worth(old) else old, old, new)


def _together(chosen: Finding, old: Finding, new: Finding) -> Finding:
    return Finding(chosen.candidates, old.received + new.received, old.unexplained or new.unexplained)


def ranked(samples: list[Sample]) -> Finding:
    """Profiles that explain what came, the best first."""
    candidates: list[Candidate] = []
    received = 0
    for sample in samples:
        received += len(sample.data)
        candidates += rank(sample, [*sample.hints, *proposals(sample.data)])
    candidates.sort(key=lambda c: -c.worth)
    rest = b"".join(s.data for s in samples)[:64] if not candidates else b""
    return Finding(candidates, received, rest)


def hear(source: str, line: dict[str, Any], seconds: float, watch: Watch | None = None) -> Sample:
    """Bytes of a source over a while.

    Raises
    ------
    CaptureError
        If it cannot be opened.
    SearchCancelledError
        If `watch` was cancelled.
    """
    watch = Watch() if watch is None else watch
    taker = Taker(watch)
    profile = load_profile({"use": "text-line", **line}, "identify")
    one = open_source(source, profile)
    failure: list[CaptureError] = []

    def work() -> None:
        try:
            one.run(taker, Clock(), taker.stop)
        except CaptureError as e:
            failure.append(e)
        finally:
            taker.stop.set()

    thread = threading.Thread(target=work, name="identify", daemon=True)
    thread.start()
    until = time.monotonic() + seconds
    while (left := until - time.monotonic()) > 0 and not watch.cancelled and not taker.stop.wait(min(LOOK_S, left)):
        pass
    taker.stop.set()
    thread.join(5.0)
    watch.check()
    if failure:
        raise failure[0]
    if taker.lost and not taker.chunks:
        raise SourceError(taker.lost)
    return Sample(taker.chunks, {})


class Taker:
    """Takes what a source reads until it is enough.

    Attributes
    ----------
    stop : Event
        Set once that is so.
    chunks : list of (float, bytes)
        Times and bytes so far.
    lost : str
        Why the link was lost, if it was.
    """

    def __init__(self, watch: Watch) -> None:
        self.stop = threading.Event()
        self._watch = watch
        self.chunks: list[tuple[float, bytes]] = []
        self.lost = ""
        self._count = 0

    def chunk(self, t: float, data: bytes) -> None:
        """Bytes."""
        self.chunks.append((t, data))
        self._count += len(data)
        self._watch.received += len(data)
        if self._count >= ENOUGH_BYTES:
            self.stop.set()

    def link(self, t: float, state: str, why: str = "") -> None:
        """A change of the link."""
        if state == "lost":
            self.lost = why

    def mark(self, t: float, mark: str) -> None:
        """Of no use here."""
