"""The thread that puts into the store what a live capture has fed.

The database library is imported in it: beginning to listen does not wait for that.
"""

from __future__ import annotations

import threading
import time
from collections import deque
from collections.abc import Callable
from itertools import islice
from pathlib import Path
from typing import TYPE_CHECKING

from capture.errors import CaptureError
from capture.store.feed_jobs import Job, Jobs
from capture.store.feed_queue import MOST_IN_GROUP, FedSet, FeedQueue

if TYPE_CHECKING:
    from capture.store.database import Store

RETRY_S = (0.25, 5.0)
RESULT_S = 1.0
RESULT_SHARE = 20.0
"""A result is written at most this often: every second, and never for more than a twentieth of the time."""

BUSY_S = 2.0


class FeedWorker:
    """Takes from a queue and puts into a store, until it is closed.

    Parameters
    ----------
    queue : FeedQueue
    where : str or Path or None
        File name or PostgreSQL URL of the store; the user's own if None.
    folder : Path or None
        Folder of raw streams: those in it that never reached the store are brought in at the start.
    on_trouble, on_note : callable or None
        Told, in this thread, why rows do not reach the store (None: they do again); and what else is worth knowing.
    group_s : float
        How long rows wait for others, seconds.
    """

    def __init__(
        self,
        queue: FeedQueue,
        where: str | Path | None,
        folder: Path | None,
        on_trouble: Callable[[str | None], None] | None,
        on_note: Callable[[str], None] | None,
        group_s: float,
    ) -> None:
        self._queue = queue
        self._where = where
        self._folder = folder
        self._tell = on_trouble
        self._tell_note = on_note
        self._group_s = group_s
        self._jobs = Jobs(queue.news)
        self._closing = False
        self._give_up_at = float("inf")
        self._retry_at = 0.0
        self._retry_s = RETRY_S[0]
        self._store: Store | None = None
        self.failure: str | None = None
        self.troubles = 0
        self._thread = threading.Thread(target=self._run, name="store", daemon=True)

    def start(self) -> None:
        """Begin, if that has not been done."""
        with self._queue.news:
            if self._thread.ident is None:
                self._thread.start()

    def close(self, timeout: float) -> bool:
        """Put in what waits and stop; whether everything is in the store."""
        self.start()
        with self._queue.news:
            self._closing = True
            self._jobs.keep_those_of_sets()
            self._give_up_at = time.monotonic() + timeout
            self._retry_at = 0.0
            self._queue.news.notify()
        if threading.current_thread() is not self._thread:
            # One that waits for a locked store comes back within its patience.
            self._thread.join(timeout + BUSY_S + 1.0)
        return not self.busy

    @property
    def busy(self) -> bool:
        """Whether something is still to be put in."""
        with self._queue.news:
            return self._something()

    @property
    def ready(self) -> bool:
        """Whether the store is open."""
        return self._store is not None

    def _run(self) -> None:
        while self._wait():
            try:
                self._work()
            except CaptureError as e:
                self._trouble(str(e))
            except Exception as e:  # whatever it is, the capture goes on and the user hears of it
                self._trouble(
                    f"The evidence store failed: {type(e).__name__}: {e}. The raw streams are complete without it."
                )
            else:
                self._settled()
        if self._store is not None:
            self._store.close()

    def _wait(self) -> bool:
        """Wait until there is something to do; False once there is nothing more."""
        with self._queue.news:
            while True:
                now = time.monotonic()
                if self._closing and (now >= self._give_up_at or not self._something()):
                    return False
                if now < self._retry_at:
                    self._queue.news.wait(min(self._retry_at, self._give_up_at) - now)
                elif (
                    self._store is None
                    or self._queue.to_begin
                    or self._queue.ended
                    or self._jobs
                    or self._result_in(now) <= 0
                ):
                    return True
                elif self._queue.waiting:
                    if not self._closing:
                        self._queue.news.wait_for(self._full_or_closing, self._group_s)
                    return True
                else:
                    left = self._result_in(now)
                    self._queue.news.wait(None if left == float("inf") else left)

    def _full_or_closing(self) -> bool:
        return self._closing or bool(self._queue.ended) or len(self._queue.waiting) >= MOST_IN_GROUP

    def _something(self) -> bool:
        return bool(self._queue.waiting or self._queue.to_begin or self._queue.ended or self._jobs)

    def _result_in(self, now: float) -> float:
        s = self._queue.running
        return float("inf") if s is None or s.twin or s.result is None else s.result_due - now

    def _work(self) -> None:
        store = self._opened()
        self._begin(store)
        while self._put_group(store) == MOST_IN_GROUP:
            pass
        self._put_result(store)
        self._catch_up(store)
        self._settle(store)
        self._jobs.step(self._note)

    def _note(self, said: str) -> None:
        if said and self._tell_note is not None:
            self._tell_note(said)

    def _opened(self) -> Store:
        if self._store is None:
            from capture.store.database import Store
            from capture.store.upkeep import recover

            store = self._store = Store(self._where, busy_s=BUSY_S)
            with self._queue.news:
                if not self._closing:
                    self._jobs.last(Job(lambda: recover(store, self._folder)))
        return self._store

    def _begin(self, store: Store) -> None:
        from capture.store.feed_rows import put_begin

        while self._queue.to_begin:
            s = self._queue.to_begin[0]
            why = put_begin(store, s)
            with self._queue.news:
                self._queue.to_begin.popleft()
                if why:
                    s.twin = True
                    self._queue.waiting = deque(x for x in self._queue.waiting if x.of is not s)
            self._note(why)

    def _put_group(self, store: Store) -> int:
        from capture.store.feed_rows import put_items

        with self._queue.news:
            items = list(islice(self._queue.waiting, MOST_IN_GROUP))
            bad_frames = {x.of: x.of.bad_frames for x in items}
        if not items:
            return 0
        put_items(store, items, bad_frames)
        with self._queue.news:
            for _ in items:
                self._queue.waiting.popleft()
        return len(items)

    def _put_result(self, store: Store) -> None:
        from capture.store.writing import put_result

        with self._queue.news:
            s = self._queue.running
            if s is None or s.twin or s.result is None or time.monotonic() < s.result_due:
                return
            result, s.result = s.result, None
        begin = time.monotonic()
        try:
            with store.write() as c:
                put_result(c, s.row["id"], result)
        except BaseException:
            with self._queue.news:
                if s.result is None:  # fed meanwhile, in another thread
                    s.result = result
            raise
        end = time.monotonic()
        s.result_due = end + max(RESULT_S, RESULT_SHARE * (end - begin))

    def _catch_up(self, store: Store) -> None:
        """Once the queue is empty, take it up again, and then read what was passed over: it is in the file by now."""
        from capture.store.upkeep import catch_up

        with self._queue.news:
            s = self._queue.running
            if s is None or s.twin or not s.passed_over or self._queue.waiting or self._jobs.any_of(s):
                return
            s.passed_over = False
            path = s.path
            self._jobs.first(Job(lambda: catch_up(store, path), s))

    def _settle(self, store: Store) -> None:
        """Give ended sets their last rows."""
        while True:
            with self._queue.news:
                s = self._queue.ended[0] if self._queue.ended else None
                if s is None or (self._queue.waiting and self._queue.waiting[0].of is s) or s in self._queue.to_begin:
                    return
            if not s.twin and (s.last is None or s.passed_over or not self._put_last(store, s)):
                with self._queue.news:
                    # In front of others: a set just measured is looked at sooner than an old one.
                    self._jobs.first(self._whole(store, s))
            with self._queue.news:
                self._queue.ended.popleft()

    def _put_last(self, store: Store, s: FedSet) -> bool:
        from capture.store.feed_rows import put_last

        whole, said = put_last(store, s)
        self._note(said)
        return whole

    @staticmethod
    def _whole(store: Store, s: FedSet) -> Job:
        from capture.store.upkeep import load_into

        return Job(lambda: load_into(store, s.path, s.setup), s)

    def _trouble(self, why: str) -> None:
        with self._queue.news:
            self._retry_at = time.monotonic() + self._retry_s
            self._retry_s = min(2.0 * self._retry_s, RETRY_S[1])
        if self.failure is None:
            self.troubles += 1
        if why != self.failure:
            self.failure = why
            if self._tell is not None:
                self._tell(why)

    def _settled(self) -> None:
        self._retry_s = RETRY_S[0]
        if self.failure is not None:
            self.failure = None
            if self._tell is not None:
                self._tell(None)
