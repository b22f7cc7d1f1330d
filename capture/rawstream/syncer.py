"""The thread that sees to it that lines do not wait long for the disk."""

from __future__ import annotations

import threading
from collections.abc import Callable


class Syncer:
    """Calls for a sync soon after there is work, at once where it is urgent, and again as long as it fails.

    Parameters
    ----------
    sync : callable
        Puts lines on the disk; False if some are not there yet.
    wait_s : callable
        How long lines may wait for others, in seconds.
    """

    def __init__(self, sync: Callable[[], bool], wait_s: Callable[[], float]) -> None:
        self._sync, self._wait_s = sync, wait_s
        self._work, self._urgent, self._ending = threading.Event(), threading.Event(), threading.Event()
        self._thread = threading.Thread(target=self._run, name="sync", daemon=True)
        self._thread.start()

    def _run(self) -> None:
        while True:
            self._work.wait()
            self._urgent.wait(self._wait_s())
            if self._ending.is_set():
                return
            self._work.clear()
            self._urgent.clear()
            if not self._sync():
                # A little later again, without a further line.
                self._work.set()

    def news(self, urgent: bool) -> None:
        """There are lines to be synced."""
        if urgent:
            self._urgent.set()
        self._work.set()

    def end(self) -> None:
        """Stop, and wait for it; a call from within the thread itself does not wait."""
        self._ending.set()
        self._work.set()
        self._urgent.set()
        if threading.current_thread() is not self._thread:
            self._thread.join()
