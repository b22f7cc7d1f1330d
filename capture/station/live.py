"""One indicator: its life from start to stop, and what is asked of it meanwhile."""

from __future__ import annotations

import asyncio
import logging
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, Any

from capture.clock import Clock
from capture.errors import CaptureError
from capture.feeding import Feeding
from capture.interrupted import interrupted_set
from capture.profiles import Profile
from capture.rawstream import repair_folder
from capture.running_set import RunningSet, SetMaker
from capture.sources import open_source
from capture.sources.contract import Sink, Source
from capture.station.listening import Listening
from capture.station.watched import Watched

if TYPE_CHECKING:
    from analysis.setup import Setup
    from capture.store.feed import StoreFeed

CHECK_S, FIRST_CHECK_S = 0.2, 0.05
"""How often it is looked whether the clock was set and how the store is doing; and, before the first reading, whether silence is
to be told much sooner than it was: after that, every reading puts it off."""

END_S = 5.0
"""Longest wait for a source that was told to end; every source has ended within a second when its system lets it."""

_log = logging.getLogger("shimwright.station")

MARKS = ("reseat", "zero", "master", "pinion-turned", "push-pull", "set-end", "go-on")


class Station(Watched):
    """One indicator, listened to.

    Parameters
    ----------
    source : str or Source
        SOURCE text, or a source made already.
    profile : Profile
    setup : Setup, optional
    record_to : Path, optional
        Folder for raw streams, one file a set; nothing is recorded without it.
    clock : Clock, optional
    setup_file : bytes, optional
        Content of the set-up file, kept as it is beside each raw stream.
    feed : StoreFeed, optional
        Given everything that is in a raw stream.  Whoever made it closes it, after the station.

    Raises
    ------
    CaptureError
        If no raw stream can be made.
    """

    def __init__(
        self,
        source: str | Source,
        *,
        profile: Profile,
        setup: Setup | None = None,
        record_to: Path | None = None,
        clock: Clock | None = None,
        setup_file: bytes | None = None,
        feed: StoreFeed | None = None,
    ) -> None:
        super().__init__(Clock() if clock is None else clock, Feeding(feed), profile, setup)
        self.setup_file = setup_file
        self._commands = threading.Lock()
        self._closed = False
        one = open_source(source, profile) if isinstance(source, str) else source
        self._listening = Listening(one, self, self._clock, self._source_ended)
        self._maker = SetMaker(record_to, self._clock, self._recording_trouble, self._heard, self._damaged)
        self._set = self._maker.make(1, one.name, profile, setup, setup_file)
        self._begin_feeding(self._set)

    # life

    async def start(self) -> None:
        """Start reading."""
        self._loop = asyncio.get_running_loop()
        self._listening.start()
        if self.folder is not None:
            threading.Thread(
                target=self._repair, args=(self.folder, self.recording), name="repair", daemon=True
            ).start()
        self._watch = asyncio.create_task(self._keep_watch())

    async def stop(self) -> None:
        """Stop reading, put everything on the disk, end all subscriptions."""
        self._hub.close()
        self._listening.stop.set()
        self._watch.cancel()
        await asyncio.to_thread(self.close)

    def close(self) -> None:
        """Let go of the source, put everything on the disk, and close the recording; of no effect a second time."""
        with self._commands:
            self._closed = True
            self._listening.end(END_S)
            with self._lock:
                self._set.session.close()
            self._set.close()
            self._feeding.closed()
            self._judge.end()

    @property
    def about(self) -> dict[str, Any]:
        """What is known of the link besides its state; see `Source.about`."""
        return dict(self._source.about)

    def _source_ended(self, listening: Listening) -> None:
        """Called in the source's thread."""
        if listening.failure is not None:
            self._tell({"event": "failure", "why": listening.failure})
        else:
            with self._lock:
                self._set.session.close()
            self._changed()
            self._tell({"event": "end"})

    def _repair(self, folder: Path, own: Path | None) -> None:
        try:
            for said in repair_folder(folder):
                _log.warning("%s", said)
            self._post(self._broken_off, interrupted_set(folder, own, self._clock))
        except Exception:
            _log.exception("older recordings could not be looked through")

    def _broken_off(self, left: dict[str, Any] | None) -> None:
        if left is not None and self.sets == 1:
            self._interrupted = left
            self._publish({"event": "interrupted", **left})

    # commands: from any thread but the source's; those that wait for a disk say so

    def mark_now(self, mark: str) -> None:
        """Make a mark at this moment and see it onto the disk.  Waits for the disk, so not for the event loop's thread.

        Raises
        ------
        ValueError
            If the mark is not one of `MARKS` or a note.
        """
        if mark not in MARKS and not (mark.startswith("note:") and len(mark) <= 505):
            raise ValueError(f"mark is {mark!r}; allowed: {', '.join(MARKS)}, or note: and up to 500 characters")
        with self._lock:
            self._mark(self.now(), mark)
            writer = self._set.writer
        if writer is not None:
            # Whoever made it is told once it is safe; whoever reads is not kept waiting meanwhile.
            writer.sync()

    def new_set(self, setup: tuple[Setup | None, bytes | None] | None = None) -> Path | None:
        """End this set and begin the next, with a raw stream of its own.  Waits for the disk, so not for the event loop's thread.

        Parameters
        ----------
        setup : tuple, optional
            Set-up from the next set on, and the content of its file; the present one stays without it.

        Returns
        -------
        Path or None
            The raw stream of the set that has ended, closed; None where nothing is recorded.

        Raises
        ------
        CaptureError
            If no new raw stream can be made; the set that runs goes on, and the failure is told.
        """
        with self._commands:
            made = (self.setup, self.setup_file) if setup is None else setup
            fresh = self._made(self._source.name, self.profile, made)
            with self._lock:
                old = self._set
                self.setup, self.setup_file = made
                self._zero(fresh, self._latest)
                self._begin(fresh)
                self._go_on_in(fresh, old)
            return self._put_away(old)

    def listen_to(self, source: Source, profile: Profile) -> None:
        """Let go of the indicator and listen to another one, or to the same with another profile, in a new set.

        The recording of the old one ends with all it gave; that of the new one begins with its first byte.  Waits for the disk
        and for the old source, so not for the event loop's thread.

        Raises
        ------
        CaptureError
            If no new raw stream can be made, or the station was stopped; the old indicator is listened to as before.
        """
        with self._commands:
            fresh = self._made(source.name, profile, (self.setup, self.setup_file))
            left = self._listening
            if not left.end(END_S):
                left.leave()
                _log.warning("%s did not let go within %.0f s and is left to itself", left.source.name, END_S)
            with self._lock:
                old = self._set
                self._listening = Listening(source, self, self._clock, self._source_ended)
                self.profile = profile
                self._zero(fresh, 0.0)
                self._begin(fresh)
                self._begin_with(profile.period_s)
            self._listening.start()
            self._put_away(old)

    @contextmanager
    def along(self, taker: Sink) -> Iterator[None]:
        """Have somebody else given what comes from the indicator in use, until it is left for another; the set is not touched."""
        with self._listening.along(taker):
            yield

    def _made(self, source: str, profile: Profile, setup: tuple[Setup | None, bytes | None]) -> RunningSet:
        if self._closed:
            raise CaptureError("shimwright is stopping: start it again.")
        try:
            return self._maker.make(self.sets + 1, source, profile, *setup)
        except CaptureError as e:
            self._fail(f"no new set could be begun, the old one goes on: {e}")
            raise

    def _begin(self, fresh: RunningSet) -> None:
        """Called under the lock."""
        self._set, self.sets = fresh, self.sets + 1
        self._judged_afresh()
        self._begin_feeding(fresh)
        # In this order with what it hears; the page asks for the whole picture when it comes.
        self._tell({"event": "set", "n": self.sets})

    def _put_away(self, old: RunningSet) -> Path | None:
        """Close a set that has ended; whoever reads is not kept waiting for its disk."""
        old.close()
        if old.writer is not None and old.writer.failure is not None:
            self._fail(f"the last set is not recorded whole: {old.writer.failure}")
        self._feeding.closed()
        self._changed()
        return None if old.writer is None else old.writer.path

    @property
    def folder(self) -> Path | None:
        """Where raw streams go, one folder a set; None where nothing is recorded."""
        return self._maker.folder

    # within

    def _begin_feeding(self, s: RunningSet) -> None:
        if s.writer is not None:
            self._feeding.begin(s.writer.path, s.header, self.setup)

    async def _keep_watch(self) -> None:
        while True:
            due = self._silence.due
            most = CHECK_S if due is None or self._silence.heard_any else FIRST_CHECK_S
            ahead = most if due is None else min(most, due - self.now())
            await asyncio.sleep(max(ahead, 0.001))
            self.look()

    def look(self) -> None:
        """Say when readings have stopped, and when the computer's clock was set; to be called again and again."""
        self._look()
        if self._feeding.changed():
            # Told as it stands now: a recording that is in trouble matters more.
            self._post(self._publish_failure, None)
