"""Longer work of the feeding thread, done a transaction at a time between the groups of rows."""

from __future__ import annotations

import threading
from collections import deque
from collections.abc import Callable, Iterator
from contextlib import suppress

from capture.errors import CaptureError
from capture.store.errors import StoreError
from capture.store.feed_queue import FedSet

MOST_TRIES = 5


class Job:
    """Something longer; it can be begun again.

    Parameters
    ----------
    begin : callable
        Begins it; each step of what it gives is a transaction, and a text among them is worth telling.
    of : FedSet, optional
        The set it belongs to.
    """

    def __init__(self, begin: Callable[[], Iterator[object]], of: FedSet | None = None) -> None:
        self._begin = begin
        self._steps: Iterator[object] | None = None
        self.of = of
        self.failures = 0

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


class Jobs:
    """Jobs in the order they are to be done.

    Parameters
    ----------
    lock : Condition
        Held by whoever changes what waits; all methods but `step` are called under it.
    """

    def __init__(self, lock: threading.Condition) -> None:
        self._lock = lock
        self._jobs: deque[Job] = deque()

    def __bool__(self) -> bool:
        return bool(self._jobs)

    def first(self, job: Job) -> None:
        """Do this one next."""
        self._jobs.appendleft(job)

    def last(self, job: Job) -> None:
        """Do this one when the others are done."""
        self._jobs.append(job)

    def any_of(self, s: FedSet) -> bool:
        """Whether one belongs to a set."""
        return any(j.of is s for j in self._jobs)

    def keep_those_of_sets(self) -> None:
        """Forget what can as well be done the next time."""
        self._jobs = deque(j for j in self._jobs if j.of is not None)

    def step(self, tell: Callable[[str], None]) -> None:
        """Do one step of the next job, if there is one.

        Raises
        ------
        Exception
            If it failed; it stays in its place unless it has failed too often, or the fault is the stream's own.
        """
        with self._lock:
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
            tell(str(e))
        except Exception:
            job.failures += 1
            if job.failures < MOST_TRIES:
                said = None
            raise
        finally:
            if said is job:
                with self._lock, suppress(ValueError):
                    self._jobs.remove(job)
        if isinstance(said, str):
            tell(said)
