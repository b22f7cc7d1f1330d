"""Watching a search from outside: how far it is, and ending it early."""

from __future__ import annotations

import threading
from typing import Any

LOOK_S = 0.05
"""How often a search looks whether it is to end."""


class SearchCancelledError(Exception):
    """The search was ended from outside; no fault, so no `CaptureError`."""


class Watch:
    """One search as seen from outside; every method may be called from any thread.

    Attributes
    ----------
    line : dict
        Profile keys of the link being listened over now, such as ``baud``.
    tries : int
        Settings listened with so far.
    received : int
        Bytes that came so far.
    """

    def __init__(self) -> None:
        self.line: dict[str, Any] = {}
        self.tries = 0
        self.received = 0
        self._cancelled = threading.Event()

    def cancel(self) -> None:
        """Have the search end soon."""
        self._cancelled.set()

    @property
    def cancelled(self) -> bool:
        """Whether it is to end."""
        return self._cancelled.is_set()

    def trying(self, line: dict[str, Any]) -> None:
        """Told by the search before each setting.

        Raises
        ------
        SearchCancelledError
            If it is to end.
        """
        self.check()
        self.line = dict(line)
        self.tries += 1

    def check(self) -> None:
        """Go on, or not.

        Raises
        ------
        SearchCancelledError
            If it is to end.
        """
        if self.cancelled:
            raise SearchCancelledError
