"""What a live capture has fed and the store does not have yet: bounded, and never waiting."""

from __future__ import annotations

import threading
from collections import deque
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

from analysis.readings import Reading
from capture.rawstream import StreamHeader
from capture.store.rows import Row, stream_row

if TYPE_CHECKING:
    from analysis.setup import Setup

MOST_WAITING = 20_000
"""Rows kept in memory for a store that does not take them: three minutes at 100 readings a second."""

MOST_IN_GROUP = 4000


@dataclass(eq=False)
class FedSet:
    """A set that is fed.

    Attributes
    ----------
    passed_over : bool
        Something was not queued and must be read from the raw stream.
    committed : int
        Number of the last reading put in.
    twin : bool
        Another recording has its name: it cannot be put in.
    result : dict or None
        What it says so far, if the store does not have that yet.
    last : dict or None
        What it says as a whole.
    """

    path: Path
    row: Row
    setup: Setup | None
    readings: int = 0
    marks: int = 0
    links: int = 0
    bad_frames: int = 0
    passed_over: bool = False
    committed: int = 0
    twin: bool = False
    result: dict[str, Any] | None = None
    result_due: float = 0.0
    last: dict[str, Any] | None = None


@dataclass(slots=True)
class Item:
    """One record of a set."""

    kind: str
    of: FedSet
    n: int
    t: float
    what: Any
    why: str = ""


class FeedQueue:
    """Takes records in any thread and keeps them for one that puts them into the store.

    Parameters
    ----------
    most : int
        Rows kept; what comes when there are so many is passed over.

    Attributes
    ----------
    news : Condition
        Held for every look at what follows, and told of every change.
    waiting : deque of Item
    running : FedSet or None
    to_begin, ended : deque of FedSet
        Sets whose first or last rows are not in the store yet.
    passed_over : int
        Records that were not queued since the start.
    """

    def __init__(self, most: int = MOST_WAITING) -> None:
        self._most = most
        self.news = threading.Condition()
        self.waiting: deque[Item] = deque()
        self.running: FedSet | None = None
        self.to_begin: deque[FedSet] = deque()
        self.ended: deque[FedSet] = deque()
        self.passed_over = 0

    def begin_set(self, stream_path: Path, header: StreamHeader, setup: Setup | None = None) -> None:
        """A set begins; one that runs still is ended first.

        Parameters
        ----------
        stream_path : Path
            First file of its raw stream.
        header : StreamHeader
        setup : Setup, optional
            For the depth, should the result have to be worked out here; a ``setup.toml`` beside the stream comes first.
        """
        made = FedSet(stream_path, stream_row(stream_path, header), setup)
        with self.news:
            self._end(None)
            self.running = made
            self.to_begin.append(made)
            self.news.notify()

    def reading(self, r: Reading) -> None:
        """A reading of the running set."""
        with self.news:
            s = self.running
            if s is not None:
                s.readings += 1
                self._offer(Item("reading", s, s.readings, r.t, r))

    def mark(self, t: float, mark: str) -> None:
        """A mark in the running set."""
        with self.news:
            s = self.running
            if s is not None:
                s.marks += 1
                self._offer(Item("mark", s, s.marks, t, mark))

    def link(self, t: float, state: str, why: str = "") -> None:
        """A change of the link in the running set."""
        with self.news:
            s = self.running
            if s is not None:
                s.links += 1
                self._offer(Item("link", s, s.links, t, state, why))

    def damaged(self, t: float = 0.0, why: str = "") -> None:
        """A frame of the running set that could not be read."""
        del t, why
        with self.news:
            if self.running is not None:
                self.running.bad_frames += 1

    def result(self, result: dict[str, Any]) -> None:
        """What the running set says so far; only the latest is kept."""
        with self.news:
            s = self.running
            if s is not None:
                s.result = result
                self.news.notify()

    def end_set(self, result: dict[str, Any] | None = None) -> None:
        """The running set has ended and its raw stream is closed.

        Parameters
        ----------
        result : dict, optional
            Result of the whole set, as ``analyse`` gives it.  Without it the result is worked out here, from the raw stream.
        """
        with self.news:
            self._end(result)
            self.news.notify()

    def _end(self, result: dict[str, Any] | None) -> None:
        s = self.running
        if s is not None:
            s.last = result
            self.ended.append(s)
            self.running = None

    def _offer(self, item: Item) -> None:
        if item.of.twin:
            return
        if item.of.passed_over or len(self.waiting) >= self._most:
            item.of.passed_over = True
            self.passed_over += 1
            return
        self.waiting.append(item)
        if len(self.waiting) in (1, MOST_IN_GROUP):
            self.news.notify()
