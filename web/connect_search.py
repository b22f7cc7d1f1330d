"""One search at a time: a Bluetooth scan, an identification, or one more look at a reading."""

from __future__ import annotations

import logging
import threading
import time
from collections.abc import Callable
from typing import Any, NamedTuple

from capture.errors import CaptureError
from capture.identify import Candidate, SearchCancelledError, Watch, identify, keep, read_again
from capture.identify.alongside import Along, hear_along, identify_along
from capture.identify.around import bluetooth_around, port_of
from capture.profiles import Profile
from web.connect_words import candidate_as_dict, command_words, line_as_dict

MOST_SHOWN = 6
SCAN_S = 6.0
END_S = 12.0
"""Longest wait for a search that was told to end."""

_log = logging.getLogger("shimwright.connect")


class Running(NamedTuple):
    """The indicator in use: how to listen along, and the profile it is read with."""

    along: Along
    profile: Profile


class BusyError(CaptureError):
    """A search is under way already."""


class Search:
    """The one search, and what the last one found.  Its methods may be called from any thread."""

    def __init__(self) -> None:
        self._lock = threading.Lock()
        self._thread: threading.Thread | None = None
        self._watch = Watch()
        self._began = 0.0
        self._limit = 0.0
        self._doing: str | None = None
        self._said = ""
        self._outcome = "none"
        self.source = ""
        self._asked = self._mine = False
        self._begin_hex = ""
        self._candidates: list[Candidate] = []
        self._heard: list[dict[str, Any]] | None = None
        self._kept: dict[str, str] | None = None

    def as_dict(self) -> dict[str, Any]:
        """For the page."""
        with self._lock:
            busy = self._doing is not None
            return {
                "doing": self._doing,
                "elapsed_s": round(time.monotonic() - self._began, 1) if busy else None,
                "limit_s": self._limit if busy else None,
                "tries": self._watch.tries,
                "received": self._watch.received,
                "line": line_as_dict(self._watch.line),
                "ending": busy and self._watch.cancelled,
                "outcome": self._outcome,
                "said": self._said,
                "asked": self._asked,
                "mine": self._mine,
                "begin": self._begin_hex,
                "source": self.source,
                "candidates": [candidate_as_dict(n, c) for n, c in enumerate(self._candidates)],
                "bluetooth": self._heard,
                "kept": self._kept,
            }

    @property
    def busy(self) -> bool:
        """Whether a search is under way."""
        with self._lock:
            return self._doing is not None

    def scan(self) -> None:
        """Begin to listen for Bluetooth devices.

        Raises
        ------
        BusyError
        """

        def work(watch: Watch) -> Callable[[], None]:
            found = bluetooth_around(SCAN_S, watch)

            def take() -> None:
                self._heard = [
                    {"source": f"ble:{h.address}", "name": h.name, "address": h.address, "strength_dbm": h.strength_dbm}
                    for h in found
                ]
                self._outcome, self._said = "scanned", ""

            return take

        self._begin("bluetooth", SCAN_S, work)

    def identify(self, source: str, seconds: float, poll: str | None, running: Running | None = None) -> None:
        """Begin to find out how an indicator speaks; what an earlier search found is forgotten.

        Parameters
        ----------
        source : str
        seconds : float
        poll : str or None
        running : Running, optional
            The indicator in use, if it is that one: it is listened to along with the station.

        Raises
        ------
        BusyError
        """

        def work(watch: Watch) -> Callable[[], None]:
            if running is None:
                found = identify(source, seconds, poll, watch)
            else:
                found = identify_along(running.along, source, running.profile, seconds, watch)

            def take() -> None:
                self._candidates = _different(found.candidates)[:MOST_SHOWN]
                self._outcome = "found" if found.candidates else "nothing"
                self._said = ""
                self._begin_hex = "" if found.candidates else found.unexplained[:16].hex(" ")

            return take

        def fresh() -> None:
            self.source, self._asked, self._mine = source, poll is not None, running is not None
            self._candidates, self._kept = [], None

        self._begin("identify", seconds, work, fresh)

    def again(self, n: int, running: Running | None = None) -> None:
        """Begin to read once more with a candidate's profile; along with the station, if it listens to that indicator.

        Raises
        ------
        BusyError
        CaptureError
            If there is no such candidate.
        """
        self._candidate(n)
        source, before = self.source, list(self._candidates)

        def work(watch: Watch) -> Callable[[], None]:
            now = None if running is None else lambda seconds: hear_along(running.along, seconds, watch)
            new = read_again(source, before, n, watch, now)

            def take() -> None:
                self._outcome, self._said = "silent" if new is None else "found", ""
                self._candidates = before if new is None else new

            return take

        self._begin("read", 6.0, work)

    def keep(self, n: int, name: str) -> dict[str, str]:
        """Write a candidate into the user's folder; gives the file, the profile's name, and the command that uses it.

        Raises
        ------
        BusyError
        CaptureError
            If there is no such candidate, the name cannot be used, or the file not be written.
        """
        chosen = self._candidate(n)
        with self._lock:
            if self._doing is not None:
                raise BusyError("A search is under way: wait for it or stop it first.")
            file = keep(chosen.table, name)
            device = self.source.removeprefix("serial:")
            stays = port_of(device).stays if device != self.source else None
            source = f"serial:{stays}" if stays is not None else self.source
            self._kept = {
                "file": str(file),
                "profile": file.stem,
                "source": source,
                "command": command_words(source, file.stem),
            }
            return dict(self._kept)

    def cancel(self) -> None:
        """Have the search end soon; of no effect if there is none."""
        with self._lock:
            if self._doing is not None:
                self._watch.cancel()

    def close(self) -> None:
        """End the search and wait for it."""
        self.cancel()
        thread = self._thread
        if thread is not None:
            thread.join(END_S)

    def _candidate(self, n: int) -> Candidate:
        with self._lock:
            if not 0 <= n < len(self._candidates):
                raise CaptureError("There is no such profile in the list: identify the indicator first.")
            return self._candidates[n]

    def _begin(
        self,
        doing: str,
        limit: float,
        work: Callable[[Watch], Callable[[], None]],
        fresh: Callable[[], None] = lambda: None,
    ) -> None:
        with self._lock:
            if self._doing is not None:
                raise BusyError("A search is under way: wait for it or stop it first.")
            fresh()
            self._doing, self._said = doing, ""
            self._watch = watch = Watch()
            self._began, self._limit = time.monotonic(), limit
            self._thread = threading.Thread(target=self._run, args=(work, watch), name="connect", daemon=True)
            self._thread.start()

    def _run(self, work: Callable[[Watch], Callable[[], None]], watch: Watch) -> None:
        try:
            take = work(watch)
        except SearchCancelledError:
            take = self._ended("cancelled", "")
        except CaptureError as e:
            take = self._ended("failed", str(e))
        except Exception as e:  # the thread must not die silently, nor the page wait for ever
            _log.exception("a search has failed")
            take = self._ended("failed", f"The search ended by a fault of this program ({type(e).__name__}: {e}).")
        with self._lock:
            take()
            self._doing = None

    def _ended(self, outcome: str, said: str) -> Callable[[], None]:
        def take() -> None:
            self._outcome, self._said = outcome, said

        return take


def _different(candidates: list[Candidate]) -> list[Candidate]:
    """Of those that show the same and read the same to a person, the first."""
    seen: dict[str, Candidate] = {}
    for c in candidates:
        row = candidate_as_dict(0, c)
        seen.setdefault(repr([row[k] for k in ("use", "line", "step", "unit", "shown")]), c)
    return list(seen.values())
