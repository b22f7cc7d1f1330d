"""Rows from a live capture, in a thread of its own that never holds the capture up.

What is fed goes into a bounded queue and from there into the store in groups, each a transaction.  When the store cannot keep
up or cannot be written, the queue fills and what comes then is passed over; it is read from the raw stream later, so nothing is
lost.
"""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

from capture.store.feed_queue import MOST_WAITING, FeedQueue
from capture.store.feed_worker import FeedWorker

GROUP_S = 0.5
"""Rows wait this long for others, as lines of the raw stream do.  What is acknowledged is the raw stream; a transaction for each
reading would cost as much of the processor as all the rest of listening."""


class StoreFeed(FeedQueue):
    """Takes what a station hears and puts it into an evidence store; its methods never wait for the store.

    All methods are safe from several threads.  A set's raw stream must have been made before `begin_set`, each record must be in
    it before it is fed here, and it must have been closed before `end_set`.

    Parameters
    ----------
    where : str or Path or None
        File name or PostgreSQL URL of the store; the user's own if None.
    folder : Path, optional
        Folder of raw streams: those in it that never reached the store are brought in at the start.
    on_trouble : callable, optional
        Told, in the feed's thread, why rows do not reach the store; told None once they do again.
    on_note : callable, optional
        Told, in the feed's thread, a sentence for each stream completed after a crash, or that cannot be put in.
    most_waiting : int, optional
        Rows kept in memory.
    group_s : float, optional
        How long rows wait for others, seconds.
    start : bool, optional
        Begin to put in at once; otherwise at `start`, and until then all is kept in memory.
    """

    def __init__(
        self,
        where: str | Path | None = None,
        *,
        folder: Path | None = None,
        on_trouble: Callable[[str | None], None] | None = None,
        on_note: Callable[[str], None] | None = None,
        most_waiting: int = MOST_WAITING,
        group_s: float = GROUP_S,
        start: bool = True,
    ) -> None:
        super().__init__(most_waiting)
        self._worker = FeedWorker(self, where, folder, on_trouble, on_note, group_s)
        if start:
            self.start()

    def start(self) -> None:
        """Begin to put in; loading the database library takes about half a second of a core."""
        self._worker.start()

    def close(self, timeout: float = 2.0) -> bool:
        """End the running set, put in what waits, and stop.

        Parameters
        ----------
        timeout : float, optional
            Longest time for that, seconds; a store that is locked may take a little more.

        Returns
        -------
        bool
            Whether everything is in the store.  What is not is in the raw streams and is brought in at the next start.
        """
        self.end_set()
        return self._worker.close(timeout)

    @property
    def failure(self) -> str | None:
        """Why rows do not reach the store now."""
        return self._worker.failure

    @property
    def troubles(self) -> int:
        """How often that has happened."""
        return self._worker.troubles

    @property
    def busy(self) -> bool:
        """Whether something that was fed is not in the store yet, or streams of before are being completed."""
        return self._worker.busy

    @property
    def ready(self) -> bool:
        """Whether the store is open."""
        return self._worker.ready

    @property
    def committed(self) -> int:
        """Readings of the running set that are safe in the store."""
        s = self.running
        return 0 if s is None else s.committed
