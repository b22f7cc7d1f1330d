"""Judging the set that runs, off the event loop and one at a time."""

from __future__ import annotations

from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from contextlib import suppress
from typing import Any

from analysis.session import Session

Result = dict[str, Any]


class Judge:
    """Has sessions judged in a thread; called in the event loop.

    Parameters
    ----------
    post : callable
        Has a call made in the event loop.
    current : callable
        The session that runs.
    show : callable
        Takes a result of that session, what to do now, and the version of the session that was judged.
    fail : callable
        Takes the reason why one could not be judged.
    """

    def __init__(
        self,
        post: Callable[..., None],
        current: Callable[[], Session],
        show: Callable[[Result, dict[str, object], int], None],
        fail: Callable[[str], None],
    ) -> None:
        self._post, self._current, self._show, self._fail = post, current, show, fail
        self._worker = ThreadPoolExecutor(1, thread_name_prefix="judge")
        self.busy = False
        self._ended = False

    def look(self) -> None:
        """Judge the session that runs; what changes meanwhile is judged afterwards."""
        if self.busy or self._ended:
            return
        self.busy = True
        session = self._current()
        with suppress(RuntimeError):  # shut down this moment
            self._worker.submit(self._work, session, session.version)

    def _work(self, session: Session, version: int) -> None:
        result = None
        step: dict[str, object] = {}
        try:
            result = session.result()
            step = session.step()
        except Exception as e:  # the judge must not die silently
            self._fail(f"judging the set failed: {type(e).__name__}: {e}")
        self._post(self._done, session, version, result, step)

    def _done(self, session: Session, version: int, result: Result | None, step: dict[str, object]) -> None:
        self.busy = False
        now = self._current()
        if now is session and result is not None:
            self._show(result, step, version)
        if now is not session or session.version != version:
            self.look()

    def end(self) -> None:
        """Judge nothing further."""
        self._ended = True
        self._worker.shutdown(wait=False, cancel_futures=True)
