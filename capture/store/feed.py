"""Rows from a live capture, in a thread of its own that never holds the capture up.

What is fed goes into a bounded queue and from there into the store in groups, each a transaction.  When the store cannot keep
up or cannot be written, the queue fills and what comes then is passed over; it is read from the raw stream later, so nothing is
lost.  The database library is imported in the thread: beginning to listen does not wait for it.
"""

from __future__ import annotations

import threading
import time
from collections import deque
from collections.abc import Callable, Iterator
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

from analysis.readings import Reading
from capture.errors import CaptureError
from capture.rawstream import StreamHeader
from capture.store.rows import Row, canonical, link_row, mark_row, reading_row, stream_row

if TYPE_CHECKING:
    from analysis.setup import Setup
    from capture.store.database import Store

GROUP_S = 0.08
"""Rows wait this long for others, so that each is committed within a tenth of a second."""

MOST_WAITING = 20_000
"""Rows kept in memory for a store that does not take them: three minutes at 100 readings a second."""

MOST_IN_GROUP = 4000
RETRY_S = (0.25, 5.0)
RESULT_S = 1.0
RESULT_SHARE = 20.0
"""A result is written at most this often: every second, and never for more than a twentieth of the time."""

BUSY_S = 2.0


@dataclass(eq=False)
class _Set:
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
    """Another recording has its name: it cannot be put in."""
    result: dict[str, Any] | None = None
    result_due: float = 0.0
    last: dict[str, Any] | None = None
    """The result of the whole set."""


@dataclass(slots=True)
class _Item:
    kind: str
    of: _Set
    n: int
    t: float
    what: Any
    why: str = ""


class _Job:
    """Something longer, done a transaction at a time between the groups; it can be begun again."""

    def __init__(self, begin: Callable[[], Iterator[object]], of: _Set | None = None) -> None:
        self._begin = begin
        self._steps: Iterator[object] | None = None
        self.of = of

    def step(self) -> object:
        """One transaction; the job itself once there are no more."""
        if self._steps is None:
            self._steps = self._begin()
        try:
            return next(self._steps, self)
        except BaseException:
            # An iterator that raised is at its end.
            self._steps = None
            raise


