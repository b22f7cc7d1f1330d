"""What is told of a disk that takes no lines: once when it begins or its reason changes, once when it is over."""

from __future__ import annotations

import errno
from collections.abc import Callable
from pathlib import Path

FULL = {errno.ENOSPC, errno.EDQUOT, errno.EFBIG}
"""Errors that go away by themselves when there is room again."""


class Troubles:
    """Why lines are not on the disk, and the news of it that is still to be told.

    The writer's lock is held in `begin`, `over` and `final`, and never in `tell_news`.

    Parameters
    ----------
    tell : callable or None
        As `on_trouble` of `StreamWriter`.

    Attributes
    ----------
    failure : str or None
        The reason now.
    count : int
        How often lines could not be written.
    """

    def __init__(self, tell: Callable[[str | None], None] | None) -> None:
        self.failure: str | None = None
        self.count = 0
        self._tell = tell
        self._news: list[str | None] = []

    def begin(self, what: str, e: OSError, path: Path) -> None:
        """A file took no line, or was not synced."""
        if self.failure is None:
            self.count += 1
        reason = f"{what}: {e.strerror or e} ({path}). "
        reason += (
            "Make room on this disk: readings are kept in memory until then, not safely."
            if e.errno in FULL
            else "Look after this disk: readings are kept in memory and written to a new file as soon as it takes one."
        )
        if reason != self.failure:
            self.failure = reason
            self._news.append(reason)

    def over(self) -> None:
        """Every line is on the disk."""
        if self.failure is not None:
            self.failure = None
            self._news.append(None)

    def final(self, reason: str) -> None:
        """The stream was closed with lines missing."""
        self.failure = reason
        self._news.append(reason)

    def tell_news(self) -> None:
        """Tell what is new; never under the lock, since who is told may be waiting for this writer in another thread."""
        while self._news:
            try:
                news = self._news.pop(0)
            except IndexError:
                return
            if self._tell is not None:
                self._tell(news)
