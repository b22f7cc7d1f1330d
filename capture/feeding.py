"""What a station hears, handed to an evidence store set after set."""

from __future__ import annotations

import threading
from collections import deque
from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING, Any

from analysis.readings import Reading
from capture.rawstream import StreamHeader

if TYPE_CHECKING:
    from analysis.setup import Setup
    from capture.store.feed import StoreFeed

MOST_HELD = 20_000
"""Records held while the set before them is closed: three minutes at 100 readings a second."""

_Call = tuple[Callable[..., None], tuple[Any, ...]]


class Feeding:
    """Hands records on, and never waits.

    A set ends in the store once its raw stream is closed, which takes as long as its disk does; meanwhile the next one runs
    already and its records are held here.  What is beyond `MOST_HELD` of them is left to the end of that set, when its rows are
    made from the raw stream anyway.

    Parameters
    ----------
    feed : StoreFeed, optional
        Nothing is handed on without it.
    """

    def __init__(self, feed: StoreFeed | None) -> None:
        self._feed = feed
        self._lock = threading.Lock()
        self._open = False
        self._held: deque[_Call] = deque()
        self._cut_off = False
        self._told: str | None = None

    @property
    def failure(self) -> str | None:
        """Why records do not reach the store now, and what that means."""
        why = None if self._feed is None else self._feed.failure
        return why and f"{why} Recording goes on; the store gets from the recording what it lacks."

    def changed(self) -> bool:
        """Whether `failure` is another than when this was last asked."""
        before, self._told = self._told, self.failure
        return before != self._told

    def state(self) -> dict[str, Any] | None:
        """For the page; None without a store."""
        f = self._feed
        return None if f is None else {"failure": f.failure, "readings": f.committed, "busy": f.busy}

    def begin(self, path: Path, header: StreamHeader, setup: Setup | None) -> None:
        """A set begins; its raw stream has been made."""
        with self._lock:
            if self._feed is None:
                return
            self._cut_off = False
            if self._open:
                self._held.append((self._feed.begin_set, (path, header, setup)))
            else:
                self._open = True
                self._feed.begin_set(path, header, setup)

    def closed(self) -> None:
        """The raw stream of the oldest set that is not ended is closed."""
        with self._lock:
            if self._feed is None or not self._open:
                return
            self._feed.end_set()
            self._open = False
            while self._held and not (self._open and self._held[0][0] == self._feed.begin_set):
                call, what = self._held.popleft()
                self._open = True
                call(*what)

    def reading(self, r: Reading) -> None:
        """A reading of the newest set."""
        if self._feed is not None:
            self._hand_on(self._feed.reading, r)

    def mark(self, t: float, mark: str) -> None:
        """A mark in the newest set."""
        if self._feed is not None:
            self._hand_on(self._feed.mark, t, mark)

    def link(self, t: float, state: str, why: str) -> None:
        """A change of the link in the newest set."""
        if self._feed is not None:
            self._hand_on(self._feed.link, t, state, why)

    def damaged(self, t: float, why: str) -> None:
        """A frame of the newest set that could not be read."""
        if self._feed is not None:
            self._hand_on(self._feed.damaged, t, why)

    def result(self, result: dict[str, Any]) -> None:
        """What the newest set says so far."""
        if self._feed is not None:
            self._hand_on(self._feed.result, result)

    def _hand_on(self, call: Callable[..., None], *what: Any) -> None:
        with self._lock:
            if self._cut_off:
                return
            if not self._held:
                call(*what)
            elif len(self._held) < MOST_HELD:
                self._held.append((call, what))
            else:
                self._cut_off = True