class StoreFeed:
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

    Attributes
    ----------
    failure : str or None
        Why rows do not reach the store now.
    troubles : int
        How often that has happened.
    committed : int
        Readings of the running set that are safe in the store.
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
    ) -> None:
        self._where = where
        self._folder = folder
        self._tell = on_trouble
        self._tell_note = on_note
        self._most = most_waiting
        self._group_s = group_s
        self._news = threading.Condition()
        self._waiting: deque[_Item] = deque()
        self._set: _Set | None = None
        self._to_begin: deque[_Set] = deque()
        self._ended: deque[_Set] = deque()
        self._jobs: deque[_Job] = deque()
        self._closing = False
        self._give_up_at = float("inf")
        self._retry_at = 0.0
        self._retry_s = RETRY_S[0]
        self._result_cost = 0.0
        self._store: Store | None = None
        self.failure: str | None = None
        self.troubles = 0
        self.passed_over = 0
        self._thread = threading.Thread(target=self._run, name="store", daemon=True)
        self._thread.start()

    # what is fed

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
        made = _Set(stream_path, stream_row(stream_path, header), setup)
        with self._news:
            self._end(None)
            self._set = made
            self._to_begin.append(made)
            self._news.notify()

    def reading(self, r: Reading) -> None:
        """A reading of the running set."""
        with self._news:
            s = self._set
            if s is not None:
                s.readings += 1
                self._offer(_Item("reading", s, s.readings, r.t, r))

    def mark(self, t: float, mark: str) -> None:
        """A mark in the running set."""
        with self._news:
            s = self._set
            if s is not None:
                s.marks += 1
                self._offer(_Item("mark", s, s.marks, t, mark))

    def link(self, t: float, state: str, why: str = "") -> None:
        """A change of the link in the running set."""
        with self._news:
            s = self._set
            if s is not None:
                s.links += 1
                self._offer(_Item("link", s, s.links, t, state, why))

    def damaged(self, t: float = 0.0, why: str = "") -> None:
        """A frame of the running set that could not be read."""
        del t, why
        with self._news:
            if self._set is not None:
                self._set.bad_frames += 1

    def result(self, result: dict[str, Any]) -> None:
        """What the running set says so far; only the latest is kept."""
        with self._news:
            s = self._set
            if s is not None:
                s.result = result
                self._news.notify()

    def end_set(self, result: dict[str, Any] | None = None) -> None:
        """The running set has ended and its raw stream is closed.

        Parameters
        ----------
        result : dict, optional
            Result of the whole set, as ``analyse`` gives it.  Without it the result is worked out here, from the raw stream.
        """
        with self._news:
            self._end(result)
            self._news.notify()

    def close(self, timeout: float = 3.0) -> bool:
        """End the running set, put in what waits, and stop.

        Returns
        -------
        bool
            Whether everything is in the store.  What is not is in the raw streams and is brought in at the next start.
        """
        with self._news:
            self._end(None)
            self._closing = True
            self._jobs = deque(j for j in self._jobs if j.of is not None)
            self._give_up_at = time.monotonic() + timeout
            self._retry_at = 0.0
            self._news.notify()
        if threading.current_thread() is not self._thread:
            # One that waits for a locked store comes back within its patience.
            self._thread.join(timeout + BUSY_S + 1.0)
        with self._news:
            return not (self._waiting or self._to_begin or self._ended or self._jobs)

    @property
    def committed(self) -> int:
        """Readings of the running set that are safe in the store."""
        s = self._set
        return 0 if s is None else s.committed

    def _end(self, result: dict[str, Any] | None) -> None:
        s = self._set
        if s is not None:
            s.last = result
            self._ended.append(s)
            self._set = None

    def _offer(self, item: _Item) -> None:
        if item.of.twin:
            return
        if item.of.passed_over or len(self._waiting) >= self._most:
            item.of.passed_over = True
            self.passed_over += 1
            return
        self._waiting.append(item)
        if len(self._waiting) in (1, MOST_IN_GROUP):
            self._news.notify()

    # the thread

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
        with self._news:
            while True:
                now = time.monotonic()
                if self._closing and (now >= self._give_up_at or not self._something()):
                    return False
                if now < self._retry_at:
                    self._news.wait(min(self._retry_at, self._give_up_at) - now)
                elif self._store is None or self._to_begin or self._ended or self._jobs or self._result_in(now) <= 0:
                    return True
                elif self._waiting:
                    if not self._closing:
                        self._news.wait_for(self._full_or_closing, self._group_s)
                    return True
                else:
                    left = self._result_in(now)
                    self._news.wait(None if left == float("inf") else left)

    def _full_or_closing(self) -> bool:
        return self._closing or bool(self._ended) or len(self._waiting) >= MOST_IN_GROUP

    def _something(self) -> bool:
        return bool(self._waiting or self._to_begin or self._ended or self._jobs)

    def _result_in(self, now: float) -> float:
        s = self._set
        return float("inf") if s is None or s.result is None else s.result_due - now

    def _work(self) -> None:
        store = self._opened()
        self._begin(store)
        while self._put_group(store) == MOST_IN_GROUP:
            pass
        self._put_result(store)
        self._catch_up(store)
        self._settle(store)
        self._step()

    def _step(self) -> None:
        from capture.store.errors import StoreError

        with self._news:
            job = self._jobs[0] if self._jobs else None
        if job is None:
            return
        said: object = job
        try:
            said = job.step()
        except StoreError:
            said = None
            raise
        except (CaptureError, OSError) as e:
            # The stream's own fault: trying again does not help.
            self._note(str(e))
        finally:
            if said is job:
                with self._news, suppress(ValueError):
                    self._jobs.remove(job)
        if isinstance(said, str):
            self._note(said)

    def _note(self, said: str) -> None:
        if said and self._tell_note is not None:
            self._tell_note(said)

    def _opened(self) -> Store:
        if self._store is None:
            from capture.store.database import Store
            from capture.store.upkeep import recover

            store = self._store = Store(self._where, busy_s=BUSY_S)
            with self._news:
                if not self._closing:
                    self._jobs.append(_Job(lambda: recover(store, self._folder)))
        return self._store

    def _begin(self, store: Store) -> None:
        from sqlalchemy import select

        from capture.store.models import Stream
        from capture.store.upkeep import refuse_twin
        from capture.store.writing import put_stream

        while self._to_begin:
            s = self._to_begin[0]
            with store.write() as c:
                before = c.execute(select(Stream.path).where(Stream.id == s.row["id"])).scalar()
                try:
                    if before is not None:
                        refuse_twin(Path(before), s.path)
                    put_stream(c, s.row)
                except CaptureError as e:
                    s.twin = True
                    self._note(str(e))
            with self._news:
                self._to_begin.popleft()
                if s.twin:
                    self._waiting = deque(x for x in self._waiting if x.of is not s)

    def _put_group(self, store: Store) -> int:
        from capture.store.models import StoredLink, StoredMark, StoredReading
        from capture.store.writing import put, put_stream

        with self._news:
            items = [self._waiting[i] for i in range(min(len(self._waiting), MOST_IN_GROUP))]
            sets = {id(x.of): x.of for x in items}
            bad = {k: s.bad_frames for k, s in sets.items()}
        if not items:
            return 0
        readings = [reading_row(x.of.row["id"], x.n, x.what) for x in items if x.kind == "reading"]
        marks = [mark_row(x.of.row["id"], x.n, x.t, x.what) for x in items if x.kind == "mark"]
        links = [link_row(x.of.row["id"], x.n, x.t, x.what, x.why) for x in items if x.kind == "link"]
        last = {id(x.of): x.n for x in items if x.kind == "reading"}
        with store.write() as c:
            for k, s in sets.items():
                put_stream(c, s.row | {"readings": last.get(k, s.committed), "bad_frames": bad[k]})
            put(c, StoredReading, readings)
            put(c, StoredMark, marks)
            put(c, StoredLink, links)
        with self._news:
            for _ in items:
                self._waiting.popleft()
        for k, s in sets.items():
            s.committed = last.get(k, s.committed)
        return len(items)

    def _put_result(self, store: Store) -> None:
        from capture.store.writing import put_result

        with self._news:
            s = self._set
            if s is None or s.result is None or time.monotonic() < s.result_due:
                return
            result, s.result = s.result, None
        begin = time.monotonic()
        try:
            with store.write() as c:
                put_result(c, s.row["id"], result)
        except BaseException:
            with self._news:
                if s.result is None:  # fed meanwhile, in another thread
                    s.result = result
            raise
        end = time.monotonic()
        s.result_due = end + max(RESULT_S, RESULT_SHARE * (end - begin))

    def _catch_up(self, store: Store) -> None:
        """Once the queue is empty, take it up again, and then read what was passed over: it is in the file by now."""
        from capture.store.upkeep import catch_up

        with self._news:
            s = self._set
            if s is None or not s.passed_over or self._waiting or any(j.of is s for j in self._jobs):
                return
            s.passed_over = False
            path = s.path
            self._jobs.appendleft(_Job(lambda: catch_up(store, path), s))

    def _settle(self, store: Store) -> None:
        """Give ended sets their last rows."""
        while True:
            with self._news:
                s = self._ended[0] if self._ended else None
                if s is None or (self._waiting and self._waiting[0].of is s) or s in self._to_begin:
                    return
            if not s.twin and (s.last is None or s.passed_over or not self._put_last(store, s)):
                with self._news:
                    # In front of others: a set just measured is looked at sooner than an old one.
                    self._jobs.appendleft(self._whole(store, s))
            with self._news:
                self._ended.popleft()

    @staticmethod
    def _whole(store: Store, s: _Set) -> _Job:
        from capture.store.upkeep import load_into

        return _Job(lambda: load_into(store, s.path, s.setup), s)

    def _put_last(self, store: Store, s: _Set) -> bool:
        """Put the result of a whole set in; False if rows are missing."""
        from capture.store.loading import state_of, sums_of
        from capture.store.models import StoredLink, StoredMark, StoredReading
        from capture.store.writing import put_result, put_stream, whole_up_to

        assert s.last is not None
        try:
            state, sums = state_of(s.path), canonical(sums_of(s.path))
        except OSError as e:
            self._note(f"{s.path} is not there any more ({e.strerror}); its rows so far stay in the store.")
            state, sums = "interrupted", "[]"
        stream = s.row["id"]
        with store.write() as c:
            have = [whole_up_to(c, m, stream) for m in (StoredReading, StoredMark, StoredLink)]
            if have != [s.readings, s.marks, s.links]:
                return False
            put_result(c, stream, s.last)
            put_stream(c, s.row | {"readings": s.readings, "bad_frames": s.bad_frames, "state": state, "sums": sums})
        return True

    def _trouble(self, why: str) -> None:
        with self._news:
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
